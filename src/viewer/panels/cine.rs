//! The time line of a cine: a thin line of ticks under the frame, with words.

use egui::{Align, Align2, FontId, Id, Layout, PointerButton, Rect, RichText, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::heavy;
use crate::viewer::action::Action;
use crate::viewer::session::{CineNow, FrameMark, Session};
use crate::viewer::theme::{Theme, size};

/// Room for the ticks and what stands above them, points.
const TICKS: f32 = 26.0;
/// Room at each end of the line, points.
const END: f32 = 8.0;
/// Ticks stand no closer than this, points.
const CLOSEST: f32 = 5.0;
/// The most marks that are drawn as items of their own.
const MOST_ITEMS: usize = 300;

/// Where frames lie along the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Places {
    left: f32,
    right: f32,
    count: u32,
}

impl Places {
    /// `count` frames from `left` to `right`.
    #[must_use]
    pub const fn new(left: f32, right: f32, count: u32) -> Self {
        Self { left, right, count }
    }

    /// Where a frame lies.
    #[must_use]
    pub fn x(&self, number: u32) -> f32 {
        let steps = f64::from(self.count.saturating_sub(1).max(1));
        let part = f64::from(number.saturating_sub(1)) / steps;
        self.left + (f64::from(self.right - self.left) * part) as f32
    }

    /// The frame nearest to a place; the first or last one beyond the ends.
    #[must_use]
    pub fn number(&self, x: f32) -> u32 {
        let steps = f64::from(self.count.saturating_sub(1));
        let part = f64::from(x - self.left) / f64::from((self.right - self.left).max(1.0));
        // In range after the clamp; "not a number" becomes the first frame.
        1 + (part.clamp(0.0, 1.0) * steps).round() as u32
    }

    /// Frames from tick to tick: one, or the least round number that keeps ticks apart.
    #[must_use]
    pub fn tick_every(&self) -> u32 {
        let apart = (self.right - self.left) / self.count.saturating_sub(1).max(1) as f32;
        let rounds = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000];
        rounds.into_iter().find(|n| apart * *n as f32 >= CLOSEST).unwrap_or(100_000)
    }
}

/// A frame in words: "frame 12 of 60, has a reading".
#[must_use]
pub fn spoken(number: u32, count: u32, mark: Option<FrameMark>) -> String {
    let rest = mark.map(|m| format!(", {}", m.words())).unwrap_or_default();
    format!("frame {number} of {count}{rest}")
}

/// Draws the time line of the current cine; returns what the reader did on it.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    let Some(now) = session.cine() else { return actions };
    let marks = session.frame_marks();
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), TICKS), Sense::hover());
    let places = Places::new(rect.left() + END, rect.right() - END, now.count);
    line(ui, rect, places, &now, &marks, theme, &mut actions);
    marked(ui, rect, places, &now, &marks, theme, &mut actions);
    words(ui, &now, &marks, theme, &mut actions);
    actions
}

fn mark_of(marks: &[(u32, FrameMark)], number: u32) -> Option<FrameMark> {
    marks.iter().find(|m| m.0 == number).map(|m| m.1)
}

/// The line itself: dragged, clicked, and stepped along by arrows when it has the focus.
fn line(ui: &Ui, rect: Rect, places: Places, now: &CineNow<'_>, marks: &[(u32, FrameMark)], theme: &Theme, actions: &mut Vec<Action>) {
    let id = Id::unique("time line");
    let response = ui.interact(rect, id, Sense::click_and_drag());
    let name = format!("time line: {}", spoken(now.number, now.count, mark_of(marks, now.number)));
    response.widget_info(|| WidgetInfo::slider(true, f64::from(now.number), name.clone()));
    for_screen_readers(ui, id, now, actions);
    let pressed = response.is_pointer_button_down_on() && ui.input(|i| i.pointer.button_down(PointerButton::Primary));
    if (pressed || response.clicked())
        && let Some(p) = response.interact_pointer_pos()
        && places.number(p.x) != now.number
    {
        actions.push(Action::Scrub(places.number(p.x)));
    }
    if response.has_focus() {
        let stay = egui::EventFilter { horizontal_arrows: true, ..Default::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(id, stay));
        for (key, by) in [(egui::Key::ArrowLeft, -1), (egui::Key::ArrowRight, 1)] {
            let presses = ui.input(|i| i.num_presses(key));
            if presses > 0 {
                actions.push(Action::StepCine(by * i32::try_from(presses).unwrap_or(1)));
            }
        }
        ui.painter().rect_stroke(rect, 2.0, Stroke::new(1.5, theme.lead), egui::StrokeKind::Inside);
    }
    if response.hovered() {
        ui.ctx().set_cursor_icon(egui::CursorIcon::ResizeHorizontal);
    }
    let painter = ui.painter();
    let base = rect.bottom() - 5.0;
    painter.hline(places.x(1)..=places.x(now.count), base, Stroke::new(1.0, theme.outline));
    let every = places.tick_every();
    let mut number = 1;
    while number <= now.count {
        // Frame 1, then round numbers; each fifth round number stands taller.
        let tall = if number == 1 || number % (every * 5) == 0 { 7.0 } else { 4.0 };
        painter.vline(places.x(number), base - tall..=base, Stroke::new(1.0, theme.outline));
        number = (number / every + 1) * every;
    }
    painter.vline(places.x(now.count), base - 7.0..=base, Stroke::new(1.0, theme.outline));
    let here = Rect::from_x_y_ranges(places.x(now.number) - 1.5..=places.x(now.number) + 1.5, base - 13.0..=base + 4.0);
    painter.rect_filled(here, 0.0, theme.lead);
    if let Some(p) = response.hover_pos() {
        let number = places.number(p.x);
        let align = if p.x > rect.center().x { Align2::RIGHT_CENTER } else { Align2::LEFT_CENTER };
        let at = pos2(places.x(number) + if p.x > rect.center().x { -6.0 } else { 6.0 }, rect.top() + 6.0);
        let text = number.to_string();
        let galley = painter.layout_no_wrap(text, FontId::proportional(size::SMALL), theme.text);
        let ground = align.anchor_size(at, galley.size());
        painter.rect_filled(ground.expand(2.0), 2.0, theme.page);
        painter.galley(ground.min, galley, theme.text);
    }
}

/// How far the line goes and that it can be stepped and set, for screen readers; and what they ask of it.
fn for_screen_readers(ui: &Ui, id: Id, now: &CineNow<'_>, actions: &mut Vec<Action>) {
    use egui::accesskit::{Action as Asked, ActionData};
    ui.input(|i| {
        for (asked, by) in [(Asked::Increment, 1), (Asked::Decrement, -1)] {
            let times = i32::try_from(i.num_accesskit_action_requests(id, asked)).unwrap_or(1);
            if times > 0 {
                actions.push(Action::StepCine(by * times));
            }
        }
        for request in i.accesskit_action_requests(id, Asked::SetValue) {
            if let Some(ActionData::NumericValue(value)) = request.data {
                // Bounded by the clamp; "not a number" becomes the first frame.
                actions.push(Action::Scrub(value.clamp(1.0, f64::from(now.count)).round() as u32));
            }
        }
    });
    ui.ctx().accesskit_node_builder(id, |node| {
        node.set_min_numeric_value(1.0);
        node.set_max_numeric_value(f64::from(now.count));
        node.set_numeric_value_step(1.0);
        for asked in [Asked::Increment, Asked::Decrement, Asked::SetValue] {
            node.add_action(asked);
        }
    });
}

/// The marked frames, each an item of its own that goes to its frame.
fn marked(ui: &Ui, rect: Rect, places: Places, now: &CineNow<'_>, marks: &[(u32, FrameMark)], theme: &Theme, actions: &mut Vec<Action>) {
    for (number, mark) in marks.iter().take(MOST_ITEMS) {
        let at = pos2(places.x(*number), rect.top() + 5.0);
        let item = ui.interact(Rect::from_center_size(at, vec2(12.0, 11.0)), Id::unique(("time line", *number)), Sense::click());
        let name = spoken(*number, now.count, Some(*mark));
        item.widget_info(|| WidgetInfo::labeled(Role::Button, true, name.clone()));
        if item.clicked() {
            actions.push(Action::Scrub(*number));
        }
        match mark {
            FrameMark::Reading => ui.painter().circle_filled(at, 4.0, theme.text),
            FrameMark::Unsaved => ui.painter().circle_stroke(at, 3.5, Stroke::new(1.5, theme.warn)),
        };
        if item.has_focus() {
            ui.painter().rect_stroke(item.rect, 2.0, Stroke::new(1.5, theme.lead), egui::StrokeKind::Outside);
        }
        item.on_hover_text(name);
    }
}

/// Frame number, what it has, play, pace.
fn words(ui: &mut Ui, now: &CineNow<'_>, marks: &[(u32, FrameMark)], theme: &Theme, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let text = |t: &str| RichText::new(t).size(size::SMALL).color(theme.text);
        ui.add_space(END - 2.0);
        ui.label(heavy(format!("Frame {} of {}", now.number, now.count), size::BODY, theme.text));
        let play = if now.playing { "Pause (P)" } else { "Play (P)" };
        if ui.add(egui::Button::new(text(play)).frame_when_inactive(false)).clicked() {
            actions.push(Action::TogglePlay);
        }
        let once = if now.once { "plays once" } else { "plays round and round" };
        if ui.add(egui::Button::new(text(once)).frame_when_inactive(false)).on_hover_text("Shift + P").clicked() {
            actions.push(Action::ToggleOnce);
        }
        match mark_of(marks, now.number) {
            Some(mark @ FrameMark::Reading) => ui.label(RichText::new(mark.words()).size(size::SMALL).color(theme.text)),
            Some(mark @ FrameMark::Unsaved) => ui.label(RichText::new(mark.words()).size(size::SMALL).color(theme.warn)),
            None if now.decoding => ui.label(RichText::new("decoding").size(size::SMALL).color(theme.quiet)),
            None => ui.label(""),
        };
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.add_space(END);
            ui.add(egui::Label::new(RichText::new(now.pace.words()).size(size::SMALL).color(theme.quiet)).truncate());
        });
    });
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn every_frame_is_found_where_it_is_drawn_and_beyond_the_ends_the_end() {
        for count in [2, 60, 500] {
            let places = Places::new(20.0, 812.0, count);
            for n in 1..=count {
                assert_eq!(places.number(places.x(n)), n);
            }
            assert_eq!((places.x(1), places.x(count)), (20.0, 812.0));
            assert_eq!((places.number(-50.0), places.number(9000.0)), (1, count));
            assert_eq!(places.number(f32::NAN), 1);
        }
    }

    #[test]
    fn ticks_stay_apart() {
        assert_eq!(Places::new(0.0, 590.0, 60).tick_every(), 1);
        assert_eq!(Places::new(0.0, 800.0, 500).tick_every(), 5);
        assert!(Places::new(0.0, 10.0, 100_000).tick_every() >= 50_000);
    }
}
