//! What must be in sight is: whose frame, which one, which way, which scale, which guideline, who reads, saved or not.

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Mark};
use osspan::viewer::app::App;
use osspan::viewer::page::Page;
use osspan::viewer::session::Session;

use super::invented::{Memory, key};

type Window = Harness<'static, App>;

fn window(size: [f32; 2], light: bool) -> Window {
    let mut settings = Settings::default();
    settings.reader = Some("R. Ito".into());
    settings.guideline = Some("us-consensus-2014".into());
    settings.light = light;
    let session = Session::new(guideline::tables().unwrap(), settings);
    let first = vec![Action::Open(vec!["exam".into()])];
    let mut h = Harness::builder()
        .with_size(size)
        .with_max_steps(16)
        .build_eframe(move |cc| App::new(&cc.egui_ctx, session, Box::new(Memory::default()), first));
    h.run();
    act(&mut h, vec![Action::GoTo(key("visit2-a.dcm", 1))]);
    h
}

fn act(h: &mut Window, actions: Vec<Action>) {
    h.state_mut().act(actions);
    h.run();
}

/// Whether some words are on the screen, whole and inside the window.
fn in_sight(h: &Window, words: &str) -> bool {
    let screen = h.ctx.content_rect();
    h.query_all_by_label_contains(words).any(|n| screen.contains_rect(n.rect()) && n.rect().is_positive())
}

#[test]
fn what_must_be_trusted_is_always_in_sight() {
    // The last is a window of 1280 × 800 with letters twice as large.
    for size in [[1280.0, 800.0], [1920.0, 1080.0], [640.0, 400.0]] {
        let mut h = window(size, false);
        let always = ["Invented, Ada · 000-17 · 2 May 2001", "frame 1 of 7", "US consensus 2014", "read by R. Ito", "anterior: not stated"];
        for words in always.into_iter().chain(["nothing to save", "0.1000 mm a pixel", "not checked on a phantom", "14 Mar 2031"]) {
            assert!(in_sight(&h, words), "{words} at {size:?}");
        }
        let place = |m, x| [Action::Arm(m), Action::Place(PxPoint::new(x, 300.0))];
        let marks = [place(Mark::InternalOs, 400.0), place(Mark::PlacentalEdge, 260.0)].concat();
        act(&mut h, marks);
        act(&mut h, vec![Action::StateSide(Side::NotCovering), Action::Display(osspan::viewer::session::DisplayAction::Invert)]);
        assert!(in_sight(&h, "not saved") && in_sight(&h, "inverted"), "{size:?}");
        act(&mut h, vec![Action::Save]);
        assert!(in_sight(&h, "saved"), "{size:?}");
        // Pages that are not about this exam name nobody in the strip.
        for page in Page::ALL {
            act(&mut h, vec![Action::ShowPage(page)]);
            let strip = |n: &egui_kittest::Node<'_>| n.rect().bottom() < 60.0;
            let named = h.query_all_by_label_contains("000-17").any(|n| strip(&n));
            assert_eq!(named, page.is_of_the_exam(), "{page:?} at {size:?}");
        }
    }
}

#[test]
fn landmarks_stay_above_the_fold_with_several_frames_read() {
    let mut h = window([1280.0, 800.0], false);
    for place in [("visit2-a.dcm", 1), ("visit2-cine.dcm", 1), ("visit2-cine.dcm", 2)] {
        let at = |m, x, y| [Action::Arm(m), Action::Place(PxPoint::new(x, y))];
        act(&mut h, vec![Action::GoTo(key(place.0, place.1))]);
        let mut all =
            [at(Mark::InternalOs, 400.0, 300.0), at(Mark::PlacentalEdge, 260.0, 300.0), at(Mark::PlacentalBody, 220.0, 310.0)].concat();
        all.push(Action::StateSide(Side::NotCovering));
        act(&mut h, all);
    }
    assert!(h.query_by_label_contains("Shortest of 3 frames").is_some());
    let fold = h.get_by_label("Save reading").rect().top();
    for mark in Mark::ALL {
        let rect = h.get_by_label(&format!("place the {}", mark.words())).rect();
        assert!(rect.bottom() < fold, "{mark:?} at {rect:?}, fold at {fold}");
    }
}

#[test]
fn tab_goes_from_the_strip_over_the_frame_to_the_sheet_and_what_has_the_focus_is_in_view() {
    let mut h = window([1280.0, 800.0], false);
    let mut order: Vec<String> = Vec::new();
    for _ in 0..90 {
        h.key_press(Key::Tab);
        h.run();
        let focused = h.query_all_by(|n| n.is_focused() && n.role() != Role::Window).next();
        if let Some(n) = focused {
            let label = n.accesskit_node().label().unwrap_or_default();
            assert!(!label.is_empty(), "{:?}", n.accesskit_node().role());
            let seen = h.ctx.content_rect().expand(1.0).intersects(n.rect());
            assert!(seen, "{label} has the focus out of view at {:?}", n.rect());
            order.push(label);
        }
    }
    let place = |part: &str| order.iter().position(|l| l.contains(part)).unwrap_or_else(|| panic!("{part} is never reached: {order:?}"));
    let wanted = [
        "exam 2 of 3, frame 1 of 7",
        "Frame 1 of 7",
        "anterior",
        "side: not covering",
        "place the internal os",
        "route: transvaginal",
        "exams and frames",
    ];
    let places: Vec<usize> = wanted.iter().map(|w| place(w)).collect();
    assert!(places.is_sorted(), "{places:?} in {order:?}");
}

#[test]
fn a_key_goes_to_the_due_date_without_leaving_its_letter_there() {
    let mut h = window([1280.0, 800.0], false);
    h.event(egui::Event::Text("E".into()));
    h.key_press_modifiers(Modifiers::SHIFT, Key::E);
    h.run();
    let field = h.get_by(|n| n.role() == Role::TextInput && n.is_focused());
    assert_eq!(field.accesskit_node().label().as_deref(), Some("due date"));
    assert!(h.state().session().exam().unwrap().form.dating.starts_with("2031"), "nothing is typed by going there");
    // Letters typed now are no keys.
    h.key_press(Key::C);
    h.run();
    assert!(h.state().session().work().side.is_none());
}

#[test]
fn letters_grow_up_to_twice_their_size_and_stay_so_for_the_next_time() {
    let mut h = window([1280.0, 800.0], false);
    for _ in 0..15 {
        h.key_press_modifiers(Modifiers::COMMAND, Key::Plus);
        h.run();
    }
    assert_eq!(h.state().session().letters_percent(), 200);
    assert!((h.ctx.zoom_factor() - 2.0).abs() < 1e-3, "no further");
    for _ in 0..15 {
        h.key_press_modifiers(Modifiers::COMMAND, Key::Minus);
        h.run();
    }
    assert_eq!(h.state().session().letters_percent(), 100);
    let mut settings = Settings::default();
    settings.letters_percent = 150;
    let session = Session::new(guideline::tables().unwrap(), settings);
    let mut h = Harness::builder().build_eframe(move |cc| App::new(&cc.egui_ctx, session, Box::new(Memory::default()), Vec::new()));
    h.run();
    assert!((h.ctx.zoom_factor() - 1.5).abs() < 1e-3);
}

#[test]
fn every_control_of_every_page_has_a_name_in_both_themes() {
    for light in [false, true] {
        let mut h = window([1280.0, 800.0], light);
        act(&mut h, vec![Action::ToggleList]);
        for page in Page::ALL {
            act(&mut h, vec![Action::ShowPage(page)]);
            let controls = |r| {
                matches!(
                    r,
                    Role::Button
                        | Role::CheckBox
                        | Role::RadioButton
                        | Role::TextInput
                        | Role::ComboBox
                        | Role::Slider
                        | Role::Link
                        | Role::Image
                )
            };
            let nameless: Vec<Role> = h
                .query_all_by(|n| controls(n.role()))
                .filter(|n| n.accesskit_node().label().is_none_or(|l| l.trim().is_empty()))
                .map(|n| n.accesskit_node().role())
                .collect();
            assert!(nameless.is_empty(), "{page:?}: {nameless:?}");
            assert!(h.query_all_by(|n| controls(n.role())).count() > 3, "{page:?} has controls");
        }
    }
}

/// Every sign that the program can say, from its own sources and tables, has a form in the window's letters.
#[test]
fn every_sign_in_the_sources_has_a_glyph() {
    use osspan::viewer::theme;
    fn look(dir: &std::path::Path, signs: &mut std::collections::BTreeMap<char, String>) {
        for entry in std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()) {
            let text = || entry.extension().is_some_and(|e| ["rs", "toml", "html"].iter().any(|t| e == *t));
            if entry.is_dir() {
                look(&entry, signs);
            } else if text() {
                let all = std::fs::read_to_string(&entry).unwrap();
                // What stands in a file's own tests is not shown.
                let shown = all.split("#[cfg(test)]").next().unwrap_or_default();
                signs.extend(shown.chars().filter(|c| !c.is_ascii()).map(|c| (c, entry.display().to_string())));
            }
        }
    }
    let mut signs = std::collections::BTreeMap::new();
    look(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut signs);
    assert!(signs.len() > 40, "{}", signs.len());
    let ctx = egui::Context::default();
    theme::install_fonts(&ctx);
    ctx.run_ui(egui::RawInput::default(), |_| {}).textures_delta.clear();
    for family in [egui::FontFamily::Proportional, theme::strong()] {
        for (sign, file) in &signs {
            let there = ctx.fonts_mut(|f| f.has_glyph(&egui::FontId::new(14.0, family.clone()), *sign));
            assert!(there, "{sign:?} ({:x}) of {file} in {family:?}", *sign as u32);
        }
    }
}
