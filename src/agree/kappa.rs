//! Agreement on findings beyond chance: Cohen's kappa, plain and weighted, and Fleiss' kappa for more readers.
//!
//! Sources: Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323–7 (standard error of Cohen's and weighted kappa); Fleiss,
//! Psychol Bull 1971;76:378–82; standard error of Fleiss' kappa by Gwet, Handbook of Inter-Rater Reliability (all from
//! memory; checked against other programs in `tests/outside/agree.py`).

use serde::{Deserialize, Serialize};

use super::quantiles::Z95;
use super::{Estimate, MOST_VALUES, cannot};
use crate::error::Result;

/// Most categories of a table; far above any set of findings.
pub const MOST_CATEGORIES: usize = 100;

/// How much a disagreement by some categories counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weights {
    /// Every disagreement counts alike.
    None,
    /// By the number of categories between.
    Linear,
    /// By its square.
    Quadratic,
}

impl Weights {
    /// Credit for a pair of categories, 1 for agreement.
    fn credit(self, i: usize, j: usize, categories: usize) -> f64 {
        let apart = i.abs_diff(j) as f64 / (categories as f64 - 1.0);
        match self {
            Self::None => f64::from(u8::from(i == j)),
            Self::Linear => 1.0 - apart,
            Self::Quadratic => 1.0 - apart * apart,
        }
    }
}

/// A kappa and what it is made from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Kappa {
    /// Kappa with its large-sample interval, cut at −1 and 1; none when the readers never differ.
    pub kappa: Estimate,
    /// Its standard error.
    pub standard_error: f64,
    /// Observed (weighted) agreement, 0 to 1.
    pub observed: f64,
    /// Agreement expected by chance, 0 to 1.
    pub expected: f64,
    /// Frames.
    pub subjects: usize,
}

impl Kappa {
    fn of(observed: f64, expected: f64, standard_error: f64, subjects: usize) -> Self {
        let k = (observed - expected) / (1.0 - expected);
        let half = Z95 * standard_error;
        // Readers who never differ leave the formula without a spread to judge by; that is not certainty.
        let kappa = if half > 1e-9 { Estimate::between(k, (k - half).max(-1.0), (k + half).min(1.0)) } else { Estimate::bare(k) };
        Self { kappa, standard_error, observed, expected, subjects }
    }
}

/// Cohen's kappa of a square table of counts: first reader's category by row, second reader's by column, in order.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when the table is not square, has fewer than 2 categories, is empty,
/// or both readers used one category only, so that chance explains everything.
pub fn cohen(table: &[Vec<u32>], weights: Weights) -> Result<Kappa> {
    let what = "Cohen's kappa";
    let q = table.len();
    if !(2..=MOST_CATEGORIES).contains(&q) || table.iter().any(|r| r.len() != q) {
        return Err(cannot(what, format!("a square table of 2 to {MOST_CATEGORIES} categories"), format!("{q} rows")));
    }
    let n: u64 = table.iter().flatten().map(|c| u64::from(*c)).sum();
    if n == 0 {
        return Err(cannot(what, "at least one frame read by both", "none"));
    }
    let share: Vec<Vec<f64>> = table.iter().map(|r| r.iter().map(|c| f64::from(*c) / n as f64).collect()).collect();
    let rows: Vec<f64> = share.iter().map(|r| r.iter().sum()).collect();
    let columns: Vec<f64> = (0..q).map(|j| share.iter().filter_map(|r| r.get(j)).sum()).collect();
    let sum = |f: &dyn Fn(usize, usize, f64) -> f64| -> f64 {
        share.iter().enumerate().flat_map(|(i, r)| r.iter().enumerate().map(move |(j, p)| (i, j, *p))).map(|(i, j, p)| f(i, j, p)).sum()
    };
    let at = |v: &[f64], i: usize| v.get(i).copied().unwrap_or(0.0);
    let credit = |i: usize, j: usize| weights.credit(i, j, q);
    let observed = sum(&|i, j, p| credit(i, j) * p);
    let expected = sum(&|i, j, _| credit(i, j) * at(&rows, i) * at(&columns, j));
    if 1.0 - expected < 1e-12 {
        return Err(cannot(what, "more than one category in use", "one category throughout"));
    }
    let row_credit: Vec<f64> = (0..q).map(|i| (0..q).map(|j| credit(i, j) * at(&columns, j)).sum()).collect();
    let column_credit: Vec<f64> = (0..q).map(|j| (0..q).map(|i| credit(i, j) * at(&rows, i)).sum()).collect();
    // Each frame's share in kappa's numerator; its mean over the frames is `centre`, its variance gives the standard error.
    let centre = observed * expected - 2.0 * expected + observed;
    let spread = sum(&|i, j, p| {
        let own = credit(i, j) * (1.0 - expected) - (at(&row_credit, i) + at(&column_credit, j)) * (1.0 - observed);
        p * (own - centre).powi(2)
    });
    let variance = spread / (n as f64 * (1.0 - expected).powi(4));
    Ok(Kappa::of(observed, expected, variance.sqrt(), usize::try_from(n).unwrap_or(usize::MAX)))
}

/// Fleiss' kappa: for each subject the number of readers who chose each category; the same number of readers, at least
/// 2, for every subject, and at least 2 subjects.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) otherwise, or when one category was used throughout.
pub fn fleiss(counts: &[Vec<u32>]) -> Result<Kappa> {
    let what = "Fleiss' kappa";
    let q = counts.first().map_or(0, Vec::len);
    let readers = counts.first().map_or(0, |r| r.iter().map(|c| u64::from(*c)).sum());
    if counts.len() < 2 || counts.len() > MOST_VALUES || !(2..=MOST_CATEGORIES).contains(&q) || readers < 2 {
        return Err(cannot(
            what,
            "at least 2 frames, 2 categories and 2 readers",
            format!("{} frames, {q} categories, {readers} readers", counts.len()),
        ));
    }
    if counts.iter().any(|r| r.len() != q || r.iter().map(|c| u64::from(*c)).sum::<u64>() != readers) {
        return Err(cannot(what, "the same number of readers for every frame", "different numbers"));
    }
    let (n, m) = (counts.len() as f64, readers as f64);
    let shares: Vec<f64> = (0..q).map(|j| counts.iter().filter_map(|r| r.get(j)).map(|c| f64::from(*c)).sum::<f64>() / (n * m)).collect();
    let agreement: Vec<f64> =
        counts.iter().map(|r| r.iter().map(|c| f64::from(*c) * (f64::from(*c) - 1.0)).sum::<f64>() / (m * (m - 1.0))).collect();
    let (observed, expected) = (super::mean(&agreement), shares.iter().map(|p| p * p).sum::<f64>());
    if 1.0 - expected < 1e-12 {
        return Err(cannot(what, "more than one category in use", "one category throughout"));
    }
    let kappa = (observed - expected) / (1.0 - expected);
    let variance = counts
        .iter()
        .zip(&agreement)
        .map(|(row, a)| {
            let chance: f64 = row.iter().zip(&shares).map(|(c, p)| f64::from(*c) / m * p).sum();
            let own = (a - expected) / (1.0 - expected) - 2.0 * (1.0 - kappa) * (chance - expected) / (1.0 - expected);
            (own - kappa).powi(2)
        })
        .sum::<f64>()
        / (n * (n - 1.0));
    Ok(Kappa::of(observed, expected, variance.sqrt(), counts.len()))
}
