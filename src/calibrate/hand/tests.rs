#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use super::*;
use crate::frame::{FrameId, Samples};
use crate::units::MmVec;

/// A picture with ticks at `step` px along a vertical ruler line, the third one gone, and something bright beside it.
fn picture(step: f64) -> Frame {
    let (w, h) = (300_u32, 400_u32);
    let samples = (0..h)
        .flat_map(|y| (0..w).map(move |x| (x, y)))
        .map(|(x, y)| {
            let tick = (0..12).any(|n| n != 3 && ((f64::from(n) * step + 40.3).floor() as u32) == y);
            match x {
                250 => 120,
                251..256 if tick => 230,
                100..200 => ((x * 7 + y * 13) % 90) as u8,
                _ => 4,
            }
        })
        .collect();
    let id = FrameId { sha256: "x".into(), sop_instance_uid: None, frame_number: 1 };
    Frame { id, width: w, height: h, samples: Samples::Gray8(samples) }
}

fn geometry() -> Geometry {
    Geometry { rows: 400, columns: 300, ..Geometry::default() }
}

fn set(ruler: Ruler) -> HandScale {
    HandScale {
        ruler,
        distance: 11.0,
        unit: Unit::Cm,
        aspect: Aspect::StatedSquare,
        by: "R. Ito".into(),
        field_confirmed: false,
        size: [300, 400],
        taken_from: None,
    }
}

#[test]
fn ticks_along_a_picked_ruler_give_the_scale_and_their_scatter_its_error() {
    let f = picture(27.35);
    // Picked a little off the ends and off the line.
    let ruler = find_ruler(&f, PxPoint::new(253.0, 38.0), PxPoint::new(254.5, 343.0)).unwrap();
    assert_eq!(ruler.ticks.len(), 11, "{:?}", ruler.ticks);
    assert_eq!(ruler.ticks.last().unwrap().0 - ruler.ticks[0].0, 11);
    let c = set(ruler).calibration(&geometry()).unwrap();
    let (x, y) = c.mm_per_px();
    assert!((y / (10.0 / 27.35) - 1.0).abs() < 2e-3, "{y}");
    assert!((x / y - 1.0).abs() < 1e-12);
    let down = c.u_scale(MmVec::new(0.0, 100.0)).get();
    let across = c.u_scale(MmVec::new(100.0, 0.0)).get();
    assert!(down > 0.02 && down < 0.3, "{down} mm of 100");
    assert!((across - 100.0 * U_STATED_SQUARE).abs() < 0.1, "{across} mm of 100");
    assert!(c.u_sound_speed(MmVec::new(0.0, 100.0)).get() > 0.9);
}

#[test]
fn a_slanted_ruler_on_pixels_that_are_not_square_is_reckoned_along_itself() {
    // Ticks 10 mm apart along a line 3 : 4 on the screen; pixels twice as high as wide.
    let ruler =
        Ruler { from: PxPoint::new(0.0, 0.0), to: PxPoint::new(180.0, 240.0), ticks: (0..6).map(|n| (n, 50.0 * f64::from(n))).collect() };
    let mut g = geometry();
    g.pixel_aspect_vertical_horizontal = Some([2, 1]);
    let hand = HandScale { aspect: Aspect::FromFile { vertical: 2, horizontal: 1 }, distance: 50.0, unit: Unit::Mm, ..set(ruler) };
    let c = hand.calibration(&g).unwrap();
    let d = c.distance(PxPoint::new(0.0, 0.0), PxPoint::new(150.0, 200.0));
    assert!((d.get() - 50.0).abs() < 1e-9, "{d}");
    assert!((c.mm_per_px().1 / c.mm_per_px().0 - 2.0).abs() < 1e-12);
}

#[test]
fn what_makes_no_scale_is_refused() {
    let ruler = find_ruler(&picture(27.35), PxPoint::new(253.0, 38.0), PxPoint::new(254.0, 343.0)).unwrap();
    let refused = |h: HandScale, g: &Geometry, says: &str| {
        let e = h.calibration(g).unwrap_err();
        assert!(e.kind() == ErrorKind::Uncalibrated && e.to_string().contains(says), "{e}");
    };
    refused(set(ruler.clone()), &Geometry { rows: 401, ..geometry() }, "300 × 400");
    refused(HandScale { by: " ".into(), ..set(ruler.clone()) }, &geometry(), "name");
    let small = HandScale { unit: Unit::Mm, ..set(ruler.clone()) };
    refused(small.clone(), &geometry(), "20 to 300 mm");
    assert!(HandScale { field_confirmed: true, ..small }.calibration(&geometry()).is_ok());
    refused(HandScale { distance: -1.0, ..set(ruler.clone()) }, &geometry(), "positive");
    let mut g = geometry();
    g.pixel_aspect_vertical_horizontal = Some([4, 3]);
    refused(set(ruler), &g, "Pixel Aspect Ratio 4\\3");
    assert!(find_ruler(&picture(27.35), PxPoint::new(30.0, 38.0), PxPoint::new(30.0, 343.0)).is_err());
    assert!(find_ruler(&picture(27.35), PxPoint::new(253.0, 38.0), PxPoint::new(253.0, 50.0)).is_err());
}

#[test]
fn distances_need_their_unit() {
    assert_eq!(parse_distance(" 5 cm").unwrap(), (5.0, Unit::Cm));
    assert_eq!(parse_distance("4,5CM").unwrap(), (4.5, Unit::Cm));
    assert_eq!(parse_distance("50mm").unwrap(), (50.0, Unit::Mm));
    for bad in ["5", "", "cm", "-5 cm", "1,050 mm", "NaN mm", "5 m", "1.000,5 mm"] {
        assert!(parse_distance(bad).is_err(), "{bad}");
    }
}
