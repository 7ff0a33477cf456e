//! The page of the second reader.

use egui::{RichText, Ui, vec2};

use super::context::{chip, choices, field};
use super::picture::Picture;
use super::{Side, beside, heavy, middle, plain, rule, sheet_of};
use crate::record::{ReadingRecord, Role, Settlement};
use crate::review::{ExamReview, Standing, Wish};
use crate::viewer::action::Action;
use crate::viewer::session::{ReviewAction as Do, Session, dates};
use crate::viewer::theme::{Theme, size};

/// Width of the list at the left, as a share of the window.
const LIST: f32 = 0.36;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, pictures: &mut [Picture; 2]) -> Vec<Action> {
    let mut actions = Vec::new();
    let width = ui.max_rect().width() * LIST;
    beside(ui, theme, Side::Left, "review list", width, |ui| list(ui, session, theme, &mut actions));
    middle(ui, theme, |ui| {
        sheet_of(ui, theme, "review", |ui| {
            super::sheet::messages(ui, session, theme, &mut actions);
            match session.review().chosen_with_standing() {
                Some((exam, standing)) => one(ui, exam, standing, session, theme, pictures, &mut actions),
                None => {
                    ui.label(heavy("Choose an exam", size::FINDING, theme.text));
                    plain(
                        ui,
                        "As a reviewer you see another reader's reading of an exam once your own reading of it is saved, and not before: \
                         not here, not on the distance line, not in any list.",
                        theme.quiet,
                    );
                }
            }
        });
    });
    actions
}

fn list(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let review = session.review();
    ui.label(heavy("Second reading", size::FINDING, theme.text));
    let Some(who) = session.onlooker() else {
        plain(ui, "Name the reader first (F2, case sheet).", theme.warn);
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
        let text = format!("{date} · {} · {}", exam.readers().join(", "), standing.words());
        ui.with_layout(egui::Layout::top_down_justified(egui::Align::Min), |ui| {
            if ui.add(egui::Button::selectable(here, RichText::new(text).color(colour)).truncate()).clicked() {
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
    for (i, reader) in exam.readers().into_iter().enumerate() {
        if let Some(reading) = exam.deciding(reader) {
            ui.label(heavy(format!("{}: {reader}", if i == 0 { "First reader" } else { "Second reader" }), size::BODY, theme.text));
            plain(ui, reading.headline.clone(), theme.text);
            plain(ui, reading.finding_words.clone(), theme.text);
            let count = exam.readings.iter().filter(|r| r.reader == reader).count();
            if let Some(mark) = &reading.second {
                plain(ui, mark.words(), theme.quiet);
            }
            plain(ui, format!("{count} {} read; saved {}", if count == 1 { "frame" } else { "frames" }, saved_words(reading)), theme.quiet);
            ui.add_space(6.0);
        }
    }
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
        for sentence in comparison.words() {
            plain(ui, sentence, if discordant { theme.warn } else { theme.text });
        }
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
    let (edited, response) = field(ui, "reason", review.reason(), "the reason, where a step needs one", ui.available_width().min(520.0));
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
        plain(
            ui,
            if discordant {
                "They differ in finding or side: settle it together, or return the first reading."
            } else {
                "They come to the same finding and side."
            },
            theme.text,
        );
        ui.horizontal_wrapped(|ui| {
            let second = exam.readers().iter().skip(1).any(|r| **r == who.reader);
            if second && !discordant && ui.button("Agree: the first stands").clicked() {
                act(Do::Take(Wish::Agree));
            }
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
                plain(ui, format!("Settled together with {other}:"), theme.quiet);
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
                    format!("What stands now: {} reading(s) of {}.", stands.len(), stands.first().map_or("nobody", |r| &r.reader)),
                    theme.text,
                );
                if who.role == Role::Trainee {
                    plain(ui, "A trainee cannot sign.", theme.warn);
                } else {
                    ui.horizontal_wrapped(|ui| {
                        let button = egui::Button::new(heavy("Sign what stands", size::BODY, theme.on_button))
                            .fill(theme.button)
                            .min_size(vec2(150.0, 32.0));
                        if ui.add(button).clicked() {
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
    let (edited, _) =
        super::context::secret_field(ui, "passphrase of your key", review.passphrase(), "passphrase, if your key is sealed", 300.0);
    if let Some(text) = edited {
        actions.push(Do::TypePassphrase(text).into());
    }
}
