//! How many readings a study needs. Formulas from memory: Bland & Altman 1986 for limits of agreement (the SE of a limit
//! is √(3s²/n)), Bland's note on within-subject SDs (relative SE 1/√(2·df)), Bonett, Stat Med 2002;21:1331–5 for ICC.

use super::cannot;
use super::quantiles::Z95;
use crate::error::Result;

fn count(what: &str, n: f64) -> Result<u64> {
    if n.is_finite() && n <= 1e9 {
        Ok(n.ceil().max(2.0) as u64)
    } else {
        Err(cannot(what, "a precision that some study can reach", "one beyond any"))
    }
}

fn positive(what: &str, v: f64) -> Result<()> {
    if v.is_finite() && v > 0.0 { Ok(()) } else { Err(cannot(what, "a number above 0", v.to_string())) }
}

/// Pairs so that each limit of agreement is known to ± `half_width`, when differences have SD `sd` (same unit).
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) unless both are above 0, or beyond any study.
pub fn pairs_for_limits(sd: f64, half_width: f64) -> Result<u64> {
    let what = "the number of pairs";
    positive(what, sd)?;
    positive(what, half_width)?;
    count(what, 3.0 * (Z95 * sd / half_width).powi(2))
}

/// Degrees of freedom so that a within-subject SD is known to ± `relative` of itself (0.1 for ± 10 %): frames × (readings − 1).
///
/// # Errors
/// As [`pairs_for_limits`].
pub fn degrees_for_within_sd(relative: f64) -> Result<u64> {
    let what = "the degrees of freedom";
    positive(what, relative)?;
    count(what, 0.5 * (Z95 / relative).powi(2))
}

/// Frames so that an ICC of about `expected` among `readers` has a 95 % interval `width` wide.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) unless 0 ≤ `expected` < 1, at least 2 readers, 0 < `width`.
pub fn frames_for_icc(expected: f64, readers: u32, width: f64) -> Result<u64> {
    let what = "the number of frames";
    positive(what, width)?;
    if !(0.0..1.0).contains(&expected) || readers < 2 {
        return Err(cannot(what, "an expected ICC from 0 to below 1 and at least 2 readers", format!("{expected} and {readers}")));
    }
    let k = f64::from(readers);
    let spread = (1.0 - expected).powi(2) * (1.0 + (k - 1.0) * expected).powi(2);
    count(what, 8.0 * Z95 * Z95 * spread / (k * (k - 1.0) * width * width) + 1.0)
}
