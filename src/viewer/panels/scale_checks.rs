//! The page on which a scanner's scale is checked on a phantom: the frame with the pins that were found, the result, where the
//! pins lie off the fit, and the history of every scanner.

use egui::{Color32, FontId, Pos2, Rect, RichText, Sense, Stroke, Ui, pos2, vec2};

use super::context::{chip, choices};
use super::picture::{Picture, Showing};
use super::{Side, beside, heavy, instead_of_a_picture, main_button, middle, plain, rule};
use crate::guideline::capital;
use crate::phantom::{Check, Note, Verdict};
use crate::plot::residuals::residual_map;
use crate::plot::scale_trend::scale_trend;
use crate::scanners::{Due, Listed};
use crate::viewer::action::Action;
use crate::viewer::session::{FrameKey, ScaleAction as Do, Session, dates};
use crate::viewer::theme::{Theme, over_frame, size};
use crate::viewer::words::counted;

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, picture: &mut Picture) -> Vec<Action> {
    let mut actions = Vec::new();
    let width = size::sheet(ui.max_rect().width()) + size::GAP;
    beside(ui, theme, Side::Right, "scale checks", width, |ui| {
        ui.set_width(ui.available_width() - 6.0);
        super::sheet::messages(ui, session, theme, &mut actions);
        check(ui, session, theme, &mut actions);
        rule(ui, theme);
        history(ui, session, theme);
    });
    middle(ui, theme, |ui| canvas(ui, session, picture));
    actions
}

fn check(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let scale = session.scale();
    ui.label(heavy("Scale check on a phantom", size::FINDING, theme.text));
    plain(
        ui,
        "Open frames of a distance phantom, say which it is, and check each frame. The files' own scale is compared with the places of the pins.",
        theme.quiet,
    );
    ui.add_space(4.0);
    choices(ui, |ui| {
        for p in scale.phantoms() {
            let on = scale.phantom().is_some_and(|c| c.id == p.id);
            if chip(ui, theme, on, &p.id, &format!("phantom: {}", p.name)) {
                actions.push(Action::Scale(Do::ChoosePhantom(p.id.clone())));
            }
        }
    });
    match scale.phantom() {
        None => plain(ui, "Which phantom? None is chosen for you.", theme.warn),
        Some(p) => plain(ui, format!("{}. {}", p.name, p.note), theme.quiet),
    };
    ui.add_space(4.0);
    choices(ui, |ui| {
        if ui.button("Open files").clicked() {
            actions.push(Action::PickFiles);
        }
        if ui.button("Frame before").clicked() {
            actions.push(Action::StepFrame(-1));
        }
        if ui.button("Frame after").clicked() {
            actions.push(Action::StepFrame(1));
        }
    });
    let text = match (session.picture(), scale.phantom()) {
        (None, _) => "Open a frame first",
        (_, None) => "Choose the phantom first",
        _ => "Check the frame that is shown",
    };
    let ready = session.picture().is_some() && scale.phantom().is_some() && !scale.busy();
    if main_button(ui, theme, ready, text, ui.available_width()).clicked() {
        actions.push(Action::Scale(Do::CheckFrame));
    }
    if scale.busy() {
        plain(ui, "Looking for the pins", theme.lead);
    }
    if let Some(why) = scale.fault() {
        plain(ui, why, theme.alarm);
    }
    if let Some(words) = scale.kept() {
        plain(ui, words, theme.text);
    }
    for (i, now) in scale.checked().iter().enumerate() {
        let name = now.key.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        ui.horizontal_wrapped(|ui| {
            plain(ui, format!("{name}: {} pins", now.check.matching.pairs.len()), theme.text);
            if ui.small_button("take out").clicked() {
                actions.push(Action::Scale(Do::DropFrame(i)));
            }
        });
        for note in &now.check.notes {
            plain(ui, note.words(), if matches!(note, Note::MirrorNotSeen) { theme.quiet } else { theme.warn });
        }
    }
    result(ui, session, theme, actions);
}

fn result(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let scale = session.scale();
    let (Some(all), Some(tolerance)) = (scale.together(), scale.tolerance()) else { return };
    rule(ui, theme);
    let colour = |v: Verdict| match v {
        Verdict::Within => theme.text,
        Verdict::Action => theme.warn,
        Verdict::Defect => theme.alarm,
    };
    ui.add(egui::Label::new(heavy(format!("Scale {}", all.verdict().words()), size::FINDING, colour(all.verdict()))).wrap());
    let half = all.half_widths();
    for (k, axis) in [(1, "Down"), (0, "Across")] {
        let a = all.axes[k];
        let way = if all.error[k] >= 0.0 { "long" } else { "short" };
        let reaches = if a.borderline { "; its interval reaches the next limit" } else { "" };
        let text = format!(
            "{axis}: reads {:.2} ± {:.2} % {way}, {:+.2} mm over {:.0} mm. {} by the limits named below, {} by per cent alone{reaches}.",
            100.0 * all.error[k].abs(),
            100.0 * half[k],
            a.error_mm,
            a.over_mm,
            capital(a.published.words()),
            a.by_percent.words()
        );
        plain(ui, text, colour(a.verdict()));
    }
    plain(ui, format!("Limits: {} ({})", tolerance.name, tolerance.source.provenance), theme.quiet);
    plain(ui, "A phantom says nothing about the speed of sound in a patient: that part of a reading's error stays.", theme.quiet);
    // The frame that is shown, or else the last that was checked; by its name, so that nobody takes one for the other.
    let of_shown = scale.checked().iter().find(|c| session.current() == Some(&c.key));
    if let Some(c) = of_shown.or(scale.checked().last()) {
        let now = &c.check;
        fit_in_words(ui, &c.key.path.file_name().unwrap_or_default().to_string_lossy(), now, theme);
        let width = ui.available_width();
        let size_of = session.picture().map_or([1.0, 1.0], |f| [f64::from(f.width), f64::from(f.height)]);
        let height = (width * 0.8).min(300.0);
        let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, "where each pin lies off the fit"));
        super::line::draw(ui, rect, &residual_map(&now.fit, size_of, width.into(), height.into(), size::SMALL.into()), theme);
    }
    if ui.button("Add this check to the history").clicked() {
        actions.push(Action::Scale(Do::Keep));
    }
}

fn fit_in_words(ui: &mut Ui, name: &str, c: &Check, theme: &Theme) {
    let f = &c.fit;
    let mut text = format!(
        "{name}: turned by {:.1}°, sheared by {:.2} %; pins scatter by {:.2} mm across and {:.2} mm down.",
        f.rotation_degrees,
        100.0 * f.shear,
        f.sd_mm[0],
        f.sd_mm[1]
    );
    if let Some(l) = f.local {
        text.push_str(&format!(
            " The scale differs over it by ±{:.2} % across and ±{:.2} % down.",
            100.0 * l.half_range[0],
            100.0 * l.half_range[1]
        ));
    }
    ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(theme.quiet)).wrap());
}

/// The check of the frame that is shown, if it was checked.
fn shown(session: &Session) -> Option<&Check> {
    let key: &FrameKey = session.current()?;
    session.scale().checked().iter().find(|c| c.key == *key).map(|c| &c.check)
}

fn history(ui: &mut Ui, session: &Session, theme: &Theme) {
    let scale = session.scale();
    let Some(today) = scale.today().or_else(|| scale.history().checks().last().map(|c| c.checked_on)) else { return };
    ui.label(heavy("Scanners", size::FINDING, theme.text));
    let listed = scale.history().scanners(today);
    if listed.is_empty() {
        plain(ui, "No scanner was ever checked.", theme.quiet);
    }
    for Listed { scanner, checks, due } in &listed {
        let invented = checks.iter().all(|c| c.invented);
        let mark = if invented { " (invented, of the sample)" } else { "" };
        ui.add(egui::Label::new(heavy(format!("{}{mark}", scanner.words()), size::BODY, theme.text)).wrap());
        match due {
            Due::On(d) => plain(ui, format!("Next check due {}", dates::show(*d)), theme.quiet),
            Due::Overdue(d) => plain(ui, format!("Overdue since {}", dates::show(*d)), theme.warn),
        };
        if let Some(tolerance) = scale.tolerance() {
            let (width, height) = (ui.available_width(), 170.0);
            let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
            response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, "error of the scale over time"));
            super::line::draw(ui, rect, &scale_trend(checks, tolerance, width.into(), height.into(), size::SMALL.into()), theme);
        }
        for c in checks.iter().rev().take(4) {
            let text = format!(
                "{}: down {:+.2} ± {:.2} %, across {:+.2} ± {:.2} %, {}, by {}",
                dates::show(c.checked_on),
                100.0 * c.error[1],
                196.0 * c.u[1],
                100.0 * c.error[0],
                196.0 * c.u[0],
                c.verdict().words(),
                c.by
            );
            ui.add(egui::Label::new(RichText::new(text).size(size::SMALL).color(theme.quiet)).wrap());
        }
        ui.add_space(6.0);
    }
    for fault in &scale.history().damaged {
        plain(ui, format!("Not a check that can be trusted: {fault}"), theme.alarm);
    }
    let missing = scale.history().missing().len();
    if missing > 0 {
        let are = if missing == 1 { "is" } else { "are" };
        plain(ui, format!("{} that others follow {are} not here.", counted(missing, "check")), theme.alarm);
    }
}

/// The frame with what was found in it.
fn canvas(ui: &mut Ui, session: &Session, picture: &mut Picture) {
    let rect = ui.available_rect_before_wrap();
    ui.painter().rect_filled(rect, 2.0, over_frame::CANVAS);
    let (Some(key), Some(frame)) = (session.current(), session.picture()) else {
        let text = session.picture_error().unwrap_or("No frame is open: open frames of a phantom, at the right");
        instead_of_a_picture(ui, rect, text);
        return;
    };
    let texture = picture.of(ui, key, frame, Showing::default());
    let size_px = vec2(frame.width as f32, frame.height as f32);
    let tallness = session.file().map_or(1.0, |f| f.tallness()) as f32;
    let fit = (rect.width() / size_px.x).min(rect.height() / (size_px.y * tallness));
    let drawn = Rect::from_center_size(rect.center(), vec2(size_px.x * fit, size_px.y * fit * tallness));
    let painter = ui.painter().with_clip_rect(rect);
    painter.image(texture.id(), drawn, Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0)), Color32::WHITE);
    let Some(check) = shown(session) else { return };
    let at = |x: f64, y: f64| -> Pos2 { drawn.min + vec2(x as f32 * fit, y as f32 * fit * tallness) };
    for pin in &check.found {
        painter.circle_stroke(at(pin.at.x, pin.at.y), 7.0, Stroke::new(1.0, over_frame::QUIET));
    }
    for r in &check.fit.residuals {
        let (ink, width) = if r.kept { (over_frame::END_OF_WALL, 2.0) } else { (over_frame::EDGE, 2.0) };
        painter.circle_stroke(at(r.at.x, r.at.y), 7.0, Stroke::new(width, ink));
        let name = (r.pin + 1).to_string();
        painter.text(at(r.at.x, r.at.y) + vec2(9.0, -9.0), egui::Align2::LEFT_CENTER, name, FontId::proportional(11.0), over_frame::WORDS);
    }
}
