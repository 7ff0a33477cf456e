//! Ticks along a ruler that a person picked.

use super::steps::line;
use crate::frame::Frame;
use crate::units::PxPoint;

/// How far to each side of the ruler ticks are looked for, px.
const ASIDE: i32 = 7;
/// Samples a pixel along the ruler.
const FINE: usize = 4;
/// Beyond the picked ends, px: a pick is never exact.
const BEYOND: f64 = 4.0;
/// A tick is at least this share of the highest one.
const LEAST_SHARE: f64 = 0.35;
/// Closer together than this, px, two ticks are one.
const LEAST_STEP: f64 = 3.0;
/// A tick lies this near its place, as a share of the step, but never nearer than 0.7 px is asked.
const REACH: f64 = 0.12;

/// Ticks at equal steps along the ruler from `from` to `to`: number of the place and distance from `from`, px. Fewer than three
/// when there are none.
pub(in crate::calibrate) fn steps_along(frame: &Frame, from: PxPoint, to: PxPoint) -> Vec<(u32, f64)> {
    let peaks = peaks(frame, from, to);
    let mut best: Vec<(i64, f64)> = Vec::new();
    let mut best_score = (0_i64, f64::INFINITY);
    for (i, &first) in peaks.iter().enumerate() {
        for &second in peaks.iter().skip(i + 1).take(4) {
            let step = second - first;
            if step < LEAST_STEP {
                continue;
            }
            let reach = (REACH * step).max(0.7);
            let mut hits: Vec<(i64, f64)> = Vec::new();
            let mut known = step;
            for &p in peaks.iter().skip(i) {
                let number = ((p - first) / known).round();
                if (p - first - number * known).abs() <= reach && hits.iter().all(|h| h.0 != number as i64) {
                    hits.push((number as i64, p));
                    if number >= 2.0 {
                        known = (p - first) / number;
                    }
                }
            }
            let places = hits.last().map_or(0, |h| h.0) + 1;
            // Places without a tick and marks that are on none both speak against it.
            let score = 3 * hits.len() as i64 - places - (peaks.len() - hits.len()) as i64;
            let spread = line(&hits.iter().map(|h| (h.0 as f64, h.1)).collect::<Vec<_>>()).map_or(f64::INFINITY, |l| l.3);
            if hits.len() >= 3 && hits.len() as f64 >= 0.6 * places as f64 && (score, -spread) > (best_score.0, -best_score.1) {
                best_score = (score, spread);
                best = hits;
            }
        }
    }
    // One tick out of line is set aside; the fit then rests on the others.
    let places: Vec<(f64, f64)> = best.iter().map(|h| (h.0 as f64, h.1)).collect();
    if let Some((start, step, _, sd)) = line(&places) {
        best.retain(|(n, at)| (at - start - step * *n as f64).abs() <= (3.0 * sd).max(0.75));
    }
    let zero = best.first().map_or(0, |h| h.0);
    best.into_iter().filter_map(|(n, at)| Some((u32::try_from(n - zero).ok()?, at))).collect()
}

/// Places of bright marks along the ruler, in order.
fn peaks(frame: &Frame, from: PxPoint, to: PxPoint) -> Vec<f64> {
    let v = frame.brightness();
    let (w, h) = (frame.width as usize, frame.height as usize);
    let step = to - from;
    let length = step.x.hypot(step.y);
    let (dx, dy) = (step.x / length, step.y / length);
    let at = |x: f64, y: f64| {
        let (x, y) = (x - 0.5, y - 0.5);
        let value = |c: f64, r: f64| {
            if c < 0.0 || r < 0.0 || c >= w as f64 || r >= h as f64 {
                0.0
            } else {
                v.get(r as usize * w + c as usize).copied().map_or(0.0, f64::from)
            }
        };
        let (c, r) = (x.floor(), y.floor());
        let (fx, fy) = (x - c, y - r);
        (value(c, r) * (1.0 - fx) + value(c + 1.0, r) * fx) * (1.0 - fy)
            + (value(c, r + 1.0) * (1.0 - fx) + value(c + 1.0, r + 1.0) * fx) * fy
    };
    let n = ((length + 2.0 * BEYOND) * FINE as f64) as usize;
    let place = |i: usize| i as f64 / FINE as f64 - BEYOND;
    let profile: Vec<f64> = (0..n.min(40_000))
        .map(|i| {
            let d = place(i);
            let (x, y) = (from.x + dx * d, from.y + dy * d);
            (-ASIDE..=ASIDE).map(|k| at(x - dy * f64::from(k), y + dx * f64::from(k))).sum::<f64>()
        })
        .collect();
    let mut sorted = profile.clone();
    sorted.sort_by(f64::total_cmp);
    let (Some(&most), Some(&ground)) = (sorted.last(), sorted.get(sorted.len() / 2)) else { return Vec::new() };
    let level = ground + LEAST_SHARE * (most - ground);
    if most - ground < 30.0 {
        return Vec::new();
    }
    // Each stretch above the level is a mark; its middle by brightness is its place.
    let mut out = Vec::new();
    let (mut sum, mut moment) = (0.0, 0.0);
    for (i, p) in profile.iter().chain([&ground]).enumerate() {
        if *p > level {
            sum += p - ground;
            moment += (p - ground) * place(i);
        } else if sum > 0.0 {
            out.push(moment / sum);
            (sum, moment) = (0.0, 0.0);
        }
    }
    out.truncate(400);
    out
}
