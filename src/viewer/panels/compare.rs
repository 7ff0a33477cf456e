//! Both readers' landmarks: one over the other on the frame that both chose, else both frames side by side, millimetre for
//! millimetre. The readers are told apart by the form of their marks and lines, and by colour besides.

use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::picture::{Picture, Showing};
use super::plain;
use crate::measure::EdgeMark;
use crate::plot::ruler;
use crate::record::ReadingRecord;
use crate::units::PxPoint;
use crate::viewer::session::{ShownSide as Seen, Sight};
use crate::viewer::theme::{Theme, over_frame, size};

/// Room kept around the landmarks when they are looked at from near, as a share of their extent.
const AROUND: f64 = 0.35;

/// Which reader; the order of comparison.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Which {
    First,
    Second,
}

impl Which {
    const fn ink(self) -> Color32 {
        match self {
            Self::First => over_frame::WORDS,
            Self::Second => over_frame::OFFER,
        }
    }
}

/// Draws both; the pictures are those of the first and the second reader.
pub(super) fn show(ui: &mut Ui, sides: &[Seen<'_>; 2], theme: &Theme, pictures: &mut [Picture; 2], near: bool) {
    let [first, second] = sides;
    let (a, b) = (&first.reading.frame, &second.reading.frame);
    let one_frame = a.same_picture(b) && first.mm_per_px == second.mm_per_px;
    // The bar of a page that scrolls stands beside it.
    let width = ui.available_width() - 8.0;
    // What follows from it stays in sight below it.
    let tall = (width * 0.52).min(ui.clip_rect().height() * 0.38).clamp(220.0, 520.0);
    let (rect, response) = ui.allocate_exact_size(vec2(width, tall), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken(sides, one_frame)));
    let [p, q] = pictures;
    if one_frame {
        let part = Part::of(&[first, second], near.then_some(rect));
        let place = Place::new(ui, rect, &part, part.points_per_unit(rect));
        place.picture(ui, first, p);
        place.shifts(first.reading, second.reading);
        place.marks(first.reading, Which::First);
        place.marks(second.reading, Which::Second);
        place.ruler();
    } else {
        let gap = 8.0;
        let half = vec2((rect.width() - gap) / 2.0, rect.height());
        let rects = [Rect::from_min_size(rect.min, half), Rect::from_min_size(rect.min + vec2(half.x + gap, 0.0), half)];
        let parts = [Part::of(&[first], near.then_some(rects[0])), Part::of(&[second], near.then_some(rects[1]))];
        // One millimetre is as long on both, where both have a scale.
        let common = parts.iter().zip(&rects).map(|(part, r)| part.points_per_unit(*r)).fold(f64::INFINITY, f64::min);
        for ((side, which), (part, (r, picture))) in
            [(first, Which::First), (second, Which::Second)].into_iter().zip(parts.iter().zip(rects.into_iter().zip([p, q])))
        {
            let place = Place::new(ui, r, part, common);
            place.picture(ui, side, picture);
            place.marks(side.reading, which);
            place.ruler();
        }
    }
    legend(ui, sides, theme, one_frame);
}

fn spoken(sides: &[Seen<'_>; 2], one_frame: bool) -> String {
    let [first, second] = sides;
    let how = if one_frame { "on one frame" } else { "on frames of their own, side by side at one scale" };
    format!("Landmarks of {} and {} {how}", first.reading.reader, second.reading.reader)
}

/// The landmarks of a reading with the letters that stand beside them.
fn landmarks(r: &ReadingRecord) -> Vec<(&'static str, PxPoint)> {
    let l = &r.landmarks;
    let edge = match l.edge {
        EdgeMark::PlacentalEdge { .. } => "E",
        EdgeMark::LastPlacentaSeen { .. } => "L",
        EdgeMark::EndOfWallSeen { .. } => "W",
    };
    let mut all = vec![("O", l.internal_os), (edge, l.edge.at())];
    all.extend(l.placental_body.map(|at| ("B", at)));
    all.extend(l.marginal_sinus.map(|at| ("S", at)));
    all
}

/// What of a frame is shown, in px, and the shape of its pixels.
struct Part {
    from: PxPoint,
    to: PxPoint,
    /// The whole frame, px.
    frame: (f64, f64),
    /// mm per px, or without a scale the shape of a pixel.
    unit: (f64, f64),
    has_scale: bool,
}

impl Part {
    /// Of these readings' frame; from near, as much around their landmarks as fills a place on the screen.
    fn of(sides: &[&Seen<'_>], near: Option<Rect>) -> Self {
        let Some(first) = sides.first() else {
            return Self {
                from: PxPoint::new(0.0, 0.0),
                to: PxPoint::new(1.0, 1.0),
                frame: (1.0, 1.0),
                unit: (1.0, 1.0),
                has_scale: false,
            };
        };
        let g = &first.reading.geometry;
        let frame = (f64::from(g.columns.max(1)), f64::from(g.rows.max(1)));
        let shape = g.pixel_aspect_vertical_horizontal.map_or(1.0, |[v, h]| f64::from(v.max(1)) / f64::from(h.max(1)));
        let unit = first.mm_per_px.unwrap_or((1.0, shape));
        let mut part =
            Self { from: PxPoint::new(0.0, 0.0), to: PxPoint::new(frame.0, frame.1), frame, unit, has_scale: first.mm_per_px.is_some() };
        if let Some(rect) = near {
            let all: Vec<PxPoint> = sides.iter().flat_map(|s| landmarks(s.reading)).map(|(_, p)| p).collect();
            let ends = |f: fn(&PxPoint) -> f64| {
                let (low, high) = all.iter().map(f).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                (low, high)
            };
            let ((x0, x1), (y0, y1)) = (ends(|p| p.x), ends(|p| p.y));
            // As much room on every side, and never so near that a pixel fills the view.
            let spare = (AROUND * ((x1 - x0) * unit.0).max((y1 - y0) * unit.1)).max(20.0 * unit.0);
            let (mut w, mut h) = ((x1 - x0) * unit.0 + 2.0 * spare, (y1 - y0) * unit.1 + 2.0 * spare);
            let shape = f64::from(rect.width()) / f64::from(rect.height().max(1.0));
            (w, h) = (w.max(h * shape), h.max(w / shape));
            let (x, y) = (f64::midpoint(x0, x1), f64::midpoint(y0, y1));
            part.from = PxPoint::new((x - w / 2.0 / unit.0).max(0.0), (y - h / 2.0 / unit.1).max(0.0));
            part.to = PxPoint::new((x + w / 2.0 / unit.0).min(frame.0), (y + h / 2.0 / unit.1).min(frame.1));
        }
        part
    }

    /// Points on screen that a mm (without a scale, a px) may be long so that the part fits.
    fn points_per_unit(&self, rect: Rect) -> f64 {
        let (w, h) = ((self.to.x - self.from.x) * self.unit.0, (self.to.y - self.from.y) * self.unit.1);
        (f64::from(rect.width()) / w.max(1e-9)).min(f64::from(rect.height()) / h.max(1e-9))
    }
}

/// A part of a frame on the screen.
struct Place<'a> {
    painter: Painter,
    rect: Rect,
    part: &'a Part,
    /// Points a mm, or without a scale a px.
    scale: f64,
    /// Where the part's upper left corner is.
    origin: Pos2,
}

impl<'a> Place<'a> {
    fn new(ui: &Ui, rect: Rect, part: &'a Part, scale: f64) -> Self {
        let (w, h) = ((part.to.x - part.from.x) * part.unit.0 * scale, (part.to.y - part.from.y) * part.unit.1 * scale);
        let origin = rect.center() - vec2(w as f32 / 2.0, h as f32 / 2.0);
        Self { painter: ui.painter().with_clip_rect(rect), rect, part, scale, origin }
    }

    fn at(&self, p: PxPoint) -> Pos2 {
        let x = (p.x - self.part.from.x) * self.part.unit.0 * self.scale;
        let y = (p.y - self.part.from.y) * self.part.unit.1 * self.scale;
        self.origin + vec2(x as f32, y as f32)
    }

    /// The picture, or in its place why there is none: landmarks are drawn all the same.
    fn picture(&self, ui: &Ui, side: &Seen<'_>, picture: &mut Picture) {
        self.painter.rect_filled(self.rect, 2.0, over_frame::CANVAS);
        let (from, to, (w, h)) = (self.part.from, self.part.to, self.part.frame);
        let shown = Rect::from_min_max(self.at(from), self.at(to));
        let words = match &side.sight {
            Sight::Picture(key, frame) => {
                let texture = picture.of(ui, key, frame, Showing::default());
                let uv = Rect::from_min_max(pos2((from.x / w) as f32, (from.y / h) as f32), pos2((to.x / w) as f32, (to.y / h) as f32));
                self.painter.image(texture.id(), shown, uv, Color32::WHITE);
                return;
            }
            Sight::Waiting => "The picture is being decoded …",
            Sight::None(why) => why.as_str(),
        };
        self.painter.rect_stroke(shown, 0.0, Stroke::new(1.0, over_frame::QUIET), egui::StrokeKind::Inside);
        let galley = self.painter.layout(words.to_owned(), FontId::proportional(size::SMALL), over_frame::QUIET, self.rect.width() - 24.0);
        self.painter.galley(self.rect.min + vec2(12.0, self.rect.height() - galley.size().y - 10.0), galley, over_frame::QUIET);
    }

    /// A reader's landmarks with their letters and the line from os to edge.
    fn marks(&self, reading: &ReadingRecord, which: Which) {
        let all = landmarks(reading);
        if let [(_, os), (_, edge), ..] = all.as_slice() {
            which.line(&self.painter, self.at(*os), self.at(*edge));
        }
        for (letter, p) in all {
            let at = self.at(p);
            which.mark(&self.painter, at, size::GLYPH);
            // The first reader's letters stand to the left, the second's to the right, so that near ones stay apart.
            let (way, align) = if which == Which::First { (-1.0, Align2::RIGHT_CENTER) } else { (1.0, Align2::LEFT_CENTER) };
            let spot = at + vec2(way * (size::GLYPH + 5.0), 0.0);
            let font = FontId::proportional(size::BODY);
            let ground = self.painter.layout_no_wrap(letter.to_owned(), font.clone(), which.ink());
            self.painter.rect_filled(align.anchor_size(spot, ground.size()).expand(1.5), 2.0, over_frame::HALO);
            self.painter.text(spot, align, letter, font, which.ink());
        }
    }

    /// A thin line between the two places of each landmark that both marked.
    fn shifts(&self, first: &ReadingRecord, second: &ReadingRecord) {
        let others = landmarks(second);
        for (letter, p) in landmarks(first) {
            if let Some((_, q)) = others.iter().find(|(l, _)| *l == letter) {
                self.painter.line_segment([self.at(p), self.at(*q)], Stroke::new(1.0, over_frame::QUIET));
            }
        }
    }

    /// A ruler in mm down the left side, where there is a scale.
    fn ruler(&self) {
        if !self.part.has_scale {
            let at = self.rect.min + vec2(8.0, 12.0);
            self.painter.text(at, Align2::LEFT_CENTER, "no scale", FontId::proportional(size::SMALL), over_frame::QUIET);
            return;
        }
        let marks = ruler::marks(self.scale, f64::from(self.rect.height()) - 16.0);
        let numbered = [5_u32, 10, 20, 50].into_iter().find(|s| f64::from(*s) * self.scale >= 20.0).unwrap_or(100);
        let top = self.rect.min + vec2(8.0, 8.0);
        for m in marks {
            let y = top.y + m.at as f32;
            let stroke = Stroke::new(1.0, over_frame::QUIET);
            self.painter.line_segment([pos2(top.x, y), pos2(top.x + 9.0 * m.length as f32, y)], stroke);
            if m.mm % numbered == 0 && m.mm > 0 {
                let text = format!("{} mm", m.mm);
                self.painter.text(pos2(top.x + 13.0, y), Align2::LEFT_CENTER, text, FontId::proportional(11.0), over_frame::QUIET);
            }
        }
    }
}

impl Which {
    /// A mark: a ring of the first reader, a square on its corner of the second. Its middle stays free.
    fn mark(self, painter: &Painter, at: Pos2, r: f32) {
        for (width, ink) in [(size::STROKE + 3.0, over_frame::HALO), (size::STROKE, self.ink())] {
            let stroke = Stroke::new(width, ink);
            match self {
                Self::First => {
                    painter.circle_stroke(at, r, stroke);
                }
                Self::Second => {
                    let r = r * 1.15;
                    let corners = [vec2(0.0, -r), vec2(r, 0.0), vec2(0.0, r), vec2(-r, 0.0)].map(|v| at + v);
                    painter.add(Shape::closed_line(corners.to_vec(), stroke));
                }
            }
        }
    }

    /// The line from os to edge: whole of the first reader, in dashes of the second.
    fn line(self, painter: &Painter, a: Pos2, b: Pos2) {
        for (width, ink) in [(size::STROKE + 2.0, over_frame::HALO), (size::STROKE, self.ink())] {
            let stroke = Stroke::new(width, ink);
            match self {
                Self::First => {
                    painter.line_segment([a, b], stroke);
                }
                Self::Second => painter.extend(Shape::dashed_line(&[a, b], stroke, 7.0, 5.0)),
            }
        }
    }
}

/// Whose marks are whose, and how far apart each landmark lies.
fn legend(ui: &mut Ui, sides: &[Seen<'_>; 2], theme: &Theme, one_frame: bool) {
    ui.horizontal_wrapped(|ui| {
        for (side, which) in sides.iter().zip([Which::First, Which::Second]) {
            let (rect, _) = ui.allocate_exact_size(vec2(52.0, 24.0), Sense::hover());
            ui.painter().rect_filled(rect, 3.0, over_frame::CANVAS);
            let (a, b) = (rect.left_center() + vec2(12.0, 0.0), rect.right_center() - vec2(4.0, 0.0));
            which.line(ui.painter(), a, b);
            which.mark(ui.painter(), a, 6.0);
            let words = if which == Which::First { "first reader" } else { "second reader" };
            plain(ui, format!("{} ({words})", side.reading.reader), theme.text);
            ui.add_space(12.0);
        }
    });
    plain(ui, "O internal os, E placental edge, L last placenta, W end of wall, B body, S sinus", theme.quiet);
    if !one_frame {
        let how = if sides.iter().all(|s| s.mm_per_px.is_some()) {
            "They chose different frames: one millimetre is as long on both."
        } else {
            "They chose different frames, and not both have a scale: their lengths on the screen do not compare."
        };
        plain(ui, how, theme.quiet);
    }
}
