//! The distance line: a millimetre axis from overlap through the os outward, with a table's bands and the readings on it.

use super::{Anchor, Ink, Shape, Tone};
use crate::estimate::Interval;
use crate::guideline::{self, BandKind, Table};
use crate::measure::Value;
use crate::units::Mm;

/// Left and right end of the axis when nothing lies beyond them, mm.
const USUAL: (f64, f64) = (-30.0, 50.0);
/// The farthest an axis is ever stretched, mm.
const FARTHEST: f64 = 150.0;

/// One band of the chosen table on the axis, in order from deep overlap outwards.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// Where it ends, mm; `None` for the last.
    pub upper_mm: Option<Mm>,
    /// Its name or rule in a few words.
    pub name: String,
    /// What sort of place it is.
    pub tone: Tone,
}

/// The reading that is shown.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Its value.
    pub value: Value,
    /// Standard uncertainty, mm.
    pub u_mm: Mm,
    /// Its 95 % interval.
    pub interval: Interval,
}

/// Another reading on the same axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Its value.
    pub value: Value,
    /// Whether it belongs to an earlier exam; otherwise to another frame of this one.
    pub earlier: bool,
    /// What is written above it, such as a gestational age; may be empty.
    pub label: String,
    /// Whether it was left out of the exam's values.
    pub left_out: bool,
}

/// The exam distance with its interval, where the exam has one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExamMark {
    /// The exam distance, signed, mm.
    pub signed_mm: Mm,
    /// Its 95 % interval.
    pub interval: Interval,
}

/// All that the line shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DistanceLine {
    /// The bands, end to end; empty while no table has been chosen.
    pub bands: Vec<Band>,
    /// The reading, when there is one.
    pub reading: Option<Reading>,
    /// Other readings.
    pub marks: Vec<Mark>,
    /// The exam distance, where several frames were read.
    pub exam: Option<ExamMark>,
}

/// The tone of a band.
#[must_use]
pub const fn tone(kind: BandKind) -> Tone {
    match kind {
        BandKind::Covering => Tone::Covering,
        BandKind::Reaching => Tone::Reaching,
        BandKind::LowLying => Tone::Near,
        BandKind::NotLow => Tone::Far,
    }
}

/// The bands of a table with names short enough for the axis.
#[must_use]
pub fn bands(table: &Table) -> Vec<Band> {
    let mut below: Option<&guideline::Band> = None;
    let mut out = Vec::new();
    for band in table.bands() {
        let from = below.and_then(|b| b.upper.as_ref());
        let mm = |v: f64| format!("{v}");
        let name = match (band.kind, from, band.upper.as_ref()) {
            (BandKind::Covering, ..) => "overlaps the os".to_owned(),
            (BandKind::Reaching, ..) => String::new(),
            (_, _, Some(to)) if from.is_none_or(|f| f.mm.get() <= 0.0) => {
                if to.included {
                    format!("up to {} mm", mm(to.mm.get()))
                } else {
                    format!("under {} mm", mm(to.mm.get()))
                }
            }
            (_, Some(f), Some(to)) => format!("{} to {} mm", mm(f.mm.get()), mm(to.mm.get())),
            (_, Some(f), None) if f.included => format!("more than {} mm", mm(f.mm.get())),
            (_, Some(f), None) => format!("{} mm or more", mm(f.mm.get())),
            (_, None, _) => band.label.clone(),
        };
        out.push(Band { upper_mm: band.upper.as_ref().map(|e| e.mm), name, tone: tone(band.kind) });
        below = Some(band);
    }
    out
}

/// The place and the size of letters to draw in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Width, points.
    pub width: f64,
    /// Height, points.
    pub height: f64,
    /// Letter size, points.
    pub letters: f64,
}

impl Room {
    /// Whether there is no height for words under the numbers: the unit then stands beside the last number.
    fn is_low(&self) -> bool {
        self.height < self.letters * 8.0
    }

    /// Size of the letters of bands' names, points.
    fn name_letters(&self) -> f64 {
        if self.is_low() { self.letters * 0.88 } else { self.letters }
    }
}

/// How wide a text in letters of a size is at most, points.
fn width_of(text: &str, letters: f64) -> f64 {
    text.chars().count() as f64 * letters * 0.53
}

/// One label for several marks: frames before earlier exams, each once.
fn text_of(marks: &[&Mark]) -> String {
    let mut labels: Vec<(bool, &str)> = marks.iter().map(|m| (m.earlier, m.label.as_str())).collect();
    labels.sort_unstable();
    labels.dedup();
    labels.into_iter().map(|(_, label)| label).collect::<Vec<_>>().join(", ")
}

/// From millimetres to points along the axis.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Axis {
    from: f64,
    to: f64,
    left: f64,
    right: f64,
}

impl Axis {
    fn x(&self, mm: f64) -> f64 {
        let t = ((mm - self.from) / (self.to - self.from)).clamp(0.0, 1.0);
        self.left + t * (self.right - self.left)
    }

    /// Distance between labelled ticks, mm: 10 or a whole multiple that leaves room for the numbers.
    fn step(&self, letters: f64) -> f64 {
        let per_mm = (self.right - self.left) / (self.to - self.from);
        let mut step = 10.0;
        while step * per_mm < letters * 2.5 && step < 100.0 {
            step *= 2.0;
        }
        step
    }
}

/// The place of a value on the signed axis, mm: the distance, the stated end of a one-sided value, 0 for "reaches".
#[must_use]
pub fn place(value: &Value) -> f64 {
    match value {
        Value::Exact { signed_mm } => signed_mm.get(),
        Value::Reaches { .. } => 0.0,
        Value::OverlapAtLeast { mm } => -mm.get(),
        Value::NoPlacentaWithin { mm } => mm.get(),
    }
}

impl DistanceLine {
    /// The shapes, in drawing order.
    #[must_use]
    pub fn shapes(&self, room: Room) -> Vec<Shape> {
        let axis = self.axis(room);
        let bar_height = (room.height * 0.09).clamp(8.0, 14.0);
        let bar_y = room.height - room.letters * if room.is_low() { 2.2 } else { 3.4 } - bar_height;
        let mut out = Vec::new();
        let names = self.draw_bands(&mut out, axis, room, bar_y, bar_height);
        draw_ticks(&mut out, axis, room, bar_y + bar_height);
        self.draw_legend(&mut out, room);
        if let Some(exam) = &self.exam {
            draw_exam(&mut out, axis, bar_y, bar_height, exam);
        }
        for mark in &self.marks {
            draw_mark(&mut out, axis, bar_y, bar_height, mark);
        }
        if let Some(reading) = &self.reading {
            draw_reading(&mut out, axis, room, bar_y, bar_height, reading);
        }
        self.draw_labels(&mut out, axis, room, bar_y, names);
        out
    }

    fn axis(&self, room: Room) -> Axis {
        let ends = self
            .reading
            .iter()
            .flat_map(|r| [Some(place(&r.value)), r.interval.low_mm.map(Mm::get), r.interval.high_mm.map(Mm::get)].into_iter().flatten());
        let exam =
            self.exam.iter().flat_map(|e| [Some(e.signed_mm), e.interval.low_mm, e.interval.high_mm].into_iter().flatten().map(Mm::get));
        let all = ends.chain(exam).chain(self.marks.iter().map(|m| place(&m.value))).filter(|v| v.is_finite());
        let (mut from, mut to) = USUAL;
        for v in all {
            from = from.min((v / 10.0).floor() * 10.0 - 10.0);
            to = to.max((v / 10.0).ceil() * 10.0 + 10.0);
        }
        let side = room.letters * 1.6;
        Axis { from: from.max(-FARTHEST), to: to.min(FARTHEST), left: side, right: (room.width - side).max(side + 1.0) }
    }

    /// What the marks stand for, in words, where there are any.
    fn draw_legend(&self, out: &mut Vec<Shape>, room: Room) {
        let parts: Vec<&str> = [
            ("◇ exam distance", self.exam.is_some()),
            ("○ other frames, by number", self.marks.iter().any(|m| !m.earlier && !m.left_out)),
            ("⊘ left out", self.marks.iter().any(|m| m.left_out)),
            ("△ earlier exams", self.marks.iter().any(|m| m.earlier)),
        ]
        .into_iter()
        .filter_map(|(text, there)| there.then_some(text))
        .collect();
        // In a narrow room the words below would run into each other; the forms speak for themselves there.
        if !parts.is_empty() && room.width > room.letters * 46.0 && !room.is_low() {
            let at = [room.width / 2.0, room.height - room.letters * 0.7];
            out.push(Shape::Text { at, anchor: Anchor::Middle, size: room.letters, text: parts.join("   "), ink: Ink::Quiet });
        }
    }

    /// The labels of the other readings. Those that would run into each other stand as one, and none stands where the reading's curve,
    /// its interval or a band's name (each a box of left, right and middle height) is; a thin line leads down from what stands higher.
    fn draw_labels(&self, out: &mut Vec<Shape>, axis: Axis, room: Room, y: f64, mut taken: Vec<[f64; 3]>) {
        let letters = room.letters * 0.92;
        let mut all: Vec<(f64, &Mark)> = self.marks.iter().filter(|m| !m.label.is_empty()).map(|m| (axis.x(place(&m.value)), m)).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        // From, to, and what stands between.
        let mut groups: Vec<(f64, f64, Vec<&Mark>)> = Vec::new();
        for (x, mark) in all {
            let reach = (width_of(&mark.label, letters) + letters) / 2.0;
            match groups.last_mut() {
                Some((_, right, marks)) if x - reach < *right + width_of(&text_of(marks), letters) / 2.0 => {
                    marks.push(mark);
                    *right = x;
                }
                _ => groups.push((x, x, vec![mark])),
            }
        }
        let curve = self.reading.as_ref().map(|r| {
            let at = place(&r.value);
            let ends = [r.interval.low_mm.map_or(axis.from, Mm::get), r.interval.high_mm.map_or(axis.to, Mm::get)];
            let tails = [at - 3.5 * r.u_mm.get(), at + 3.5 * r.u_mm.get()];
            [axis.x(ends[0].min(tails[0])), axis.x(ends[1].max(tails[1]))]
        });
        for (first, last, marks) in groups {
            let text = text_of(&marks);
            let half = width_of(&text, letters) / 2.0;
            let middle = f64::midpoint(first, last).clamp(half, (room.width - half).max(half));
            let (left, right) = (middle - half, middle + half);
            let under_curve = curve.is_some_and(|[from, to]| right > from && left < to);
            let low = y - room.letters * 0.8;
            // Higher up there is a row between the names of the bands and the top of the curve.
            let rows = [(low, !under_curve), (room.letters * 2.2, !room.is_low()), (room.letters * 3.0, !room.is_low() && !under_curve)];
            let free = |at: f64| taken.iter().all(|[l, r, h]| right < *l || left > *r || (at - h).abs() > room.letters * 0.9);
            // Where there is no room its form on the bar has to do: two labels over one another say less.
            let Some(at) = rows.into_iter().find(|(at, open)| *open && free(*at)).map(|(at, _)| at) else { continue };
            if at < low {
                let foot = [middle, at + room.letters * 0.6];
                for x in [first, last] {
                    out.push(Shape::Line { points: vec![foot, [x, y - 1.0]], width: 0.8, ink: Ink::Quiet });
                }
            }
            taken.push([left, right, at]);
            out.push(Shape::Text { at: [middle, at], anchor: Anchor::Middle, size: letters, text, ink: Ink::Quiet });
        }
    }

    /// Returns where the names stand: left, right and middle height of each.
    fn draw_bands(&self, out: &mut Vec<Shape>, axis: Axis, room: Room, y: f64, height: f64) -> Vec<[f64; 3]> {
        let mut names = Vec::new();
        if self.bands.is_empty() {
            out.push(Shape::Bar { x: axis.left, y, width: axis.right - axis.left, height, ink: Ink::Band(Tone::Plain) });
            return names;
        }
        let mut from = axis.from;
        let last = self.bands.len() - 1;
        let letters = room.name_letters();
        // The rows for names, and where the last name in each ends.
        let mut rows =
            if room.is_low() { vec![(0.8, f64::NEG_INFINITY)] } else { vec![(0.8, f64::NEG_INFINITY), (1.9, f64::NEG_INFINITY)] };
        for (i, band) in self.bands.iter().enumerate() {
            let to = band.upper_mm.map_or(axis.to, |m| m.get().clamp(axis.from, axis.to));
            let (x0, x1) = (axis.x(from), axis.x(to));
            if x1 - x0 > 0.5 {
                out.push(Shape::Bar { x: x0, y, width: x1 - x0, height, ink: Ink::Band(band.tone) });
                // A gap between bars, so that bands are told apart without colour.
                if i > 0 {
                    out.push(Shape::Line { points: vec![[x0, y - 3.0], [x0, y + height + 3.0]], width: 1.0, ink: Ink::Strong });
                }
                let wide = width_of(&band.name, letters);
                let (x, anchor, left) = match i {
                    0 => (x0, Anchor::Start, x0),
                    i if i == last => (x1, Anchor::End, x1 - wide),
                    _ => ((x0 + x1) / 2.0, Anchor::Middle, (x0 + x1 - wide) / 2.0),
                };
                // A name stands in the first row where it does not run into another; without one the bar speaks for itself.
                let free = rows.iter_mut().find(|(_, end)| left > *end + letters * 0.5 && left > axis.left - 1.0);
                if let Some((row, end)) = free {
                    *end = left + wide;
                    names.push([left, left + wide, room.letters * *row]);
                    out.push(Shape::Text {
                        at: [x, room.letters * *row],
                        anchor,
                        size: letters,
                        text: band.name.clone(),
                        ink: Ink::BandName(band.tone),
                    });
                }
            }
            from = to;
        }
        names
    }
}

fn draw_ticks(out: &mut Vec<Shape>, axis: Axis, room: Room, y: f64) {
    let step = axis.step(room.letters);
    let mut mm = (axis.from / step).ceil() * step;
    while mm <= axis.to + 1e-9 {
        let x = axis.x(mm);
        out.push(Shape::Line { points: vec![[x, y + 3.0], [x, y + 9.0]], width: 1.0, ink: Ink::Quiet });
        let text = if mm.abs() < 1e-9 { "os".to_owned() } else { format!("{mm:.0}").replace('-', "−") };
        let text = if room.is_low() && mm + step > axis.to + 1e-9 { format!("{text} mm") } else { text };
        out.push(Shape::Text { at: [x, y + 9.0 + room.letters * 0.8], anchor: Anchor::Middle, size: room.letters, text, ink: Ink::Quiet });
        mm += step;
    }
    if room.is_low() {
        return;
    }
    let below = room.height - room.letters * 0.7;
    for (x, anchor, text) in [(axis.left, Anchor::Start, "overlap, mm"), (axis.right, Anchor::End, "mm from the internal os")] {
        out.push(Shape::Text { at: [x, below], anchor, size: room.letters, text: text.into(), ink: Ink::Quiet });
    }
}

fn draw_mark(out: &mut Vec<Shape>, axis: Axis, y: f64, height: f64, mark: &Mark) {
    let x = axis.x(place(&mark.value));
    if mark.earlier {
        out.push(Shape::Triangle { at: [x, y + height], height: height + 2.0, ink: Ink::Strong });
    } else {
        out.push(Shape::Dot { at: [x, y + height / 2.0], radius: height * 0.36, filled: false, ink: Ink::Strong });
    }
    if mark.left_out {
        let (dx, dy) = (height * 0.5, height * 0.5);
        let middle = y + height / 2.0;
        out.push(Shape::Line { points: vec![[x - dx, middle + dy], [x + dx, middle - dy]], width: 1.5, ink: Ink::Strong });
    }
    if let Some(towards) = open_end(&mark.value) {
        arrow(out, x, y + height / 2.0, towards, 14.0);
    }
}

/// The exam distance: a diamond on the bar, and its interval along it.
fn draw_exam(out: &mut Vec<Shape>, axis: Axis, y: f64, height: f64, exam: &ExamMark) {
    let middle = y + height / 2.0;
    let (x, r) = (axis.x(exam.signed_mm.get()), height * 0.5);
    let low = axis.x(exam.interval.low_mm.map_or(axis.from, Mm::get));
    let high = axis.x(exam.interval.high_mm.map_or(axis.to, Mm::get));
    out.push(Shape::Line { points: vec![[low, middle], [high, middle]], width: 1.5, ink: Ink::Strong });
    for end in [low, high] {
        out.push(Shape::Line { points: vec![[end, middle - 3.0], [end, middle + 3.0]], width: 1.5, ink: Ink::Strong });
    }
    let diamond = vec![[x - r, middle], [x, middle - r], [x + r, middle], [x, middle + r], [x - r, middle]];
    out.push(Shape::Line { points: diamond, width: 1.5, ink: Ink::Strong });
}

/// Which way a one-sided value goes on: −1 towards more overlap, +1 outward.
fn open_end(value: &Value) -> Option<f64> {
    match value {
        Value::OverlapAtLeast { .. } => Some(-1.0),
        Value::NoPlacentaWithin { .. } => Some(1.0),
        Value::Exact { .. } | Value::Reaches { .. } => None,
    }
}

fn arrow(out: &mut Vec<Shape>, x: f64, y: f64, towards: f64, length: f64) {
    let end = x + towards * length;
    out.push(Shape::Line { points: vec![[x, y], [end, y]], width: 2.0, ink: Ink::Strong });
    let back = end - towards * 5.0;
    out.push(Shape::Line { points: vec![[back, y - 4.0], [end, y], [back, y + 4.0]], width: 2.0, ink: Ink::Strong });
}

fn draw_reading(out: &mut Vec<Shape>, axis: Axis, room: Room, y: f64, height: f64, reading: &Reading) {
    let base = y - 9.0;
    let at = place(&reading.value);
    let u = reading.u_mm.get();
    if let (Value::Exact { .. }, true) = (&reading.value, u > 0.0 && u.is_finite()) {
        let tall = (base - room.letters * 2.9).clamp(8.0, 60.0);
        let points: Vec<[f64; 2]> = (0..=80)
            .map(|i| {
                let z = f64::from(i) / 80.0 * 7.0 - 3.5;
                [axis.x(at + z * u), base - tall * (-0.5 * z * z).exp()]
            })
            .collect();
        out.push(Shape::Under { points: points.clone(), base, ink: Ink::Shade });
        out.push(Shape::Line { points, width: 2.0, ink: Ink::Strong });
    }
    // The 95 % interval, with an end mark where it ends and an arrow where nothing bounds it.
    let low = reading.interval.low_mm.map_or(axis.from, Mm::get);
    let high = reading.interval.high_mm.map_or(axis.to, Mm::get);
    let (x0, x1) = (axis.x(low), axis.x(high));
    let level = base + 2.0;
    out.push(Shape::Line { points: vec![[x0, level], [x1, level]], width: 2.0, ink: Ink::Strong });
    for (x, end, towards) in [(x0, reading.interval.low_mm, -1.0), (x1, reading.interval.high_mm, 1.0)] {
        match end {
            Some(_) => out.push(Shape::Line { points: vec![[x, level - 4.0], [x, level + 4.0]], width: 2.0, ink: Ink::Strong }),
            None => arrow(out, x - towards * 10.0, level, towards, 10.0),
        }
    }
    out.push(Shape::Dot { at: [axis.x(at), y + height / 2.0], radius: height * 0.42, filled: true, ink: Ink::Strong });
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    const ROOM: Room = Room { width: 800.0, height: 150.0, letters: 13.0 };

    fn line(signed: f64) -> DistanceLine {
        let mm = Mm::new;
        let band = |upper: Option<f64>, name: &str, tone| Band { upper_mm: upper.map(mm), name: name.into(), tone };
        DistanceLine {
            bands: vec![
                band(Some(0.0), "overlaps the os", Tone::Covering),
                band(Some(20.0), "under 20 mm", Tone::Near),
                band(None, "20 mm or more", Tone::Far),
            ],
            reading: Some(Reading {
                value: Value::Exact { signed_mm: mm(signed) },
                u_mm: mm(2.0),
                interval: Interval { low_mm: Some(mm(signed - 4.0)), high_mm: Some(mm(signed + 4.0)), coverage: 0.95 },
            }),
            marks: Vec::new(),
            exam: None,
        }
    }

    fn dot_x(shapes: &[Shape]) -> f64 {
        shapes.iter().rev().find_map(|s| if let Shape::Dot { at, .. } = s { Some(at[0]) } else { None }).unwrap()
    }

    fn bars(shapes: &[Shape]) -> Vec<(f64, f64, Tone)> {
        let bar = |s: &Shape| if let Shape::Bar { x, width, ink: Ink::Band(t), .. } = s { Some((*x, x + width, *t)) } else { None };
        shapes.iter().filter_map(bar).collect()
    }

    #[test]
    fn the_reading_lies_on_the_bar_of_its_band() {
        for (signed, tone) in [(-6.0, Tone::Covering), (14.0, Tone::Near), (19.9, Tone::Near), (20.1, Tone::Far), (120.0, Tone::Far)] {
            let shapes = line(signed).shapes(ROOM);
            let x = dot_x(&shapes);
            let on = bars(&shapes).into_iter().find(|(a, b, _)| *a <= x && x <= *b).unwrap();
            assert_eq!(on.2, tone, "{signed}");
        }
    }

    #[test]
    fn bands_lie_end_to_end_over_the_whole_axis() {
        let bars = bars(&line(14.0).shapes(ROOM));
        for pair in bars.windows(2) {
            assert!((pair[0].1 - pair[1].0).abs() < 1e-9);
        }
        assert!((bars[0].0 - 20.8).abs() < 1e-9 && (bars[2].1 - 779.2).abs() < 1e-9, "{bars:?}");
    }

    #[test]
    fn everything_stays_inside_its_room() {
        for signed in [-200.0, -31.0, 0.0, 14.0, 49.0, 1e6] {
            for s in line(signed).shapes(ROOM) {
                let inside = |p: &[f64; 2]| (0.0..=ROOM.width).contains(&p[0]) && (0.0..=ROOM.height).contains(&p[1]);
                let ok = match &s {
                    Shape::Line { points, .. } | Shape::Under { points, .. } => points.iter().all(inside),
                    Shape::Bar { x, y, width, height, .. } => inside(&[*x, *y]) && inside(&[x + width, y + height]),
                    Shape::Dot { at, .. } | Shape::Triangle { at, .. } | Shape::Text { at, .. } => inside(at),
                };
                assert!(ok, "{signed}: {s:?}");
            }
        }
    }

    #[test]
    fn an_exam_has_a_diamond_with_its_interval_and_frames_left_out_are_struck_through() {
        let mut l = line(14.0);
        let mm = Mm::new;
        let interval = Interval { low_mm: Some(mm(-4.0)), high_mm: Some(mm(22.0)), coverage: 0.95 };
        l.exam = Some(ExamMark { signed_mm: mm(9.0), interval });
        let value = Value::Exact { signed_mm: mm(-12.0) };
        l.marks = vec![Mark { value, earlier: false, label: String::new(), left_out: true }];
        let shapes = l.shapes(ROOM);
        let axis = l.axis(ROOM);
        let closed: Vec<_> = shapes.iter().filter(|s| matches!(s, Shape::Line { points, .. } if points.len() == 5)).collect();
        assert!(matches!(closed[0], Shape::Line { points, .. } if (points[1][0] - axis.x(9.0)).abs() < 1e-9));
        let along = |s: &&Shape| matches!(s, Shape::Line { points, .. } if points[0][0] == axis.x(-4.0) && points[1][0] == axis.x(22.0));
        assert_eq!(shapes.iter().filter(along).count(), 1);
        let words: Vec<&str> =
            shapes.iter().filter_map(|s| if let Shape::Text { text, .. } = s { Some(text.as_str()) } else { None }).collect();
        assert!(words.iter().any(|w| w.contains("exam distance") && w.contains("left out") && !w.contains("other frames")), "{words:?}");
    }

    /// Left, right and height of every text but those of the axis.
    fn boxes(shapes: &[Shape]) -> Vec<(f64, f64, f64, String)> {
        let of = |s: &Shape| match s {
            Shape::Text { at, anchor, size, text, .. } => {
                let wide = width_of(text, *size);
                let left = at[0] - wide * [0.0, 0.5, 1.0][*anchor as usize];
                Some((left, left + wide, at[1], text.clone()))
            }
            _ => None,
        };
        shapes.iter().filter_map(of).collect()
    }

    #[test]
    fn labels_of_other_readings_never_run_into_each_other_or_into_the_reading() {
        let mark = |mm: f64, label: &str, earlier| Mark {
            value: Value::Exact { signed_mm: Mm::new(mm) },
            earlier,
            label: label.into(),
            left_out: false,
        };
        for table in guideline::tables().unwrap() {
            for (width, height) in [(300.0, 70.0), (730.0, 126.0), (1300.0, 126.0)] {
                for own in [32.5, 14.0, -9.0] {
                    let mut l = DistanceLine { bands: bands(&table), ..line(own) };
                    l.marks = vec![mark(own - 0.3, "1", false), mark(own - 0.4, "2", false), mark(own + 0.6, "4", false)];
                    l.marks.extend([mark(-9.0, "20w2d", true), mark(-9.4, "20w2d", true), mark(13.0, "32w1d", true)]);
                    let shapes = l.shapes(Room { width, height, letters: 12.5 });
                    let all = boxes(&shapes);
                    for (i, a) in all.iter().enumerate() {
                        for b in &all[i + 1..] {
                            let apart = a.1 < b.0 || b.1 < a.0 || (a.2 - b.2).abs() > 9.0;
                            assert!(apart, "{} over {} at {width} × {height}, {own}", a.3, b.3);
                        }
                    }
                    let there = |text: &str| all.iter().any(|b| b.3.contains(text));
                    assert!(height < 100.0 || there("1, 2, 4") && there("32w1d"), "{all:?}");
                    // Nothing stands on the curve or the interval.
                    let curve = shapes.iter().find_map(|s| if let Shape::Under { points, .. } = s { Some(points) } else { None }).unwrap();
                    let top = curve.iter().map(|p| p[1]).fold(f64::INFINITY, f64::min);
                    let (from, to) = (curve[0][0], curve[80][0]);
                    let bar = shapes.iter().find_map(|s| if let Shape::Bar { y, .. } = s { Some(*y) } else { None }).unwrap();
                    for b in all.iter().filter(|b| b.2 < bar && b.1 > from && b.0 < to) {
                        assert!(b.2 + 5.0 < top, "{} on the curve at {width} × {height}, {own}", b.3);
                    }
                }
            }
        }
    }

    #[test]
    fn names_of_bands_never_run_into_each_other() {
        for table in guideline::tables().unwrap() {
            for (width, height) in [(300.0, 70.0), (800.0, 126.0), (420.0, 126.0), (1300.0, 126.0)] {
                let line = DistanceLine { bands: bands(&table), ..line(14.0) };
                let shapes = line.shapes(Room { width, height, letters: 12.5 });
                let boxes: Vec<(f64, f64, f64)> = shapes
                    .iter()
                    .filter_map(|s| match s {
                        Shape::Text { at, anchor, size, text, ink: Ink::BandName(_) } => {
                            let wide = width_of(text, *size);
                            let left = match anchor {
                                Anchor::Start => at[0],
                                Anchor::Middle => at[0] - wide / 2.0,
                                Anchor::End => at[0] - wide,
                            };
                            Some((left, left + wide, at[1]))
                        }
                        _ => None,
                    })
                    .collect();
                assert!(boxes.len() >= 2, "{} at {width}", table.id());
                for (i, a) in boxes.iter().enumerate() {
                    for b in &boxes[i + 1..] {
                        assert!(a.2 != b.2 || a.1 < b.0 || b.1 < a.0, "{} at {width}: {boxes:?}", table.id());
                    }
                }
            }
        }
    }

    #[test]
    fn a_one_sided_value_has_an_arrow_and_no_curve() {
        let mut l = line(14.0);
        l.reading = Some(Reading {
            value: Value::OverlapAtLeast { mm: Mm::new(12.0) },
            u_mm: Mm::new(2.0),
            interval: Interval { low_mm: None, high_mm: Some(Mm::new(-8.0)), coverage: 0.95 },
        });
        let shapes = l.shapes(ROOM);
        assert!(!shapes.iter().any(|s| matches!(s, Shape::Under { .. })));
        let tips = shapes.iter().filter(|s| matches!(s, Shape::Line { points, .. } if points.len() == 3)).count();
        assert_eq!(tips, 1);
    }
}
