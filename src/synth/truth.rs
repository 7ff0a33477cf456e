//! What is true of a synthetic frame, from the same exact forms that it was drawn from.

use serde::{Deserialize, Serialize};

use super::anatomy::Anatomy;
use super::fit;
use super::scanner::{Hold, Scanner};
use super::shape::{At, Shape};
use crate::error::Result;
use crate::measure::Side;
use crate::units::PxPoint;

/// The truth of one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Middle of the internal os, px.
    pub internal_os: PxPoint,
    /// Lips of the internal os, anterior first, px: it is a patch, and within it an edge reaches or partly covers the os.
    pub internal_os_lips: [PxPoint; 2],
    /// Leading placental edge in this plane, px.
    pub placental_edge: PxPoint,
    /// A place on the placenta near its edge, px.
    pub placental_body: PxPoint,
    /// Where a placenta that covers the os ends on its own wall, px, where it does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub far_edge: Option<PxPoint>,
    /// External os, px.
    pub external_os: PxPoint,
    /// Lips of the external os, anterior first, px.
    pub external_os_lips: [PxPoint; 2],
    /// Tip of the funnel, px, where there is one: the closed canal begins there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub funnel_tip: Option<PxPoint>,
    /// Length of the closed canal, mm: straight from the internal os, or the funnel's tip, to the external os; and along
    /// the canal's line.
    pub closed_canal_mm: [f64; 2],
    /// End of the marginal sinus away from the placenta, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marginal_sinus: Option<PxPoint>,
    /// Middle of a fetal vessel in the membranes, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vessel: Option<PxPoint>,
    /// Mouth of the notch of a caesarean scar, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scar: Option<PxPoint>,
    /// Top of a contraction, px, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contraction: Option<PxPoint>,
    /// Signed edge-to-os distance in this plane, mm; negative when the placenta overlaps.
    pub edge_to_os_mm: f64,
    /// The same on the shortest way, which lies in another plane when the angle below is not 0. Never longer.
    pub shortest_mm: f64,
    /// Angle at the os between this plane and the shortest way, degrees.
    pub off_axis_degrees: f64,
    /// Length over which walls of the lower segment are pressed together above the internal os and look like cervix, mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub apposed_mm: f64,
    /// How the edge lies to the os: within its lips it reaches it.
    pub side: Side,
    /// Structures that lie in the sector.
    pub visible: Vec<String>,
}

#[allow(clippy::trivially_copy_pass_by_ref)] // The shape that serde asks for.
fn is_zero(v: &f64) -> bool {
    *v == 0.0
}

/// The truth of a frame of this anatomy, scanner and hold.
///
/// # Errors
/// When the anatomy, the scanner or the hold is not possible; see their `validate`.
pub fn truth(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold) -> Result<Truth> {
    anatomy.validate()?;
    scanner.validate()?;
    fit::check_view(anatomy, scanner, hold)?;
    let shape = Shape::new(*anatomy);
    let os = shape.os();
    let vessel = shape.vessel().map(|(middle, _)| middle);
    let marks = [
        ("internal os", Some(os)),
        ("external os", Some(shape.external_os())),
        ("placental edge", Some(shape.edge())),
        ("placental body", Some(shape.placental_body())),
        ("far edge", shape.far_edge()),
        ("bladder", shape.bladder_middle()),
        ("fetal skull", shape.skull_nearest()),
        ("marginal sinus", shape.sinus_end()),
        ("vessel", vessel),
        ("scar", shape.scar()),
        ("contraction", shape.contraction_top()),
        ("funnel", shape.funnel_tip()),
    ];
    let visible =
        marks.iter().filter(|(_, at)| at.is_some_and(|at| scanner.sees(hold.to_frame(at)))).map(|(name, _)| (*name).to_owned()).collect();
    let px = |p: At| scanner.to_px(hold.to_frame(p));
    let d = anatomy.edge_to_os_mm;
    let begins = shape.funnel_tip().unwrap_or(os);
    Ok(Truth {
        internal_os: px(os),
        internal_os_lips: shape.internal_os_lips().map(px),
        placental_edge: px(shape.edge()),
        placental_body: px(shape.placental_body()),
        far_edge: shape.far_edge().map(px),
        external_os: px(shape.external_os()),
        external_os_lips: shape.external_os_lips().map(px),
        funnel_tip: shape.funnel_tip().map(px),
        closed_canal_mm: [shape.external_os().minus(begins).length(), shape.canal_length_from(anatomy.funnel.map_or(0.0, |f| f.depth_mm))],
        marginal_sinus: shape.sinus_end().map(px),
        vessel: vessel.map(px),
        scar: shape.scar().map(px),
        contraction: shape.contraction_top().map(px),
        edge_to_os_mm: d,
        shortest_mm: fit::shortest(d, anatomy.off_axis_degrees),
        off_axis_degrees: anatomy.off_axis_degrees,
        apposed_mm: anatomy.apposed_mm,
        side: if d.abs() <= 0.5 * anatomy.os_patch_mm() {
            Side::Reaches
        } else if d < 0.0 {
            Side::Covers
        } else {
            Side::NotCovering
        },
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
                    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x, mm_per_px_y };
                    let t = truth(&anatomy, &scanner, &Hold { os_x_mm: 3.0, os_y_mm: 34.0, turn_degrees }).unwrap();
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

    #[test]
    fn a_plane_off_the_shortest_way_is_longer_and_says_by_how_much() {
        let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 0.26, mm_per_px_y: 0.26 };
        let hold = Hold { os_x_mm: 3.0, os_y_mm: 34.0, turn_degrees: 0.0 };
        for d in [-8.0, 6.0, 14.0] {
            for degrees in [20.0, 60.0] {
                let plane = Anatomy::posterior(d).turned_off_axis(degrees).unwrap();
                let t = truth(&plane, &scanner, &hold).unwrap();
                assert!((t.shortest_mm - d).abs() < 1e-9, "{d} at {degrees}: {}", t.shortest_mm);
                // On a flat wall the distance would be longer by one over the cosine; on a curved one a chord less than the arc.
                let flat = d / libm::cos(f64::to_radians(degrees));
                assert!(t.edge_to_os_mm.abs() > d.abs() && t.edge_to_os_mm.abs() <= flat.abs() + 0.2 && t.edge_to_os_mm * d > 0.0, "{t:?}");
                assert!(t.edge_to_os_mm.abs() > 0.93 * flat.abs(), "{} of {flat}", t.edge_to_os_mm);
            }
        }
    }

    #[test]
    fn the_os_is_a_patch_and_an_edge_within_it_reaches_it() {
        let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 0.25, mm_per_px_y: 0.25 };
        let hold = Hold { os_x_mm: 3.0, os_y_mm: 34.0, turn_degrees: 0.0 };
        let of = |d: f64| truth(&Anatomy { os_width_mm: 6.0, ..Anatomy::posterior(d) }, &scanner, &hold).unwrap();
        for (d, side) in [(-3.1, Side::Covers), (-2.9, Side::Reaches), (0.0, Side::Reaches), (2.9, Side::Reaches), (3.1, Side::NotCovering)]
        {
            assert_eq!(of(d).side, side, "{d}");
        }
        let t = of(10.0);
        for lip in t.internal_os_lips {
            let step = lip - t.internal_os;
            assert!((step.x.hypot(step.y) * 0.25 - 3.0).abs() < 1e-9);
        }
    }
}
