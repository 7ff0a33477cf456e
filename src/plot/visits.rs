//! Serial exams: distance against gestational age, each visit with its 95 % interval. No line is drawn through or beyond them.

use super::distance_line::{Band, Room};
use super::{Anchor, Ink, Shape};

/// One visit.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// Gestational age, weeks.
    pub weeks: f64,
    /// The same as written, such as 32w1d.
    pub age: String,
    /// Signed distance, mm.
    pub signed_mm: f64,
    /// Lower end of its 95 % interval, mm; `None` when unbounded.
    pub low_mm: Option<f64>,
    /// Upper end, mm.
    pub high_mm: Option<f64>,
}

/// All that the chart shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Visits {
    /// The bands of the chosen table, end to end; empty while none is chosen.
    pub bands: Vec<Band>,
    /// The visits, by age.
    pub visits: Vec<Visit>,
}

/// Fewest weeks that the chart spans.
const LEAST_WEEKS: f64 = 8.0;

struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    weeks: (f64, f64),
    mm: (f64, f64),
}

impl Frame {
    fn x(&self, weeks: f64) -> f64 {
        let t = ((weeks - self.weeks.0) / (self.weeks.1 - self.weeks.0)).clamp(0.0, 1.0);
        self.left + t * (self.right - self.left)
    }

    fn y(&self, mm: f64) -> f64 {
        let t = ((mm - self.mm.0) / (self.mm.1 - self.mm.0)).clamp(0.0, 1.0);
        self.bottom - t * (self.bottom - self.top)
    }
}

impl Frame {
    /// Where a visit is drawn: across, the height of its value, and those of the ends of its interval.
    fn spots(&self, v: &Visit) -> (f64, f64, f64, f64) {
        (self.x(v.weeks), self.y(v.signed_mm), self.y(v.low_mm.unwrap_or(self.mm.0)), self.y(v.high_mm.unwrap_or(self.mm.1)))
    }
}

impl Visits {
    /// The shapes, in drawing order; none without a visit.
    #[must_use]
    pub fn shapes(&self, room: Room) -> Vec<Shape> {
        let Some(frame) = self.frame(room) else { return Vec::new() };
        let mut out = Vec::new();
        self.draw_bands(&mut out, &frame, room);
        draw_axes(&mut out, &frame, room);
        let lines: Vec<f64> = self.bands.iter().filter_map(|b| b.upper_mm).map(|m| frame.y(m.get())).collect();
        for visit in &self.visits {
            draw_visit(&mut out, &frame, visit);
        }
        self.draw_ages(&mut out, &frame, room, &lines);
        out
    }

    fn frame(&self, room: Room) -> Option<Frame> {
        let finite = |v: &f64| v.is_finite();
        let ends = |v: &Visit| [Some(v.signed_mm), v.low_mm, v.high_mm];
        let all: Vec<f64> = self.visits.iter().flat_map(ends).flatten().filter(finite).collect();
        let weeks: Vec<f64> = self.visits.iter().map(|v| v.weeks).filter(finite).collect();
        let (first, last) = (weeks.iter().copied().reduce(f64::min)?, weeks.iter().copied().reduce(f64::max)?);
        // The os and the outermost edge of the table are always in sight.
        let edge = self.bands.iter().filter_map(|b| b.upper_mm).map(|m| m.get()).fold(20.0, f64::max);
        let low = all.iter().copied().fold(0.0, f64::min);
        let high = all.iter().copied().fold(edge, f64::max);
        let round = |v: f64, up: bool| if up { (v / 10.0).ceil() * 10.0 + 5.0 } else { (v / 10.0).floor() * 10.0 - 5.0 };
        let spare = ((LEAST_WEEKS - (last - first)) / 2.0).max(1.0);
        Some(Frame {
            left: room.letters * 3.2,
            // Names of bands stand to the right of the chart, where no visit can lie.
            right: (room.width - room.letters * 9.0).max(room.letters * 3.2 + 1.0),
            top: room.letters * 1.6,
            bottom: (room.height - room.letters * 3.4).max(room.letters * 1.6 + 1.0),
            weeks: ((first - spare).floor(), (last + spare).ceil()),
            mm: (round(low, false), round(high, true)),
        })
    }

    /// The age of each visit beside it: on none of `lines`, the lines between bands, where another place is free, and never over another
    /// age or another visit. Visits of one age that lie close have it once.
    fn draw_ages(&self, out: &mut Vec<Shape>, f: &Frame, room: Room, lines: &[f64]) {
        let (letters, half) = (room.letters, room.letters * 0.65);
        let bars: Vec<[f64; 3]> = self
            .visits
            .iter()
            .map(|v| {
                let (x, y, low, high) = f.spots(v);
                [x, high.min(low).min(y), low.max(high).max(y)]
            })
            .collect();
        let mut written: Vec<([f64; 4], &str)> = Vec::new();
        for v in &self.visits {
            let (x, y, low, high) = f.spots(v);
            let wide = 0.62 * letters * v.age.chars().count() as f64;
            let said = |([l, t, r, b], age): &([f64; 4], &str)| {
                *age == v.age && x > l - 10.0 && x < r + 10.0 && low.max(high) > t - letters && high.min(low) < b + letters
            };
            if written.iter().any(said) {
                continue;
            }
            let beside = [high - letters * 0.2, y, low + letters * 0.2, high - letters * 1.2, low + letters * 1.2];
            let spots =
                [8.0, -8.0 - wide].into_iter().flat_map(|dx| beside.map(|level| [x + dx, level - half, x + dx + wide, level + half]));
            // Names of bands stand right of the chart, its numbers left of it.
            let clear = |[l, t, r, b]: &[f64; 4]| {
                let apart = |[l2, t2, r2, b2]: [f64; 4]| *r < l2 || r2 < *l || *b < t2 || b2 < *t;
                *r <= f.right
                    && *l >= f.left
                    && written.iter().all(|(other, _)| apart(*other))
                    && bars.iter().all(|[bx, top, bottom]| apart([bx - 5.0, *top, bx + 5.0, *bottom]))
            };
            let off_lines = |[_, t, _, b]: &[f64; 4]| lines.iter().all(|line| line < t || line > b);
            let all: Vec<[f64; 4]> = spots.filter(clear).collect();
            // A visit that is hemmed in has its age under its place on the axis of weeks alone.
            let Some(spot) = all.iter().find(|s| off_lines(s)).or(all.first()).copied() else { continue };
            let [left, top, right, bottom] = spot;
            let level = f64::midpoint(top, bottom);
            let (at, anchor) = if left > x { ([left, level], Anchor::Start) } else { ([right, level], Anchor::End) };
            out.push(Shape::Text { at, anchor, size: letters, text: v.age.clone(), ink: Ink::Strong });
            written.push((spot, &v.age));
        }
    }

    fn draw_bands(&self, out: &mut Vec<Shape>, f: &Frame, room: Room) {
        let mut from = f.mm.0;
        for band in &self.bands {
            let to = band.upper_mm.map_or(f.mm.1, |m| m.get().clamp(f.mm.0, f.mm.1));
            if to > from {
                let (top, bottom) = (f.y(to), f.y(from));
                out.push(Shape::Bar { x: f.left - 7.0, y: top, width: 7.0, height: bottom - top, ink: Ink::Band(band.tone) });
                if to < f.mm.1 {
                    out.push(Shape::Line { points: vec![[f.left, top], [f.right, top]], width: 1.0, ink: Ink::Quiet });
                }
                // A name only where it has room of its own.
                if bottom - top > room.letters * 1.4 && !band.name.is_empty() {
                    let at = [f.right + 8.0, (top + bottom) / 2.0];
                    let ink = Ink::BandName(band.tone);
                    out.push(Shape::Text { at, anchor: Anchor::Start, size: room.letters, text: band.name.clone(), ink });
                }
            }
            from = to;
        }
    }
}

fn draw_axes(out: &mut Vec<Shape>, f: &Frame, room: Room) {
    let text = |at: [f64; 2], anchor, text: String| Shape::Text { at, anchor, size: room.letters, text, ink: Ink::Quiet };
    let per_mm = (f.bottom - f.top) / (f.mm.1 - f.mm.0);
    let mut step = 10.0;
    while step * per_mm < room.letters * 1.8 && step < 100.0 {
        step *= 2.0;
    }
    let mut mm = (f.mm.0 / step).ceil() * step;
    while mm <= f.mm.1 {
        let words = if mm.abs() < 1e-9 { "os".to_owned() } else { format!("{mm:.0}").replace('-', "−") };
        out.push(text([f.left - 11.0, f.y(mm)], Anchor::End, words));
        mm += step;
    }
    out.push(Shape::Line { points: vec![[f.left, f.bottom], [f.right, f.bottom]], width: 1.0, ink: Ink::Quiet });
    let per_week = (f.right - f.left) / (f.weeks.1 - f.weeks.0);
    let every = if per_week * 2.0 < room.letters * 2.5 { 4.0 } else { 2.0 };
    let mut week = (f.weeks.0 / every).ceil() * every;
    while week <= f.weeks.1 {
        let x = f.x(week);
        out.push(Shape::Line { points: vec![[x, f.bottom], [x, f.bottom + 5.0]], width: 1.0, ink: Ink::Quiet });
        out.push(text([x, f.bottom + 5.0 + room.letters * 0.8], Anchor::Middle, format!("{week:.0}")));
        week += every;
    }
    out.push(text([f.left, room.letters * 0.7], Anchor::Start, "mm from the os; below it, overlap".into()));
    out.push(text([f.right, room.height - room.letters * 0.7], Anchor::End, "weeks of pregnancy".into()));
}

fn draw_visit(out: &mut Vec<Shape>, f: &Frame, v: &Visit) {
    let (x, y, low, high) = f.spots(v);
    out.push(Shape::Line { points: vec![[x, low], [x, high]], width: 2.0, ink: Ink::Strong });
    for (end, y) in [(v.low_mm, low), (v.high_mm, high)] {
        if end.is_some() {
            out.push(Shape::Line { points: vec![[x - 4.0, y], [x + 4.0, y]], width: 2.0, ink: Ink::Strong });
        }
    }
    out.push(Shape::Dot { at: [x, y], radius: 4.5, filled: true, ink: Ink::Strong });
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    const ROOM: Room = Room { width: 500.0, height: 300.0, letters: 13.0 };

    fn visit(weeks: f64, mm: f64) -> Visit {
        Visit { weeks, age: format!("{weeks:.0}w0d"), signed_mm: mm, low_mm: Some(mm - 4.0), high_mm: Some(mm + 4.0) }
    }

    fn dots(shapes: &[Shape]) -> Vec<[f64; 2]> {
        shapes.iter().filter_map(|s| if let Shape::Dot { at, .. } = s { Some(*at) } else { None }).collect()
    }

    #[test]
    fn later_is_to_the_right_and_farther_from_the_os_is_higher() {
        let chart = Visits { bands: Vec::new(), visits: vec![visit(20.0, -9.0), visit(32.0, 13.0), visit(36.0, 24.0)] };
        let d = dots(&chart.shapes(ROOM));
        assert_eq!(d.len(), 3);
        assert!(d[0][0] < d[1][0] && d[1][0] < d[2][0] && d[0][1] > d[1][1] && d[1][1] > d[2][1], "{d:?}");
        // Equal steps on both axes: 12 and 4 weeks, 22 and 11 mm.
        assert!(((d[1][0] - d[0][0]) / (d[2][0] - d[1][0]) - 3.0).abs() < 1e-9);
        assert!(((d[0][1] - d[1][1]) / (d[1][1] - d[2][1]) - 2.0).abs() < 1e-9);
    }

    #[test]
    fn no_age_stands_on_the_line_of_a_band() {
        let band = |upper: Option<f64>, name: &str| Band {
            upper_mm: upper.map(crate::units::Mm::new),
            tone: crate::plot::Tone::Near,
            name: name.into(),
        };
        let bands = vec![band(Some(0.0), "overlap"), band(Some(20.0), "under 20 mm"), band(None, "20 mm or more")];
        for mm in [-4.0, -2.0, 0.0, 14.1, 16.0, 18.0, 20.0, 24.0] {
            let shapes = Visits { bands: bands.clone(), visits: vec![visit(20.0, -9.0), visit(32.0, mm)] }.shapes(ROOM);
            let lines: Vec<f64> = shapes
                .iter()
                .filter_map(|s| match s {
                    Shape::Line { points, .. } if points[0][1] == points[1][1] && points[1][0] - points[0][0] > 100.0 => Some(points[0][1]),
                    _ => None,
                })
                .collect();
            let age = shapes.iter().find_map(|s| match s {
                Shape::Text { at, text, .. } if text == "32w0d" => Some(at[1]),
                _ => None,
            });
            let names: Vec<f64> = shapes
                .iter()
                .filter_map(|s| if let Shape::Text { at, text, .. } = s { text.contains("mm").then_some(at[0]) } else { None })
                .collect();
            let right = names.iter().copied().fold(0.0, f64::max) - 8.0;
            let ends = shapes.iter().find_map(|s| match s {
                Shape::Text { at, anchor, text, .. } if text == "32w0d" => Some(at[0] + if *anchor == Anchor::Start { 38.0 } else { 0.0 }),
                _ => None,
            });
            assert!(ends.unwrap() <= right, "an age reaches the names of the bands");
            assert!(lines.len() == 3 && lines.iter().all(|l| (l - age.unwrap()).abs() > 0.6 * ROOM.letters), "{mm}: {age:?} {lines:?}");
        }
    }

    #[test]
    fn ages_never_stand_over_each_other_or_over_a_visit() {
        let all = |visits: Vec<Visit>| Visits { bands: Vec::new(), visits }.shapes(ROOM);
        let ages = |shapes: &[Shape]| -> Vec<[f64; 4]> {
            let of = |s: &Shape| match s {
                Shape::Text { at, anchor, text, .. } if text.contains('w') && text.contains('d') && text.len() < 7 => {
                    let wide = 0.62 * 13.0 * text.len() as f64;
                    let left = if *anchor == Anchor::Start { at[0] } else { at[0] - wide };
                    Some([left, at[1] - 6.5, left + wide, at[1] + 6.5])
                }
                _ => None,
            };
            shapes.iter().filter_map(of).collect()
        };
        // Two exams of one day; a day apart; a week apart; far apart.
        for (weeks, mm) in [(20.0, -9.0), (20.0, 6.0), (20.0 + 1.0 / 7.0, -9.5), (21.0, -9.0), (22.0, -8.0), (30.0, 2.0)] {
            let mut second = visit(weeks, mm);
            if weeks > 20.0 {
                second.age = "21w5d".into();
            }
            let shapes = all(vec![visit(20.0, -9.0), second, visit(32.0, 13.0)]);
            let (boxes, dots) = (ages(&shapes), dots(&shapes));
            assert!(boxes.len() >= 2, "{weeks}");
            for (i, a) in boxes.iter().enumerate() {
                for b in &boxes[i + 1..] {
                    assert!(a[2] < b[0] || b[2] < a[0] || a[3] < b[1] || b[3] < a[1], "{weeks} {mm}: {boxes:?}");
                }
                for d in &dots {
                    assert!(d[0] < a[0] || d[0] > a[2] || d[1] < a[1] || d[1] > a[3], "{weeks} {mm}: {a:?} over {d:?}");
                }
            }
        }
    }

    #[test]
    fn nothing_is_drawn_outside_its_room_or_between_the_visits() {
        let wild = Visit { low_mm: None, high_mm: Some(1e9), ..visit(30.0, 500.0) };
        let chart = Visits { bands: Vec::new(), visits: vec![visit(20.0, -90.0), wild] };
        let shapes = chart.shapes(ROOM);
        let inside = |p: &[f64; 2]| p[0] >= -0.1 && p[0] <= ROOM.width + 0.1 && p[1] >= -20.0 && p[1] <= ROOM.height + 0.1;
        let d = dots(&shapes);
        for s in &shapes {
            if let Shape::Line { points, .. } = s {
                assert!(points.iter().all(inside), "{s:?}");
                assert!(!(points.contains(&d[0]) && points.contains(&d[1])), "no line joins visits");
            }
        }
        assert!(Visits::default().shapes(ROOM).is_empty());
    }
}
