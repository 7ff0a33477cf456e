//! The way from the internal os to the placental edge along the wall, beside the straight line, which decides.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::cervix::MOST_TRACE_POINTS;
use super::length::{Length, along, bow, check_finite};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};
use crate::units::{Mm, PxPoint};

/// `name@version` of this method.
pub const METHOD: &str = "wall-trace@1";
/// A way along the wall that is longer than the straight line by more than this is said, mm.
pub const LONGER: Mm = Mm::new(3.0);
/// A straight line that leaves the wall by more than this is said, mm.
pub const LEAVES: Mm = Mm::new(5.0);
/// Where the straight line as the one that decides comes from, and both limits.
pub const SOURCE: Citation =
    Citation::fixed("the straight line is the convention; 3 and 5 mm are assumptions of this program", Provenance::FromMemory);

/// The way along the wall.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallTrace {
    /// [`METHOD`].
    pub method: String,
    /// Along the trace.
    pub trace: Length,
    /// How much longer it is than the straight line, mm, not negative.
    pub longer_by_mm: Mm,
    /// Farthest that the straight line and the trace lie apart, mm.
    pub bow_mm: Mm,
    /// Whether the straight line says less than it seems to: much shorter than the wall, or off it.
    pub differs: bool,
}

/// The way from the os over `between`, in order, to the far end of the distance.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a mark is no point; [`ErrorKind::Limit`] beyond [`MOST_TRACE_POINTS`].
pub fn wall_trace(
    internal_os: PxPoint,
    edge: PxPoint,
    between: &[PxPoint],
    calibration: &Calibration,
    repeatability: &Repeatability,
) -> Result<WallTrace> {
    check_finite(&[("internal os", internal_os), ("placental edge", edge)])?;
    between.iter().try_for_each(|p| check_finite(&[("wall trace", *p)]))?;
    if between.len() > MOST_TRACE_POINTS {
        return Err(Error::new(ErrorKind::Limit, "the trace along the wall cannot be used")
            .expected(format!("at most {MOST_TRACE_POINTS} points"))
            .found(between.len().to_string()));
    }
    let points: Vec<PxPoint> = std::iter::once(internal_os).chain(between.iter().copied()).chain([edge]).collect();
    let trace = along(&points, calibration, repeatability);
    let longer_by_mm = Mm::new((trace.mm - calibration.distance(internal_os, edge)).get().max(0.0));
    let bow_mm = bow(internal_os, edge, between, calibration);
    Ok(WallTrace { method: METHOD.into(), trace, longer_by_mm, bow_mm, differs: longer_by_mm > LONGER || bow_mm > LEAVES })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibrate::Basis;

    fn trace(between: &[PxPoint]) -> WallTrace {
        let scale = Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap();
        wall_trace(PxPoint::new(0.0, 0.0), PxPoint::new(240.0, 0.0), between, &scale, &Repeatability::assumed_total()).unwrap()
    }

    #[test]
    fn a_bent_wall_is_longer_than_its_chord_and_that_is_said() {
        // Two legs of √(12² + 5²) = 13 mm.
        let w = trace(&[PxPoint::new(120.0, 50.0)]);
        assert!((w.trace.mm.get() - 26.0).abs() < 1e-9 && (w.longer_by_mm.get() - 2.0).abs() < 1e-9);
        assert!((w.bow_mm.get() - 5.0).abs() < 1e-9 && !w.differs);
        assert!(trace(&[PxPoint::new(120.0, 51.0)]).differs, "leaves the wall by more than 5 mm");
        // Short zigzags stay near the line and make it longer all the same.
        let zigzag: Vec<PxPoint> = (1..8).map(|i| PxPoint::new(30.0 * f64::from(i), if i % 2 == 0 { 0.0 } else { 20.0 })).collect();
        let z = trace(&zigzag);
        assert!(z.bow_mm < LEAVES && z.longer_by_mm > LONGER && z.differs);
    }
}
