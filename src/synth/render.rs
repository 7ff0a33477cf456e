//! From an anatomy to the samples of a frame: tissue properties, compression to greys, and layout in pixels.

use rayon::prelude::*;

use super::anatomy::Anatomy;
use super::field::{Envelope, Field, SURFACES, Spot};
use super::noise::Noise;
use super::scanner::{Hold, Scanner};
use super::shape::{At, Shape, Tissue};
use crate::error::Result;

/// Range of echoes shown, dB below full white.
const SHOWN_DB: f64 = 60.0;

/// What fixes the random part of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seed {
    /// The tissue: frames of one sweep share it, so that speckle moves with the tissue.
    pub tissue: u64,
    /// The frame: the receiver's noise is new in each; below 2²⁰.
    pub shot: u32,
}

/// Mean echo (dB below full white) and loss (dB per mm there and back). Chosen by eye against textbook descriptions.
const fn echo_and_loss(tissue: Tissue) -> (f64, f64) {
    match tissue {
        Tissue::Around => (-43.0, 0.28),
        Tissue::Myometrium => (-38.0, 0.28),
        Tissue::CervicalStroma => (-32.0, 0.28),
        Tissue::CervicalGlands => (-44.0, 0.28),
        Tissue::Canal => (-12.0, 0.28),
        Tissue::Placenta => (-23.0, 0.28),
        Tissue::ClearZone => (-50.0, 0.24),
        Tissue::Fluid | Tissue::Urine => (-90.0, 0.14),
        Tissue::BladderWall => (-31.0, 0.28),
        Tissue::Skull => (-10.0, 8.0),
        Tissue::Brain => (-42.0, 0.28),
        Tissue::Blood => (-62.0, 0.20),
        Tissue::VesselWall => (-24.0, 0.28),
    }
}

/// Reflection of each surface of a [`super::shape::Local`] where it faces the beam, dB below full white.
const SURFACE_DB: [f64; SURFACES] = [-19.0, -18.0, -17.0, -10.0, -30.0, -20.0];

/// Noise of the receiver after the time gain, dB below full white, at a depth in mm.
fn receiver_noise_db(depth: f64) -> f64 {
    0.12 * depth - 66.0
}

/// The samples of one frame, 8-bit grey, `scanner.rows() × scanner.columns()`.
///
/// # Errors
/// When the anatomy or the scanner is not possible; see their `validate`.
pub fn render(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, seed: Seed) -> Result<Vec<u8>> {
    anatomy.validate()?;
    scanner.validate()?;
    let shape = Shape::new(*anatomy);
    let texture = Texture::new(seed.tissue);
    let medium = |p: At| {
        let here = shape.at(p);
        let (echo, loss_db_per_mm) = echo_and_loss(here.tissue);
        let uneven = match here.tissue {
            Tissue::Around => 2.0,
            Tissue::Placenta => 0.5,
            _ => 1.0,
        };
        let mut surfaces = [(0.0, 0.0); SURFACES];
        for ((pair, distance), strength) in surfaces.iter_mut().zip(here.surfaces).zip(SURFACE_DB) {
            *pair = (distance, strength);
        }
        Spot { echo_db: echo + uneven * texture.at(p), loss_db_per_mm, surfaces }
    };
    let field = Field::of_medium(scanner, hold, seed.tissue, medium);
    Ok(picture(scanner, &field.envelope(seed.tissue, u64::from(seed.shot), receiver_noise_db)))
}

/// Slow unevenness of the tissue, so that no region is one flat grey: a few waves of random direction.
struct Texture([(At, f64); 6]);

impl Texture {
    fn new(seed: u64) -> Self {
        let mut noise = Noise::new(seed, u64::MAX);
        Self(std::array::from_fn(|_| {
            let wavelength = noise.between(5.0, 18.0);
            let (sin, cos) = libm::sincos(noise.between(0.0, std::f64::consts::TAU));
            let k = std::f64::consts::TAU / wavelength;
            (At::new(k * cos, k * sin), noise.between(0.0, std::f64::consts::TAU))
        }))
    }

    /// dB, about −2 to 2.
    fn at(&self, p: At) -> f64 {
        self.0.iter().map(|&(k, phase)| libm::sin(k.dot(p) + phase)).sum::<f64>() * 0.8
    }
}

/// Compresses an envelope to greys, lays it out in pixels by bilinear interpolation, and draws the depth marks.
pub(crate) fn picture(scanner: &Scanner, envelope: &Envelope) -> Vec<u8> {
    let grey: Vec<f64> =
        envelope.amplitude.par_iter().map(|a| (255.0 * (1.0 + 20.0 * libm::log10(a + 1e-9) / SHOWN_DB)).clamp(0.0, 255.0)).collect();
    let (columns, rows) = (scanner.columns(), scanner.rows());
    let (depths, beams) = (envelope.depths, envelope.beams);
    let sample = |column: u32, row: u32| {
        let (depth, angle) = scanner.polar(scanner.pixel_at(column, row));
        let (d, b) = (depth / envelope.depth_step_mm, scanner.beam_of(angle, beams));
        if d < 0.0 || b < 0.0 || d >= (depths - 1) as f64 || b >= (beams - 1) as f64 {
            return 0;
        }
        let (i, k) = (d as usize, b as usize);
        let (fd, fb) = (d - i as f64, b - k as f64);
        let at = i * beams + k;
        let near = grey[at] * (1.0 - fb) + grey[at + 1] * fb;
        let far = grey[at + beams] * (1.0 - fb) + grey[at + beams + 1] * fb;
        libm::round(near * (1.0 - fd) + far * fd) as u8
    };
    let mut out: Vec<u8> = (0..rows).into_par_iter().flat_map_iter(|row| (0..columns).map(move |column| sample(column, row))).collect();
    for (y, fifth) in scanner.depth_marks() {
        let (first, length) = scanner.mark_columns(fifth);
        let row = libm::floor(y) as u32;
        for column in first..first + length {
            if let Some(sample) = out.get_mut((row * columns + column) as usize) {
                *sample = 200;
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    const SCANNER: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x: 0.4, mm_per_px_y: 0.4 };
    const HOLD: Hold = Hold { os_x_mm: 2.0, os_y_mm: 32.0, turn_degrees: 0.0 };

    fn draw(tissue: u64, shot: u32) -> Vec<u8> {
        render(&Anatomy::posterior(14.0), &SCANNER, &HOLD, Seed { tissue, shot }).unwrap()
    }

    #[test]
    fn the_bytes_do_not_depend_on_threads_or_runs() {
        let with = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap().install(|| draw(3, 0));
        let one = with(1);
        assert!(one == with(3));
        assert!(one != draw(4, 0) && one != draw(3, 1));
    }

    #[test]
    fn tissues_have_the_greys_that_name_them() {
        let samples = draw(5, 0);
        let shape = Shape::new(Anatomy::posterior(14.0));
        let mean = |tissue: Tissue| {
            let (mut sum, mut n) = (0.0, 0.0);
            for row in 0..SCANNER.rows() {
                for column in 0..SCANNER.columns() {
                    let p = SCANNER.pixel_at(column, row);
                    let here = shape.at(HOLD.to_anatomy(p));
                    if SCANNER.sees(p) && here.tissue == tissue && here.surfaces.iter().all(|s| s.abs() > 1.5) {
                        sum += f64::from(samples[(row * SCANNER.columns() + column) as usize]);
                        n += 1.0;
                    }
                }
            }
            assert!(n > 20.0, "{tissue:?} is not in view");
            sum / n
        };
        assert!(mean(Tissue::Urine) < 12.0, "{}", mean(Tissue::Urine));
        assert!(mean(Tissue::Fluid) < 12.0, "{}", mean(Tissue::Fluid));
        assert!(mean(Tissue::Placenta) > mean(Tissue::Myometrium) + 25.0);
        assert!(mean(Tissue::CervicalStroma) > mean(Tissue::CervicalGlands) + 15.0);
    }

    /// The same tissue under a probe that slid by whole pixels: the speckle goes along.
    #[test]
    fn speckle_moves_with_the_tissue() {
        let moved = Hold { os_x_mm: HOLD.os_x_mm + 2.0 * SCANNER.mm_per_px_x, ..HOLD };
        let (a, b) = (draw(6, 0), render(&Anatomy::posterior(14.0), &SCANNER, &moved, Seed { tissue: 6, shot: 1 }).unwrap());
        let mean_step = |shift: usize| {
            let (w, mid) = (SCANNER.columns() as usize, SCANNER.rows() as usize / 2);
            // Cervix right of the middle.
            let cells = (mid - 15..mid + 5).flat_map(|r| (w / 2 + 15..w / 2 + 60).map(move |c| r * w + c));
            cells.map(|i| f64::from(a[i].abs_diff(b[i + shift]))).sum::<f64>() / 900.0
        };
        assert!(mean_step(2) < 0.6 * mean_step(0), "{} and {}", mean_step(2), mean_step(0));
    }
}
