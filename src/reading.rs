//! One reading from end to end, as a pure function: landmarks and context in; scale, distance, finding, words and
//! cautions out. The window, the commands and `verify` all call this and nothing else.

use serde::{Deserialize, Serialize};

use crate::calibrate::cross::{CrossCheck, ScaleLine};
use crate::calibrate::header::PixelSpacingConsent;
use crate::calibrate::{Calibration, Judged, ScaleFacts, Standing, judge};
use crate::cautions::{self, Caution};
use crate::context::{Dating, ExamContext};
use crate::error::Result;
use crate::frame::Geometry;
use crate::guideline::{self, Finding, Table};
use crate::load::Facts;
use crate::measure::{self, Landmarks, Measurement, Repeatability, Side, SideCheck, words};
use crate::units::PxPoint;

/// Everything a reading follows from.
#[derive(Clone, Copy, Debug)]
pub struct Inputs<'a> {
    /// What the frame's header says of its size and scale.
    pub geometry: &'a Geometry,
    /// The reader's landmarks.
    pub landmarks: &'a Landmarks,
    /// The reader's own statement of the side.
    pub side: Side,
    /// Consent to Pixel Spacing alone, where the reader gave it.
    pub consent: Option<&'a PixelSpacingConsent>,
    /// What the scale rests on besides the header.
    pub scale: &'a ScaleFacts,
    /// The repeatability in use.
    pub repeatability: &'a Repeatability,
    /// What is known of the exam.
    pub context: &'a ExamContext,
    /// The chosen guideline table.
    pub table: &'a Table,
}

/// The scale in use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scale {
    /// The calibration.
    pub calibration: Calibration,
    /// What is odd about it without stopping its use.
    pub warnings: Vec<String>,
}

/// A distance and all that follows from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measured {
    /// The scale it was measured on.
    pub scale: Scale,
    /// The distance with its error.
    pub measurement: Measurement,
    /// What it is under the table.
    pub finding: Finding,
}

/// A distance, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Distance {
    /// There is one.
    Measured(Box<Measured>),
    /// There is no trustworthy scale, so there are no millimetres.
    NoScale {
        /// Why, and what would help.
        reason: String,
    },
}

/// A reading, ready to show or save.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The distance or why there is none.
    pub distance: Distance,
    /// The distance in words, or that there is none.
    pub headline: String,
    /// Interval and SD in words; empty without a distance.
    pub detail: String,
    /// The finding in words.
    pub finding: String,
    /// What must be said beside it.
    pub cautions: Vec<Caution>,
    /// Why it must not be saved yet; empty when it may be.
    pub blocks: Vec<String>,
    /// What speaks for and against the scale.
    pub scale_lines: Vec<ScaleLine>,
    /// What stops millimetres until a person resolves it; empty when nothing does.
    pub unresolved: Vec<CrossCheck>,
}

/// What a file itself tells of the exam; everything else stays unknown. No stored field reliably says "transvaginal".
#[must_use]
pub fn context_of(facts: &Facts) -> ExamContext {
    ExamContext { exam_date: facts.exam_date, dating: facts.last_menstrual_date.map(Dating::LastPeriod), ..ExamContext::default() }
}

/// How well the scale of a reading is known, from what was recorded with it.
#[must_use]
pub fn scale_standing(distance: &Distance, facts: &ScaleFacts, exam: Option<jiff::civil::Date>) -> cautions::Scale {
    use crate::calibrate::Basis;
    match distance {
        Distance::NoScale { .. } => cautions::Scale::Missing,
        Distance::Measured(m) => cautions::Scale::of(match m.scale.calibration.basis() {
            Basis::Hand { .. } => Standing::ByHand,
            _ => Standing::of(facts.last_check.as_ref(), exam),
        }),
    }
}

/// Reads.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when landmarks and statement contradict each other or a landmark is
/// not on the frame. A missing scale is not an error but [`Distance::NoScale`].
pub fn read(inputs: &Inputs<'_>) -> Result<Reading> {
    check_on_frame(inputs.geometry, inputs.landmarks)?;
    let edge = inputs.landmarks.edge.at();
    let mut points = vec![inputs.landmarks.internal_os, edge];
    points.extend(inputs.landmarks.marginal_sinus);
    let Judged { scale, lines, standing, unresolved } =
        judge(inputs.geometry, &points, inputs.consent, inputs.scale, inputs.context.exam_date);
    let scale = match scale {
        Ok((calibration, warnings)) => Scale { calibration, warnings },
        Err(e) => return Ok(Reading { scale_lines: lines, unresolved, ..without_scale(inputs, e.message()) }),
    };
    let measurement = measure::edge_to_os(inputs.landmarks, inputs.side, &scale.calibration, inputs.repeatability)?;
    let age = inputs.context.gestational_age().ok();
    let finding = guideline::classify(inputs.table, &measurement, age, inputs.context);
    let print = words::printer(|printed, real| inputs.table.same_band(printed, real));
    let mut blocks = Vec::new();
    if measurement.side_check == SideCheck::Disagrees {
        blocks.push(format!(
            "The placental body lies on the other side than \"{}\" says: move the body or the edge, or state the side again.",
            inputs.side.words()
        ));
    }
    let cautions = cautions::cautions(&cautions::Facts {
        context: inputs.context,
        age,
        scale: cautions::Scale::of(standing),
        stated_side: Some(inputs.side),
        measurement: Some(&measurement),
        finding: Some(&finding),
    });
    Ok(Reading {
        headline: words::headline(&measurement.value, &print),
        detail: words::detail(&measurement, &print),
        finding: guideline::headline(&finding),
        cautions,
        blocks,
        scale_lines: lines,
        unresolved,
        distance: Distance::Measured(Box::new(Measured { scale, measurement, finding })),
    })
}

fn without_scale(inputs: &Inputs<'_>, reason: String) -> Reading {
    Reading {
        headline: "No millimetres: no trustworthy scale".into(),
        detail: String::new(),
        finding: format!("No finding under {}: a distance in millimetres is needed", inputs.table.name()),
        cautions: cautions::cautions(&cautions::Facts {
            context: inputs.context,
            age: inputs.context.gestational_age().ok(),
            scale: cautions::Scale::Missing,
            stated_side: Some(inputs.side),
            measurement: None,
            finding: None,
        }),
        blocks: Vec::new(),
        scale_lines: Vec::new(),
        unresolved: Vec::new(),
        distance: Distance::NoScale { reason },
    }
}

/// A landmark off the frame is a slip of the hand or of the wrong file, with or without a scale.
fn check_on_frame(geometry: &Geometry, landmarks: &Landmarks) -> Result<()> {
    use crate::error::{Error, ErrorKind};
    let (w, h) = (f64::from(geometry.columns), f64::from(geometry.rows));
    let on = |p: PxPoint| p.is_finite() && (0.0..=w).contains(&p.x) && (0.0..=h).contains(&p.y);
    let named = [
        ("internal os", Some(landmarks.internal_os)),
        (landmarks.edge.words(), Some(landmarks.edge.at())),
        ("placental body", landmarks.placental_body),
        ("marginal sinus", landmarks.marginal_sinus),
    ];
    for (name, point) in named {
        if let Some(p) = point.filter(|p| !on(*p)) {
            return Err(Error::new(ErrorKind::Invalid, format!("the {name} landmark is not on the frame"))
                .expected(format!("x from 0 to {w} px and y from 0 to {h} px"))
                .found(format!("({}, {})", p.x, p.y))
                .remedy("Check that the landmarks belong to this frame"));
        }
    }
    Ok(())
}
