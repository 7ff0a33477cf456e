//! What stands where the frame would, and what is laid over the window: empty states, keys, unsaved work at closing.

use egui::{Align2, Color32, FontId, Id, Rect, RichText, Ui, UiBuilder, Window, vec2};

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

/// Room between the columns of keys, points.
const BETWEEN: f32 = 24.0;
/// The widest that the list of keys is, points.
const WIDEST: f32 = 1240.0;

/// One line of the list of keys.
enum Line<'a> {
    Heading(&'a str),
    Key(&'a str, &'a str),
}

/// The keys, from the same table that drives them: those of this page first.
pub fn help(ctx: &egui::Context, session: &Session, all: &[Binding], theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if !session.help() {
        return actions;
    }
    panel(ctx, "Keys", WIDEST, theme, |ui| {
        // On a low window the keys are scrolled.
        let most = (ctx.content_rect().height() - 140.0).max(120.0);
        egui::ScrollArea::vertical().max_height(most).min_scrolled_height(most).show(ui, |ui| {
            let page = session.page();
            let (here, elsewhere): (Vec<Group>, Vec<Group>) = Group::ALL.into_iter().partition(|g| g.belongs_to(page));
            columns_of_keys(ui, &lines(&here, all), theme);
            ui.add_space(10.0);
            ui.label(heavy("On other pages", size::FINDING, theme.text));
            columns_of_keys(ui, &lines(&elsewhere, all), theme);
        });
        if ui.button("Close (Esc)").clicked() {
            actions.push(Action::ToggleHelp);
        }
    });
    actions
}

/// The lines of these groups, each under its heading.
fn lines<'a>(groups: &[Group], all: &'a [Binding]) -> Vec<Line<'a>> {
    let mut out = Vec::new();
    for group in groups {
        out.push(Line::Heading(group.words()));
        let of_group = all.iter().filter(|b| b.group == *group && !b.shown.is_empty());
        out.extend(of_group.map(|b| Line::Key(b.shown, &b.words)));
        if *group == Group::Window {
            out.extend(keys::BY_ITSELF.iter().map(|(shown, words)| Line::Key(shown, words)));
        }
    }
    out
}

/// Draws lines in columns of much the same height; keys and words each begin at one place within a column.
fn columns_of_keys(ui: &mut Ui, lines: &[Line<'_>], theme: &Theme) {
    let (across, gap) = (ui.available_width(), ui.spacing().item_spacing.y);
    let many = if across < 700.0 { 1 } else { 3 };
    let width = (across - BETWEEN * (many - 1) as f32) / many as f32;
    let font = FontId::proportional(size::SMALL);
    let lay = |ui: &Ui, text: &str, ink, room: f32| ui.painter().layout(text.to_owned(), font.clone(), ink, room);
    let widest = |l: &Line<'_>| if let Line::Key(shown, _) = l { lay(ui, shown, theme.lead, f32::INFINITY).size().x } else { 0.0 };
    let for_keys = lines.iter().map(widest).fold(0.0, f32::max).min(width * 0.5) + 12.0;
    let height = |l: &Line<'_>| match l {
        Line::Heading(_) => size::BODY * 2.0,
        Line::Key(shown, words) => {
            lay(ui, words, theme.text, width - for_keys).size().y.max(lay(ui, shown, theme.lead, for_keys - 12.0).size().y) + gap
        }
    };
    let heights: Vec<f32> = lines.iter().map(height).collect();
    let cuts = even_cuts(&heights, many, |i| matches!(lines.get(i), Some(Line::Heading(_))));
    let (top, mut bottom) = (ui.cursor().top(), ui.cursor().top());
    for (n, range) in cuts.windows(2).enumerate() {
        let left = ui.max_rect().left() + n as f32 * (width + BETWEEN);
        let mut y = top;
        for i in range[0]..range[1] {
            let (Some(line), Some(tall)) = (lines.get(i), heights.get(i)) else { continue };
            let place = |x: f32, w: f32| Rect::from_min_size(egui::pos2(x, y), vec2(w, *tall));
            match line {
                Line::Heading(words) => {
                    let foot = place(left, width).with_min_y(y + size::BODY * 0.5);
                    put_words(ui, foot, heavy(*words, size::BODY, theme.text));
                }
                Line::Key(shown, words) => {
                    put_words(ui, place(left, for_keys - 12.0), RichText::new(*shown).size(size::SMALL).color(theme.lead));
                    put_words(ui, place(left + for_keys, width - for_keys), RichText::new(*words).size(size::SMALL).color(theme.text));
                }
            }
            y += tall;
        }
        bottom = bottom.max(y);
    }
    ui.allocate_rect(
        Rect::from_min_max(egui::pos2(ui.max_rect().left(), top), egui::pos2(ui.max_rect().left() + across, bottom)),
        egui::Sense::hover(),
    );
}

/// Words at a place, broken where they do not fit.
fn put_words(ui: &mut Ui, place: Rect, words: RichText) {
    let layout = egui::Layout::left_to_right(egui::Align::Min);
    ui.new_child(UiBuilder::new().max_rect(place).layout(layout)).add(egui::Label::new(words).wrap());
}

/// Where a list is cut so that at most `many` columns of it are as even as whole groups allow: the places where columns begin, and the
/// end.
fn even_cuts(heights: &[f32], many: usize, begins: impl Fn(usize) -> bool) -> Vec<usize> {
    let total: f32 = heights.iter().sum();
    let mut cuts = vec![0];
    let mut sum = 0.0;
    for (i, h) in heights.iter().enumerate() {
        let target = total * cuts.len() as f32 / many as f32;
        if cuts.len() < many && begins(i) && i > 0 {
            let rest: f32 = heights.iter().skip(i + 1).zip(i + 1..).take_while(|(_, k)| !begins(*k)).map(|(h, _)| h).sum();
            // The group goes where its middle lies.
            if sum + (h + rest) / 2.0 > target {
                cuts.push(i);
            }
        }
        sum += h;
    }
    cuts.push(heights.len());
    cuts
}

/// Asks about unsaved work before the window closes.
pub fn closing(ctx: &egui::Context, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    if !session.closing() {
        return actions;
    }
    let unsaved = session.unsaved();
    panel(ctx, "Not saved", 720.0, theme, |ui| {
        plain(
            ui,
            match unsaved.len() {
                1 => "The work on 1 frame is not saved. Closing now loses it:".to_owned(),
                n => format!("The work on {n} frames is not saved. Closing now loses it:"),
            },
            theme.text,
        );
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
