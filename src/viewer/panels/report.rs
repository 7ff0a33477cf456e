//! The page of the report: what to make at the left, what it looks like beside it.

use egui::{RichText, ScrollArea, Ui, vec2};

use super::context::{chip, choices, field};
use super::report_page::{self, Pictures};
use super::{Side, beside, heavy, main_button, measured, middle, plain, rule};
use crate::guideline::capital;
use crate::report::pdf::Paper;
use crate::report::{Avoid, Form};
use crate::viewer::action::Action;
use crate::viewer::page::Page;
use crate::viewer::session::{ReportAction as Do, ReportPage, Session};
use crate::viewer::theme::{Theme, size};
use crate::viewer::words::counted;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, pictures: &mut Pictures) -> Vec<Action> {
    let mut actions = Vec::new();
    let width = size::sheet(ui.max_rect().width()) + size::GAP;
    beside(ui, theme, Side::Left, "report choices", width, |ui| {
        super::sheet::messages(ui, session, theme, &mut actions);
        sheet(ui, session, theme, &mut actions);
    });
    middle(ui, theme, |ui| preview(ui, session, theme, pictures, &mut actions));
    actions
}

fn sheet(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let page = session.report();
    let mut act = |what: Do| actions.push(what.into());
    ui.label(heavy("Report", size::FINDING, theme.text));
    plain(ui, "Made from the saved readings of the exam on screen, and from nothing else.", theme.quiet);
    if session.unsaved_in_exam() {
        plain(ui, "This exam has work that is not saved: it is in no report.", theme.warn);
    }
    rule(ui, theme);
    ui.label(heavy("For the clinician", size::BODY, theme.text));
    forms(ui, theme, page, false, &mut act);
    ui.label(heavy("For the patient", size::BODY, theme.text));
    forms(ui, theme, page, true, &mut act);
    rule(ui, theme);
    if page.form().on_paper() {
        choices(ui, |ui| {
            plain(ui, "paper (P)", theme.quiet);
            for (paper, words) in [(Paper::A4, "A4"), (Paper::Letter, "Letter")] {
                if chip(ui, theme, page.paper() == paper, words, &format!("paper: {words}")) && page.paper() != paper {
                    act(Do::TurnPaper);
                }
            }
        });
    }
    let wish = page.wish();
    choices(ui, |ui| {
        if !page.form().for_patient()
            && page.form() != Form::Note
            && chip(ui, theme, wish.identity, "name, number, date of birth (I)", "identity in the report")
        {
            act(Do::ToggleIdentity);
        }
        if chip(ui, theme, wish.draft, "draft (D)", "marked as a draft") {
            act(Do::ToggleDraft);
        }
        if !page.form().for_patient()
            && page.form() != Form::Note
            && chip(ui, theme, wish.full, "other tables and birth windows too (U)", "other tables and birth windows in the report")
        {
            act(Do::ToggleFull);
        }
    });
    if page.form().for_patient() {
        patient(ui, page, theme, &mut act);
    }
    rule(ui, theme);
    file(ui, page, theme, &mut act);
    rule(ui, theme);
    ui.label(heavy("Paragraph for the record system", size::BODY, theme.text));
    if ui.button("Copy it (Insert)").clicked() {
        act(Do::Copy);
    }
    plain(
        ui,
        "In the department's template (note-template.txt of the data folder), or the bundled one. No template can leave out the \
         distance, the finding, the signature's state or a caution: what it leaves out is added below it.",
        theme.quiet,
    );
}

fn forms(ui: &mut Ui, theme: &Theme, page: &ReportPage, patient: bool, act: &mut dyn FnMut(Do)) {
    choices(ui, |ui| {
        for form in Form::ALL.into_iter().filter(|f| f.for_patient() == patient) {
            let short = form.words().rsplit(", ").next().unwrap_or_default();
            if chip(ui, theme, page.form() == form, short, &format!("form: {}", form.words())) {
                act(Do::Choose(form));
            }
        }
    });
}

fn patient(ui: &mut Ui, page: &ReportPage, theme: &Theme, act: &mut dyn FnMut(Do)) {
    choices(ui, |ui| {
        plain(ui, "language (L)", theme.quiet);
        for (code, name) in crate::viewer::session::LANGUAGES {
            let here = page.language().0 == code;
            if chip(ui, theme, here, name, &format!("language: {name}")) && !here {
                act(Do::NextLanguage);
            }
        }
    });
    plain(ui, "What to avoid, as you choose for this patient; nothing is chosen by default:", theme.text);
    choices(ui, |ui| {
        for what in Avoid::ALL {
            if chip(ui, theme, page.avoid().contains(&what), what.words(), &format!("to avoid: {}", what.words())) {
                act(Do::ToggleAvoid(what));
            }
        }
    });
    let (edited, _) = field(ui, "phone number on the patient's page", page.phone(), "phone to call", ui.available_width().min(260.0));
    if let Some(text) = edited {
        act(Do::TypePhone(text));
    }
}

fn file(ui: &mut Ui, page: &ReportPage, theme: &Theme, act: &mut dyn FnMut(Do)) {
    ui.label(heavy("Write it", size::BODY, theme.text));
    let wide = ui.available_width() - 4.0;
    let (edited, _) = field(ui, "file to write the report to", &page.file(), "path of a new file", wide);
    if let Some(text) = edited {
        act(Do::TypeFile(text));
    }
    // A long path is cut in its field: its end, which tells files apart, stands whole.
    if let Some(name) = std::path::Path::new(&page.file()).file_name() {
        ui.add(egui::Label::new(RichText::new(name.to_string_lossy()).size(size::SMALL).color(theme.quiet)).wrap());
    }
    let (edited, _) = field(ui, "who receives it", page.to(), "who receives it, if it is sent", wide);
    if let Some(text) = edited {
        act(Do::TypeTo(text));
    }
    plain(ui, "Who is named is recorded, so that an amended report can name who holds a void one.", theme.quiet);
    if main_button(ui, theme, page.preview().is_some() && !page.busy(), "Write the file (W)", 150.0).clicked() {
        act(Do::Write);
    }
    if let Some(said) = page.said() {
        plain(ui, said, theme.lead);
    }
}

/// Why there is no report, and what leads to one.
fn nothing(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let Some(why) = session.report().why_not() else {
        plain(ui, "The report is being made …", theme.quiet);
        return;
    };
    ui.label(heavy("No report yet", size::FINDING, theme.text));
    measured(ui, |ui| plain(ui, capital(why), theme.warn));
    choices(ui, |ui| {
        if session.exam().is_some() {
            if ui.button("To the reading (F2)").clicked() {
                actions.push(Action::ShowPage(Page::Reading));
            }
        } else {
            if ui.button("Open files (Ctrl + O)").clicked() {
                actions.push(Action::PickFiles);
            }
            if ui.button("Open a folder (Ctrl + Shift + O)").clicked() {
                actions.push(Action::PickFolder);
            }
        }
    });
}

fn preview(ui: &mut Ui, session: &Session, theme: &Theme, pictures: &mut Pictures, actions: &mut Vec<Action>) {
    let page = session.report();
    theme.panel_frame().show(ui, |ui| {
        ui.set_min_size(ui.available_size());
        ScrollArea::vertical().id_salt("report preview").auto_shrink([false, false]).show(ui, |ui| {
            scroll_by_keys(ui);
            let Some(made) = page.preview() else {
                nothing(ui, session, theme, actions);
                return;
            };
            if let Some(words) = &made.unread {
                plain(ui, words.clone(), theme.alarm);
            }
            choices(ui, |ui| {
                let what = format!("{}, made from {}", capital(page.form().words()), counted(made.readings, "saved reading"));
                plain(ui, what, theme.quiet);
                if page.form().on_paper() {
                    for (pages, words) in [(true, "as it prints (V)"), (false, "its words (V)")] {
                        if chip(ui, theme, page.shows_pages() == pages, words, &format!("shown: {words}")) && page.shows_pages() != pages {
                            actions.push(Do::TogglePages.into());
                        }
                    }
                }
            });
            ui.add_space(4.0);
            if page.shows_pages() && !made.pages.is_empty() {
                ui.set_max_width(ui.available_width() - 8.0);
                report_page::show(ui, made, page.answered(), pictures);
            } else {
                let text = RichText::new(&made.words).color(theme.text);
                let text = if page.form().for_patient() || page.form() == Form::Note { text } else { text.monospace() };
                measured(ui, |ui| ui.add(egui::Label::new(text).wrap().selectable(true)));
            }
        });
    });
}

/// Page Down and Page Up move what is looked at by most of its height.
fn scroll_by_keys(ui: &Ui) {
    let pressed = |key| ui.input(|i| i.num_presses(key)) as f32;
    let by = pressed(egui::Key::PageUp) - pressed(egui::Key::PageDown);
    if by != 0.0 {
        ui.scroll_with_delta(vec2(0.0, by * ui.clip_rect().height() * 0.9));
    }
}
