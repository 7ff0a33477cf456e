//! Aids for the eye over and beside the frame: the millimetre grid, the marks of saved readings, a second frame at the same scale.

use egui::{
    Align, Align2, Color32, FontId, Id, Layout, Painter, PointerButton, Pos2, Rect, RichText, Role, ScrollArea, Sense, Stroke, Ui,
    UiBuilder, WidgetInfo, pos2, vec2,
};

use super::picture::{Picture, Showing};
use super::plain;
use crate::calibrate::Calibration;
use crate::calibrate::header::survey;
use crate::units::{MmVec, PxPoint};
use crate::viewer::action::Action;
use crate::viewer::glyphs;
use crate::viewer::screen_map::{Canvas, ScreenMap, View, Zoom};
use crate::viewer::session::{DisplayAction, Session};
use crate::viewer::theme::{Theme, over_frame, size};

/// Lines of the grid stand no closer than this, points.
const CLOSEST: f64 = 12.0;
/// The most lines each way.
const MOST_LINES: i32 = 200;

/// How frames are shown now.
pub(super) fn showing(session: &Session) -> Showing {
    Showing { tones: session.display().tones, single_pixels: session.display().single_pixels }
}

/// The grid in true millimetres around the os, else around the middle, over the calibrated part of the frame alone.
pub(super) fn grid(painter: &Painter, session: &Session, map: &ScreenMap) {
    let (Ok((scale, origin)), Some(file)) = (session.scale_here(), session.file()) else { return };
    let to_screen = |p: PxPoint| {
        let [x, y] = map.to_screen(p);
        pos2(x as f32, y as f32)
    };
    let regions = survey(&file.geometry).regions;
    let region = regions.iter().find(|r| r.reason().is_none() && r.holds(origin)).and_then(|r| r.bounds);
    let whole = (PxPoint::new(0.0, 0.0), PxPoint::new(f64::from(file.geometry.columns), f64::from(file.geometry.rows)));
    let (from, to) = region.map_or(whole, |b| {
        (PxPoint::new(f64::from(b.min_x), f64::from(b.min_y)), PxPoint::new(f64::from(b.max_x) + 1.0, f64::from(b.max_y) + 1.0))
    });
    let (px, py) = (scale.step_back(MmVec::new(1.0, 0.0)).x, scale.step_back(MmVec::new(0.0, 1.0)).y);
    let least = (px * map.scale().0).min(py * map.scale().1);
    let Some(step) = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0].into_iter().find(|s| s * least >= CLOSEST) else { return };
    let room = Rect::from_two_pos(to_screen(from), to_screen(to)).intersect(painter.clip_rect());
    let stroke = |n: i32| Stroke::new(1.0, over_frame::RING.gamma_multiply(if n % 5 == 0 { 0.55 } else { 0.28 }));
    for n in -MOST_LINES..=MOST_LINES {
        let mm = f64::from(n) * step;
        let at = to_screen(PxPoint::new(origin.x + mm * px, origin.y + mm * py));
        if room.x_range().contains(at.x) {
            painter.vline(at.x, room.y_range(), stroke(n));
        }
        if room.y_range().contains(at.y) {
            painter.hline(room.x_range(), at.y, stroke(n));
        }
    }
    let at = room.right_bottom() - vec2(8.0, 6.0);
    words(painter, at, Align2::RIGHT_BOTTOM, &format!("grid {step} mm"), over_frame::RING);
}

/// The marks of every saved reading that this reader may see, each with the number under which the case sheet lists it.
pub(super) fn all_readings(painter: &Painter, session: &Session, at: &dyn Fn(PxPoint) -> Pos2) {
    for (i, reading) in session.readings_seen().unwrap_or_default().iter().enumerate() {
        let os = reading.marks.iter().find(|(m, _)| *m == crate::viewer::action::Mark::InternalOs).map(|(_, p)| at(*p));
        for (mark, place) in &reading.marks {
            let p = at(*place);
            glyphs::draw_small(painter, *mark, p, os.map(|os| os - p));
            words(painter, p + vec2(7.0, -7.0), Align2::LEFT_BOTTOM, &(i + 1).to_string(), glyphs::colour(*mark));
        }
    }
}

/// The list that goes with those marks, for the case sheet.
pub(super) fn list_of_readings(ui: &mut Ui, session: &Session, theme: &Theme) {
    match session.readings_seen() {
        Ok(readings) => {
            for (i, r) in readings.iter().enumerate() {
                let followed = if r.followed { " (followed by a later one)" } else { "" };
                plain(ui, format!("{}. {}, saved {}: {}{followed}", i + 1, r.reader, r.saved_at, r.headline), theme.text);
            }
        }
        Err(why) => {
            plain(ui, why, theme.quiet);
        }
    }
}

/// The frame beside, at as many points a millimetre as the frame that is read, where both scales are known.
pub fn beside(ui: &mut Ui, session: &Session, picture: &mut Picture, points_per_mm: Option<f64>) -> Vec<Action> {
    let mut actions = Vec::new();
    let rect = ui.max_rect();
    ui.painter().rect_filled(rect, 2.0, over_frame::CANVAS);
    let Some(beside) = session.beside() else { return actions };
    let painter = ui.painter().with_clip_rect(rect);
    let caption = session.frame_words(&beside.key);
    let mut note = String::new();
    if let Some(frame) = &beside.picture {
        let canvas = Canvas { x: rect.left().into(), y: rect.top().into(), width: rect.width().into(), height: rect.height().into() };
        let (w, h) = (f64::from(frame.width), f64::from(frame.height));
        let scale = session.scale_of(&beside.key);
        let tallness = scale.as_ref().map_or(1.0, |(s, _)| per_mm(s).0 / per_mm(s).1);
        let zoom = match (&scale, points_per_mm) {
            (Ok((s, _)), Some(points)) => {
                note = "at the same scale; nothing is marked here".into();
                Zoom::PointsPerPx(points / per_mm(s).0)
            }
            (Err(why), _) => {
                note = format!("NOT at the same scale: {why}");
                Zoom::OfFit(1.0)
            }
            (Ok(_), None) => {
                note = "NOT at the same scale: the frame that is read has none".into();
                Zoom::OfFit(1.0)
            }
        };
        let centre = beside.centre.or_else(|| session.work_beside().os).unwrap_or(PxPoint::new(w / 2.0, h / 2.0));
        let map = ScreenMap::new(canvas, w, h, tallness, View { zoom, centre: Some(centre) });
        let at = |p: PxPoint| {
            let [x, y] = map.to_screen(p);
            pos2(x as f32, y as f32)
        };
        let texture = picture.of(ui, &beside.key, frame, showing(session));
        let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
        let place = Rect::from_min_max(at(PxPoint::new(0.0, 0.0)), at(PxPoint::new(w, h)));
        painter.image(texture.id(), place, whole, Color32::WHITE);
        let work = session.work_beside();
        for (mark, p) in work.placed() {
            let to_os = work.os.map(|os| at(os) - at(p));
            glyphs::draw_small(&painter, mark, at(p), to_os);
        }
        let response = ui.interact(rect, Id::unique("frame beside"), Sense::click_and_drag());
        let spoken = format!("Frame beside: {caption}, {note}");
        response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken.clone()));
        if [PointerButton::Primary, PointerButton::Secondary].into_iter().any(|b| response.dragged_by(b)) {
            let d = response.drag_delta();
            if let Some(centre) = map.panned(canvas, [d.x.into(), d.y.into()]).centre {
                actions.push(Action::Display(DisplayAction::LookBeside(centre)));
            }
        }
        if response.has_focus() {
            painter.rect_stroke(rect.shrink(1.0), 2.0, Stroke::new(1.5, over_frame::QUIET), egui::StrokeKind::Inside);
        }
    } else {
        let text = beside.error.clone().unwrap_or_else(|| "Decoding the frame".into());
        words(&painter, rect.center(), Align2::CENTER_CENTER, &text, over_frame::WORDS);
    }
    let said = words(&painter, rect.left_top() + vec2(8.0, 6.0), Align2::LEFT_TOP, &caption, over_frame::WORDS);
    let ink = if note.starts_with("NOT") { over_frame::LAST_PLACENTA } else { over_frame::QUIET };
    words(&painter, said.left_bottom() + vec2(0.0, 5.0), Align2::LEFT_TOP, &note, ink);
    let low = Rect::from_min_max(pos2(rect.left() + 8.0, rect.bottom() - 34.0), rect.max - vec2(8.0, 6.0));
    ui.scope_builder(UiBuilder::new().max_rect(low).layout(Layout::left_to_right(Align::Center)), |ui| {
        // With large letters half a frame is narrow.
        (ui.spacing_mut().button_padding.x, ui.spacing_mut().item_spacing.x) = (5.0, 5.0);
        let text = RichText::new("another (3)").size(size::SMALL);
        ui.menu_button(text, |ui| choose_beside(ui, session, &mut actions));
        if ui.button(RichText::new("close (2)").size(size::SMALL)).clicked() {
            actions.push(Action::Display(DisplayAction::Beside));
        }
    });
    actions
}

/// The frames that may stand beside, by day, age and place, one button each.
pub(super) fn choose_beside(ui: &mut Ui, session: &Session, actions: &mut Vec<Action>) {
    let all = session.candidates();
    if all.is_empty() {
        ui.label("There is no other frame of this person: open more of her frames (F).");
    }
    ScrollArea::vertical().max_height(320.0).show(ui, |ui| {
        for key in all {
            let on = session.beside().is_some_and(|b| b.key == key);
            let name = key.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            if ui.selectable_label(on, format!("{} · {name}", session.frame_words(&key))).clicked() {
                actions.push(Action::Display(DisplayAction::PutBeside(key)));
                ui.close();
            }
        }
    });
}

/// Pixels a millimetre, (across, down).
fn per_mm(scale: &Calibration) -> (f64, f64) {
    (scale.step_back(MmVec::new(1.0, 0.0)).x, scale.step_back(MmVec::new(0.0, 1.0)).y)
}

/// Points a millimetre of the frame that is read, as it is drawn in `rect`; `None` without a scale.
#[must_use]
pub fn points_per_mm(session: &Session, rect: Rect) -> Option<f64> {
    let ((scale, _), file, frame) = (session.scale_here().ok()?, session.file()?, session.picture()?);
    let map = super::canvas::map_of(session, file, frame, rect).1;
    Some(per_mm(&scale).0 * map.scale().0)
}

/// Words over a frame, on a dark ground, no wider than what they are drawn in. Returns where they stand.
pub(super) fn words(painter: &Painter, at: Pos2, align: Align2, text: &str, ink: Color32) -> Rect {
    let room = (painter.clip_rect().width() - 24.0).max(60.0);
    let galley = painter.layout(text.into(), FontId::proportional(size::SMALL), ink, room);
    let rect = align.anchor_size(at, galley.size());
    painter.rect_filled(rect.expand2(vec2(4.0, 1.0)), 3.0, over_frame::HALO);
    painter.galley(rect.min, galley, ink);
    rect
}
