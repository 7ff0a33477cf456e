//! The first reading of a person who has never seen the window: nothing moves while landmarks are placed, what is said once is not
//! asked again, and what is missing is gone to.

use egui::Key;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::context::{Bladder, Contraction, Route};
use osspan::exam::{Adequacy, Item};
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, ContextChange, Mark};
use osspan::viewer::panels::canvas::ring;
use osspan::viewer::session::NoteAction;

use super::drawn::{faults, lines};
use super::flow::{USUAL, Window, act, read, window};
use super::invented::key;

fn place(h: &mut Window, mark: Mark, x: f64) {
    act(h, vec![Action::Arm(mark), Action::Place(PxPoint::new(x, 300.0))]);
}

#[test]
fn the_sheet_stands_still_while_landmarks_are_placed() {
    let mut h = window(USUAL);
    let side = |h: &Window| h.get_by_label("side: not covering").rect();
    let before = side(&h);
    place(&mut h, Mark::InternalOs, 400.0);
    assert!(h.query_by_label_contains("✓ mark the internal os").is_some());
    assert_eq!(side(&h), before, "after the os");
    place(&mut h, Mark::PlacentalEdge, 260.0);
    assert_eq!(side(&h), before, "after the edge");
}

fn context(h: &Window) -> (Route, Bladder, Contraction) {
    let c = &h.state().session().exam().unwrap().context;
    (c.route, c.bladder, c.contraction)
}

#[test]
fn what_the_checklist_states_of_the_scan_is_stated_and_what_speaks_against_it_is_an_exception() {
    let mut h = window(USUAL);
    read(&mut h, 140.0, Side::NotCovering);
    assert_eq!(context(&h), (Route::Unknown, Bladder::Unknown, Contraction::Unknown));
    h.key_press(Key::Q);
    h.run();
    assert_eq!(context(&h), (Route::Transvaginal, Bladder::Empty, Contraction::Absent));
    assert!(h.query_by_label_contains("Not stated: ").is_none());
    let adequacy = |h: &Window| h.state().session().work().notes.checklist.adequacy();
    assert_eq!(adequacy(&h), Adequacy::Adequate);
    // Said later, or before.
    act(&mut h, vec![Action::Context(ContextChange::Bladder(Bladder::Full))]);
    assert!(matches!(adequacy(&h), Adequacy::Inadequate { reason } if reason.contains("bladder not empty")));

    let mut h = window(USUAL);
    read(&mut h, 140.0, Side::NotCovering);
    let stated = [ContextChange::Route(Route::Transabdominal), ContextChange::Contraction(Contraction::Present)];
    act(&mut h, stated.map(Action::Context).into());
    act(&mut h, vec![Action::Note(NoteAction::AttestAll)]);
    assert_eq!(context(&h), (Route::Transabdominal, Bladder::Empty, Contraction::Present));
    assert_eq!(h.state().session().work().notes.checklist.exceptions(), [Item::NoContraction, Item::Transvaginal]);
}

#[test]
fn saving_without_a_reader_goes_to_the_field_that_is_missing() {
    let mut h = window(USUAL);
    act(&mut h, vec![Action::TypeReader(String::new()), Action::NameReader]);
    read(&mut h, 140.0, Side::NotCovering);
    assert!(h.query_by_label_contains("To save it: name the reader.").is_some());
    h.key_press(Key::S);
    h.run();
    assert!(h.get_by_label("reader's name").accesskit_node().is_focused());
    h.event(egui::Event::Text("N. Comer".into()));
    h.run();
    assert_eq!(h.state().session().typed_reader(), "N. Comer");
}

#[test]
fn the_radius_of_the_ring_stands_off_the_names_of_landmarks() {
    let mut h = window(USUAL);
    let os = PxPoint::new(400.0, 300.0);
    act(&mut h, vec![Action::Arm(Mark::InternalOs), Action::Place(os)]);
    let session = h.state().session();
    let scale = session.scale_at(os).unwrap();
    let ring = ring(os, session.decisive_radius_mm().unwrap(), &scale);
    // The edge where the radius would stand: at the upper right.
    let n = ring.len() - 1;
    act(&mut h, vec![Action::Arm(Mark::PlacentalEdge), Action::Place(ring[n - n / 8]), Action::PutDown]);
    assert!(lines(&h).iter().any(|l| l == "20 mm"), "{:?}", lines(&h));
    let over: Vec<String> = faults(&h, false).into_iter().filter(|f| f.contains("20 mm")).collect();
    assert!(over.is_empty(), "{over:?}");
}

#[test]
fn naming_the_reader_and_choosing_a_guideline_moves_nothing() {
    let mut h = window(USUAL);
    act(&mut h, vec![Action::TypeReader(String::new()), Action::NameReader]);
    let places = |h: &Window| ["RCOG Green-top Guideline 27a, 2018", "side: not covering"].map(|name| h.get_by_label(name).rect());
    let before = places(&h);
    act(&mut h, vec![Action::TypeReader("N. Comer".into()), Action::NameReader]);
    assert_eq!(places(&h), before, "a reader is named");
    h.get_by_label("RCOG Green-top Guideline 27a, 2018").click();
    h.run();
    assert_eq!(h.state().session().table().unwrap().id(), "rcog-2018");
    assert_eq!(places(&h), before, "a guideline is chosen");
    // On the next frame what is placed and stated comes first.
    act(&mut h, vec![Action::GoTo(key("visit2-cine.dcm", 1))]);
    assert!(h.query_by_label("RCOG Green-top Guideline 27a, 2018").is_none_or(|n| n.rect().top() > places(&h)[1].top()));
}

#[test]
fn a_frame_without_a_reading_does_not_ask_to_be_saved() {
    let mut h = window(USUAL);
    act(&mut h, vec![Action::Note(NoteAction::Anterior)]);
    assert!(h.query_by_label("no reading to save yet").is_some());
    read(&mut h, 140.0, Side::NotCovering);
    assert!(h.query_by_label("no reading to save yet").is_none());
}
