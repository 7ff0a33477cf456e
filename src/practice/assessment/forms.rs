//! Whether two forms are equally hard, and how that is judged.
//!
//! What makes a case hard is fixed slot by slot: contrast, wall, edge, what misleads, and the distance to within 1 mm on the same
//! side of every limit. Errors in mm, rejecting and "done well" do not depend on the distance, so there the forms are alike by
//! construction. Findings do: for readers of several biases and spreads whose errors follow a normal law the expected number of
//! right findings is worked out for both forms, and must agree to [`MOST_APART`].

use statrs::distribution::{ContinuousCDF, Normal};

use super::plan::Placed;
use crate::guideline::Table;
use crate::measure::Side;
use crate::practice::marking::Expected;

/// Bias and SD of the readers that forms are judged by, mm (own assumption).
pub const READERS: [(f64, f64); 9] =
    [(-1.0, 1.0), (0.0, 1.0), (1.0, 1.0), (-1.0, 2.0), (0.0, 2.0), (1.0, 2.0), (-1.0, 3.0), (0.0, 3.0), (1.0, 3.0)];
/// Most that the expected numbers of right findings may differ, findings a round of 20 cases (own assumption).
pub const MOST_APART: f64 = 0.5;

/// How alike two forms are.
#[derive(Clone, Debug, PartialEq)]
pub struct Likeness {
    /// Largest difference of true distances within a slot, mm.
    pub most_mm: f64,
    /// Expected right findings of each reader of [`READERS`], first and second form.
    pub findings: Vec<(f64, f64)>,
    /// Largest difference of these, findings a round.
    pub most_apart: f64,
}

impl Likeness {
    /// Whether the forms are equally hard by the rule.
    #[must_use]
    pub fn alike(&self) -> bool {
        self.most_apart <= MOST_APART
    }
}

/// Compares two forms of an assessment of so many rounds, given in any order.
#[must_use]
pub fn likeness(a: &[Placed], b: &[Placed], rounds: usize, table: &Table) -> Likeness {
    let by_slot = |all: &[Placed]| {
        let mut sorted: Vec<(usize, f64)> = all.iter().map(|p| (p.slot, p.task.truth().shortest_mm)).collect();
        sorted.sort_by_key(|(slot, _)| *slot);
        sorted
    };
    let most_mm = by_slot(a).iter().zip(&by_slot(b)).map(|((_, x), (_, y))| (x - y).abs()).fold(0.0, f64::max);
    let findings: Vec<(f64, f64)> = READERS.iter().map(|r| (right(a, *r, table), right(b, *r, table))).collect();
    let most_apart = findings.iter().map(|(x, y)| (x - y).abs()).fold(0.0, f64::max) / rounds.max(1) as f64;
    Likeness { most_mm, findings, most_apart }
}

/// The expected number of right findings of a reader of this bias and SD.
fn right(cases: &[Placed], (bias, sd): (f64, f64), table: &Table) -> f64 {
    cases.iter().filter(|p| p.task.expected() == Expected::Read).map(|p| chance(p, bias, sd, table)).sum()
}

/// The chance that a reading's value lies in the band of the true one; within the os it is said to reach it.
fn chance(p: &Placed, bias: f64, sd: f64, table: &Table) -> f64 {
    let Ok(law) = Normal::new(p.task.truth().edge_to_os_mm + bias, sd) else { return 0.0 };
    let between = |low: f64, high: f64| if high > low { law.cdf(high) - law.cdf(low) } else { 0.0 };
    let [x, y] = p.task.truth().internal_os_lips;
    let half = p.task.key().scale().map_or(0.0, |s| 0.5 * s.distance(x, y).get());
    if p.task.truth().side == Side::Reaches {
        return between(-half, half);
    }
    let truth = p.task.truth().edge_to_os_mm;
    let mut low = f64::NEG_INFINITY;
    for band in table.bands() {
        let high = band.upper.as_ref().map_or(f64::INFINITY, |e| e.mm.get());
        if table.band_at(truth).is_some_and(|b| b.id == band.id) {
            // The part of the band that does not lie within the os.
            return between(low, high.min(-half)) + between(low.max(half), high);
        }
        low = high;
    }
    0.0
}
