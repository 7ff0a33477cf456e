//! Panels: each draws one part of a session and returns what the reader did. None of them changes anything.

pub mod about;
pub mod agreement;
pub mod aids;
pub mod answer;
pub mod archive;
pub mod canvas;
pub mod cine;
mod compare;
pub mod context;
pub mod due;
mod exam;
mod follows;
pub mod line;
pub mod list;
pub mod more;
mod more_marks;
pub mod overlay;
pub mod picture;
pub mod practice;
mod practice_marks;
pub mod report;
pub mod report_page;
pub mod review;
mod scale;
pub mod scale_checks;
pub mod sheet;
mod steady;
pub mod strip;
pub mod tables;
pub mod teaching;
pub mod under_frame;
mod unfinished;

use egui::{CentralPanel, Color32, Margin, Panel, RichText, ScrollArea, Ui};

use super::action::Action;
use super::layout;
use super::theme::{Theme, over_frame, size, strong};

/// A panel that fills the room it is given.
pub(super) fn framed(ui: &mut Ui, theme: &Theme, contents: impl FnOnce(&mut Ui)) {
    theme.panel_frame().show(ui, |ui| {
        ui.set_min_size(ui.available_size());
        contents(ui);
    });
}

/// Ordinary text.
fn plain(ui: &mut Ui, text: impl Into<String>, colour: Color32) -> egui::Response {
    ui.add(egui::Label::new(RichText::new(text).color(colour)).wrap())
}

/// Heavy text of a size.
fn heavy(text: impl Into<String>, points: f32, colour: Color32) -> RichText {
    RichText::new(text).family(strong()).size(points).color(colour)
}

/// One row of the case sheet: a heading in the first column, the rest beside it; under it where the sheet is narrow.
fn row(ui: &mut Ui, theme: &Theme, heading: &str, contents: impl FnOnce(&mut Ui)) {
    if ui.available_width() < NARROW_SHEET {
        ui.add_space(2.0);
        ui.label(heavy(heading, size::BODY, theme.text));
        ui.vertical(|ui| {
            ui.set_width(ui.available_width());
            contents(ui);
        });
        return;
    }
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

/// A sheet that is narrower has no room for a column of headings, points.
const NARROW_SHEET: f32 = 300.0;

/// The widest that lines of text run on a page of text, points.
const MEASURE: f32 = 900.0;

/// Text in lines that can be read, however wide the room is.
fn measured<R>(ui: &mut Ui, contents: impl FnOnce(&mut Ui) -> R) -> R {
    ui.scope(|ui| {
        ui.set_max_width(MEASURE.min(ui.available_width()));
        contents(ui)
    })
    .inner
}

/// The main button of a part, so many points wide. While it does nothing it is drawn as what it is, without the theme's strong
/// colour, and what it says then can be read.
fn main_button(ui: &mut Ui, theme: &Theme, on: bool, text: &str, width: f32) -> egui::Response {
    let button = if on {
        egui::Button::new(heavy(text, size::BODY, theme.on_button)).fill(theme.button)
    } else {
        egui::Button::new(heavy(text, size::BODY, theme.quiet))
    };
    ui.scope(|ui| {
        ui.visuals_mut().disabled_alpha = 1.0;
        ui.add_enabled(on, button.min_size(egui::vec2(width, 32.0)))
    })
    .inner
}

/// A button for what cannot be taken back; it is told by its words, its ink and its edge from those beside it.
fn grave(theme: &Theme, text: &str) -> egui::Button<'static> {
    egui::Button::new(RichText::new(text).color(theme.alarm)).stroke(egui::Stroke::new(1.0, theme.alarm))
}

/// Equal parts side by side, as many as there is room for, row by row.
fn in_columns<T>(ui: &mut Ui, least: f32, all: &[T], mut one: impl FnMut(&mut Ui, &T)) {
    // As many as have at least that width, one always; a row that is not full has columns as wide as the others.
    let fit = ((ui.available_width() / least) as usize).max(1);
    for row in all.chunks(fit) {
        let near = std::mem::replace(&mut ui.spacing_mut().item_spacing.x, 2.0 * size::GAP);
        ui.columns(fit, |columns| {
            for (ui, item) in columns.iter_mut().zip(row) {
                // The library's columns would spread words over their width.
                ui.spacing_mut().item_spacing.x = near;
                ui.with_layout(egui::Layout::top_down(egui::Align::Min), |ui| one(ui, item));
            }
        });
        ui.spacing_mut().item_spacing.x = near;
    }
}

/// Which side of a page.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Left,
    Right,
}

/// A sheet that fills the room it is given and scrolls.
fn sheet_of(ui: &mut Ui, theme: &Theme, name: &'static str, contents: impl FnOnce(&mut Ui)) {
    framed(ui, theme, |ui| {
        ScrollArea::vertical().id_salt(name).auto_shrink([false, false]).show(ui, contents);
    });
}

/// A sheet at one side of a page, so many points wide.
fn beside(ui: &mut Ui, theme: &Theme, side: Side, name: &'static str, width: f32, contents: impl FnOnce(&mut Ui)) {
    let gap = size::GAP as i8;
    let (panel, left, right) = if side == Side::Left { (Panel::left(name), gap, 0) } else { (Panel::right(name), 0, gap) };
    let frame = egui::Frame::new().fill(theme.page).inner_margin(Margin { left, right, top: 0, bottom: 0 });
    panel.exact_size(width).resizable(false).frame(frame).show_separator_line(false).show(ui, |ui| sheet_of(ui, theme, name, contents));
}

/// What draws a part of a page and says what the reader did.
type Part<'a> = &'a mut dyn FnMut(&mut Ui, &mut Vec<Action>);

/// A page of parts side by side: at the left, in the middle, at the right, each with its width (the middle has what is left). In a
/// narrow window, or with large letters, they stand below one another on one sheet.
fn parts<'a>(ui: &mut Ui, theme: &Theme, left: Option<(f32, Part<'a>)>, main: Part<'a>, right: Option<(f32, Part<'a>)>) -> Vec<Action> {
    let mut actions = Vec::new();
    let mut inside = |ui: &mut Ui, part: Part<'_>| {
        // The bar of a sheet that scrolls stands beside it.
        ui.set_width(ui.available_width() - 6.0);
        part(ui, &mut actions);
    };
    if layout::is_narrow(ui.max_rect().width()) {
        middle(ui, theme, |ui| {
            sheet_of(ui, theme, "parts of the page", |ui| {
                let all = [left.map(|(_, part)| part), Some(main), right.map(|(_, part)| part)];
                for (i, part) in all.into_iter().flatten().enumerate() {
                    if i > 0 {
                        rule(ui, theme);
                    }
                    ui.scope(|ui| inside(ui, part));
                }
            });
        });
        return actions;
    }
    if let Some((width, part)) = left {
        beside(ui, theme, Side::Left, "left part", width, |ui| inside(ui, part));
    }
    if let Some((width, part)) = right {
        beside(ui, theme, Side::Right, "right part", width, |ui| inside(ui, part));
    }
    middle(ui, theme, |ui| sheet_of(ui, theme, "middle part", |ui| inside(ui, main)));
    actions
}

/// Words where a picture would be.
fn instead_of_a_picture(ui: &Ui, rect: egui::Rect, text: &str) {
    let galley = ui.painter().layout(text.to_owned(), egui::FontId::proportional(size::BODY), over_frame::WORDS, rect.width() - 24.0);
    ui.painter().galley(rect.center() - galley.size() / 2.0, galley, over_frame::WORDS);
}

/// What is left of a page.
fn middle(ui: &mut Ui, theme: &Theme, contents: impl FnOnce(&mut Ui)) {
    let gap = size::GAP as i8;
    let frame = egui::Frame::new().fill(theme.page).inner_margin(Margin { left: gap, right: gap, top: 0, bottom: 0 });
    CentralPanel::no_frame().frame(frame).show(ui, contents);
}

/// A page of nothing but text.
fn page_of_text(ui: &mut Ui, theme: &Theme, name: &'static str, contents: impl FnOnce(&mut Ui)) {
    middle(ui, theme, |ui| {
        sheet_of(ui, theme, name, |ui| {
            ui.set_max_width(ui.available_width() - 6.0);
            contents(ui);
        });
    });
}
