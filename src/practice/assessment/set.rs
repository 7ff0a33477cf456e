//! A frozen set: which cases, under which table, what must be reached; and its sealed secret.

use serde::{Deserialize, Serialize};

use super::plan::Form;
use super::signed::Part;
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::TableRef;

/// What must be reached to pass. Each that is named must be met.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Criteria {
    /// Fewest cases done well.
    pub least_well: u32,
    /// Largest bias either way, mm.
    pub most_bias_mm: Option<f64>,
    /// Largest spread, one SD, mm.
    pub most_sd_mm: Option<f64>,
    /// Fewest findings right.
    pub least_findings: Option<u32>,
    /// Fewest misleading frames rejected.
    pub least_rejected: Option<u32>,
}

impl Criteria {
    /// Checks that they can be met in a set of so many cases.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when one cannot.
    pub fn check(&self, cases: usize) -> Result<()> {
        let counts = [Some(self.least_well), self.least_findings, self.least_rejected];
        let sizes = [self.most_bias_mm, self.most_sd_mm];
        let possible =
            counts.into_iter().flatten().all(|n| n as usize <= cases) && sizes.into_iter().flatten().all(|s| s.is_finite() && s > 0.0);
        if possible {
            return Ok(());
        }
        Err(Error::new(ErrorKind::Usage, "the set is not frozen")
            .expected(format!("criteria that can be met: counts up to {cases}, lengths above 0 mm"))
            .found("others"))
    }
}

/// One case as trainees are given it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetCase {
    /// Its identifier; its frame's file bears it.
    pub id: String,
    /// SHA-256 (hex) of the frame's file.
    pub file_sha256: String,
    /// The sonographer's line that comes with it.
    pub note: String,
}

/// A frozen set.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AssessmentSet {
    /// What the lead calls it.
    pub name: String,
    /// Which of two forms.
    pub form: Form,
    /// Version of the course's generator.
    pub version: u32,
    /// Rounds of slots.
    pub rounds: usize,
    /// The guideline table that findings are marked under.
    pub table: TableRef,
    /// What must be reached.
    pub criteria: Criteria,
    /// The cases, in the order in which they are given.
    pub cases: Vec<SetCase>,
    /// The secret, sealed under the lead's passphrase.
    pub sealed: String,
}

impl Part for AssessmentSet {
    const SCHEMA: &'static str = "osspan-assessment-set/1";
}
