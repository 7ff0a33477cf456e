//! Small bright marks on a dark ground.

use image::{GrayImage, ImageBuffer, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};

/// A mark is at most this thick, px.
const MOST_THICK: usize = 5;
/// And at most this long.
const MOST_LONG: usize = 26;
/// Half the side of the square whose mean is the ground.
const GROUND: usize = 6;
/// A mark is at least this much brighter than its ground, grey levels.
const LEAST_CONTRAST: f64 = 14.0;
/// The rim around a mark is at most this share of the mark as bright: speckle and letters are not that alone.
const MOST_RIM: f64 = 0.45;
/// More marks than this are no marks.
const MOST_MARKS: usize = 6_000;

/// One mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::calibrate) struct Mark {
    /// Its middle by brightness, px.
    pub(in crate::calibrate) x: f64,
    pub(in crate::calibrate) y: f64,
    /// Its left edge, px.
    pub(in crate::calibrate) left: f64,
    /// Its right edge.
    pub(in crate::calibrate) right: f64,
    /// Its upper edge.
    pub(in crate::calibrate) top: f64,
    /// Its lower edge.
    pub(in crate::calibrate) bottom: f64,
    /// Brightness above the ground, summed.
    pub(in crate::calibrate) mass: f64,
}

impl Mark {
    /// With x and y exchanged.
    pub(in crate::calibrate) fn turned(&self) -> Self {
        Self { x: self.y, y: self.x, left: self.top, right: self.bottom, top: self.left, bottom: self.right, mass: self.mass }
    }

    /// Size from left to right.
    pub(in crate::calibrate) fn wide(&self) -> f64 {
        self.right - self.left
    }

    /// Size from top to bottom.
    pub(in crate::calibrate) fn high(&self) -> f64 {
        self.bottom - self.top
    }
}

/// Sums of all values above and to the left, for means of squares.
struct Sums {
    w: usize,
    h: usize,
    sums: Vec<u64>,
}

impl Sums {
    fn of(v: &[u8], w: usize, h: usize) -> Self {
        let mut sums = vec![0_u64; (w + 1) * (h + 1)];
        for y in 0..h {
            let mut row = 0_u64;
            for x in 0..w {
                row += u64::from(v[y * w + x]);
                sums[(y + 1) * (w + 1) + x + 1] = sums[y * (w + 1) + x + 1] + row;
            }
        }
        Self { w, h, sums }
    }

    fn total(&self, x0: usize, y0: usize, x1: usize, y1: usize) -> f64 {
        let at = |x: usize, y: usize| self.sums[y.min(self.h) * (self.w + 1) + x.min(self.w)] as i64;
        (at(x1, y1) - at(x0, y1) - at(x1, y0) + at(x0, y0)) as f64
    }

    /// Mean of the square around a pixel, cut at the borders.
    fn ground(&self, x: usize, y: usize) -> f64 {
        let (x0, y0) = (x.saturating_sub(GROUND), y.saturating_sub(GROUND));
        let (x1, y1) = ((x + GROUND + 1).min(self.w), (y + GROUND + 1).min(self.h));
        self.total(x0, y0, x1, y1) / ((x1 - x0) * (y1 - y0)) as f64
    }
}

/// The marks of a picture of `w` by `h` values. `v` has exactly `w × h` of them.
pub(in crate::calibrate) fn marks_of(v: &[u8], w: usize, h: usize) -> Vec<Mark> {
    let sums = Sums::of(v, w, h);
    let mask: Vec<u8> = (0..w * h)
        .map(|i| {
            let (value, ground) = (f64::from(v[i]), sums.ground(i % w, i / w));
            u8::from(value - ground >= LEAST_CONTRAST.max(0.35 * value))
        })
        .collect();
    let Some(mask) = GrayImage::from_raw(w as u32, h as u32, mask) else { return Vec::new() };
    let labels: ImageBuffer<Luma<u32>, Vec<u32>> = connected_components(&mask, Connectivity::Eight, Luma([0]));
    let mut boxes: Vec<[usize; 4]> = Vec::new();
    for (i, &label) in labels.as_raw().iter().enumerate().filter(|(_, l)| **l > 0) {
        let (x, y, n) = (i % w, i / w, label as usize - 1);
        if boxes.len() <= n {
            boxes.resize(n + 1, [usize::MAX, usize::MAX, 0, 0]);
        }
        let b = &mut boxes[n];
        *b = [b[0].min(x), b[1].min(y), b[2].max(x + 1), b[3].max(y + 1)];
    }
    let small = |b: &[usize; 4]| {
        let (wide, high) = (b[2].saturating_sub(b[0]), b[3].saturating_sub(b[1]));
        wide.min(high) >= 1 && wide.min(high) <= MOST_THICK && wide.max(high) <= MOST_LONG
    };
    let marks: Vec<Mark> = boxes.iter().filter(|b| small(b)).filter_map(|b| mark(v, w, h, &sums, *b)).collect();
    if marks.len() > MOST_MARKS { Vec::new() } else { marks }
}

fn mark(v: &[u8], w: usize, h: usize, sums: &Sums, [x0, y0, x1, y1]: [usize; 4]) -> Option<Mark> {
    let peak = (y0..y1).flat_map(|y| v[y * w + x0..y * w + x1].iter()).copied().max().map(f64::from)?;
    // The rim two pixels out, where it lies in the picture.
    let (ox0, oy0, ox1, oy1) = (x0.saturating_sub(3), y0.saturating_sub(3), (x1 + 3).min(w), (y1 + 3).min(h));
    let (ix0, iy0, ix1, iy1) = (x0.saturating_sub(1), y0.saturating_sub(1), (x1 + 1).min(w), (y1 + 1).min(h));
    let area = |a: usize, b: usize, c: usize, d: usize| ((c - a) * (d - b)) as f64;
    let rim_area = area(ox0, oy0, ox1, oy1) - area(ix0, iy0, ix1, iy1);
    if rim_area <= 0.0 {
        return None;
    }
    let rim = (sums.total(ox0, oy0, ox1, oy1) - sums.total(ix0, iy0, ix1, iy1)) / rim_area;
    if rim > MOST_RIM * peak {
        return None;
    }
    let (mut mass, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for y in iy0..iy1 {
        for x in ix0..ix1 {
            let value = (f64::from(v[y * w + x]) - rim).max(0.0);
            mass += value;
            sx += value * (x as f64 + 0.5);
            sy += value * (y as f64 + 0.5);
        }
    }
    (mass > 0.0).then(|| Mark { x: sx / mass, y: sy / mass, left: x0 as f64, right: x1 as f64, top: y0 as f64, bottom: y1 as f64, mass })
}
