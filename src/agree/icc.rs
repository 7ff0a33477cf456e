//! Intraclass correlations of Shrout & Fleiss (Psychol Bull 1979;86:420–8), with the intervals of McGraw & Wong (1996;
//! from memory).
//!
//! (1, ·): each frame read by its own readers. (2, ·): the readers stand for readers in general. (3, ·): these readers
//! only. (·, 1): one reading; (·, k): the mean of k.
//!
//! The interval of (2, ·) rests on k − 1 degrees of freedom for the readers' biases. With three readers whose biases vary
//! more than their single readings it holds the truth in about 81 % only (simulated in `tests/it/agree.rs`); the
//! biases themselves are then the better figures to look at.

use serde::{Deserialize, Serialize};

use super::components::{Squares, mean_squares};
use super::{Estimate, cannot, quantiles};
use crate::error::Result;

/// The six correlations.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Icc {
    /// Frames.
    pub subjects: usize,
    /// Readers.
    pub readers: usize,
    /// ICC(1,1).
    pub icc_1_1: Estimate,
    /// ICC(2,1).
    pub icc_2_1: Estimate,
    /// ICC(3,1).
    pub icc_3_1: Estimate,
    /// ICC(1,k).
    pub icc_1_k: Estimate,
    /// ICC(2,k).
    pub icc_2_k: Estimate,
    /// ICC(3,k).
    pub icc_3_k: Estimate,
}

/// The six correlations of a full table, rows subjects and columns readers, at least 2 by 2.
///
/// Where readings agree without any difference the correlations are 1 and have no interval.
///
/// # Errors
/// As [`two_way`](super::components::two_way); also when all subjects have the same value, so that there is nothing to correlate.
pub fn icc(table: &[Vec<f64>]) -> Result<Icc> {
    let a = mean_squares(table)?;
    let (subjects, readers) = (table.len(), table.first().map_or(0, Vec::len));
    let (n, k) = (subjects as f64, readers as f64);
    let largest = a.subject.value.max(a.reader.value).max(a.residual.value);
    let size = table.iter().flatten().map(|v| v.abs()).fold(0.0, f64::max);
    if largest <= 1e-24 * size * size {
        return Err(cannot("the intraclass correlation", "frames or readings that differ", "one value throughout"));
    }
    let (b, w, j, e) = (a.subject.value, a.within.value, a.reader.value, a.residual.value);
    let (one, three) =
        (consistency(a.subject.degrees, a.within.degrees, b, w, k), consistency(a.subject.degrees, a.residual.degrees, b, e, k));
    let icc_2_1 = (b - e) / (b + (k - 1.0) * e + k * (j - e) / n);
    let ends = absolute_agreement(&a, n, k, icc_2_1);
    let average = |r: f64| k * r / (1.0 + (k - 1.0) * r);
    let two = ends.map_or(Estimate::bare(icc_2_1), |(low, high)| Estimate::between(icc_2_1, low, high));
    let icc_2_k = (b - e) / (b + (j - e) / n);
    let two_k = ends.map_or(Estimate::bare(icc_2_k), |(low, high)| Estimate::between(icc_2_k, average(low), average(high)));
    Ok(Icc { subjects, readers, icc_1_1: one.0, icc_2_1: two, icc_3_1: three.0, icc_1_k: one.1, icc_2_k: two_k, icc_3_k: three.1 })
}

/// ICC(2,1) alone, without its interval: what is resampled.
pub(super) fn icc_2_1(table: &[Vec<f64>]) -> Option<f64> {
    let a = mean_squares(table).ok()?;
    let (n, k) = (table.len() as f64, table.first()?.len() as f64);
    let (b, j, e) = (a.subject.value, a.reader.value, a.residual.value);
    Some((b - e) / (b + (k - 1.0) * e + k * (j - e) / n)).filter(|v| v.is_finite())
}

/// Single and average correlation from a ratio of mean squares `b`/`e`.
fn consistency(df_b: f64, df_e: f64, b: f64, e: f64, k: f64) -> (Estimate, Estimate) {
    let (single, average) = ((b - e) / (b + (k - 1.0) * e), (b - e) / b);
    if e <= 0.0 {
        return (Estimate::bare(single), Estimate::bare(average));
    }
    match (quantiles::f(0.975, df_b, df_e), quantiles::f(0.975, df_e, df_b)) {
        (Some(up), Some(down)) => {
            let (low, high) = (b / e / up, b / e * down);
            let of = |f: f64| (f - 1.0) / (f + k - 1.0);
            (Estimate::between(single, of(low), of(high)), Estimate::between(average, 1.0 - 1.0 / low, 1.0 - 1.0 / high))
        }
        _ => (Estimate::bare(single), Estimate::bare(average)),
    }
}

/// Interval of ICC(2,1), with Satterthwaite's degrees of freedom.
fn absolute_agreement(a: &Squares, n: f64, k: f64, r: f64) -> Option<(f64, f64)> {
    let (b, j, e) = (a.subject.value, a.reader.value, a.residual.value);
    if e <= 0.0 {
        return None;
    }
    let fj = j / e;
    let common = n * (1.0 + (k - 1.0) * r) - k * r;
    let up = (k - 1.0) * (n - 1.0) * (k * r * fj + common).powi(2);
    let down = (n - 1.0) * k * k * r * r * fj * fj + common * common;
    let v = up / down;
    let (f1, f2) = (quantiles::f(0.975, n - 1.0, v)?, quantiles::f(0.975, v, n - 1.0)?);
    let rest = k * j + (k * n - k - n) * e;
    Some((n * (b - f1 * e) / (f1 * rest + n * b), n * (f2 * b - e) / (rest + n * f2 * b)))
}
