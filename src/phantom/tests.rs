#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use super::made::{Seen, seen};
use super::*;
use crate::ErrorKind;

fn checked(phantom: &str, how: &Seen) -> Result<Check> {
    let d = super::phantom(phantom).unwrap();
    let (frame, geometry, _) = seen(&d, how);
    check(&frame, &geometry, &d)
}

#[test]
fn pins_are_found_to_a_small_part_of_a_pixel() {
    let d = super::phantom("grid-10").unwrap();
    let (frame, geometry, truth) = seen(&d, &Seen { mm_per_px: [0.17, 0.11], header_mm_per_px: [0.17, 0.11], ..Seen::default() });
    let found = check(&frame, &geometry, &d).unwrap().found;
    assert_eq!(found.len(), 31);
    for (_, at) in truth {
        let near = found.iter().map(|p| (p.at.x - at[0]).hypot(p.at.y - at[1])).fold(f64::INFINITY, f64::min);
        assert!(near < 0.25, "{near} px at {at:?}");
    }
}

#[test]
fn a_known_distortion_is_recovered() {
    for (seed, phantom) in (1..).zip(["grid-10", "endocavity-10", "column-and-rows", "grid-10"]) {
        let how =
            Seen { mm_per_px: [0.118, 0.131], header_mm_per_px: [0.12, 0.13], rotation_degrees: 4.0, shear: 0.02, seed, ..Seen::default() };
        let c = checked(phantom, &how).unwrap();
        assert!((c.fit.mm_per_px_x / 0.118 - 1.0).abs() < 1e-3, "{phantom} across {}", c.fit.mm_per_px_x);
        assert!((c.fit.mm_per_px_y / 0.131 - 1.0).abs() < 1e-3, "{phantom} down {}", c.fit.mm_per_px_y);
        assert!((c.fit.rotation_degrees - 4.0).abs() < 0.1, "{}", c.fit.rotation_degrees);
        assert!((c.fit.shear - 0.02).abs() < 2e-3, "{}", c.fit.shear);
        assert!((c.error[0] - (0.12 / 0.118 - 1.0)).abs() < 1e-3 && (c.error[1] - (0.13 / 0.131 - 1.0)).abs() < 1e-3);
    }
}

#[test]
fn an_uneven_scale_is_said() {
    let c = checked("grid-10", &Seen { bend: [0.0, 0.002], ..Seen::default() }).unwrap();
    // ±25 mm from the middle: the scale differs by ±5 % down, and not across.
    let l = c.fit.local.unwrap();
    assert!((l.half_range[1] - 0.05).abs() < 0.006 && l.half_range[0] < 0.01, "{l:?}");
    assert!(c.notes.iter().any(|n| matches!(n, Note::Uneven { .. })));
}

#[test]
fn what_is_wrong_with_the_frame_is_recognised() {
    let plain = checked("grid-10", &Seen::default()).unwrap();
    assert!(plain.notes.is_empty(), "{:?}", plain.notes);
    let mirrored = checked("grid-10", &Seen { mirrored: true, ..Seen::default() }).unwrap();
    assert!(mirrored.notes.contains(&Note::Mirrored), "{:?}", mirrored.notes);
    let short = checked("grid-10", &Seen { without_rows: vec![3], ..Seen::default() }).unwrap();
    assert!(short.notes.contains(&Note::MissingRow { depth_mm: 30.0 }), "{:?}", short.notes);
    let last = checked("grid-10", &Seen { without_rows: vec![5], ..Seen::default() }).unwrap();
    assert!(last.notes.contains(&Note::MissingRow { depth_mm: 50.0 }), "{:?}", last.notes);
    let dirty = checked("grid-10", &Seen { extra: 3, seed: 5, ..Seen::default() }).unwrap();
    assert!(dirty.notes.iter().any(|n| matches!(n, Note::Extra { .. })), "{:?}", dirty.notes);

    let refused = |phantom: &str, how: &Seen, says: &str| {
        let e = checked(phantom, how).unwrap_err();
        assert!(e.kind() == ErrorKind::Invalid && e.to_string().contains(says), "{e}");
    };
    refused("grid-10", &Seen { without_rows: vec![0, 1, 2, 3], ..Seen::default() }, "too few pins");
    // Twice the size: another phantom, or a scale wrong by two.
    refused("grid-10", &Seen { header_mm_per_px: [0.24, 0.24], ..Seen::default() }, "another phantom");
    refused("grid-10", &Seen { header_mm_per_px: [0.06, 0.06], ..Seen::default() }, "another phantom");
    let (frame, geometry, _) = seen(&super::phantom("grid-10").unwrap(), &Seen::default());
    for other in ["endocavity-10", "column-and-rows"] {
        let e = check(&frame, &geometry, &super::phantom(other).unwrap()).unwrap_err();
        assert!(e.to_string().contains("do not lie as this phantom's do"), "{other}: {e}");
    }
    // The other way round: a smaller phantom of the same spacing lies inside the larger layout.
    let e = {
        let (frame, geometry, _) = seen(&super::phantom("endocavity-10").unwrap(), &Seen::default());
        check(&frame, &geometry, &super::phantom("grid-10").unwrap()).unwrap_err()
    };
    assert!(e.to_string().contains("do not lie as this phantom's do"), "{e}");
    let mut bare = geometry.clone();
    bare.regions.clear();
    assert_eq!(check(&frame, &bare, &super::phantom("grid-10").unwrap()).unwrap_err().kind(), ErrorKind::Uncalibrated);
    let mut resized = geometry;
    resized.regions[0].max_x1 = Some(5000);
    assert!(check(&frame, &resized, &super::phantom("grid-10").unwrap()).unwrap_err().to_string().contains("resized"));
}

#[test]
fn one_pin_out_of_place_does_not_bend_the_fit() {
    let d = super::phantom("grid-10").unwrap();
    let pins: Vec<_> = d
        .pins()
        .into_iter()
        .enumerate()
        .map(|(i, p)| {
            let wobble = 0.05 * ((i * 7 % 5) as f64 - 2.0);
            let off = if i == 7 { 12.0 } else { 0.0 };
            (i, p, crate::units::PxPoint::new(300.0 + 8.0 * p[0] + wobble, 40.0 + 9.0 * p[1] - wobble + off))
        })
        .collect();
    let f = fit(&pins).unwrap();
    assert!((f.mm_per_px_y - 1.0 / 9.0).abs() < 1e-4 && (f.mm_per_px_x - 0.125).abs() < 1e-4);
    assert!(f.residuals.iter().all(|r| r.kept == (r.pin != 7)));
}

#[test]
fn more_frames_count_the_phantom_once() {
    let d = super::phantom("grid-10").unwrap();
    let t = tolerance().unwrap();
    let checks: Vec<_> = (1..4)
        .map(|seed| {
            let how = Seen { header_mm_per_px: [0.123, 0.12], pin_sd_mm: [0.1, 0.05], seed, ..Seen::default() };
            checked("grid-10", &how).unwrap()
        })
        .collect();
    let one = together(&checks[..1], &d, &t).unwrap();
    let all = together(&checks, &d, &t).unwrap();
    assert!(all.u[1] > 0.7 * one.u[1] && all.u[1] >= d.u_sound_speed());
    // The speed of sound in the phantom dominates and is common to both axes.
    assert!(all.correlation > 0.5, "{}", all.correlation);
    // 2.5 % across, nothing down.
    assert_eq!((all.axes[0].by_percent, all.axes[1].by_percent), (Verdict::Action, Verdict::Within));
    assert_eq!(all.verdict(), Verdict::Action);
    assert!(together(&[], &d, &t).is_none());
}

#[test]
fn bundled_phantoms_are_sound_and_faulty_ones_are_named() {
    let all = phantoms().unwrap();
    assert_eq!(all[0].pins().len(), 31);
    assert_eq!(all[0].extent_mm().map(|v| v as i32), [40, 50]);
    let text = BUNDLED[0];
    for (from, to, says) in [
        ("least_pins = 16", "least_pins = 99", "least_pins 99"),
        ("sound_speed_m_s = 1540.0", "sound_speed_m_s = 1450.0", "speed of sound"),
        ("-15.0", "-19.5", "less than 1 mm"),
        ("osspan-phantom/1", "osspan-phantom/9", "schema"),
    ] {
        let e = Definition::parse(&text.replace(from, to)).unwrap_err();
        assert!(e.to_string().contains(says), "{e}");
    }
}
