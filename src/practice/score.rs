//! What a trainee's marked cases come to.

use serde::{Deserialize, Serialize};

use super::marking::{Expected, Marked};
use super::words;
use crate::agree::quantiles;
use crate::evidence::exact_interval;

/// A share with its exact 95 % interval (Clopper and Pearson).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// How often it was so.
    pub events: u32,
    /// How often it could have been.
    pub of: u32,
    /// Lower end, 0 to 1; `None` of nothing.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
}

impl Share {
    fn of(all: impl IntoIterator<Item = bool>) -> Self {
        let (mut events, mut of) = (0, 0);
        for yes in all {
            of += 1;
            events += u32::from(yes);
        }
        let (low, high) = exact_interval(events, of).unzip();
        Self { events, of, low, high }
    }

    /// The share, 0 to 1; `None` of nothing.
    #[must_use]
    pub fn share(&self) -> Option<f64> {
        (self.of > 0).then(|| f64::from(self.events) / f64::from(self.of))
    }
}

/// A figure in mm with its 95 % interval, each `None` where there are too few errors.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// The figure, mm.
    pub value: Option<f64>,
    /// Lower end, mm.
    pub low: Option<f64>,
    /// Upper end, mm.
    pub high: Option<f64>,
}

/// What cases come to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// Cases.
    pub cases: u32,
    /// Cases with an error that counts: to be read, and read with an exact distance.
    pub errors: u32,
    /// Mean error, read less true; its interval by Student's t.
    pub bias: Spread,
    /// SD of the errors about their mean; its interval by chi-squared, for errors of a normal law.
    pub sd: Spread,
    /// Done well ([`Marked::well`]).
    pub well: Share,
    /// Findings that are right, of frames that were to be read and were.
    pub finding: Share,
    /// The same within 3 mm of 0, 10 or 20 mm.
    pub finding_near: Share,
    /// Frames to be rejected that were: sensitivity of rejecting.
    pub rejected_rightly: Share,
    /// Frames to be read that were: its specificity.
    pub read_rightly: Share,
    /// Rejections for the right reason, of those that were right.
    pub reason: Share,
    /// Time a case, s: lower quartile, median, upper quartile.
    pub seconds: Option<[f64; 3]>,
}

impl Score {
    /// What the spread says beside the target.
    #[must_use]
    pub fn against_target(&self) -> String {
        words::target_words(&self.sd)
    }
}

/// Scores marked cases, each with its time in seconds where that is known.
///
/// Intervals take cases for independent of each other, which cases of a course are.
#[must_use]
pub fn score<'a>(cases: impl IntoIterator<Item = (&'a Marked, Option<f64>)>) -> Score {
    let cases: Vec<(&Marked, Option<f64>)> = cases.into_iter().collect();
    let marked = || cases.iter().map(|(m, _)| *m);
    let errors: Vec<f64> = marked().filter_map(Marked::counted_error).collect();
    let mut seconds: Vec<f64> = cases.iter().filter_map(|(_, s)| s.filter(|s| s.is_finite())).collect();
    seconds.sort_by(f64::total_cmp);
    let to_read = |m: &&Marked| m.expected == Expected::Read;
    let (bias, sd) = spreads(&errors);
    Score {
        cases: u32::try_from(cases.len()).unwrap_or(u32::MAX),
        errors: u32::try_from(errors.len()).unwrap_or(u32::MAX),
        bias,
        sd,
        well: Share::of(marked().map(|m| m.well)),
        finding: Share::of(marked().filter_map(|m| m.finding_right)),
        finding_near: Share::of(marked().filter(|m| m.near_limit).filter_map(|m| m.finding_right)),
        rejected_rightly: Share::of(marked().filter(|m| !to_read(m)).map(|m| m.decision_right)),
        read_rightly: Share::of(marked().filter(to_read).map(|m| m.decision_right)),
        reason: Share::of(marked().filter_map(|m| m.reason_right)),
        seconds: (!seconds.is_empty()).then(|| [0.25, 0.5, 0.75].map(|p| quantiles::of_sorted(&seconds, p).unwrap_or_default())),
    }
}

/// Mean and SD of errors with their intervals.
fn spreads(errors: &[f64]) -> (Spread, Spread) {
    let n = errors.len() as f64;
    if errors.is_empty() {
        return Default::default();
    }
    let mean = errors.iter().sum::<f64>() / n;
    if errors.len() < 2 {
        return (Spread { value: Some(mean), ..Spread::default() }, Spread::default());
    }
    let squares: f64 = errors.iter().map(|e| (e - mean).powi(2)).sum();
    let df = n - 1.0;
    let sd = (squares / df).sqrt();
    let half = quantiles::t(0.975, df).map(|t| t * sd / n.sqrt());
    let end = |p: f64| quantiles::chi_squared(p, df).map(|c| (squares / c).sqrt());
    (
        Spread { value: Some(mean), low: half.map(|h| mean - h), high: half.map(|h| mean + h) },
        Spread { value: Some(sd), low: end(0.975), high: end(0.025) },
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    /// Source: scipy 1.17.1, `t.ppf` and `chi2.ppf`, of these ten numbers; ddof 1.
    #[test]
    fn mean_and_spread_carry_the_intervals_of_t_and_chi_squared() {
        let errors = [1.2, -0.8, 2.9, 0.4, -1.6, 0.9, 1.8, -0.3, 2.2, -0.8];
        let (bias, sd) = spreads(&errors);
        let near = |a: Option<f64>, b: f64| (a.unwrap() - b).abs() < 5e-4;
        assert!(near(bias.value, 0.59) && near(sd.value, 1.46625), "{bias:?} {sd:?}");
        assert!(near(bias.low, -0.45889) && near(bias.high, 1.63889), "{bias:?}");
        assert!(near(sd.low, 1.00854) && near(sd.high, 2.67680), "{sd:?}");
        assert_eq!(spreads(&[]), Default::default());
        assert!(spreads(&[1.0]).1.value.is_none());
    }
}
