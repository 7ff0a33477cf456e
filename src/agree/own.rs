//! Which repeatability a new reading is made with: the labelled assumption, or the department's own once the rule allows it.
//!
//! - The department's own is the total SD of one reading within an exam, placement and acquisition together, of every
//!   reader's repeats pooled; it takes the place of the assumed total and nothing is added to it, so placement is not counted
//!   twice.
//! - It needs [`LEAST_DEGREES`](super::components::LEAST_DEGREES) pooled degrees of freedom over frames of exams. When the
//!   acquisition component comes out negative, the SD of all readings pooled is used.
//! - Repeats of one frame count only if they were made blind and spaced; readings made with edge assist, and frames judged
//!   inadequate, do not count ([`study`](super::study) says which do).
//!
//! A record keeps the one that it was made with.

use super::study::{Options, own_of, readings};
use crate::error::ErrorKind;
use crate::measure::Repeatability;
use crate::measure::own_placement::widened;
use crate::record::ReadingRecord;
use crate::units::Mm;

/// The repeatability for a new reading, and why it is this one.
#[derive(Clone, Debug, PartialEq)]
pub struct InUse {
    /// It.
    pub repeatability: Repeatability,
    /// Why the assumption stays; `None` when the department's own is in use.
    pub why_assumed: Option<String>,
}

impl InUse {
    /// The labelled assumption.
    #[must_use]
    pub fn assumed(why: impl Into<String>) -> Self {
        Self { repeatability: Repeatability::assumed_total(), why_assumed: Some(why.into()) }
    }

    /// The same, widened by this reader's errors in practice where they spread wider; never narrower.
    #[must_use]
    pub fn widened_by(mut self, errors_mm: &[Mm], consented_at: &str) -> Self {
        self.repeatability = widened(&self.repeatability, errors_mm, consented_at);
        self
    }

    /// Which is in use and from how many readings, in words.
    #[must_use]
    pub fn words(&self) -> String {
        words(&self.repeatability, self.why_assumed.as_deref())
    }
}

/// A repeatability in words: its SD, whether it is assumed or this department's own, and from how many readings.
#[must_use]
pub fn words(r: &Repeatability, why_assumed: Option<&str>) -> String {
    let sd = r.sd_mm.get();
    if let Some(own) = &r.own_placement {
        return format!(
            "SD {sd:.2} mm, widened by your consent: your own placement on {} practice frames, bias included. Without it: {}",
            own.errors_mm.len(),
            words(&own.without, why_assumed)
        );
    }
    if r.assumed {
        let why = why_assumed.map_or(String::new(), |w| format!(" {w}"));
        return format!("SD {sd:.2} mm, assumed: a proxy, not this department's own.{why}");
    }
    let readings = r.readings.map_or_else(|| "saved readings".to_owned(), |n| format!("{n} readings"));
    let degrees = r.degrees_of_freedom.map_or(String::new(), |d| format!(", {d:.0} degrees of freedom"));
    format!("SD {sd:.2} mm, this department's own, from {readings}{degrees}")
}

/// Finds the repeatability for new readings among a department's saved ones.
#[must_use]
pub fn in_use<'a>(records: impl IntoIterator<Item = &'a ReadingRecord>) -> InUse {
    match readings(records, &Options::default()) {
        Ok(counted) => {
            let own = own_of(&counted);
            match (own.repeatability, own.why_not) {
                (Some(repeatability), _) => InUse { repeatability, why_assumed: None },
                (None, why) => InUse::assumed(format!("Own readings do not suffice: {}.", why.unwrap_or_default().trim_end_matches('.'))),
            }
        }
        Err(e) if e.kind() == ErrorKind::Limit => InUse::assumed("There are more records than are looked through."),
        Err(e) => InUse::assumed(format!("The saved readings cannot be used: {}.", e.message().trim_end_matches('.'))),
    }
}
