//! The 95 % interval of a signed distance, near the os and far from it.
//!
//! The edge lies somewhere in a disc around where it was marked. Far from the os the signed distance varies by ± 1.96 u
//! over that disc. Near the os part of the disc lies across the os, on the other side, and the interval takes that side
//! in: its ends are the extremes of the signed distance over the disc of radius 1.96 SD. How much of the disc lies
//! across depends on the direction of the placental axis.
//!
//! - Axis known from the body point: the line square to the axis through the os divides the sides.
//! - Axis not known: the mark may lie up to 60° off the axis, and the stated side is doubted up to 3 SD from the os
//!   (the 98.9 % radius of a disc around the os). That costs width, and is why a body point is worth marking.
//!
//! The coverage over 0, 30 and 60° off the axis is simulated by `tests/it/coverage.rs`; `docs/UNCERTAINTY.md` has the table.

use crate::estimate::Interval;
use crate::units::Mm;

/// Two-sided 95 % normal quantile.
pub const Z95: f64 = 1.959_963_984_540_054;
/// Up to this many SD from the os a side that was only stated is doubted.
const DOUBT_STATED_SIDE: f64 = 3.0;
/// Cosine and sine of the largest angle off the axis that an unknown axis is allowed for, 60°.
const WORST_COS: f64 = 0.5;
const WORST_SIN: f64 = 0.866_025_403_784_438_6;

/// Whether the direction of the placental axis is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AxisKnown {
    /// Not known: the side rests on the reader's statement alone.
    No,
    /// Known from the body point: size of the cosine between the os–edge line and the edge–body line, 0 to 1.
    Cosine(f64),
}

/// The 95 % interval around `signed` (mm), with `u` the standard uncertainty along the os–edge line (all terms) and
/// `placement_sd` the SD of the mark in every direction (both mm, not negative).
#[must_use]
pub fn signed_interval(signed: Mm, u: Mm, placement_sd: Mm, axis: AxisKnown) -> Interval {
    let (distance, radius) = (signed.get().abs(), Z95 * placement_sd.get());
    let (along, across, doubted) = match axis {
        AxisKnown::Cosine(c) => {
            let c = c.clamp(0.0, 1.0);
            let along = distance * c;
            (along, distance * (1.0 - c * c).sqrt(), along < radius)
        }
        AxisKnown::No => (distance * WORST_COS, distance * WORST_SIN, distance < DOUBT_STATED_SIDE * placement_sd.get()),
    };
    let far = distance + Z95 * u.get();
    let near = if doubted {
        // The farthest point of the disc that lies across the dividing line.
        let beyond = across + (radius * radius - along.min(radius).powi(2)).sqrt();
        (-beyond).min(distance - Z95 * u.get())
    } else {
        distance - Z95 * u.get()
    };
    let (low, high) = if signed.get() < 0.0 { (-far, -near) } else { (near, far) };
    Interval { low_mm: Some(Mm::new(low)), high_mm: Some(Mm::new(high)), coverage: 0.95 }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn ends(signed: f64, axis: AxisKnown) -> (f64, f64) {
        let i = signed_interval(Mm::new(signed), Mm::new(2.0), Mm::new(2.0), axis);
        (i.low_mm.unwrap().get(), i.high_mm.unwrap().get())
    }

    #[test]
    fn far_from_the_os_it_is_plus_minus_two_u() {
        for axis in [AxisKnown::No, AxisKnown::Cosine(1.0)] {
            let (l, h) = ends(20.0, axis);
            assert!((l - (20.0 - 2.0 * Z95)).abs() < 1e-12 && (h - (20.0 + 2.0 * Z95)).abs() < 1e-12);
        }
    }

    #[test]
    fn near_the_os_it_takes_in_the_other_side() {
        assert!(ends(2.0, AxisKnown::No).0 < -2.0);
        assert!(ends(2.0, AxisKnown::Cosine(1.0)).0 < 0.0);
        // A mark square to the axis says nothing about the side, however far it is.
        assert!(ends(20.0, AxisKnown::Cosine(0.0)).0 < -20.0);
    }

    #[test]
    fn overlap_is_the_mirror_of_distance() {
        for d in [0.5, 3.0, 7.0, 15.0] {
            let ((l, h), (ml, mh)) = (ends(d, AxisKnown::No), ends(-d, AxisKnown::No));
            assert!((l + mh).abs() < 1e-12 && (h + ml).abs() < 1e-12);
        }
    }
}
