//! A whole exam in the session: further landmarks, the checklist, sets, the edge assist, and what the frames come to.

use egui::{Key, Modifiers};
use osspan::exam::{Adequacy, ExamDistance, Item, Kind};
use osspan::measure::{Side, Value};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Mark};
use osspan::viewer::keys::{self, bindings};
use osspan::viewer::page::Page;
use osspan::viewer::session::{NoteAction, Outcome, SaveState};

use super::invented::key;
use super::session::Desk;

fn press(d: &mut Desk, key: Key, with: Modifiers) {
    let action = keys::action_for(&bindings(), Page::Reading, key, with, false).unwrap();
    d.act(action);
}

fn reading(d: &Desk) -> osspan::reading::Reading {
    match d.session.outcome() {
        Outcome::Read(r) => (**r).clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn every_further_landmark_is_placed_by_its_key_saved_and_taken_back_step_by_step() {
    let mut d = Desk::ready();
    d.fourteen();
    let none = Modifiers::NONE;
    let place = |d: &mut Desk, x: f64, y: f64| d.act(Action::Place(PxPoint::new(x, y)));
    press(&mut d, Key::X, none);
    place(&mut d, 420.0, 440.0);
    // A trace goes on by itself until it is put down.
    press(&mut d, Key::K, none);
    place(&mut d, 450.0, 400.0);
    place(&mut d, 440.0, 350.0);
    assert_eq!(d.session.armed(), Some(Mark::Canal(Mark::NEXT)));
    d.act(Action::Escape);
    // The plates lead on from one to the next, and so do the ends of the os.
    press(&mut d, Key::A, none);
    place(&mut d, 260.0, 300.0);
    place(&mut d, 200.0, 300.0);
    place(&mut d, 210.0, 250.0);
    assert_eq!(d.session.armed(), None);
    press(&mut d, Key::D, none);
    place(&mut d, 385.0, 300.0);
    place(&mut d, 415.0, 300.0);
    press(&mut d, Key::G, none);
    place(&mut d, 330.0, 320.0);
    d.act(Action::Escape);
    press(&mut d, Key::H, none);
    place(&mut d, 400.0, 150.0);
    press(&mut d, Key::H, Modifiers::SHIFT);
    press(&mut d, Key::L, Modifiers::SHIFT);
    press(&mut d, Key::L, Modifiers::SHIFT);
    let more = d.session.work().notes.more;
    assert_eq!((more.fetal_rate, more.cord_loop_excluded), (Some(true), Some(false)));
    assert_eq!(more.canal, [PxPoint::new(450.0, 400.0), PxPoint::new(440.0, 350.0)]);
    assert_eq!(reading(&d).more.in_words().len(), 5);
    // A point of a trace is moved and removed like any landmark.
    d.act(Action::Select(Mark::Canal(0)));
    d.act(Action::Nudge(osspan::units::PxVec { x: 1.0, y: 0.0 }));
    assert_eq!(d.session.work().notes.more.canal[0], PxPoint::new(451.0, 400.0));
    d.act(Action::Undo);
    d.act(Action::Remove(Mark::Canal(0)));
    assert_eq!(d.session.work().notes.more.canal, [PxPoint::new(440.0, 350.0)]);
    d.act(Action::Undo);
    d.act(Action::Save);
    assert_eq!(d.session.save_state(), SaveState::Saved);
    let saved = d.world.saved.lock().unwrap()[0].record.clone();
    assert_eq!(saved.notes.more, more);
    assert!(osspan::record::verify(&saved, None).differences.is_empty());
    // Everything can be taken back, to the distance alone.
    while d.session.undo_words().is_some_and(|w| !w.contains("contraction")) {
        d.act(Action::Undo);
    }
    assert!(d.session.work().notes.is_empty());
    assert_eq!(d.session.save_state(), SaveState::ChangedSinceSaved);
}

#[test]
fn half_a_set_keeps_the_reading_from_being_saved_and_says_why() {
    let mut d = Desk::ready();
    d.fourteen();
    d.put(Mark::OsEnd, 385.0, 300.0);
    d.act(Action::Save);
    assert!(d.session.messages()[0].contains("both of its ends"), "{:?}", d.session.messages());
    assert!(d.world.saved.lock().unwrap().is_empty());
}

#[test]
fn one_key_attests_letters_name_exceptions_and_the_rest_stays_unknown() {
    let mut d = Desk::ready();
    d.fourteen();
    assert_eq!(reading(&d).adequacy, Adequacy::NotStated);
    press(&mut d, Key::Q, Modifiers::SHIFT);
    assert!(d.session.naming_exceptions());
    // E names the exception now, and does not take up the placental edge.
    d.act(keys::exception_for(Key::E, Modifiers::NONE).unwrap());
    assert!(keys::exception_for(Key::S, Modifiers::NONE).is_none() && keys::exception_for(Key::E, Modifiers::CTRL).is_none());
    assert_eq!(d.session.work().notes.checklist.unanswered().len(), 7);
    d.act(Action::Escape);
    assert!(!d.session.naming_exceptions());
    press(&mut d, Key::Q, Modifiers::NONE);
    assert_eq!(reading(&d).adequacy, Adequacy::Inadequate { reason: "contraction".into() });
    assert!(reading(&d).finding.contains("No finding") || !reading(&d).finding.contains("low-lying"), "{}", reading(&d).finding);
    assert_eq!(d.session.work().notes.checklist.get(Item::OtherPlanes), None);
    d.act(Action::Undo);
    d.act(Action::Undo);
    assert!(d.session.work().notes.checklist.is_empty());
}

/// Reads a frame of the exam with its edge so many mm from the os.
fn read_frame(d: &mut Desk, file: &str, number: u32, mm: f64, side: Side) {
    d.act(Action::GoTo(key(file, number)));
    d.put(Mark::InternalOs, 400.0, 300.0);
    d.put(Mark::PlacentalEdge, 400.0 - 10.0 * mm, 300.0);
    d.act(Action::PutDown);
    d.state(side);
}

#[test]
fn the_exam_shows_both_values_every_frame_and_what_was_left_out() {
    let mut d = Desk::ready();
    d.fourteen();
    read_frame(&mut d, "visit2-cine.dcm", 1, 16.0, Side::NotCovering);
    read_frame(&mut d, "visit2-cine.dcm", 3, 4.0, Side::NotCovering);
    let exam = d.session.exam_now().unwrap().clone();
    assert_eq!(exam.frames.iter().map(|f| f.place).collect::<Vec<_>>(), [Some(1), Some(2), Some(4)]);
    assert_eq!(exam.values.summary.decisive, Some(2));
    assert!(exam.values.words(|v| format!("{v:.0}")).iter().any(|w| w.contains("wrong os?")));
    // Judged inadequate, it is left out and stays listed; the others decide.
    d.act(Action::Note(NoteAction::Exception(Item::NoPressure)));
    let exam = d.session.exam_now().unwrap().clone();
    assert!(exam.left_out(2) && exam.frames.len() == 3);
    assert!(
        matches!(&exam.values.summary.exam_distance, ExamDistance::Estimate { signed_mm, .. } if (signed_mm.get() - 15.0).abs() < 1e-9)
    );
    assert!(matches!(exam.values.summary.shortest.unwrap().value, Value::Exact { signed_mm } if (signed_mm.get() - 14.0).abs() < 1e-9));
    // A rescan is a second set of the same exam.
    d.act(Action::Note(NoteAction::NextSet));
    assert_eq!(d.session.exam_now().unwrap().values.sets.len(), 2);
    d.act(Action::Note(NoteAction::NextSet));
    assert!(d.session.exam_now().unwrap().values.sets.is_empty(), "round to the first set again");
    // Another visit is another exam.
    d.act(Action::GoTo(key("visit3-a.dcm", 1)));
    assert!(d.session.exam_now().is_none());
}

#[test]
fn a_covering_frame_makes_the_exam_discordant_and_records_hold_what_was_saved() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Save);
    read_frame(&mut d, "visit2-cine.dcm", 2, 6.0, Side::Covers);
    let exam = d.session.exam_now().unwrap();
    assert_eq!((exam.values.summary.kind, exam.values.summary.decisive), (Kind::Covering, Some(1)));
    assert!(exam.values.words(|v| format!("{v:.0}")).iter().any(|w| w.starts_with("Discordant, look again")));
    d.act(Action::Save);
    let saved = d.world.saved.lock().unwrap().clone();
    let held = saved[1].record.exam.clone().unwrap();
    assert_eq!(held.readings[0].record, saved[0].record.id());
    assert_eq!(held.values.summary.kind, Kind::Covering);
    assert!(osspan::record::verify(&saved[1].record, None).differences.is_empty());
}

#[test]
fn an_offer_waits_for_an_answer_and_both_places_stay_in_the_record() {
    let mut d = Desk::ready();
    d.fourteen();
    // The invented placenta's right end lies at x = 260, y = 330: taken here for a plate.
    let own = PxPoint::new(252.0, 330.0);
    d.put(Mark::PlatesMeet, 240.0, 280.0);
    d.put(Mark::BasalPlate, own.x, own.y);
    d.put(Mark::ChorionicPlate, 200.0, 275.0);
    d.act(Action::Select(Mark::BasalPlate));
    press(&mut d, Key::Z, Modifiers::NONE);
    let offer = d.session.offer().copied().unwrap_or_else(|| panic!("{:?}", d.session.messages()));
    assert_eq!((offer.mark, offer.placed, d.session.work().get(Mark::BasalPlate)), (Mark::BasalPlate, own, Some(own)));
    assert!((offer.offer.at.x - 260.0).abs() < 4.0 && offer.offer.at.x > 252.0, "{offer:?}");
    d.act(Action::Save);
    assert!(d.session.messages().iter().any(|m| m.contains("An offer of the edge assist is open")));
    press(&mut d, Key::Enter, Modifiers::NONE);
    assert_eq!(d.session.work().get(Mark::BasalPlate), Some(offer.offer.at));
    assert!(d.session.offer().is_none());
    d.act(Action::Undo);
    assert_eq!(d.session.work().get(Mark::BasalPlate), Some(own), "one step takes it back, with its note");
    assert!(d.session.work().notes.assisted.is_empty());
    // Declined by Escape, the reader's own stays and the offer is kept with it.
    d.act(Action::Select(Mark::BasalPlate));
    press(&mut d, Key::Z, Modifiers::NONE);
    d.act(Action::Escape);
    let assisted = d.session.work().notes.assisted.clone();
    assert!(assisted.len() == 1 && !assisted[0].accepted && assisted[0].placed == own);
    assert!(!d.session.work().notes.distance_assisted());
    d.act(Action::Save);
    assert_eq!(d.world.saved.lock().unwrap()[0].record.notes.assisted, assisted);
    // For the os and the leading edge none is made, and that is said.
    d.act(Action::Select(Mark::PlacentalEdge));
    press(&mut d, Key::Z, Modifiers::NONE);
    assert!(d.session.offer().is_none() && d.session.messages().iter().any(|m| m.starts_with("No offer")), "{:?}", d.session.messages());
}
