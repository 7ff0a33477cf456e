//! The page of the second reader.

use egui::{RichText, Ui};

use super::context::{chip, choices, field, secret_field};
use super::picture::Picture;
use super::{heavy, in_columns, main_button, measured, parts, plain, rule};
use crate::guideline::capital;
use crate::record::{ReadingRecord, Role, Settlement};
use crate::review::{ExamReview, Standing, Wish};
use crate::viewer::action::Action;
use crate::viewer::layout;
use crate::viewer::session::{ReviewAction as Do, Session, dates};
use crate::viewer::theme::{Theme, size};
use crate::viewer::words::counted;

/// Width of the list at the left, as a share of the window.
const LIST: f32 = 0.36;

/// Least width of what one reader found, points: both stand side by side where there is room.
const LEAST: f32 = 250.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, pictures: &mut [Picture; 2]) -> Vec<Action> {
    let width = ui.max_rect().width() * LIST;
    let left = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        super::sheet::messages(ui, session, theme, actions);
        list(ui, session, theme, actions);
    };
    let main = &mut |ui: &mut Ui, actions: &mut Vec<Action>| match session.review().chosen_with_standing() {
        Some((exam, standing)) => one(ui, exam, standing, session, theme, pictures, actions),
        None => {
            ui.label(heavy("Choose an exam", size::FINDING, theme.text));
            measured(ui, |ui| {
                plain(
                    ui,
                    "As a reviewer you see another reader's reading of an exam once your own reading of it is saved, and not before: \
                     not here, not on the distance line, not in any list.",
                    theme.quiet,
                );
            });
        }
    };
    // Where the parts stand below one another, an exam that is looked at stands above the list.
    if layout::is_narrow(ui.max_rect().width()) && session.review().chosen().is_some() {
        return parts(ui, theme, None, main, Some((width, left)));
    }
    parts(ui, theme, Some((width, left)), main, None)
}

fn list(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let review = session.review();
    ui.label(heavy("Second reading", size::FINDING, theme.text));
    let Some(who) = session.onlooker() else {
        super::sheet::who_and_by_what(ui, session, theme, actions);
        return;
    };
    choices(ui, |ui| {
        plain(ui, format!("{} reads as", who.reader), theme.quiet);
        for role in Role::ALL {
            if chip(ui, theme, who.role == role, role.words(), &format!("role: {}", role.words())) {
                actions.push(Do::SetRole(role).into());
            }
        }
    });
    plain(ui, "On a shared folder a role is a convention, not access control; what is enforced is the signature.", theme.quiet);
    rule(ui, theme);
    ui.label(heavy(format!("Awaiting your reading: {}", review.waiting().len()), size::BODY, theme.text));
    choices(ui, |ui| {
        for (drawn, text) in [(false, "by date"), (true, "in a drawn order")] {
            if chip(ui, theme, review.drawn().is_some() == drawn, text, &format!("order: {text}")) {
                actions.push(Do::Draw(drawn).into());
            }
        }
        if let Some(seed) = review.drawn() {
            plain(ui, format!("seed {seed}"), theme.quiet);
        }
    });
    choices(ui, |ui| {
        for (same, text) in [(false, "frames of my choice"), (true, "the first reader's frames")] {
            if chip(ui, theme, review.same_frames() == same, text, &format!("frames: {text}")) {
                actions.push(Do::SameFrames(same).into());
            }
        }
    });
    if review.same_frames() {
        plain(ui, "For studies of placement alone: you learn which frames were chosen, and nothing else until all are read.", theme.quiet);
    }
    if review.waiting().is_empty() {
        let words = if who.role == Role::Reviewer {
            "Nothing waits for you. An exam stands here once another reader has saved a reading of it."
        } else {
            "Exams wait for reviewers. Choose \"reviewer\" above if you read second here."
        };
        plain(ui, words, theme.quiet);
    }
    for waiting in review.waiting() {
        let date = waiting.exam_date.map_or_else(|| "no date".to_owned(), dates::show);
        let age = waiting.age.clone().unwrap_or_else(|| "not dated".into());
        ui.horizontal_wrapped(|ui| {
            let done = match (waiting.frames.len(), waiting.read.len()) {
                (0, _) => String::new(),
                (all, read) => format!(" · {read} of {all} frames read"),
            };
            plain(ui, format!("{date} · {age}{done}"), theme.text);
            let named = egui::Button::new("Read it");
            if ui.add(named).on_hover_text(format!("exam {}", waiting.exam)).clicked() {
                actions.push(Do::Read(waiting.exam.clone()).into());
            }
        });
    }
    rule(ui, theme);
    ui.label(heavy("Exams that you may see", size::BODY, theme.text));
    for (exam, standing) in review.listed() {
        let date = exam.date().map_or_else(|| "no date".to_owned(), dates::show);
        let here = review.chosen().is_some_and(|c| c.exam == exam.exam);
        let colour = if here { theme.on_button } else { theme.text };
        let whose = exam.readings.first().map_or_else(String::new, |r| super::due::who(Some(&r.patient)));
        let text = format!("{date} · {whose}\n{} · {}", exam.readers().join(", "), standing.words());
        ui.with_layout(egui::Layout::top_down_justified(egui::Align::Min), |ui| {
            if ui.add(egui::Button::selectable(here, RichText::new(text).color(colour)).wrap()).clicked() {
                actions.push(Do::Choose(exam.exam.clone()).into());
            }
        });
    }
    if review.exams().is_empty() {
        plain(ui, "None yet.", theme.quiet);
    }
    for fault in review.faults() {
        plain(ui, format!("Not a record: {fault}"), theme.alarm);
    }
}

fn one(
    ui: &mut Ui,
    exam: &ExamReview,
    standing: &Standing,
    session: &Session,
    theme: &Theme,
    pictures: &mut [Picture; 2],
    actions: &mut Vec<Action>,
) {
    let date = exam.date().map_or_else(|| "no date".to_owned(), dates::show);
    ui.label(heavy(format!("{date}: {}", standing.words()), size::FINDING, theme.text));
    if let Some(first) = exam.readings.first() {
        plain(ui, super::strip::record_patient_words(&first.patient), theme.quiet);
    }
    rule(ui, theme);
    if session.onlooker().is_none() {
        return;
    }
    // Side by side, so that what is to be done about them stays in sight below.
    let read: Vec<_> = exam.readers().into_iter().enumerate().filter_map(|(i, r)| Some((i, r, exam.deciding(r)?))).collect();
    in_columns(ui, LEAST, &read, |ui, (i, reader, reading)| {
        ui.label(heavy(format!("{}: {reader}", if *i == 0 { "First reader" } else { "Second reader" }), size::BODY, theme.text));
        plain(ui, reading.headline.clone(), theme.text);
        plain(ui, reading.finding_words.clone(), theme.text);
        let count = exam.readings.iter().filter(|r| r.reader == *reader).count();
        if let Some(mark) = &reading.second {
            plain(ui, mark.words(), theme.quiet);
        }
        plain(ui, format!("{} read; saved {}", counted(count, "frame"), saved_words(reading)), theme.quiet);
        ui.add_space(6.0);
    });
    let compared = session.sides();
    let discordant = compared.as_ref().is_some_and(|(c, _)| c.discordant());
    if let Some((comparison, sides)) = &compared {
        rule(ui, theme);
        ui.horizontal(|ui| {
            ui.label(heavy("How they compare", size::BODY, theme.text));
            if chip(ui, theme, session.review().near(), "from near", "landmarks from near") {
                actions.push(Do::Near.into());
            }
        });
        super::compare::show(ui, sides, theme, pictures, session.review().near());
        let sentences: Vec<String> = comparison.words().iter().map(|s| capital(s)).collect();
        measured(ui, |ui| plain(ui, sentences.join(" "), if discordant { theme.warn } else { theme.text }));
    }
    plain(ui, "Stored images only; the acquisition was not checked again.", theme.quiet);
    rule(ui, theme);
    steps(ui, exam, compared.is_some(), discordant, standing, session, theme, actions);
    if !exam.steps.is_empty() {
        rule(ui, theme);
        ui.label(heavy("What was done", size::BODY, theme.text));
        for step in &exam.steps {
            let when = step.saved_at.get(..16).map_or_else(String::new, |t| t.replace('T', " "));
            plain(ui, format!("{when}: {} by {}, {}", step.step.words(), step.by, step.role.words()), theme.text);
            if let Some(reason) = step.step.reason() {
                plain(ui, format!("\"{reason}\""), theme.quiet);
            }
        }
    }
}

fn saved_words(reading: &ReadingRecord) -> String {
    reading.saved_at.get(..16).map_or_else(String::new, |t| t.replace('T', " "))
}

#[expect(clippy::too_many_arguments, reason = "one place shows all that may be done, by all that decides it")]
fn steps(
    ui: &mut Ui,
    exam: &ExamReview,
    twice: bool,
    discordant: bool,
    standing: &Standing,
    session: &Session,
    theme: &Theme,
    actions: &mut Vec<Action>,
) {
    let review = session.review();
    let Some(who) = session.onlooker() else { return };
    ui.label(heavy("What now", size::BODY, theme.text));
    if let Some(said) = review.said() {
        plain(ui, said, theme.lead);
    }
    if twice {
        plain(
            ui,
            if discordant {
                "They differ in finding or side: settle it together, or return the first reading."
            } else {
                "They come to the same finding and side."
            },
            theme.text,
        );
    }
    let second = exam.readers().iter().skip(1).any(|r| **r == who.reader);
    if twice && second && !discordant && ui.button("Agree: the first stands").clicked() {
        actions.push(Do::Take(Wish::Agree).into());
    }
    let (edited, response) = field(ui, "reason", review.reason(), "the reason for a step below", ui.available_width().min(520.0));
    // Asked by key: the field takes the keys once for each time.
    let asked = egui::Id::unique("reason asked for");
    if ui.data(|d| d.get_temp::<u64>(asked)).unwrap_or_default() != review.wants_reason() {
        ui.data_mut(|d| d.insert_temp(asked, review.wants_reason()));
        response.request_focus();
        response.scroll_to_me(None);
    }
    if let Some(text) = edited {
        actions.push(Do::TypeReason(text).into());
    }
    let reason = review.reason().trim().to_owned();
    let mut act = |what: Do| actions.push(what.into());
    if twice {
        ui.horizontal_wrapped(|ui| {
            plain(ui, "For that reason:", theme.quiet);
            if second && !discordant && ui.button("Amend: the second stands").clicked() {
                act(Do::Take(Wish::Amend { reason: reason.clone() }));
            }
            if ui.button("Return to the first reader").clicked() {
                act(Do::Take(Wish::Return { reason: reason.clone() }));
            }
        });
        let readers = exam.readers();
        if let Some(other) = readers.iter().find(|r| **r != who.reader) {
            ui.horizontal_wrapped(|ui| {
                plain(ui, format!("For that reason, settled together with {other}:"), theme.quiet);
                for (place, words) in ["the first stands", "the second stands"].into_iter().enumerate().take(readers.len()) {
                    if ui.button(words).clicked() {
                        act(Do::SettleOn(place));
                    }
                }
                if ui.button("scan again").clicked() {
                    let settlement = Settlement::ScanAgain;
                    act(Do::Take(Wish::Settle { with: (*other).to_owned(), settlement, reason: reason.clone() }));
                }
            });
        }
    }
    if matches!(standing, Standing::Signed) {
        plain(ui, "Signed and unchanged since.", theme.text);
    } else {
        match exam.stands() {
            Ok(stands) => {
                plain(
                    ui,
                    format!("What stands now: {} of {}.", counted(stands.len(), "reading"), stands.first().map_or("nobody", |r| &r.reader)),
                    theme.text,
                );
                if who.role == Role::Trainee {
                    plain(ui, "A trainee cannot sign.", theme.warn);
                } else {
                    ui.horizontal_wrapped(|ui| {
                        if main_button(ui, theme, true, "Sign what stands", 150.0).clicked() {
                            act(Do::Take(Wish::Sign));
                        }
                    });
                }
            }
            Err(why) => {
                plain(ui, format!("Nothing can be signed yet: {why}."), theme.warn);
            }
        }
    }
    let typed = secret_field(ui, theme, "passphrase of your key", review.passphrase(), "passphrase, if your key is sealed", 260.0);
    if let Some(text) = typed {
        actions.push(Do::TypePassphrase(text).into());
    }
}
