//! The case sheet: reads from top to bottom like a report, and is where everything but landmarks is stated.

use egui::{Id, Panel, RichText, Ui, vec2};

use super::context::{chip, choices, exam_questions, field_id, frame_questions, line_of, not_stated};
use super::{follows, heavy, plain, row, rule, steady};
use crate::context::{Bladder, Contraction, ExamContext, Route};
use crate::guideline;
use crate::measure::Side;
use crate::plot::Tone;
use crate::reading::{Distance, Measured, Reading};
use crate::sheet::marked;
use crate::viewer::action::{Action, Field, Mark};
use crate::viewer::keys;
use crate::viewer::layout;
use crate::viewer::session::{ExamState, FrameKey, Need, Outcome, PlanAction, SaveState, Session, SourceFile, dates};
use crate::viewer::theme::{Theme, size};

/// Below this height, points, the finding scrolls with the rest of the sheet.
pub(super) const LOW: f32 = 520.0;

/// Draws the case sheet; returns what the reader stated.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    let bare = egui::Frame::new();
    // In a low window (large letters) only saving stays in place; the rest scrolls as one, so that nothing covers another.
    let low = ui.available_height() < LOW;
    if !low {
        Panel::top("finding").frame(bare).show_separator_line(false).resizable(false).show(ui, |ui| {
            messages(ui, session, theme, &mut actions);
            super::unfinished::offer(ui, session, theme, &mut actions);
            head(ui, session, theme, &mut actions);
            rule(ui, theme);
        });
    }
    Panel::bottom("save").frame(bare).show_separator_line(false).resizable(false).show(ui, |ui| {
        rule(ui, theme);
        if !low {
            follows::most_pressing(ui, session, theme);
        }
        save(ui, session, theme, &mut actions);
    });
    let (area, above) = steady::begin(ui.ctx(), session.current());
    let drawn = area.show(ui, |ui| {
        ui.set_width(ui.available_width() - 6.0);
        let top = ui.cursor().top();
        ui.add_space(above);
        if low {
            messages(ui, session, theme, &mut actions);
            super::unfinished::offer(ui, session, theme, &mut actions);
            head(ui, session, theme, &mut actions);
            follows::most_pressing(ui, session, theme);
            rule(ui, theme);
        }
        body(ui, session, theme, &mut actions);
        ui.add_space(steady::below(ui.ctx()));
        top
    });
    steady::end(ui.ctx(), &drawn);
    actions
}

pub(super) fn messages(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    for (i, message) in session.messages().iter().rev().enumerate() {
        egui::Frame::new().fill(theme.well).stroke(egui::Stroke::new(1.0, theme.warn)).corner_radius(4.0).inner_margin(8.0).show(
            ui,
            |ui| {
                ui.set_width(ui.available_width());
                plain(ui, message.clone(), theme.text);
                if i == 0 && ui.small_button("Close (Esc)").clicked() {
                    actions.push(Action::DismissMessage);
                }
            },
        );
        ui.add_space(4.0);
    }
}

/// The distance, the finding, or what is still to do.
pub(super) fn head(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let big = |ui: &mut Ui, text: &str, points: f32, colour| {
        ui.add(egui::Label::new(heavy(text, points, colour)).wrap());
    };
    match session.outcome() {
        Outcome::Nothing => {
            let text = if session.current().is_some() { "No reading yet" } else { "No frame is open" };
            big(ui, text, size::HEADLINE, theme.text);
        }
        Outcome::Lacks(needs) => {
            if let Some(first) = needs.first() {
                plain(ui, "Next", theme.quiet);
                // One line always, and what is done stays: what stands below must not move with each mark.
                big(ui, first.headline(), size::FINDING, theme.text);
                for need in Need::ALL.into_iter().filter(|n| n != first) {
                    let lead = if needs.contains(&need) { "then" } else { "✓" };
                    plain(ui, format!("{lead} {}", need.words()), theme.quiet);
                }
            }
        }
        Outcome::Refused(why) => {
            big(ui, "No distance: what is marked and stated does not fit together", size::FINDING, theme.alarm);
            plain(ui, why.clone(), theme.text);
        }
        Outcome::Read(reading) => {
            // What is urgent stands above the millimetres.
            for urgent in session.plan().iter().flat_map(|p| &p.urgent) {
                big(ui, &marked(&urgent.line), size::BODY, theme.alarm);
            }
            told(ui, session, theme, actions);
            if super::exam::several(session).is_some() {
                plain(ui, "This frame", theme.quiet);
            }
            big(ui, &reading.headline, size::HEADLINE, theme.text);
            if !reading.detail.is_empty() {
                plain(ui, reading.detail.clone(), theme.quiet);
            }
            ui.add_space(4.0);
            big(ui, &reading.finding, size::FINDING - 2.0, theme.tone_text(tone_of(reading)));
            if let Some(table) = session.table() {
                plain(ui, format!("{}, {}", table.name(), table.edition()), theme.quiet);
            }
            if session.reader().is_empty() {
                plain(ui, format!("To save it: {}.", Need::Reader.words()), theme.warn);
            }
            if let Some(text) = session.exam().and_then(|e| still_asked(&e.context)) {
                plain(ui, text, theme.warn);
            }
            if matches!(reading.distance, Distance::Measured(_)) {
                other_tables(ui, session, theme);
            }
            for block in &reading.blocks {
                big(ui, &format!("Cannot be saved. {block}"), size::BODY, theme.alarm);
            }
        }
    }
    super::exam::result(ui, session, theme, actions);
}

/// What of the frame is not stated, with the keys of the commonest answers: the questions themselves may lie out of sight.
fn still_asked(context: &ExamContext) -> Option<String> {
    let asked = [
        (context.route == Route::Unknown, "route (V transvaginal)"),
        (context.bladder == Bladder::Unknown, "bladder (U empty)"),
        (context.contraction == Contraction::Unknown, "contraction (I none)"),
    ];
    let open: Vec<&str> = asked.into_iter().filter_map(|(open, words)| open.then_some(words)).collect();
    (!open.is_empty()).then(|| format!("Not stated: {}", open.join(", ")))
}

/// Who was told of what is urgent, and the way to record it.
fn told(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    for told in session.told() {
        plain(ui, crate::caseload::told_line(told).text, theme.text);
    }
    let saved = session.record_of_current().filter(|_| session.save_state() == SaveState::Saved);
    for urgent in session.open_urgent() {
        match saved {
            Some(stored) => {
                let id = stored.record.id();
                match session.planning().telling().filter(|t| t.reading == id && t.matter == Some(urgent.id)) {
                    Some(telling) => super::due::tell(ui, session, telling, theme, actions),
                    None => {
                        if ui.button(format!("Record who was told: {}", urgent.id.words())).clicked() {
                            actions.push(Action::Plan(PlanAction::AskTold(id.to_owned(), urgent.id)));
                        }
                    }
                }
            }
            None => {
                plain(
                    ui,
                    format!("Not yet recorded as told: {}. Save the reading, then record who was told.", urgent.id.words()),
                    theme.warn,
                );
            }
        }
    }
}

/// Where other tables call this place something else, and where the chosen one was not in effect.
fn other_tables(ui: &mut Ui, session: &Session, theme: &Theme) {
    if let Some(line) = session.table().zip(session.exam()).and_then(|(t, e)| t.out_of_effect(e.context.exam_date)) {
        plain(ui, line.text, theme.warn);
    }
    let others = session.other_tables();
    let said: Vec<_> = others.iter().filter(|o| o.differs || session.why()).collect();
    let nothing = |m: &Measured| matches!(m.finding.outcome, guideline::Outcome::NotApplicable { .. });
    let silent = matches!(session.outcome(), Outcome::Read(r) if matches!(&r.distance, Distance::Measured(m) if nothing(m)));
    if said.is_empty() && !others.is_empty() && !silent {
        plain(ui, "The other guidelines give the same finding.", theme.quiet);
    }
    for other in said {
        plain(ui, marked(&other.line), if other.differs { theme.warn } else { theme.quiet });
    }
}

fn tone_of(reading: &Reading) -> Tone {
    match &reading.distance {
        Distance::Measured(m) => m.finding.nominal_kind().map_or(Tone::Near, crate::plot::distance_line::tone),
        Distance::NoScale { .. } => Tone::Near,
    }
}

fn body(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let set_up = !session.reader().is_empty() && session.table().is_some();
    // Asked first until it is answered, and then in its place until the reader goes to another frame: it must not go from under the
    // pointer.
    let asked_here = Id::unique("reader and guideline were asked for here");
    if !set_up {
        ui.data_mut(|d| d.insert_temp(asked_here, session.current().cloned()));
    }
    let first = !set_up || ui.data(|d| d.get_temp::<Option<FrameKey>>(asked_here)).is_some_and(|at| at.as_ref() == session.current());
    if first {
        who_and_by_what(ui, session, theme, actions);
        rule(ui, theme);
    }
    let (Some(exam), Some(file)) = (session.exam(), session.file()) else { return };
    if session.picture().is_some() {
        row(ui, theme, "Side", |ui| side(ui, session, theme, actions));
        row(ui, theme, "Landmarks", |ui| landmarks(ui, session, theme, actions));
    }
    if session.display().all_readings {
        row(ui, theme, "Readings", |ui| super::aids::list_of_readings(ui, session, theme));
    }
    // Below what is placed and stated: it grows with every frame, and must not push those out of sight.
    super::exam::values(ui, session, theme);
    if session.picture().is_some() {
        super::exam::checklist(ui, session, theme, actions);
        super::exam::more(ui, session, theme, actions);
        rule(ui, theme);
        row(ui, theme, "Scale", |ui| super::scale::show(ui, session, file, theme, actions));
    }
    super::exam::repeatability(ui, session, theme);
    row(ui, theme, "Frame", |ui| frame(ui, session, exam, file, theme, actions));
    row(ui, theme, "Context", |ui| {
        exam_questions(ui, exam, theme, actions);
        if let Some(on) = session.earlier_low_seen() {
            plain(ui, format!("Your reading of {} shows it low or covering: low earlier is a yes.", dates::show(on)), theme.warn);
        }
        super::more::show(ui, session, exam, theme, actions);
    });
    let asks = session.plan().is_some_and(|p| p.now.iter().any(|l| l.row.ends_with("now / accreta")));
    if asks && !session.planning().more() {
        row(ui, theme, "Accreta", |ui| super::more::checklist(ui, exam, theme, actions));
    }
    if let Outcome::Read(reading) = session.outcome() {
        rule(ui, theme);
        follows::next(ui, session, theme, actions);
        follows::cautions(ui, reading, theme);
        follows::why(ui, session, reading, theme, actions);
    }
    if !first {
        rule(ui, theme);
        who_and_by_what(ui, session, theme, actions);
    }
}

pub(super) fn who_and_by_what(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    row(ui, theme, "Reader", |ui| {
        let id = field_id(Field::Reader);
        let (edited, response) = line_of(ui, "reader's name", session.typed_reader(), |e| {
            e.id(id).hint_text("type the name that records carry").desired_width(240.0)
        });
        if let Some(text) = edited {
            actions.push(Action::TypeReader(text));
        }
        if response.lost_focus() {
            actions.push(Action::NameReader);
        }
        // It stays when it is answered: the guidelines below must not move to where another one was.
        let ink = if session.reader().is_empty() { theme.warn } else { theme.quiet };
        plain(ui, "Name yourself once; it is kept for next time.", ink);
    });
    row(ui, theme, "Guideline", |ui| {
        for table in session.tables() {
            let on = session.table().is_some_and(|t| t.id() == table.id());
            let text = RichText::new(format!("{}, {}", table.name(), table.edition())).color(theme.text);
            let response = ui.add(egui::RadioButton::new(on, text));
            if steady::clicked(ui, &response, table.name()) {
                actions.push(Action::ChooseTable(table.id().to_owned()));
            }
        }
        match (session.chosen_table(), session.table()) {
            (None, Some(named)) => {
                plain(ui, format!("{} is named by this sample exam; choose your own for your exams.", named.name()), theme.quiet);
            }
            (None, None) => {
                plain(ui, "None is chosen for you: the bands differ. It is kept for next time.", theme.warn);
            }
            _ => {}
        }
    });
}

pub(super) fn side(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let stated = session.work().side;
    choices(ui, |ui| {
        for s in [Side::NotCovering, Side::Reaches, Side::Covers] {
            let text = format!("{} {}", keys::side_letter(s), s.words());
            if chip(ui, theme, stated == Some(s), &text, &format!("side: {}", s.words())) {
                actions.push(Action::StateSide(s));
            }
        }
        if stated.is_none() {
            not_stated(ui, theme);
        }
    });
}

pub(super) fn landmarks(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let work = session.work();
    choices(ui, |ui| {
        for mark in Mark::ALL {
            let placed = if work.get(mark).is_some() { " ✓" } else { "" };
            let text = format!("{} {}{placed}", keys::letter(mark), mark.words());
            let armed = session.armed() == Some(mark);
            if chip(ui, theme, armed, &text, &format!("place the {}", mark.words())) {
                actions.push(if armed { Action::PutDown } else { Action::Arm(mark) });
            }
        }
    });
    match (session.armed(), session.selected()) {
        (Some(mark), _) => {
            plain(ui, format!("Click the {}, or move the cross by arrows and press Enter.", mark.words()), theme.lead);
        }
        (None, Some(mark)) => {
            choices(ui, |ui| {
                let remove = format!("Remove {}", mark.words());
                let response = ui.add(egui::Button::new(RichText::new(&remove).size(size::SMALL)));
                if steady::clicked(ui, &response, &remove) {
                    actions.push(Action::Remove(mark));
                }
                ui.label(RichText::new("chosen: arrows nudge it").size(size::SMALL).color(theme.quiet));
            });
        }
        (None, None) => {}
    }
}

fn frame(ui: &mut Ui, session: &Session, exam: &ExamState, file: &SourceFile, theme: &Theme, actions: &mut Vec<Action>) {
    let name = file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let number = session.current().map_or(1, |k| k.number);
    let mut text = name;
    if file.frame_count > 1 {
        text.push_str(&format!(" · frame {number} of {}", file.frame_count));
    }
    text.push_str(&format!(" · {} × {} px", file.geometry.columns, file.geometry.rows));
    plain(ui, text, theme.text);
    for w in &file.warnings {
        plain(ui, w.clone(), theme.warn);
    }
    let others = session.readings_by_others();
    if others > 0 {
        plain(ui, format!("{others} reading(s) of this frame by other readers are kept out of sight."), theme.quiet);
    }
    frame_questions(ui, exam, theme, actions);
    if exam.frame_count() > 1 {
        plain(ui, "Bladder and contraction stay as stated from frame to frame of this exam: look at each anew.", theme.quiet);
    }
}

fn save(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let state = session.save_state();
    let unsaved = matches!(state, SaveState::NotSaved | SaveState::ChangedSinceSaved);
    let complete = matches!(session.outcome(), Outcome::Read(_));
    let wanted = unsaved && complete;
    let narrow = layout::is_narrow(ui.ctx().content_rect().width());
    ui.horizontal(|ui| {
        let (fill, ink) = if wanted { (theme.button, theme.on_button) } else { (theme.well, theme.quiet) };
        let button = egui::Button::new(heavy("Save reading", size::BODY + 1.0, ink))
            .fill(fill)
            .min_size(vec2(if narrow { 124.0 } else { 150.0 }, 36.0));
        if ui.add(button).on_hover_text("S").clicked() {
            actions.push(Action::Save);
        }
        ui.vertical(|ui| {
            let record = session.record_of_current().filter(|_| state == SaveState::Saved);
            let text = match (state, record) {
                (SaveState::Saved, Some(r)) => {
                    let folder = r.path.parent().map(|p| p.display().to_string()).unwrap_or_default();
                    format!("saved in {folder}")
                }
                _ if session.reader().is_empty() && wanted => Need::Reader.words().to_owned(),
                _ if unsaved && !complete => "no reading to save yet".to_owned(),
                _ => state.words().to_owned(),
            };
            let colour = if wanted { theme.warn } else { theme.text };
            ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(colour)).truncate());
            if !narrow {
                judgement(ui, theme);
            }
        });
    });
    if narrow {
        judgement(ui, theme);
    }
}

fn judgement(ui: &mut Ui, theme: &Theme) {
    ui.label(RichText::new("supports your judgement only").size(size::SMALL).color(theme.quiet));
}
