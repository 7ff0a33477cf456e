//! What follows from a reading, in the case sheet: what this visit still owes, the next scan, cautions, and why.

use egui::{Align, Id, RichText, Ui};

use super::context::words_in_a_row;
use super::{heavy, plain, row, rule, steady};
use crate::guideline;
use crate::reading::{Distance, Reading};
use crate::sheet::marked;
use crate::source::{Citation, Provenance};
use crate::viewer::action::Action;
use crate::viewer::page::Page;
use crate::viewer::session::{Outcome, Session, dates};
use crate::viewer::theme::{Theme, size};

/// A part of the sheet that a link leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Part {
    ThisVisit,
    Cautions,
}

impl Part {
    fn id(self) -> Id {
        Id::unique(("part of the sheet", self))
    }

    /// Turns the sheet to this part when it is drawn.
    fn ask_for(self, ui: &Ui) {
        ui.data_mut(|d| d.insert_temp(self.id(), true));
        ui.ctx().request_repaint();
    }

    /// At the top of this part: turns the sheet to it, if that was asked for.
    fn here(self, ui: &Ui) {
        if ui.data_mut(|d| d.remove_temp::<bool>(self.id())).is_some() {
            ui.scroll_to_cursor(Some(Align::TOP));
        }
    }
}

/// A line that says what stands below it, with a link to the rest where there is more.
fn first_of(ui: &mut Ui, theme: &Theme, what: (&str, egui::Color32), all: usize, part: Part) {
    let (words, ink) = what;
    ui.add_space(2.0);
    words_in_a_row(ui, |ui| {
        ui.label(heavy(words, size::SMALL, ink));
        if all > 1 {
            let link = ui.link(RichText::new(format!("first of {all}, show all")).size(size::SMALL).color(theme.lead));
            let name = format!("{words}: show all {all} in the sheet");
            link.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Link, true, name.clone()));
            if link.clicked() {
                part.ask_for(ui);
            }
        }
    });
}

/// What presses most, always in sight: the first thing that this visit still owes, and the first caution; nothing where something is
/// urgent.
pub(super) fn most_pressing(ui: &mut Ui, session: &Session, theme: &Theme) {
    let Outcome::Read(reading) = session.outcome() else { return };
    // What is urgent presses more, and stands above the distance already.
    if session.plan().is_some_and(|p| !p.urgent.is_empty()) {
        return;
    }
    let owed = session.plan().map_or(&[][..], |p| &p.now);
    if let Some(first) = owed.first() {
        first_of(ui, theme, ("Still to do at this visit", theme.warn), owed.len(), Part::ThisVisit);
        plain(ui, marked(first), theme.text);
    }
    if let Some(first) = reading.cautions.first() {
        first_of(ui, theme, ("Caution", theme.warn), reading.cautions.len(), Part::Cautions);
        plain(ui, format!("{}{}", first.text, from_memory(&first.source)), theme.text);
    }
    ui.add_space(6.0);
}

/// What this visit still owes, the next scan with its dates, and what it must include.
pub(super) fn next(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let Some(plan) = session.plan() else { return };
    if !plan.now.is_empty() {
        Part::ThisVisit.here(ui);
        row(ui, theme, "This visit", |ui| {
            for line in &plan.now {
                plain(ui, marked(line), theme.warn);
            }
        });
    }
    if !plan.scans.is_empty() || !plan.include.is_empty() {
        row(ui, theme, "Next scan", |ui| {
            // A table of one's own may leave the next scan to others.
            let own = plan.scans.iter().any(|s| s.own_table);
            for scan in plan.scans.iter().filter(|s| s.own_table || !own || session.why()) {
                let dates = scan
                    .dates
                    .map_or_else(|| "no dates: not dated".to_owned(), |(a, b)| format!("{} to {}", dates::show(a), dates::show(b)));
                plain(ui, format!("{}, {} to {}: {dates}{}", scan.line.text, scan.from, scan.to, memory(&scan.line)), theme.text);
            }
            let others = plan.scans.iter().filter(|s| !s.own_table).count();
            if others > 0 && own && !session.why() {
                plain(ui, format!("{others} more by other bodies: Y shows them."), theme.quiet);
            }
            for line in &plan.include {
                plain(ui, marked(line), theme.text);
            }
        });
    }
    if session.why() {
        for line in plan.statements.iter().chain(&plan.silent) {
            plain(ui, marked(line), theme.quiet);
        }
    }
    if ui.link(RichText::new("The whole answer: birth, groups of women, change over visits (F4)").color(theme.lead)).clicked() {
        actions.push(Action::ShowPage(Page::Answer));
    }
    rule(ui, theme);
}

/// A word on what is from memory.
fn memory(line: &guideline::ExplainLine) -> &'static str {
    from_memory(&line.source)
}

fn from_memory(source: &Citation) -> &'static str {
    if source.provenance == Provenance::FromMemory { " [from memory]" } else { "" }
}

/// Every caution.
pub(super) fn cautions(ui: &mut Ui, reading: &Reading, theme: &Theme) {
    Part::Cautions.here(ui);
    ui.label(heavy("Cautions", size::BODY, theme.text));
    for c in &reading.cautions {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 5.0;
            ui.label(RichText::new("–").color(theme.quiet));
            plain(ui, format!("{}{}", c.text, from_memory(&c.source)), theme.text);
        });
    }
}

/// Row and source of each sentence of the finding, and the error's terms.
pub(super) fn why(ui: &mut Ui, session: &Session, reading: &Reading, theme: &Theme, actions: &mut Vec<Action>) {
    let (Distance::Measured(measured), Some(table)) = (&reading.distance, session.table()) else { return };
    let (finding, measurement) = (&measured.finding, &measured.measurement);
    let text = if session.why() { "Hide why (Y)" } else { "Why this finding (Y)" };
    let link = ui.link(RichText::new(text).color(theme.lead));
    if steady::clicked(ui, &link, "why") {
        actions.push(Action::ToggleWhy);
    }
    if !session.why() {
        return;
    }
    for line in guideline::explain(finding, table) {
        plain(ui, line.text.clone(), theme.text);
        plain(ui, format!("Source: {}", line.source), theme.quiet);
    }
    if let crate::measure::Value::Exact { signed_mm } = measurement.value
        && let Some(note) = guideline::boundary_note(signed_mm.get(), session.tables())
    {
        plain(ui, note, theme.warn);
    }
    for term in &measurement.terms {
        plain(ui, format!("SD {:.2} mm from {}: {}", term.u_mm.get(), term.kind.words(), term.source), theme.quiet);
    }
}
