//! How well readings agree: with each other, and with themselves. Statistics first, then the study made of records.
//!
//! Everything is a pure function of its numbers. Frames are nested in patients, so a study's intervals come from
//! resampling whole patients ([`bootstrap`]); the intervals of the textbook formulas, which take frames for independent,
//! are given beside them and say so. A figure that cannot be had is an [`Error`] with its reason, never a zero.

pub mod bland_altman;
pub mod bootstrap;
pub mod components;
pub mod icc;
pub mod kappa;
pub mod own;
pub mod planning;
pub(crate) mod quantiles;
pub mod study;

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// Most numbers that one analysis takes; far above any study.
pub const MOST_VALUES: usize = 1_000_000;

/// A figure with its 95 % interval, in the units of what it describes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Lower end of the 95 % interval; `None` when it cannot be had.
    pub low: Option<f64>,
    /// Upper end; `None` when it cannot be had.
    pub high: Option<f64>,
}

impl Estimate {
    pub(crate) const fn bare(value: f64) -> Self {
        Self { value, low: None, high: None }
    }

    pub(crate) fn between(value: f64, low: f64, high: f64) -> Self {
        let finite = |v: f64| v.is_finite().then_some(v);
        Self { value, low: finite(low), high: finite(high) }
    }
}

/// That a figure cannot be had from these data.
pub(crate) fn cannot(what: &str, expected: impl Into<String>, found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Invalid, format!("{what} cannot be had")).expected(expected).found(found)
}

/// Refuses data that are too many or not finite.
pub(crate) fn check_values<'a>(what: &str, values: impl IntoIterator<Item = &'a f64>) -> Result<()> {
    let mut n = 0;
    for v in values {
        if !v.is_finite() {
            return Err(cannot(what, "finite numbers", "another"));
        }
        n += 1;
    }
    if n > MOST_VALUES {
        return Err(Error::new(ErrorKind::Limit, format!("{what} cannot be had"))
            .expected(format!("at most {MOST_VALUES} numbers"))
            .found(n.to_string()));
    }
    Ok(())
}

pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Sum of squared differences from the mean.
pub(crate) fn sum_of_squares(values: &[f64]) -> f64 {
    let m = mean(values);
    values.iter().map(|v| (v - m).powi(2)).sum()
}
