//! Figures of several groups one under another, each with its 95 % interval, beside the figure of all.

use super::axes::{broken, number, ticks};
use super::distance_line::Room;
use super::{Anchor, Ink, Shape};

/// One group.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// How many it rests on, in words.
    pub count: String,
    /// The figure.
    pub value: f64,
    /// Its interval; `None` when it cannot be had.
    pub interval: Option<(f64, f64)>,
}

/// All that the plot shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Forest {
    /// What the figures are, with their unit.
    pub of: String,
    /// Digits after the point that figures are printed with.
    pub digits: usize,
    /// The groups, from the top.
    pub groups: Vec<Group>,
    /// The figure of all together, drawn as a broken line down the plot.
    pub all: Option<f64>,
    /// A value that must be in sight and is drawn thin, such as no difference.
    pub from: Option<f64>,
    /// What must stand beside the plot; one line each.
    pub notes: Vec<String>,
}

/// Height of a group in letters.
const ROW: f64 = 2.7;

impl Forest {
    /// The height that the plot needs, points, for letters of a size.
    #[must_use]
    pub fn height(&self, letters: f64) -> f64 {
        letters * (1.8 + ROW * self.groups.len() as f64 + 2.4 + 1.45 * self.notes.len() as f64)
    }

    /// The shapes, in drawing order; none without a group.
    #[must_use]
    pub fn shapes(&self, room: Room) -> Vec<Shape> {
        let l = room.letters;
        let ends = |g: &Group| [Some(g.value), g.interval.map(|i| i.0), g.interval.map(|i| i.1)];
        let all = || self.groups.iter().flat_map(ends).flatten().chain(self.all).chain(self.from).filter(|v| v.is_finite());
        let (Some(low), Some(high)) = (all().reduce(f64::min), all().reduce(f64::max)) else { return Vec::new() };
        let spare = (0.05 * (high - low)).max(1e-3);
        let (low, high) = (low - spare, high + spare);
        let longest = self.groups.iter().map(|g| g.name.chars().count().max(g.count.chars().count())).max().unwrap_or(0);
        let left = (0.56 * l * longest as f64 + l).min(0.45 * room.width);
        let right = (room.width - 11.5 * l).max(left + 1.0);
        let (top, base) = (1.8 * l, 1.8 * l + ROW * l * self.groups.len() as f64);
        let x = |v: f64| left + (v - low) / (high - low) * (right - left);
        let mut out = Vec::new();
        let text = |at: [f64; 2], anchor, text: String, ink| Shape::Text { at, anchor, size: l, text, ink };
        out.push(text([0.2 * l, 0.8 * l], Anchor::Start, self.of.clone(), Ink::Quiet));
        if let Some(v) = self.from {
            out.push(Shape::Line { points: vec![[x(v), top], [x(v), base]], width: 0.75, ink: Ink::Quiet });
        }
        if let Some(v) = self.all {
            out.extend(broken([x(v), top], [x(v), base], 5.0, 4.0, 1.4, Ink::Strong));
        }
        for (i, g) in self.groups.iter().enumerate() {
            let y = top + ROW * l * (i as f64 + 0.5);
            out.push(text([0.2 * l, y - 0.5 * l], Anchor::Start, g.name.clone(), Ink::Strong));
            out.push(text([0.2 * l, y + 0.5 * l], Anchor::Start, g.count.clone(), Ink::Quiet));
            let digits = |v: f64| format!("{v:.*}", self.digits).replace('-', "−");
            let mut words = digits(g.value);
            if let Some((from, to)) = g.interval {
                out.push(Shape::Line { points: vec![[x(from), y], [x(to), y]], width: 1.8, ink: Ink::Strong });
                for end in [from, to] {
                    out.push(Shape::Line { points: vec![[x(end), y - 0.3 * l], [x(end), y + 0.3 * l]], width: 1.8, ink: Ink::Strong });
                }
                words = format!("{words} ({} to {})", digits(from), digits(to));
            }
            // A figure without an interval is a ring: nothing is known of how sure it is.
            out.push(Shape::Dot { at: [x(g.value), y], radius: 0.34 * l, filled: g.interval.is_some(), ink: Ink::Strong });
            out.push(text([right + 0.6 * l, y], Anchor::Start, words, Ink::Strong));
        }
        out.push(Shape::Line { points: vec![[left, base], [right, base]], width: 1.0, ink: Ink::Quiet });
        let marks = ticks(low, high, ((right - left) / (4.0 * l)).floor().clamp(2.0, 9.0) as usize);
        let apart = marks.windows(2).next().map_or(1.0, |w| w[1] - w[0]);
        for mark in &marks {
            out.push(Shape::Line { points: vec![[x(*mark), base], [x(*mark), base + 4.0]], width: 1.0, ink: Ink::Quiet });
            out.push(text([x(*mark), base + 4.0 + 0.8 * l], Anchor::Middle, number(*mark, apart), Ink::Quiet));
        }
        for (i, note) in self.notes.iter().enumerate() {
            let y = base + 2.6 * l + 1.45 * l * i as f64;
            out.push(text([0.2 * l, y], Anchor::Start, note.clone(), Ink::Quiet));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;

    #[test]
    fn groups_lie_one_under_another_at_their_figures_and_within_their_room() {
        let group = |name: &str, value: f64, interval| Group { name: name.into(), count: "12 pairs".into(), value, interval };
        let forest = Forest {
            of: "bias, mm".into(),
            digits: 2,
            groups: vec![group("a", 0.5, Some((-0.2, 1.2))), group("b", 1.5, Some((0.9, 2.1))), group("c", -1.0, None)],
            all: Some(0.6),
            from: Some(0.0),
            notes: vec!["over resampled patients".into()],
        };
        let room = Room { width: 500.0, height: forest.height(12.0), letters: 12.0 };
        let shapes = forest.shapes(room);
        let dots: Vec<([f64; 2], bool)> =
            shapes.iter().filter_map(|s| if let Shape::Dot { at, filled, .. } = s { Some((*at, *filled)) } else { None }).collect();
        assert_eq!(dots.iter().map(|d| d.1).collect::<Vec<_>>(), [true, true, false]);
        assert!(dots[0].0[1] < dots[1].0[1] && dots[1].0[1] < dots[2].0[1]);
        assert!(dots[1].0[0] > dots[0].0[0] && dots[0].0[0] > dots[2].0[0]);
        // Equal steps of the figure are equal steps across.
        assert!(((dots[1].0[0] - dots[0].0[0]) / (dots[0].0[0] - dots[2].0[0]) - 1.0 / 1.5).abs() < 1e-9);
        for s in &shapes {
            if let Shape::Line { points, .. } = s {
                assert!(points.iter().all(|p| p[0] >= 0.0 && p[0] <= 500.0 && p[1] >= 0.0 && p[1] <= room.height), "{s:?}");
            }
        }
        assert!(Forest { groups: Vec::new(), all: None, from: None, ..forest }.shapes(room).is_empty());
    }
}
