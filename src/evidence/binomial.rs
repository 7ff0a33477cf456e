//! Exact (Clopper–Pearson) interval of a proportion.

use statrs::distribution::{Beta, ContinuousCDF};

/// Coverage of the intervals, 0 to 1.
pub const COVERAGE: f64 = 0.95;

/// The exact two-sided interval of `events` out of `of`, as shares from 0 to 1; `None` when no share can be had.
///
/// Source: Clopper & Pearson, Biometrika 1934;26:404; the ends are quantiles of beta distributions.
#[must_use]
pub fn exact_interval(events: u32, of: u32) -> Option<(f64, f64)> {
    let others = of.checked_sub(events)?;
    if of == 0 {
        return None;
    }
    let tail = (1.0 - COVERAGE) / 2.0;
    let quantile = |a: u32, b: u32, p: f64| Beta::new(f64::from(a), f64::from(b)).ok().map(|d| d.inverse_cdf(p));
    let low = if events == 0 { 0.0 } else { quantile(events, others.checked_add(1)?, tail)? };
    let high = if others == 0 { 1.0 } else { quantile(events.checked_add(1)?, others, 1.0 - tail)? };
    Some((low, high))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    /// Source: scipy 1.17.1, `beta.ppf(0.025, k, n-k+1)` and `beta.ppf(0.975, k+1, n-k)`, printed to 12 digits.
    const SCIPY: [(u32, u32, f64, f64); 18] = [
        (13, 398, 0.017504233675, 0.055207633069),
        (23, 211, 0.070366351072, 0.159062069940),
        (29, 72, 0.288792013761, 0.525020115447),
        (20, 33, 0.421393721388, 0.770933761636),
        (4, 6, 0.222778095504, 0.956728131707),
        (2, 3, 0.094299324050, 0.991596241340),
        (0, 12, 0.0, 0.264648469397),
        (12, 12, 0.735351530603, 1.0),
        (37, 181, 0.148202560901, 0.270581776967),
        (11, 777, 0.007087751579, 0.025189351504),
        (20, 1240, 0.009879143829, 0.024800519933),
        (3, 20, 0.032070937185, 0.378926826545),
        (13, 14, 0.661315510068, 0.998193219341),
        (1, 1, 0.025, 1.0),
        (0, 1, 0.0, 0.975),
        (7, 8, 0.473490329125, 0.996840276469),
        (13, 30, 0.254607549903, 0.625726549391),
        (500, 1_000_000, 0.000457138149, 0.000545796766),
    ];

    #[test]
    fn intervals_agree_with_scipy() {
        for (events, of, low, high) in SCIPY {
            let (l, h) = exact_interval(events, of).unwrap();
            // The reference is printed to 12 digits.
            assert!((l - low).abs() < 1e-9 && (h - high).abs() < 1e-9, "{events}/{of}: {l}, {h}");
        }
    }

    #[test]
    fn no_share_of_nothing_or_of_less_than_happened() {
        assert_eq!(exact_interval(0, 0), None);
        assert_eq!(exact_interval(4, 3), None);
    }
}
