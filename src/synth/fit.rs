//! What fits together in one anatomy, and what does not.

use super::anatomy::{Anatomy, Wall};
use super::scanner::{Hold, Scanner};
use super::shape::{At, SCAR_AT, Shape, arc_of_chord, chord_of_arc};
use crate::error::{Error, ErrorKind, Result};

/// Steepest edge of a placenta beside a free os, mm of thickness for each mm along the wall: a steeper one would lie nearer
/// to the os with its face than with its edge, since the wall curves.
const STEEPEST_FREE_EDGE: f64 = 1.5;
/// Steepest edge of one that covers the os.
const STEEPEST_EDGE: f64 = 2.5;
/// Shallowest bladder that presses the walls of the lower segment together, mm.
const PRESSES_FROM: f64 = 15.0;
/// Least way from the probe's face to the urine, mm.
const BLADDER_FROM_FACE: f64 = 1.5;

/// The signed distance in a plane turned `degrees` from the shortest way of `shortest` mm: the edge is a straight line on
/// the wall laid flat, so the arc is longer by one over the cosine.
pub(crate) fn in_plane(shortest: f64, degrees: f64) -> f64 {
    if degrees == 0.0 {
        return shortest;
    }
    let arc = arc_of_chord(shortest.abs()) / libm::cos(degrees.to_radians());
    chord_of_arc(arc) * shortest.signum()
}

/// The signed distance on the shortest way, from that in a plane turned `degrees` from it.
pub(crate) fn shortest(in_plane: f64, degrees: f64) -> f64 {
    if degrees == 0.0 {
        return in_plane;
    }
    let arc = arc_of_chord(in_plane.abs()) * libm::cos(degrees.to_radians());
    chord_of_arc(arc) * in_plane.signum()
}

fn refused(what: &str, expected: String, found: String) -> Result<()> {
    Err(Error::new(ErrorKind::Invalid, format!("a synthetic frame cannot have this {what}")).expected(expected).found(found))
}

/// Whether two stretches of the wall, mm along it, meet.
fn meet(a: (f64, f64), b: (f64, f64)) -> bool {
    a.0 < b.1 && b.0 < a.1
}

/// Checks an anatomy whose numbers are each in range.
pub(crate) fn check(a: &Anatomy) -> Result<()> {
    let covers = a.edge_to_os_mm < 0.0;
    let half_os = 0.5 * a.os_patch_mm();
    if a.edge_thickness_mm > 0.9 * a.placenta_thickness_mm {
        return refused(
            "thickness near the edge",
            format!("at most nine tenths of the placenta's {} mm", a.placenta_thickness_mm),
            format!("{} mm", a.edge_thickness_mm),
        );
    }
    let shape = Shape::new(*a);
    let steepest = if covers { STEEPEST_EDGE } else { STEEPEST_FREE_EDGE };
    if shape.edge_steepness() > steepest {
        return refused(
            "placental edge",
            format!("one that gains at most {steepest} mm of thickness a mm at its edge; else its face would lie nearest the os"),
            format!("{:.2} mm a mm", shape.edge_steepness()),
        );
    }
    if let Some(far) = a.far_edge_mm
        && (!covers || far < -a.edge_to_os_mm)
    {
        return refused(
            "far edge",
            "one at least as far from the os as the leading edge, of a placenta that covers the os".into(),
            format!("{far} mm, edge {} mm", a.edge_to_os_mm),
        );
    }
    if a.scar_mm > 0.9 * a.wall_mm {
        return refused("scar notch", format!("at most nine tenths of the wall's {} mm", a.wall_mm), format!("{} mm", a.scar_mm));
    }
    if !covers && a.sinus_mm > 0.9 * a.edge_to_os_mm {
        return refused(
            "marginal sinus",
            "one that ends before the internal os where the placenta does not cover it".into(),
            format!("{} mm beyond an edge {} mm from the os", a.sinus_mm, a.edge_to_os_mm),
        );
    }
    if let Some(f) = a.funnel {
        if f.depth_mm > 0.75 * a.cervix_length_mm {
            return refused(
                "funnel depth",
                format!("at most three quarters of the {} mm long canal", a.cervix_length_mm),
                format!("{} mm", f.depth_mm),
            );
        }
        if a.edge_to_os_mm < half_os {
            return refused(
                "funnel",
                "one beside a placenta that does not reach it: membranes under a placenta do not bulge".into(),
                format!("{} mm wide, edge {} mm from the os", f.width_mm, a.edge_to_os_mm),
            );
        }
        if f.width_mm > 1.4 * a.cervix_half_thickness_mm {
            return refused(
                "funnel width",
                format!("at most seven tenths of the cervix's {} mm", 2.0 * a.cervix_half_thickness_mm),
                format!("{} mm", f.width_mm),
            );
        }
    }
    check_apposed(a, &shape)?;
    check_along_wall(a, &shape)?;
    if a.head_radius_mm > 0.0 && shape.head().is_none() {
        return refused("head radius", "one that fits the cavity beside the placenta".into(), format!("{} mm", a.head_radius_mm));
    }
    Ok(())
}

/// Walls pressed together: by what, and what can still be told of the placenta.
fn check_apposed(a: &Anatomy, shape: &Shape) -> Result<()> {
    if a.apposed_mm == 0.0 {
        return Ok(());
    }
    if a.bladder_mm < PRESSES_FROM && a.contraction.is_none() {
        return refused(
            "apposed length",
            format!("a bladder of {PRESSES_FROM} mm or more, or a contraction, that presses the walls together"),
            format!("bladder {} mm, no contraction", a.bladder_mm),
        );
    }
    if a.funnel.is_some() || a.vessel.is_some() || a.far_edge_mm.is_some() || a.off_axis_degrees != 0.0 {
        return refused(
            "apposed length",
            "no funnel, vessel or far edge, in the plane of the shortest way".into(),
            format!("{} mm", a.apposed_mm),
        );
    }
    if shape.edge_arc() - a.sinus_mm < 0.5 * a.os_width_mm {
        return refused(
            "apposed length",
            "a placenta that ends before the walls that are pressed together".into(),
            format!("{} mm, edge {} mm from the os", a.apposed_mm, a.edge_to_os_mm),
        );
    }
    Ok(())
}

/// What lies along the inner surface must not lie at the same place: arcs in mm from the os, positive on the placenta's wall.
fn check_along_wall(a: &Anatomy, shape: &Shape) -> Result<()> {
    let half_os = 0.5 * a.os_patch_mm();
    let placenta = (shape.edge_arc() - a.sinus_mm, f64::INFINITY);
    let own = |wall: Wall| if wall == a.placenta_on { 1.0 } else { -1.0 };
    let stretch = |wall: Wall, from: f64, half: f64| {
        let middle = own(wall) * from;
        (middle - half, middle + half)
    };
    let os = (-half_os - 1.0, half_os + 1.0);
    let contraction = a.contraction.map(|c| stretch(c.on, c.from_os_mm, c.half_length_mm));
    let scar = (a.scar_mm > 0.0).then(|| stretch(Wall::Anterior, SCAR_AT, a.scar_mm));
    let vessel = a.vessel.map(|v| (v.from_os_mm - 0.5 * v.diameter_mm - 1.0, v.from_os_mm + 0.5 * v.diameter_mm));
    if let (Some(v), Some(at)) = (a.vessel, vessel) {
        if meet(at, placenta) {
            return refused(
                "vessel",
                "one in the membranes, beyond the placental edge and its marginal sinus".into(),
                format!("{} mm from the os, edge {} mm from it", v.from_os_mm, a.edge_to_os_mm),
            );
        }
        if a.funnel.is_some() && meet(at, os) {
            return refused(
                "vessel",
                "one that does not lie in the mouth of the funnel".into(),
                format!("{} mm from the os", v.from_os_mm),
            );
        }
    }
    if let Some(at) = contraction {
        for (what, there) in [("the placenta", Some(placenta)), ("the internal os", Some(os)), ("the scar", scar), ("the vessel", vessel)] {
            if there.is_some_and(|there| meet(at, there)) {
                return refused(
                    "contraction",
                    format!("one clear of {what}"),
                    format!("{:.0} to {:.0} mm along the wall from the os", at.0, at.1),
                );
            }
        }
    }
    if scar.is_some_and(|at| meet(at, placenta)) {
        return refused("scar notch", "one that the placenta does not lie on".into(), format!("edge {} mm from the os", a.edge_to_os_mm));
    }
    Ok(())
}

/// Checks that an anatomy can be looked at this way: the os in the sector and the probe in no organ.
pub(crate) fn check_view(a: &Anatomy, scanner: &Scanner, hold: &Hold) -> Result<()> {
    hold.validate()?;
    if !scanner.sees(hold.to_frame(At::new(0.0, 0.0))) {
        return refused(
            "hold of the probe",
            "the internal os inside the sector".into(),
            format!("({}, {}) mm", hold.os_x_mm, hold.os_y_mm),
        );
    }
    let shape = Shape::new(*a);
    let half = scanner.half_angle_degrees.to_radians();
    for k in 0..=24 {
        let angle = half * (f64::from(k) / 12.0 - 1.0);
        let p = hold.to_anatomy(scanner.at_polar(0.0, angle));
        let (bladder, depth) = (shape.bladder(p), shape.depth(p));
        if bladder < BLADDER_FROM_FACE || depth > -a.wall_mm {
            return refused(
                "bladder and hold of the probe",
                format!("the probe's face outside the uterus and {BLADDER_FROM_FACE} mm or more from the bladder's inside"),
                format!("bladder {} mm deep, internal os {} mm below the face", a.bladder_mm, hold.os_y_mm),
            );
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::super::anatomy::{Contraction, Funnel, Vessel};
    use super::*;

    const OK: Anatomy = Anatomy::posterior(14.0);

    #[test]
    fn what_is_out_of_range_is_refused_by_name() {
        OK.validate().unwrap();
        let vessel = |from_os_mm, diameter_mm| Some(Vessel { from_os_mm, diameter_mm });
        let cases: [(&str, Anatomy); 20] = [
            ("edge-to-os", Anatomy { edge_to_os_mm: 60.0, ..OK }),
            ("edge-to-os", Anatomy { edge_to_os_mm: f64::NAN, ..OK }),
            ("off the shortest way", Anatomy { off_axis_degrees: 80.0, ..OK }),
            ("placental thickness", Anatomy { placenta_thickness_mm: 40.0, ..OK }),
            ("thickness near the edge", Anatomy { edge_thickness_mm: 1.0, ..OK }),
            ("far edge", Anatomy { edge_to_os_mm: -9.0, far_edge_mm: Some(60.0), ..OK }),
            ("cervical length", Anatomy { cervix_length_mm: 5.0, ..OK }),
            ("half-thickness", Anatomy { cervix_half_thickness_mm: 30.0, ..OK }),
            ("internal os", Anatomy { os_width_mm: 20.0, ..OK }),
            ("funnel depth", Anatomy { funnel: Some(Funnel { depth_mm: 1.0, width_mm: 8.0 }), ..OK }),
            ("funnel width", Anatomy { funnel: Some(Funnel { depth_mm: 10.0, width_mm: 30.0 }), ..OK }),
            ("wall thickness", Anatomy { wall_mm: 0.0, ..OK }),
            ("bladder depth", Anatomy { bladder_mm: -1.0, ..OK }),
            ("head radius", Anatomy { head_radius_mm: 3.0, ..OK }),
            ("marginal sinus", Anatomy { sinus_mm: 20.0, ..OK }),
            ("scar notch", Anatomy { scar_mm: 0.5, ..OK }),
            ("vessel diameter", Anatomy { vessel: vessel(0.0, 20.0), ..OK }),
            ("vessel place", Anatomy { vessel: vessel(60.0, 4.0), ..OK }),
            ("apposed length", Anatomy { bladder_mm: 25.0, apposed_mm: 30.0, ..OK }),
            ("contraction height", Anatomy { contraction: contraction(Wall::Anterior, 25.0, 30.0), ..OK }),
        ];
        for (word, anatomy) in cases {
            let e = anatomy.validate().unwrap_err();
            assert!(e.message().contains(word) && e.message().contains(" to "), "{word}: {e}");
        }
    }

    const fn contraction(on: Wall, from_os_mm: f64, height_mm: f64) -> Option<Contraction> {
        Some(Contraction { on, from_os_mm, half_length_mm: 12.0, height_mm })
    }

    #[test]
    fn what_does_not_fit_together_is_refused_by_name() {
        let funnel = |depth_mm, width_mm| Some(Funnel { depth_mm, width_mm });
        let vessel = |from_os_mm| Some(Vessel { from_os_mm, diameter_mm: 4.0 });
        let cases: [(&str, Anatomy); 20] = [
            ("nine tenths of the placenta", Anatomy { placenta_thickness_mm: 8.0, edge_thickness_mm: 7.5, ..OK }),
            ("nearest the os", Anatomy { edge_thickness_mm: 15.0, ..OK }),
            ("at least as far from the os", Anatomy { edge_to_os_mm: -9.0, far_edge_mm: Some(8.0), ..OK }),
            ("covers the os", Anatomy { far_edge_mm: Some(30.0), ..OK }),
            ("nine tenths of the wall", Anatomy { scar_mm: 4.8, ..OK }),
            ("before the internal os", Anatomy { sinus_mm: 13.0, ..OK }),
            ("three quarters", Anatomy { cervix_length_mm: 20.0, funnel: funnel(16.0, 8.0), ..OK }),
            ("does not reach it", Anatomy { edge_to_os_mm: -9.0, funnel: funnel(10.0, 8.0), ..OK }),
            ("does not reach it", Anatomy { edge_to_os_mm: 5.0, funnel: funnel(10.0, 12.0), ..OK }),
            ("seven tenths", Anatomy { cervix_half_thickness_mm: 8.0, funnel: funnel(10.0, 12.0), ..OK }),
            ("in the membranes", Anatomy { vessel: vessel(13.0), ..OK }),
            ("mouth of the funnel", Anatomy { vessel: vessel(0.0), funnel: funnel(10.0, 8.0), ..OK }),
            ("presses the walls", Anatomy { apposed_mm: 8.0, ..OK }),
            ("shortest way", Anatomy { apposed_mm: 8.0, bladder_mm: 25.0, off_axis_degrees: 20.0, ..OK }),
            ("ends before the walls", Anatomy { apposed_mm: 15.0, bladder_mm: 25.0, ..OK }),
            ("clear of the placenta", Anatomy { contraction: contraction(Wall::Posterior, 25.0, 10.0), ..OK }),
            ("clear of the internal os", Anatomy { contraction: contraction(Wall::Anterior, 13.0, 10.0), ..OK }),
            ("clear of the scar", Anatomy { scar_mm: 3.0, contraction: contraction(Wall::Anterior, 25.0, 10.0), ..OK }),
            ("does not lie on", Anatomy { placenta_on: Wall::Anterior, scar_mm: 3.0, ..OK }),
            (
                "beside the placenta",
                Anatomy { head_radius_mm: 50.0, placenta_thickness_mm: 22.0, contraction: contraction(Wall::Anterior, 25.0, 18.0), ..OK },
            ),
        ];
        for (word, anatomy) in cases {
            let Err(e) = anatomy.validate() else { panic!("{word}: accepted") };
            assert!(e.message().contains(word), "{word}: {e}");
        }
    }

    #[test]
    fn what_cannot_be_looked_at_this_way_is_refused() {
        let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 0.3, mm_per_px_y: 0.3 };
        let hold = |os_y_mm| Hold { os_x_mm: 3.0, os_y_mm, turn_degrees: 0.0 };
        check_view(&OK, &scanner, &hold(34.0)).unwrap();
        check_view(&Anatomy { bladder_mm: 26.0, ..OK }, &scanner, &hold(46.0)).unwrap();
        for (word, anatomy, hold) in [
            ("bladder", Anatomy { bladder_mm: 26.0, ..OK }, hold(34.0)),
            ("outside the uterus", OK, hold(10.0)),
            ("inside the sector", OK, hold(90.0)),
            ("depth of the os", OK, hold(f64::NAN)),
        ] {
            let e = check_view(&anatomy, &scanner, &hold).unwrap_err();
            assert!(e.message().contains(word), "{word}: {e}");
        }
    }

    #[test]
    fn distances_in_and_off_the_plane_undo_each_other() {
        for d in [-20.0, -3.0, 0.0, 4.0, 22.0] {
            for degrees in [0.0, 30.0, 60.0] {
                assert!((shortest(in_plane(d, degrees), degrees) - d).abs() < 1e-9, "{d} at {degrees}");
            }
        }
    }
}
