//! The page of practice: levels, scores and charts; and the case sheet of the case on its desk.

use egui::{Grid, RichText, Role, ScrollArea, Sense, Ui, WidgetInfo, vec2};

use super::context::{chip, choices, field, secret_field};
use super::{heavy, main_button, measured, parts, plain, row, rule};
use crate::plot::distance_line::Room;
use crate::practice::{KINDER, Reason, error_words};
use crate::viewer::action::Action;
use crate::viewer::session::{Of, Outcome, PracticeAction as Do, PracticeCase, Session};
use crate::viewer::theme::{Theme, size};

/// Width of the part with the levels, as a share of the window.
const LEFT: f32 = 0.36;
/// Height of the charts, points.
const CHARTS: f32 = 400.0;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let width = ui.max_rect().width() * LEFT;
    let left = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        super::sheet::messages(ui, session, theme, actions);
        course(ui, session, theme, actions);
        assessment(ui, session, theme, actions);
    };
    let main = &mut |ui: &mut Ui, actions: &mut Vec<Action>| scores(ui, session, theme, actions);
    parts(ui, theme, Some((width, left)), main, None)
}

fn course(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let practice = session.practice();
    ui.label(heavy("Practice", size::FINDING, theme.text));
    plain(ui, KINDER, theme.warn);
    if session.reader().is_empty() || session.chosen_table().is_none() {
        rule(ui, theme);
        super::sheet::who_and_by_what(ui, session, theme, actions);
        rule(ui, theme);
    }
    Grid::new("levels").num_columns(3).spacing(vec2(14.0, 3.0)).show(ui, |ui| {
        let small = |text: String| RichText::new(text).size(size::SMALL).color(theme.quiet);
        for title in ["level", "answered", "done well"] {
            ui.label(small(title.into()));
        }
        ui.end_row();
        for &(level, answered, well) in &practice.summed().levels {
            let text = format!("{} {}", level.number(), level.words());
            if chip(ui, theme, practice.level() == level, &text, &format!("level {}: {}", level.number(), level.words())) {
                actions.push(Do::ChooseLevel(level).into());
            }
            ui.label(small(answered.to_string()));
            ui.label(small(well.to_string()));
            ui.end_row();
        }
    });
    plain(ui, practice.level().about(), theme.quiet);
    ui.add_space(6.0);
    ui.horizontal(|ui| {
        let text = if practice.known().open { "Go on with the open case" } else { "Next case" };
        if main_button(ui, theme, true, text, 150.0).on_hover_text("Page Down").clicked() {
            actions.push(Do::Next.into());
        }
        if practice.busy() {
            plain(ui, "The frame is being made.", theme.quiet);
        }
    });
    if practice.known().open {
        plain(ui, "A case stays open until it is answered: hard ones cannot be passed over.", theme.quiet);
    }
    if practice.known().own_left > 0 && ui.button(format!("Next own case ({} left)", practice.known().own_left)).clicked() {
        actions.push(Do::NextOwn.into());
    }
}

fn assessment(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let practice = session.practice();
    rule(ui, theme);
    ui.label(heavy("Assessment", size::BODY + 1.0, theme.text));
    plain(ui, "Taken blind: nothing is said of an answer before the lead has marked all of them.", theme.quiet);
    let (edited, response) = field(ui, "folder of the assessment", practice.typed_set(), "the folder that holds set.json", 260.0);
    if let Some(text) = edited {
        actions.push(Do::TypeSet(text).into());
    }
    let entered = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
    if ui.button("Take it, or go on with it").clicked() || entered {
        actions.push(Do::TakeSet.into());
    }
    if let Some(name) = practice.to_hand_in() {
        plain(ui, format!("All cases of {name} are answered."), theme.text);
        if let Some(text) = secret_field(ui, theme, "passphrase of your key", practice.passphrase(), "only if your key is sealed", 220.0) {
            actions.push(Do::TypePassphrase(text).into());
        }
        if main_button(ui, theme, true, "Sign and hand in", 150.0).clicked() {
            actions.push(Do::HandIn.into());
        }
    }
    if let Some(said) = practice.said() {
        plain(ui, said, theme.lead);
    }
    plain(ui, "A lead freezes and marks assessments by command: osspan assessment.", theme.quiet);
}

fn scores(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let summed = session.practice().summed();
    ui.label(heavy("Learning curve", size::FINDING, theme.text));
    if let Some(course) = &summed.course {
        let curve = &course.curve;
        let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), CHARTS), Sense::hover());
        let room = Room { width: f64::from(rect.width()), height: f64::from(rect.height()), letters: f64::from(size::SMALL) };
        super::line::draw(ui, rect, &curve.shapes(room), theme);
        let well = curve.cases.iter().filter(|c| c.well).count();
        let spoken = format!("Learning curve: {} cases, {well} done well", curve.cases.len());
        response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken.clone()));
    } else {
        plain(ui, "It is drawn from your first answered case on. Choose a level and take the next case.", theme.quiet);
    }
    measured(ui, |ui| under_the_curve(ui, session, theme, actions));
}

/// The figures in words, and what may follow from them.
fn under_the_curve(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let practice = session.practice();
    let summed = practice.summed();
    if let Some(course) = &summed.course {
        for line in &course.charts {
            plain(ui, line, theme.text);
        }
        rule(ui, theme);
        ui.label(heavy("Scores of the course", size::BODY + 1.0, theme.text));
        for line in &course.scores {
            plain(ui, line, theme.text);
        }
    }
    for fault in &practice.known().faults {
        plain(ui, format!("Not an answered case: {fault}"), theme.alarm);
    }
    if !summed.own.is_empty() {
        rule(ui, theme);
        ui.label(heavy("Own cases, apart: truth is what readers agreed on", size::BODY + 1.0, theme.text));
        for line in &summed.own {
            plain(ui, line, theme.text);
        }
    }
    rule(ui, theme);
    let placement = &practice.known().placement;
    plain(ui, placement.words(), theme.text);
    let mut yes = placement.consent.given_at.is_some();
    let text = "My own placement may widen my clinical readings; it never narrows them";
    if ui.checkbox(&mut yes, RichText::new(text).color(theme.text)).changed() {
        actions.push(Do::Consent(yes).into());
    }
}

/// The case sheet of a practice case: marked as one, with the instrument's own parts. `desk` is the session of the case.
pub fn case_sheet(ui: &mut Ui, whole: &Session, desk: &Session, theme: &Theme) -> Vec<Action> {
    let mut actions = Vec::new();
    let Some(case) = desk.practice_case() else { return actions };
    // In a low window (large letters) only the answer's buttons stay in place.
    let low = ui.available_height() < super::sheet::LOW;
    let bare = || egui::Frame::new();
    if !low {
        egui::Panel::top("practice case").frame(bare()).show_separator_line(false).resizable(false).show(ui, |ui| {
            case_head(ui, whole, desk, case, theme, &mut actions);
        });
    }
    if case.shown.is_none() {
        egui::Panel::bottom("answer").frame(bare()).show_separator_line(false).resizable(false).show(ui, |ui| {
            rule(ui, theme);
            answer(ui, case, theme, &mut actions);
            if !low {
                reasons(ui, case, theme, &mut actions);
            }
        });
    }
    ScrollArea::vertical().id_salt("practice sheet").auto_shrink([false, false]).show(ui, |ui| {
        ui.set_width(ui.available_width() - 6.0);
        if low {
            if case.shown.is_none() {
                reasons(ui, case, theme, &mut actions);
            }
            case_head(ui, whole, desk, case, theme, &mut actions);
        }
        if let Some(shown) = &case.shown {
            marked(ui, case, &shown.0.marked, &shown.1.why, theme, &mut actions);
            return;
        }
        super::sheet::head(ui, desk, theme, &mut actions);
        rule(ui, theme);
        row(ui, theme, "Side", |ui| super::sheet::side(ui, desk, theme, &mut actions));
        row(ui, theme, "Landmarks", |ui| super::sheet::landmarks(ui, desk, theme, &mut actions));
        rule(ui, theme);
        row(ui, theme, "Scale", |ui| scale(ui, desk, theme));
        plain(ui, "Invented for the finding: 33 weeks, transvaginal, bladder and contraction yours to judge.", theme.quiet);
    });
    actions
}

/// That it is practice, and what the sonographer wrote.
fn case_head(ui: &mut Ui, whole: &Session, desk: &Session, case: &PracticeCase, theme: &Theme, actions: &mut Vec<Action>) {
    super::sheet::messages(ui, whole, theme, actions);
    super::sheet::messages(ui, desk, theme, actions);
    let frame = egui::Frame::new().fill(theme.well).stroke(egui::Stroke::new(2.0, theme.warn)).inner_margin(8.0);
    frame.show(ui, |ui| {
        ui.set_width(ui.available_width());
        ui.label(heavy(format!("PRACTICE: {}", case.title()), size::BODY + 1.0, theme.warn));
        plain(ui, "No patient. Nothing here becomes a clinical record.", theme.text);
    });
    ui.add_space(4.0);
    plain(ui, &case.note, theme.text);
    rule(ui, theme);
}

/// The scale as in the clinic, without what sets another one: a practice frame has the one of its file, or none.
fn scale(ui: &mut Ui, desk: &Session, theme: &Theme) {
    match desk.outcome() {
        Outcome::Read(r) => {
            for l in &r.scale_lines {
                plain(ui, l.text.clone(), theme.text);
            }
        }
        _ => {
            plain(ui, "The scale is looked up where the landmarks lie.", theme.quiet);
        }
    }
}

/// The ways to answer.
fn answer(ui: &mut Ui, case: &PracticeCase, theme: &Theme, actions: &mut Vec<Action>) {
    if case.busy {
        plain(ui, "The answer is being marked.", theme.quiet);
        return;
    }
    ui.horizontal_wrapped(|ui| {
        if main_button(ui, theme, true, "Submit reading", 150.0).on_hover_text("S").clicked() {
            actions.push(Action::Save);
        }
        let text = if case.reasons { "Read it after all" } else { "Do not read it" };
        if ui.button(text).on_hover_text("Shift + X").clicked() {
            actions.push(Do::ToggleReasons.into());
        }
    });
}

/// Why the frame is not read, when it is not; and the way back to the course.
fn reasons(ui: &mut Ui, case: &PracticeCase, theme: &Theme, actions: &mut Vec<Action>) {
    if case.busy {
        return;
    }
    if case.reasons {
        plain(ui, "Why not?", theme.text);
        choices(ui, |ui| {
            for (i, reason) in Reason::ALL.into_iter().enumerate() {
                let text = format!("{} {}", i + 1, reason.words());
                if chip(ui, theme, false, &text, &format!("not read: {}", reason.words())) {
                    actions.push(Do::Reject(reason).into());
                }
            }
        });
    }
    if ui.link(RichText::new("To the course (Esc); the case stays open").color(theme.lead)).clicked() {
        actions.push(Do::PutAway.into());
    }
}

/// What came of the answer.
fn marked(ui: &mut Ui, case: &PracticeCase, m: &crate::practice::Marked, why: &[String], theme: &Theme, actions: &mut Vec<Action>) {
    let words = error_words(m);
    let ink = if m.well { theme.text } else { theme.warn };
    for (i, line) in words.iter().enumerate() {
        if i == 0 {
            ui.add(egui::Label::new(heavy(line, size::FINDING, ink)).wrap());
        } else {
            plain(ui, line, theme.text);
        }
    }
    rule(ui, theme);
    ui.label(heavy("Why", size::BODY, theme.text));
    for line in why {
        plain(ui, line, theme.text);
    }
    plain(ui, "Squares on the frame are the true places; dotted lines lead there from yours.", theme.quiet);
    rule(ui, theme);
    plain(ui, if case.of == Of::Own { "Truth here is what readers agreed on." } else { KINDER }, theme.warn);
    ui.add_space(4.0);
    let next = if case.of == Of::Own { Do::NextOwn } else { Do::Next };
    ui.horizontal(|ui| {
        if main_button(ui, theme, true, "Next case", 150.0).on_hover_text("Page Down").clicked() {
            actions.push(next.into());
        }
    });
    if ui.button("To the course and the learning curve").on_hover_text("Esc").clicked() {
        actions.push(Do::PutAway.into());
    }
}
