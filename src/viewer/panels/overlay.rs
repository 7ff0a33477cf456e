//! What stands where the frame would, and what is laid over the window: empty states, keys, unsaved work at closing.

use egui::{Align2, Color32, Id, Rect, RichText, Ui, UiBuilder, Window, vec2};

use super::context::field;
use super::{heavy, plain};
use crate::viewer::action::Action;
use crate::viewer::keys::{self, Binding, Group};
use crate::viewer::session::Session;
use crate::viewer::theme::{Theme, over_frame, size};

/// The field that takes a typed path.
pub(super) fn path_field(ui: &mut Ui, session: &Session, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let width = (ui.available_width() - 60.0).clamp(80.0, 420.0);
        let (edited, response) = field(ui, "path of a file or folder", session.typed_path(), "or type a path", width);
        if let Some(text) = edited {
            actions.push(Action::TypePath(text));
        }
        let entered = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        if ui.button("Open").clicked() || entered {
            actions.push(Action::OpenTyped);
        }
    });
}

/// What is shown while there is no picture: what to do, how far opening has come, or why a frame cannot be shown.
pub(super) fn instead_of_a_frame(ui: &mut Ui, rect: Rect, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    let room = Rect::from_center_size(rect.center(), vec2(rect.width().min(520.0), rect.height().min(260.0)));
    ui.scope_builder(UiBuilder::new().max_rect(room), |ui| {
        ui.visuals_mut().override_text_color = None;
        let say = |ui: &mut Ui, text: &str, ink: Color32| {
            plain(ui, text, ink);
        };
        if let Some(why) = session.picture_error() {
            ui.label(heavy("This frame cannot be shown", size::FINDING, over_frame::WORDS));
            say(ui, why, over_frame::WORDS);
            say(ui, "Page Up and Page Down go to other frames.", over_frame::QUIET);
        } else if let Some((done, found)) = session.opening() {
            ui.label(heavy("Looking for frames", size::FINDING, over_frame::WORDS));
            say(ui, &format!("{done} of {found} files looked at"), over_frame::QUIET);
            if ui.button("Stop").clicked() {
                actions.push(Action::StopOpening);
            }
        } else if session.current().is_some() {
            let cine = session.cine().map(|c| format!("Decoding frame {} of {}", c.number, c.count));
            say(ui, cine.as_deref().unwrap_or("Decoding the frame"), over_frame::QUIET);
        } else {
            ui.image(egui::ImageSource::Texture(egui::load::SizedTexture::new(super::about::icon_texture(ui.ctx()).id(), [48.0, 48.0])));
            ui.label(heavy("Open an exam", size::FINDING, over_frame::WORDS));
            say(ui, "Drop files or a folder of stored transvaginal frames here, or:", over_frame::QUIET);
            ui.add_space(6.0);
            ui.horizontal_wrapped(|ui| {
                if ui.button("Open files").on_hover_text("Ctrl + O").clicked() {
                    actions.push(Action::PickFiles);
                }
                if ui.button("Open folder").on_hover_text("Ctrl + Shift + O").clicked() {
                    actions.push(Action::PickFolder);
                }
            });
            path_field(ui, session, &mut actions);
            ui.add_space(6.0);
            say(ui, "DICOM ultrasound images and cines; PNG, JPEG, TIFF and BMP captures without a scale.", over_frame::QUIET);
        }
    });
    // The theme's own colours stay out of the canvas, which is black in both.
    let _ = theme;
    actions
}

/// The keys, from the same table that drives them.
pub fn help(ctx: &egui::Context, session: &Session, all: &[Binding], theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if !session.help() {
        return actions;
    }
    panel(ctx, "Keys", 900.0, theme, |ui| {
        // On a low window the keys are scrolled.
        let most = (ctx.content_rect().height() - 140.0).max(120.0);
        egui::ScrollArea::vertical().max_height(most).min_scrolled_height(most).show(ui, |ui| {
            let side_by_side = if ui.available_width() < 700.0 { 1 } else { 3 };
            ui.columns(side_by_side, |columns| {
                for (i, group) in Group::ALL.into_iter().enumerate() {
                    // Landmarks and side; answers, steps and cine; the rest.
                    let place = match i {
                        0 | 1 => 0,
                        2..=4 => 1,
                        _ => 2,
                    };
                    let Some(ui) = columns.get_mut(place.min(side_by_side - 1)) else { continue };
                    ui.label(heavy(group.words(), size::BODY, theme.text));
                    for b in all.iter().filter(|b| b.group == group && !b.shown.is_empty()) {
                        key_line(ui, b.shown, &b.words, theme);
                    }
                    if group == Group::Window {
                        for (shown, words) in keys::BY_ITSELF {
                            key_line(ui, shown, words, theme);
                        }
                    }
                    ui.add_space(6.0);
                }
            });
        });
        if ui.button("Close (Esc)").clicked() {
            actions.push(Action::ToggleHelp);
        }
    });
    actions
}

fn key_line(ui: &mut Ui, shown: &str, words: &str, theme: &Theme) {
    ui.horizontal_top(|ui| {
        ui.allocate_ui_with_layout(vec2(118.0, 18.0), egui::Layout::left_to_right(egui::Align::Min), |ui| {
            ui.set_min_width(118.0);
            ui.label(RichText::new(shown).size(size::SMALL).color(theme.lead));
        });
        ui.add(egui::Label::new(RichText::new(words).size(size::SMALL).color(theme.text)).wrap());
    });
}

/// Asks about unsaved work before the window closes.
pub fn closing(ctx: &egui::Context, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if !session.closing() {
        return actions;
    }
    let unsaved = session.unsaved();
    panel(ctx, "Not saved", 720.0, theme, |ui| {
        plain(ui, format!("The work on {} frame(s) is not saved. Closing now loses it:", unsaved.len()), theme.text);
        for key in unsaved.iter().take(8) {
            let name = key.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            let place = session.exams().iter().find_map(|e| e.place_of(key)).map_or(0, |p| p + 1);
            if ui.link(format!("frame {place}: {name}")).clicked() {
                actions.extend([Action::StayOpen, Action::GoTo(key.clone())]);
            }
        }
        if unsaved.len() > 8 {
            plain(ui, format!("and {} more", unsaved.len() - 8), theme.quiet);
        }
        ui.add_space(8.0);
        ui.horizontal(|ui| {
            let stay = egui::Button::new(heavy("Stay", size::BODY, theme.on_button)).fill(theme.button);
            if ui.add(stay).clicked() {
                actions.push(Action::StayOpen);
            }
            if ui.button("Close without saving").clicked() {
                actions.push(Action::CloseAnyway);
            }
        });
    });
    actions
}

/// A part laid over the middle of the window.
pub(super) fn panel(ctx: &egui::Context, title: &str, width: f32, theme: &Theme, contents: impl FnOnce(&mut Ui)) {
    let frame = theme.panel_frame().stroke(egui::Stroke::new(1.0, theme.outline)).inner_margin(20.0);
    Window::new(title)
        .id(Id::unique(("overlay", title)))
        .title_bar(false)
        .resizable(false)
        .collapsible(false)
        .anchor(Align2::CENTER_CENTER, vec2(0.0, 0.0))
        .frame(frame)
        .fixed_size(vec2(width.min(ctx.content_rect().width() - 60.0), 0.0))
        .show(ctx, |ui| {
            ui.label(heavy(title, size::FINDING, theme.text));
            ui.add_space(6.0);
            contents(ui);
        });
}
