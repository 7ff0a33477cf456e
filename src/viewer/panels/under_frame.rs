//! The line under the frame: which way is anterior, and which scale is in use and how it is known.

use egui::containers::menu::{MenuButton, MenuConfig};
use egui::{Align, Layout, PopupCloseBehavior, Rect, RichText, Ui, UiBuilder, vec2};

use super::context::chip;
use crate::calibrate::Standing;
use crate::viewer::action::Action;
use crate::viewer::layout;
use crate::viewer::session::{DisplayAction, NoteAction, Session};
use crate::viewer::theme::{Theme, size};

/// Draws it; it is empty while there is no picture.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if session.picture().is_none() {
        return actions;
    }
    let narrow = layout::is_narrow(ui.ctx().content_rect().width());
    let room = ui.max_rect();
    let rows = if narrow {
        let half = vec2(room.width(), room.height() / 2.0);
        [Rect::from_min_size(room.min, half), Rect::from_min_size(room.min + vec2(0.0, half.y), half)]
    } else {
        [room, room]
    };
    ui.spacing_mut().item_spacing.x = 8.0;
    ui.spacing_mut().interact_size.y = 20.0;
    ui.spacing_mut().button_padding.y = 1.0;
    ui.scope_builder(UiBuilder::new().max_rect(rows[0]).layout(Layout::left_to_right(Align::Center)), |ui| {
        anterior(ui, session, theme, &mut actions);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            shown(ui, session, theme, &mut actions);
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| scale(ui, session, theme, !narrow, true));
        });
    });
    if narrow {
        let second = UiBuilder::new().max_rect(rows[1]).layout(Layout::left_to_right(Align::Center));
        ui.scope_builder(second, |ui| scale(ui, session, theme, true, false));
    }
    actions
}

fn anterior(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let (words, stated) = session.anterior_words();
    let short = if stated || !layout::is_narrow(ui.ctx().content_rect().width()) { words.as_str() } else { "anterior ?" };
    if chip(ui, theme, stated, short, &format!("which side of the picture is anterior: {words}")) {
        actions.push(Action::Note(NoteAction::Anterior));
    }
}

/// How the frame is shown, said while it is not as stored, and everything that can be changed of it.
fn shown(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let changed = session.display_words();
    let text = if changed.is_empty() { "display".to_owned() } else { format!("shown: {}", changed.join(", ")) };
    let ink = if changed.is_empty() { theme.text } else { theme.warn };
    // Grey scale is set by several clicks: the menu stays until one is made elsewhere.
    let stays = MenuConfig::new().close_behavior(PopupCloseBehavior::CloseOnClickOutside);
    MenuButton::new(RichText::new(text).size(size::SMALL).color(ink)).config(stays).ui(ui, |ui| {
        ui.spacing_mut().interact_size.y = 24.0;
        for (words, keys, what) in [
            ("Single pixels or smoothed", "Shift + M", DisplayAction::SinglePixels),
            ("Dark and bright change places", "Shift + I", DisplayAction::Invert),
            ("Millimetre grid", "Shift + G", DisplayAction::Grid),
            ("Marks of all saved readings", "Shift + A", DisplayAction::AllReadings),
        ] {
            if ui.button(format!("{words} ({keys})")).clicked() {
                actions.push(Action::Display(what));
                ui.close();
            }
        }
        egui::Grid::new("grey scale").num_columns(3).show(ui, |ui| {
            for (what, ways) in [
                ("Dark parts (gamma)", [("darker", "4", DisplayAction::Gamma(-1)), ("brighter", "5", DisplayAction::Gamma(1))]),
                ("All of it (level)", [("darker", "6", DisplayAction::Level(1)), ("brighter", "7", DisplayAction::Level(-1))]),
                ("Contrast", [("softer", "8", DisplayAction::Window(-1)), ("harder", "9", DisplayAction::Window(1))]),
            ] {
                ui.label(RichText::new(what).color(theme.text));
                for (way, key, one) in ways {
                    let button = ui.add(egui::Button::new(format!("{way} ({key})")).frame_when_inactive(true));
                    let name = format!("{what}: {way}");
                    button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name.clone()));
                    if button.clicked() {
                        actions.push(Action::Display(one));
                    }
                }
                ui.end_row();
            }
        });
        let beside = egui::containers::menu::SubMenuButton::new("A frame beside, at the same scale (2, 3)");
        beside.ui(ui, |ui| super::aids::choose_beside(ui, session, actions));
        if ui.button("As stored, nothing over or beside it (Shift + R)").clicked() {
            actions.push(Action::Display(DisplayAction::Reset));
            ui.close();
        }
    });
    // After the menu, which would lose its place in the order of controls, and close, when this one comes or goes before it.
    if !changed.is_empty()
        && ui.add(egui::Button::new(RichText::new("reset").size(size::SMALL).color(theme.text))).on_hover_text("Shift + R").clicked()
    {
        actions.push(Action::Display(DisplayAction::Reset));
    }
}

/// The scale itself, and how well it is known: in one line where there is room.
fn scale(ui: &mut Ui, session: &Session, theme: &Theme, itself: bool, standing: bool) {
    let (text, ink) = match session.scale_words() {
        Ok((words, known)) => {
            let how = format!("scale {}", known.words());
            let text = match (itself, standing) {
                (true, true) => format!("scale {words} · {}", known.words()),
                (true, false) => format!("scale {words}"),
                _ => how,
            };
            (text, if known == Standing::Doubtful { theme.warn } else { theme.text })
        }
        Err(why) if itself => (format!("no scale: {why}"), theme.alarm),
        Err(_) => return,
    };
    ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(ink)).truncate());
}
