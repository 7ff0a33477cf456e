//! What is wrong with a picture of the window: words that are cut off at a side or lie over others, controls that overlap.
//!
//! It looks at what was really drawn, each piece with the room it was allowed.

use egui::accesskit::Role;
use egui::epaint::{ClippedShape, Shape, TextShape};
use egui::{Pos2, Rect};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::viewer::app::App;

/// Letters may reach so far beyond their room, or into each other, points: the blur at their edges does.
const SLACK: f32 = 1.5;

/// One look: the size of the window, points; the theme; what it is called.
#[derive(Clone, Copy)]
pub(super) struct Look(pub(super) [f32; 2], pub(super) bool, pub(super) &'static str);

/// Each page in each theme, at both sizes and with large letters once; everything with everything where `OSSPAN_ALL_SCREENS` is set.
pub(super) fn looks() -> Vec<Look> {
    let sizes = [([1280.0, 800.0], "1280"), ([1920.0, 1080.0], "1920"), ([640.0, 400.0], "double")];
    let all = std::env::var_os("OSSPAN_ALL_SCREENS").is_some();
    sizes.into_iter().flat_map(|(s, n)| [Look(s, false, n), Look(s, true, n)]).filter(|l| all || (l.0[0] == 1920.0) == l.1).collect()
}

/// Words as drawn.
struct Words {
    text: String,
    /// What the letters cover.
    ink: Rect,
    /// The room that they were given.
    room: Rect,
    elided: bool,
}

/// Each line of words that is drawn; a text that is broken into lines is no rectangle.
fn collect(shape: &Shape, room: Rect, all: &mut Vec<Words>) {
    match shape {
        Shape::Vec(shapes) => shapes.iter().for_each(|s| collect(s, room, all)),
        // What is turned lies across the page: a watermark.
        Shape::Text(TextShape { pos, galley, angle, .. }) if *angle == 0.0 => {
            for row in galley.rows.iter().filter(|r| r.visuals.mesh_bounds.is_positive()) {
                let ink = row.visuals.mesh_bounds.translate(pos.to_vec2() + row.pos.to_vec2());
                all.push(Words { text: row.text(), ink, room, elided: galley.elided });
            }
        }
        _ => {}
    }
}

/// Every line of words that is drawn.
pub(super) fn lines(h: &Harness<'static, App>) -> Vec<String> {
    let mut words = Vec::new();
    h.output().shapes.iter().for_each(|c| collect(&c.shape, c.clip_rect, &mut words));
    words.into_iter().map(|w| w.text).collect()
}

/// Whether it is the ground of a panel that stands over the page.
fn is_panel(shape: &Shape) -> bool {
    match shape {
        Shape::Vec(shapes) => shapes.iter().any(is_panel),
        Shape::Rect(r) => r.rect.width() > 250.0 && r.rect.height() > 150.0 && r.fill.is_opaque(),
        _ => false,
    }
}

/// Every fault of the picture that was drawn last, in words; of the panel that stands over the page alone, where there is one.
pub(super) fn faults(h: &Harness<'static, App>, over: bool) -> Vec<String> {
    let shapes = &h.output().shapes;
    let first = if over { shapes.iter().rposition(|c| is_panel(&c.shape)).unwrap_or(0) } else { 0 };
    let mut words = Vec::new();
    for ClippedShape { clip_rect, shape, .. } in &shapes[first..] {
        collect(shape, *clip_rect, &mut words);
    }
    let controls = if over { Vec::new() } else { controls(h) };
    // What is out of view is not looked at; the text of a field may be longer than the field.
    let in_field = |at: Pos2| controls.iter().any(|c| c.field && c.whole.contains(at));
    words.retain(|w| w.ink.intersect(w.room).is_positive() && !in_field(w.ink.intersect(w.room).center()));
    let mut wrong = Vec::new();
    for w in &words {
        if w.elided || w.ink.left() < w.room.left() - SLACK || w.ink.right() > w.room.right() + SLACK {
            wrong.push(format!("cut off: {:?} at {:?} in {:?}", w.text, w.ink, w.room));
        }
    }
    for (i, a) in words.iter().enumerate() {
        for b in &words[i + 1..] {
            let both = a.ink.intersect(a.room).intersect(b.ink.intersect(b.room));
            // The same words drawn twice are words and what sets them off from the ground.
            if both.width() > SLACK && both.height() > SLACK && a.text != b.text {
                wrong.push(format!("over each other: {:?} and {:?} at {both:?}", a.text, b.text));
            }
        }
    }
    for (i, a) in controls.iter().enumerate() {
        for b in &controls[i + 1..] {
            let both = a.seen.intersect(b.seen);
            if both.width() > SLACK && both.height() > SLACK {
                wrong.push(format!("controls over each other: {:?} and {:?} at {both:?}", a.name, b.name));
            }
        }
    }
    wrong
}

/// Something that can be pressed or typed into.
struct Control {
    name: String,
    field: bool,
    whole: Rect,
    /// What of it is in view.
    seen: Rect,
}

fn controls(h: &Harness<'static, App>) -> Vec<Control> {
    let named: Vec<(Role, String, Rect)> = h
        .query_all_by(|n| {
            matches!(n.role(), Role::Button | Role::CheckBox | Role::RadioButton | Role::Link | Role::TextInput | Role::PasswordInput)
        })
        // Landmarks lie where they were placed.
        .filter(|n| n.accesskit_node().label().is_none_or(|l| !l.contains(" at x ")))
        .map(|n| (n.accesskit_node().role(), n.accesskit_node().label().unwrap_or_default(), n.rect()))
        .collect();
    h.ctx.viewport(|v| {
        let in_view =
            v.prev_pass.widgets.layers().flat_map(|(_, all)| all).filter(|w| w.sense.senses_click() && w.interact_rect.is_positive());
        in_view
            .filter_map(|w| {
                let (role, name, _) =
                    named.iter().find(|(_, _, r)| (r.min - w.rect.min).length() < 0.5 && (r.max - w.rect.max).length() < 0.5)?;
                let field = matches!(role, Role::TextInput | Role::PasswordInput);
                Some(Control { name: name.clone(), field, whole: w.rect, seen: w.interact_rect })
            })
            .collect()
    })
}
