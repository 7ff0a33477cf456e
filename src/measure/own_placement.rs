//! A reader's own placement in practice, where it widens the repeatability of a reading. It never narrows it.
//!
//! What practice measures is placement alone, on frames that are kinder than patients and without acquisition. So it cannot
//! take the place of a repeatability that is larger, and where it is the larger one it is a floor, not the whole: nothing is
//! added to it, since the repeatability in use may hold placement already.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// `name@version` of this method.
pub const METHOD: &str = "own-placement-in-practice@1";
/// Fewest errors behind it (own assumption): with 30 the SD is known to within −20 and +34 % (chi-squared, 95 %). It is the rule
/// that the department's own repeatability keeps too.
pub const LEAST_ERRORS: usize = 30;
/// Most errors behind it; the newest count (own assumption).
pub const MOST_ERRORS: usize = 60;

/// What widened a repeatability, as a record keeps it: enough to work it out again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnPlacement {
    /// The errors in practice, read less true, mm.
    pub errors_mm: Vec<Mm>,
    /// When the reader consented, RFC 3339.
    pub consented_at: String,
    /// The repeatability that would be in use without.
    pub without: Box<Repeatability>,
}

/// Spread of errors about the truth, mm, bias included: √(Σe²/n). A hand that is always 3 mm too far out is no surer than one
/// that scatters by 3 mm.
#[must_use]
pub fn about_the_truth(errors_mm: &[Mm]) -> Mm {
    let squares: f64 = errors_mm.iter().map(|e| e.get() * e.get()).sum();
    Mm::new((squares / errors_mm.len().max(1) as f64).sqrt())
}

/// The repeatability widened by a reader's errors in practice. The same one when there are fewer than [`LEAST_ERRORS`], one
/// is not a number, or their spread is not larger.
#[must_use]
pub fn widened(without: &Repeatability, errors_mm: &[Mm], consented_at: &str) -> Repeatability {
    let errors: Vec<Mm> = errors_mm.iter().copied().skip(errors_mm.len().saturating_sub(MOST_ERRORS)).collect();
    let sd_mm = about_the_truth(&errors);
    // A value that is no number is not larger either.
    if errors.len() < LEAST_ERRORS || !sd_mm.is_finite() || sd_mm <= without.sd_mm {
        return without.clone();
    }
    Repeatability {
        sd_mm,
        method: METHOD.into(),
        assumed: without.assumed,
        source: Citation {
            text: format!(
                "widened by the reader's consent: their own placement on {} practice frames, bias included, {sd_mm:.2}; without it {:.2} ({}). \
                 Practice frames are kinder than patients",
                errors.len(),
                without.sd_mm,
                without.method
            )
            .into(),
            provenance: Provenance::OwnMeasurement,
        },
        degrees_of_freedom: Some(errors.len() as f64),
        readings: None,
        own_placement: Some(OwnPlacement { errors_mm: errors, consented_at: consented_at.to_owned(), without: Box::new(without.clone()) }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn errors(n: usize, mm: f64) -> Vec<Mm> {
        (0..n).map(|i| Mm::new(if i % 2 == 0 { mm } else { -mm })).collect()
    }

    #[test]
    fn it_widens_and_never_narrows() {
        let base = Repeatability::assumed_total();
        for (n, mm, wider) in [(30, 3.0, true), (29, 3.0, false), (30, 2.0, false), (60, 0.5, false), (30, f64::NAN, false)] {
            let got = widened(&base, &errors(n, mm), "2031-01-01T00:00:00Z");
            assert_eq!(got.own_placement.is_some(), wider, "{n} {mm}");
            assert!(got.sd_mm >= base.sd_mm && (wider || got == base));
        }
        let got = widened(&base, &errors(30, 3.0), "");
        assert_eq!((got.sd_mm, got.assumed), (Mm::new(3.0), true));
        // A steady bias widens as a scatter of the same size does.
        assert_eq!(widened(&base, &vec![Mm::new(3.0); 40], "").sd_mm, Mm::new(3.0));
        // The newest sixty count.
        let mut all = errors(60, 9.0);
        all.extend(errors(60, 2.5));
        assert_eq!(widened(&base, &all, "").sd_mm, Mm::new(2.5));
    }
}
