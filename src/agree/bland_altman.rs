//! Differences between paired readings: bias, limits of agreement with exact intervals, and whether the method's
//! assumptions hold.
//!
//! Source: Bland & Altman, Lancet 1986;i:307–10. Exact intervals of the limits: the limit's distance from the mean
//! difference in SEs follows a noncentral t (Carkeet, Optom Vis Sci 2015;92:e71–80; from memory).

use serde::{Deserialize, Serialize};

use super::quantiles;
use super::{Estimate, cannot, check_values, mean, sum_of_squares};
use crate::error::Result;

/// Fewer pairs than this are too few to rely on limits of agreement (an assumption of this program).
pub const FEW_PAIRS: usize = 50;

/// Limits lie this many SDs from the mean: the method's own round figure, not the quantile.
pub const LIMIT_FACTOR: f64 = 1.96;

/// One pair's first and second value.
pub type Pair = (f64, f64);

/// A straight line of differences on means, and its test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProportionalBias {
    /// Change of the difference per unit of the mean (1).
    pub slope: Estimate,
    /// Difference at a mean of 0.
    pub intercept: f64,
    /// Two-sided probability of so steep a slope if there were none.
    pub p: f64,
}

/// Whether the assumptions hold.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Assumptions {
    /// Probability of so un-normal a set of differences if they were normal (D'Agostino & Pearson K²); from 20 pairs on.
    pub normality_p: Option<f64>,
    /// Probability of so uneven a spread over the means if it were even (Breusch & Pagan in Koenker's form).
    pub constant_spread_p: Option<f64>,
}

/// What the differences say. `difference` is first minus second.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlandAltman {
    /// Pairs.
    pub pairs: usize,
    /// Mean difference with its t interval.
    pub bias: Estimate,
    /// SD of the differences with its chi-squared interval.
    pub sd: Estimate,
    /// Lower limit of agreement, mean − 1.96 SD, with its exact interval.
    pub lower_limit: Estimate,
    /// Upper limit of agreement, mean + 1.96 SD, with its exact interval.
    pub upper_limit: Estimate,
    /// Line of differences on means; `None` with fewer than 3 pairs or when all means are equal.
    pub proportional_bias: Option<ProportionalBias>,
    /// Whether the assumptions hold.
    pub assumptions: Assumptions,
    /// Whether there are fewer pairs than [`FEW_PAIRS`].
    pub few_pairs: bool,
}

/// Bland–Altman of independent pairs, at least 2. Differences without any spread have no intervals.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) with fewer pairs or numbers that are not finite.
pub fn bland_altman(pairs: &[Pair]) -> Result<BlandAltman> {
    let what = "the limits of agreement";
    check_values(what, pairs.iter().flat_map(|(a, b)| [a, b]))?;
    if pairs.len() < 2 {
        return Err(cannot(what, "at least 2 pairs", pairs.len().to_string()));
    }
    let differences: Vec<f64> = pairs.iter().map(|(a, b)| a - b).collect();
    let means: Vec<f64> = pairs.iter().map(|(a, b)| 0.5 * (a + b)).collect();
    let n = pairs.len() as f64;
    let df = n - 1.0;
    let bias = mean(&differences);
    let sd = (sum_of_squares(&differences) / df).sqrt();
    let se = sd / n.sqrt();
    let t = quantiles::t(0.975, df).unwrap_or(f64::NAN);
    let k = |p: f64| quantiles::noncentral_t(p, df, LIMIT_FACTOR * n.sqrt()).unwrap_or(f64::NAN) * se;
    let (near, far) = (k(0.025), k(0.975));
    // Without any spread the formulas have nothing to judge by; that is not certainty.
    let between = |v: f64, low: f64, high: f64| if sd > 0.0 { Estimate::between(v, low, high) } else { Estimate::bare(v) };
    let chi = |p: f64| quantiles::chi_squared(p, df).unwrap_or(f64::NAN);
    Ok(BlandAltman {
        pairs: pairs.len(),
        bias: between(bias, bias - t * se, bias + t * se),
        sd: between(sd, sd * (df / chi(0.975)).sqrt(), sd * (df / chi(0.025)).sqrt()),
        lower_limit: between(bias - LIMIT_FACTOR * sd, bias - far, bias - near),
        upper_limit: between(bias + LIMIT_FACTOR * sd, bias + near, bias + far),
        proportional_bias: proportional_bias(&means, &differences),
        assumptions: Assumptions { normality_p: normality(&differences), constant_spread_p: constant_spread(&means, &differences) },
        few_pairs: pairs.len() < FEW_PAIRS,
    })
}

/// Least squares of `y` on `x`: slope, intercept, residuals.
fn line(x: &[f64], y: &[f64]) -> Option<(f64, f64, Vec<f64>)> {
    let (mx, my, sxx) = (mean(x), mean(y), sum_of_squares(x));
    // Means that differ by rounding alone carry no slope.
    if x.len() < 3 || sxx <= 1e-24 * x.len() as f64 * mx.abs().max(1.0).powi(2) {
        return None;
    }
    let slope = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum::<f64>() / sxx;
    let intercept = my - slope * mx;
    let residuals = x.iter().zip(y).map(|(a, b)| b - intercept - slope * a).collect();
    Some((slope, intercept, residuals))
}

fn proportional_bias(means: &[f64], differences: &[f64]) -> Option<ProportionalBias> {
    let (slope, intercept, residuals) = line(means, differences)?;
    let df = means.len() as f64 - 2.0;
    let se = (residuals.iter().map(|r| r * r).sum::<f64>() / df / sum_of_squares(means)).sqrt();
    let t = quantiles::t(0.975, df)?;
    let p = if se > 0.0 {
        quantiles::t_two_sided(slope / se, df)?
    } else if slope == 0.0 {
        1.0
    } else {
        0.0
    };
    Some(ProportionalBias { slope: Estimate::between(slope, slope - t * se, slope + t * se), intercept, p })
}

/// Koenker's form: n·R² of the squared residuals on the means, chi-squared with 1 degree of freedom.
fn constant_spread(means: &[f64], differences: &[f64]) -> Option<f64> {
    let (_, _, residuals) = line(means, differences)?;
    let squared: Vec<f64> = residuals.iter().map(|r| r * r).collect();
    let total = sum_of_squares(&squared);
    if total <= 1e-20 * mean(&squared).powi(2) || mean(&squared) <= 0.0 {
        return None;
    }
    let (_, _, rest) = line(means, &squared)?;
    let r2 = 1.0 - rest.iter().map(|r| r * r).sum::<f64>() / total;
    quantiles::chi_squared_above(squared.len() as f64 * r2.max(0.0), 1.0)
}

/// D'Agostino & Pearson's K² from skewness and kurtosis (D'Agostino, Belanger & D'Agostino 1990).
fn normality(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    if values.len() < 20 {
        return None;
    }
    let m = mean(values);
    let moment = |k: i32| values.iter().map(|v| (v - m).powi(k)).sum::<f64>() / n;
    let (m2, m3, m4) = (moment(2), moment(3), moment(4));
    if m2 <= 1e-24 * m.abs().max(1.0).powi(2) {
        return None;
    }
    let skew = m3 / m2.powf(1.5);
    let y = skew * ((n + 1.0) * (n + 3.0) / (6.0 * (n - 2.0))).sqrt();
    let beta2 = 3.0 * (n * n + 27.0 * n - 70.0) * (n + 1.0) * (n + 3.0) / ((n - 2.0) * (n + 5.0) * (n + 7.0) * (n + 9.0));
    let w2 = (2.0 * (beta2 - 1.0)).sqrt() - 1.0;
    let delta = (0.5 * w2.ln()).sqrt().recip();
    let alpha = (2.0 / (w2 - 1.0)).sqrt();
    let z1 = delta * ((y / alpha) + ((y / alpha).powi(2) + 1.0).sqrt()).ln();
    let b2 = m4 / (m2 * m2);
    let e = 3.0 * (n - 1.0) / (n + 1.0);
    let var = 24.0 * n * (n - 2.0) * (n - 3.0) / ((n + 1.0).powi(2) * (n + 3.0) * (n + 5.0));
    let x = (b2 - e) / var.sqrt();
    let root = 6.0 * (n * n - 5.0 * n + 2.0) / ((n + 7.0) * (n + 9.0)) * (6.0 * (n + 3.0) * (n + 5.0) / (n * (n - 2.0) * (n - 3.0))).sqrt();
    let a = 6.0 + 8.0 / root * (2.0 / root + (1.0 + 4.0 / (root * root)).sqrt());
    let term = 1.0 + x * (2.0 / (a - 4.0)).sqrt();
    let third = ((1.0 - 2.0 / a) / term.abs()).cbrt() * term.signum();
    let z2 = (1.0 - 2.0 / (9.0 * a) - third) / (2.0 / (9.0 * a)).sqrt();
    quantiles::chi_squared_above(z1 * z1 + z2 * z2, 2.0)
}
