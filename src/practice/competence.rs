//! Charts of competence by cumulative sums.
//!
//! **Learning (LC-CUSUM).** Starts from "not competent" and tests, case by case, whether the failure rate is the acceptable
//! one rather than the unacceptable one: `S ← max(0, S + W)`, where W is the logarithm of how much likelier the case is at the
//! acceptable rate. It says "competent" once S reaches the limit. Biau & Porcher, Stat Med 2008;27:3602 (from memory).
//!
//! **Monitoring (CUSUM).** From then on the same sum with the opposite sign looks for a return to the unacceptable rate
//! (Page, Biometrika 1954;41:100; from memory).
//!
//! The rates and the limit are this program's own choice. What they amount to is computed exactly by [`chance_within`], not
//! taken from a table. A failure is a case that was not done well.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

/// Failure rates that are told apart, and the limit of the sums.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rates {
    /// Acceptable share of failures, 0 to 1.
    pub acceptable: f64,
    /// Unacceptable share, larger.
    pub unacceptable: f64,
    /// Limit of both sums.
    pub limit: f64,
}

/// The rates in use. A reader at the target fails one case in twenty by error alone; as many again for wrong decisions are allowed on top. This
/// program's own choice.
pub const RATES: Rates = Rates { acceptable: 0.10, unacceptable: 0.25, limit: 3.5 };
/// Cases over which the chances of a wrong and of a right verdict are stated.
pub const HORIZON: usize = 60;

/// Which way a sum looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    /// For the acceptable rate: learning.
    ForCompetence,
    /// For the unacceptable rate: monitoring.
    ForDecline,
}

/// The two charts of one trainee.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Charts {
    /// The learning sum after each case, up to and with the case at which it reached the limit.
    pub learning: Vec<f64>,
    /// Number of the case, from 1, at which competence was said.
    pub competent_at: Option<usize>,
    /// The monitoring sum after each later case.
    pub monitoring: Vec<f64>,
    /// Number of the case, from 1, at which the monitoring sum reached the limit first.
    pub declined_at: Option<usize>,
}

/// What a case adds to a sum.
#[must_use]
pub fn weight(failed: bool, rates: &Rates, looks: Looks) -> f64 {
    let (a, u) = (rates.acceptable, rates.unacceptable);
    let for_competence = if failed { (a / u).ln() } else { ((1.0 - a) / (1.0 - u)).ln() };
    if looks == Looks::ForCompetence { for_competence } else { -for_competence }
}

/// The charts of cases in their order; `true` is a failure.
#[must_use]
pub fn charts(failures: &[bool], rates: &Rates) -> Charts {
    let mut out = Charts::default();
    let mut sum = 0.0_f64;
    for (i, failed) in failures.iter().enumerate() {
        let looks = if out.competent_at.is_none() { Looks::ForCompetence } else { Looks::ForDecline };
        sum = (sum + weight(*failed, rates, looks)).max(0.0);
        let reached = sum >= rates.limit;
        if looks == Looks::ForCompetence {
            out.learning.push(sum);
            if reached {
                out.competent_at = Some(i + 1);
                sum = 0.0;
            }
        } else {
            out.monitoring.push(sum);
            if reached && out.declined_at.is_none() {
                out.declined_at = Some(i + 1);
            }
        }
    }
    out
}

/// The exact chance, 0 to 1, that a sum reaches the limit within `cases` cases when failures come at `rate`, each by itself.
///
/// Since its last stay at 0 a sum is told by how many failures and successes followed, so its law is followed from case to
/// case over those pairs.
#[must_use]
pub fn chance_within(cases: usize, rate: f64, rates: &Rates, looks: Looks) -> f64 {
    let (failed, passed) = (weight(true, rates, looks), weight(false, rates, looks));
    let size = cases + 1;
    // now[f * size + p]: chance of f failures and p successes since the sum was last 0, the limit not reached.
    let mut now = vec![0.0; size * size];
    if let Some(start) = now.first_mut() {
        *start = 1.0;
    }
    let mut reached = 0.0;
    for done in 0..cases {
        let mut next = vec![0.0; size * size];
        for f in 0..=done {
            for p in 0..=(done - f) {
                let here = now[f * size + p];
                if here == 0.0 {
                    continue;
                }
                for (chance, f, p) in [(rate, f + 1, p), (1.0 - rate, f, p + 1)] {
                    let sum = f as f64 * failed + p as f64 * passed;
                    if sum >= rates.limit {
                        reached += here * chance;
                    } else if sum <= 0.0 {
                        next[0] += here * chance;
                    } else {
                        next[f * size + p] += here * chance;
                    }
                }
            }
        }
        now = next;
    }
    reached
}

/// What the charts say, and what the rates amount to, in sentences.
#[must_use]
pub fn chart_lines(charts: &Charts) -> Vec<String> {
    let mut out = vec![match (charts.competent_at, charts.declined_at) {
        (None, _) => "Competence chart: not shown yet.".to_owned(),
        (Some(n), None) => format!("Competence chart: shown at case {n}; no decline since."),
        (Some(n), Some(m)) => {
            format!("Competence chart: shown at case {n}; a decline at case {m}. Practise again and ask for supervision.")
        }
    }];
    out.push(rates_words().to_owned());
    out
}

/// The rates, and the exact chances of a wrong and a right verdict, in words.
#[must_use]
pub fn rates_words() -> &'static str {
    // The same at every call, and asked for at every picture of the page.
    static WORDS: LazyLock<String> = LazyLock::new(|| words_of(&RATES));
    &WORDS
}

fn words_of(r: &Rates) -> String {
    let percent = |rate: f64, looks| 100.0 * chance_within(HORIZON, rate, r, looks);
    format!(
        "Failures: {:.0} % acceptable, {:.0} % not; limit {}. Within {HORIZON} cases a trainee at {:.0} % is called competent with a chance of {:.0} % \
         (alpha), one at {:.0} % is not with a chance of {:.0} % (beta). These rates, how many frames of a level mislead and what counts as near a \
         limit are assumptions of this program.",
        100.0 * r.acceptable,
        100.0 * r.unacceptable,
        r.limit,
        100.0 * r.unacceptable,
        percent(r.unacceptable, Looks::ForCompetence),
        100.0 * r.acceptable,
        100.0 - percent(r.acceptable, Looks::ForCompetence),
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    /// By hand: ln(0.9/0.75) = 0.18232 and ln(0.1/0.25) = −0.91629.
    #[test]
    fn twenty_successes_show_competence_and_a_failure_costs_five() {
        let all = charts(&[false; 25], &RATES);
        assert_eq!(all.competent_at, Some(20));
        assert!((all.learning[18] - 19.0 * 0.182_321_556_8).abs() < 1e-9, "{all:?}");
        assert_eq!(all.monitoring, [0.0; 5]);
        let mut one: Vec<bool> = vec![false; 10];
        one.push(true);
        one.extend([false; 30]);
        assert_eq!(charts(&one, &RATES).competent_at, Some(26));
        assert!(charts(&[true; 40], &RATES).learning.iter().all(|s| *s == 0.0));
    }

    #[test]
    fn a_decline_is_seen_after_competence() {
        let mut all = vec![false; 20];
        all.extend([true; 5]);
        let c = charts(&all, &RATES);
        assert_eq!((c.competent_at, c.declined_at), (Some(20), Some(24)));
        assert!((c.monitoring[0] - 0.916_290_731_9).abs() < 1e-9);
    }

    /// Source: an independent program in Python over the same pairs, printed to 3 digits.
    #[test]
    fn chances_agree_with_another_program() {
        let at = |cases, rate| chance_within(cases, rate, &RATES, Looks::ForCompetence);
        for (cases, rate, expected) in [(30, 0.25, 0.016), (50, 0.25, 0.053), (60, 0.25, 0.072), (100, 0.25, 0.144), (60, 0.10, 0.855)] {
            assert!((at(cases, rate) - expected).abs() < 6e-4, "{cases} {rate}: {}", at(cases, rate));
        }
        assert!((at(30, 0.0) - 1.0).abs() < 1e-12 && at(19, 0.0).abs() < 1e-12);
    }
}
