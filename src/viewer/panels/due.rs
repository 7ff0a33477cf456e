//! The page of who is due: open urgent matters first. It shows no millimetres; what is owed can imply a low placenta,
//! so of exams that a second reader is still to read it shows only that something urgent is open.

use egui::{RichText, Ui};

use super::context::field;
use super::strip::name_words;
use super::{heavy, in_columns, page_of_text, plain, rule};
use crate::caseload::DueRow;
use crate::followup::Standing;
use crate::guideline::capital;
use crate::record::Patient;
use crate::viewer::action::Action;
use crate::viewer::session::{DueList, PlanAction as Do, Session, Telling, dates};
use crate::viewer::theme::{Theme, size};
use crate::viewer::words::counted;

/// Least width of a row of the list, points: two stand side by side where there is room for both.
const LEAST: f32 = 760.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    page_of_text(ui, theme, "due", |ui| {
        super::sheet::messages(ui, session, theme, &mut actions);
        body(ui, session, theme, &mut actions);
    });
    actions
}

fn body(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let planning = session.planning();
    ui.horizontal_wrapped(|ui| {
        ui.label(heavy("Who is due", size::FINDING, theme.text));
        if ui.add_enabled(!planning.listing(), egui::Button::new("Look again")).clicked() {
            actions.push(Action::Plan(Do::List));
        }
    });
    plain(
        ui,
        "From every saved reading, and the open exams that nobody read. No millimetres stand here; what is owed can imply a low placenta.",
        theme.quiet,
    );
    let Some(list) = planning.list() else {
        rule(ui, theme);
        plain(ui, "Looking through the saved readings …", theme.lead);
        return;
    };
    plain(ui, format!("On {}: {}.", dates::show(list.today), counted(list.rows.len(), "exam")), theme.quiet);
    for words in &list.left_out {
        plain(ui, words, theme.warn);
    }
    if list.rows.is_empty() {
        rule(ui, theme);
        let words = if list.left_out.is_empty() {
            "Nobody is listed: no saved reading was found here, and no exam is open that nobody read."
        } else {
            "Apart from what is left out nobody is listed, and no exam is open that nobody read."
        };
        plain(ui, words, theme.text);
        plain(ui, "An exam stands here from when a reading of it is saved (S on the reading page, F2).", theme.quiet);
    }
    let standing = |row: &DueRow| row.listed.standing.first().copied().unwrap_or(Standing::Nothing);
    for rows in list.rows.chunk_by(|a, b| standing(a) == standing(b)) {
        rule(ui, theme);
        let first = rows.first().map_or(Standing::Nothing, standing);
        let colour = if first == Standing::OpenUrgent { theme.alarm } else { theme.text };
        ui.label(heavy(capital(first.words()), size::BODY + 2.0, colour));
        in_columns(ui, LEAST, rows, |ui, row| {
            line(ui, session, list, row, theme, actions);
            ui.add_space(8.0);
        });
    }
}

/// Who a row is of: name and number, or that there is none.
pub(super) fn who(patient: Option<&Patient>) -> String {
    let name = patient.and_then(|p| p.name.as_deref()).map(name_words).filter(|n| !n.is_empty()).unwrap_or_else(|| "no name".into());
    let number = patient.and_then(|p| p.number.clone()).filter(|n| !n.trim().is_empty()).unwrap_or_else(|| "no number".into());
    format!("{name} · {number}")
}

fn line(ui: &mut Ui, session: &Session, list: &DueList, row: &DueRow, theme: &Theme, actions: &mut Vec<Action>) {
    ui.horizontal_wrapped(|ui| {
        ui.label(heavy(who(list.names.get(&row.woman)), size::BODY, theme.text));
        let exam = row.exam_date.map_or_else(|| "undated exam".to_owned(), |d| format!("exam of {}", dates::show(d)));
        let age = row.age_today.as_ref().map(|a| format!(" · {a} today")).unwrap_or_default();
        ui.label(RichText::new(format!("{exam}{age} · {}", counted(row.readings, "reading"))).color(theme.quiet));
        let study = row.reading.as_ref().and_then(|r| list.studies.get(r));
        if let Some(uid) = study.filter(|uid| session.exams().iter().any(|e| e.study() == Some(uid)))
            && ui.small_button("Go to it").clicked()
        {
            actions.push(Action::Plan(Do::GoToStudy(uid.clone())));
        }
    });
    // What only repeats the heading is not said twice.
    if !row.listed.standing.iter().any(|s| s.words() == row.listed.why) {
        plain(ui, row.listed.why.clone(), theme.text);
    }
    if let Some((from, to)) = row.listed.from.zip(row.listed.to) {
        plain(ui, format!("Next scan {} to {}", dates::show(from), dates::show(to)), theme.text);
    }
    let rest: Vec<&str> = row.listed.standing.iter().skip(1).map(|s| s.words()).collect();
    if !rest.is_empty() {
        plain(ui, format!("Also: {}", rest.join("; ")), theme.quiet);
    }
    let Some(reading) = &row.reading else { return };
    for matter in &row.listed.open {
        match session.planning().telling().filter(|t| t.reading == *reading && t.matter == Some(*matter)) {
            Some(telling) => tell(ui, session, telling, theme, actions),
            None => {
                if ui.button(format!("Record who was told: {}", matter.words())).clicked() {
                    actions.push(Action::Plan(Do::AskTold(reading.clone(), *matter)));
                }
            }
        }
    }
}

/// Who was told, by whom, when, and whether it was read back.
pub(super) fn tell(ui: &mut Ui, session: &Session, telling: &Telling, theme: &Theme, actions: &mut Vec<Action>) {
    egui::Frame::new().fill(theme.well).stroke(egui::Stroke::new(1.0, theme.outline)).corner_radius(4.0).inner_margin(8.0).show(ui, |ui| {
        ui.set_width(ui.available_width());
        let matter = telling.matter.map_or("", |m| m.words());
        ui.label(heavy(format!("Who was told: {matter}"), size::BODY, theme.text));
        ui.horizontal_wrapped(|ui| {
            if let (Some(text), _) = field(ui, "who was told", &telling.to, "who was told", 170.0) {
                actions.push(Action::Plan(Do::TypeTo(text)));
            }
            if let (Some(text), _) = field(ui, "when it was told", &telling.at, "now, or 2031-03-14T09:26:00+01:00", 290.0) {
                actions.push(Action::Plan(Do::TypeAt(text)));
            }
        });
        let by = if session.reader().is_empty() { "no reader is named yet".to_owned() } else { format!("by {}", session.reader()) };
        plain(ui, by, if session.reader().is_empty() { theme.warn } else { theme.quiet });
        let mut yes = telling.read_back;
        if ui.checkbox(&mut yes, RichText::new("It was read back; without that it stays open").color(theme.text)).changed() {
            actions.push(Action::Plan(Do::ReadBack(yes)));
        }
        ui.horizontal_wrapped(|ui| {
            let button = egui::Button::new(heavy("Record it", size::BODY, theme.on_button)).fill(theme.button);
            if ui.add(button).clicked() {
                actions.push(Action::Plan(Do::SaveTold));
            }
            if ui.button("Not now (Esc)").clicked() {
                actions.push(Action::Plan(Do::PutAway));
            }
        });
    });
}
