//! Bright pins in a frame, each to a small part of a pixel.

use image::{ImageBuffer, Luma};
use imageproc::filter::gaussian_blur_f32;

use crate::calibrate::header::Bounds;
use crate::frame::{Frame, Samples};
use crate::units::PxPoint;

/// Most pins that are looked at, brightest first, for each one that the phantom has.
const MOST_EACH: usize = 2;
/// A pin is at least this many robust SDs of the band-passed picture high.
const NOISE_SDS: f64 = 5.0;
/// And at least this share of the middle one of the brightest pins that the phantom has.
const SHARE: f64 = 0.3;

/// A pin that was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pin {
    /// Its centroid, px from the outer corner of the first pixel.
    pub at: PxPoint,
    /// How much brighter than its surroundings, grey levels of 0 to 255.
    pub contrast: f64,
}

/// A grey picture with values from 0 to 255.
pub(crate) struct Grey {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) data: Vec<f32>,
}

impl Grey {
    /// Brightness of a frame; of colours the mean.
    pub(crate) fn of(frame: &Frame) -> Self {
        let data = match &frame.samples {
            Samples::Gray8(d) => d.iter().map(|&v| f32::from(v)).collect(),
            Samples::Gray16 { data, max } => data.iter().map(|&v| f32::from(v) * 255.0 / f32::from((*max).max(1))).collect(),
            Samples::Rgb8(d) => d.chunks_exact(3).map(|p| p.iter().map(|&v| f32::from(v)).sum::<f32>() / 3.0).collect(),
        };
        Self { width: frame.width as usize, height: frame.height as usize, data }
    }

    /// The value at a pixel; the nearest one outside the picture.
    pub(crate) fn at(&self, x: isize, y: isize) -> f32 {
        let x = x.clamp(0, self.width as isize - 1) as usize;
        let y = y.clamp(0, self.height as isize - 1) as usize;
        self.data.get(y * self.width + x).copied().unwrap_or(0.0)
    }
}

/// The pins in `bounds` of a frame. `spacing_px` (across, down) is about the shortest distance between two pins, and
/// `expected` about how many there are.
#[must_use]
pub fn find_pins(frame: &Frame, bounds: Bounds, spacing_px: [f64; 2], expected: usize) -> Vec<Pin> {
    let grey = Grey::of(frame);
    let (x0, y0) = (bounds.min_x as usize, bounds.min_y as usize);
    let (w, h) = bounds.size();
    let (w, h) = ((w as usize).min(grey.width.saturating_sub(x0)), (h as usize).min(grey.height.saturating_sub(y0)));
    if w < 8 || h < 8 || spacing_px.iter().any(|s| !s.is_finite() || *s < 4.0) {
        return Vec::new();
    }
    let cut: Vec<f32> =
        (0..h).flat_map(|y| (0..w).map(move |x| (x, y))).map(|(x, y)| grey.at((x0 + x) as isize, (y0 + y) as isize)).collect();
    let Some(picture) = ImageBuffer::<Luma<f32>, Vec<f32>>::from_raw(w as u32, h as u32, cut) else { return Vec::new() };
    let s = spacing_px[0].min(spacing_px[1]);
    let fine = gaussian_blur_f32(&picture, (0.07 * s).clamp(1.0, 4.0) as f32);
    let coarse = gaussian_blur_f32(&picture, (0.3 * s).clamp(2.5, 40.0) as f32);
    let band: Vec<f32> = fine.as_raw().iter().zip(coarse.as_raw()).map(|(a, b)| a - b).collect();
    let reach = [(0.28 * spacing_px[0]).ceil() as isize, (0.28 * spacing_px[1]).ceil() as isize];
    let mut peaks = peaks(&band, w, h, reach);
    peaks.sort_by(|a, b| b.2.total_cmp(&a.2));
    peaks.truncate(MOST_EACH * expected.max(8));
    let noise = 1.4826 * middle(band.iter().map(|v| f64::from(v.abs())).collect());
    let strong = middle(peaks.iter().take(expected.max(1)).map(|p| f64::from(p.2)).collect());
    let least = (NOISE_SDS * noise).max(SHARE * strong).max(2.0);
    peaks
        .into_iter()
        .filter(|p| f64::from(p.2) >= least)
        .filter_map(|(x, y, v)| {
            let start = PxPoint::new((x0 + x) as f64 + 0.5, (y0 + y) as f64 + 0.5);
            let at = centroid(&grey, start, [0.2 * spacing_px[0], 0.2 * spacing_px[1]])?;
            let inside = bounds.holds(at);
            inside.then_some(Pin { at, contrast: f64::from(v) })
        })
        .collect()
}

/// Places that nothing within `reach` exceeds: column, row, value.
fn peaks(band: &[f32], w: usize, h: usize, reach: [isize; 2]) -> Vec<(usize, usize, f32)> {
    let value = |x: isize, y: isize| {
        if x < 0 || y < 0 || x >= w as isize || y >= h as isize {
            f32::NEG_INFINITY
        } else {
            band.get(y as usize * w + x as usize).copied().unwrap_or(f32::NEG_INFINITY)
        }
    };
    let mut out = Vec::new();
    for y in 0..h as isize {
        for x in 0..w as isize {
            let v = value(x, y);
            // The four neighbours first: most places fall there.
            if v <= 0.0 || value(x - 1, y) > v || value(x + 1, y) > v || value(x, y - 1) > v || value(x, y + 1) > v {
                continue;
            }
            // Of equal values the first one stands.
            let beaten = (-reach[1]..=reach[1]).any(|dy| {
                (-reach[0]..=reach[0]).any(|dx| {
                    let other = value(x + dx, y + dy);
                    other > v || (other >= v && (dy, dx) < (0, 0))
                })
            });
            if !beaten {
                out.push((x as usize, y as usize, v));
            }
        }
    }
    out
}

/// The centroid under a Gaussian window that follows it: for a spot that is even about its middle it rests there.
fn centroid(grey: &Grey, start: PxPoint, window: [f64; 2]) -> Option<PxPoint> {
    let window = window.map(|s| s.max(1.2));
    let reach = window.map(|s| (3.0 * s).ceil() as isize);
    let mut at = start;
    let floor = f64::from(surroundings(grey, start, reach));
    for _ in 0..30 {
        let (cx, cy) = (at.x.floor() as isize, at.y.floor() as isize);
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for y in cy - reach[1]..=cy + reach[1] {
            for x in cx - reach[0]..=cx + reach[0] {
                let (dx, dy) = (x as f64 + 0.5 - at.x, y as f64 + 0.5 - at.y);
                let weight = (-0.5 * ((dx / window[0]).powi(2) + (dy / window[1]).powi(2))).exp();
                let v = (f64::from(grey.at(x, y)) - floor).max(0.0) * weight;
                sum += v;
                sx += v * dx;
                sy += v * dy;
            }
        }
        if sum <= 0.0 {
            return None;
        }
        let step = [sx / sum, sy / sum];
        at = PxPoint::new(at.x + 1.5 * step[0], at.y + 1.5 * step[1]);
        if (at.x - start.x).abs() > 2.0 * window[0] + 1.0 || (at.y - start.y).abs() > 2.0 * window[1] + 1.0 {
            return None;
        }
        if step[0].hypot(step[1]) < 1e-4 {
            break;
        }
    }
    Some(at)
}

/// The middle value on the rim of the window.
fn surroundings(grey: &Grey, at: PxPoint, reach: [isize; 2]) -> f32 {
    let (cx, cy) = (at.x.floor() as isize, at.y.floor() as isize);
    let mut rim: Vec<f32> = Vec::new();
    for x in cx - reach[0]..=cx + reach[0] {
        rim.extend([grey.at(x, cy - reach[1]), grey.at(x, cy + reach[1])]);
    }
    for y in cy - reach[1]..=cy + reach[1] {
        rim.extend([grey.at(cx - reach[0], y), grey.at(cx + reach[0], y)]);
    }
    rim.sort_by(f32::total_cmp);
    rim.get(rim.len() / 2).copied().unwrap_or(0.0)
}

/// The middle value; 0 of none.
pub(crate) fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
