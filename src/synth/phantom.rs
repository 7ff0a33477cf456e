//! Test objects: one even tissue, and single points, seen by the same probe.

use super::field::{Envelope, Field, GAIN_DB_PER_MM, Spot};
use super::render::{Look, picture};
use super::scanner::{Hold, Scanner};
use super::shape::At;
use super::tissue::{SURFACE_DB, SURFACES, Tissue};
use crate::error::{Error, ErrorKind, Result};
use crate::units::PxPoint;

/// Level that says nothing: the receiver is silent.
const SILENT_DB: f64 = -400.0;
/// No surface is near.
const NO_SURFACE: (f64, f64) = (99.0, SILENT_DB);

/// The envelope of one even tissue of mean echo `echo_db` (dB below full white) and loss `loss_db_per_mm` (there and
/// back), without receiver noise.
///
/// # Errors
/// When the scanner is not possible, or the level or the loss is not within −80 to 0 dB and 0 to 5 dB/mm.
pub fn even_tissue(scanner: &Scanner, echo_db: f64, loss_db_per_mm: f64, seed: u64) -> Result<Envelope> {
    scanner.validate()?;
    if !(-80.0..=0.0).contains(&echo_db) || !(0.0..=5.0).contains(&loss_db_per_mm) {
        return Err(Error::new(ErrorKind::Invalid, "a test tissue cannot be made")
            .expected("−80 to 0 dB and 0 to 5 dB/mm")
            .found(format!("{echo_db} dB and {loss_db_per_mm} dB/mm")));
    }
    let hold = Hold { os_x_mm: 0.0, os_y_mm: 0.0, turn_degrees: 0.0 };
    let field = Field::of_medium(scanner, &hold, seed, |_, _| Spot { echo_db, loss_db_per_mm, surfaces: [NO_SURFACE; SURFACES] });
    Ok(field.envelope(seed, 0, |_| SILENT_DB))
}

/// What a disc in an even tissue is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Disc {
    /// Fluid: it brightens what lies behind it, and its smooth round side shades what lies behind that.
    Fluid,
    /// A shell of bone of this thickness (mm, 0.2 to the radius) round even tissue: it shades what lies behind it.
    Shell(f64),
}

/// The envelope of an even tissue of −30 dB, whose loss the time gain makes up for, with a disc of `radius_mm` whose middle
/// lies `depth_mm` below the middle of the face. Without receiver noise.
///
/// # Errors
/// When the scanner is not possible, or the disc does not lie between the face and the greatest depth.
pub fn with_disc(scanner: &Scanner, disc: Disc, radius_mm: f64, depth_mm: f64, seed: u64) -> Result<Envelope> {
    scanner.validate()?;
    let thick = if let Disc::Shell(thick) = disc { thick } else { radius_mm };
    if !(1.0..=30.0).contains(&radius_mm)
        || !(radius_mm + 1.0..scanner.depth_mm - radius_mm).contains(&depth_mm)
        || !(0.2..=radius_mm).contains(&thick)
    {
        return Err(Error::new(ErrorKind::Invalid, "a test disc cannot be made")
            .expected("a radius of 1 to 30 mm, the whole disc below the face, a shell of 0.2 mm to the radius")
            .found(format!("radius {radius_mm} mm, {depth_mm} mm deep, shell {thick} mm")));
    }
    let middle = At::new(0.0, depth_mm);
    let hold = Hold { os_x_mm: 0.0, os_y_mm: 0.0, turn_degrees: 0.0 };
    let (fluid_db, fluid_loss) = Tissue::Fluid.echo_and_loss();
    let bone_loss = Tissue::Skull.echo_and_loss().1;
    let field = Field::of_medium(scanner, &hold, seed, |p, _| {
        let outside = p.minus(middle).length() - radius_mm;
        let mut spot = Spot { echo_db: -30.0, loss_db_per_mm: GAIN_DB_PER_MM, surfaces: [NO_SURFACE; SURFACES] };
        match disc {
            Disc::Fluid => {
                if outside < 0.0 {
                    (spot.echo_db, spot.loss_db_per_mm) = (fluid_db, fluid_loss);
                }
                spot.surfaces[0] = (outside, SURFACE_DB[2]);
            }
            Disc::Shell(thick) => {
                if outside < 0.0 && outside > -thick {
                    spot.loss_db_per_mm = bone_loss;
                }
            }
        }
        spot
    });
    Ok(field.envelope(seed, 0, |_| SILENT_DB))
}

/// An envelope as it is shown, `scanner.rows() × scanner.columns()` greys.
///
/// # Errors
/// When the look is not possible, or the envelope is not one of this scanner.
pub fn shown(scanner: &Scanner, envelope: &Envelope, look: &Look) -> Result<Vec<u8>> {
    scanner.validate()?;
    look.validate()?;
    let deepest = envelope.depths as f64 * envelope.depth_step_mm;
    if envelope.amplitude.len() != envelope.depths * envelope.beams || envelope.beams < 2 || (deepest - scanner.depth_mm).abs() > 1.0 {
        return Err(Error::new(ErrorKind::Invalid, "the envelope is not one of this scanner")
            .expected(format!("{} mm deep", scanner.depth_mm))
            .found(format!("{deepest:.1} mm, {} values", envelope.amplitude.len())));
    }
    Ok(picture(scanner, envelope, look))
}

/// A round of one even tissue in another, with no surface echo between them: the picture, the middle of the round, px.
/// `middle_mm` is right of and below the middle of the face; levels are mean echoes, dB below full white. The truth of its
/// edge is the circle itself.
///
/// # Errors
/// When the scanner is not possible, the middle or the radius (1 to 200 mm) is no number, or a level is not within −80 to 0 dB.
pub fn round_in_tissue(
    scanner: &Scanner,
    middle_mm: [f64; 2],
    radius_mm: f64,
    inside_db: f64,
    outside_db: f64,
    seed: u64,
) -> Result<(Vec<u8>, PxPoint)> {
    scanner.validate()?;
    let level = |v: f64| (-80.0..=0.0).contains(&v);
    if !(middle_mm.iter().all(|v| v.is_finite()) && (1.0..=200.0).contains(&radius_mm) && level(inside_db) && level(outside_db)) {
        return Err(Error::new(ErrorKind::Invalid, "a test object cannot be made")
            .expected("a finite middle, a radius of 1 to 200 mm and levels of −80 to 0 dB")
            .found(format!("{middle_mm:?}, {radius_mm} mm, {inside_db} and {outside_db} dB")));
    }
    let middle = At::new(middle_mm[0], middle_mm[1]);
    let hold = Hold { os_x_mm: 0.0, os_y_mm: 0.0, turn_degrees: 0.0 };
    let field = Field::of_medium(scanner, &hold, seed, |p, _| {
        let inside = (p.x - middle.x).hypot(p.y - middle.y) < radius_mm;
        Spot { echo_db: if inside { inside_db } else { outside_db }, loss_db_per_mm: GAIN_DB_PER_MM, surfaces: [NO_SURFACE; SURFACES] }
    });
    Ok((picture(scanner, &field.envelope(seed, 0, |_| SILENT_DB), &Look::default()), scanner.to_px(middle)))
}

/// Single points in a silent medium, mm right of and below the middle of the face: the envelope, the picture, and where
/// they lie in it, px. Each is at its own full brightness whatever its depth.
///
/// # Errors
/// When the scanner is not possible or a point lies outside the sector.
pub fn points(scanner: &Scanner, at_mm: &[[f64; 2]]) -> Result<(Envelope, Vec<u8>, Vec<PxPoint>)> {
    scanner.validate()?;
    let places: Vec<At> = at_mm.iter().map(|&[x, y]| At::new(x, y)).collect();
    if let Some(p) = places.iter().find(|&&p| !scanner.sees(p)) {
        return Err(Error::new(ErrorKind::Invalid, "a test point lies outside the sector").found(format!("({}, {}) mm", p.x, p.y)));
    }
    let mut envelope = Field::of_points(scanner, &places).envelope(0, 0, |_| SILENT_DB);
    let most = envelope.amplitude.iter().copied().fold(0.0, f64::max);
    if most > 0.0 {
        envelope.amplitude.iter_mut().for_each(|a| *a /= most);
    }
    let samples = picture(scanner, &envelope, &Look::default());
    Ok((envelope, samples, places.into_iter().map(|p| scanner.to_px(p)).collect()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;
    use crate::synth::field::{BEAMS, PULSE_SD_MM, beam_sd_mm};

    const SCANNER: Scanner =
        Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x: 0.26, mm_per_px_y: 0.26 };

    /// Rayleigh's law: mean / SD = √(π / (4 − π)) = 1.913, mean power as asked.
    #[test]
    fn even_tissue_is_fully_developed_speckle_of_the_asked_power() {
        let e = even_tissue(&SCANNER, -30.0, GAIN_DB_PER_MM, 11).unwrap();
        // Samples several resolution cells apart, away from the ringing face and the edges of the sector.
        let mut samples = Vec::new();
        for i in (60..e.depths - 30).step_by(12) {
            let step =
                (4.0 * beam_sd_mm(i as f64 * e.depth_step_mm) / ((10.0 + i as f64 * e.depth_step_mm) * SCANNER.beam_step(BEAMS))).ceil();
            samples.extend((25..BEAMS - 25).step_by(step as usize).map(|b| e.at(i, b)));
        }
        let n = samples.len() as f64;
        let mean = samples.iter().sum::<f64>() / n;
        let square = samples.iter().map(|a| a * a).sum::<f64>() / n;
        let ratio = mean / (square - mean * mean).sqrt();
        // SD of the ratio for n samples is about 1.2/√n (by simulation); n is near 2,000.
        assert!(n > 1000.0, "{n}");
        assert!((ratio - 1.913).abs() < 4.0 * 1.2 / n.sqrt(), "{ratio} of {n}");
        let level = 10.0 * square.log10();
        // Power of n exponential samples: relative SD 1/√n, that is 4.34/√n dB.
        assert!((level + 30.0).abs() < 4.0 * 4.34 / n.sqrt() + 0.1, "{level} dB");
    }

    #[test]
    fn loss_beyond_the_gain_darkens_at_the_asked_slope() {
        let e = even_tissue(&SCANNER, -20.0, GAIN_DB_PER_MM + 0.2, 12).unwrap();
        let level = |from: usize| {
            let rows = from..from + 60;
            let values: Vec<f64> = rows.flat_map(|i| (25..BEAMS - 25).map(move |b| (i, b))).map(|(i, b)| e.at(i, b)).collect();
            10.0 * (values.iter().map(|a| a * a).sum::<f64>() / values.len() as f64).log10()
        };
        let (near, far) = (100, 460);
        let slope = (level(far) - level(near)) / ((far - near) as f64 * e.depth_step_mm);
        assert!((slope + 0.2).abs() < 0.015, "{slope} dB/mm");
    }

    /// The spread of the amplitude about its middle; the −6 dB width of a Gaussian is 2.355 times it.
    #[test]
    fn a_point_is_as_wide_as_the_model_says() {
        for depth in [15.0, 32.0, 55.0] {
            let (e, _, _) = points(&SCANNER, &[[0.0, depth]]).unwrap();
            let spread = |line: Vec<f64>| {
                let moment = |power: i32, about: f64| {
                    line.iter().enumerate().map(|(i, a)| a * (i as f64 - about).powi(power)).sum::<f64>() / line.iter().sum::<f64>()
                };
                moment(2, moment(1, 0.0)).sqrt()
            };
            let row = (depth / e.depth_step_mm).round() as usize;
            let along = spread((0..e.depths).map(|i| e.at(i, BEAMS / 2)).collect()) * e.depth_step_mm;
            let across = spread((0..BEAMS).map(|b| e.at(row, b)).collect()) * SCANNER.beam_step(BEAMS) * (10.0 + depth);
            assert!((along / PULSE_SD_MM - 1.0).abs() < 0.03, "{along} mm along at {depth}");
            assert!((across / beam_sd_mm(depth) - 1.0).abs() < 0.03, "{across} mm across at {depth}");
        }
    }

    /// Bright points at known spacing, found in the pixels by their centroid, on pixels that are not square.
    #[test]
    fn points_lie_in_the_picture_where_they_were_put() {
        let scanner = Scanner { mm_per_px_y: 0.21, ..SCANNER };
        let (_, samples, px) = points(&scanner, &[[-15.0, 30.0], [12.0, 45.0]]).unwrap();
        for p in px {
            let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
            for row in p.y as u32 - 12..p.y as u32 + 12 {
                for column in p.x as u32 - 12..p.x as u32 + 12 {
                    // Greys are decibels: the logarithm of a Gaussian is even about its middle.
                    let g = f64::from(samples[(row * scanner.columns() + column) as usize]);
                    (sum, x, y) = (sum + g, x + g * (f64::from(column) + 0.5), y + g * (f64::from(row) + 0.5));
                }
            }
            let (x, y) = (x / sum, y / sum);
            assert!((x - p.x).abs() < 0.15 && (y - p.y).abs() < 0.15, "({x}, {y}) for {p:?}");
        }
    }

    /// Mean level in dB of a beam's neighbourhood over a range of depths, over four seeds.
    fn level(disc: Disc, beams: std::ops::Range<usize>) -> f64 {
        let mut sum = 0.0;
        for seed in 1..5 {
            let e = with_disc(&SCANNER, disc, 8.0, 30.0, seed).unwrap();
            let rows = (42.0 / e.depth_step_mm) as usize..(62.0 / e.depth_step_mm) as usize;
            let n = (rows.len() * beams.len()) as f64;
            sum += rows.flat_map(|i| beams.clone().map(move |b| (i, b))).map(|(i, b)| e.at(i, b) * e.at(i, b)).sum::<f64>() / n;
        }
        10.0 * (sum / 4.0).log10()
    }

    #[test]
    fn fluid_brightens_and_bone_shades_what_lies_behind() {
        let (middle, beside) = (BEAMS / 2 - 12..BEAMS / 2 + 12, 20..80);
        // 16 mm of fluid that loses 0.14 dB/mm where the gain makes up for 0.28.
        let fluid = level(Disc::Fluid, middle.clone()) - level(Disc::Fluid, beside.clone());
        assert!((fluid - 16.0 * 0.14).abs() < 0.8, "{fluid} dB");
        // Two millimetres of bone, 8 dB/mm.
        let bone = level(Disc::Shell(1.0), middle) - level(Disc::Shell(1.0), beside);
        assert!((bone + 2.0 * (8.0 - 0.28)).abs() < 1.0, "{bone} dB");
        // The beam that touches the side at 40 mm from the middle of the face's curve, 8 mm off.
        let side = ((8.0_f64 / 40.0).asin() / SCANNER.beam_step(BEAMS)).round() as usize + BEAMS / 2;
        let edge = level(Disc::Fluid, side - 2..side + 2) - level(Disc::Fluid, 20..80);
        assert!(edge < -2.0, "{edge} dB");
    }

    #[test]
    fn a_round_differs_from_what_is_around_it_by_its_levels() {
        let (samples, middle) = round_in_tissue(&SCANNER, [0.0, 35.0], 10.0, -20.0, -32.0, 3).unwrap();
        let mean = |from: f64, to: f64| {
            let greys: Vec<f64> = (0..SCANNER.rows())
                .flat_map(|y| (0..SCANNER.columns()).map(move |x| (x, y)))
                .filter(|(x, y)| {
                    let r = (f64::from(*x) + 0.5 - middle.x).hypot(f64::from(*y) + 0.5 - middle.y) * 0.26;
                    (from..to).contains(&r)
                })
                .map(|(x, y)| f64::from(samples[(y * SCANNER.columns() + x) as usize]))
                .collect();
            greys.iter().sum::<f64>() / greys.len() as f64
        };
        // 12 dB of the 60 that are shown; the beam's width takes some off near the rim.
        let steps = mean(0.0, 8.0) - mean(12.0, 14.0);
        assert!((steps - 12.0 / 60.0 * 255.0).abs() < 5.0, "{steps}");
    }

    #[test]
    fn what_cannot_be_made_is_refused() {
        assert!(with_disc(&SCANNER, Disc::Fluid, 8.0, 5.0, 1).is_err());
        assert!(with_disc(&SCANNER, Disc::Shell(9.0), 8.0, 30.0, 1).is_err());
        let other = Envelope { depths: 2, beams: 2, depth_step_mm: 0.1, amplitude: vec![0.0; 4] };
        assert!(shown(&SCANNER, &other, &Look::default()).is_err());
        assert!(round_in_tissue(&SCANNER, [0.0, 30.0], 0.0, -20.0, -30.0, 1).is_err());
        assert!(even_tissue(&SCANNER, 10.0, 0.3, 1).is_err());
        assert!(even_tissue(&SCANNER, -30.0, f64::NAN, 1).is_err());
        assert!(points(&SCANNER, &[[80.0, 10.0]]).is_err());
    }
}
