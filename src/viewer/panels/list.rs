//! The exams and frames in words, in a drawer at the left.

use egui::{RichText, ScrollArea, Ui};

use super::{heavy, plain};
use crate::viewer::action::Action;
use crate::viewer::session::{ExamState, FrameKey, SaveState, Session, dates};
use crate::viewer::theme::{Theme, size};

/// At most so many frames of one exam are listed around the current one; a long cine is stepped through by keys.
const MOST_FRAMES: u32 = 200;

/// Draws the drawer.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    ui.label(heavy("Exams and frames", size::BODY, theme.text));
    ui.horizontal_wrapped(|ui| {
        if ui.button("Open files").on_hover_text("Ctrl + O").clicked() {
            actions.push(Action::PickFiles);
        }
        if ui.button("Open folder").on_hover_text("Ctrl + Shift + O").clicked() {
            actions.push(Action::PickFolder);
        }
    });
    super::overlay::path_field(ui, session, &mut actions);
    ui.add_space(6.0);
    ScrollArea::vertical().id_salt("exams").auto_shrink([false, false]).show(ui, |ui| {
        super::unfinished::list(ui, session, theme, &mut actions);
        for exam in session.exams() {
            self::exam(ui, exam, session, theme, &mut actions);
            ui.add_space(8.0);
        }
        if !session.not_frames().is_empty() {
            ui.label(heavy("Files left out", size::BODY, theme.text));
            for (name, reason) in session.not_frames() {
                plain(ui, format!("{name}: {reason}"), theme.quiet);
            }
        }
    });
    actions
}

fn exam(ui: &mut Ui, exam: &ExamState, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let date = exam.context.exam_date.or(exam.file_date).map_or_else(|| "no date".to_owned(), dates::show);
    let age = exam.context.gestational_age().map_or_else(|_| "age not known".to_owned(), |a| a.to_string());
    ui.label(heavy(format!("{date} · {age}"), size::BODY, theme.text));
    plain(ui, super::strip::patient_words(&exam.patient), theme.quiet);
    for warning in &exam.warnings {
        plain(ui, warning.clone(), theme.warn);
    }
    let here = session.current().and_then(|k| exam.place_of(k));
    let first = here.unwrap_or(0).saturating_sub(MOST_FRAMES / 2);
    let last = first.saturating_add(MOST_FRAMES).min(exam.frame_count());
    if first > 0 {
        plain(ui, format!("{first} frames before these"), theme.quiet);
    }
    for place in first..last {
        if let Some(key) = exam.frame_at(place) {
            frame(ui, &key, place, here == Some(place), session, theme, actions);
        }
    }
    if last < exam.frame_count() {
        plain(ui, format!("{} frames after these", exam.frame_count() - last), theme.quiet);
    }
}

fn frame(ui: &mut Ui, key: &FrameKey, place: u32, here: bool, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let state = session.save_state_of(key);
    let name = key.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut text = format!("{} · {name}", place + 1);
    if key.number > 1 {
        text.push_str(&format!(" frame {}", key.number));
    }
    if state != SaveState::Nothing {
        text.push_str(&format!(" · {}", state.words()));
    }
    let colour = match state {
        _ if here => theme.on_button,
        SaveState::NotSaved | SaveState::ChangedSinceSaved => theme.warn,
        _ => theme.text,
    };
    let button = egui::Button::selectable(here, RichText::new(text).color(colour)).truncate();
    ui.with_layout(egui::Layout::top_down_justified(egui::Align::Min), |ui| {
        if ui.add(button).clicked() && !here {
            actions.push(Action::GoTo(key.clone()));
        }
    });
}
