//! The edge assist on a reduced, seeded set of synthetic frames with known edges: what it offers helps, and where it does not
//! help it declines. `tests/figures assist` prints the whole of it.

use crate::common::assist::{Click, PLACENTAS, placenta_frame, round_frame, seed, tally};

/// Frames of each kind here; the figure has many more.
const FEW: u32 = 6;

fn rounds(step_db: f64, step: usize) -> Vec<Click> {
    (0..FEW).flat_map(|i| round_frame(step_db, seed(step, i))).collect()
}

fn offered(clicks: &[Click]) -> Vec<&Click> {
    clicks.iter().filter(|c| c.offered).collect()
}

#[test]
fn clear_edges_are_offered_and_the_offer_is_nearer_than_the_click() {
    let clicks = rounds(12.0, 5);
    let all = offered(&clicks);
    let t = tally(all.iter().copied());
    assert!(all.len() * 10 > clicks.len() * 8, "{} of {}", all.len(), clicks.len());
    assert!(t.refined < 0.5 * t.raw && t.worse < 0.3 && t.much_worse < 0.05, "{t:?}");
    // The stated SD is the error's: within 1.96 of it about as often as it says.
    assert!(t.held > 0.85, "{t:?}");
}

#[test]
fn where_there_is_no_edge_almost_nothing_is_offered() {
    let clicks = rounds(0.0, 0);
    let share = offered(&clicks).len() as f64 / clicks.len() as f64;
    assert!(share < 0.1, "{share}");
}

/// Why none is made for the leading edge: with no rule, most refined places at the tip are worse than their clicks.
#[test]
fn at_the_tip_of_a_placenta_it_makes_marks_worse_and_so_offers_none() {
    let clicks: Vec<Click> = (0..FEW.min(PLACENTAS)).flat_map(|i| placenta_frame(seed(99, i))).collect();
    let without_rule = tally(&clicks);
    assert!(without_rule.worse > 0.5 && without_rule.refined > without_rule.raw, "{without_rule:?}");
    assert!(clicks.iter().all(|c| !c.offered));
}
