//! The internal os as a patch: it has a width, which may be as large as its distance from the placenta (Simon 2012).
//!
//! In one plane the patch is taken as round, as wide as its two marks lie apart and centred between them. The distance
//! from the centre of the os stays the one that tables are about; this one is shown with it, because it is shorter.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::interval::Z95;
use super::length::{Length, along, check_finite, terms};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, combined};
use crate::source::{Citation, Provenance};
use crate::units::{Mm, MmVec, PxPoint};

/// `name@version` of this method.
pub const METHOD: &str = "os-patch@1";
/// Why the width matters.
pub const SOURCE: Citation = Citation::fixed(
    "Simon 2012, PMID 22262488: the os is not a point but an oval patch with a measurable width, which may be as wide as \
     the distance separating it from the placenta",
    Provenance::Published,
);

/// The os with its width, and what it means for the edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OsPatch {
    /// [`METHOD`].
    pub method: String,
    /// From one end of the os to the other.
    pub width: Length,
    /// From the rim of the patch to the placental edge, 0 where the edge lies within; `None` when the edge itself was not
    /// marked.
    pub to_edge: Option<Length>,
    /// Whether the placental edge lies within the patch: then it reaches or partly covers the os.
    pub edge_within: bool,
    /// Whether the marked centre of the os lies outside the patch, so that one of the marks must be wrong.
    pub centre_outside: bool,
}

/// The patch between the two ends of the os, and how far the placental edge (where it was marked) lies from it.
///
/// The distance from the rim is one between two marks, rim and edge, so its reading error is that of any length.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a mark is no point or both ends are the same.
pub fn os_patch(
    ends: [PxPoint; 2],
    centre: PxPoint,
    edge: Option<PxPoint>,
    calibration: &Calibration,
    repeatability: &Repeatability,
) -> Result<OsPatch> {
    let [a, b] = ends;
    check_finite(&[("end of the os", a), ("other end of the os", b), ("internal os", centre)])?;
    check_finite(&edge.map(|e| ("placental edge", e)).into_iter().collect::<Vec<_>>())?;
    let width = along(&[a, b], calibration, repeatability);
    let radius = width.mm.get() / 2.0;
    if radius <= 0.0 {
        return Err(Error::new(ErrorKind::Invalid, "the os has no width")
            .expected("its two ends apart")
            .found("both at one place")
            .remedy("Mark the other end of the os"));
    }
    let middle = PxPoint::new(0.5 * (a.x + b.x), 0.5 * (a.y + b.y));
    let from_middle = |p: PxPoint| calibration.step(p - middle);
    let to_edge = edge.map(|e| {
        let step = from_middle(e);
        let far = step.length().get();
        let beyond = (far - radius).max(0.0);
        let share = if far > 0.0 { beyond / far } else { 0.0 };
        let rest = MmVec::new(step.x * share, step.y * share);
        let terms = terms(calibration, repeatability, calibration.u_scale(rest), calibration.u_sound_speed(rest));
        let u_mm = combined(&terms);
        let half = u_mm.get() * Z95;
        let interval = Interval { low_mm: Some(Mm::new((beyond - half).max(0.0))), high_mm: Some(Mm::new(beyond + half)), coverage: 0.95 };
        Length { mm: Mm::new(beyond), terms, u_mm, interval }
    });
    Ok(OsPatch {
        method: METHOD.into(),
        edge_within: to_edge.as_ref().is_some_and(|l| l.mm.get() <= 0.0),
        to_edge,
        centre_outside: from_middle(centre).length().get() > radius,
        width,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibrate::Basis;

    fn patch(edge_mm: (f64, f64)) -> OsPatch {
        // Pixels twice as high as wide.
        let scale = Calibration::unchecked_header(0.1, 0.2, Basis::HeaderRegion { region: 1 }).unwrap();
        let at = |x: f64, y: f64| PxPoint::new(500.0 + 10.0 * x, 500.0 + 5.0 * y);
        let (x, y) = edge_mm;
        os_patch([at(-3.0, 0.0), at(3.0, 0.0)], at(0.5, 0.0), Some(at(x, y)), &scale, &Repeatability::assumed_total()).unwrap()
    }

    #[test]
    fn the_rim_is_nearer_than_the_centre_by_half_the_width() {
        let p = patch((6.0, 8.0));
        assert!((p.width.mm.get() - 6.0).abs() < 1e-9);
        assert!((p.to_edge.unwrap().mm.get() - 7.0).abs() < 1e-9);
        assert!(!p.edge_within && !p.centre_outside);
    }

    #[test]
    fn an_edge_within_the_patch_reaches_the_os() {
        assert!(patch((2.9, 0.0)).edge_within && patch((0.0, -2.0)).edge_within && patch((0.0, 0.0)).edge_within);
        assert!(!patch((3.1, 0.0)).edge_within);
        assert_eq!(patch((1.0, 0.0)).to_edge.unwrap().mm, Mm::new(0.0));
    }

    #[test]
    fn a_centre_outside_its_own_width_is_said_and_no_width_is_refused() {
        let scale = Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap();
        let at = |x: f64| PxPoint::new(x, 10.0);
        let r = Repeatability::assumed_total();
        assert!(os_patch([at(10.0), at(50.0)], at(80.0), None, &scale, &r).unwrap().centre_outside);
        assert!(os_patch([at(10.0), at(10.0)], at(10.0), None, &scale, &r).is_err());
    }
}
