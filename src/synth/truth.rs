//! What is true of a synthetic frame, from the same exact forms that it was drawn from.

use serde::{Deserialize, Serialize};

use super::anatomy::Anatomy;
use super::scanner::{Hold, Scanner};
use super::shape::{At, Shape};
use crate::error::Result;
use crate::measure::Side;
use crate::units::PxPoint;

/// The truth of one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Internal os, px.
    pub internal_os: PxPoint,
    /// Leading placental edge, px.
    pub placental_edge: PxPoint,
    /// A place on the placenta near its edge, px.
    pub placental_body: PxPoint,
    /// External os, px.
    pub external_os: PxPoint,
    /// End of the marginal sinus away from the placenta, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marginal_sinus: Option<PxPoint>,
    /// Middle of a fetal vessel in the membranes, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vessel: Option<PxPoint>,
    /// Mouth of the notch of a caesarean scar, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scar: Option<PxPoint>,
    /// Signed edge-to-os distance in this plane, mm; negative when the placenta overlaps.
    pub edge_to_os_mm: f64,
    /// On which side of the os the edge lies.
    pub side: Side,
    /// Structures that lie in the sector.
    pub visible: Vec<String>,
}

/// The truth of a frame of this anatomy, scanner and hold.
///
/// # Errors
/// When the anatomy or the scanner is not possible; see their `validate`.
pub fn truth(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold) -> Result<Truth> {
    anatomy.validate()?;
    scanner.validate()?;
    let shape = Shape::new(*anatomy);
    let os = At::new(0.0, 0.0);
    let marks = [
        ("internal os", Some(os)),
        ("external os", Some(shape.external_os())),
        ("placental edge", Some(shape.edge())),
        ("placental body", Some(shape.placental_body())),
        ("bladder", shape.bladder_middle()),
        ("fetal skull", shape.skull_nearest()),
        ("marginal sinus", shape.sinus_end()),
        ("vessel", shape.vessel().map(|(middle, _)| middle)),
        ("scar", shape.scar()),
    ];
    let visible =
        marks.iter().filter(|(_, at)| at.is_some_and(|at| scanner.sees(hold.to_frame(at)))).map(|(name, _)| (*name).to_owned()).collect();
    let px = |p: At| scanner.to_px(hold.to_frame(p));
    Ok(Truth {
        internal_os: px(os),
        placental_edge: px(shape.edge()),
        placental_body: px(shape.placental_body()),
        external_os: px(shape.external_os()),
        marginal_sinus: shape.sinus_end().map(px),
        vessel: shape.vessel().map(|(middle, _)| px(middle)),
        scar: shape.scar().map(px),
        edge_to_os_mm: anatomy.edge_to_os_mm,
        side: if anatomy.edge_to_os_mm < 0.0 { Side::Covers } else { Side::NotCovering },
        visible,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;
    use crate::calibrate::header::calibration_for;
    use crate::frame::Geometry;
    use crate::measure::{EdgeMark, Landmarks, Repeatability, SideCheck, Value, edge_to_os};
    use crate::synth::anatomy::Wall;

    #[test]
    fn the_ruler_finds_the_true_distance_and_the_body_agrees_with_the_side() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            for d in [-20.0, -9.0, -3.0, 4.0, 14.0, 31.0] {
                for (mm_per_px_x, mm_per_px_y, turn_degrees) in [(0.26, 0.26, 0.0), (0.26, 0.21, -7.0)] {
                    let anatomy = Anatomy { placenta_on: wall, ..Anatomy::posterior(d) };
                    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x, mm_per_px_y };
                    let t = truth(&anatomy, &scanner, &Hold { os_x_mm: 3.0, os_y_mm: 30.0, turn_degrees }).unwrap();
                    let geometry = Geometry {
                        rows: scanner.rows(),
                        columns: scanner.columns(),
                        regions: vec![scanner.region()],
                        ..Geometry::default()
                    };
                    let landmarks = Landmarks {
                        internal_os: t.internal_os,
                        edge: EdgeMark::PlacentalEdge { at: t.placental_edge },
                        placental_body: Some(t.placental_body),
                        marginal_sinus: None,
                    };
                    let scale = calibration_for(&geometry, &[t.internal_os, t.placental_edge, t.placental_body], None).unwrap();
                    assert!(scale.warnings.is_empty());
                    let m = edge_to_os(&landmarks, t.side, &scale.calibration, &Repeatability::assumed_total()).unwrap();
                    let Value::Exact { signed_mm } = m.value else { panic!("{:?}", m.value) };
                    assert!((signed_mm.get() - d).abs() < 1e-9, "{d}: {signed_mm}");
                    assert_eq!(m.side_check, SideCheck::Agrees, "{wall:?} {d}");
                }
            }
        }
    }
}
