//! The strip at the top: whose frame it is, which exam and frame, under which guideline, who reads, saved or not.

use egui::{Align, Layout, Rect, RichText, Sense, Ui, UiBuilder, pos2, vec2};

use super::heavy;
use crate::guideline::{Table, capital};
use crate::load::Identity;
use crate::viewer::action::Action;
use crate::viewer::layout;
use crate::viewer::page::Page;
use crate::viewer::session::{SaveState, Session, dates};
use crate::viewer::theme::{Theme, size};

/// A patient's name as people write it: "Invented, Ada" for `Invented^Ada`.
#[must_use]
pub fn name_words(stored: &str) -> String {
    // Several writings of one name are parted by "="; the first that is not empty is shown.
    let group = stored.split('=').map(str::trim).find(|g| !g.is_empty()).unwrap_or_default();
    let mut parts = group.split('^').map(str::trim).filter(|p| !p.is_empty());
    let first = parts.next().unwrap_or_default().to_owned();
    let rest: Vec<&str> = parts.collect();
    if rest.is_empty() { first } else { format!("{first}, {}", rest.join(" ")) }
}

/// Name, number and birth date in one line; what is missing is said to be.
#[must_use]
pub fn patient_words(patient: &Identity) -> String {
    let name = patient.name.as_deref().map(name_words).filter(|n| !n.is_empty()).unwrap_or_else(|| "no name".into());
    let number = patient.number.clone().filter(|n| !n.trim().is_empty()).unwrap_or_else(|| "no number".into());
    let born = patient.birth_date.map_or_else(|| "no birth date".into(), dates::show);
    format!("{name} · {number} · {born}")
}

/// As [`patient_words`], of a saved record.
#[must_use]
pub fn record_patient_words(patient: &crate::record::Patient) -> String {
    patient_words(&Identity { name: patient.name.clone(), number: patient.number.clone(), birth_date: patient.birth_date })
}

/// Age, route and date in one line.
fn exam_words(session: &Session) -> String {
    let mut parts = Vec::new();
    if let Some(exam) = session.exam() {
        match exam.context.gestational_age() {
            Ok(age) => parts.push(age.to_string()),
            Err(_) => parts.push("age not known".into()),
        }
        parts.push(exam.context.exam_date.map_or_else(|| "no date".into(), dates::show));
        // Last, because a narrow strip cuts its end.
        parts.push(match exam.context.route {
            crate::context::Route::Unknown => "route not stated".into(),
            route => route.words().to_owned(),
        });
    }
    parts.join(" · ")
}

/// Draws the strip: one row, or two where letters are large.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    let narrow = layout::is_narrow(ui.ctx().content_rect().width());
    let room = ui.max_rect();
    let half = room.height() / 2.0 - 3.0;
    let rows = if narrow {
        let upper = Rect::from_min_max(room.min + vec2(0.0, 3.0), pos2(room.right(), room.top() + half + 3.0));
        [upper, upper.translate(vec2(0.0, half))]
    } else {
        [room, room]
    };
    ui.spacing_mut().item_spacing.x = if narrow { 8.0 } else { 14.0 };
    let page = session.page();
    let practice = session.on_screen().practice_case();
    row(ui, rows[0], |ui| {
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if practice.is_some() {
                ui.label(heavy("no patient, no record", size::BODY, theme.warn));
            } else {
                saved(ui, session, theme);
            }
            if !narrow {
                reader_and_table(ui, session, theme);
            }
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                if let Some(case) = practice {
                    part(ui, heavy(format!("PRACTICE · {}", case.title()), size::BODY + 1.0, theme.warn));
                    return;
                }
                let whose = session.exam().filter(|_| page.is_of_the_exam());
                if page != Page::Reading || whose.is_none() {
                    let name = if page == Page::Reading { "Osspan".to_owned() } else { capital(page.words()) };
                    ui.label(heavy(name, size::BODY + 1.0, theme.text));
                }
                if let Some(exam) = whose {
                    part(ui, heavy(patient_words(&exam.patient), size::BODY, theme.text));
                    if !narrow {
                        exam_and_frame(ui, session, theme, &mut actions);
                    }
                }
            });
        });
    });
    if narrow {
        row(ui, rows[1], |ui| {
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                reader_and_table(ui, session, theme);
                ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                    if page.is_of_the_exam() && session.exam().is_some() {
                        exam_and_frame(ui, session, theme, &mut actions);
                    }
                });
            });
        });
    }
    actions
}

fn row(ui: &mut Ui, rect: Rect, contents: impl FnOnce(&mut Ui)) {
    ui.scope_builder(UiBuilder::new().max_rect(rect), contents);
}

/// Who reads and under which guideline.
fn reader_and_table(ui: &mut Ui, session: &Session, theme: &Theme) {
    let points = if layout::is_narrow(ui.ctx().content_rect().width()) { size::SMALL } else { size::BODY };
    let reader = if session.reader().is_empty() {
        ("no reader named".to_owned(), theme.warn)
    } else {
        (format!("read by {}", session.reader()), theme.quiet)
    };
    narrow(ui, 150.0, RichText::new(reader.0).size(points).color(reader.1));
    let table = session.table().or_else(|| session.chosen_table());
    let table = table.map_or_else(|| ("no guideline chosen".to_owned(), theme.warn), |t| (table_words(t), theme.quiet));
    narrow(ui, ui.max_rect().width() * 0.25, RichText::new(table.0).size(points).color(table.1));
}

/// Which exam and frame, and what is known of the exam.
fn exam_and_frame(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let Some(exam) = session.exam() else { return };
    let points = if layout::is_narrow(ui.ctx().content_rect().width()) { size::SMALL } else { size::BODY };
    if let Some((i, n)) = session.current().and_then(|k| exam.place_of(k)).map(|i| (i + 1, exam.frame_count())) {
        let exam = session.exam_place().map(|(e, all)| format!("exam {e} of {all}"));
        // Where the whole exam is meant, a frame of it would only take the room of its date.
        let text = match exam {
            Some(exam) if matches!(session.page(), Page::Report | Page::Archive) => exam,
            Some(exam) => format!("{exam}, frame {i} of {n}"),
            None => format!("frame {i} of {n}"),
        };
        let text = RichText::new(text).size(points).color(theme.text);
        // Without an edge it begins where the row above it does.
        ui.spacing_mut().button_padding.x = 0.0;
        if ui
            .add(egui::Button::new(text).frame_when_inactive(false).wrap_mode(egui::TextWrapMode::Extend))
            .on_hover_text("Exams and frames (F)")
            .clicked()
        {
            actions.push(Action::ToggleList);
        }
    }
    part(ui, RichText::new(exam_words(session)).size(points).color(theme.text));
}

/// One part of the strip; where it does not fit it is cut with dots and shown whole under the pointer.
fn part(ui: &mut Ui, text: RichText) {
    ui.add(egui::Label::new(text).truncate().sense(Sense::hover()));
}

/// A part that takes no more than `most` points.
fn narrow(ui: &mut Ui, most: f32, text: RichText) {
    ui.scope(|ui| {
        ui.set_max_width(most);
        part(ui, text);
    });
}

fn saved(ui: &mut Ui, session: &Session, theme: &Theme) {
    let here = session.save_state();
    let elsewhere = session.unsaved().into_iter().filter(|k| Some(k) != session.current()).count();
    let colour = match here {
        SaveState::NotSaved | SaveState::ChangedSinceSaved => theme.warn,
        SaveState::Saved => theme.text,
        SaveState::Nothing | SaveState::Saving => theme.quiet,
    };
    let mut text = here.words().to_owned();
    if elsewhere > 0 {
        text.push_str(&format!(" · {elsewhere} more not saved"));
    }
    let colour = if elsewhere > 0 { theme.warn } else { colour };
    ui.label(heavy(text, size::BODY, colour));
}

/// A table's name short enough for the strip, with its edition; the sheet has the whole name.
fn table_words(table: &Table) -> String {
    let name = table.name();
    let short = name.split_once(" (").map_or(name, |(before, _)| before);
    format!("{short} {}", table.edition())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_shown_as_people_write_them_and_gaps_are_said() {
        assert_eq!(name_words("Invented^Ada"), "Invented, Ada");
        assert_eq!(name_words("Yamada^Tarou=山田^太郎"), "Yamada, Tarou");
        assert_eq!(name_words("=山田^太郎"), "山田, 太郎");
        assert_eq!(patient_words(&Identity::default()), "no name · no number · no birth date");
    }
}
