//! A trainee's cases in their order: the error of each with the limit of "done well", and below it the competence chart.
//!
//! Forms carry the meaning, not colours: a filled dot is a case done well, a ring one that was not, a triangle on the lower edge a
//! wrong decision or a case without an exact distance. What was rightly rejected has a short upright stroke on the lower edge.

use super::distance_line::Room;
use super::{Anchor, Ink, Shape};

/// One case.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Case {
    /// Read less true, mm, where it counts.
    pub error_mm: Option<f64>,
    /// Whether it was done well.
    pub well: bool,
}

/// All that the plot shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LearningCurve {
    /// The cases, in order.
    pub cases: Vec<Case>,
    /// The learning sum after each case, from the first on.
    pub learning: Vec<f64>,
    /// The monitoring sum after each later case.
    pub monitoring: Vec<f64>,
    /// Limit of both sums.
    pub limit: f64,
    /// Largest error of a case done well, mm.
    pub within_mm: f64,
}

/// Cases whose errors make one point of the running spread.
const RUNNING: usize = 10;
/// Errors beyond this are drawn at the edge, mm.
const MOST_MM: f64 = 12.0;
/// Share of the height that the upper part takes.
const UPPER: f64 = 0.56;

struct Part {
    left: f64,
    right: f64,
    top: f64,
    base: f64,
    cases: f64,
}

impl Part {
    /// Middle of the place of a case, from 0.
    fn x(&self, case: usize) -> f64 {
        self.left + (case as f64 + 0.5) / self.cases * (self.right - self.left)
    }

    /// Height of a share of the part, 0 at its base.
    fn y(&self, share: f64) -> f64 {
        self.base - share.clamp(0.0, 1.0) * (self.base - self.top)
    }
}

impl LearningCurve {
    /// The shapes, in drawing order; none without a case.
    #[must_use]
    pub fn shapes(&self, room: Room) -> Vec<Shape> {
        if self.cases.is_empty() {
            return Vec::new();
        }
        let l = room.letters;
        // A few cases are not spread over the whole width.
        let cases = self.cases.len().max(20) as f64;
        let part = |top: f64, base: f64| Part { left: 4.2 * l, right: room.width - 0.8 * l, top, base: base.max(top + 1.0), cases };
        let upper = part(1.8 * l, room.height * UPPER);
        let lower = part(room.height * UPPER + 2.6 * l, room.height - 4.2 * l);
        let mut out = Vec::new();
        self.draw_errors(&mut out, &upper, l);
        self.draw_sums(&mut out, &lower, l);
        let text = |at, anchor, text: String| Shape::Text { at, anchor, size: l, text, ink: Ink::Quiet };
        let step = [1, 2, 5, 10, 20, 50, 100, 200, 500].into_iter().find(|s| cases / f64::from(*s) <= 10.0).unwrap_or(1000);
        for n in (1..).map(|i| i * step).take_while(|n| f64::from(*n) <= cases) {
            out.push(text([lower.x(n as usize - 1), lower.base + 1.0 * l], Anchor::Middle, n.to_string()));
        }
        out.push(text(
            [lower.left, room.height - 1.9 * l],
            Anchor::Start,
            "● done well  ○ not  ▲ wrong decision, or no exact distance  | rightly rejected".into(),
        ));
        out.push(text(
            [lower.left, room.height - 0.6 * l],
            Anchor::Start,
            "Cases in the order answered. Thin line above: running SD of ten errors.".into(),
        ));
        out
    }

    fn draw_errors(&self, out: &mut Vec<Shape>, p: &Part, l: f64) {
        let largest = self.cases.iter().filter_map(|c| c.error_mm).map(f64::abs).fold(self.within_mm, f64::max);
        let reach = (largest.min(MOST_MM) + 1.0).ceil();
        // The lowest part is left to cases without an error.
        let share = |mm: f64| 0.58 + 0.42 * mm.clamp(-reach, reach) / reach;
        let text = |at, anchor, text: String| Shape::Text { at, anchor, size: l, text, ink: Ink::Quiet };
        for (mm, width) in [(0.0, 1.5), (self.within_mm, 0.75), (-self.within_mm, 0.75)] {
            let y = p.y(share(mm));
            out.push(Shape::Line { points: vec![[p.left, y], [p.right, y]], width, ink: Ink::Quiet });
            let words = if mm == 0.0 { "0".to_owned() } else { format!("{mm:+.1}").replace('-', "−") };
            out.push(text([p.left - 0.5 * l, y], Anchor::End, words));
        }
        out.push(text([p.left, 0.8 * l], Anchor::Start, "Error, mm: + farther from the os than it is, − nearer".into()));
        let errors: Vec<(usize, f64)> = self.cases.iter().enumerate().filter_map(|(i, c)| Some((i, c.error_mm?))).collect();
        let running: Vec<[f64; 2]> = errors
            .windows(RUNNING)
            .map(|w| {
                let mean = w.iter().map(|(_, e)| e).sum::<f64>() / RUNNING as f64;
                let sd = (w.iter().map(|(_, e)| (e - mean).powi(2)).sum::<f64>() / (RUNNING - 1) as f64).sqrt();
                [p.x(w.last().map_or(0, |(i, _)| *i)), p.y(share(sd))]
            })
            .collect();
        if running.len() > 1 {
            out.push(Shape::Line { points: running, width: 1.0, ink: Ink::Strong });
        }
        for (i, c) in self.cases.iter().enumerate() {
            let x = p.x(i);
            match (c.error_mm, c.well) {
                (Some(e), well) => out.push(Shape::Dot { at: [x, p.y(share(e))], radius: 3.2, filled: well, ink: Ink::Strong }),
                (None, true) => {
                    out.push(Shape::Line { points: vec![[x, p.base], [x, p.base - 0.7 * l]], width: 1.5, ink: Ink::Strong });
                }
                (None, false) => out.push(Shape::Triangle { at: [x, p.base], height: 0.8 * l, ink: Ink::Strong }),
            }
        }
    }

    fn draw_sums(&self, out: &mut Vec<Shape>, p: &Part, l: f64) {
        let most = self.learning.iter().chain(&self.monitoring).copied().fold(self.limit, f64::max) * 1.12;
        let text = |at, anchor, text: String| Shape::Text { at, anchor, size: l, text, ink: Ink::Quiet };
        out.push(text([p.left, p.top - 1.0 * l], Anchor::Start, "Competence chart: rises with cases done well; shown at the limit".into()));
        for (value, width) in [(0.0, 1.0), (self.limit, 1.5)] {
            let y = p.y(value / most);
            out.push(Shape::Line { points: vec![[p.left, y], [p.right, y]], width, ink: Ink::Quiet });
            out.push(text([p.left - 0.5 * l, y], Anchor::End, format!("{value:.1}").replace("0.0", "0")));
        }
        let mut from = 0;
        for (sums, width) in [(&self.learning, 2.0), (&self.monitoring, 1.0)] {
            let points: Vec<[f64; 2]> = sums.iter().enumerate().map(|(i, s)| [p.x(from + i), p.y(s / most)]).collect();
            for at in &points {
                out.push(Shape::Dot { at: *at, radius: 1.6, filled: width > 1.5, ink: Ink::Strong });
            }
            if points.len() > 1 {
                out.push(Shape::Line { points, width, ink: Ink::Strong });
            }
            from += sums.len();
        }
        if !self.monitoring.is_empty() {
            let x = p.x(self.learning.len()) - 0.5 / p.cases * (p.right - p.left);
            out.push(Shape::Line { points: vec![[x, p.top], [x, p.base]], width: 1.0, ink: Ink::Strong });
            out.push(text([x + 0.4 * l, p.y(0.86)], Anchor::Start, "shown; from here: decline".into()));
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    const ROOM: Room = Room { width: 600.0, height: 400.0, letters: 12.0 };

    fn curve(cases: Vec<Case>) -> LearningCurve {
        LearningCurve { learning: vec![0.2; cases.len()], cases, monitoring: Vec::new(), limit: 3.5, within_mm: 3.9 }
    }

    #[test]
    fn cases_stand_in_order_and_errors_by_their_sign_and_form() {
        let case = |error_mm, well| Case { error_mm, well };
        let shapes = curve(vec![case(Some(2.0), true), case(Some(-6.0), false), case(None, true), case(None, false)]).shapes(ROOM);
        let dots: Vec<([f64; 2], bool)> = shapes
            .iter()
            .filter_map(|s| match s {
                Shape::Dot { at, radius, filled, .. } if *radius > 3.0 => Some((*at, *filled)),
                _ => None,
            })
            .collect();
        let [(a, true), (b, false)] = dots[..] else { panic!("{dots:?}") };
        assert!(a[0] < b[0] && a[1] < b[1], "a positive error lies higher");
        assert_eq!(shapes.iter().filter(|s| matches!(s, Shape::Triangle { .. })).count(), 1);
        assert!(curve(Vec::new()).shapes(ROOM).is_empty());
    }

    #[test]
    fn everything_lies_in_the_room_whatever_the_errors() {
        let cases: Vec<Case> = (0..400).map(|i| Case { error_mm: Some(f64::from(i) - 200.0), well: i % 2 == 0 }).collect();
        let mut c = curve(cases);
        c.monitoring = vec![9.0; 50];
        for shape in c.shapes(ROOM) {
            let points: Vec<[f64; 2]> = match shape {
                Shape::Line { points, .. } => points,
                Shape::Dot { at, .. } | Shape::Text { at, .. } | Shape::Triangle { at, .. } => vec![at],
                _ => Vec::new(),
            };
            for [x, y] in points {
                assert!((0.0..=700.0).contains(&x) && (0.0..=400.0).contains(&y), "{x} {y}");
            }
        }
    }
}
