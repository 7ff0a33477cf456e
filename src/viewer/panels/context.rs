//! What is known of the exam, in the case sheet: one click an answer, and nothing answered by default.

use egui::{RichText, TextEdit, Ui};

use super::{plain, steady};
use crate::context::{Answer, Bladder, Bleeding, Contraction, DopplerOverOs, Limits, PlacentalPosition, Route};
use crate::viewer::action::{Action, ContextChange, Field};
use crate::viewer::session::{ExamState, SourceFile, dates};
use crate::viewer::theme::{Theme, size};

/// A choice that is on or off, named for those who cannot see where it stands.
pub(super) fn chip(ui: &mut Ui, theme: &Theme, on: bool, text: &str, name: &str) -> bool {
    let colour = if on { theme.on_button } else { theme.text };
    let response = ui.add(egui::Button::selectable(on, RichText::new(text).size(size::SMALL).color(colour)).frame_when_inactive(true));
    let role = egui::Role::Button;
    response.widget_info(|| egui::WidgetInfo::selected(role, true, on, name));
    in_view(&response);
    if response.has_focus() {
        // On a chosen one the library shows no focus.
        ui.painter().rect_stroke(response.rect.expand(1.0), 4.0, theme.focus(), egui::StrokeKind::Outside);
    }
    steady::clicked(ui, &response, name)
}

/// A row of choices, wrapped where it is full.
pub(super) fn choices<R>(ui: &mut Ui, contents: impl FnOnce(&mut Ui) -> R) {
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = egui::vec2(5.0, 3.0);
        ui.spacing_mut().button_padding.x = 7.0;
        contents(ui);
    });
}

/// A line of words and links, wrapped where it is full and no higher than its letters.
pub(super) fn words_in_a_row(ui: &mut Ui, contents: impl FnOnce(&mut Ui)) {
    ui.scope(|ui| {
        ui.spacing_mut().interact_size.y = 0.0;
        choices(ui, contents);
    });
}

/// One question with its answers.
pub(super) struct Question<'a, T> {
    pub(super) asked: &'a str,
    pub(super) now: T,
    pub(super) answers: &'a [(T, &'a str)],
    pub(super) unknown: T,
    /// Whether a missing answer is pointed out.
    pub(super) pressing: bool,
}

/// Draws a question. A second click on an answer takes it back.
pub(super) fn question<T: Copy + PartialEq>(
    ui: &mut Ui,
    theme: &Theme,
    q: &Question<'_, T>,
    make: impl Fn(T) -> ContextChange,
    actions: &mut Vec<Action>,
) {
    choices(ui, |ui| {
        asked_for(ui, q.asked, q.now != q.unknown, q.pressing, theme);
        for (answer, words) in q.answers.iter().filter(|(a, _)| *a != q.unknown) {
            let on = *answer == q.now;
            if chip(ui, theme, on, words, &format!("{}: {words}", q.asked)) {
                actions.push(Action::Context(make(if on { q.unknown } else { *answer })));
            }
        }
    });
}

macro_rules! ask {
    ($ui:expr, $theme:expr, $actions:expr, $asked:literal, $now:expr, $t:ident, $change:ident) => {{
        let answers: Vec<($t, &str)> = $t::ALL.iter().map(|v| (*v, v.words())).collect();
        let q = Question { asked: $asked, now: $now, answers: &answers, unknown: $t::Unknown, pressing: true };
        question($ui, $theme, &q, ContextChange::$change, $actions);
    }};
}

/// What belongs to the frame: bladder and contraction.
pub(super) fn frame_questions(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let c = &exam.context;
    ask!(ui, theme, actions, "bladder", c.bladder, Bladder, Bladder);
    ask!(ui, theme, actions, "contraction", c.contraction, Contraction, Contraction);
}

/// What belongs to the exam.
pub(super) fn exam_questions(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let c = &exam.context;
    plain(ui, "? = not stated; nothing is assumed for it", theme.quiet);
    ask!(ui, theme, actions, "route", c.route, Route, Route);
    let endocavitary = |f: &SourceFile| f.facts.transducer_type.as_deref().is_some_and(|t| t.to_ascii_uppercase().contains("ENDOCAV"));
    if c.route == Route::Unknown && exam.files.iter().any(endocavitary) {
        plain(ui, "The file names an endocavitary transducer; the route is still yours to state.", theme.quiet);
    }
    dating(ui, exam, theme, actions);
    ask!(ui, theme, actions, "bleeding", c.bleeding, Bleeding, Bleeding);
    ask!(ui, theme, actions, "pain or contractions", c.pain_or_contractions, Answer, Pain);
    ask!(ui, theme, actions, "placenta", c.placental_position, PlacentalPosition, Position);
    caesareans(ui, exam, theme, actions);
    ask!(ui, theme, actions, "other uterine surgery", c.other_uterine_surgery, Answer, OtherSurgery);
    ask!(ui, theme, actions, "Doppler over the os", c.doppler_over_os, DopplerOverOs, Doppler);
    ask!(ui, theme, actions, "low earlier in this pregnancy", c.earlier_low_placenta, Answer, EarlierLow);
}

/// What gets the keyboard comes into view.
fn in_view(response: &egui::Response) {
    if response.gained_focus() {
        response.scroll_to_me(None);
    }
}

/// The id of a field that a key goes to.
#[must_use]
pub fn field_id(field: Field) -> egui::Id {
    egui::Id::unique(("field", field))
}

/// A field of one line, by name; returns the text when it was changed.
pub(super) fn field(ui: &mut Ui, name: &str, text: &str, hint: &'static str, width: f32) -> (Option<String>, egui::Response) {
    line_of(ui, name, text, |edit| edit.hint_text(hint).desired_width(width))
}

pub(super) fn line_of(
    ui: &mut Ui,
    name: &str,
    text: &str,
    make: impl FnOnce(TextEdit<'_>) -> TextEdit<'_>,
) -> (Option<String>, egui::Response) {
    let mut edited = text.to_owned();
    let response = ui.add(make(TextEdit::singleline(&mut edited))).accessible_name(name);
    in_view(&response);
    ((response.changed() && edited != text).then_some(edited), response)
}

/// As [`field`], for what nobody beside the reader should see: dots, until the reader asks to see what was typed. An emptied field
/// has dots again.
pub(super) fn secret_field(ui: &mut Ui, theme: &Theme, name: &str, text: &str, hint: &'static str, width: f32) -> Option<String> {
    let id = egui::Id::unique(("shown", name));
    let shown = !text.is_empty() && ui.data(|d| d.get_temp::<bool>(id)).unwrap_or_default();
    let (mut edited, mut turned) = (None, false);
    choices(ui, |ui| {
        (edited, _) = line_of(ui, name, text, |edit| edit.hint_text(hint).password(!shown).desired_width(width));
        turned = chip(ui, theme, shown, "show", &format!("show the {name}"));
    });
    ui.data_mut(|d| d.insert_temp(id, shown != (turned && !text.is_empty())));
    edited
}

fn dating(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let form = &exam.form;
    choices(ui, |ui| {
        asked_for(ui, "exam date", exam.context.exam_date.is_some(), true, theme);
        if let (Some(text), _) = field(ui, "exam date", &form.exam_date, "YYYY-MM-DD", 104.0) {
            actions.push(Action::Context(ContextChange::ExamDate(text)));
        }
    });
    fault(ui, dates::parse(&form.exam_date), theme);
    choices(ui, |ui| {
        asked_for(ui, "dating", exam.context.dating.is_some(), true, theme);
        for (last, words) in [(false, "due date"), (true, "last period")] {
            let on = form.is_last_period == last;
            if chip(ui, theme, on, words, &format!("dating by {words}")) && !on {
                actions.push(Action::Context(ContextChange::DatingIsLastPeriod(last)));
            }
        }
        let name = if form.is_last_period { "last period" } else { "due date" };
        let id = field_id(Field::Dating);
        if let (Some(text), _) = line_of(ui, name, &form.dating, |edit| edit.id(id).hint_text("YYYY-MM-DD").desired_width(104.0)) {
            actions.push(Action::Context(ContextChange::DatingDate(text)));
        }
    });
    fault(ui, dates::parse(&form.dating), theme);
    if exam.context.dating.is_some() && exam.context.exam_date.is_some() {
        match exam.context.gestational_age() {
            Ok(age) => {
                plain(ui, format!("{age} at this exam"), theme.text);
            }
            Err(e) => {
                plain(ui, e.message(), theme.alarm);
            }
        }
    }
}

fn caesareans(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let typed = &exam.form.caesareans;
    choices(ui, |ui| {
        asked_for(ui, "previous caesareans", exam.context.previous_caesareans.is_some(), true, theme);
        let few = ["0", "1", "2"];
        for n in few {
            let on = typed.trim() == n;
            if chip(ui, theme, on, n, &format!("previous caesareans: {n}")) {
                let text = if on { String::new() } else { n.to_owned() };
                actions.push(Action::Context(ContextChange::Caesareans(text)));
            }
        }
        let more = if few.contains(&typed.trim()) { "" } else { typed };
        if let (Some(text), _) = field(ui, "previous caesareans", more, "more", 54.0) {
            actions.push(Action::Context(ContextChange::Caesareans(text)));
        }
    });
    if let Err(why) = Limits::CAESAREANS.count::<u8>(typed) {
        plain(ui, why.message(), theme.alarm);
    }
}

/// What is asked; while nothing is stated it ends in a question mark.
pub(super) fn asked_for(ui: &mut Ui, text: &str, stated: bool, pressing: bool, theme: &Theme) {
    let text = if stated { text.to_owned() } else { format!("{text} ?") };
    let colour = if stated || !pressing { theme.quiet } else { theme.warn };
    whole(ui, RichText::new(text).color(colour));
}

pub(super) fn not_stated(ui: &mut Ui, theme: &Theme) {
    whole(ui, RichText::new("not stated").size(size::SMALL).color(theme.warn));
}

/// A label that is not broken in two, unless the sheet is too narrow for it.
fn whole(ui: &mut Ui, text: RichText) {
    let label = egui::Label::new(text);
    ui.add(if ui.max_rect().width() > 240.0 { label.extend() } else { label.wrap() });
}

fn fault<T>(ui: &mut Ui, parsed: Result<T, String>, theme: &Theme) {
    if let Err(why) = parsed {
        plain(ui, why, theme.alarm);
    }
}
