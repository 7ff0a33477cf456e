//! From an anatomy to the samples of a frame: compression to greys, and layout in pixels.

use rayon::prelude::*;

use super::anatomy::Anatomy;
use super::field::{Envelope, Field, Spot};
use super::fit;
use super::scanner::{Hold, Scanner};
use super::shape::{At, Shape};
use super::texture::Texture;
use super::tissue::{Plane, SURFACE_DB, SURFACES};
use crate::error::{Error, ErrorKind, Result};

/// Smoothing of the greys along depth and across beams before they are laid out, as scanners do: one SD, in grid steps.
const SMOOTHED: f64 = 1.1;
/// Thickness of the vaginal wall against the probe, mm, and its mean echo, dB below full white.
const VAGINAL_WALL: (f64, f64) = (4.5, -28.0);

/// What fixes the random part of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seed {
    /// The tissue: frames of one sweep share it, so that speckle moves with the tissue.
    pub tissue: u64,
    /// The frame: the receiver's noise is new in each; below 2²⁰.
    pub shot: u32,
}

/// How echoes become greys.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Range of echoes shown, dB, 30 to 90: the fewer, the harder the picture.
    pub shown_db: f64,
    /// Gain over the usual, dB, −30 to 30.
    pub gain_db: f64,
    /// Noise of the receiver over the usual, dB, −20 to 40.
    pub noise_db: f64,
    /// Difference between the tissues, as a share of the usual, 0.1 to 1.5: the less, the harder they are to tell apart.
    pub contrast: f64,
}

impl Default for Look {
    fn default() -> Self {
        Self { shown_db: 60.0, gain_db: 0.0, noise_db: 0.0, contrast: 1.0 }
    }
}

impl Look {
    /// Checks every range.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] that names the first number out of its range.
    pub fn validate(&self) -> Result<()> {
        for (what, value, least, greatest) in [
            ("range shown (dB)", self.shown_db, 30.0, 90.0),
            ("gain (dB)", self.gain_db, -30.0, 30.0),
            ("noise (dB)", self.noise_db, -20.0, 40.0),
            ("contrast", self.contrast, 0.1, 1.5),
        ] {
            if !(least..=greatest).contains(&value) {
                return Err(Error::new(ErrorKind::Invalid, format!("a synthetic frame cannot have this {what}"))
                    .expected(format!("{least} to {greatest}"))
                    .found(value.to_string()));
            }
        }
        Ok(())
    }

    /// Grey of an amplitude, 0 to 255: logarithm, then a curve that darkens the dark and leaves both ends.
    fn grey(&self, amplitude: f64) -> f64 {
        let level = (1.0 + (20.0 * libm::log10(amplitude + 1e-9) + self.gain_db) / self.shown_db).clamp(0.0, 1.0);
        255.0 * level * (0.75 + 0.5 * level - 0.25 * level * level)
    }
}

/// Level about which tissues are brought together when the contrast is low, dB below full white.
const MIDDLE_DB: f64 = -34.0;

/// Noise of the receiver after the time gain, dB below full white, at a depth in mm.
fn receiver_noise_db(depth: f64) -> f64 {
    0.12 * depth - 66.0
}

/// The samples of one frame, 8-bit grey, `scanner.rows() × scanner.columns()`, with the usual look.
///
/// # Errors
/// When the anatomy, the scanner or the hold is not possible; see their `validate`.
pub fn render(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, seed: Seed) -> Result<Vec<u8>> {
    render_as(anatomy, scanner, hold, seed, &Look::default())
}

/// The samples of one frame with a look of its own.
///
/// # Errors
/// When the anatomy, the scanner, the hold or the look is not possible; see their `validate`.
pub fn render_as(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, seed: Seed, look: &Look) -> Result<Vec<u8>> {
    anatomy.validate()?;
    scanner.validate()?;
    look.validate()?;
    fit::check_view(anatomy, scanner, hold)?;
    let plane = Plane::new(Shape::new(*anatomy), Texture::new(seed.tissue));
    let medium = |p: At, depth: f64| {
        let here = plane.at(p);
        let (mut echo, loss_db_per_mm) = here.tissue.echo_and_loss();
        if echo > -60.0 {
            echo = MIDDLE_DB + (echo - MIDDLE_DB) * look.contrast;
        }
        let mut spot = Spot { echo_db: echo + here.uneven_db, loss_db_per_mm, surfaces: [(0.0, 0.0); SURFACES] };
        for ((pair, distance), strength) in spot.surfaces.iter_mut().zip(here.surfaces).zip(SURFACE_DB) {
            *pair = (distance, strength);
        }
        // The wall of the vagina lies between the probe and all else.
        let (thick, level) = VAGINAL_WALL;
        if depth < thick && spot.echo_db > -60.0 {
            spot.echo_db += (level - spot.echo_db) * (2.0 * (thick - depth) / thick).min(1.0);
        }
        spot
    };
    let field = Field::of_medium(scanner, hold, seed.tissue, medium);
    let envelope = field.envelope(seed.tissue, u64::from(seed.shot), |depth| receiver_noise_db(depth) + look.noise_db);
    Ok(picture(scanner, &envelope, look))
}

/// Compresses an envelope to greys, smooths them, lays them out in pixels by bilinear interpolation, and draws the depth
/// marks.
pub(crate) fn picture(scanner: &Scanner, envelope: &Envelope, look: &Look) -> Vec<u8> {
    let (depths, beams) = (envelope.depths, envelope.beams);
    let grey = smoothed(envelope.amplitude.par_iter().map(|&a| look.grey(a)).collect(), depths, beams);
    let (columns, rows) = (scanner.columns(), scanner.rows());
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

/// Greys smeared by five points along depth and across beams; the ends are repeated.
fn smoothed(grey: Vec<f64>, depths: usize, beams: usize) -> Vec<f64> {
    let weight = |k: i32| libm::exp(-0.5 * f64::from(k * k) / (SMOOTHED * SMOOTHED));
    let sum: f64 = (-2..=2).map(weight).sum();
    let w = [weight(0) / sum, weight(1) / sum, weight(2) / sum];
    let five = |at: &dyn Fn(isize) -> f64| w[0] * at(0) + w[1] * (at(-1) + at(1)) + w[2] * (at(-2) + at(2));
    let near = |k: usize, step: isize, n: usize| k.saturating_add_signed(step).min(n - 1);
    let mut across = vec![0.0; grey.len()];
    across.par_chunks_mut(beams).zip(grey.par_chunks(beams)).for_each(|(out, row)| {
        for (b, value) in out.iter_mut().enumerate() {
            *value = five(&|step| row[near(b, step, beams)]);
        }
    });
    let mut out = vec![0.0; grey.len()];
    out.par_chunks_mut(beams).enumerate().for_each(|(i, row)| {
        let rows = [-2, -1, 0, 1, 2].map(|step| &across[near(i, step, depths) * beams..][..beams]);
        for (b, value) in row.iter_mut().enumerate() {
            *value = w[2] * (rows[0][b] + rows[4][b]) + w[1] * (rows[1][b] + rows[3][b]) + w[0] * rows[2][b];
        }
    });
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::super::tissue::Tissue;
    use super::*;

    const SCANNER: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 0.4, mm_per_px_y: 0.4 };
    const HOLD: Hold = Hold { os_x_mm: 3.0, os_y_mm: 34.0, turn_degrees: 0.0 };

    fn draw(tissue: u64, shot: u32) -> Vec<u8> {
        render(&Anatomy::posterior(14.0), &SCANNER, &HOLD, Seed { tissue, shot }).unwrap()
    }

    #[test]
    fn the_bytes_do_not_depend_on_threads_or_runs() {
        let with = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap().install(|| draw(3, 0));
        let one = with(1);
        assert!([2, 3, 7].into_iter().all(|n| one == with(n)));
        assert!(one != draw(4, 0) && one != draw(3, 1));
        // On every machine and in every run. A meant change of the picture changes this, and the sample exam.
        let digest: String = crate::digest::sha256_hex(&one).chars().take(16).collect();
        assert_eq!(digest, "997fdff5affc1071");
    }

    /// Mean grey of a tissue, away from reflecting surfaces.
    fn mean(samples: &[u8], wanted: impl Fn(Tissue, f64) -> bool) -> f64 {
        let plane = Plane::new(Shape::new(Anatomy::posterior(14.0)), Texture::new(5));
        let (mut sum, mut n) = (0.0, 0.0);
        for row in 0..SCANNER.rows() {
            for column in 0..SCANNER.columns() {
                let p = SCANNER.pixel_at(column, row);
                let here = plane.at(HOLD.to_anatomy(p));
                let depth = SCANNER.polar(p).0;
                if SCANNER.sees(p) && wanted(here.tissue, depth) && here.surfaces.iter().all(|s| s.abs() > 1.5) && depth > 8.0 {
                    sum += f64::from(samples[(row * SCANNER.columns() + column) as usize]);
                    n += 1.0;
                }
            }
        }
        assert!(n > 20.0, "not in view");
        sum / n
    }

    #[test]
    fn tissues_have_the_greys_that_name_them() {
        let samples = draw(5, 0);
        let grey = |tissue| mean(&samples, |t, _| t == tissue);
        assert!(grey(Tissue::Urine) < 12.0, "{}", grey(Tissue::Urine));
        assert!(grey(Tissue::Fluid) < 12.0, "{}", grey(Tissue::Fluid));
        assert!(grey(Tissue::Placenta) > grey(Tissue::Myometrium) + 25.0);
        assert!(grey(Tissue::CervicalStroma) > grey(Tissue::CervicalGlands) + 12.0);
        assert!(grey(Tissue::Placenta) > grey(Tissue::ClearZone) + 40.0);
    }

    #[test]
    fn a_look_changes_greys_and_leaves_the_tissue_alone() {
        let draw = |look: Look| render_as(&Anatomy::posterior(14.0), &SCANNER, &HOLD, Seed { tissue: 5, shot: 0 }, &look).unwrap();
        let apart = |samples: &[u8]| mean(samples, |t, _| t == Tissue::Placenta) - mean(samples, |t, _| t == Tissue::Myometrium);
        let usual = draw(Look::default());
        let low = draw(Look { contrast: 0.4, ..Look::default() });
        assert!(apart(&low) < 0.6 * apart(&usual), "{} and {}", apart(&low), apart(&usual));
        let noisy = draw(Look { noise_db: 20.0, ..Look::default() });
        assert!(mean(&noisy, |t, _| t == Tissue::Fluid) > mean(&usual, |t, _| t == Tissue::Fluid) + 40.0);
        let bright = draw(Look { gain_db: 8.0, ..Look::default() });
        assert!(mean(&bright, |t, _| t == Tissue::Myometrium) > mean(&usual, |t, _| t == Tissue::Myometrium) + 20.0);
        for bad in [Look { shown_db: 10.0, ..Look::default() }, Look { contrast: f64::NAN, ..Look::default() }] {
            assert_eq!(bad.validate().unwrap_err().kind(), ErrorKind::Invalid);
        }
    }

    /// The noise floor rises with depth: fluid far away is not as black as fluid near by.
    #[test]
    fn noise_grows_with_depth() {
        let look = Look { noise_db: 15.0, ..Look::default() };
        let samples = render_as(&Anatomy::posterior(40.0), &SCANNER, &HOLD, Seed { tissue: 5, shot: 0 }, &look).unwrap();
        let fluid = |from: f64, to: f64| mean(&samples, |t, depth| t == Tissue::Fluid && (from..to).contains(&depth));
        assert!(fluid(48.0, 60.0) > fluid(24.0, 34.0) + 4.0, "{} and {}", fluid(48.0, 60.0), fluid(24.0, 34.0));
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
