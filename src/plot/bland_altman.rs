//! The plot of two readers' differences against their means: bias, limits of agreement, the intervals of both, and the line
//! of proportional bias where it is known.
//!
//! Source: Bland & Altman, Lancet 1986;i:307–10. Lines differ by their dashes and points by their form, so that the plot can
//! be read in black and white.

use super::axes::{Form, broken, number, ticks};
use super::distance_line::Room;
use super::{Anchor, Ink, Shape};

/// One pair of readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Mean of the two, signed mm from the os.
    pub mean_mm: f64,
    /// First less second, mm.
    pub difference_mm: f64,
    /// The marker of its group.
    pub form: Form,
}

/// A level across the plot with its 95 % interval, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Where it is.
    pub at_mm: f64,
    /// Its interval; `None` when it cannot be had.
    pub interval_mm: Option<(f64, f64)>,
}

/// The line of differences on means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Difference at a mean of 0, mm.
    pub intercept_mm: f64,
    /// Change of the difference, mm per mm of the mean.
    pub per_mm: f64,
}

/// What part of the plane is shown, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// Means from and to.
    pub means: (f64, f64),
    /// Differences from and to.
    pub differences: (f64, f64),
}

impl View {
    /// The same part, `times` as near, about a point that stays where it is.
    #[must_use]
    pub fn zoomed(&self, times: f64, about: (f64, f64)) -> Self {
        // Beyond these nothing could be told apart, or everything would be one point.
        let side = |(low, high): (f64, f64), at: f64| {
            let k = 1.0 / times.clamp((high - low) / 10_000.0, (high - low) / 0.01).max(1e-9);
            (at + (low - at) * k, at + (high - at) * k)
        };
        Self { means: side(self.means, about.0), differences: side(self.differences, about.1) }
    }

    /// The part so many mm further.
    #[must_use]
    pub fn moved(&self, means: f64, differences: f64) -> Self {
        let side = |(low, high): (f64, f64), by: f64| (low + by, high + by);
        Self { means: side(self.means, means), differences: side(self.differences, differences) }
    }

    fn holds(&self, p: &Point) -> bool {
        let inside = |v: f64, (low, high): (f64, f64)| v >= low && v <= high;
        inside(p.mean_mm, self.means) && inside(p.difference_mm, self.differences)
    }

    /// Its middle, mm.
    #[must_use]
    pub const fn middle(&self) -> (f64, f64) {
        (f64::midpoint(self.means.0, self.means.1), f64::midpoint(self.differences.0, self.differences.1))
    }
}

/// All that the plot shows.
#[derive(Clone, Debug, PartialEq)]
pub struct BlandAltman {
    /// What the differences are, such as "A − B".
    pub of: String,
    /// The pairs.
    pub points: Vec<Point>,
    /// The mean difference.
    pub bias: Level,
    /// Lower limit of agreement.
    pub lower: Level,
    /// Upper limit of agreement.
    pub upper: Level,
    /// The line of proportional bias.
    pub slope: Option<Slope>,
    /// What each form stands for; empty when all points are of one group.
    pub legend: Vec<(Form, String)>,
    /// How the intervals were made, and anything else that must stand beside the plot; one line each.
    pub notes: Vec<String>,
    /// The part that is looked at; the whole when `None`.
    pub view: Option<View>,
    /// The point that is looked at, by its place.
    pub chosen: Option<usize>,
}

/// Where the plane lies in a room of points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    view: View,
}

impl Plane {
    /// Across, points.
    #[must_use]
    pub fn x(&self, mean_mm: f64) -> f64 {
        let (low, high) = self.view.means;
        self.left + (mean_mm - low) / (high - low) * (self.right - self.left)
    }

    /// Down, points.
    #[must_use]
    pub fn y(&self, difference_mm: f64) -> f64 {
        let (low, high) = self.view.differences;
        self.bottom - (difference_mm - low) / (high - low) * (self.bottom - self.top)
    }

    /// The mean and difference at a point of the room, mm.
    #[must_use]
    pub fn mm(&self, at: [f64; 2]) -> (f64, f64) {
        let along = |t: f64, (low, high): (f64, f64)| low + t * (high - low);
        (
            along((at[0] - self.left) / (self.right - self.left), self.view.means),
            along((self.bottom - at[1]) / (self.bottom - self.top), self.view.differences),
        )
    }

    /// mm of mean and of difference a point of the room is.
    #[must_use]
    pub fn mm_per_point(&self) -> (f64, f64) {
        let (m, d) = (self.view.means, self.view.differences);
        ((m.1 - m.0) / (self.right - self.left), (d.1 - d.0) / (self.bottom - self.top))
    }
}

impl BlandAltman {
    /// The part that shows everything, mm. Differences are as far above 0 as below.
    #[must_use]
    pub fn whole(&self) -> View {
        let levels = [self.bias, self.lower, self.upper];
        let farthest = |all: &mut dyn Iterator<Item = f64>| all.filter(|v| v.is_finite()).fold(0.5_f64, |m, v| m.max(v.abs()));
        let near = farthest(&mut levels.iter().map(|l| l.at_mm).chain(self.points.iter().map(|p| p.difference_mm)));
        let ends = farthest(&mut levels.iter().filter_map(|l| l.interval_mm).flat_map(|(low, high)| [low, high]));
        // Intervals of very few pairs reach so far that nothing else could be told apart.
        let far = near.max(ends.min(2.0 * near));
        let means = || self.points.iter().map(|p| p.mean_mm).filter(|v| v.is_finite());
        let (low, high) = (means().reduce(f64::min).unwrap_or(0.0), means().reduce(f64::max).unwrap_or(1.0));
        let spare = (0.06 * (high - low)).max(0.5);
        View { means: (low - spare, high + spare), differences: (-1.12 * far, 1.12 * far) }
    }

    /// The part that is shown, mm.
    #[must_use]
    pub fn shown(&self) -> View {
        self.view.unwrap_or_else(|| self.whole())
    }

    /// Whether the point at this place is in what is shown.
    #[must_use]
    pub fn shows(&self, place: usize) -> bool {
        self.points.get(place).is_some_and(|p| self.shown().holds(p))
    }

    /// Where the plane lies in a room.
    #[must_use]
    pub fn plane(&self, room: Room) -> Plane {
        let l = room.letters;
        let left = 3.4 * l;
        let top = 2.0 * l;
        let under = 3.2 * l + 1.45 * l * (self.legend_rows(room).len() + self.notes.len()) as f64;
        Plane {
            left,
            // Words about the levels stand to the right of the plane.
            right: (room.width - 11.5 * l).max(left + 1.0),
            top,
            bottom: (room.height - under).max(top + 1.0),
            view: self.shown(),
        }
    }

    /// The point nearest to a place of the room, no farther than `within` points.
    #[must_use]
    pub fn nearest(&self, room: Room, at: [f64; 2], within: f64) -> Option<usize> {
        let plane = self.plane(room);
        let far = |p: &Point| (plane.x(p.mean_mm) - at[0]).hypot(plane.y(p.difference_mm) - at[1]);
        let seen = self.points.iter().enumerate().filter(|(_, p)| plane.view.holds(p)).map(|(i, p)| (i, far(p)));
        seen.filter(|(_, d)| *d <= within).min_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| i)
    }

    /// The point that comes after (`by` 1) or before (`by` −1) the chosen one in the order of means; the first or last when
    /// none is chosen or there is none further.
    #[must_use]
    pub fn stepped(&self, by: i64) -> Option<usize> {
        let mut order: Vec<usize> = (0..self.points.len()).collect();
        let of = |i: &usize| self.points.get(*i).map(|p| (p.mean_mm, p.difference_mm)).unwrap_or_default();
        order.sort_by(|a, b| of(a).0.total_cmp(&of(b).0).then(of(a).1.total_cmp(&of(b).1)));
        let Some(place) = self.chosen.and_then(|c| order.iter().position(|i| *i == c)) else {
            return if by < 0 { order.last().copied() } else { order.first().copied() };
        };
        let to = i64::try_from(place).unwrap_or(0).saturating_add(by).clamp(0, i64::try_from(order.len()).unwrap_or(1) - 1);
        order.get(usize::try_from(to).unwrap_or(0)).copied()
    }

    /// The shapes, in drawing order; none without a point.
    #[must_use]
    pub fn shapes(&self, room: Room) -> Vec<Shape> {
        if self.points.is_empty() {
            return Vec::new();
        }
        let plane = self.plane(room);
        let mut out = Vec::new();
        self.draw_levels(&mut out, &plane);
        self.draw_axes(&mut out, &plane, room);
        let radius = (0.34 * room.letters).clamp(2.5, 5.0);
        for p in self.points.iter().filter(|p| plane.view.holds(p)) {
            out.extend(p.form.shapes([plane.x(p.mean_mm), plane.y(p.difference_mm)], radius, Ink::Strong));
        }
        if let Some(p) = self.chosen.and_then(|i| self.points.get(i)).filter(|p| plane.view.holds(p)) {
            let (x, y, r) = (plane.x(p.mean_mm), plane.y(p.difference_mm), 2.4 * radius);
            let corners = vec![[x - r, y - r], [x + r, y - r], [x + r, y + r], [x - r, y + r], [x - r, y - r]];
            out.push(Shape::Line { points: corners, width: 2.0, ink: Ink::Strong });
        }
        self.draw_words(&mut out, &plane, room);
        out
    }

    fn draw_levels(&self, out: &mut Vec<Shape>, f: &Plane) {
        let (low, high) = f.view.differences;
        for level in [self.bias, self.lower, self.upper] {
            if let Some((from, to)) = level.interval_mm {
                let (y, base) = (f.y(to.clamp(low, high)), f.y(from.clamp(low, high)));
                if base > y {
                    out.push(Shape::Bar { x: f.left, y, width: f.right - f.left, height: base - y, ink: Ink::Shade });
                }
            }
        }
        let inside = |mm: f64| mm >= low && mm <= high;
        let across = |mm: f64| ([f.left, f.y(mm)], [f.right, f.y(mm)]);
        if inside(0.0) {
            let (a, b) = across(0.0);
            out.push(Shape::Line { points: vec![a, b], width: 0.75, ink: Ink::Quiet });
        }
        if inside(self.bias.at_mm) {
            let (a, b) = across(self.bias.at_mm);
            out.push(Shape::Line { points: vec![a, b], width: 2.0, ink: Ink::Strong });
        }
        for limit in [self.lower, self.upper] {
            if inside(limit.at_mm) {
                let (a, b) = across(limit.at_mm);
                out.extend(broken(a, b, 9.0, 5.0, 1.6, Ink::Strong));
            }
        }
        if let Some(((x0, y0), (x1, y1))) = self.slope.and_then(|s| clipped(s, &f.view)) {
            out.extend(broken([f.x(x0), f.y(y0)], [f.x(x1), f.y(y1)], 2.0, 4.0, 1.6, Ink::Strong));
        }
    }

    fn draw_axes(&self, out: &mut Vec<Shape>, f: &Plane, room: Room) {
        let l = room.letters;
        let text = |at: [f64; 2], anchor, text: String| Shape::Text { at, anchor, size: l, text, ink: Ink::Quiet };
        let axis = |points| Shape::Line { points, width: 1.0, ink: Ink::Quiet };
        out.push(axis(vec![[f.left, f.top], [f.left, f.bottom], [f.right, f.bottom]]));
        let most = |points: f64, each: f64| (points / each).floor().clamp(2.0, 12.0) as usize;
        let apart = |marks: &[f64]| marks.windows(2).next().map_or(1.0, |w| (w[1] - w[0]).abs());
        let down = ticks(f.view.differences.0, f.view.differences.1, most(f.bottom - f.top, 2.2 * l));
        for mm in &down {
            let y = f.y(*mm);
            out.push(axis(vec![[f.left - 4.0, y], [f.left, y]]));
            out.push(text([f.left - 7.0, y], Anchor::End, number(*mm, apart(&down))));
        }
        let along = ticks(f.view.means.0, f.view.means.1, most(f.right - f.left, 4.0 * l));
        for mm in &along {
            let x = f.x(*mm);
            out.push(axis(vec![[x, f.bottom], [x, f.bottom + 4.0]]));
            out.push(text([x, f.bottom + 4.0 + 0.8 * l], Anchor::Middle, number(*mm, apart(&along))));
        }
        out.push(text([0.2 * l, 0.8 * l], Anchor::Start, format!("{}, mm", self.of)));
        out.push(text([f.right, f.bottom + 2.4 * l], Anchor::End, "mean of the two, mm from the os; below 0, overlap".into()));
        let beyond = self.points.iter().filter(|p| !f.view.holds(p)).count();
        if beyond > 0 {
            out.push(text([f.right, 0.8 * l], Anchor::End, format!("{beyond} outside what is shown")));
        }
    }

    fn draw_words(&self, out: &mut Vec<Shape>, f: &Plane, room: Room) {
        let l = room.letters;
        // Two lines each, spread so that none lies on another.
        let apart = 2.5 * l;
        let mut levels = [("upper limit", self.upper), ("bias", self.bias), ("lower limit", self.lower)]
            .map(|(name, level)| (name, level, f.y(level.at_mm).clamp(f.top, f.bottom)));
        for i in 1..levels.len() {
            let least = levels[i - 1].2 + apart;
            levels[i].2 = levels[i].2.max(least);
        }
        let room_below = f.bottom - l;
        if levels[2].2 > room_below {
            levels[2].2 = room_below;
            for i in (0..2).rev() {
                levels[i].2 = levels[i].2.min(levels[i + 1].2 - apart);
            }
        }
        let x = f.right + 0.6 * l;
        for (name, level, y) in levels {
            let mut put = |dy: f64, text: String, ink: Ink| {
                out.push(Shape::Text { at: [x, y + dy], anchor: Anchor::Start, size: l, text, ink });
            };
            put(-0.6 * l, format!("{name} {}", signed(level.at_mm)), Ink::Strong);
            if let Some((low, high)) = level.interval_mm {
                put(0.6 * l, format!("{} to {}", signed(low), signed(high)), Ink::Quiet);
            }
        }
        let mut y = f.bottom + 3.6 * l;
        for row in self.legend_rows(room) {
            let mut x = f.left;
            for (form, name) in row {
                out.extend(form.shapes([x, y], 0.34 * l, Ink::Strong));
                out.push(Shape::Text { at: [x + 0.8 * l, y], anchor: Anchor::Start, size: l, text: name.clone(), ink: Ink::Quiet });
                x += entry_width(name, l);
            }
            y += 1.45 * l;
        }
        for note in &self.notes {
            out.push(Shape::Text { at: [0.2 * l, y], anchor: Anchor::Start, size: l, text: note.clone(), ink: Ink::Quiet });
            y += 1.45 * l;
        }
    }

    /// The legend in rows that fit.
    fn legend_rows(&self, room: Room) -> Vec<Vec<&(Form, String)>> {
        let mut rows: Vec<Vec<&(Form, String)>> = Vec::new();
        let mut wide = f64::INFINITY;
        for entry in &self.legend {
            let width = entry_width(&entry.1, room.letters);
            if wide + width > room.width - 4.0 * room.letters {
                rows.push(Vec::new());
                wide = 0.0;
            }
            wide += width;
            if let Some(row) = rows.last_mut() {
                row.push(entry);
            }
        }
        rows
    }
}

/// About as wide as an entry of the legend is, points.
fn entry_width(name: &str, letters: f64) -> f64 {
    letters * (0.56 * name.chars().count() as f64 + 2.4)
}

/// A length with its sign and two digits.
fn signed(mm: f64) -> String {
    format!("{mm:+.2}").replace('-', "−")
}

/// The part of a line that lies in view.
fn clipped(s: Slope, view: &View) -> Option<((f64, f64), (f64, f64))> {
    let (low, high) = view.differences;
    let at = |mean: f64| s.intercept_mm + s.per_mm * mean;
    let (mut from, mut to) = view.means;
    if s.per_mm.abs() > 1e-12 {
        let (a, b) = ((low - s.intercept_mm) / s.per_mm, (high - s.intercept_mm) / s.per_mm);
        (from, to) = (from.max(a.min(b)), to.min(a.max(b)));
    } else if !(low..=high).contains(&s.intercept_mm) {
        return None;
    }
    (to > from && from.is_finite() && to.is_finite()).then(|| ((from, at(from)), (to, at(to))))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    const ROOM: Room = Room { width: 700.0, height: 420.0, letters: 12.0 };

    fn plot() -> BlandAltman {
        let points = (0..30)
            .map(|i| Point {
                mean_mm: f64::from(i) - 4.0,
                difference_mm: f64::from(i % 5) - 1.5,
                form: if i % 2 == 0 { Form::Dot } else { Form::Ring },
            })
            .collect();
        BlandAltman {
            of: "A − B".into(),
            points,
            bias: Level { at_mm: 0.5, interval_mm: Some((0.1, 0.9)) },
            lower: Level { at_mm: -2.3, interval_mm: Some((-3.0, -1.8)) },
            upper: Level { at_mm: 3.3, interval_mm: Some((2.8, 4.0)) },
            slope: Some(Slope { intercept_mm: -0.2, per_mm: 0.05 }),
            legend: vec![(Form::Dot, "even".into()), (Form::Ring, "odd".into())],
            notes: vec!["Bands: 95 % intervals over resampled patients".into()],
            view: None,
            chosen: None,
        }
    }

    fn texts(shapes: &[Shape]) -> Vec<(String, [f64; 2])> {
        shapes.iter().filter_map(|s| if let Shape::Text { text, at, .. } = s { Some((text.clone(), *at)) } else { None }).collect()
    }

    fn dots(shapes: &[Shape], filled: bool) -> Vec<[f64; 2]> {
        shapes.iter().filter_map(|s| if let Shape::Dot { at, filled: f, .. } = s { (*f == filled).then_some(*at) } else { None }).collect()
    }

    #[test]
    fn points_levels_and_their_intervals_lie_where_their_millimetres_are() {
        let p = plot();
        let (plane, shapes) = (p.plane(ROOM), p.shapes(ROOM));
        // One more of each form is in the legend.
        assert_eq!((dots(&shapes, true).len(), dots(&shapes, false).len()), (16, 16));
        for point in &p.points {
            let at = [plane.x(point.mean_mm), plane.y(point.difference_mm)];
            assert!(dots(&shapes, point.form == Form::Dot).contains(&at));
            let (mean, difference) = plane.mm(at);
            assert!((mean - point.mean_mm).abs() < 1e-9 && (difference - point.difference_mm).abs() < 1e-9);
        }
        let bars: Vec<(f64, f64)> =
            shapes.iter().filter_map(|s| if let Shape::Bar { y, height, .. } = s { Some((*y, y + height)) } else { None }).collect();
        for level in [p.bias, p.lower, p.upper] {
            let (low, high) = level.interval_mm.unwrap();
            assert!(bars.iter().any(|b| (b.0 - plane.y(high)).abs() < 1e-9 && (b.1 - plane.y(low)).abs() < 1e-9));
        }
        let bias = plane.y(0.5);
        assert!(shapes.iter().any(|s| matches!(s, Shape::Line { points, width, .. } if *width == 2.0 && points[0][1] == bias)));
    }

    #[test]
    fn everything_stays_in_its_room_however_it_is_looked_at() {
        let mut p = plot();
        for view in
            [None, Some(p.whole().zoomed(8.0, (3.0, 0.2))), Some(p.whole().moved(12.0, -2.0)), Some(p.whole().zoomed(0.2, (0.0, 0.0)))]
        {
            p.view = view;
            p.chosen = Some(3);
            for s in p.shapes(ROOM) {
                let inside = |q: &[f64; 2]| (-0.1..=ROOM.width + 0.1).contains(&q[0]) && (-0.1..=ROOM.height + 0.1).contains(&q[1]);
                match &s {
                    Shape::Line { points, .. } => assert!(points.iter().all(inside), "{s:?}"),
                    Shape::Text { at, .. } | Shape::Dot { at, .. } => assert!(inside(at), "{s:?}"),
                    Shape::Bar { x, y, width, height, .. } => assert!(inside(&[*x, *y]) && inside(&[x + width, y + height]), "{s:?}"),
                    _ => {}
                }
            }
        }
        p.view = Some(p.whole().zoomed(4.0, (25.0, 0.0)));
        assert!(texts(&p.shapes(ROOM)).iter().any(|t| t.0.ends_with("outside what is shown")), "what is out of view is said to be");
    }

    #[test]
    fn words_of_levels_never_lie_on_each_other() {
        for sd in [0.0, 0.01, 0.4, 3.0] {
            let mut p = plot();
            p.lower = Level { at_mm: 0.5 - 2.0 * sd, interval_mm: Some((0.5 - 2.2 * sd, 0.5 - 1.8 * sd)) };
            p.upper = Level { at_mm: 0.5 + 2.0 * sd, interval_mm: Some((0.5 + 1.8 * sd, 0.5 + 2.2 * sd)) };
            let mut ys: Vec<f64> = texts(&p.shapes(ROOM)).iter().filter(|t| t.1[0] > p.plane(ROOM).right).map(|t| t.1[1]).collect();
            ys.sort_by(f64::total_cmp);
            assert_eq!(ys.len(), 6);
            assert!(ys.windows(2).all(|w| w[1] - w[0] >= 0.99 * ROOM.letters), "{sd}: {ys:?}");
        }
    }

    #[test]
    fn the_nearest_point_is_found_and_arrows_go_by_means() {
        let mut p = plot();
        let plane = p.plane(ROOM);
        let at = [plane.x(p.points[7].mean_mm) + 3.0, plane.y(p.points[7].difference_mm) - 2.0];
        assert_eq!(p.nearest(ROOM, at, 8.0), Some(7));
        assert_eq!(p.nearest(ROOM, [plane.x(-4.0), plane.y(3.0)], 5.0), None);
        assert_eq!((p.stepped(1), p.stepped(-1)), (Some(0), Some(29)));
        p.chosen = Some(4);
        assert_eq!((p.stepped(1), p.stepped(-1), p.stepped(-10), p.stepped(99)), (Some(5), Some(3), Some(0), Some(29)));
    }

    #[test]
    fn what_is_zoomed_about_stays_and_no_view_is_without_extent() {
        let mut v = plot().whole();
        for times in [0.5, 3.0, 1e9, 1e-9] {
            v = v.zoomed(times, (4.0, 1.0));
            assert!(v.means.1 > v.means.0 && v.differences.1 > v.differences.0 && v.means.0.is_finite());
        }
        let a = plot().whole();
        let b = a.zoomed(2.0, (4.0, 1.0));
        let share = |v: &View| (4.0 - v.means.0) / (v.means.1 - v.means.0);
        assert!((share(&a) - share(&b)).abs() < 1e-12);
        assert!(BlandAltman { points: Vec::new(), ..plot() }.shapes(ROOM).is_empty());
    }
}
