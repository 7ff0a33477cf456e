//! The window as the library of windows sees it: input becomes actions, actions change the session, panels draw it.

use std::path::PathBuf;

use egui::{CentralPanel, Event, Frame, Margin, Panel, RichText, Ui, ViewportCommand};

use super::action::{Action, Effect};
use super::keys::{self, Binding};
use super::page::Page;
use super::panels::{self, canvas::Picture};
use super::session::Session;
use super::theme::{self, Theme, size};

/// Below this width, points, the pages stand behind one button.
const ROOM_FOR_PAGES: f32 = 900.0;

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
    teaching_picture: Picture<(usize, u64)>,
    closing: bool,
    worn: Option<bool>,
    waiting: Vec<Action>,
}

impl App {
    /// A window on `session`, with its letters installed, that begins with these actions.
    #[must_use]
    pub fn new(ctx: &egui::Context, session: Session, world: Box<dyn World>, first: Vec<Action>) -> Self {
        theme::install_fonts(ctx);
        let mut app = Self {
            session,
            world,
            keys: keys::bindings(),
            picture: Picture::default(),
            teaching_picture: Picture::default(),
            closing: false,
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
        let elsewhere = ctx.memory(|m| m.focused()).is_some_and(|id| !panels::canvas::is_of_frame(&self.session, id));
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
                if self.session.naming_exceptions()
                    && let Some(exception) = keys::exception_for(*key, *modifiers)
                {
                    actions.push(exception);
                } else if !(steers && elsewhere) {
                    actions.extend(keys::action_for(&self.keys, self.session.page(), *key, *modifiers, *repeat));
                }
            }
        });
        actions
    }

    fn draw(&mut self, ui: &mut Ui) -> Vec<Action> {
        let session = &self.session;
        let theme = Theme::of(session.light());
        let page = |x: f32, y: f32| Frame::new().fill(theme.page).inner_margin(Margin::symmetric(x as i8, y as i8));
        let gap = size::GAP;
        let mut actions = Vec::new();
        Panel::top("strip").exact_size(44.0).frame(page(gap + 6.0, 0.0)).show_separator_line(false).show(ui, |ui| {
            actions.extend(panels::strip::show(ui, session, theme));
        });
        Panel::bottom("hints").exact_size(34.0).frame(page(gap + 6.0, 0.0)).show_separator_line(false).show(ui, |ui| {
            hints(ui, session, theme, &mut actions);
        });
        match session.page() {
            Page::Reading => self.draw_reading(ui, theme, &mut actions),
            Page::SecondReading => actions.extend(panels::review::show(ui, &self.session, theme)),
            Page::Answer => actions.extend(panels::answer::show(ui, &self.session, theme)),
            Page::Due => actions.extend(panels::due::show(ui, &self.session, theme)),
            Page::Archive => actions.extend(panels::archive::show(ui, &self.session, theme)),
            Page::Tables => actions.extend(panels::tables::show(ui, &self.session, theme)),
            Page::ScaleChecks => actions.extend(panels::scale_checks::show(ui, &self.session, theme, &mut self.picture)),
            Page::TeachingSet => actions.extend(panels::teaching::show(ui, &self.session, theme, &mut self.teaching_picture)),
        }
        let session = &self.session;
        actions.extend(panels::overlay::help(ui.ctx(), session, &self.keys, theme));
        actions.extend(panels::overlay::closing(ui.ctx(), session, theme));
        actions
    }

    /// The frame, the distance line and the case sheet.
    fn draw_reading(&mut self, ui: &mut Ui, theme: &Theme, actions: &mut Vec<Action>) {
        let session = &self.session;
        let gap = size::GAP;
        let window = ui.max_rect().size();
        if session.list() {
            let frame = Frame::new().fill(theme.page).inner_margin(Margin { left: gap as i8, right: 0, top: 0, bottom: 0 });
            Panel::left("list").exact_size(size::DRAWER + gap).resizable(false).frame(frame).show_separator_line(false).show(ui, |ui| {
                theme.panel_frame().show(ui, |ui| {
                    ui.set_min_size(ui.available_size());
                    actions.extend(panels::list::show(ui, session, theme));
                });
            });
        }
        let frame = Frame::new().fill(theme.page).inner_margin(Margin { left: 0, right: gap as i8, top: 0, bottom: 0 });
        Panel::right("sheet").exact_size(size::sheet(window.x) + gap).resizable(false).frame(frame).show_separator_line(false).show(
            ui,
            |ui| {
                theme.panel_frame().show(ui, |ui| {
                    ui.set_min_size(ui.available_size());
                    actions.extend(panels::sheet::show(ui, session, theme));
                });
            },
        );
        let below = Frame::new().fill(theme.page).inner_margin(Margin { left: gap as i8, right: gap as i8, top: gap as i8, bottom: 0 });
        Panel::bottom("distance line")
            .exact_size(size::distance_line(window.y))
            .resizable(false)
            .frame(below)
            .show_separator_line(false)
            .show(ui, |ui| {
                theme.panel_frame().show(ui, |ui| {
                    panels::line::show(ui, session, theme);
                });
            });
        if session.cine().is_some() {
            let under = Frame::new().fill(theme.page).inner_margin(Margin { left: gap as i8, right: gap as i8, top: 4, bottom: 0 });
            Panel::bottom("time line").exact_size(size::TIME_LINE).resizable(false).frame(under).show_separator_line(false).show(
                ui,
                |ui| {
                    actions.extend(panels::cine::show(ui, session, theme));
                },
            );
        }
        let central = Frame::new().fill(theme.page).inner_margin(Margin { left: gap as i8, right: gap as i8, top: 0, bottom: 0 });
        CentralPanel::no_frame().frame(central).show(ui, |ui| {
            actions.extend(panels::canvas::show(ui, session, theme, &mut self.picture));
        });
    }
}

/// The line of the commonest keys, and the few buttons that belong to no other part.
fn hints(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
        let small = |text: &str| egui::Button::new(RichText::new(text).size(size::SMALL).color(theme.text)).frame_when_inactive(false);
        if ui.add(small("? all keys")).clicked() {
            actions.push(Action::ToggleHelp);
        }
        let other = if session.light() { "dark colours" } else { "light colours" };
        if ui.add(small(other)).on_hover_text("T").clicked() {
            actions.push(Action::ToggleTheme);
        }
        let others = Page::ALL.into_iter().filter(|p| *p != session.page());
        if ui.available_width() < ROOM_FOR_PAGES {
            // In a narrow window (large letters) the pages stand behind one button.
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
            && ui.add(small(&format!("undo {words}"))).on_hover_text("Ctrl + Z").clicked()
        {
            actions.push(Action::Undo);
        }
        ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| {
            let text = "O os   E edge   B body   ·   N not covering   R reaches   C covers   ·   arrows nudge   S save";
            ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(theme.quiet)).truncate());
        });
    });
}

impl eframe::App for App {
    fn on_exit(&mut self, _: Option<&eframe::glow::Context>) {
        self.world.finish();
    }

    fn ui(&mut self, ui: &mut Ui, _: &mut eframe::Frame) {
        let ctx = ui.ctx().clone();
        let mut answers = self.world.answers();
        answers.append(&mut self.waiting);
        self.apply(&ctx, answers);
        self.tick(&ctx);
        let input = self.input(&ctx);
        self.apply(&ctx, input);
        self.wear(&ctx);
        let actions = self.draw(ui);
        self.apply(&ctx, actions);
        // Nothing is drawn until the next frame of a playing cine is due, and nothing at all while it is paused.
        if let Some(due) = self.session.next_tick() {
            ctx.request_repaint_after_secs((due - ctx.input(|i| i.time)).max(0.0) as f32);
        }
    }
}
