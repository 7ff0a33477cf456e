//! In the case sheet: what the exam's frames come to, the further landmarks with their lengths, the checklist of the frame.

use egui::{Align, RichText, Ui};

use super::context::{chip, choices, field, words_in_a_row};
use super::{heavy, plain, row, steady};
use crate::context::PlacentalPosition;
use crate::exam::{Adequacy, Item};
use crate::measure::words;
use crate::plot::distance_line::tone;
use crate::viewer::action::{Action, Mark};
use crate::viewer::keys;
use crate::viewer::page::Page;
use crate::viewer::session::{ExamNow, NoteAction, Outcome, Session};
use crate::viewer::theme::{Theme, size};

/// The exam, where more than one frame of it was read.
pub(super) fn several(session: &Session) -> Option<&ExamNow> {
    session.exam_now().filter(|e| e.frames.len() > 1 || !e.values.summary.excluded.is_empty())
}

/// A size in as many digits as keep it in its band of the chosen table.
fn printer(session: &Session) -> impl Fn(f64) -> String {
    move |v| match session.table() {
        Some(table) => words::printer(|printed, real| table.same_band(printed, real))(v),
        None => words::printer(|_, _| true)(v),
    }
}

/// The result of the exam over the frames of this visit, right below that of the frame, and the way to all that follows.
pub(super) fn result(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let Some(exam) = several(session) else { return };
    ui.add_space(4.0);
    words_in_a_row(ui, |ui| {
        ui.label(RichText::new("This exam, all frames read so far").color(theme.quiet));
        if ui.link(RichText::new("whole answer (F4)").color(theme.lead)).clicked() {
            actions.push(Action::ShowPage(Page::Answer));
        }
    });
    result_words(ui, session, exam, theme);
}

/// The exam's value, its finding, and what contradicts it.
pub(super) fn result_words(ui: &mut Ui, session: &Session, exam: &ExamNow, theme: &Theme) {
    let summary = &exam.values.summary;
    ui.add(egui::Label::new(heavy(summary.headline(printer(session)), size::BODY, theme.text)).wrap());
    if let Some(decisive) = summary.decisive.and_then(|i| exam.frames.get(i)) {
        let tone = decisive.kind.map_or(theme.text, |k| theme.tone_text(tone(k)));
        ui.add(egui::Label::new(heavy(decisive.finding.as_str(), size::BODY, tone)).wrap());
    }
    for note in summary.notes.iter().filter(|n| n.asks_to_look_again()) {
        ui.add(egui::Label::new(heavy(note.words(), size::BODY, theme.alarm)).wrap());
    }
}

/// What the frames of the exam come to besides [`result`]: the exam distance, every frame's value, what was left out and why.
pub(super) fn values(ui: &mut Ui, session: &Session, theme: &Theme) {
    let Some(exam) = several(session) else { return };
    let print = printer(session);
    row(ui, theme, "Exam", |ui| {
        let summary = &exam.values.summary;
        let all = exam.values.words(&print);
        // The first sentence and what asks to look again stand above, as the exam's result.
        let above = |text: &String| summary.notes.iter().any(|n| n.asks_to_look_again() && n.words() == *text);
        for (i, text) in all.iter().enumerate().skip(1).filter(|(_, text)| !above(text)) {
            // The sentences end with the notes: what must be asked or said.
            let note = i + summary.notes.len() >= all.len();
            plain(ui, text.clone(), if note { theme.warn } else { theme.text });
        }
        for (i, f) in exam.frames.iter().enumerate() {
            let frame = f.place.map_or_else(|| "a saved frame not shown yet".to_owned(), |p| format!("frame {p} of the exam"));
            let set = if exam.values.sets.is_empty() { String::new() } else { format!(", set {}", f.set) };
            let here = if f.current { " (shown)" } else { "" };
            let left_out = summary.excluded.iter().find(|(place, _)| *place == i);
            let state = left_out.map_or_else(|| f.adequacy.words(), |(_, why)| format!("LEFT OUT: {}", why.words()));
            let text = format!("{}. {frame}{here}{set}: {} · {state}", i + 1, words::headline(f.value(), &print));
            plain(ui, text, if left_out.is_some() { theme.warn } else { theme.quiet });
        }
    });
}

/// Which repeatability is in use, and from how many readings.
pub(super) fn repeatability(ui: &mut Ui, session: &Session, theme: &Theme) {
    row(ui, theme, "Error (SD)", |ui| {
        plain(ui, session.repeatability_words(), theme.quiet);
    });
}

/// The further landmarks, and the lengths that follow from them.
pub(super) fn more(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    row(ui, theme, "More marks", |ui| {
        let work = session.work();
        let more = &work.notes.more;
        choices(ui, |ui| {
            for mark in Mark::MORE {
                let placed = match mark {
                    Mark::Canal(_) if !more.canal.is_empty() => format!(" ✓ {}", more.canal.len()),
                    Mark::Wall(_) if !more.wall.is_empty() => format!(" ✓ {}", more.wall.len()),
                    m if work.get(m).is_some() => " ✓".to_owned(),
                    _ => String::new(),
                };
                let text = format!("{} {}{placed}", keys::letter(mark), mark.words());
                let armed = session.armed() == Some(mark);
                if chip(ui, theme, armed, &text, &format!("place the {}", mark.words())) {
                    actions.push(if armed { Action::PutDown } else { Action::Arm(mark) });
                }
            }
        });
        if more.vessel.is_some() || more.fetal_rate.is_some() || more.cord_loop_excluded.is_some() {
            choices(ui, |ui| {
                for (asked, key, now, what) in [
                    ("fetal rate", "Shift + H", more.fetal_rate, NoteAction::FetalRate),
                    ("cord loop excluded", "Shift + L", more.cord_loop_excluded, NoteAction::CordLoopExcluded),
                ] {
                    let answer = now.map_or("not stated", |yes| if yes { "yes" } else { "no" });
                    if chip(ui, theme, now.is_some(), &format!("{key} {asked}: {answer}"), asked) {
                        actions.push(Action::Note(what));
                    }
                }
            });
        }
        assist(ui, session, theme, actions);
        if let Outcome::Read(reading) = session.outcome() {
            for one in reading.more.in_words() {
                plain(ui, format!("{}: {}", one.name, one.text), theme.text);
                for flag in &one.flags {
                    plain(ui, flag.clone(), theme.warn);
                }
                for (text, source) in &one.against {
                    if session.why() {
                        plain(ui, format!("{text} [{source}]"), theme.quiet);
                    } else if !text.starts_with("not ") || text.contains("borderline") {
                        plain(ui, format!("{text} [{}]", source.provenance), theme.quiet);
                    }
                }
            }
        }
        for lack in more.lacks() {
            plain(ui, lack, theme.warn);
        }
    });
}

fn assist(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    if let Some(o) = session.offer() {
        let text = format!(
            "Offered for the {}: {:.1} away, SD {:.1}, contrast {:.1} times the speckle.",
            o.of.words(),
            o.offer.moved_mm,
            o.offer.sd_mm,
            o.offer.contrast
        );
        plain(ui, text, theme.lead);
        choices(ui, |ui| {
            if chip(ui, theme, false, "Enter accept", "accept the refined place") {
                actions.push(Action::Note(NoteAction::AcceptOffer));
            }
            if chip(ui, theme, false, "Esc decline", "decline the refined place") {
                actions.push(Action::Note(NoteAction::DeclineOffer));
            }
        });
        return;
    }
    let work = session.work();
    choices(ui, |ui| {
        if chip(ui, theme, false, "Z refine at the edge", "offer a refined place of the chosen landmark") {
            actions.push(Action::Note(NoteAction::Refine));
        }
        for a in &work.notes.assisted {
            let answer = if a.accepted { "accepted" } else { "declined" };
            let text = format!("{} {answer} ({:.1})", a.of.words(), a.offer.moved_mm);
            ui.label(RichText::new(text).size(size::SMALL).color(theme.quiet));
        }
    });
}

/// The checklist of the frame: one key states all of it, exceptions by letter, what is not answered stays unknown.
pub(super) fn checklist(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    row(ui, theme, "Adequate?", |ui| {
        if steady::begun(ui, "naming exceptions", session.naming_exceptions()) {
            ui.scroll_to_cursor(Some(Align::TOP));
        }
        let work = session.work();
        let list = &work.notes.checklist;
        let lateral = session.exam().is_some_and(|e| e.context.placental_position == PlacentalPosition::Lateral);
        let asked = || Item::ALL.into_iter().filter(move |i| i.decides() || lateral);
        let open = session.naming_exceptions() || session.why();
        let adequacy = list.adequacy();
        match &adequacy {
            Adequacy::Adequate => plain(ui, "You state that it is adequate: it counts in the exam's result.", theme.text),
            Adequacy::NotStated => plain(ui, "Is this frame good enough to count in the exam's result?", theme.text),
            Adequacy::Inadequate { reason } => plain(ui, format!("It does not count in the exam's result: {reason}."), theme.warn),
        };
        choices(ui, |ui| {
            let adequate = adequacy == Adequacy::Adequate;
            if chip(ui, theme, adequate, "Q yes, all of it holds", "the frame is adequate: all of its checklist holds") && !adequate {
                actions.push(Action::Note(NoteAction::AttestAll));
            }
            let naming = session.naming_exceptions();
            if chip(ui, theme, naming, "Shift + Q no: say what fails", "the frame is not adequate: say what fails") {
                actions.push(Action::Note(NoteAction::NameExceptions));
            }
        });
        let small = |ui: &mut Ui, text: String, ink| {
            ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(ink)).wrap());
        };
        if adequacy == Adequacy::NotStated && !open {
            let all: Vec<&str> = asked().map(Item::short).collect();
            small(ui, format!("Yes states: {}.", all.join(", ")), theme.quiet);
            small(ui, "Without an answer it counts, and record and report say that nobody judged it.".into(), theme.quiet);
        }
        if session.naming_exceptions() {
            small(ui, "Type or click the letter of what fails; Esc when done; Q says yes to the rest.".into(), theme.lead);
        }
        if lateral && list.get(Item::OtherPlanes) != Some(true) {
            plain(ui, "Shortest way not searched: a lateral placenta asks for a rotated or transverse plane (item i).", theme.warn);
        }
        for item in Item::ALL.into_iter().filter(|i| i.decides() || lateral || list.get(*i).is_some()) {
            let answer = list.get(item);
            if !open && answer != Some(false) {
                continue;
            }
            let state = match answer {
                Some(true) => "holds",
                Some(false) => "FAILS",
                None => "not answered",
            };
            choices(ui, |ui| {
                let letter = item.letter().to_string();
                if chip(ui, theme, answer == Some(false), &letter, &format!("exception: {}", item.exception())) {
                    actions.push(Action::Note(NoteAction::Exception(item)));
                }
                let source = if open { format!(" [{}]", item.source()) } else { String::new() };
                let ink = if answer == Some(false) { theme.warn } else { theme.quiet };
                small(ui, format!("{}: {state}{source}", item.words()), ink);
            });
        }
        if open || list.other_reason.is_some() {
            let now = list.other_reason.clone().unwrap_or_default();
            if let (Some(text), _) = field(ui, "another reason", &now, "another reason why it does not count", 240.0) {
                actions.push(Action::Note(NoteAction::OtherReason(text)));
            }
        }
        let set = work.notes.set_number();
        let which = if set == 1 { "first scan of this visit".to_owned() } else { format!("rescan after 20 to 60 minutes, set {set}") };
        if chip(ui, theme, set > 1, &format!("Shift + N {which}"), &format!("the frame is of the {which}")) {
            actions.push(Action::Note(NoteAction::NextSet));
        }
    });
}
