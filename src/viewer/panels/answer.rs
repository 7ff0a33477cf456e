//! The page of the whole answer: every section of the sheet with its sources, and beside it the change over visits.

use egui::{Role, Sense, Ui, WidgetInfo, vec2};

use super::{heavy, measured, parts, plain, rule};
use crate::plot::distance_line::Room;
use crate::plot::visits::{Visit, Visits};
use crate::sheet::marked;
use crate::viewer::action::Action;
use crate::viewer::session::{Answer, Session};
use crate::viewer::theme::{Theme, size};

/// Height of the chart, points.
const CHART: f32 = 300.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let window = ui.max_rect().width();
    let main = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        super::sheet::messages(ui, session, theme, actions);
        measured(ui, |ui| sections(ui, session, theme, actions));
    };
    let right = &mut |ui: &mut Ui, _: &mut Vec<Action>| {
        ui.label(heavy("Change over visits", size::FINDING, theme.text));
        match session.planning().answer() {
            Some(answer) => visits(ui, session, answer, theme),
            None => {
                plain(ui, "It is shown with a complete reading.", theme.quiet);
            }
        }
    };
    parts(ui, theme, None, main, Some(((window * 0.42).max(size::sheet(window)), right)))
}

fn sections(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    ui.label(heavy("The whole answer", size::FINDING, theme.text));
    let Some(answer) = session.planning().answer() else {
        plain(
            ui,
            "There is no complete reading of this frame yet: mark it, state the side and choose a guideline on the reading page.",
            theme.quiet,
        );
        return;
    };
    let text = if session.why() { "Hide the sources" } else { "Show the row and the source behind every sentence" };
    if ui.link(egui::RichText::new(text).color(theme.lead)).clicked() {
        actions.push(Action::ToggleWhy);
    }
    plain(
        ui,
        "Of the frame on screen, where nothing else is said. Nothing here is an order, and nothing follows from the distance alone.",
        theme.quiet,
    );
    if let Some(exam) = super::exam::several(session) {
        rule(ui, theme);
        ui.label(heavy("This exam, all frames read so far", size::BODY + 2.0, theme.text));
        super::exam::result_words(ui, session, exam, theme);
    }
    for section in &answer.sheet.sections {
        rule(ui, theme);
        let urgent = section.title == "Urgent";
        ui.label(heavy(section.title, size::BODY + 2.0, if urgent { theme.alarm } else { theme.text }));
        for line in &section.lines {
            plain(ui, marked(line), if urgent { theme.alarm } else { theme.text });
            if session.why() {
                plain(ui, format!("{}: {}", line.row, line.source), theme.quiet);
            }
        }
    }
}

fn visits(ui: &mut Ui, session: &Session, answer: &Answer, theme: &Theme) {
    plain(ui, "Your own saved readings of this pregnancy: the exam distance, formed in the same way at every visit.", theme.quiet);
    let series = &answer.series;
    if series.points.is_empty() && series.left_out.is_empty() {
        plain(ui, "None is saved yet.", theme.text);
        return;
    }
    if !series.points.is_empty() {
        let chart = Visits {
            bands: session.table().map(crate::plot::distance_line::bands).unwrap_or_default(),
            visits: series
                .points
                .iter()
                .zip(&series.intervals)
                .map(|(p, i)| Visit {
                    weeks: f64::from(p.age.total_days()) / 7.0,
                    age: p.age.to_string(),
                    signed_mm: p.signed_mm.get(),
                    low_mm: i.low_mm.map(|m| m.get()),
                    high_mm: i.high_mm.map(|m| m.get()),
                })
                .collect(),
        };
        let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), CHART), Sense::hover());
        let room = Room { width: f64::from(rect.width()), height: f64::from(rect.height()), letters: f64::from(size::SMALL) };
        super::line::draw(ui, rect, &chart.shapes(room), theme);
        let spoken = chart.visits.iter().map(|v| format!("{}: {:.1} mm", v.age, v.signed_mm)).collect::<Vec<_>>().join("; ");
        response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("Distance over visits: {spoken}")));
        plain(
            ui,
            "Bars are 95 % intervals as a change is reckoned with: several frames of a visit do not narrow them. No line is drawn through or beyond the visits.",
            theme.quiet,
        );
    }
    let lines = series.lines();
    if lines.is_empty() {
        plain(ui, "One visit is no change.", theme.text);
    }
    for line in lines {
        plain(ui, marked(&line), theme.text);
        if session.why() {
            plain(ui, format!("{}: {}", line.row, line.source), theme.quiet);
        }
    }
}
