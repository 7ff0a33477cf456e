//! Quantiles good to about 1e-12. Those of the statistics library serve as a start where they are coarser, and a few
//! Newton steps on its distribution function finish them.

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Two-sided 95 % point of the normal distribution.
pub(super) const Z95: f64 = crate::measure::interval::Z95;

/// Follows a distribution function to `p` from `start`; stops when a step no longer matters.
fn polish(start: f64, p: f64, cdf: impl Fn(f64) -> f64, density: impl Fn(f64) -> f64) -> f64 {
    let mut x = start;
    for _ in 0..20 {
        let step = (cdf(x) - p) / density(x);
        if !step.is_finite() {
            break;
        }
        x -= step;
        if step.abs() <= 1e-14 * x.abs() {
            break;
        }
    }
    if x.is_finite() { x } else { start }
}

/// Quantile of Student's t; `None` unless `df` > 0 and 0 < p < 1.
pub(crate) fn t(p: f64, df: f64) -> Option<f64> {
    let d = StudentsT::new(0.0, 1.0, df).ok()?;
    inside(p)?;
    Some(polish(d.inverse_cdf(p), p, |x| d.cdf(x), |x| d.pdf(x)))
}

/// Two-sided probability of a t at least this far from 0.
pub(super) fn t_two_sided(value: f64, df: f64) -> Option<f64> {
    let d = StudentsT::new(0.0, 1.0, df).ok()?;
    Some((2.0 * d.cdf(-value.abs())).min(1.0))
}

/// Quantile of chi-squared.
pub(crate) fn chi_squared(p: f64, df: f64) -> Option<f64> {
    let d = ChiSquared::new(df).ok()?;
    inside(p)?;
    Some(polish(d.inverse_cdf(p), p, |x| d.cdf(x), |x| d.pdf(x)))
}

/// Probability of a chi-squared above `value`.
pub(super) fn chi_squared_above(value: f64, df: f64) -> Option<f64> {
    Some(ChiSquared::new(df).ok()?.sf(value))
}

/// Quantile of F.
pub(super) fn f(p: f64, df1: f64, df2: f64) -> Option<f64> {
    let d = FisherSnedecor::new(df1, df2).ok()?;
    inside(p)?;
    Some(polish(d.inverse_cdf(p), p, |x| d.cdf(x), |x| d.pdf(x)))
}

/// Quantile of sorted values by straight interpolation between them.
pub(crate) fn of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let place = p * (sorted.len().checked_sub(1)? as f64);
    let (i, rest) = (place.floor(), place.fract());
    let low = sorted.get(i as usize)?;
    let high = sorted.get(i as usize + 1).unwrap_or(low);
    Some(low + rest * (high - low))
}

fn inside(p: f64) -> Option<()> {
    (p > 0.0 && p < 1.0).then_some(())
}

/// Quantile of the noncentral t with `df` degrees of freedom and noncentrality `delta`.
///
/// T = (Z + δ)/s with s² = χ²/df: its distribution function is the mean of Φ(t·s − δ) over the density of s, taken by
/// Simpson's rule where that density is more than 1e-30 of its peak.
pub(super) fn noncentral_t(p: f64, df: f64, delta: f64) -> Option<f64> {
    const STEPS: usize = 4_000;
    inside(p)?;
    if !(df >= 1.0 && df.is_finite() && delta.is_finite()) {
        return None;
    }
    // Steps are even in √s: with one or two degrees of freedom the far tail of T lies at small s.
    let (low, high) = ((1.0 - 12.0 / df.sqrt()).max(0.0).sqrt(), (1.0 + 12.0 / df.sqrt()).sqrt());
    let h = (high - low) / STEPS as f64;
    let normal = Normal::standard();
    let nodes: Vec<(f64, f64)> = (0..=STEPS)
        .map(|i| {
            let root = low + h * i as f64;
            let s = root * root;
            let density = if root > 0.0 { root * ((df - 1.0) * s.ln() - 0.5 * df * (s * s - 1.0)).exp() } else { 0.0 };
            let weight = if i == 0 || i == STEPS {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            (s, weight * density)
        })
        .collect();
    // The density's constant follows from its sum, so no gamma function is needed.
    let all: f64 = nodes.iter().map(|(_, w)| w).sum();
    let cdf = |t: f64| nodes.iter().map(|(s, w)| w * normal.cdf(t * s - delta)).sum::<f64>() / all;
    let density = |t: f64| nodes.iter().map(|(s, w)| w * s * normal.pdf(t * s - delta)).sum::<f64>() / all;
    let (mut a, mut b) = (delta - 10.0, delta + 10.0);
    for _ in 0..60 {
        let (below, above) = (cdf(a) > p, cdf(b) < p);
        if !below && !above {
            break;
        }
        let width = b - a;
        if below {
            a -= width;
        }
        if above {
            b += width;
        }
    }
    for _ in 0..12 {
        let middle = 0.5 * (a + b);
        if cdf(middle) < p { a = middle } else { b = middle }
    }
    Some(polish(0.5 * (a + b), p, cdf, density))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Source: scipy.stats 1.17 (t.ppf, chi2.ppf, f.ppf, nct.ppf), with numpy's full print.
    #[test]
    fn quantiles_are_those_of_the_tables() {
        let near = |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 1e-10 * b.abs().max(1.0), "{a:?} {b}");
        near(t(0.975, 10.0), 2.228_138_851_964_939);
        near(chi_squared(0.025, 5.0), 0.831_211_613_486_662_8);
        near(f(0.975, 5.0, 15.0), 3.576_415_349_279_060_7);
        near(noncentral_t(0.975, 11.0, 6.789_639_165_669_999), 12.223_199_496_749_753);
        near(noncentral_t(0.025, 1.0, 2.771_858_582_251_266), 0.739_111_471_593_097_3);
        near(noncentral_t(0.975, 2.0, 3.394_819_582_834_999), 22.198_681_586_991_924);
        assert_eq!(f(1.5, 5.0, 15.0), None);
        assert_eq!(t(0.5, -1.0), None);
    }
}
