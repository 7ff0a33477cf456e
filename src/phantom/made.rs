//! Synthetic frames of a phantom with a known distortion, for tests, figures and the sample.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::Definition;
use crate::digest::sha256_hex;
use crate::frame::{Frame, FrameId, Geometry, RawRegion, Samples};

/// Empty picture around the pins, mm.
const MARGIN_MM: f64 = 9.0;

/// How a phantom is seen. The frame is sized to hold it.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// True millimetres per pixel (across, down); 0.02 to 1.
    pub mm_per_px: [f64; 2],
    /// What the header says, mm per px (across, down).
    pub header_mm_per_px: [f64; 2],
    /// How the phantom lies turned, degrees, positive clockwise.
    pub rotation_degrees: f64,
    /// Columns move by this many mm a mm of depth.
    pub shear: f64,
    /// Change of the scale from the middle of the phantom, relative a mm (across, down).
    pub bend: [f64; 2],
    /// Left and right exchanged.
    pub mirrored: bool,
    /// Rows of the phantom that are not there.
    pub without_rows: Vec<usize>,
    /// SD of each pin's place, mm (across, down).
    pub pin_sd_mm: [f64; 2],
    /// Mean grey of the speckle behind the pins, 0 to 100.
    pub speckle: f64,
    /// Bright points that are no pins.
    pub extra: usize,
    /// Fixes every random part.
    pub seed: u64,
}

impl Default for Seen {
    fn default() -> Self {
        Self {
            mm_per_px: [0.12, 0.12],
            header_mm_per_px: [0.12, 0.12],
            rotation_degrees: 0.0,
            shear: 0.0,
            bend: [0.0; 2],
            mirrored: false,
            without_rows: Vec::new(),
            pin_sd_mm: [0.0; 2],
            speckle: 18.0,
            extra: 0,
            seed: 1,
        }
    }
}

struct Random(ChaCha8Rng);

impl Random {
    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    fn normal(&mut self) -> f64 {
        libm::sqrt(-2.0 * libm::log(1.0 - self.unit())) * libm::cos(std::f64::consts::TAU * self.unit())
    }
}

/// The frame, its header, and where each pin that is there lies in it, px, with its number in the phantom.
#[must_use]
pub fn seen(phantom: &Definition, how: &Seen) -> (Frame, Geometry, Vec<(usize, [f64; 2])>) {
    let mut random = Random(ChaCha8Rng::seed_from_u64(how.seed));
    let mm = how.mm_per_px.map(|s| s.clamp(0.02, 1.0));
    let places = phantom.pins();
    let [wide, high] = phantom.extent_mm();
    let low = [0, 1].map(|k| places.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min));
    let middle = [low[0] + wide / 2.0, low[1] + high / 2.0];
    let columns = (((wide + 2.0 * MARGIN_MM) / mm[0]).ceil() as u32).clamp(16, 4000);
    let rows = (((high + 2.0 * MARGIN_MM) / mm[1]).ceil() as u32).clamp(16, 4000);
    let (sin, cos) = how.rotation_degrees.to_radians().sin_cos();
    let mut first = 0;
    let mut gone = Vec::new();
    for (i, row) in phantom.rows.iter().enumerate() {
        if how.without_rows.contains(&i) {
            gone.extend(first..first + row.across_mm.len());
        }
        first += row.across_mm.len();
    }
    let to_px = |p: [f64; 2]| {
        let x = if how.mirrored { middle[0] - p[0] } else { p[0] - middle[0] };
        let y = p[1] - middle[1];
        let q = [cos * x - sin * y, sin * x + cos * y];
        let q = [q[0] + how.shear * q[1], q[1]];
        // The scale changes linearly from the middle: places by half that times the square.
        let q = [q[0] * (1.0 - 0.5 * how.bend[0] * q[0]), q[1] * (1.0 - 0.5 * how.bend[1] * q[1])];
        [f64::from(columns) / 2.0 + q[0] / mm[0], f64::from(rows) / 2.0 + q[1] / mm[1]]
    };
    let mut truth = Vec::new();
    for (i, p) in places.iter().enumerate() {
        let off = [random.normal() * how.pin_sd_mm[0], random.normal() * how.pin_sd_mm[1]];
        if !gone.contains(&i) {
            truth.push((i, to_px([p[0] + off[0], p[1] + off[1]])));
        }
    }
    let others: Vec<[f64; 2]> =
        (0..how.extra).map(|_| [random.unit() * f64::from(columns - 1), random.unit() * f64::from(rows - 1)]).collect();
    let spots: Vec<[f64; 2]> = truth.iter().map(|t| t.1).chain(others).collect();
    let samples = draw(columns, rows, mm, &spots, how.speckle, &mut random);
    let region = RawRegion::of_tissue([0, 0, columns - 1, rows - 1], [how.header_mm_per_px[0] / 10.0, how.header_mm_per_px[1] / 10.0]);
    let geometry = Geometry { rows, columns, regions: vec![region], ..Geometry::default() };
    let sha256 = sha256_hex(&samples);
    let id = FrameId { sha256, sop_instance_uid: None, frame_number: 1 };
    (Frame { id, width: columns, height: rows, samples: Samples::Gray8(samples) }, geometry, truth)
}

/// Spots on speckle: wider across than down, and the deeper the wider.
fn draw(columns: u32, rows: u32, mm: [f64; 2], spots: &[[f64; 2]], speckle: f64, random: &mut Random) -> Vec<u8> {
    let (w, h) = (columns as usize, rows as usize);
    // Rayleigh greys, smoothed over three columns so that grains are wider than high.
    let grain: Vec<f64> = (0..w * h).map(|_| speckle * 0.8 * libm::sqrt(-2.0 * libm::log(1.0 - random.unit()))).collect();
    let mut picture: Vec<f64> = (0..w * h)
        .map(|i| {
            let x = i % w;
            let left = if x > 0 { grain.get(i - 1) } else { grain.get(i) };
            let right = if x + 1 < w { grain.get(i + 1) } else { grain.get(i) };
            (left.unwrap_or(&0.0) + grain.get(i).unwrap_or(&0.0) + right.unwrap_or(&0.0)) / 3.0
        })
        .collect();
    for at in spots {
        let depth = at[1] * mm[1];
        let sd = [(0.45 + 0.01 * depth) / mm[0], 0.3 / mm[1]];
        let reach = sd.map(|s| (4.0 * s).ceil());
        let range = |k: usize, size: usize| (at[k] - reach[k]).max(0.0) as usize..=((at[k] + reach[k]).max(0.0) as usize).min(size - 1);
        for y in range(1, h) {
            for x in range(0, w) {
                let d = ((x as f64 + 0.5 - at[0]) / sd[0]).powi(2) + ((y as f64 + 0.5 - at[1]) / sd[1]).powi(2);
                if let Some(p) = picture.get_mut(y * w + x) {
                    *p += 200.0 * libm::exp(-0.5 * d);
                }
            }
        }
    }
    picture.into_iter().map(|v| v.round().clamp(0.0, 255.0) as u8).collect()
}
