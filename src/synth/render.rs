//! From an anatomy to the samples of a frame.
//!
//! The picture is formed in the probe's own grid of beams and depths: every sample gets a complex random echo whose mean
//! power is its tissue's, the echoes are smeared by the width of the pulse and of the beam (which makes speckle), the
//! noise of the receiver is added, and the size of the sum is compressed to a grey and laid out in pixels.
//!
//! # Reproducibility
//!
//! Same input, same bytes: each beam has its own random stream, sums run in a fixed order, and elementary functions come
//! from one library. The number of threads cannot change a sample.

use rayon::prelude::*;

use super::anatomy::Anatomy;
use super::noise::Noise;
use super::scanner::{Hold, Scanner};
use super::shape::{At, Local, Shape, Tissue};
use crate::error::Result;

/// Beams across the sector.
const BEAMS: usize = 256;
/// Depth step of the grid, mm.
const STEP_MM: f64 = 0.12;
/// Half-length of the pulse, one SD, in depth steps.
const PULSE_STEPS: f64 = 2.0;
/// Half-width of the beam at its focus, one SD, in beams.
const BEAM_AT_FOCUS: f64 = 1.0;
/// Depth of the focus, mm.
const FOCUS_MM: f64 = 32.0;
/// Range of echoes shown, dB below full white.
const SHOWN_DB: f64 = 60.0;
/// Half-thickness of a reflecting surface, one SD, mm.
const SURFACE_MM: f64 = 0.3;
/// Loss that the gain makes up for, dB per mm there and back.
const GAIN_DB_PER_MM: f64 = 0.28;

/// Mean echo (dB below full white) and loss (dB per mm there and back, after the machine's own evening-out).
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
    }
}

/// Reflection of each surface of [`Local::surfaces`] where it faces the beam, dB below full white.
const SURFACE_DB: [f64; 5] = [-19.0, -18.0, -17.0, -10.0, -30.0];

/// The samples of one frame, 8-bit grey, `scanner.rows() × scanner.columns()`.
///
/// # Errors
/// When the anatomy or the scanner is not possible; see their `validate`.
pub fn render(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, seed: u64) -> Result<Vec<u8>> {
    anatomy.validate()?;
    scanner.validate()?;
    let shape = Shape::new(*anatomy);
    let depths = (scanner.depth_mm / STEP_MM) as usize + 1;
    let half = scanner.half_angle_degrees.to_radians();
    let texture = Texture::new(seed);
    let beams: Vec<Vec<[f64; 2]>> = (0..BEAMS)
        .into_par_iter()
        .map(|b| {
            let angle = half * (2.0 * b as f64 / (BEAMS - 1) as f64 - 1.0);
            let scene = |depth: f64| {
                let p = hold.to_anatomy(scanner.at_polar(depth, angle));
                (p, shape.at(p))
            };
            beam(scene, depths, &texture, &mut Noise::new(seed, b as u64))
        })
        .collect();
    let grey = compress(&beams, depths, seed);
    Ok(scan_convert(scanner, &grey, depths))
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

/// The echoes of one beam, smeared by the length of the pulse: real and imaginary part of each depth.
fn beam(scene: impl Fn(f64) -> (At, Local), depths: usize, texture: &Texture, noise: &mut Noise) -> Vec<[f64; 2]> {
    let mut echoes = vec![[0.0; 2]; depths];
    let mut made_up_for = 0.0;
    let (_, mut before) = scene(-STEP_MM);
    for (i, echo) in echoes.iter_mut().enumerate() {
        let depth = i as f64 * STEP_MM;
        let (p, here) = scene(depth);
        let (level, loss) = echo_and_loss(here.tissue);
        made_up_for += (GAIN_DB_PER_MM - loss) * STEP_MM;
        let uneven = match here.tissue {
            Tissue::Around => 2.0,
            Tissue::Placenta => 0.5,
            _ => 1.0,
        };
        let mut power = decibels(level + uneven * texture.at(p));
        // The first millimetres lie against the probe and ring.
        power += decibels(-14.0 - 9.0 * depth);
        for ((now, then), strength) in here.surfaces.iter().zip(before.surfaces).zip(SURFACE_DB) {
            if now.abs() < 4.0 * SURFACE_MM {
                // How squarely the beam meets the surface: change of distance along the beam.
                let square = ((now - then) / STEP_MM).clamp(-1.0, 1.0);
                let near = now / SURFACE_MM;
                power += decibels(strength) * libm::exp(-0.5 * near * near) * (0.06 + 0.94 * square * square);
            }
        }
        let size = libm::sqrt(0.5 * power * decibels(made_up_for.min(7.0)));
        let (re, im) = noise.normal_pair();
        *echo = [size * re, size * im];
        before = here;
    }
    let pulse = kernel(PULSE_STEPS);
    (0..depths).map(|i| smear(&pulse, i, depths, |j| echoes[j])).collect()
}

/// Smears across beams, adds the receiver's noise and compresses: grey from 0 to 255 for each beam and depth.
fn compress(beams: &[Vec<[f64; 2]>], depths: usize, seed: u64) -> Vec<Vec<f64>> {
    // The beam widens away from its focus.
    let across: Vec<Vec<f64>> =
        (0..depths).map(|i| kernel(BEAM_AT_FOCUS * (1.0 + 0.6 * (i as f64 * STEP_MM - FOCUS_MM).abs() / FOCUS_MM))).collect();
    (0..BEAMS)
        .into_par_iter()
        .map(|b| {
            let mut receiver = Noise::new(seed, (BEAMS + b) as u64);
            (0..depths)
                .map(|i| {
                    let [re, im] = smear(&across[i], b, BEAMS, |k| beams[k][i]);
                    let (nr, ni) = receiver.normal_pair();
                    let size = libm::sqrt(0.5 * decibels(-66.0 + 0.12 * i as f64 * STEP_MM));
                    let (re, im) = (re + size * nr, im + size * ni);
                    let level = 10.0 * libm::log10(re * re + im * im + 1e-12);
                    (255.0 * (1.0 + level / SHOWN_DB)).clamp(0.0, 255.0)
                })
                .collect()
        })
        .collect()
}

/// Lays the grid out in pixels by bilinear interpolation, and draws the depth marks.
fn scan_convert(scanner: &Scanner, grey: &[Vec<f64>], depths: usize) -> Vec<u8> {
    let (columns, rows) = (scanner.columns(), scanner.rows());
    let half = scanner.half_angle_degrees.to_radians();
    let mut out: Vec<u8> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            (0..columns).map(move |column| {
                let p = scanner.pixel_at(column, row);
                let (depth, angle) = scanner.polar(p);
                let (d, b) = (depth / STEP_MM, (angle / half + 1.0) * 0.5 * (BEAMS - 1) as f64);
                if d < 0.0 || b < 0.0 || d >= (depths - 1) as f64 || b >= (BEAMS - 1) as f64 {
                    return 0;
                }
                let (i, k) = (d as usize, b as usize);
                let (fd, fb) = (d - i as f64, b - k as f64);
                let left = grey[k][i] * (1.0 - fd) + grey[k][i + 1] * fd;
                let right = grey[k + 1][i] * (1.0 - fd) + grey[k + 1][i + 1] * fd;
                libm::round(left * (1.0 - fb) + right * fb) as u8
            })
        })
        .collect();
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

/// Power of a level in dB.
fn decibels(level: f64) -> f64 {
    libm::exp(level * (std::f64::consts::LN_10 / 10.0))
}

/// A Gaussian of standard deviation `sd` samples, out to 3 SD, that keeps the mean power of white noise.
fn kernel(sd: f64) -> Vec<f64> {
    let reach = libm::ceil(3.0 * sd) as i32;
    let raw: Vec<f64> = (-reach..=reach).map(|k| libm::exp(-0.5 * f64::from(k) * f64::from(k) / (sd * sd))).collect();
    let norm = libm::sqrt(raw.iter().map(|v| v * v).sum::<f64>());
    raw.into_iter().map(|v| v / norm).collect()
}

/// One output of a convolution; samples beyond the ends are the end samples' neighbours by clamping.
fn smear(kernel: &[f64], at: usize, length: usize, sample: impl Fn(usize) -> [f64; 2]) -> [f64; 2] {
    let reach = kernel.len() / 2;
    let mut sum = [0.0; 2];
    for (k, weight) in kernel.iter().enumerate() {
        let j = (at + k).saturating_sub(reach).min(length - 1);
        let [re, im] = sample(j);
        sum[0] += weight * re;
        sum[1] += weight * im;
    }
    sum
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    const SCANNER: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x: 0.4, mm_per_px_y: 0.4 };
    const HOLD: Hold = Hold { os_x_mm: 2.0, os_y_mm: 32.0, turn_degrees: 0.0 };

    #[test]
    fn the_bytes_do_not_depend_on_threads_or_runs() {
        let draw = || render(&Anatomy::posterior(14.0), &SCANNER, &HOLD, 3).unwrap();
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(draw);
        let three = rayon::ThreadPoolBuilder::new().num_threads(3).build().unwrap().install(draw);
        assert!(one == three);
        assert!(one != render(&Anatomy::posterior(14.0), &SCANNER, &HOLD, 4).unwrap());
    }

    #[test]
    fn tissues_have_the_greys_that_name_them() {
        let anatomy = Anatomy::posterior(14.0);
        let samples = render(&anatomy, &SCANNER, &HOLD, 5).unwrap();
        let shape = Shape::new(anatomy);
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
}
