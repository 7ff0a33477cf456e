//! The window as the library of windows sees it: input becomes actions, actions change the session, panels draw it.

use std::path::PathBuf;

use egui::{Event, Id, Rect, RichText, Ui, UiBuilder, ViewportCommand, vec2};

use super::action::{Action, Effect};
use super::keys::{self, Binding};
use super::layout;
use super::page::Page;
use super::panels::{self, picture::Picture};
use super::session::{DisplayAction, Session};
use super::theme::{self, Theme, size};

/// Below this width, points, the pages stand behind one button.
const ROOM_FOR_PAGES: f32 = 1700.0;

/// The smallest and the largest letters, times the usual.
const LETTERS: (f32, f32) = (1.0, 2.0);

/// What carries out a session's effects and brings back their answers.
pub trait World {
    /// Carries out one effect. Must return at once; what takes time goes on elsewhere and asks `ctx` for a new picture
    /// when an answer is there.
    fn carry_out(&mut self, effect: Effect, ctx: &egui::Context);
    /// The answers that have come in.
    fn answers(&mut self) -> Vec<Action>;
    /// The window is gone: brings to an end what must not be lost.
    fn finish(&mut self);
}

/// The window.
pub struct App {
    session: Session,
    world: Box<dyn World>,
    keys: Vec<Binding>,
    picture: Picture,
    beside_picture: Picture,
    teaching_picture: Picture<(usize, u64)>,
    report_pictures: panels::report_page::Pictures,
    compared: [Picture; 2],
    closing: bool,
    /// What gets the keyboard at the next picture: not at this one, which still holds the letter that asked for it.
    focus_next: Option<Id>,
    worn: Option<bool>,
    waiting: Vec<Action>,
}

impl App {
    /// A window on `session`, with its letters installed, that begins with these actions.
    #[must_use]
    pub fn new(ctx: &egui::Context, session: Session, world: Box<dyn World>, first: Vec<Action>) -> Self {
        theme::install_fonts(ctx);
        // Who aims with the button held down still means the place where it is let go, however long that takes.
        ctx.options_mut(|o| o.input_options.max_click_duration = f64::INFINITY);
        ctx.set_zoom_factor((f32::from(session.letters_percent()) / 100.0).clamp(LETTERS.0, LETTERS.1));
        let mut app = Self {
            session,
            world,
            keys: keys::bindings(),
            picture: Picture::default(),
            beside_picture: Picture::default(),
            teaching_picture: Picture::default(),
            report_pictures: panels::report_page::Pictures::default(),
            compared: [Picture::default(), Picture::default()],
            closing: false,
            focus_next: None,
            worn: None,
            waiting: first,
        };
        app.wear(ctx);
        app
    }

    /// The session that is shown.
    #[must_use]
    pub const fn session(&self) -> &Session {
        &self.session
    }

    /// Applies actions at the next picture, as a panel's would be: for tests and for what starts a window.
    pub fn act(&mut self, actions: Vec<Action>) {
        self.waiting.extend(actions);
    }

    /// Makes one picture of the window: takes in what has come, and draws.
    pub fn pass(&mut self, ui: &mut Ui) {
        let ctx = ui.ctx().clone();
        let mut answers = self.world.answers();
        answers.append(&mut self.waiting);
        self.apply(&ctx, answers);
        self.tick(&ctx);
        self.keep_letters(&ctx);
        let density = f64::from(ctx.pixels_per_point());
        if (density - self.session.display().density).abs() > 1e-6 {
            self.apply(&ctx, vec![Action::Display(DisplayAction::Density(density))]);
        }
        let input = self.input(&ctx);
        self.apply(&ctx, input);
        self.wear(&ctx);
        let actions = self.draw(ui);
        self.apply(&ctx, actions);
        if let Some(id) = self.focus_next.take() {
            ctx.memory_mut(|m| m.request_focus(id));
            ctx.request_repaint();
        }
        // Nothing is drawn until the next frame of a playing cine is due, and nothing at all while it is paused.
        if let Some(due) = self.session.next_tick() {
            ctx.request_repaint_after_secs((due - ctx.input(|i| i.time)).max(0.0) as f32);
        }
    }

    /// The size of letters stays within what the window is made for, and for the next time.
    fn keep_letters(&mut self, ctx: &egui::Context) {
        let wanted = ctx.zoom_factor().clamp(LETTERS.0, LETTERS.1);
        if (wanted - ctx.zoom_factor()).abs() > 1e-3 {
            ctx.set_zoom_factor(wanted);
        }
        // Within 100 to 200 by the clamp.
        let percent = (wanted * 100.0).round() as u16;
        if percent != self.session.letters_percent() {
            self.apply(ctx, vec![Action::Display(DisplayAction::Letters(percent))]);
        }
    }

    fn wear(&mut self, ctx: &egui::Context) {
        let light = self.session.light();
        if self.worn != Some(light) {
            Theme::of(light).put_on(ctx);
            self.worn = Some(light);
        }
    }

    fn apply(&mut self, ctx: &egui::Context, actions: Vec<Action>) {
        if actions.is_empty() {
            return;
        }
        for action in actions {
            for effect in self.session.apply(action) {
                match effect {
                    Effect::Close => {
                        self.closing = true;
                        ctx.send_viewport_cmd(ViewportCommand::Close);
                    }
                    Effect::Focus(field) => self.focus_next = Some(panels::context::field_id(field)),
                    Effect::Copy(text) => ctx.copy_text(text),
                    other => self.world.carry_out(other, ctx),
                }
            }
        }
        ctx.request_repaint();
    }

    /// Gives a playing cine the time, when its next frame is due.
    fn tick(&mut self, ctx: &egui::Context) {
        let now = ctx.input(|i| i.time);
        if self.session.next_tick().is_some_and(|due| now >= due) {
            self.apply(ctx, vec![Action::Tick(now)]);
        }
    }

    /// Keys, dropped files and the wish to close, as actions.
    fn input(&self, ctx: &egui::Context) -> Vec<Action> {
        let mut actions = Vec::new();
        let dropped: Vec<PathBuf> = ctx.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_path_buf()).collect());
        if !dropped.is_empty() {
            actions.push(Action::Open(dropped));
        }
        if !self.closing && ctx.input(|i| i.viewport().close_requested()) && !self.session.unsaved().is_empty() {
            ctx.send_viewport_cmd(ViewportCommand::CancelClose);
            actions.push(Action::RequestClose);
        }
        if ctx.text_edit_focused() || egui::Popup::is_any_open(ctx) {
            return actions;
        }
        // Arrows, Enter and Space belong to the frame, unless something else than the frame and its landmarks has the focus.
        let on_screen = self.session.on_screen();
        let elsewhere =
            ctx.memory(|m| m.focused()).is_some_and(|id| !panels::canvas::is_of_frame(on_screen, id) && id != panels::agreement::plot_id());
        // A practice case is read by the keys of the reading page; the page's own come after them.
        let case = on_screen.practice_case();
        let reads = case.map(|_| Page::Reading);
        ctx.input(|i| {
            for event in &i.events {
                let Event::Key { key, pressed: true, repeat, modifiers, .. } = event else { continue };
                let steers = matches!(
                    key,
                    egui::Key::Enter
                        | egui::Key::Space
                        | egui::Key::ArrowLeft
                        | egui::Key::ArrowRight
                        | egui::Key::ArrowUp
                        | egui::Key::ArrowDown
                );
                if case.is_some_and(|c| c.reasons)
                    && let Some(reason) = keys::reason_for(*key, *modifiers)
                {
                    actions.push(reason);
                } else if on_screen.naming_exceptions()
                    && let Some(exception) = keys::exception_for(*key, *modifiers)
                {
                    actions.push(exception);
                } else if !(steers && elsewhere) {
                    let on = |page| keys::action_for(&self.keys, page, *key, *modifiers, *repeat);
                    actions.extend(reads.and_then(on).or_else(|| on(self.session.page())));
                }
            }
        });
        actions
    }

    /// Draws the parts in the order in which Tab goes through them.
    fn draw(&mut self, ui: &mut Ui) -> Vec<Action> {
        let theme = Theme::of(self.session.light());
        let parts = layout::window(ui.max_rect());
        ui.painter().rect_filled(ui.max_rect(), 0.0, theme.page);
        let mut actions = Vec::new();
        let aside = vec2(size::GAP + 6.0, 0.0);
        within(ui, "strip", parts.strip.shrink2(aside), |ui| actions.extend(panels::strip::show(ui, &self.session, theme)));
        within(ui, "page", parts.page, |ui| match self.session.page() {
            Page::Reading => self.draw_reading(ui, theme, &mut actions),
            Page::SecondReading => actions.extend(panels::review::show(ui, &self.session, theme, &mut self.compared)),
            Page::Agreement => actions.extend(panels::agreement::show(ui, &self.session, theme)),
            Page::Practice if self.session.practice().desk().is_some() => self.draw_reading(ui, theme, &mut actions),
            Page::Practice => actions.extend(panels::practice::show(ui, &self.session, theme)),
            Page::Answer => actions.extend(panels::answer::show(ui, &self.session, theme)),
            Page::Report => actions.extend(panels::report::show(ui, &self.session, theme, &mut self.report_pictures)),
            Page::Due => actions.extend(panels::due::show(ui, &self.session, theme)),
            Page::Archive => actions.extend(panels::archive::show(ui, &self.session, theme)),
            Page::Tables => actions.extend(panels::tables::show(ui, &self.session, theme)),
            Page::ScaleChecks => actions.extend(panels::scale_checks::show(ui, &self.session, theme, &mut self.picture)),
            Page::TeachingSet => actions.extend(panels::teaching::show(ui, &self.session, theme, &mut self.teaching_picture)),
        });
        within(ui, "hints", parts.hints.shrink2(aside), |ui| hints(ui, &self.session, theme, &mut actions));
        actions.extend(panels::overlay::help(ui.ctx(), &self.session, &self.keys, theme));
        actions.extend(panels::about::show(ui.ctx(), &self.session, theme));
        actions.extend(panels::overlay::closing(ui.ctx(), &self.session, theme));
        actions
    }

    /// The frame and what is known of it, the distance line and the case sheet: of the clinic, or of the practice case on its desk.
    fn draw_reading(&mut self, ui: &mut Ui, theme: &Theme, actions: &mut Vec<Action>) {
        let session = self.session.on_screen();
        let parts = layout::reading(ui.max_rect(), session.list(), session.cine().is_some(), session.beside().is_some());
        if let Some(rect) = parts.list {
            within(ui, "list", rect, |ui| {
                panels::framed(ui, theme, |ui| actions.extend(panels::list::show(ui, session, theme)));
            });
        }
        within(ui, "canvas", parts.frame, |ui| actions.extend(panels::canvas::show(ui, session, theme, &mut self.picture)));
        if let Some(rect) = parts.beside {
            let points = panels::aids::points_per_mm(session, parts.frame);
            within(ui, "beside", rect, |ui| actions.extend(panels::aids::beside(ui, session, &mut self.beside_picture, points)));
        }
        within(ui, "under the frame", parts.under_frame, |ui| actions.extend(panels::under_frame::show(ui, session, theme)));
        if let Some(rect) = parts.time_line {
            within(ui, "time line", rect, |ui| actions.extend(panels::cine::show(ui, session, theme)));
        }
        within(ui, "distance line", parts.distance_line, |ui| {
            panels::framed(ui, theme, |ui| panels::line::show(ui, session, theme));
        });
        if let Some(rect) = parts.sheet {
            within(ui, "sheet", rect, |ui| {
                panels::framed(ui, theme, |ui| {
                    if session.practice_case().is_some() {
                        actions.extend(panels::practice::case_sheet(ui, &self.session, session, theme));
                    } else {
                        actions.extend(panels::sheet::show(ui, session, theme));
                    }
                });
            });
        }
    }
}

/// Draws a part of the window in its place.
fn within(ui: &mut Ui, name: &'static str, rect: Rect, contents: impl FnOnce(&mut Ui)) {
    ui.scope_builder(UiBuilder::new().max_rect(rect).id_salt(name), |ui| {
        ui.set_clip_rect(rect.expand(1.0).intersect(ui.clip_rect()));
        contents(ui);
    });
}

/// The line of the commonest keys, and the few buttons that belong to no other part.
fn hints(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
        let small = |text: &str| egui::Button::new(RichText::new(text).size(size::SMALL).color(theme.text)).frame_when_inactive(false);
        if ui.add(small("? all keys")).clicked() {
            actions.push(Action::ToggleHelp);
        }
        if ui.add(small("about")).on_hover_text("Shift + F1").clicked() {
            actions.push(Action::ToggleAbout);
        }
        let other = if session.light() { "dark colours" } else { "light colours" };
        if ui.add(small(other)).on_hover_text("T").clicked() {
            actions.push(Action::ToggleTheme);
        }
        let others = Page::ALL.into_iter().filter(|p| *p != session.page());
        if ui.available_width() < ROOM_FOR_PAGES {
            ui.menu_button(RichText::new("pages").size(size::SMALL).color(theme.text), |ui| {
                for page in others {
                    if ui.button(format!("{} ({})", page.words(), page.key())).clicked() {
                        actions.push(Action::ShowPage(page));
                        ui.close();
                    }
                }
            });
        } else {
            for page in others.rev() {
                if ui.add(small(page.words())).on_hover_text(page.key()).clicked() {
                    actions.push(Action::ShowPage(page));
                }
            }
        }
        if session.page() != Page::Reading {
            return;
        }
        if ui.add(small("exams and frames")).on_hover_text("F").clicked() {
            actions.push(Action::ToggleList);
        }
        if let Some(words) = session.redo_words()
            && ui.add(small("redo")).on_hover_text(format!("{words} (Ctrl + Shift + Z)")).clicked()
        {
            actions.push(Action::Redo);
        }
        if let Some(words) = session.undo_words()
            && {
                // Which step it takes back where there is room, and under the pointer in any case.
                let whole = format!("undo {words}");
                let room = ui.available_width() - 2.0 * ui.spacing().button_padding.x;
                let text = if fits(ui, &whole, room) { whole.as_str() } else { "undo" };
                ui.add(small(text)).on_hover_text(format!("{whole} (Ctrl + Z)")).clicked()
            }
        {
            actions.push(Action::Undo);
        }
        ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| {
            if let Some(text) = keys::IN_A_LINE.into_iter().find(|text| fits(ui, text, ui.available_width())) {
                ui.label(RichText::new(text).size(size::SMALL).color(theme.quiet));
            }
        });
    });
}

/// Whether a text has room in one line so many points long.
fn fits(ui: &Ui, text: &str, room: f32) -> bool {
    let font = egui::FontId::proportional(size::SMALL);
    ui.painter().layout_no_wrap(text.to_owned(), font, egui::Color32::WHITE).size().x <= room
}

impl eframe::App for App {
    fn on_exit(&mut self, _: Option<&eframe::glow::Context>) {
        self.world.finish();
    }

    fn ui(&mut self, ui: &mut Ui, _: &mut eframe::Frame) {
        self.pass(ui);
    }
}
