//! The residual map of a phantom check: where each pin was found, and how far off the fit, drawn much longer than it is.

use super::{Anchor, Ink, Shape};
use crate::phantom::Fit;

/// Longest arrow, as a share of the shorter side of the room.
const LONGEST: f64 = 0.09;

/// The map of a fit in a room of `width` by `height` points, for a frame of `frame` pixels (columns, rows). The scale of the
/// arrows is written below.
#[must_use]
pub fn residual_map(fit: &Fit, frame: [f64; 2], width: f64, height: f64, letters: f64) -> Vec<Shape> {
    let below = 1.8 * letters;
    let per_px = (width / frame[0].max(1.0)).min((height - below).max(1.0) / frame[1].max(1.0));
    let left = (width - per_px * frame[0]) / 2.0;
    let place = |x: f64, y: f64| [left + x * per_px, y * per_px];
    let (w, h) = (per_px * frame[0], per_px * frame[1]);
    let mut out = vec![Shape::Line {
        points: vec![[left, 0.0], [left + w, 0.0], [left + w, h], [left, h], [left, 0.0]],
        width: 1.0,
        ink: Ink::Quiet,
    }];
    let longest = fit.residuals.iter().filter(|r| r.kept).map(|r| r.off_mm[0].hypot(r.off_mm[1])).fold(0.0, f64::max);
    // A round number of mm for the length of the longest arrow.
    let unit = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0].into_iter().find(|u| *u >= longest).unwrap_or(5.0);
    let per_mm = LONGEST * w.min(h) / unit;
    for r in &fit.residuals {
        let from = place(r.at.x, r.at.y);
        out.push(Shape::Dot { at: from, radius: 2.5, filled: r.kept, ink: Ink::Strong });
        if r.kept {
            let to = [from[0] + r.off_mm[0] * per_mm, from[1] + r.off_mm[1] * per_mm];
            let inside = [to[0].clamp(left, left + w), to[1].clamp(0.0, h)];
            out.push(Shape::Line { points: vec![from, inside], width: 1.5, ink: Ink::Strong });
        }
    }
    let y = h + letters;
    let bar = LONGEST * w.min(h);
    out.push(Shape::Line { points: vec![[left, y], [left + bar, y]], width: 1.5, ink: Ink::Strong });
    let aside = if fit.residuals.iter().all(|r| r.kept) { "" } else { " · ring: set aside" };
    out.push(Shape::Text {
        at: [left + bar + letters * 0.6, y],
        anchor: Anchor::Start,
        size: letters,
        text: format!("{unit} mm off the fit{aside}"),
        ink: Ink::Quiet,
    });
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;
    use crate::phantom::made::{Seen, seen};
    use crate::phantom::{check, phantom};

    #[test]
    fn every_pin_is_on_the_map_where_it_was_found_and_nothing_leaves_the_room() {
        let d = phantom("endocavity-10").unwrap();
        let how = Seen { mm_per_px: [0.2; 2], header_mm_per_px: [0.2; 2], pin_sd_mm: [0.1, 0.1], ..Seen::default() };
        let (frame, geometry, _) = seen(&d, &how);
        let fit = check(&frame, &geometry, &d).unwrap().fit;
        let shapes = residual_map(&fit, [f64::from(frame.width), f64::from(frame.height)], 300.0, 400.0, 12.0);
        let dots: Vec<[f64; 2]> = shapes.iter().filter_map(|s| if let Shape::Dot { at, .. } = s { Some(*at) } else { None }).collect();
        assert_eq!(dots.len(), 21);
        for s in &shapes {
            if let Shape::Line { points, .. } = s {
                assert!(points.iter().all(|p| (0.0..=300.0).contains(&p[0]) && (0.0..=400.0).contains(&p[1])), "{points:?}");
            }
        }
        // The first pin of the upper row lies left of and above the last of the lowest.
        assert!(dots[0][0] < dots[20][0] && dots[0][1] < dots[20][1]);
    }
}
