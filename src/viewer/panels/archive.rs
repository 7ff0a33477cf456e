//! The page of the archive: sending and its outbox at the left, finding and fetching in the middle, the receiver at the right.

use egui::{RichText, Ui};
use jiff::civil::Date;

use super::context::{chip, choices, field};
use super::{heavy, main_button, parts, plain, rule};
use crate::archive::{Found, Outcome, end_of};
use crate::guideline::capital;
use crate::record::Patient;
use crate::viewer::action::Action;
use crate::viewer::page::Page;
use crate::viewer::session::{ArchiveAction as Do, Asked, Session, dates};
use crate::viewer::theme::{Theme, size};
use crate::viewer::words::counted;

/// Width of the parts at both sides, as a share of the window.
const ASIDE: f32 = 0.34;

/// The widest that fields and the main buttons are, points.
const WIDEST: f32 = 420.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let width = ui.max_rect().width() * ASIDE;
    let left = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        super::sheet::messages(ui, session, theme, actions);
        sending(ui, session, theme, actions);
    };
    let main = &mut |ui: &mut Ui, actions: &mut Vec<Action>| finding(ui, session, theme, actions);
    let right = &mut |ui: &mut Ui, actions: &mut Vec<Action>| receiving(ui, session, theme, actions);
    parts(ui, theme, Some((width, left)), main, Some((width * 0.86, right)))
}

fn sending(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let page = session.archive();
    ui.label(heavy("Sending", size::FINDING, theme.text));
    if let Some(why) = page.not_set_up() {
        plain(ui, capital(why), theme.warn);
        plain(
            ui,
            "The settings name this workstation, the archives it may send to and ask, and who may send to it. A sample of them has every \
             entry explained: put it into that file, and change what is your own.",
            theme.text,
        );
        choices(ui, |ui| {
            if ui.button("Copy the sample").clicked() {
                actions.push(Do::CopySample.into());
            }
            if ui.button("Read the settings again").clicked() {
                actions.push(Action::ShowPage(Page::Archive));
            }
        });
        return;
    }
    plain(ui, format!("This workstation is {}. Archives:", page.set_up().title), theme.quiet);
    choices(ui, |ui| {
        for name in &page.set_up().archives {
            if chip(ui, theme, page.chosen() == Some(name), name, &format!("archive: {name}")) {
                actions.push(Do::Choose(name.clone()).into());
            }
        }
        if ui.add_enabled(!page.testing(), egui::Button::new("Test the links")).clicked() {
            actions.push(Do::Test.into());
        }
    });
    for (name, words, well) in page.tested() {
        plain(ui, format!("{name}: {words}"), if *well { theme.text } else { theme.warn });
    }
    ui.add_space(4.0);
    if let Some(exam) = session.exam() {
        let date = exam.context.exam_date.map_or_else(|| "no date".to_owned(), dates::show);
        let whose = super::strip::record_patient_words(&Patient::from(&exam.patient));
        plain(ui, format!("Open exam: {date} · {whose}"), theme.text);
    } else {
        plain(ui, "No exam is open (Ctrl + O).", theme.quiet);
    }
    let files = session.files_to_send().len();
    let text = match (page.chosen(), files) {
        (None, _) => "Choose an archive first".to_owned(),
        (_, 0) => "No exam is open that can be sent".to_owned(),
        (Some(to), n) => format!("Send the open exam to {to} ({})", counted(n, "file")),
    };
    if main_button(ui, theme, page.chosen().is_some() && files > 0 && !page.sending(), &text, ui.available_width().min(WIDEST)).clicked() {
        actions.push(Do::SendExam.into());
    }
    plain(ui, "Its images go, and its saved readings that you may see as a structured report, with identity.", theme.quiet);
    if page.sending() {
        plain(ui, "Sending", theme.lead);
    }
    if let Some(words) = page.sent() {
        plain(ui, words, theme.text);
    }
    rule(ui, theme);
    outbox(ui, session, theme, actions);
}

fn outbox(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let page = session.archive();
    let items = &page.set_up().outbox;
    let count = |f: fn(&Outcome) -> bool| items.iter().filter(|i| f(&i.outcome)).count();
    let (stored, waiting) = (count(Outcome::is_stored), count(Outcome::is_open));
    let refused = items.len() - stored - waiting;
    ui.label(heavy("Outbox", size::FINDING, theme.text));
    for why in &page.set_up().not_items {
        plain(ui, format!("Not an item: {why}"), theme.alarm);
    }
    if items.is_empty() {
        let words = if page.set_up().not_items.is_empty() { "Nothing is in it." } else { "Nothing else is in it." };
        plain(ui, words, theme.quiet);
        return;
    }
    plain(ui, format!("Stored: {stored} · not yet: {waiting} · refused or not sent: {refused}"), theme.text);
    choices(ui, |ui| {
        if waiting > 0 && ui.add_enabled(!page.sending(), egui::Button::new("Send what waits")).clicked() {
            actions.push(Do::SendWaiting.into());
        }
        if refused > 0 && ui.add_enabled(!page.sending(), egui::Button::new("Try the refused again")).clicked() {
            actions.push(Do::Retry.into());
        }
        if stored > 0 && ui.add_enabled(!page.sending(), egui::Button::new("Take stored ones off the list")).clicked() {
            actions.push(Do::ClearStored.into());
        }
    });
    // What asks for something stands first.
    for wanted in [2, 1, 0] {
        for item in items.iter().rev() {
            let (rank, colour) = match &item.outcome {
                Outcome::Refused { .. } | Outcome::Withheld { .. } => (2, theme.alarm),
                Outcome::NotYet { .. } | Outcome::Trying { .. } => (1, theme.warn),
                Outcome::StoredWithWarning { .. } => (0, theme.warn),
                Outcome::Stored { .. } => (0, theme.text),
            };
            if rank == wanted {
                ui.add(egui::Label::new(RichText::new(item.line()).size(size::SMALL).color(colour)).wrap());
            }
        }
    }
    plain(ui, "Stored means that the archive said so. Nothing here waits for the network: you can read on.", theme.quiet);
}

fn finding(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let page = session.archive();
    ui.label(heavy("Finding and fetching", size::FINDING, theme.text));
    if page.not_set_up().is_some() {
        plain(
            ui,
            "No archive is set up yet. When one is, its exams are found here by patient number or name, fetched and opened.",
            theme.quiet,
        );
        return;
    }
    let width = ui.available_width().min(WIDEST);
    for (which, name, hint) in
        [(Asked::Patient, "patient number", "patient number, whole"), (Asked::Name, "family name", "beginning of the family name")]
    {
        let (edited, response) = field(ui, name, page.typed(which), hint, width);
        if let Some(text) = edited {
            actions.push(Do::Type(which, text).into());
        }
        if response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter)) {
            actions.push(Do::Find.into());
        }
    }
    ui.add_space(4.0);
    let given = !page.typed(Asked::Patient).trim().is_empty() || !page.typed(Asked::Name).trim().is_empty();
    let text = match page.chosen() {
        None => "Choose an archive first".to_owned(),
        Some(at) if !given => format!("Type a number or a name to find in {at}"),
        Some(at) => format!("Find in {at}"),
    };
    if main_button(ui, theme, page.chosen().is_some() && given && !page.asking(), &text, width).clicked() {
        actions.push(Do::Find.into());
    }
    if page.asking() {
        plain(ui, "Asking the archive", theme.lead);
    }
    if let Some(why) = page.fault() {
        plain(ui, why, theme.alarm);
    }
    if let Some((study, came, left)) = page.fetching() {
        let left = left.map_or_else(String::new, |n| format!(", {n} to come"));
        let end = end_of(study);
        ui.horizontal_wrapped(|ui| {
            plain(ui, format!("Fetching exam …{end}: {came} objects{left}"), theme.lead);
            if ui.button("Stop fetching").clicked() {
                actions.push(Do::StopFetching.into());
            }
        });
    }
    if let Some(words) = page.fetched() {
        plain(ui, words, theme.text);
    }
    let Some((found, more)) = page.found() else { return };
    rule(ui, theme);
    ui.label(heavy(format!("Exams: {}", found.len()), size::BODY, theme.text));
    if more {
        plain(ui, "There are more: ask more narrowly.", theme.warn);
    }
    if found.is_empty() {
        plain(ui, "None has that number or name. A patient number is asked for whole, a name from its beginning.", theme.text);
    }
    for f in found {
        ui.horizontal_top(|ui| {
            let button = egui::Button::new("Fetch it");
            if ui.add_enabled(page.fetching().is_none(), button).on_hover_text(&f.study).clicked() {
                actions.push(Do::Fetch(f.study.clone()).into());
            }
            ui.vertical(|ui| {
                ui.add(egui::Label::new(heavy(whose(f), size::BODY, theme.text)).wrap());
                plain(ui, what(f), theme.quiet);
            });
        });
        ui.add_space(6.0);
    }
}

/// Day and patient of an exam that was found, as people write them.
fn whose(f: &Found) -> String {
    let date =
        f.date.as_deref().map_or_else(|| "no date".to_owned(), |d| Date::strptime("%Y%m%d", d).map_or_else(|_| d.to_owned(), dates::show));
    let name = f.name.as_deref().map(super::strip::name_words).filter(|n| !n.is_empty());
    [Some(date), name, f.patient.clone()].into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

/// What an exam that was found holds.
fn what(f: &Found) -> String {
    let kinds = Some(f.modalities.join("/")).filter(|m| !m.is_empty());
    let objects = f.objects.map_or_else(|| "number of objects not said".to_owned(), |n| counted(n as usize, "object"));
    [f.description.clone(), kinds, Some(objects)].into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

fn receiving(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let page = session.archive();
    ui.label(heavy("Receiving", size::FINDING, theme.text));
    if page.not_set_up().is_some() {
        plain(ui, "No receiver is set up yet. When one is, scanners that the settings name can send exams here.", theme.quiet);
        return;
    }
    // The button first: it stays under the pointer, whatever the words below say.
    let text = if page.listening().is_some() { "Stop receiving" } else { "Start receiving" };
    if ui.button(text).clicked() {
        actions.push(Do::Receive(page.listening().is_none()).into());
    }
    match page.listening() {
        Some(words) => plain(ui, format!("Listening: {words}"), theme.lead),
        None => plain(ui, "Off. Scanners that the settings name can send while it is on, and while this window is open.", theme.quiet),
    };
    if ui.button("Open received exams").clicked() {
        actions.push(Do::OpenReceived.into());
    }
    rule(ui, theme);
    ui.label(heavy("What came in", size::BODY, theme.text));
    if page.received().is_empty() {
        plain(ui, "Nothing since the window was opened.", theme.quiet);
    }
    for line in page.received().iter().rev() {
        ui.add(egui::Label::new(RichText::new(line).size(size::SMALL).color(theme.text)).wrap());
    }
}
