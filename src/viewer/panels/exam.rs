//! In the case sheet: what the exam's frames come to, the further landmarks with their lengths, the checklist of the frame.

use egui::{RichText, Ui};

use super::context::{chip, choices, field};
use super::{plain, row};
use crate::context::PlacentalPosition;
use crate::exam::{Adequacy, Item};
use crate::measure::words;
use crate::viewer::action::{Action, Mark};
use crate::viewer::keys;
use crate::viewer::session::{NoteAction, Outcome, Session};
use crate::viewer::theme::{Theme, size};

/// What the frames of the exam come to: every value, both exam values, what was left out and why, what must be asked.
pub(super) fn values(ui: &mut Ui, session: &Session, theme: &Theme) {
    let Some(exam) = session.exam_now() else { return };
    let alone = exam.frames.len() < 2 && exam.values.summary.excluded.is_empty();
    if alone {
        return;
    }
    let print = |v: f64| match session.table() {
        Some(table) => words::printer(|printed, real| table.same_band(printed, real))(v),
        None => words::printer(|_, _| true)(v),
    };
    row(ui, theme, "Exam", |ui| {
        let summary = &exam.values.summary;
        let all = exam.values.words(print);
        for (i, text) in all.iter().enumerate() {
            // The sentences end with the notes: what must be asked or said.
            let note = i + summary.notes.len() >= all.len();
            plain(ui, text.clone(), if note { theme.warn } else { theme.text });
        }
        if let Some(decisive) = summary.decisive.and_then(|i| exam.frames.get(i)) {
            plain(ui, format!("Finding of the frame that decides: {}", decisive.finding), theme.text);
        }
        for (i, f) in exam.frames.iter().enumerate() {
            let frame = f.place.map_or_else(|| "a saved frame not shown yet".to_owned(), |p| format!("frame {p} of the exam"));
            let set = if exam.values.sets.is_empty() { String::new() } else { format!(", set {}", f.set) };
            let here = if f.current { " (shown)" } else { "" };
            let left_out = summary.excluded.iter().find(|(place, _)| *place == i);
            let state = left_out.map_or_else(|| f.adequacy.words(), |(_, why)| format!("LEFT OUT: {}", why.words()));
            let text = format!("{}. {frame}{here}{set}: {} · {state}", i + 1, words::headline(f.value(), print));
            plain(ui, text, if left_out.is_some() { theme.warn } else { theme.quiet });
        }
    });
}

/// Which repeatability is in use, and from how many readings.
pub(super) fn repeatability(ui: &mut Ui, session: &Session, theme: &Theme) {
    row(ui, theme, "Repeats", |ui| {
        plain(ui, session.repeatability_words(), theme.quiet);
    });
}

/// The further landmarks, and the lengths that follow from them.
pub(super) fn more(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    row(ui, theme, "Also", |ui| {
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

/// The checklist of the frame: one key attests all, exceptions by letter, what is not answered stays unknown.
pub(super) fn checklist(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    row(ui, theme, "Adequate?", |ui| {
        let work = session.work();
        let list = &work.notes.checklist;
        let (text, colour) = match list.adequacy() {
            Adequacy::Adequate => ("attested adequate".to_owned(), theme.text),
            Adequacy::NotStated => ("not stated: it counts, and that is said".to_owned(), theme.quiet),
            Adequacy::Inadequate { reason } => (format!("does not count in the exam: {reason}"), theme.warn),
        };
        plain(ui, text, colour);
        choices(ui, |ui| {
            if chip(ui, theme, false, "Q attest all", "attest every item of the checklist") {
                actions.push(Action::Note(NoteAction::AttestAll));
            }
            let naming = session.naming_exceptions();
            if chip(ui, theme, naming, "Shift + Q exceptions by letter", "name exceptions of the checklist") {
                actions.push(Action::Note(NoteAction::NameExceptions));
            }
            let set = work.notes.set_number();
            if chip(ui, theme, set > 1, &format!("Shift + N set {set}"), "set of frames") {
                actions.push(Action::Note(NoteAction::NextSet));
            }
        });
        let lateral = session.exam().is_some_and(|e| e.context.placental_position == PlacentalPosition::Lateral);
        if lateral && list.get(Item::OtherPlanes) != Some(true) {
            plain(ui, "Shortest way not searched: a lateral placenta asks for a rotated or transverse plane (item i).", theme.warn);
        }
        let open = session.naming_exceptions() || session.why();
        for item in Item::ALL.into_iter().filter(|i| i.decides() || lateral || list.get(*i).is_some()) {
            let answer = list.get(item);
            if !open && answer != Some(false) {
                continue;
            }
            let state = match answer {
                Some(true) => "attested",
                Some(false) => "EXCEPTION",
                None => "not answered",
            };
            choices(ui, |ui| {
                let letter = item.letter().to_string();
                if chip(ui, theme, answer == Some(false), &letter, &format!("exception: {}", item.exception())) {
                    actions.push(Action::Note(NoteAction::Exception(item)));
                }
                let source = if open { format!(" [{}]", item.source()) } else { String::new() };
                let text = format!("{}: {state}{source}", item.words());
                let ink = if answer == Some(false) { theme.warn } else { theme.quiet };
                ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(ink)).wrap());
            });
        }
        if open || list.other_reason.is_some() {
            let now = list.other_reason.clone().unwrap_or_default();
            if let (Some(text), _) = field(ui, "another reason", &now, "another reason why it does not count", 240.0) {
                actions.push(Action::Note(NoteAction::OtherReason(text)));
            }
        }
    });
}
