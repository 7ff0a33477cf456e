//! Unfinished readings that an earlier window left: offered beside their frame, listed among exams and frames.

use egui::Ui;

use super::{heavy, plain};
use crate::record::Draft;
use crate::viewer::action::Action;
use crate::viewer::session::Session;
use crate::viewer::theme::{Theme, size};

/// The offer for the frame that is shown, where there is one.
pub(super) fn offer(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let Some(draft) = session.offered_draft() else { return };
    let note = egui::Frame::new().fill(theme.well).stroke(egui::Stroke::new(1.0, theme.lead)).corner_radius(4.0).inner_margin(8.0);
    note.show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.label(heavy("An unfinished reading of this frame was kept", size::BODY, theme.text));
        plain(ui, format!("{}: {}.", kept_at(draft), holds(draft)), theme.quiet);
        ui.horizontal_wrapped(|ui| {
            if ui.button("Take it up").on_hover_text("Ctrl + D; can be undone").clicked() {
                actions.push(Action::TakeUpDraft);
            }
            if ui.button("Let it go").on_hover_text("Forgets it").clicked() {
                actions.push(Action::LetDraftGo);
            }
        });
    });
    ui.add_space(4.0);
}

/// All of them, with a way to their files.
pub(super) fn list(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let all: Vec<&Draft> = session.left_unfinished().collect();
    if all.is_empty() {
        return;
    }
    ui.label(heavy("Unfinished readings", size::BODY, theme.text));
    plain(ui, "Each is offered when its frame is shown.", theme.quiet);
    for draft in all {
        let file = draft.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let text = format!("{}: {file}, frame {}: {}", kept_at(draft), draft.frame.frame_number, holds(draft));
        plain(ui, text, theme.text);
        if ui.small_button("Open its file").clicked() {
            actions.push(Action::Open(vec![draft.file.clone()]));
        }
    }
    ui.add_space(8.0);
}

/// Date and time to the minute.
fn kept_at(draft: &Draft) -> String {
    draft.kept_at.get(..16).map_or_else(|| "no time".to_owned(), |t| t.replace('T', " "))
}

fn holds(draft: &Draft) -> String {
    let mut parts = Vec::new();
    for (there, words) in [
        (draft.internal_os.is_some(), "internal os"),
        (draft.edge.is_some(), "far end of the distance"),
        (draft.placental_body.is_some(), "placental body"),
        (draft.marginal_sinus.is_some(), "marginal sinus"),
    ] {
        if there {
            parts.push(words.to_owned());
        }
    }
    parts.extend(draft.side.map(|s| format!("\"{}\"", s.words())));
    if parts.is_empty() { "what was said of the exam".into() } else { parts.join(", ") }
}
