//! The page of the agreement study: what is looked at, the plot with its points, and the figures as a table.

use egui::{EventFilter, Grid, Id, Rect, RichText, ScrollArea, Sense, Ui, WidgetInfo, vec2};

use super::context::{chip, choices};
use super::{heavy, line, measured, parts, plain, rule};
use crate::agree::study::{By, Place, Row};
use crate::guideline::capital;
use crate::plot::bland_altman::BlandAltman;
use crate::plot::distance_line::Room;
use crate::viewer::action::Action;
use crate::viewer::page::Page;
use crate::viewer::session::{Agreement, AgreementAction as Do, Chart, Kind, MadeStudy, Session, dates};
use crate::viewer::theme::{Theme, size};
use crate::viewer::words::counted;

/// Width of the list at the left, as a share of the window.
const LIST: f32 = 0.28;
/// How near the pointer must be to a point, points.
const NEAR: f64 = 12.0;

/// The plot among the things that can have the focus.
#[must_use]
pub fn plot_id() -> Id {
    Id::unique("plot of differences")
}

/// Draws the page; returns what the reader did.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) -> Vec<Action> {
    let window = ui.max_rect().size();
    let agreement = session.agreement();
    let left = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        super::sheet::messages(ui, session, theme, actions);
        choices_of(ui, session, theme, actions);
    };
    let main = &mut |ui: &mut Ui, actions: &mut Vec<Action>| {
        let Some(made) = agreement.made() else {
            nothing(ui, agreement, theme, actions);
            return;
        };
        // With the first of the figures in sight below it.
        plot(ui, agreement, theme, (window.y * 0.54).max(300.0), actions);
        point_in_words(ui, agreement, theme, actions);
        rule(ui, theme);
        table(ui, agreement, made, theme);
    };
    parts(ui, theme, Some(((window.x * LIST).max(300.0), left)), main, None)
}

fn nothing(ui: &mut Ui, agreement: &Agreement, theme: &Theme, actions: &mut Vec<Action>) {
    ui.label(heavy("Agreement study", size::FINDING, theme.text));
    if agreement.waiting() {
        plain(ui, "The study is being made …", theme.quiet);
        return;
    }
    measured(ui, |ui| {
        plain(ui, capital(agreement.why_not().unwrap_or("There are no saved readings here yet.")), theme.text);
        plain(
            ui,
            "A study needs frames that two readers read, the second without seeing the first: page second reading (F6). An invented study \
             shows what this page says with data.",
            theme.quiet,
        );
    });
    choices(ui, |ui| {
        if ui.button("Look at the invented study").clicked() {
            actions.push(Do::Invented(true).into());
        }
        if ui.button("To second reading (F6)").clicked() {
            actions.push(Action::ShowPage(Page::SecondReading));
        }
    });
}

fn heading(ui: &mut Ui, theme: &Theme, text: &str) {
    ui.add_space(4.0);
    ui.label(heavy(text, size::BODY, theme.text));
}

fn choices_of(ui: &mut Ui, session: &Session, theme: &Theme, actions: &mut Vec<Action>) {
    let a = session.agreement();
    ui.label(heavy("Agreement study", size::FINDING, theme.text));
    let mut one = |ui: &mut Ui, on: bool, text: &str, name: &str, what: Do| {
        if chip(ui, theme, on, text, name) {
            actions.push(what.into());
        }
    };
    choices(ui, |ui| {
        one(ui, !a.invented(), "saved readings", "readings: saved", Do::Invented(false));
        one(ui, a.invented(), "invented study", "readings: invented", Do::Invented(true));
    });
    choices(ui, |ui| {
        one(
            ui,
            a.not_blinded(),
            "with readings that were not blind",
            "with readings that were not blind",
            Do::NotBlinded(!a.not_blinded()),
        );
        one(ui, a.assisted(), "made with edge assist", "made with edge assist", Do::Assisted(!a.assisted()));
    });
    let Some(made) = a.made() else { return };
    let s = &made.study;
    let counts = format!(
        "{} by {}; {} of {} of {}.",
        counted(s.readings, "reading"),
        counted(s.readers.len(), "reader"),
        counted(s.frames, "frame"),
        counted(s.exams, "exam"),
        counted(s.patients, "patient")
    );
    plain(ui, if made.invented { format!("{counts} All of it is invented.") } else { counts }, theme.quiet);
    if !s.pairs.is_empty() {
        heading(ui, theme, "Readers");
        choices(ui, |ui| {
            for (i, p) in s.pairs.iter().enumerate() {
                let words = format!("{} and {}", p.first, p.second);
                one(ui, i == a.pair_place(), &words, &format!("readers: {words}"), Do::Pair(i));
            }
        });
    }
    heading(ui, theme, "Plot");
    choices(ui, |ui| {
        for chart in Chart::ALL {
            one(ui, a.chart() == chart, chart.words(), &format!("plot: {}", chart.words()), Do::Show(chart));
        }
    });
    if let Some(pair) = a.pair().filter(|_| a.chart() == Chart::Differences) {
        heading(ui, theme, "Which frames");
        choices(ui, |ui| {
            one(ui, a.only().is_none(), "all", "frames: all", Do::Only(None));
            for s in pair.subgroups.iter().filter(|s| s.pairs > 1) {
                let (on, words) = (a.only() == Some(&s.part), s.part.words());
                one(ui, on, &words, &format!("frames: {words}"), Do::Only(Some(s.part.clone())));
            }
        });
        heading(ui, theme, "Tell points apart by");
        choices(ui, |ui| {
            one(ui, a.marks().is_none(), "nothing", "points by: nothing", Do::Marks(None));
            for by in By::ALL {
                one(ui, a.marks() == Some(by), by.words(), &format!("points by: {}", by.words()), Do::Marks(Some(by)));
            }
        });
    }
    heading(ui, theme, "Write");
    choices(ui, |ui| {
        for kind in Kind::ALL {
            one(ui, false, kind.words(), &format!("write: {}", kind.words()), Do::Write(kind));
        }
    });
    if let Some(said) = a.said() {
        plain(ui, said, theme.lead);
    }
    ui.add_space(4.0);
    under_the_choices(ui, made, theme);
}

/// What is not in the figures, and what they rest on.
fn under_the_choices(ui: &mut Ui, made: &MadeStudy, theme: &Theme) {
    let s = &made.study;
    let left: Vec<String> = s.left_out.reasons().into_iter().filter(|(n, _)| *n > 0).map(|(n, why)| format!("{n} {why}")).collect();
    if !left.is_empty() {
        plain(ui, format!("Left out: {}.", left.join("; ")), theme.quiet);
    }
    for fault in &made.faults {
        plain(ui, format!("Not a record: {fault}"), theme.alarm);
    }
    plain(
        ui,
        "Limits of agreement suppose differences that are normal and as wide at every distance; both are tested, and what speaks \
         against them is said above the figures.",
        theme.quiet,
    );
}

fn plot(ui: &mut Ui, a: &Agreement, theme: &Theme, height: f32, actions: &mut Vec<Action>) {
    if let Some(forest) = a.forest() {
        ScrollArea::vertical().id_salt("parts").max_height(height).show(ui, |ui| {
            let width = ui.available_width();
            let tall = forest.height(f64::from(size::SMALL)) as f32;
            let (rect, response) = ui.allocate_exact_size(vec2(width, tall), Sense::hover());
            let spoken: Vec<String> = forest.groups.iter().map(|g| format!("{}: {:.2}", g.name, g.value)).collect();
            response.widget_info(|| WidgetInfo::labeled(egui::Role::Image, true, format!("{}. {}", forest.of, spoken.join("; "))));
            line::draw(ui, rect, &forest.shapes(room_of(rect)), theme);
        });
        return;
    }
    let Some(plot) = a.plot().filter(|_| a.chart() == Chart::Differences) else {
        plain(ui, "No two readers read frames in common with a signed distance each.", theme.text);
        return;
    };
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let response = ui.interact(rect, plot_id(), Sense::click_and_drag());
    let spoken = format!(
        "Differences against means, {}: bias {:+.2} mm, limits of agreement {:+.2} and {:+.2} mm",
        plot.of, plot.bias.at_mm, plot.lower.at_mm, plot.upper.at_mm
    );
    response.widget_info(|| WidgetInfo::labeled(egui::Role::Image, true, spoken.clone()));
    if response.has_focus() {
        let stay = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, stay));
        ui.painter().rect_stroke(rect, 2.0, egui::Stroke::new(1.0, theme.lead), egui::StrokeKind::Inside);
    }
    let room = room_of(rect);
    steer(ui, plot, &response, rect, room, actions);
    line::draw(ui, rect, &plot.shapes(room), theme);
    if let Some(at) = response.hover_pos().map(|p| within(rect, p))
        && let Some((point, place)) = plot.nearest(room, at, NEAR).and_then(|i| a.point(i))
    {
        let words = format!(
            "{}\n{:.1} and {:.1} mm, difference {:+.1} mm",
            exam_words(place),
            point.first_mm,
            point.second_mm,
            point.first_mm - point.second_mm
        );
        response.on_hover_text_at_pointer(words);
    }
}

fn room_of(rect: Rect) -> Room {
    Room { width: f64::from(rect.width()), height: f64::from(rect.height()), letters: f64::from(size::SMALL) }
}

fn within(rect: Rect, at: egui::Pos2) -> [f64; 2] {
    [f64::from(at.x - rect.min.x), f64::from(at.y - rect.min.y)]
}

/// Drag moves, the wheel brings nearer, a click chooses, a double click goes to the exam.
fn steer(ui: &Ui, plot: &BlandAltman, response: &egui::Response, rect: Rect, room: Room, actions: &mut Vec<Action>) {
    let plane = plot.plane(room);
    if response.dragged() {
        let by = response.drag_delta();
        let (means, differences) = plane.mm_per_point();
        if by != egui::Vec2::ZERO {
            let view = plot.shown().moved(-f64::from(by.x) * means, f64::from(by.y) * differences);
            actions.push(Do::Look(view).into());
        }
    }
    if let Some(at) = response.hover_pos().map(|p| within(rect, p)) {
        let wheel = ui.input(|i| i.smooth_scroll_delta().y);
        if wheel != 0.0 {
            actions.push(Do::Look(plot.shown().zoomed(libm::exp(f64::from(wheel) / 300.0), plane.mm(at))).into());
            // What brings the plot nearer does not move the page as well.
            ui.input_mut(|i| i.smooth_scroll_delta.y = 0.0);
        }
    }
    if response.clicked() || response.double_clicked() {
        response.request_focus();
        let found = response.interact_pointer_pos().and_then(|p| plot.nearest(room, within(rect, p), NEAR));
        actions.push(Do::Choose(found).into());
        if response.double_clicked() && found.is_some() {
            actions.push(Do::OpenExam.into());
        }
    }
}

fn exam_words(place: &Place) -> String {
    let date = place.exam_date.map_or_else(|| "no date".to_owned(), dates::show);
    let age = place.age.clone().unwrap_or_else(|| "not dated".into());
    format!("Exam of {date}, {age}, frame {}", place.frame.frame_number)
}

/// The chosen point in words, and the buttons that do what the keys do.
fn point_in_words(ui: &mut Ui, a: &Agreement, theme: &Theme, actions: &mut Vec<Action>) {
    if a.chart() != Chart::Differences || a.plot().is_none() {
        return;
    }
    ui.horizontal_wrapped(|ui| {
        for (text, what) in [("point before", Do::Step(-1)), ("point after", Do::Step(1))] {
            if ui.button(text).clicked() {
                actions.push(what.into());
            }
        }
        if ui.button("whole plot").clicked() {
            actions.push(Do::Whole.into());
        }
        if a.chosen().is_some() && ui.button("Go to its exam").clicked() {
            actions.push(Do::OpenExam.into());
        }
    });
    match a.chosen().and_then(|i| a.point(i)) {
        Some((point, place)) => {
            let changed = match point.changed {
                Some(true) => "; the findings differ",
                Some(false) => "; the same finding",
                None => "",
            };
            let words = format!(
                "{}: {:.1} and {:.1} mm, difference {:+.1} mm{changed}.",
                exam_words(place),
                point.first_mm,
                point.second_mm,
                point.first_mm - point.second_mm
            );
            plain(ui, words, theme.text);
        }
        None => {
            plain(ui, "Point at a frame, or go from one to the next with the arrow keys.", theme.quiet);
        }
    }
}

fn table(ui: &mut Ui, a: &Agreement, made: &MadeStudy, theme: &Theme) {
    let own = a.pair().map(|p| format!("{} and {}", p.first, p.second));
    let rows: Vec<Row> = made.study.rows();
    // The pair that is looked at, then what is of all.
    let first = rows.iter().filter(|r| own.as_ref() == Some(&r.who));
    let pairs: Vec<String> = made.study.pairs.iter().map(|p| format!("{} and {}", p.first, p.second)).collect();
    let rest = rows.iter().filter(|r| !pairs.contains(&r.who));
    ScrollArea::horizontal().id_salt("figures").auto_shrink([false, true]).show(ui, |ui| {
        // What must be said beside the figures stands before them.
        measured(ui, |ui| {
            for warning in &made.study.warnings {
                plain(ui, warning.clone(), theme.warn);
            }
        });
        ui.spacing_mut().interact_size.y = 18.0;
        Grid::new("figures").num_columns(4).spacing(vec2(18.0, 2.0)).striped(true).show(ui, |ui| {
            let small = |text: String, colour| RichText::new(text).size(size::SMALL).color(colour);
            for title in ["figure", "value", "95 % interval", "rests on"] {
                ui.label(small(title.into(), theme.quiet));
            }
            ui.end_row();
            let mut who = String::new();
            for r in first.chain(rest) {
                if r.who != who {
                    who.clone_from(&r.who);
                    ui.label(heavy(r.who.clone(), size::SMALL, theme.text));
                    ui.end_row();
                }
                let (value, interval) = numbers(r);
                ui.label(small(r.figure.clone(), theme.text));
                ui.label(small(value, theme.text));
                ui.label(small(interval, theme.text));
                ui.label(small(format!("{} {}", r.n.round(), r.basis), theme.quiet));
                ui.end_row();
            }
        });
    });
}

/// A figure and its interval as shown.
fn numbers(r: &Row) -> (String, String) {
    let digits = r.digits();
    let end = |v: Option<f64>| v.map_or("?".into(), |v| format!("{v:.digits$}"));
    let interval = if r.low.is_none() && r.high.is_none() { "none".to_owned() } else { format!("{} to {}", end(r.low), end(r.high)) };
    let unit = if r.unit.is_empty() { String::new() } else { format!(" {}", r.unit) };
    (format!("{:.digits$}{unit}", r.value), interval)
}
