//! Panels: each draws one part of a session and returns what the reader did. None of them changes anything.

pub mod answer;
pub mod canvas;
pub mod cine;
pub mod context;
pub mod due;
mod exam;
pub mod line;
pub mod list;
pub mod more;
mod more_marks;
pub mod overlay;
pub mod review;
mod scale;
pub mod scale_checks;
pub mod sheet;
pub mod strip;
pub mod tables;
pub mod teaching;
mod unfinished;

use egui::{Color32, RichText, Ui};

use super::theme::{Theme, size, strong};

/// Ordinary text.
fn plain(ui: &mut Ui, text: impl Into<String>, colour: Color32) -> egui::Response {
    ui.add(egui::Label::new(RichText::new(text).color(colour)).wrap())
}

/// Heavy text of a size.
fn heavy(text: impl Into<String>, points: f32, colour: Color32) -> RichText {
    RichText::new(text).family(strong()).size(points).color(colour)
}

/// One row of the case sheet: a heading in the first column, the rest beside it.
fn row(ui: &mut Ui, theme: &Theme, heading: &str, contents: impl FnOnce(&mut Ui)) {
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = 0.0;
        ui.allocate_ui_with_layout(egui::vec2(size::SHEET_COLUMN, 20.0), egui::Layout::left_to_right(egui::Align::Min), |ui| {
            ui.set_min_width(size::SHEET_COLUMN);
            ui.label(heavy(heading, size::BODY, theme.text));
        });
        ui.vertical(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            ui.set_width(ui.available_width());
            contents(ui);
        });
    });
}

/// A line between two parts of the case sheet.
fn rule(ui: &mut Ui, theme: &Theme) {
    ui.add_space(4.0);
    let (rect, _) = ui.allocate_exact_size(egui::vec2(ui.available_width(), 1.0), egui::Sense::hover());
    ui.painter().hline(rect.x_range(), rect.center().y, egui::Stroke::new(1.0, theme.rule));
    ui.add_space(4.0);
}
