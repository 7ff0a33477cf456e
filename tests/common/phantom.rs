//! How well phantom checks recover a known scale: on drawn frames, and on many sets of pins without a picture.

use osspan::phantom::made::{Seen, seen};
use osspan::phantom::{Check, check, fit, phantom};
use osspan::units::PxPoint;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::coverage::normal_pair;

/// Frames of each phantom.
pub const FRAMES: u64 = 8;
/// Sets of pins of each phantom.
pub const SETS: usize = 2000;

/// What was found on drawn frames of one phantom.
pub struct OnFrames {
    /// Largest relative error of a scale (across, down).
    pub worst: [f64; 2],
    /// Largest error of the rotation, degrees.
    pub rotation: f64,
    /// Largest error of the shear.
    pub shear: f64,
}

fn distortion(seed: u64) -> Seen {
    let mut r = ChaCha8Rng::seed_from_u64(seed);
    let mut between = |low: f64, high: f64| low + (high - low) * ((r.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0);
    let mm = [between(0.15, 0.22), between(0.13, 0.22)];
    Seen {
        mm_per_px: mm,
        header_mm_per_px: [mm[0] * between(0.96, 1.04), mm[1] * between(0.96, 1.04)],
        rotation_degrees: between(-8.0, 8.0),
        shear: between(-0.03, 0.03),
        seed,
        ..Seen::default()
    }
}

/// Drawn frames whose pins are exactly in place: random pixel sizes, a header up to 4 % wrong, turned by up to 8°, sheared by
/// up to 3 %.
pub fn on_frames(id: &str) -> OnFrames {
    let d = phantom(id).expect("a phantom");
    let mut out = OnFrames { worst: [0.0; 2], rotation: 0.0, shear: 0.0 };
    for seed in 1..=FRAMES {
        let how = distortion(seed);
        let (frame, geometry, _) = seen(&d, &how);
        let Check { fit: f, .. } = check(&frame, &geometry, &d).expect("a check");
        out.worst[0] = out.worst[0].max((f.mm_per_px_x / how.mm_per_px[0] - 1.0).abs());
        out.worst[1] = out.worst[1].max((f.mm_per_px_y / how.mm_per_px[1] - 1.0).abs());
        out.rotation = out.rotation.max((f.rotation_degrees - how.rotation_degrees).abs());
        out.shear = out.shear.max((f.shear - how.shear).abs());
    }
    out
}

/// Share of 95 % intervals that hold the true scale (across, down), for pins misplaced by 0.15 mm across and 0.08 mm down,
/// one in twenty sets with one pin 3 mm off.
pub fn coverage(id: &str) -> [f64; 2] {
    let pins = phantom(id).expect("a phantom").pins();
    let mut r = ChaCha8Rng::seed_from_u64(77);
    let mut held = [0_usize; 2];
    for set in 0..SETS {
        let (sx, sy) = (0.2, 0.18);
        let places: Vec<_> = pins
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let astray = if set % 20 == 0 && i == set / 20 % pins.len() { 3.0 } else { 0.0 };
                let (a, b) = normal_pair(&mut r);
                (i, *p, PxPoint::new(200.0 + (p[0] + 0.15 * a) / sx, 60.0 + (p[1] + 0.08 * b + astray) / sy))
            })
            .collect();
        let f = fit(&places).expect("a fit");
        let t = f.t95();
        held[0] += usize::from((f.mm_per_px_x / sx - 1.0).abs() <= t * f.u_rel_x);
        held[1] += usize::from((f.mm_per_px_y / sy - 1.0).abs() <= t * f.u_rel_y);
    }
    held.map(|n| n as f64 / SETS as f64)
}
