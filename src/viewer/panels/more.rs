//! The less common questions about an exam, behind one part that opens; and the checklist of accreta signs.

use egui::{RichText, Ui};

use super::context::{Question, asked_for, chip, choices, field, question};
use super::{heavy, plain, steady};
use crate::context::{AccretaSign, Answer, CordInsertion, DatedBy, Heaviness, Presentation, WhichPlacenta};
use crate::sheet::entered;
use crate::viewer::action::{Action, ContextChange};
use crate::viewer::session::{ExamState, MoreChange, PlanAction, Session, Typed, dates};
use crate::viewer::theme::{Theme, size};

/// What the commonest questions ask, by the names that [`entered`] gives.
const COMMON: [&str; 10] = [
    "route",
    "bladder",
    "contraction",
    "bleeding",
    "pain or contractions",
    "placenta",
    "previous caesareans",
    "other uterine surgery",
    "Doppler over the os",
    "low earlier in this pregnancy",
];

fn say(actions: &mut Vec<Action>, change: MoreChange) {
    actions.push(Action::Context(ContextChange::More(change)));
}

macro_rules! ask {
    ($ui:expr, $theme:expr, $actions:expr, $asked:literal, $now:expr, $t:ident, $change:ident) => {{
        let answers: Vec<($t, &str)> = $t::ALL.iter().map(|v| (*v, v.words())).collect();
        let q = Question { asked: $asked, now: $now, answers: &answers, unknown: $t::Unknown, pressing: false };
        question($ui, $theme, &q, |v| ContextChange::More(MoreChange::$change(v)), $actions);
    }};
}

/// A field that is typed, with its unit and what is wrong with it.
fn typed(ui: &mut Ui, theme: &Theme, exam: &ExamState, what: (Typed, &str, &'static str, f32), stated: bool, actions: &mut Vec<Action>) {
    let (which, name, unit, width) = what;
    let text = exam.form.more.get(&which).map_or("", String::as_str);
    choices(ui, |ui| {
        asked_for(ui, name, stated, false, theme);
        if let (Some(text), _) = field(ui, name, text, "", width) {
            say(actions, MoreChange::Type(which, text));
        }
        if !unit.is_empty() {
            ui.label(RichText::new(unit).size(size::SMALL).color(theme.quiet));
        }
    });
    if let Some(why) = which.fault(text) {
        plain(ui, why, theme.alarm);
    }
}

/// The part that opens.
pub(super) fn show(ui: &mut Ui, session: &Session, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let c = &exam.context;
    let all = entered(c);
    let stated = all.stated.iter().filter(|(what, _)| !COMMON.contains(what)).count();
    let open = session.planning().more();
    let link = match (open, stated) {
        (true, _) => "Fewer questions (Shift + U)".to_owned(),
        (false, 0) => "More questions (Shift + U): cervix, vessel, head, cord, fetuses, earlier measurements".to_owned(),
        (false, n) => format!("More questions (Shift + U): {n} answered"),
    };
    let response = ui.link(RichText::new(link).color(theme.lead));
    if steady::clicked(ui, &response, "more questions") {
        actions.push(Action::Plan(PlanAction::ToggleMore));
    }
    if !open {
        return;
    }
    ask!(ui, theme, actions, "due date rests on", c.dated_by, DatedBy, DatedBy);
    ask!(ui, theme, actions, "transvaginal scan declined", c.transvaginal_declined, Answer, Declined);
    typed(ui, theme, exam, (Typed::Cervix, "cervical length", "mm", 50.0), c.cervical_length_mm.is_some(), actions);
    typed(ui, theme, exam, (Typed::Vessel, "nearest vessel to the os", "mm", 50.0), c.vessel_to_os_mm.is_some(), actions);
    ask!(ui, theme, actions, "presentation", c.presentation, Presentation, Presentation);
    typed(ui, theme, exam, (Typed::Station, "head station", "cm, − above the spines", 40.0), c.head_station_cm.is_some(), actions);
    ask!(ui, theme, actions, "cord insertion", c.cord_insertion, CordInsertion, Cord);
    ask!(ui, theme, actions, "extra lobe", c.extra_lobe, Answer, ExtraLobe);
    typed(ui, theme, exam, (Typed::Fetuses, "fetuses", "", 40.0), c.fetuses.is_some(), actions);
    if c.fetuses.is_some_and(|n| n > 1) {
        ask!(ui, theme, actions, "which placenta", c.which_placenta, WhichPlacenta, Which);
    }
    ask!(ui, theme, actions, "assisted conception", c.assisted_conception, Answer, Assisted);
    ask!(ui, theme, actions, "RhD negative", c.rhd_negative, Answer, Rhd);
    bleeds(ui, exam, theme, actions);
    elsewhere(ui, exam, theme, actions);
    checklist(ui, exam, theme, actions);
}

fn bleeds(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let c = &exam.context;
    typed(ui, theme, exam, (Typed::Episodes, "bleeding episodes", "in all", 40.0), c.episodes().is_some(), actions);
    for (i, bleed) in c.bleeds.iter().enumerate() {
        choices(ui, |ui| {
            let on = bleed.on.map_or_else(|| "day not known".to_owned(), dates::show);
            ui.label(RichText::new(format!("{on}, {}", bleed.heaviness.words())).color(theme.text));
            if ui.add(egui::Button::new(RichText::new("remove").size(size::SMALL))).clicked() {
                say(actions, MoreChange::RemoveBleed(i));
            }
        });
    }
    let text = exam.form.more.get(&Typed::BleedDate).map_or("", String::as_str);
    choices(ui, |ui| {
        ui.label(RichText::new("add one of").color(theme.quiet));
        if let (Some(text), _) = field(ui, "day of a bleeding episode", text, "2031-02-01", 92.0) {
            say(actions, MoreChange::Type(Typed::BleedDate, text));
        }
        for heaviness in Heaviness::ALL.iter().filter(|h| !h.not_stated()) {
            if chip(ui, theme, false, heaviness.words(), &format!("add a bleeding episode: {}", heaviness.words())) {
                say(actions, MoreChange::AddBleed(*heaviness));
            }
        }
    });
    if let Some(why) = Typed::BleedDate.fault(text) {
        plain(ui, why, theme.alarm);
    }
}

fn elsewhere(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    for (i, one) in exam.context.measured_elsewhere.iter().enumerate() {
        choices(ui, |ui| {
            let d = one.signed_mm.get();
            let what = if d < 0.0 { format!("overlap of {} mm", -d) } else { format!("{d} mm from the os") };
            let on = one.on.map(|d| format!(", {}", dates::show(d))).unwrap_or_default();
            let by = if one.by.is_empty() { String::new() } else { format!(", {}", one.by) };
            ui.add(egui::Label::new(RichText::new(format!("elsewhere: {what}{on}{by}")).color(theme.text)).wrap());
            if ui.add(egui::Button::new(RichText::new("remove").size(size::SMALL))).clicked() {
                say(actions, MoreChange::RemoveElsewhere(i));
            }
        });
    }
    let text = |t: Typed| exam.form.more.get(&t).map_or("", String::as_str);
    choices(ui, |ui| {
        ui.label(RichText::new("measured elsewhere").color(theme.quiet));
        for (which, name, hint, width) in [
            (Typed::ElsewhereMm, "distance measured elsewhere", "mm, − is overlap", 112.0),
            (Typed::ElsewhereDate, "its day", "2031-02-01", 92.0),
            (Typed::ElsewhereBy, "where or by whom", "where", 92.0),
        ] {
            if let (Some(text), _) = field(ui, name, text(which), hint, width) {
                say(actions, MoreChange::Type(which, text));
            }
        }
        if chip(ui, theme, false, "add", "add the distance measured elsewhere") {
            say(actions, MoreChange::AddElsewhere);
        }
    });
    for which in [Typed::ElsewhereMm, Typed::ElsewhereDate] {
        if let Some(why) = which.fault(text(which)) {
            plain(ui, why, theme.alarm);
        }
    }
    if !exam.context.measured_elsewhere.is_empty() {
        plain(ui, "Without a known error it is shown, and nothing follows from it.", theme.quiet);
    }
}

/// The checklist of accreta signs: recorded, never scored.
pub(super) fn checklist(ui: &mut Ui, exam: &ExamState, theme: &Theme, actions: &mut Vec<Action>) {
    let c = &exam.context;
    ui.add_space(4.0);
    ui.label(heavy("Accreta signs seen", size::BODY, theme.text));
    ask!(ui, theme, actions, "accreta in an earlier pregnancy", c.previous_accreta, Answer, PreviousAccreta);
    choices(ui, |ui| {
        for sign in AccretaSign::ALL {
            let on = c.accreta_signs.contains(&sign);
            let colour = if on { theme.on_button } else { theme.text };
            let button =
                egui::Button::selectable(on, RichText::new(sign.words()).size(size::SMALL).color(colour)).frame_when_inactive(true);
            let response = ui.add(button).on_hover_text(format!("{} (from memory)", sign.definition()));
            response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, on, format!("accreta sign: {}", sign.words())));
            if steady::clicked(ui, &response, sign.words()) {
                say(actions, MoreChange::Sign(sign));
            }
        }
    });
    ask!(ui, theme, actions, "all of them looked for", c.accreta_assessed, Answer, Assessed);
    plain(ui, "Recorded, not scored. No signs does not exclude accreta. Descriptors from memory: EW-AIP, Collins 2016.", theme.quiet);
}
