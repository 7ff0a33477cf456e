#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use super::*;
use crate::frame::{FrameId, Samples};

fn frame(w: u32, h: u32, paint: impl Fn(u32, u32) -> u8) -> Frame {
    let samples = (0..h).flat_map(|y| (0..w).map(move |x| (x, y))).map(|(x, y)| paint(x, y)).collect();
    let id = FrameId { sha256: String::new(), sop_instance_uid: None, frame_number: 1 };
    Frame { id, width: w, height: h, samples: Samples::Gray8(samples) }
}

/// Something like speckle.
fn grain(x: u32, y: u32) -> u8 {
    (x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(2_246_822_519)).wrapping_mul(3_266_489_917).to_be_bytes()[0] / 2
}

fn tick(y: u32, step: f64, count: u32) -> Option<u32> {
    (0..count).find(|n| (f64::from(*n) * step + 30.0).floor() as u32 == y)
}

#[test]
fn ticks_beside_a_picture_are_found_to_a_thousandth_of_their_step() {
    let f = frame(400, 420, |x, y| match tick(y, 19.59, 19) {
        Some(n) if x >= 380 && x < if n % 5 == 0 { 390 } else { 385 } => 200,
        _ if x < 360 => grain(x, y),
        _ => 0,
    });
    let rows = find_ticks(&f);
    let r = &rows[0];
    assert_eq!((r.along, r.count, r.larger_every), (Along::Down, 19, Some(5)), "{rows:?}");
    assert!((r.step_px / 19.59 - 1.0).abs() < 1.5e-3 && (r.at_px - 380.0).abs() < 1.0, "{r:?}");
    assert!((r.step_px - 19.59).abs() < 3.0 * r.u_step_px);
    assert!(rows.iter().all(|r| r.along == Along::Down));
}

#[test]
fn a_missing_tick_and_a_letter_between_do_not_hide_a_row() {
    let f = frame(300, 420, |x, y| {
        let there = tick(y, 24.0, 15).filter(|n| *n != 6);
        if (there.is_some() && (280..284).contains(&x)) || ((180..183).contains(&y) && (280..283).contains(&x)) { 255 } else { 0 }
    });
    let r = &find_ticks(&f)[0];
    assert_eq!(r.count, 14);
    assert!((r.step_px - 24.0).abs() < 0.01, "{r:?}");
    assert_eq!(r.larger_every, None);
}

#[test]
fn a_ruler_across_is_one_across() {
    let f = frame(500, 300, |x, y| if tick(x, 31.3, 13).is_some() && (280..286).contains(&y) { 255 } else { 0 });
    let rows = find_ticks(&f);
    assert_eq!((rows.len(), rows[0].along, rows[0].count), (1, Along::Across, 13), "{rows:?}");
    assert!((rows[0].step_px / 31.3 - 1.0).abs() < 2e-3);
}

#[test]
fn grain_has_no_ticks_and_neither_has_a_black_or_a_tiny_picture() {
    assert!(find_ticks(&frame(400, 400, grain)).is_empty());
    assert!(find_ticks(&frame(400, 400, |_, _| 0)).is_empty());
    assert!(find_ticks(&frame(8, 8, |_, _| 255)).is_empty());
    let uneven =
        frame(200, 400, |x, y| if [20, 52, 70, 101, 160, 170, 230, 301, 377].contains(&y) && (180..184).contains(&x) { 255 } else { 0 });
    assert!(find_ticks(&uneven).is_empty());
}
