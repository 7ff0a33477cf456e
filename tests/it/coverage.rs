//! The interval does what it says: coverage over simulated readings, seeded.

use crate::common::coverage::{ANGLES_DEGREES, DISTANCES_MM, READINGS, SIDES, SideFrom, coverage, seed};

/// Goals: 95 ± 1 % where the distance exceeds 3 u, 94–99 % nearer. Three standard errors of 20 000 readings (0.46 %)
/// are allowed on each bound. One stated exception: a side that was only stated, from misplaced marks, 60° off the
/// axis, between 3 and 4 u; `docs/UNCERTAINTY.md` says so, and the floor here keeps it from growing.
#[test]
fn ninety_five_per_cent_intervals_hold_the_truth_that_often() {
    const NOISE: f64 = 0.0046;
    let mut faults = Vec::new();
    for (i, truth) in DISTANCES_MM.into_iter().enumerate() {
        for (j, degrees) in ANGLES_DEGREES.into_iter().enumerate() {
            for (k, (from, name)) in SIDES.into_iter().enumerate() {
                let got = coverage(truth, degrees, from, READINGS, seed(i, j, k));
                let far = truth.abs() > 6.0;
                let stated_exception = from == SideFrom::MarkedPoints && degrees > 45.0 && (5.0..9.0).contains(&truth.abs());
                let (low, high) = match (far, stated_exception) {
                    (_, true) => (0.92, 0.99),
                    (true, _) => (0.94, 0.96),
                    (false, _) => (0.94, 0.99),
                };
                if got < low - NOISE || got > high + NOISE {
                    faults.push(format!("{truth} mm, {degrees}°, {name}: {:.1} %", 100.0 * got));
                }
            }
        }
    }
    assert!(faults.is_empty(), "coverage outside its goal:\n{}", faults.join("\n"));
}
