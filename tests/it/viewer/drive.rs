//! The window driven by the names that a screen reader would say, on the bundled sample exam with the real loader and
//! the real store; its record must equal the one that the command makes without a window, but for the time.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, pos2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::files::Settings;
use osspan::guideline;
use osspan::record::{ReadingRecord, Store};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Mark};
use osspan::viewer::app::App;
use osspan::viewer::screen_map::{Canvas, ScreenMap, View};
use osspan::viewer::session::{SaveState, Session};
use osspan::viewer::worker::Worker;

pub(super) type Window = Harness<'static, App>;

pub(super) fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

/// A window on the sample exam that keeps everything in `dir`.
pub(super) fn window(dir: &Path) -> Window {
    window_on(&dir.join("records"), dir)
}

/// The same, with records in a folder of their own.
pub(super) fn window_on(records: &Path, data: &Path) -> Window {
    let (records, data) = (records.to_path_buf(), data.to_path_buf());
    let mut h = Harness::builder().with_size([1280.0, 800.0]).with_max_steps(32).build_eframe(move |cc| {
        let settings = Settings::load(&data).unwrap();
        let worker = Worker::new(records, data, &cc.egui_ctx);
        let session = Session::new(guideline::tables().unwrap(), settings);
        App::new(&cc.egui_ctx, session, Box::new(worker), vec![Action::Open(vec![sample()])])
    });
    wait(&mut h, "the first frame", |s| s.picture().is_some());
    h
}

/// Runs the window until the session is so; threads answer in their own time.
pub(super) fn wait(h: &mut Window, what: &str, so: impl Fn(&Session) -> bool) {
    let begun = Instant::now();
    while !so(h.state().session()) {
        assert!(begun.elapsed() < Duration::from_secs(30), "waited for {what}; messages: {:?}", h.state().session().messages());
        std::thread::sleep(Duration::from_millis(5));
        h.step();
    }
    h.run();
}

pub(super) fn label(h: &mut Window, name: &str) {
    h.get_by_label(name).scroll_to_me();
    h.run();
    h.get_by_label(name).click();
    h.run();
}

/// Types into the field of that name.
pub(super) fn type_into(h: &mut Window, name: &str, text: &str) {
    h.get_by_role_and_label(Role::TextInput, name).focus();
    h.run();
    h.get_by_role_and_label(Role::TextInput, name).type_text(text);
    h.run();
}

/// Where a place of the current frame is on the screen.
fn on_screen(h: &Window, p: PxPoint) -> Pos2 {
    let rect = h.get_by(|n| n.role() == Role::Image && n.label().is_some_and(|l| l.starts_with("Frame "))).rect();
    let canvas = Canvas { x: rect.left().into(), y: rect.top().into(), width: rect.width().into(), height: rect.height().into() };
    let file = h.state().session().file().unwrap();
    let map = ScreenMap::new(canvas, file.geometry.columns.into(), file.geometry.rows.into(), file.tallness(), View::default());
    let [x, y] = map.to_screen(p);
    pos2(x as f32, y as f32)
}

fn click(h: &mut Window, at: Pos2) {
    h.hover_at(at);
    h.run();
    h.drag_at(at);
    h.run();
    h.drop_at(at);
    h.run();
}

/// The record that the command makes of the same inputs without a window.
fn by_command(dir: &Path, file: &Path, like: &ReadingRecord) -> ReadingRecord {
    let records = dir.join("by-command");
    let point = |p: PxPoint| format!("{},{}", p.x, p.y);
    let output = Command::new(env!("CARGO_BIN_EXE_osspan"))
        .arg("read")
        .arg(file)
        .args(["--os", &point(like.landmarks.internal_os), "--edge", &point(like.landmarks.edge.at())])
        .args(["--body", &point(like.landmarks.placental_body.unwrap())])
        .args(["--side", "covers", "--guideline", "us-consensus-2014", "--due-date", "2025-06-30"])
        .args(["--route", "transvaginal", "--bladder", "empty", "--contraction", "absent", "--reader", "R. Ito", "--save", "--records"])
        .arg(&records)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Store::at(records).load().unwrap().0.remove(0).record
}

#[test]
fn a_reading_made_by_label_equals_the_one_made_without_a_window() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    assert!(h.query_by_label("no reader named").is_some());
    h.get_by_role_and_label(Role::TextInput, "reader's name").focus();
    h.run();
    h.get_by_role_and_label(Role::TextInput, "reader's name").type_text("R. Ito");
    h.run();
    h.key_press(Key::Tab);
    h.run();
    assert_eq!(h.state().session().reader(), "R. Ito");
    let wanted = [
        (Mark::InternalOs, PxPoint::new(248.6, 144.0)),
        (Mark::PlacentalEdge, PxPoint::new(228.6, 116.4)),
        (Mark::PlacentalBody, PxPoint::new(229.6, 154.1)),
    ];
    for (mark, p) in wanted {
        if h.state().session().armed() != Some(mark) {
            label(&mut h, &format!("place the {}", mark.words()));
        }
        let at = on_screen(&h, p);
        click(&mut h, at);
        let placed = h.state().session().work().get(mark).unwrap();
        assert!((placed.x - p.x).abs() < 0.01 && (placed.y - p.y).abs() < 0.01, "{mark:?}: {placed:?}");
    }
    for name in ["side: covers", "route: transvaginal", "bladder: empty", "contraction: absent"] {
        label(&mut h, name);
    }
    assert!(h.query_all_by_label_contains("Overlaps the os by").next().is_some());
    assert!(h.query_by_label_contains("provisional at this age").is_some(), "before 32 weeks the headline says so");
    assert!(h.query_all_by_label("not saved").next().is_some());
    assert!(h.query_by_label_contains("Distance line: Overlaps the os by").is_some());
    label(&mut h, "Save reading");
    wait(&mut h, "the record", |s| s.save_state() == SaveState::Saved);
    assert!(h.query_all_by_label("saved").next().is_some());

    let (records, faults) = Store::at(dir.path().join("records")).load().unwrap();
    assert!(faults.is_empty() && records.len() == 1);
    let ours = &records[0].record;
    let theirs = by_command(dir.path(), &h.state().session().current().unwrap().path, ours);
    assert!(ours.same_reading(&theirs), "{ours:#?}\n{theirs:#?}");
    assert_eq!(ours.follows, theirs.follows);

    // Closed and opened again, it is found as it was saved.
    drop(h);
    let mut h = window(dir.path());
    wait(&mut h, "the saved reading", |s| s.save_state() == SaveState::Saved);
    assert!(h.query_all_by_label_contains("Overlaps the os by").next().is_some());
}

#[test]
fn landmarks_are_named_items_that_are_dragged_and_nudged() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    for (mark, p) in [(Mark::InternalOs, PxPoint::new(250.0, 150.0)), (Mark::PlacentalEdge, PxPoint::new(200.0, 150.0))] {
        let at = on_screen(&h, p);
        assert_eq!(h.state().session().armed(), Some(mark));
        click(&mut h, at);
    }
    h.key_press(Key::Escape);
    h.run();
    let os = h.get_by_label("internal os at x 250.0, y 150.0 px");
    let from = os.rect().center();
    h.drag_at(from);
    h.run();
    h.hover_at(from + egui::vec2(20.0, 0.0));
    h.run();
    h.drop_at(from + egui::vec2(20.0, 0.0));
    h.run();
    let moved = h.state().session().work().os.unwrap();
    assert!(moved.x > 258.0 && moved.x < 266.0 && (moved.y - 150.0).abs() < 1e-3, "{moved:?}");
    assert!(h.query_by_label_contains("placental edge at x 200.0").is_some());
    h.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    h.run();
    assert!((h.state().session().work().os.unwrap().x - 250.0).abs() < 1e-3, "one drag is one step");

    // By keyboard: focus on the edge's item, then arrows.
    h.get_by_label_contains("placental edge at").focus();
    h.run();
    assert_eq!(h.state().session().selected(), Some(Mark::PlacentalEdge));
    h.key_press(Key::ArrowLeft);
    h.run();
    h.key_press_modifiers(Modifiers::SHIFT, Key::ArrowUp);
    h.run();
    let edge = h.state().session().work().get(Mark::PlacentalEdge).unwrap();
    assert!((edge.x - 199.0).abs() < 1e-3 && (edge.y - 149.8).abs() < 1e-3, "{edge:?}");
    h.key_press(Key::Delete);
    h.run();
    assert!(h.query_by_label_contains("placental edge at").is_none());
}

#[test]
fn the_keyboard_alone_makes_a_reading() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    let press = |h: &mut Window, key, with| {
        h.key_press_modifiers(with, key);
        h.run();
    };
    press(&mut h, Key::O, Modifiers::NONE);
    press(&mut h, Key::Enter, Modifiers::NONE);
    press(&mut h, Key::Enter, Modifiers::NONE);
    for _ in 0..5 {
        press(&mut h, Key::ArrowLeft, Modifiers::ALT);
    }
    press(&mut h, Key::Enter, Modifiers::NONE);
    press(&mut h, Key::Escape, Modifiers::NONE);
    press(&mut h, Key::N, Modifiers::NONE);
    let work = h.state().session().work();
    let (os, edge) = (work.os.unwrap(), work.get(Mark::PlacentalEdge).unwrap());
    assert!((edge.x - (os.x - 50.0)).abs() < 1e-9 && (edge.y - os.y).abs() < 1e-9, "{os:?} {edge:?}");
    assert!(h.query_all_by_label_contains("Edge 13 mm from the internal os").next().is_some());
    for (key, shown) in [(Key::Questionmark, "Keys"), (Key::F, "Exams and frames")] {
        press(&mut h, key, Modifiers::NONE);
        assert!(h.query_all_by_label(shown).next().is_some(), "{shown}");
        press(&mut h, if key == Key::F { Key::F } else { Key::Escape }, Modifiers::NONE);
        assert!(h.query_all_by_label(shown).next().is_none(), "{shown}");
    }
    press(&mut h, Key::PageDown, Modifiers::NONE);
    wait(&mut h, "the next frame", |s| s.picture().is_some());
    assert!(h.query_by_label_contains("internal os at").is_none(), "no landmark of the frame before");
}

#[test]
fn letters_typed_in_a_field_are_not_keys() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    h.get_by_role_and_label(Role::TextInput, "reader's name").focus();
    h.run();
    h.get_by_role_and_label(Role::TextInput, "reader's name").type_text("e");
    h.key_press(Key::E);
    h.key_press(Key::C);
    h.run();
    assert_eq!(h.state().session().armed(), Some(Mark::InternalOs));
    assert!(h.state().session().work().side.is_none());
}

#[test]
fn every_control_has_a_name() {
    // The harness refuses nameless inputs by itself; here the names of the main ones are held fast.
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    for name in ["reader's name", "exam date", "due date", "previous caesareans"] {
        assert!(h.query_by_role_and_label(Role::TextInput, name).is_some(), "{name}");
    }
    for mark in Mark::ALL {
        assert!(h.query_by_label(&format!("place the {}", mark.words())).is_some());
    }
    label(&mut h, "exams and frames");
    assert!(h.query_by_role_and_label(Role::TextInput, "path of a file or folder").is_some());
    let nameless: Vec<Role> = h
        .query_all_by(|n| matches!(n.role(), Role::Button | Role::CheckBox | Role::RadioButton | Role::TextInput | Role::ComboBox))
        .filter(|n| n.accesskit_node().label().is_none_or(|l| l.trim().is_empty()))
        .map(|n| n.accesskit_node().role())
        .collect();
    assert!(nameless.is_empty(), "{nameless:?}");
}
