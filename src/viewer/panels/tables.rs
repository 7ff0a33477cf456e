//! The page of the guidelines: the tables at hand with the source of every number, and what is from memory.

use egui::{RichText, Ui};

use super::{heavy, in_columns, measured, page_of_text, plain, rule};
use crate::guideline::Table;
use crate::sheet::{CHECK_FIRST, marked};
use crate::viewer::action::Action;
use crate::viewer::session::{PlanAction as Do, Session};
use crate::viewer::theme::{Theme, size};

/// Least width of a guideline, points: several stand side by side where there is room.
const LEAST: f32 = 580.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    page_of_text(ui, theme, "tables", |ui| {
        super::sheet::messages(ui, session, theme, &mut actions);
        body(ui, session, theme, &mut actions);
    });
    actions
}

fn body(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let memory = session.planning().memory();
    ui.label(heavy("Guidelines", size::FINDING, theme.text));
    plain(
        ui,
        "A table of your own is a file in the folder \"tables\" of the data folder, or is named with --table at the start.",
        theme.quiet,
    );
    let text = if memory.is_some() { "Show the tables" } else { "Show everything that is from memory" };
    if ui.link(RichText::new(text).color(theme.lead)).clicked() {
        actions.push(Action::Plan(Do::ToggleFromMemory));
    }
    if let Some(memory) = memory {
        rule(ui, theme);
        ui.label(heavy(CHECK_FIRST, size::BODY + 2.0, theme.warn));
        measured(ui, |ui| {
            for line in memory {
                plain(ui, line.text.trim().to_owned(), theme.text);
                source(ui, theme, format!("{}: {}", line.row, line.source.text));
            }
        });
        return;
    }
    // Side by side where there is room, so that the guidelines can be compared.
    in_columns(ui, LEAST, session.tables(), |ui, table| {
        rule(ui, theme);
        one(ui, session, table, theme, actions);
        ui.add_space(8.0);
    });
}

/// Where a line comes from, under it and a little to the right.
fn source(ui: &mut Ui, theme: &Theme, text: String) {
    ui.horizontal_top(|ui| {
        ui.add_space(12.0);
        ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(theme.quiet)).wrap());
    });
}

fn one(ui: &mut Ui, session: &Session, table: &Table, theme: &Theme, actions: &mut Vec<Action>) {
    let chosen = session.chosen_table().is_some_and(|t| t.id() == table.id());
    ui.horizontal_wrapped(|ui| {
        ui.label(heavy(format!("{}, {}", table.name(), table.edition()), size::BODY + 2.0, theme.text));
        if chosen {
            ui.label(RichText::new("chosen").color(theme.lead));
        } else if ui.small_button(format!("Choose {}", table.id())).clicked() {
            actions.push(Action::ChooseTable(table.id().to_owned()));
        }
    });
    plain(ui, table.source().to_string(), theme.quiet);
    for fact in table.facts() {
        plain(ui, marked(&fact), theme.text);
        // The guideline's own citation stands at the head; only another one is named.
        let source = if fact.source.text == table.source().text { fact.source.provenance.to_string() } else { fact.source.to_string() };
        self::source(ui, theme, format!("{}: {source}", fact.row));
    }
}
