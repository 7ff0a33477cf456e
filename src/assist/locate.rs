//! Where the boundary near a mark is.
//!
//! 1. The frame around the mark is laid on an even grid of [`STEP`], so that pixels that are not square play no part.
//! 2. The direction of the boundary's normal is the main direction of the gradient of the smoothed grid, weighted towards
//!    the mark.
//! 3. Along that normal, averaged over [`HALF_WIDTH`] to each side so that speckle averages out, the grey is one level up to
//!    the boundary and another beyond it. Each place within [`REACH`] of the mark has a likelihood from how well two levels
//!    that change there fit; the mark itself weighs in as the place ± [`MARK_SD`].
//! 4. The offer is the mean of what follows and its SD is the spread: with little contrast the offer stays near the mark.

use image::{ImageBuffer, Luma};

use super::{Declined, Offer, Refinable};
use crate::calibrate::Calibration;
use crate::frame::{Frame, Samples};
use crate::units::{Mm, MmVec, PxPoint};

/// `name@version` of this method.
pub const METHOD: &str = "edge-assist@1";
/// Below this contrast-to-noise ratio no offer is made (from `tests/figures assist`).
pub const LEAST_CONTRAST: f64 = 1.5;
/// Above this spread along the normal no offer is made, mm: the mark is as good.
pub const MOST_SD: f64 = 0.8;
/// Below this share of the profile's variation explained by two levels no offer is made: it is no plain edge.
const LEAST_FIT: f64 = 0.75;
/// The middle of the strip and its two sides may place the edge so far apart, mm; beyond that it is a corner or a tip.
const MOST_BEND: f64 = 0.6;
/// What the profile does not show of its own error, mm: pulse and beam, and greys that are logarithms (from `tests/figures
/// assist`, where the refined places of clear edges scatter by this).
const OWN_SD: f64 = 0.25;
/// The spread of the profile's likelihood understates the error by this factor (from the same).
const UNDERSTATED: f64 = 1.3;

/// Step of the grid, mm.
const STEP: f64 = 0.2;
/// The grid reaches so far from the mark, mm.
const HALF_GRID: f64 = 6.4;
/// Half the length of the profile, mm.
const HALF_PROFILE: f64 = 4.0;
/// The boundary is looked for within this distance of the mark, mm.
const REACH: f64 = 2.8;
/// The profile is averaged over this to each side, mm.
const HALF_WIDTH: f64 = 1.6;
/// SD of a mark along the normal, mm.
const MARK_SD: f64 = 1.0;
/// Smoothing for the direction, mm.
const DIRECTION_SIGMA: f64 = 0.9;
/// Smoothing for the profile, mm.
const PROFILE_SIGMA: f64 = 0.25;
/// Speckle, smoothed and averaged so, is alike over about this length, mm: so many samples of a profile count as one.
const ALIKE: f64 = 0.8;

type Grid = ImageBuffer<Luma<f32>, Vec<f32>>;

/// Cells from the middle to the edge of the grid.
const CELLS: i32 = (HALF_GRID / STEP) as i32;

/// Offers a refined place for a mark, or says why not.
///
/// # Errors
/// The reason why no offer is made.
pub fn offer(frame: &Frame, mark: PxPoint, calibration: &Calibration) -> Result<Offer, Declined> {
    let found = refined(frame, mark, calibration).ok_or(Declined::NearBorder)?;
    if found.offer.contrast.is_nan() || found.offer.contrast < LEAST_CONTRAST {
        return Err(Declined::LittleContrast { contrast: found.offer.contrast });
    }
    if !found.offer.sd_mm.get().is_finite() || found.offer.sd_mm.get() > MOST_SD {
        return Err(Declined::NotClear { sd_mm: found.offer.sd_mm });
    }
    let plain = found.fit >= LEAST_FIT && found.bend_mm <= MOST_BEND;
    if !plain {
        return Err(Declined::NotPlain);
    }
    Ok(found.offer)
}

/// As [`offer`], for a landmark that has a name: none is made where the distance itself rests on it, because os and leading
/// edge are tips (`tests/figures assist`).
///
/// # Errors
/// The reason why no offer is made.
pub fn offer_for(of: Refinable, frame: &Frame, mark: PxPoint, calibration: &Calibration) -> Result<Offer, Declined> {
    if of.of_distance() {
        return Err(Declined::Tip);
    }
    offer(frame, mark, calibration)
}

/// What was found near a mark, whether or not it is worth an offer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refined {
    /// The refined place.
    pub offer: Offer,
    /// Share of the profile's variation that two levels explain, 0 to 1.
    pub fit: f64,
    /// How far the middle of the strip and its sides disagree about the edge, mm.
    pub bend_mm: f64,
}

/// The refined place whether or not it is worth an offer: what [`offer`] decides on, and what the benchmark looks at. `None`
/// where the frame ends too near.
#[must_use]
pub fn refined(frame: &Frame, mark: PxPoint, calibration: &Calibration) -> Option<Refined> {
    let raw = grid(frame, mark, calibration)?;
    let smooth = |sigma: f64| imageproc::filter::gaussian_blur_f32(&raw, (sigma / STEP) as f32);
    let normal = direction(&smooth(DIRECTION_SIGMA));
    let light = smooth(PROFILE_SIGMA);
    let found = place(&profile(&light, normal, 0.0, HALF_WIDTH));
    let middle = place(&profile(&light, normal, 0.0, 0.6));
    let sides = place(&profile(&light, normal, 0.9, 2.0));
    let contrast = contrast(&raw, normal, found.mean);
    let step = MmVec::new(found.mean * normal.x, found.mean * normal.y);
    let at = mark + calibration.step_back(step);
    let (w, h) = (f64::from(frame.width), f64::from(frame.height));
    let on = (0.0..=w).contains(&at.x) && (0.0..=h).contains(&at.y);
    let sd_mm = Mm::new((UNDERSTATED * found.sd).hypot(OWN_SD));
    on.then(|| Refined {
        offer: Offer { at, sd_mm, contrast, moved_mm: Mm::new(found.mean.abs()) },
        fit: found.fit,
        bend_mm: (middle.mean - sides.mean).abs(),
    })
}

/// Grey of a pixel, 0 to 255; colour by the mean of its parts.
fn grey(frame: &Frame, x: i64, y: i64) -> Option<f64> {
    let (x, y) = (u32::try_from(x).ok().filter(|x| *x < frame.width)?, u32::try_from(y).ok().filter(|y| *y < frame.height)?);
    let i = y as usize * frame.width as usize + x as usize;
    match &frame.samples {
        Samples::Gray8(d) => d.get(i).map(|&g| f64::from(g)),
        Samples::Gray16 { data, max } => data.get(i).map(|&g| 255.0 * f64::from(g) / f64::from((*max).max(1))),
        Samples::Rgb8(d) => d.get(3 * i..3 * i + 3).map(|p| p.iter().map(|&v| f64::from(v)).sum::<f64>() / 3.0),
    }
}

/// The frame around the mark on an even grid, by bilinear interpolation; `None` where the profile would leave the frame.
fn grid(frame: &Frame, mark: PxPoint, calibration: &Calibration) -> Option<Grid> {
    if !mark.is_finite() {
        return None;
    }
    let mut out = Grid::new((2 * CELLS + 1) as u32, (2 * CELLS + 1) as u32);
    for j in -CELLS..=CELLS {
        for i in -CELLS..=CELLS {
            let at = mark + calibration.step_back(MmVec::new(f64::from(i) * STEP, f64::from(j) * STEP));
            // Centres of pixels are at .5.
            let (x, y) = (at.x - 0.5, at.y - 0.5);
            let (x0, y0) = (x.floor(), y.floor());
            let (fx, fy) = (x - x0, y - y0);
            let g = |dx: i64, dy: i64| grey(frame, x0 as i64 + dx, y0 as i64 + dy);
            let value = (|| {
                let above = g(0, 0)? * (1.0 - fx) + g(1, 0)? * fx;
                let below = g(0, 1)? * (1.0 - fx) + g(1, 1)? * fx;
                Some(above * (1.0 - fy) + below * fy)
            })();
            let used = f64::from(i).hypot(f64::from(j)) * STEP <= HALF_PROFILE.hypot(2.0);
            let value = match value {
                Some(v) => v,
                None if used => return None,
                None => 0.0,
            };
            out.put_pixel((i + CELLS) as u32, (j + CELLS) as u32, Luma([value as f32]));
        }
    }
    Some(out)
}

fn at(grid: &Grid, i: i32, j: i32) -> f64 {
    let last = 2 * CELLS;
    f64::from(grid.get_pixel((i + CELLS).clamp(0, last) as u32, (j + CELLS).clamp(0, last) as u32).0[0])
}

/// Value at a place of the grid, mm from the mark, by bilinear interpolation.
fn at_mm(grid: &Grid, x: f64, y: f64) -> f64 {
    let (x, y) = (x / STEP, y / STEP);
    let (x0, y0) = (x.floor(), y.floor());
    let (fx, fy, i, j) = (x - x0, y - y0, x0 as i32, y0 as i32);
    (at(grid, i, j) * (1.0 - fx) + at(grid, i + 1, j) * fx) * (1.0 - fy)
        + (at(grid, i, j + 1) * (1.0 - fx) + at(grid, i + 1, j + 1) * fx) * fy
}

/// The main direction of the gradient around the mark: unit length, towards brighter.
fn direction(grid: &Grid) -> MmVec {
    let (mut xx, mut xy, mut yy, mut sum) = (0.0, 0.0, 0.0, (0.0, 0.0));
    let reach = (3.2 / STEP) as i32;
    for j in -reach..=reach {
        for i in -reach..=reach {
            let gx = at(grid, i + 1, j) - at(grid, i - 1, j);
            let gy = at(grid, i, j + 1) - at(grid, i, j - 1);
            let r = f64::from(i).hypot(f64::from(j)) * STEP;
            let w = (-0.5 * (r / 1.4).powi(2)).exp();
            xx += w * gx * gx;
            xy += w * gx * gy;
            yy += w * gy * gy;
            sum = (sum.0 + w * gx, sum.1 + w * gy);
        }
    }
    // Main axis of the weighted squares, turned towards the mean gradient.
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (sin, cos) = angle.sin_cos();
    let along = cos * sum.0 + sin * sum.1;
    let sign = if along < 0.0 { -1.0 } else { 1.0 };
    MmVec::new(sign * cos, sign * sin)
}

/// Mean grey across the boundary, from −[`HALF_PROFILE`] to +[`HALF_PROFILE`] along the normal, over the parts of the strip
/// that lie `from` to `to` mm to each side of the mark.
fn profile(grid: &Grid, n: MmVec, from: f64, to: f64) -> Vec<f64> {
    let (cells, wide) = ((HALF_PROFILE / STEP) as i32, (to / STEP) as i32);
    (-cells..=cells)
        .map(|s| {
            let s = f64::from(s) * STEP;
            let (mut sum, mut weight) = (0.0, 0.0);
            for t in -wide..=wide {
                let t = f64::from(t) * STEP;
                if t.abs() + 1e-9 < from {
                    continue;
                }
                let w = (-0.5 * t.powi(2)).exp();
                sum += w * at_mm(grid, s * n.x - t * n.y, s * n.y + t * n.x);
                weight += w;
            }
            sum / weight
        })
        .collect()
}

/// Where the boundary is along the normal, mm from the mark.
struct Found {
    mean: f64,
    sd: f64,
    /// Share of the variation that the best two levels explain.
    fit: f64,
}

/// The place of the change between two levels, by its likelihood over a fine grid of places and the mark's own weight.
fn place(profile: &[f64]) -> Found {
    let cells = (profile.len() / 2) as f64;
    let s = |i: usize| (i as f64 - cells) * STEP;
    let n = profile.len() as f64;
    let fits: Vec<(f64, f64)> = (0..=112)
        .map(|k| {
            let edge = -REACH + f64::from(k) * (2.0 * REACH / 112.0);
            // How much of each sample lies beyond the edge; the change takes about the width of a sample.
            let beyond = |i: usize| ((s(i) - edge) / STEP + 0.5).clamp(0.0, 1.0);
            let (mut a, mut b, mut ab, mut pa, mut pb) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for (i, p) in profile.iter().enumerate() {
                let w = beyond(i);
                a += (1.0 - w) * (1.0 - w);
                b += w * w;
                ab += w * (1.0 - w);
                pa += (1.0 - w) * p;
                pb += w * p;
            }
            let det = (a * b - ab * ab).max(1e-9);
            let (near, far) = ((pa * b - pb * ab) / det, (pb * a - pa * ab) / det);
            let rest: f64 = profile.iter().enumerate().map(|(i, p)| (p - near * (1.0 - beyond(i)) - far * beyond(i)).powi(2)).sum();
            // Towards brighter only: the normal points there.
            (edge, if far >= near { rest } else { f64::INFINITY })
        })
        .collect();
    let least = fits.iter().map(|f| f.1).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return Found { mean: 0.0, sd: f64::INFINITY, fit: 0.0 };
    }
    let level = profile.iter().sum::<f64>() / n;
    let all: f64 = profile.iter().map(|p| (p - level).powi(2)).sum();
    let fit = if all > 0.0 { 1.0 - least / all } else { 0.0 };
    let variance = (least / (n - 3.0)).max(1e-6);
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for (edge, rest) in &fits {
        let log = -(rest - least) / (2.0 * variance) * (STEP / ALIKE) - 0.5 * (edge / MARK_SD).powi(2);
        let w = log.exp();
        sum += w;
        first += w * edge;
        second += w * edge * edge;
    }
    let mean = first / sum;
    Found { mean, sd: (second / sum - mean * mean).max(0.0).sqrt(), fit }
}

/// Difference of the means over the SD of the unsmoothed grey, both sides within 2.4 mm of the boundary, 0.4 mm left out.
fn contrast(raw: &Grid, n: MmVec, edge: f64) -> f64 {
    let side = |sign: f64| {
        let mut all = Vec::new();
        for k in 2..=12 {
            for t in -8..=8 {
                let (s, t) = (edge + sign * f64::from(k) * STEP, f64::from(t) * STEP);
                all.push(at_mm(raw, s * n.x - t * n.y, s * n.y + t * n.x));
            }
        }
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        (mean, all.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (all.len() as f64 - 1.0))
    };
    let ((low, v), (high, w)) = (side(-1.0), side(1.0));
    // Grey is whole numbers: without speckle half a step stands for it.
    (high - low) / ((v + w) / 2.0).max(0.25).sqrt()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::calibrate::Basis;
    use crate::frame::FrameId;

    /// Two greys that change at a line through (x, 200) px, turned by `degrees` in mm.
    fn frame(low: f64, high: f64, noise: f64, degrees: f64) -> Frame {
        let (w, h) = (400_u32, 400_u32);
        let (sin, cos) = degrees.to_radians().sin_cos();
        let mut seed = 7_u32;
        let mut data = Vec::new();
        for y in 0..h {
            for x in 0..w {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                // 0.1 mm across, 0.2 mm down.
                let (mx, my) = ((f64::from(x) + 0.5 - 200.0) * 0.1, (f64::from(y) + 0.5 - 200.0) * 0.2);
                let beyond = ((mx * cos + my * sin) / 0.1 + 0.5).clamp(0.0, 1.0);
                let grain = noise * (f64::from(seed >> 8) / f64::from(1 << 24) - 0.5) * 12.0_f64.sqrt();
                data.push((low + (high - low) * beyond + grain).clamp(0.0, 255.0) as u8);
            }
        }
        let id = FrameId { sha256: "00".into(), sop_instance_uid: None, frame_number: 1 };
        Frame { id, width: w, height: h, samples: Samples::Gray8(data) }
    }

    fn scale() -> Calibration {
        Calibration::unchecked_header(0.1, 0.2, Basis::HeaderRegion { region: 1 }).unwrap()
    }

    #[test]
    fn a_clear_boundary_is_found_along_its_normal_on_pixels_that_are_not_square() {
        for degrees in [0.0, 30.0, 90.0, 200.0] {
            let f = frame(60.0, 140.0, 10.0, degrees);
            let (sin, cos) = f64::to_radians(degrees).sin_cos();
            // 1.2 mm off the boundary, on the dark side.
            let mark = PxPoint::new(200.0 - 12.0 * cos, 200.0 - 6.0 * sin);
            let o = offer(&f, mark, &scale()).unwrap();
            let off = (o.at.x - 200.0) * 0.1 * cos + (o.at.y - 200.0) * 0.2 * sin;
            assert!(off.abs() < 0.1, "{degrees}°: {off} mm");
            assert!(o.sd_mm.get() < 0.3 && o.contrast > 4.0, "{o:?}");
            assert!((o.moved_mm.get() - 1.2).abs() < 0.15);
        }
    }

    #[test]
    fn a_tip_is_no_plain_edge() {
        // A bright wedge of 40° that ends at the mark and opens to the right.
        let mut f = frame(60.0, 60.0, 8.0, 0.0);
        if let Samples::Gray8(data) = &mut f.samples {
            for (i, g) in data.iter_mut().enumerate() {
                let (x, y) = ((i % 400) as f64 + 0.5 - 200.0, (i / 400) as f64 + 0.5 - 200.0);
                if x > 0.0 && (y * 0.2).abs() < x * 0.1 * 20.0_f64.to_radians().tan() {
                    *g = g.saturating_add(80);
                }
            }
        }
        assert_eq!(offer(&f, PxPoint::new(200.0, 200.0), &scale()), Err(Declined::NotPlain));
    }

    #[test]
    fn without_contrast_or_room_nothing_is_offered() {
        let flat = offer(&frame(100.0, 102.0, 20.0, 0.0), PxPoint::new(200.0, 200.0), &scale());
        assert!(matches!(flat, Err(Declined::LittleContrast { .. })), "{flat:?}");
        let border = offer(&frame(60.0, 140.0, 10.0, 0.0), PxPoint::new(10.0, 200.0), &scale());
        assert_eq!(border, Err(Declined::NearBorder));
        assert_eq!(offer(&frame(60.0, 140.0, 10.0, 0.0), PxPoint::new(f64::NAN, 1.0), &scale()), Err(Declined::NearBorder));
    }
}
