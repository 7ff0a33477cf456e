//! The edge-to-os distance.

use super::interval::Z95;
use super::length::{check_finite, terms};
use super::{AxisKnown, EdgeMark, Landmarks, Measurement, Repeatability, Side, SideCheck, Value, signed_interval};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, combined};
use crate::units::{Mm, MmVec};

/// `name@version` of this method. A change that can move a number gets a new version.
pub const METHOD: &str = "edge-to-os-distance@1";
/// The body point tells the side only within this distance of the edge, since the placenta curves (own assumption).
pub const BODY_REACH: Mm = Mm::new(20.0);
/// Closer than this to square, the body point cannot tell the side: degrees from 90 (own assumption).
pub const BODY_SQUARE_DEGREES: f64 = 15.0;

/// The edge-to-os distance of one reading, on one scale.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a landmark is not a finite point, or when the kind of edge mark contradicts the stated
/// side.
pub fn edge_to_os(landmarks: &Landmarks, side: Side, calibration: &Calibration, repeatability: &Repeatability) -> Result<Measurement> {
    let edge = landmarks.edge.at();
    let mut named = vec![("internal os", landmarks.internal_os), (landmarks.edge.words(), edge)];
    named.extend(landmarks.placental_body.map(|p| ("placental body", p)));
    named.extend(landmarks.marginal_sinus.map(|p| ("marginal sinus", p)));
    check_finite(&named)?;
    let step = calibration.step(edge - landmarks.internal_os);
    let length = step.length();
    let value = match (landmarks.edge, side) {
        (EdgeMark::PlacentalEdge { .. }, Side::NotCovering) => Value::Exact { signed_mm: length },
        (EdgeMark::PlacentalEdge { .. }, Side::Covers) => Value::Exact { signed_mm: -length },
        (EdgeMark::PlacentalEdge { .. }, Side::Reaches) => Value::Reaches { centre_distance_mm: length },
        (EdgeMark::LastPlacentaSeen { .. }, Side::Covers) => Value::OverlapAtLeast { mm: length },
        (EdgeMark::EndOfWallSeen { .. }, Side::NotCovering) => Value::NoPlacentaWithin { mm: length },
        (mark, side) => {
            return Err(Error::new(ErrorKind::Invalid, format!("\"{}\" and \"{}\" contradict each other", mark.words(), side.words()))
                .expected("\"last placenta seen\" with \"covers\", \"end of the wall in view\" with \"not covering\"")
                .remedy("State the side again or mark the placental edge itself"));
        }
    };
    let terms = terms(calibration, repeatability, calibration.u_scale(step), calibration.u_sound_speed(step));
    let u = combined(&terms);
    let (side_check, axis) = check_side(landmarks, side, step, calibration);
    let interval = match value {
        Value::Exact { signed_mm } => signed_interval(signed_mm, u, repeatability.sd_mm, axis),
        // "Reaches" is a statement about a patch of tissue; either side of the os centre stays possible.
        Value::Reaches { centre_distance_mm } => {
            let reach = centre_distance_mm + u.times(Z95);
            Interval { low_mm: Some(-reach), high_mm: Some(reach), coverage: 0.95 }
        }
        Value::OverlapAtLeast { mm } => Interval { low_mm: None, high_mm: Some(u.times(Z95) - mm), coverage: 0.95 },
        Value::NoPlacentaWithin { mm } => Interval { low_mm: Some(mm - u.times(Z95)), high_mm: None, coverage: 0.95 },
    };
    Ok(Measurement {
        method: METHOD.into(),
        value,
        side,
        side_check,
        terms,
        u_mm: u,
        interval,
        assumed_repeatability: repeatability.assumed,
        marginal_sinus_mm: landmarks.marginal_sinus.map(|p| calibration.distance(landmarks.internal_os, p)),
    })
}

/// Compares the stated side with the body point, and gives the placental axis where the body point can tell it.
fn check_side(landmarks: &Landmarks, side: Side, os_to_edge: MmVec, calibration: &Calibration) -> (SideCheck, AxisKnown) {
    let (Some(body), EdgeMark::PlacentalEdge { at: edge }) = (landmarks.placental_body, landmarks.edge) else {
        return (SideCheck::NotMarked, AxisKnown::No);
    };
    let into_placenta = calibration.step(body - edge);
    let reach = into_placenta.length();
    if reach > BODY_REACH {
        return (SideCheck::TooFar { distance_mm: reach }, AxisKnown::No);
    }
    let both = reach.get() * os_to_edge.length().get();
    if both == 0.0 {
        return (SideCheck::CannotTell { angle_degrees: 90.0 }, AxisKnown::No);
    }
    let cosine = (into_placenta.dot(os_to_edge) / both).clamp(-1.0, 1.0);
    let angle_degrees = cosine.acos().to_degrees();
    let axis = AxisKnown::Cosine(cosine.abs());
    if (angle_degrees - 90.0).abs() < BODY_SQUARE_DEGREES {
        return (SideCheck::CannotTell { angle_degrees }, axis);
    }
    // Beyond the edge, away from the os: not covering. Back across the os: covering.
    let check = match (side, cosine > 0.0) {
        (Side::Reaches, _) => SideCheck::NotMarked,
        (Side::NotCovering, true) | (Side::Covers, false) => SideCheck::Agrees,
        _ => SideCheck::Disagrees,
    };
    (check, axis)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;
    use crate::calibrate::Basis;
    use crate::units::PxPoint;

    fn scale() -> Calibration {
        Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap()
    }

    fn at(x: f64, y: f64) -> PxPoint {
        PxPoint::new(x, y)
    }

    fn edge(body: Option<PxPoint>) -> Landmarks {
        Landmarks {
            internal_os: at(100.0, 100.0),
            edge: EdgeMark::PlacentalEdge { at: at(240.0, 100.0) },
            placental_body: body,
            marginal_sinus: None,
        }
    }

    fn measure(l: &Landmarks, side: Side) -> Result<Measurement> {
        edge_to_os(l, side, &scale(), &Repeatability::assumed_total())
    }

    #[test]
    fn the_stated_side_gives_the_sign() {
        let m = measure(&edge(None), Side::NotCovering).unwrap();
        assert!(matches!(m.value, Value::Exact { signed_mm } if (signed_mm.get() - 14.0).abs() < 1e-12));
        let m = measure(&edge(None), Side::Covers).unwrap();
        assert!(matches!(m.value, Value::Exact { signed_mm } if (signed_mm.get() + 14.0).abs() < 1e-12));
        let m = measure(&edge(None), Side::Reaches).unwrap();
        assert!(m.interval.contains(Mm::new(-14.0)) && m.interval.contains(Mm::new(14.0)));
    }

    #[test]
    fn the_body_point_checks_the_side() {
        let beyond = Some(at(300.0, 120.0));
        assert_eq!(measure(&edge(beyond), Side::NotCovering).unwrap().side_check, SideCheck::Agrees);
        assert_eq!(measure(&edge(beyond), Side::Covers).unwrap().side_check, SideCheck::Disagrees);
        let back = Some(at(160.0, 80.0));
        assert_eq!(measure(&edge(back), Side::Covers).unwrap().side_check, SideCheck::Agrees);
        assert_eq!(measure(&edge(back), Side::NotCovering).unwrap().side_check, SideCheck::Disagrees);
        let square = measure(&edge(Some(at(245.0, 200.0))), Side::NotCovering).unwrap();
        assert!(matches!(square.side_check, SideCheck::CannotTell { .. }));
        let far = measure(&edge(Some(at(500.0, 100.0))), Side::NotCovering).unwrap();
        assert!(matches!(far.side_check, SideCheck::TooFar { .. }));
    }

    #[test]
    fn one_sided_marks_give_one_sided_values() {
        let mut l = edge(None);
        l.edge = EdgeMark::LastPlacentaSeen { at: at(240.0, 100.0) };
        let m = measure(&l, Side::Covers).unwrap();
        assert!(matches!(m.value, Value::OverlapAtLeast { .. }) && m.interval.low_mm.is_none());
        assert!(measure(&l, Side::NotCovering).is_err_and(|e| e.kind() == ErrorKind::Invalid));
        l.edge = EdgeMark::EndOfWallSeen { at: at(340.0, 100.0) };
        let m = measure(&l, Side::NotCovering).unwrap();
        assert!(matches!(m.value, Value::NoPlacentaWithin { .. }) && m.interval.high_mm.is_none());
        assert!(measure(&l, Side::Covers).is_err());
    }

    #[test]
    fn terms_are_kept_apart_and_add_in_quadrature() {
        let m = measure(&edge(None), Side::NotCovering).unwrap();
        let sum: f64 = m.terms.iter().map(|t| t.u_mm.get().powi(2)).sum();
        assert_eq!(m.terms.len(), 3);
        assert!((m.u_mm.get() - sum.sqrt()).abs() < 1e-12 && m.u_mm.get() > 2.0);
    }

    #[test]
    fn a_landmark_that_is_not_a_number_is_refused() {
        let mut l = edge(None);
        l.internal_os.x = f64::NAN;
        assert!(measure(&l, Side::NotCovering).is_err_and(|e| e.kind() == ErrorKind::Invalid));
    }
}
