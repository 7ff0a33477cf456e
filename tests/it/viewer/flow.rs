//! The reading page for a person who has never seen it: what presses is in sight, words say what they ask, nothing moves under the hand.

use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, Rect, pos2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Mark};
use osspan::viewer::app::App;
use osspan::viewer::session::{DisplayAction, Session};

use super::invented::{Memory, key};

pub(super) type Window = Harness<'static, App>;

pub(super) const USUAL: [f32; 2] = [1280.0, 800.0];

pub(super) fn window(size: [f32; 2]) -> Window {
    let mut settings = Settings::default();
    settings.reader = Some("R. Ito".into());
    settings.guideline = Some("us-consensus-2014".into());
    let session = Session::new(guideline::tables().unwrap(), settings);
    let first = vec![Action::Open(vec!["exam".into()])];
    let mut h = Harness::builder()
        .with_size(size)
        .with_max_steps(32)
        .build_eframe(move |cc| App::new(&cc.egui_ctx, session, Box::new(Memory::default()), first));
    h.run();
    act(&mut h, vec![Action::GoTo(key("visit2-a.dcm", 1))]);
    h
}

pub(super) fn act(h: &mut Window, actions: Vec<Action>) {
    h.state_mut().act(actions);
    h.run();
}

/// Reads the frame on screen: the edge so many px left of the os.
pub(super) fn read(h: &mut Window, px: f64, side: Side) {
    let at = |m, x, y| [Action::Arm(m), Action::Place(PxPoint::new(x, y))];
    let mut all = [at(Mark::InternalOs, 400.0, 300.0), at(Mark::PlacentalEdge, 400.0 - px, 300.0)].concat();
    let body = if side == Side::Covers { 420.0 } else { 400.0 - px - 40.0 };
    all.extend(at(Mark::PlacentalBody, body, 310.0));
    all.extend([Action::PutDown, Action::StateSide(side)]);
    act(h, all);
}

/// Reads three frames of the second visit and shows the last of them.
fn read_three(h: &mut Window) {
    for (place, px) in [(("visit2-a.dcm", 1), 140.0), (("visit2-cine.dcm", 1), 150.0), (("visit2-cine.dcm", 2), 130.0)] {
        act(h, vec![Action::GoTo(key(place.0, place.1))]);
        read(h, px, Side::NotCovering);
        act(h, vec![Action::Save]);
    }
}

/// What of the sheet can be seen: from its upper edge down to the button that saves.
fn seen(h: &Window, words: &str) -> bool {
    let screen = h.ctx.content_rect();
    let sheet = Rect::from_min_max(pos2(screen.width() * 0.5, 44.0), screen.max);
    h.query_all_by_label_contains(words).any(|n| sheet.contains_rect(n.rect()) && n.rect().is_positive())
}

/// Clicks where a control is seen now, with the pointer.
fn click(h: &mut Window, name: &str) -> Pos2 {
    let at = h.get_by_label(name).rect().center();
    for step in [egui::Event::PointerMoved(at), button(at, true), button(at, false)] {
        h.event(step);
        h.run();
    }
    at
}

/// It is where it was; or, where what stands above the sheet has grown over that place, as near to it as it can be seen.
fn stays(h: &Window, name: &str, before: Rect) {
    let after = h.get_by_label(name).rect();
    let in_place = (before.top() - after.top()).abs() < 1.5;
    let words = h.query_all_by(|n| n.role() == Role::Label).map(|n| n.rect());
    let sheet = h.ctx.content_rect().width() * 0.5;
    let above = words.filter(|r| r.left() > sheet && r.left() < sheet + 215.0 && r.bottom() <= after.top()).map(|r| r.bottom());
    let head = above.fold(0.0, f32::max);
    assert!(in_place || (after.top() > before.top() && after.top() - head < 30.0), "{name} went from {before:?} to {after:?} below {head}");
}

fn button(pos: Pos2, pressed: bool) -> egui::Event {
    egui::Event::PointerButton { pos, button: egui::PointerButton::Primary, pressed, modifiers: Modifiers::NONE }
}

#[test]
fn nothing_in_the_sheet_moves_under_the_pointer_that_clicks_there() {
    // The second is a window of 1280 × 800 with letters twice as large, where the finding scrolls with the sheet.
    for size in [USUAL, [640.0, 400.0]] {
        let mut h = window(size);
        read_three(&mut h);
        for name in [
            "route: transvaginal",
            "bladder: empty",
            "contraction: absent",
            "bleeding: now",
            "placenta: lateral",
            "the frame is adequate: all of its checklist holds",
            "the frame is not adequate: say what fails",
            "side: covers",
        ] {
            for again in [false, true] {
                if name.starts_with("the frame is adequate") && again {
                    continue;
                }
                h.get_by_label(name).scroll_to_me();
                h.run();
                let before = h.get_by_label(name).rect();
                let pointer = click(&mut h, name);
                let after = h.get_by_label(name).rect();
                if name == "bleeding: now" || name.starts_with("side") {
                    // What is urgent, or contradicts, then stands above everything.
                    stays(&h, name, before);
                } else {
                    assert!(
                        (before.top() - after.top()).abs() < 1.5,
                        "{name} went from {before:?} to {after:?} at {size:?}, again {again}"
                    );
                    assert!(after.contains(pointer), "{name} at {size:?}");
                }
            }
            h.key_press(Key::Escape);
            h.run();
        }
    }
}

#[test]
fn what_is_clicked_at_the_top_of_the_sheet_is_never_hidden_by_what_grows_above_it() {
    let mut h = window(USUAL);
    read(&mut h, 140.0, Side::NotCovering);
    // The body of the placenta contradicts "covers": much more stands above the sheet then.
    for (name, side) in [
        ("side: covers", Side::Covers),
        ("side: not covering", Side::NotCovering),
        ("side: covers", Side::Covers),
        ("side: reaches", Side::Reaches),
        ("side: not covering", Side::NotCovering),
    ] {
        let before = h.get_by_label(name).rect();
        click(&mut h, name);
        assert_eq!(h.state().session().work().side, Some(side));
        stays(&h, name, before);
    }
    // Room that was kept goes when the hand leaves the sheet.
    h.hover_at(pos2(300.0, 300.0));
    h.run();
    let side = h.get_by_label("side: covers").rect();
    let head = h.query_all_by_label_contains("Not stated: route").map(|n| n.rect().bottom()).fold(0.0, f32::max);
    assert!(head > 0.0 && side.top() - head < 40.0, "{head} {side:?}");
}

#[test]
fn the_result_of_the_exam_stands_in_sight_once_a_second_frame_is_read() {
    let mut h = window(USUAL);
    read(&mut h, 140.0, Side::NotCovering);
    assert!(!seen(&h, "This exam"), "one frame is the exam");
    read_three(&mut h);
    for words in ["This exam, all frames read so far", "Shortest of 3 frames: Edge 13 mm", "whole answer (F4)"] {
        assert!(seen(&h, words), "{words}");
    }
    // Also before anything is marked on the next frame, and where frames contradict each other that is said there.
    act(&mut h, vec![Action::GoTo(key("visit2-cine.dcm", 3))]);
    assert!(seen(&h, "Mark the internal os") && seen(&h, "Shortest of 3 frames"));
    read(&mut h, 60.0, Side::Covers);
    assert!(seen(&h, "Discordant, look again"));
    act(&mut h, vec![Action::ShowPage(osspan::viewer::page::Page::Answer)]);
    let first = |words: &str| h.query_all_by_label_contains(words).map(|n| n.rect().top()).fold(f32::INFINITY, f32::min);
    assert!(first("This exam, all frames read so far") < first("Finding"), "first of the whole answer");
}

#[test]
fn what_this_visit_still_owes_and_the_first_caution_are_in_sight_without_turning_the_sheet() {
    let mut h = window(USUAL);
    read(&mut h, 140.0, Side::NotCovering);
    let owed = h.state().session().plan().unwrap().now.clone();
    let first: String = owed[0].text.chars().take(30).collect();
    assert!(seen(&h, "Still to do at this visit") && seen(&h, &first), "{first}");
    assert!(seen(&h, "Caution"));
    // The rest is one click away.
    let all = caution_count(&h);
    click(&mut h, &format!("Caution: show all {all} in the sheet"));
    let heading = h.get_by_label("Cautions").rect();
    let fold = h.get_by_label("Still to do at this visit").rect().top();
    let head = h.query_all_by_label_contains("95 %: ").map(|n| n.rect().bottom()).fold(f32::INFINITY, f32::min);
    assert!(heading.top() > head && heading.bottom() < fold, "{heading:?} between {head} and {fold}");
}

fn caution_count(h: &Window) -> usize {
    match h.state().session().outcome() {
        osspan::viewer::session::Outcome::Read(r) => r.cautions.len(),
        _ => 0,
    }
}

#[test]
fn the_question_of_adequacy_says_what_is_asked_and_what_for() {
    let mut h = window(USUAL);
    let sheet = |h: &Window, words: &str| h.query_by_label_contains(words).is_some();
    assert!(sheet(&h, "good enough to count in the exam's result?"));
    assert!(sheet(&h, "canal followed up to the internal os, no funnelling or clot at the os, bladder empty"));
    assert!(sheet(&h, "nobody judged it"));
    h.key_press(Key::Q);
    h.run();
    assert!(sheet(&h, "You state that it is adequate: it counts") && !sheet(&h, "nobody judged it"));
    h.key_press_modifiers(Modifiers::SHIFT, Key::Q);
    h.run();
    h.key_press(Key::E);
    h.run();
    assert!(sheet(&h, "It does not count in the exam's result: contraction."));
}

#[test]
fn the_line_of_keys_is_shown_whole_or_not_at_all() {
    for width in [1920.0, 1280.0, 1000.0, 800.0, 640.0] {
        let mut h = window([width, 800.0]);
        read(&mut h, 140.0, Side::NotCovering);
        let foot = |role, top: f32| -> Vec<(String, Rect)> {
            let all = h.query_all_by(move |n| n.role() == role).filter(|n| n.rect().top() > top);
            all.map(|n| (n.value().or_else(|| n.accesskit_node().label()).unwrap_or_default(), n.rect())).collect()
        };
        let line = foot(Role::Label, 766.0).into_iter().find(|(_, r)| r.left() < 40.0 && r.bottom() < 801.0);
        let first_button = foot(Role::Button, 760.0).into_iter().map(|(_, r)| r.left()).fold(width, f32::min);
        if let Some((text, rect)) = line {
            assert!(osspan::viewer::keys::IN_A_LINE.contains(&text.as_str()), "{text}");
            assert!(rect.right() <= first_button, "{text} runs into a button at {width}");
        }
    }
}

#[test]
fn the_frame_beside_is_chosen_from_a_list_by_name() {
    let mut h = window(USUAL);
    act(&mut h, vec![Action::Display(DisplayAction::Beside)]);
    click(&mut h, "another (3)");
    let wanted = h.query_all_by_label_contains("visit2-cine.dcm").next().map(|n| n.accesskit_node().label().unwrap()).unwrap();
    assert!(wanted.contains("14 Mar 2031") && wanted.contains("of 7"), "{wanted}");
    click(&mut h, &wanted);
    assert_eq!(h.state().session().beside().unwrap().key, key("visit2-cine.dcm", 1));
    // Another person's frame is never taken.
    act(&mut h, vec![Action::Display(DisplayAction::PutBeside(key("stranger.dcm", 1)))]);
    assert_eq!(h.state().session().beside().unwrap().key, key("visit2-cine.dcm", 1));
    click(&mut h, "close (2)");
    assert!(h.state().session().beside().is_none());
}

#[test]
fn buttons_of_the_grey_scale_say_which_way_they_go() {
    let mut h = window(USUAL);
    click(&mut h, "display");
    for (name, middle) in [
        ("All of it (level): darker", -1),
        ("All of it (level): brighter", 1),
        ("Dark parts (gamma): brighter", 1),
        ("Dark parts (gamma): darker", -1),
    ] {
        act(&mut h, vec![Action::Display(DisplayAction::Reset)]);
        click(&mut h, name);
        let shown = i32::from(h.state().session().display().tones.table()[100]) - 100;
        assert_eq!(shown.signum(), middle, "{name}: {shown}");
    }
    // Keys go the same way, the lower one darker.
    for (number, way) in [(Key::Num6, -1), (Key::Num7, 1), (Key::Num4, -1), (Key::Num5, 1)] {
        act(&mut h, vec![Action::Display(DisplayAction::Reset)]);
        h.key_press(Key::Escape);
        h.run();
        h.key_press(number);
        h.run();
        let shown = i32::from(h.state().session().display().tones.table()[100]) - 100;
        assert_eq!(shown.signum(), way, "{number:?}");
    }
}

#[test]
fn the_list_of_keys_has_even_columns() {
    let mut h = window([1920.0, 1080.0]);
    act(&mut h, vec![Action::ToggleHelp]);
    let groups = osspan::viewer::keys::Group::ALL.into_iter().filter(|g| g.belongs_to(osspan::viewer::page::Page::Reading));
    // Words that the sheet has too come second: the list is drawn over it.
    let headings: Vec<Rect> = groups.map(|g| h.query_all_by_label(g.words()).last().unwrap().rect()).collect();
    let mut lefts: Vec<i32> = headings.iter().map(|r| r.left().round() as i32).collect();
    lefts.sort_unstable();
    lefts.dedup();
    assert_eq!(lefts.len(), 3, "{lefts:?}");
    assert!((lefts[1] - lefts[0] - (lefts[2] - lefts[1])).abs() <= 1, "as wide as each other: {lefts:?}");
    // Where each column ends: the lowest words in it above the keys of other pages.
    let end = h.get_by_label("On other pages").rect().top();
    let foot = |left: i32, right: i32| {
        h.query_all_by(|n| n.role() == Role::Label)
            .map(|n| n.rect())
            .filter(|r| r.bottom() < end)
            .filter(|r| (left..right).contains(&(r.left().round() as i32)))
            .map(|r| r.bottom())
            .fold(0.0, f32::max)
    };
    let apart = lefts[1] - lefts[0];
    let feet: Vec<f32> = lefts.iter().map(|l| foot(*l, l + apart)).collect();
    let top = headings.iter().map(|r| r.top()).fold(f32::INFINITY, f32::min);
    let (low, high) = (feet.iter().copied().fold(f32::INFINITY, f32::min), feet.iter().copied().fold(0.0, f32::max));
    assert!((low - top) > 0.7 * (high - top), "{feet:?} from {top}");
    // Keys and words begin at one place within a column.
    for binding in ["Shift + Page Down", "S"] {
        let key = h.query_all_by_label(binding).last().unwrap().rect();
        assert!(lefts.contains(&(key.left().round() as i32)), "{binding} at {key:?}");
    }
}

#[test]
fn a_key_that_asks_in_the_sheet_brings_the_question_into_sight_and_every_frame_begins_at_the_top() {
    for size in [USUAL, [640.0, 400.0]] {
        let mut h = window(size);
        read_three(&mut h);
        h.key_press_modifiers(Modifiers::SHIFT, Key::Q);
        h.run();
        let fold = h.get_by_label("Save reading").rect().top();
        let asked = h.get_by_label_contains("Type or click the letter of what fails").rect();
        assert!(asked.top() > 40.0 && asked.bottom() < fold, "{asked:?} at {size:?}");
        act(&mut h, vec![Action::GoTo(key("visit2-a.dcm", 1))]);
        let head = h.query_all_by_label_contains("This frame").map(|n| n.rect().top()).fold(f32::INFINITY, f32::min);
        assert!((40.0..130.0).contains(&head), "{head} at {size:?}");
        let side = h.get_by_label("side: covers").rect();
        assert!(side.top() > head, "{side:?}");
    }
}

#[test]
fn what_can_be_taken_back_is_named_whole_or_left_to_the_pointer() {
    for size in [USUAL, [640.0, 400.0]] {
        let mut h = window(size);
        read(&mut h, 140.0, Side::NotCovering);
        let button = h.query_all_by_label_contains("undo").map(|n| n.rect()).next().unwrap();
        assert!(button.left() >= 0.0, "{button:?} at {size:?}");
    }
}
