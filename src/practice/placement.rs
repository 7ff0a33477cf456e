//! A trainee's own placement: which of their errors count towards it.
//!
//! How it widens a reading's uncertainty is [`own_placement`](crate::measure::own_placement). The errors are those of the
//! course's frames from the second level on, of one reader, in the order they were answered: own cases have no exact truth,
//! and clear pictures say little of a hand.

use serde::{Deserialize, Serialize};

use super::attempt::Attempt;
use super::course::Level;
use crate::agree::own::InUse;
use crate::measure::own_placement::{LEAST_ERRORS, MOST_ERRORS, about_the_truth};
use crate::units::Mm;

/// Whether a reader's own placement may widen their clinical readings.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Consent {
    /// When consent was given, RFC 3339; `None` when it was not, or was withdrawn.
    pub given_at: Option<String>,
}

/// What a reader's practice says of their placement.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Placement {
    /// The errors that count, the newest [`MOST_ERRORS`], mm.
    pub errors_mm: Vec<Mm>,
    /// The reader's consent.
    pub consent: Consent,
}

impl Placement {
    /// Of a reader's answered cases, in the order they were answered.
    #[must_use]
    pub fn of(attempts: &[Attempt], consent: Consent) -> Self {
        let counts = |a: &&Attempt| a.level().is_some_and(|l| l > Level::ClearPictures);
        let all: Vec<Mm> = attempts.iter().filter(counts).filter_map(|a| a.marked.counted_error()).map(Mm::new).collect();
        let from = all.len().saturating_sub(MOST_ERRORS);
        Self { errors_mm: all.get(from..).unwrap_or_default().to_vec(), consent }
    }

    /// The errors and the consent, where both are there.
    fn in_force(&self) -> Option<(&[Mm], &str)> {
        let given = self.consent.given_at.as_deref()?;
        (self.errors_mm.len() >= LEAST_ERRORS).then_some((&self.errors_mm, given))
    }

    /// The repeatability for this reader's new readings: `in_use`, or wider by consent; never narrower.
    #[must_use]
    pub fn widen(&self, in_use: InUse) -> InUse {
        match self.in_force() {
            Some((errors, given)) => in_use.widened_by(errors, given),
            None => in_use,
        }
    }

    /// What is so, in a sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let (n, consent) = (self.errors_mm.len(), self.consent.given_at.is_some());
        if n < LEAST_ERRORS {
            return format!(
                "Own placement: {n} of {LEAST_ERRORS} cases that count (levels 2 to 6, read and to be read). From {LEAST_ERRORS} on the spread is \
                 known to within a third, and may widen your clinical readings if you consent ({LEAST_ERRORS}, and the newest {MOST_ERRORS} that are taken, \
                 are assumptions of this program)."
            );
        }
        let sd = about_the_truth(&self.errors_mm);
        let what = if consent {
            "By your consent it widens your clinical readings where it is larger than the repeatability in use; it never narrows them."
        } else {
            "It may widen your clinical readings, never narrow them, if you consent."
        };
        format!(
            "Own placement: {sd:.2} about the truth, bias included, from the newest {n} cases ({LEAST_ERRORS} to {MOST_ERRORS} are taken, an assumption of this program). {what}"
        )
    }
}
