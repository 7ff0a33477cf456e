//! The echo field in the probe's own grid of depths and beams: scatterers, pulse and beam.
//!
//! # Model
//!
//! Tissue is a cloud of point scatterers, [`DENSITY`] to the square millimetre, fixed in the anatomy: the same tissue seen
//! from a moved probe has the same scatterers. Each echoes with its tissue's power and a phase of its own, delayed by the
//! way there and back. The field is their sum, smeared along depth by the pulse and across beams by the beam, both
//! Gaussian; the beam is narrowest at its focus and widens as a Gaussian beam does. With many scatterers to a resolution
//! cell the sum is circular complex Gaussian and its size follows Rayleigh's law (fully developed speckle; Goodman 1975,
//! Burckhardt 1978, from memory).
//!
//! # Reproducibility
//!
//! Same input, same bytes: every tile of tissue and every depth has its own random stream, sums run in a fixed order, and
//! elementary functions come from one library. The number of threads cannot change a sample.

use rayon::prelude::*;

use super::noise::Noise;
use super::scanner::{Hold, Scanner};
use super::shape::At;
use super::tissue::SURFACES;

/// Beams across the sector.
pub(crate) const BEAMS: usize = 384;
/// Depth step of the grid, mm.
pub(crate) const STEP_MM: f64 = 0.12;
/// Scatterers per mm². The cell of the pulse and the beam at its focus, 2π σ σ, holds 22 of them: with 11, mean/SD of the
/// speckle was found 4 % short of Rayleigh's.
const DENSITY: f64 = 50.0;
/// Side of a tile of tissue, mm.
const TILE_MM: f64 = 8.0;
/// Wavelength, mm: 1540 m/s at 6.5 MHz.
const WAVELENGTH_MM: f64 = 0.236_9;
/// Length of the pulse's envelope, one SD, mm.
pub(crate) const PULSE_SD_MM: f64 = 0.24;
/// Half-width of the beam at its focus, one SD, mm.
const BEAM_SD_MM: f64 = 0.30;
/// Depth of the focus, mm.
pub(crate) const FOCUS_MM: f64 = 32.0;
/// Depth from the focus at which the beam is √2 times as wide, mm.
const FOCAL_RANGE_MM: f64 = 24.0;
/// Loss that the time gain makes up for, dB per mm there and back.
pub(crate) const GAIN_DB_PER_MM: f64 = 0.28;
/// Most that a path through fluid may gain over the rest, dB.
const MOST_ENHANCEMENT_DB: f64 = 7.0;
/// Half-thickness of a reflecting surface, one SD, mm.
const SURFACE_MM: f64 = 0.3;
/// First random stream of the receiver; tiles have smaller numbers.
const RECEIVER: u64 = 1 << 40;

/// What the medium is at one place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spot {
    /// Mean echo, dB below full white.
    pub(crate) echo_db: f64,
    /// Loss, dB per mm there and back.
    pub(crate) loss_db_per_mm: f64,
    /// Signed distance to each reflecting surface, mm, and its reflection where it faces the beam, dB below full white.
    pub(crate) surfaces: [(f64, f64); SURFACES],
}

/// Beam half-width, one SD, mm, at a depth (mm): that of a Gaussian beam.
pub(crate) fn beam_sd_mm(depth: f64) -> f64 {
    let off = (depth - FOCUS_MM) / FOCAL_RANGE_MM;
    BEAM_SD_MM * libm::sqrt(1.0 + off * off)
}

/// Power of a level in dB.
pub(crate) fn power(level_db: f64) -> f64 {
    libm::exp(level_db * (std::f64::consts::LN_10 / 10.0))
}

/// A complex field over depths and beams.
pub(crate) struct Field {
    scanner: Scanner,
    /// One row for each depth, [`BEAMS`] complex values.
    rows: Vec<Vec<[f64; 2]>>,
}

/// One echo in grid coordinates.
struct Echo {
    row: f64,
    beam: f64,
    value: [f64; 2],
}

impl Field {
    fn empty(scanner: &Scanner) -> Self {
        let depths = (scanner.depth_mm / STEP_MM) as usize + 1;
        Self { scanner: *scanner, rows: vec![vec![[0.0; 2]; BEAMS]; depths] }
    }

    /// The field of a medium given at places of the anatomy and their depth below the face, mm.
    pub(crate) fn of_medium(scanner: &Scanner, hold: &Hold, seed: u64, medium: impl Fn(At, f64) -> Spot + Sync) -> Self {
        let mut field = Self::empty(scanner);
        let powers = field.powers(|depth, angle| medium(hold.to_anatomy(scanner.at_polar(depth, angle)), depth));
        let tiles = field.tiles(hold);
        let echoes: Vec<Vec<Echo>> = tiles.into_par_iter().map(|tile| field.tile_echoes(tile, hold, seed, &powers)).collect();
        for echo in echoes.iter().flatten() {
            field.add(echo);
        }
        field.smear();
        field
    }

    /// The field of single scatterers at places of the frame, each of unit amplitude before smearing; no loss.
    pub(crate) fn of_points(scanner: &Scanner, points: &[At]) -> Self {
        let mut field = Self::empty(scanner);
        for &p in points {
            let (row, beam) = field.grid_of(p);
            field.add(&Echo { row, beam, value: [1.0, 0.0] });
        }
        field.smear();
        field
    }

    fn grid_of(&self, p: At) -> (f64, f64) {
        let (depth, angle) = self.scanner.polar(p);
        (depth / STEP_MM, self.scanner.beam_of(angle, BEAMS))
    }

    /// Mean power of the echo from each depth of each beam, after the loss on the way there and the time gain: one row for
    /// each beam.
    fn powers(&self, medium: impl Fn(f64, f64) -> Spot + Sync) -> Vec<Vec<f64>> {
        (0..BEAMS)
            .into_par_iter()
            .map(|b| {
                let angle = self.scanner.angle_of(b, BEAMS);
                let mut level: f64 = 0.0;
                let mut here = medium(0.0, angle);
                (0..self.rows.len())
                    .map(|i| {
                        let depth = i as f64 * STEP_MM;
                        let ahead = medium(depth + STEP_MM, angle);
                        // The first millimetres lie against the probe and ring.
                        let mean = power(here.echo_db) + reflection(&here, &ahead) + power(-14.0 - 9.0 * depth);
                        let out = mean * power(level);
                        let lost = here.loss_db_per_mm + glancing_loss(&here, &ahead);
                        level = (level + (GAIN_DB_PER_MM - lost) * STEP_MM).min(MOST_ENHANCEMENT_DB);
                        here = ahead;
                        out
                    })
                    .collect()
            })
            .collect()
    }

    /// The tiles of tissue that may lie in the sector, in a fixed order.
    fn tiles(&self, hold: &Hold) -> Vec<[i32; 2]> {
        let mut corners = Vec::new();
        for k in 0..=16 {
            let angle = self.scanner.half_angle_degrees.to_radians() * (f64::from(k) / 8.0 - 1.0);
            for depth in [0.0, self.scanner.depth_mm] {
                corners.push(hold.to_anatomy(self.scanner.at_polar(depth, angle)));
            }
        }
        // An arc bulges beyond its chords by less than a tile.
        let tile = |v: f64| libm::floor(v / TILE_MM) as i32;
        let least = |f: fn(&At) -> f64| corners.iter().map(f).fold(f64::INFINITY, f64::min);
        let most = |f: fn(&At) -> f64| corners.iter().map(f).fold(f64::NEG_INFINITY, f64::max);
        let (x0, x1) = (tile(least(|p| p.x)) - 1, tile(most(|p| p.x)) + 1);
        let (y0, y1) = (tile(least(|p| p.y)) - 1, tile(most(|p| p.y)) + 1);
        (y0..=y1).flat_map(|y| (x0..=x1).map(move |x| [x, y])).collect()
    }

    /// The echoes of one tile: always the same scatterers for one seed.
    fn tile_echoes(&self, [tx, ty]: [i32; 2], hold: &Hold, seed: u64, powers: &[Vec<f64>]) -> Vec<Echo> {
        let (x0, y0) = (f64::from(tx) * TILE_MM, f64::from(ty) * TILE_MM);
        let middle = hold.to_frame(At::new(x0 + 0.5 * TILE_MM, y0 + 0.5 * TILE_MM));
        let (depth, angle) = self.scanner.polar(middle);
        let r = self.scanner.face_radius_mm + depth;
        let past = (angle.abs() - self.scanner.half_angle_degrees.to_radians()) * r;
        if depth < -TILE_MM || depth > self.scanner.depth_mm + TILE_MM || past > 2.0 * TILE_MM {
            return Vec::new();
        }
        let mut noise = Noise::new(seed, stream(tx, ty));
        let mut out = Vec::new();
        for _ in 0..(DENSITY * TILE_MM * TILE_MM) as u32 {
            let p = At::new(x0 + TILE_MM * noise.unit(), y0 + TILE_MM * noise.unit());
            let phase = std::f64::consts::TAU * noise.unit();
            let on_frame = hold.to_frame(p);
            let (row, beam) = self.grid_of(on_frame);
            if row < 0.0 || beam < 0.0 || row >= (self.rows.len() - 1) as f64 || beam >= (BEAMS - 1) as f64 {
                continue;
            }
            let mean_power = between(powers, row, beam);
            if mean_power < SILENT {
                continue;
            }
            let depth = row * STEP_MM;
            let cell = STEP_MM * (self.scanner.face_radius_mm + depth) * self.scanner.beam_step(BEAMS);
            let size = libm::sqrt(mean_power / (DENSITY * cell));
            let (sin, cos) = libm::sincos(phase - 2.0 * std::f64::consts::TAU * depth / WAVELENGTH_MM);
            out.push(Echo { row, beam, value: [size * cos, size * sin] });
        }
        out
    }

    /// Adds an echo to the four grid points round it.
    fn add(&mut self, echo: &Echo) {
        let (i, b) = (echo.row as usize, echo.beam as usize);
        let (fi, fb) = (echo.row - i as f64, echo.beam - b as f64);
        for (row, along) in [(i, 1.0 - fi), (i + 1, fi)] {
            for (beam, across) in [(b, 1.0 - fb), (b + 1, fb)] {
                if let Some(point) = self.rows.get_mut(row).and_then(|r| r.get_mut(beam)) {
                    point[0] += along * across * echo.value[0];
                    point[1] += along * across * echo.value[1];
                }
            }
        }
    }

    /// Smears across beams, then along depth.
    fn smear(&mut self) {
        let scanner = self.scanner;
        let beam_step = scanner.beam_step(BEAMS);
        self.rows.par_iter_mut().enumerate().for_each(|(i, row)| {
            let depth = i as f64 * STEP_MM;
            let kernel = kernel(beam_sd_mm(depth) / ((scanner.face_radius_mm + depth) * beam_step));
            *row = (0..BEAMS).map(|b| weighted(&kernel, b, BEAMS, |k| row[k])).collect();
        });
        let kernel = kernel(PULSE_SD_MM / STEP_MM);
        let rows = std::mem::take(&mut self.rows);
        self.rows = (0..rows.len())
            .into_par_iter()
            .map(|i| (0..BEAMS).map(|b| weighted(&kernel, i, rows.len(), |k| rows[k][b])).collect())
            .collect();
    }

    /// The size of the field with the receiver's noise (dB below full white at each depth in mm) added.
    pub(crate) fn envelope(&self, seed: u64, shot: u64, noise_db: impl Fn(f64) -> f64 + Sync) -> Envelope {
        let amplitude = self
            .rows
            .par_iter()
            .enumerate()
            .flat_map_iter(|(i, row)| {
                let mut receiver = Noise::new(seed, RECEIVER + (shot << 20) + i as u64);
                let size = libm::sqrt(0.5 * power(noise_db(i as f64 * STEP_MM)));
                row.iter().map(move |[re, im]| {
                    let (nr, ni) = receiver.normal_pair();
                    let (re, im) = (re + size * nr, im + size * ni);
                    libm::sqrt(re * re + im * im)
                })
            })
            .collect();
        Envelope { depths: self.rows.len(), beams: BEAMS, depth_step_mm: STEP_MM, amplitude }
    }
}

/// The size of the echo field before compression; 1 is full white.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope {
    /// Number of depths.
    pub depths: usize,
    /// Number of beams.
    pub beams: usize,
    /// Depth from one row to the next, mm; the first is at the face.
    pub depth_step_mm: f64,
    /// `depths × beams` values, row by row from the face.
    pub amplitude: Vec<f64>,
}

impl Envelope {
    /// The value at a depth and beam; 0 outside.
    #[must_use]
    pub fn at(&self, depth: usize, beam: usize) -> f64 {
        if beam >= self.beams { 0.0 } else { self.amplitude.get(depth * self.beams + beam).copied().unwrap_or(0.0) }
    }
}

/// Random stream of a tile.
fn stream(tx: i32, ty: i32) -> u64 {
    let part = |v: i32| u64::from((v + (1 << 15)) as u32 & 0xFFFF);
    part(tx) << 16 | part(ty)
}

/// Power reflected by the surfaces near a place; `ahead` is the next place along the beam.
fn reflection(here: &Spot, ahead: &Spot) -> f64 {
    let mut sum = 0.0;
    for ((now, strength), (then, _)) in here.surfaces.iter().zip(ahead.surfaces) {
        if now.abs() < 4.0 * SURFACE_MM {
            // How squarely the beam meets the surface: change of distance along the beam.
            let square = ((then - now) / STEP_MM).clamp(-1.0, 1.0);
            let near = now / SURFACE_MM;
            sum += power(*strength) * libm::exp(-0.5 * near * near) * (0.06 + 0.94 * square * square);
        }
    }
    sum
}

/// A value of the table of powers between its beams and depths.
fn between(powers: &[Vec<f64>], row: f64, beam: f64) -> f64 {
    let (i, b) = (row as usize, beam as usize);
    let (fi, fb) = (row - i as f64, beam - b as f64);
    let along = |b: usize| powers[b][i] * (1.0 - fi) + powers[b][i + 1] * fi;
    along(b) * (1.0 - fb) + along(b + 1) * fb
}

/// Loss where a beam glances off the side of a round surface and is bent away, dB per mm: the shadow at its edge. `ahead` is
/// the next place along the beam.
fn glancing_loss(here: &Spot, ahead: &Spot) -> f64 {
    let glances = |k: usize| {
        let (now, strength) = here.surfaces[k];
        now.abs() < GLANCES_WITHIN_MM && strength > EDGE_SHADOW_FROM_DB && ((ahead.surfaces[k].0 - now) / STEP_MM).abs() < GLANCES_BELOW
    };
    if (0..SURFACES).any(glances) { EDGE_SHADOW_DB_PER_MM } else { 0.0 }
}

/// Surfaces that reflect more than this cast a shadow from their edges, dB below full white.
const EDGE_SHADOW_FROM_DB: f64 = -16.0;
/// A beam glances off a surface nearer than this, mm, when the cosine of its angle with the normal is below the next number.
const GLANCES_WITHIN_MM: f64 = 0.8;
const GLANCES_BELOW: f64 = 0.25;
/// What it then loses, dB per mm there and back.
const EDGE_SHADOW_DB_PER_MM: f64 = 1.2;
/// Mean power that no receiver hears: scatterers below it are left out.
const SILENT: f64 = 1e-9;

/// A Gaussian of `sd` grid steps together with the splitting of [`Field::add`], that keeps the mean power of white noise.
fn kernel(sd: f64) -> Vec<f64> {
    // Splitting between neighbours smears by a triangle of variance 1/6, which is part of the wanted width.
    let own = libm::sqrt((sd * sd - 1.0 / 6.0).max(0.04));
    let reach = libm::ceil(3.5 * own) as i32;
    let raw: Vec<f64> = (-reach..=reach).map(|k| libm::exp(-0.5 * f64::from(k) * f64::from(k) / (own * own))).collect();
    // A Gaussian's energy goes with one over its width.
    let norm = libm::sqrt(sd.max(own) / own) / libm::sqrt(raw.iter().map(|v| v * v).sum::<f64>());
    raw.into_iter().map(|v| v * norm).collect()
}

/// One output of a convolution; nothing lies beyond the ends.
fn weighted(kernel: &[f64], at: usize, length: usize, value: impl Fn(usize) -> [f64; 2]) -> [f64; 2] {
    let reach = kernel.len() / 2;
    let (first, last) = (at.saturating_sub(reach), (at + reach).min(length - 1));
    let mut sum = [0.0; 2];
    for j in first..=last {
        let [re, im] = value(j);
        let weight = kernel[j + reach - at];
        sum[0] += weight * re;
        sum[1] += weight * im;
    }
    sum
}
