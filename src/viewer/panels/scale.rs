//! The scale part of the case sheet: what it is, what speaks for and against it, a decision, and the scale set by hand.

use egui::{RichText, Ui};

use super::context::{choices, field};
use super::plain;
use crate::calibrate::cross::{Agreement, ScaleLine};
use crate::calibrate::header::survey;
use crate::reading::Distance;
use crate::viewer::action::Action;
use crate::viewer::session::{Outcome, ScaleAction as Do, Session, SourceFile};
use crate::viewer::theme::{Theme, size};

/// Draws it; what the reader did is added to `actions`.
pub(super) fn show(ui: &mut Ui, session: &Session, file: &SourceFile, theme: &Theme, actions: &mut Vec<Action>) {
    match session.outcome() {
        Outcome::Read(r) => {
            match &r.distance {
                Distance::Measured(m) => {
                    plain(ui, m.scale.calibration.words(), theme.text);
                    for w in &m.scale.warnings {
                        plain(ui, w.clone(), theme.warn);
                    }
                }
                Distance::NoScale { reason } => {
                    plain(ui, reason.clone(), theme.alarm);
                }
            }
            for l in &r.scale_lines {
                one(ui, l, theme);
            }
            if !r.unresolved.is_empty() {
                decide(ui, session, theme, actions);
            }
        }
        _ => match session.work().os.map(|os| session.scale_at(os)) {
            Some(Some(c)) => {
                plain(ui, c.words(), theme.text);
            }
            Some(None) => {
                plain(ui, "No scale where the os is marked.", theme.alarm);
            }
            None => {
                plain(ui, "The scale is looked up where the landmarks lie.", theme.quiet);
            }
        },
    }
    let work = session.work();
    if work.scale.resolved.is_some() && ui.button("Take back the decision about the scale").clicked() {
        actions.push(Action::Scale(Do::Unresolve));
    }
    let no_region = survey(&file.geometry).regions.iter().all(|r| r.reason().is_some());
    if no_region && file.geometry.pixel_spacing_row_column.is_some() {
        let mut yes = work.consent.is_some();
        let text = "Use Pixel Spacing alone, on my word that it is a true scale";
        if ui.checkbox(&mut yes, RichText::new(text).color(theme.text)).changed() {
            actions.push(Action::Consent(yes));
        }
    }
    let contradicted = matches!(session.outcome(), Outcome::Read(r) if !r.unresolved.is_empty());
    if no_region || contradicted || work.scale.hand.is_some() || survey(&file.geometry).refused.is_some() {
        by_hand(ui, session, file, theme, actions);
    }
}

fn one(ui: &mut Ui, l: &ScaleLine, theme: &Theme) {
    let colour = match (l.agreement, l.serious) {
        (_, true) => theme.alarm,
        (Agreement::Inconsistent, _) => theme.warn,
        _ => theme.quiet,
    };
    ui.add(egui::Label::new(RichText::new(format!("{}: {}", l.agreement.word(), l.text)).size(size::SMALL).color(colour)).wrap());
}

/// A person's decision for the file's scale.
fn decide(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    plain(
        ui,
        "Compare the file's scale with the marks in the picture. If it is right all the same, say why; it stands in the record.",
        theme.text,
    );
    let (edited, _) = field(ui, "why the scale is right", session.scale().reason(), "why the scale is right", ui.available_width() - 4.0);
    if let Some(text) = edited {
        actions.push(Action::Scale(Do::TypeReason(text)));
    }
    if ui.button("Use the file's scale for this reason").clicked() {
        actions.push(Action::Scale(Do::Resolve));
    }
}

/// Setting the scale on the marks in the picture.
fn by_hand(ui: &mut Ui, session: &Session, file: &SourceFile, theme: &Theme, actions: &mut Vec<Action>) {
    let say = |actions: &mut Vec<Action>, what| actions.push(Action::Scale(what));
    if let Some(hand) = &session.work().scale.hand {
        let from = if hand.taken_from.is_some() { ", taken over from another picture" } else { "" };
        plain(ui, format!("Set by hand by {} on {} ticks{from}.", hand.by, hand.ruler.ticks.len()), theme.text);
        if ui.button("Remove it").clicked() {
            say(actions, Do::RemoveHand);
        }
        return;
    }
    let ruler = session.scale().ruler();
    match (&ruler.found, ruler.picking, ruler.first) {
        (None, false, _) => {
            choices(ui, |ui| {
                if ui.button("Set the scale by hand on the ticks in the picture").clicked() {
                    say(actions, Do::PickRuler);
                }
                for key in session.hand_scales_to_take_over().into_iter().take(3) {
                    let name = key.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                    let text = format!("Take over the scale set on {name}, frame {}", key.number);
                    if ui.button(text).on_hover_text("same size and source").clicked() {
                        say(actions, Do::TakeOver(key));
                    }
                }
            });
        }
        (None, true, first) => {
            let text = if first.is_none() {
                "Click the middle of one tick of the ruler."
            } else {
                "Click the middle of another tick of the same ruler; those between are found."
            };
            plain(ui, text, theme.lead);
            if ui.button("Leave off").clicked() {
                say(actions, Do::PutRulerDown);
            }
        }
        (Some(found), ..) => {
            plain(
                ui,
                format!("{} ticks found; they are marked on the picture. How far is it from the first to the last?", found.ticks.len()),
                theme.lead,
            );
            let (edited, response) = field(ui, "distance with its unit", &ruler.distance, "such as 5 cm", 140.0);
            if let Some(text) = edited {
                say(actions, Do::TypeDistance(text));
            }
            if file.geometry.pixel_aspect_vertical_horizontal.is_none() {
                let mut yes = ruler.square;
                let text = "The pixels are square, on my word (the file does not say; 2 % is added across the ruler)";
                if ui.checkbox(&mut yes, RichText::new(text).color(theme.text)).changed() {
                    say(actions, Do::SquarePixels(yes));
                }
            }
            if let Some(mm) = ruler.asked_mm {
                let mut yes = ruler.confirmed;
                let text = format!("The picture really is {mm:.0} mm on its longer side");
                if ui.checkbox(&mut yes, RichText::new(text).color(theme.warn)).changed() {
                    say(actions, Do::ConfirmField(yes));
                }
            }
            let entered = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            choices(ui, |ui| {
                if ui.button("Set the scale").clicked() || entered {
                    say(actions, Do::SetByHand);
                }
                if ui.button("Pick another ruler").clicked() {
                    say(actions, Do::PickRuler);
                }
                if ui.button("Leave off").clicked() {
                    say(actions, Do::PutRulerDown);
                }
            });
        }
    }
}
