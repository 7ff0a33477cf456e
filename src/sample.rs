//! The bundled sample exam: an invented patient's saved landmarks, and what was stated with them.

use serde::{Deserialize, Serialize};

use crate::context::{Answer, Bladder, Contraction, Dating, ExamContext, Route};
use crate::error::{Error, ErrorKind, Result};
use crate::load::Facts;
use crate::measure::{EdgeMark, Landmarks, Side};
use crate::reading::context_of;
use crate::units::PxPoint;

/// Version of the file's shape.
pub const SCHEMA: &str = "osspan-sample-landmarks/1";
/// The file's name in the folder of the sample exam.
pub const FILE: &str = "landmarks.json";

/// The saved landmarks of the sample exam.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SavedLandmarks {
    /// [`SCHEMA`].
    pub schema: String,
    /// The invented reader.
    pub reader: String,
    /// Id of the guideline table that the sample names.
    pub guideline: String,
    /// The invented due date.
    pub due_date: jiff::civil::Date,
    /// One entry a reading.
    pub readings: Vec<SavedReading>,
}

/// One saved reading of the sample exam.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SavedReading {
    /// File, relative to the folder of the sample exam, `/` between parts.
    pub file: String,
    /// Frame number, from 1.
    pub frame: u32,
    /// Internal os, px (x, y).
    pub internal_os: [f64; 2],
    /// The edge mark.
    pub edge: EdgeMark,
    /// A point on the placental body, px (x, y).
    pub placental_body: Option<[f64; 2]>,
    /// The stated side.
    pub side: Side,
    /// The route.
    pub route: Route,
    /// The bladder.
    pub bladder: Bladder,
    /// A contraction in the frame.
    #[serde(default)]
    pub contraction: Contraction,
    /// A low-lying placenta or previa was seen earlier in this pregnancy.
    #[serde(default)]
    pub earlier_low_placenta: Answer,
}

impl SavedLandmarks {
    /// Reads the file's text.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when it is not of [`SCHEMA`].
    pub fn parse(text: &str) -> Result<Self> {
        let fail = |found: String| Error::new(ErrorKind::Format, "the sample landmarks cannot be read").expected(SCHEMA).found(found);
        let saved: Self = serde_json::from_str(text).map_err(|e| fail(e.to_string()))?;
        if saved.schema == SCHEMA { Ok(saved) } else { Err(fail(saved.schema)) }
    }

    /// What is known of the exam that `facts` belong to.
    #[must_use]
    pub fn context(&self, facts: &Facts) -> ExamContext {
        ExamContext { dating: Some(Dating::DueDate(self.due_date)), ..context_of(facts) }
    }
}

impl SavedReading {
    /// The landmarks.
    #[must_use]
    pub fn landmarks(&self) -> Landmarks {
        let point = |[x, y]: [f64; 2]| PxPoint::new(x, y);
        Landmarks {
            internal_os: point(self.internal_os),
            edge: self.edge,
            placental_body: self.placental_body.map(point),
            marginal_sinus: None,
        }
    }

    /// The exam's context with what was stated for this frame.
    #[must_use]
    pub fn context(&self, exam: ExamContext) -> ExamContext {
        ExamContext {
            route: self.route,
            bladder: self.bladder,
            contraction: self.contraction,
            earlier_low_placenta: self.earlier_low_placenta,
            ..exam
        }
    }
}
