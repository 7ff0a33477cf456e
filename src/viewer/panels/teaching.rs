//! The page of the teaching set: each frame without what is written beside it, to be looked at and decided.

use egui::{Color32, CornerRadius, Id, Pos2, Rect, Sense, Stroke, StrokeKind, Ui, pos2, vec2};

use super::context::{choices, field};
use super::picture::{Picture, Showing};
use super::{Side, beside, grave, heavy, instead_of_a_picture, main_button, middle, plain, rule};
use crate::frame::Frame;
use crate::interchange::teaching::{Blank, Decision};
use crate::viewer::action::Action;
use crate::viewer::session::{Session, Teaching, TeachingAction as Do};
use crate::viewer::theme::{Theme, over_frame, size};
use crate::viewer::words::counted;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, picture: &mut Picture<(usize, u64)>) -> Vec<Action> {
    let mut actions = Vec::new();
    let width = size::sheet(ui.max_rect().width()) + size::GAP;
    beside(ui, theme, Side::Right, "teaching", width, |ui| {
        super::sheet::messages(ui, session, theme, &mut actions);
        sheet(ui, session, theme, &mut actions);
    });
    middle(ui, theme, |ui| canvas(ui, session.teaching(), picture, &mut actions));
    actions
}

fn sheet(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let teaching = session.teaching();
    ui.label(heavy("Teaching set", size::FINDING, theme.text));
    plain(
        ui,
        "Frames and readings without identity (DICOM PS3.15 Basic Profile with Clean Pixel Data). Everything outside the \
         ultrasound regions is blanked; text can still stand inside a region, so each frame is looked at by a person. The \
         originals are only read.",
        theme.quiet,
    );
    rule(ui, theme);
    if let Some(what) = teaching.busy() {
        ui.label(heavy(what, size::BODY, theme.lead));
        rule(ui, theme);
    }
    let Some(set) = teaching.set() else {
        let (exams, frames) = open_now(session);
        if exams == 0 {
            plain(ui, "No exam is open. Open those that the set is to be made from.", theme.text);
            choices(ui, |ui| {
                if ui.button("Open files (Ctrl + O)").clicked() {
                    actions.push(Action::PickFiles);
                }
                if ui.button("Open a folder (Ctrl + Shift + O)").clicked() {
                    actions.push(Action::PickFolder);
                }
            });
            return;
        }
        plain(ui, format!("{} of {} are open.", counted(frames as usize, "frame"), counted(exams, "exam")), theme.text);
        if ui.button("Prepare a teaching set from them (P)").clicked() {
            actions.push(Action::Teaching(Do::Prepare));
        }
        return;
    };
    decision(ui, session, theme, actions);
    rule(ui, theme);
    let (open, approved, left_out) = teaching.counts();
    ui.label(heavy(format!("{approved} approved · {left_out} left out · {open} still to decide"), size::BODY, theme.text));
    if !set.left_out().is_empty() {
        plain(ui, format!("{} cannot be part of a set:", counted(set.left_out().len(), "file")), theme.warn);
        for (path, why) in set.left_out() {
            let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            plain(ui, format!("{name}: {why}"), theme.quiet);
        }
    }
    rule(ui, theme);
    write(ui, teaching, theme, actions);
    rule(ui, theme);
    if teaching.asks() {
        plain(ui, "A set is in progress. Forgetting it forgets its decisions and the key that leads back to the originals.", theme.warn);
        ui.horizontal_wrapped(|ui| {
            if ui.add(grave(theme, "Forget it")).clicked() {
                actions.push(Action::Teaching(Do::Forget));
            }
            if ui.add(grave(theme, "Forget it and prepare another")).clicked() {
                actions.push(Action::Teaching(Do::PrepareAnew));
            }
            if ui.button("Go on with it").clicked() {
                actions.push(Action::Teaching(Do::AskForget));
            }
        });
    } else if ui.button("Forget this set, or prepare another").clicked() {
        actions.push(Action::Teaching(Do::AskForget));
    }
}

fn open_now(session: &Session) -> (usize, u32) {
    (session.exams().len(), session.exams().iter().map(|e| e.frame_count()).fold(0, u32::saturating_add))
}

/// The frame that is shown, what was decided about it, and what can be.
fn decision(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let teaching = session.teaching();
    let (Some((place, frame)), Some(set)) = (teaching.frame(), teaching.set()) else { return };
    let say = |actions: &mut Vec<Action>, what: Do| actions.push(Action::Teaching(what));
    ui.label(heavy(format!("Frame {} of {}", place + 1, set.frames().len()), size::BODY + 2.0, theme.text));
    match &frame.decision {
        Decision::Open => plain(ui, "Not decided", theme.warn),
        Decision::Approved { by, .. } => plain(ui, format!("Approved: {by} looked at this picture"), theme.text),
        Decision::LeftOut => plain(ui, "Left out", theme.quiet),
    };
    ui.add_space(4.0);
    plain(ui, "Does anything in this picture tell who was examined, where, or when?", theme.text);
    if main_button(ui, theme, teaching.picture().is_some(), "Nothing does: approve (A)", ui.available_width()).clicked() {
        say(actions, Do::Approve);
    }
    ui.horizontal_wrapped(|ui| {
        if ui.button("Leave it out (X)").clicked() {
            say(actions, Do::LeaveOut);
        }
        if ui.button("Leave out the rest of its file").clicked() {
            say(actions, Do::LeaveOutFile);
        }
    });
    plain(ui, "Or drag a box over it on the picture: it is blanked in the set.", theme.quiet);
    if !frame.blanked.is_empty() {
        ui.horizontal_wrapped(|ui| {
            plain(
                ui,
                format!(
                    "Blanked here: {}.",
                    if frame.blanked.len() == 1 { "1 box".to_owned() } else { format!("{} boxes", frame.blanked.len()) }
                ),
                theme.text,
            );
            if ui.button("Take back the last box (Backspace)").clicked() {
                say(actions, Do::TakeBackBlank);
            }
        });
    }
    ui.add_space(4.0);
    ui.horizontal_wrapped(|ui| {
        for (text, key, what) in
            [("Before", "Page Up", Do::Step(-1)), ("After", "Page Down", Do::Step(1)), ("Next undecided", "J", Do::NextOpen)]
        {
            if ui.button(text).on_hover_text(key).clicked() {
                say(actions, what);
            }
        }
    });
}

fn write(ui: &mut Ui, teaching: &Teaching, theme: &Theme, actions: &mut Vec<Action>) {
    ui.label(heavy("Write the set", size::BODY, theme.text));
    plain(ui, "To a new or empty folder. Readings in your records that belong to approved frames go with them.", theme.quiet);
    let (edited, response) =
        field(ui, "path of the new folder", teaching.typed_folder(), "path of the new folder", ui.available_width() - 4.0);
    if let Some(text) = edited {
        actions.push(Action::Teaching(Do::TypeFolder(text)));
    }
    let entered = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
    if ui.button("Write (W)").clicked() || entered {
        actions.push(Action::Teaching(Do::Write));
    }
    if let Some(words) = teaching.written() {
        plain(ui, words, theme.text);
        plain(ui, "Look through the folder once more before it leaves your hands.", theme.quiet);
    }
}

/// The cleaned picture, and the boxes that are dragged over it.
fn canvas(ui: &mut Ui, teaching: &Teaching, picture: &mut Picture<(usize, u64)>, actions: &mut Vec<Action>) {
    let rect = ui.available_rect_before_wrap();
    ui.painter().rect_filled(rect, 2.0, over_frame::CANVAS);
    let Some((place, _)) = teaching.frame() else {
        instead_of_a_picture(ui, rect, "No teaching set is prepared.");
        return;
    };
    let Some(shown) = teaching.picture() else {
        instead_of_a_picture(ui, rect, teaching.picture_error().unwrap_or("Decoding the frame"));
        return;
    };
    let texture = picture.of(ui, &(place, teaching.state()), shown, Showing::default());
    let at = placed(rect, shown);
    let uv = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
    ui.painter().image(texture.id(), at, uv, Color32::WHITE);
    // The edge of the picture shows where blanked ends and nothing begins.
    ui.painter().rect_stroke(at, CornerRadius::ZERO, Stroke::new(1.0, over_frame::QUIET), StrokeKind::Outside);
    let response = ui.interact(rect, Id::unique("teaching frame"), Sense::drag());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, format!("cleaned frame {}", place + 1)));
    if response.hovered() {
        ui.ctx().set_cursor_icon(egui::CursorIcon::Crosshair);
    }
    let start = ui.input(|i| i.pointer.press_origin());
    let (Some(from), Some(to)) = (start, response.interact_pointer_pos()) else { return };
    if response.dragged() {
        let drawn = Rect::from_two_pos(from, to).intersect(at);
        ui.painter().rect(drawn, 0.0, Color32::from_black_alpha(160), Stroke::new(1.5, over_frame::WORDS), StrokeKind::Inside);
    } else if response.drag_stopped()
        && let Some(area) = box_of(from, to, at, shown)
    {
        actions.push(Action::Teaching(Do::Blank(area)));
    }
}

/// Where the picture lies: as large as fits, its pixels square on the screen.
fn placed(room: Rect, frame: &Frame) -> Rect {
    let (w, h) = (frame.width.max(1) as f32, frame.height.max(1) as f32);
    let times = (room.width() / w).min(room.height() / h);
    Rect::from_center_size(room.center(), vec2(w * times, h * times))
}

/// The pixels that a dragged box touches; `None` when it is hardly a box.
fn box_of(from: Pos2, to: Pos2, at: Rect, frame: &Frame) -> Option<Blank> {
    let drawn = Rect::from_two_pos(from, to).intersect(at);
    if drawn.width() < 2.0 || drawn.height() < 2.0 {
        return None;
    }
    let (w, h) = (frame.width, frame.height);
    let pixel = |v: f32, start: f32, length: f32, count: u32| (((v - start) / length * count as f32) as u32).min(count.saturating_sub(1));
    Some(Blank {
        min_x: pixel(drawn.min.x, at.min.x, at.width(), w),
        min_y: pixel(drawn.min.y, at.min.y, at.height(), h),
        max_x: pixel(drawn.max.x, at.min.x, at.width(), w),
        max_y: pixel(drawn.max.y, at.min.y, at.height(), h),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::frame::{FrameId, Samples};

    #[test]
    fn a_dragged_box_covers_every_pixel_it_touches_and_stays_on_the_frame() {
        let id = FrameId { sha256: String::new(), sop_instance_uid: None, frame_number: 1 };
        let frame = Frame { id, width: 100, height: 50, samples: Samples::Gray8(vec![0; 5000]) };
        let at = placed(Rect::from_min_size(pos2(0.0, 0.0), vec2(200.0, 200.0)), &frame);
        assert_eq!(at, Rect::from_min_size(pos2(0.0, 50.0), vec2(200.0, 100.0)));
        let b = box_of(pos2(21.0, 61.0), pos2(10.0, 71.0), at, &frame).unwrap();
        assert_eq!((b.min_x, b.min_y, b.max_x, b.max_y), (5, 5, 10, 10));
        let b = box_of(pos2(-50.0, 0.0), pos2(500.0, 500.0), at, &frame).unwrap();
        assert_eq!((b.min_x, b.min_y, b.max_x, b.max_y), (0, 0, 99, 49));
        assert!(box_of(pos2(20.0, 60.0), pos2(20.5, 60.5), at, &frame).is_none());
    }
}
