//! The edge-to-os distance.

use super::{AxisKnown, EdgeMark, Landmarks, Measurement, Repeatability, Side, SideCheck, Value, signed_interval};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, Term, TermKind, combined};
use crate::units::{Mm, MmVec};

/// `name@version` of this method. A change that can move a number gets a new version.
pub const METHOD: &str = "edge-to-os-distance@1";
/// The body point tells the side only within this distance of the edge, since the placenta curves (own assumption).
pub const BODY_REACH: Mm = Mm::new(20.0);
/// Closer than this to square, the body point cannot tell the side: degrees from 90 (own assumption).
pub const BODY_SQUARE_DEGREES: f64 = 15.0;
/// Two-sided 95 % normal quantile.
const Z95: f64 = 1.959_963_984_540_054;

/// The edge-to-os distance of one reading, on one scale.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a landmark is not a finite point, when the kind of edge mark contradicts the stated
/// side, or when the landmarks coincide where a distance is asked for.
pub fn edge_to_os(landmarks: &Landmarks, side: Side, calibration: &Calibration, repeatability: &Repeatability) -> Result<Measurement> {
    let edge = landmarks.edge.at();
    for (name, p) in [
        ("internal os", Some(landmarks.internal_os)),
        (landmarks.edge.words(), Some(edge)),
        ("placental body", landmarks.placental_body),
        ("marginal sinus", landmarks.marginal_sinus),
    ] {
        if p.is_some_and(|p| !p.is_finite()) {
            return Err(Error::new(ErrorKind::Invalid, format!("the {name} landmark cannot be used"))
                .expected("two finite coordinates in pixels")
                .found("a coordinate that is not a number"));
        }
    }
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
    let terms = vec![
        Term {
            kind: TermKind::TotalRepeatability,
            method: repeatability.method.clone(),
            u_mm: repeatability.sd_mm,
            source: repeatability.source.clone(),
        },
        Term {
            kind: TermKind::Scale,
            method: "axis-scale@1".into(),
            u_mm: calibration.u_scale(step),
            source: calibration.scale_source().clone(),
        },
        Term {
            kind: TermKind::SoundSpeed,
            method: "sound-speed@1".into(),
            u_mm: calibration.u_sound_speed(step),
            source: calibration.sound_speed_source().clone(),
        },
    ];
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
