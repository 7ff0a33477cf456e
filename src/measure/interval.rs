//! placeholder
use crate::estimate::Interval;
use crate::units::Mm;

/// Whether the direction of the placental axis is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AxisKnown {
    /// No.
    No,
    /// Size of the cosine between the os–edge line and the placental axis.
    Cosine(f64),
}

/// Interval.
#[must_use]
pub fn signed_interval(signed: Mm, u: Mm, _u_near: Mm, _axis: AxisKnown) -> Interval {
    Interval { low_mm: Some(signed - u.times(1.96)), high_mm: Some(signed + u.times(1.96)), coverage: 0.95 }
}
