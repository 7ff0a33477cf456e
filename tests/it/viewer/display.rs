//! How frames are shown never reaches what is measured, and what stands beside or over a frame is who is looked at's own.

use std::sync::Arc;

use osspan::measure::Side;
use osspan::record::{ReadingRecord, Role};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Mark};
use osspan::viewer::session::{DisplayAction as Do, ReviewAction, SaveState};

use super::invented::{self, key};
use super::session::Desk;

fn show(d: &mut Desk, what: Do) {
    d.act(Action::Display(what));
}

fn record(d: &Desk) -> ReadingRecord {
    d.session.save_job().unwrap().record("2031-03-14T09:26:53+01:00".into()).unwrap()
}

/// What is on disk is read, as the world does after a change of reader or role.
fn see(d: &mut Desk) {
    let saved = d.world.saved.lock().unwrap().clone();
    d.act(Action::Records(saved, Vec::new()));
}

/// Another reader's saved reading of the frame on screen.
fn read_by(d: &mut Desk, reader: &str) {
    let before = d.session.reader().to_owned();
    let name = |d: &mut Desk, n: &str| {
        d.act(Action::TypeReader(n.into()));
        d.act(Action::NameReader);
    };
    name(d, reader);
    d.fourteen();
    d.act(Action::Save);
    assert_eq!(d.session.save_state(), SaveState::Saved);
    name(d, &before);
    see(d);
}

#[test]
fn no_way_of_showing_a_frame_changes_its_reading_or_its_samples() {
    let mut d = Desk::ready();
    d.fourteen();
    let (before, samples) = (record(&d), d.session.picture().unwrap().clone());
    for what in [Do::Gamma(9), Do::Level(-9), Do::Window(12), Do::Invert, Do::SinglePixels, Do::Grid, Do::Beside, Do::Density(2.0)] {
        show(&mut d, what);
        assert_eq!(record(&d), before);
    }
    assert!(Arc::ptr_eq(&samples, d.session.picture().unwrap()));
    assert_eq!(d.session.display_words().len(), 6, "{:?}", d.session.display_words());
    assert!(d.session.undo_words().is_some_and(|w| !w.contains("gamma")), "showing is no step of the reading");
    show(&mut d, Do::Reset);
    assert!(d.session.display_words().is_empty() && d.session.beside().is_none());
    assert!((d.session.display().density - 2.0).abs() < 1e-12, "the screen is what it is");
}

#[test]
fn without_a_scale_there_is_no_grid_and_the_reason_is_said() {
    let mut d = Desk::ready();
    let mut exam = invented::exam("7.7", jiff::civil::date(2031, 5, 1), &[("bare.dcm", 1)]);
    exam.files[0].geometry.regions.clear();
    d.act(Action::Opened(Ok(osspan::viewer::action::Found { exams: vec![exam], ..Default::default() })));
    show(&mut d, Do::Grid);
    assert!(!d.session.display().grid);
    assert!(d.session.messages().iter().any(|m| m.starts_with("No millimetre grid: ")), "{:?}", d.session.messages());
    assert!(d.session.scale_words().is_err());
}

#[test]
fn a_frame_beside_is_of_the_same_person_and_nothing_of_it_reaches_the_reading() {
    let mut d = Desk::ready();
    let mut other = invented::exam("7.7", jiff::civil::date(2031, 1, 1), &[("other.dcm", 1)]);
    other.patient.number = Some("000-18".into());
    d.act(Action::Opened(Ok(osspan::viewer::action::Found { exams: vec![other], ..Default::default() })));
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    d.fourteen();
    let before = record(&d);
    show(&mut d, Do::Beside);
    assert_eq!(d.session.beside().unwrap().key, key("visit1-a.dcm", 1), "first the exam before");
    assert!(d.session.beside().unwrap().picture.is_some() && d.session.frame_words(&key("visit1-a.dcm", 1)).contains("frame 1 of 1"));
    assert_eq!(d.session.picture().unwrap().id.sha256, "visit2-a.dcm-1", "the frame that is read stays");
    let mut seen = vec![d.session.beside().unwrap().key.clone()];
    for _ in 0..6 {
        show(&mut d, Do::NextBeside);
        seen.push(d.session.beside().unwrap().key.clone());
    }
    assert!(seen.iter().all(|k| *k != key("other.dcm", 1) && *k != key("visit2-a.dcm", 1)), "{seen:?}");
    assert_eq!(record(&d), before);
    // Marks fall on the frame that is read, and the frame beside goes when it becomes that itself or the person changes.
    show(&mut d, Do::Beside);
    show(&mut d, Do::Beside);
    let beside = d.session.beside().unwrap().key.clone();
    d.act(Action::GoTo(beside));
    assert!(d.session.beside().is_none());
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    show(&mut d, Do::Beside);
    d.act(Action::GoTo(key("other.dcm", 1)));
    assert!(d.session.beside().is_none(), "never another person's frame");
}

#[test]
fn marks_of_saved_readings_are_ones_own_or_those_that_may_be_seen() {
    let mut d = Desk::ready();
    show(&mut d, Do::AllReadings);
    assert!(!d.session.display().all_readings, "there is none");
    read_by(&mut d, "A. Other");
    assert!(d.session.work().is_empty());
    // A sonographer's window keeps another's out of sight; so does a reviewer's until they have read the exam.
    assert!(d.session.readings_seen().is_err());
    d.act(Action::Review(ReviewAction::SetRole(Role::Reviewer)));
    see(&mut d);
    assert!(d.session.readings_seen().is_err());
    d.fourteen();
    d.act(Action::Save);
    see(&mut d);
    let seen = d.session.readings_seen().unwrap();
    let mut readers: Vec<&str> = seen.iter().map(|r| r.reader.as_str()).collect();
    readers.sort_unstable();
    assert_eq!(readers, ["A. Other", "R. Ito"]);
    assert!(seen.iter().all(|r| r.marks.iter().any(|(m, p)| *m == Mark::InternalOs && *p == PxPoint::new(400.0, 300.0))));
    d.act(Action::Review(ReviewAction::SetRole(Role::Sonographer)));
    see(&mut d);
    assert_eq!(d.session.readings_seen().unwrap().len(), 1, "their own alone");
}

#[test]
fn saving_and_going_on_goes_on_only_once_it_is_saved() {
    let mut d = Desk::ready();
    d.act(Action::SaveAndGoOn);
    assert_eq!(d.session.current(), Some(&key("visit2-a.dcm", 1)), "nothing to save: it stays and says why");
    assert!(d.session.messages().iter().any(|m| m.contains("Still to do")));
    d.fourteen();
    let effects = d.session.apply(Action::SaveAndGoOn);
    assert_eq!(d.session.current(), Some(&key("visit2-a.dcm", 1)), "not before the record is there");
    let job = effects.into_iter().find_map(|e| if let osspan::viewer::action::Effect::Save(job) = e { Some(job) } else { None }).unwrap();
    d.act(Action::Saved(job, Err("no room".into())));
    assert_eq!(d.session.current(), Some(&key("visit2-a.dcm", 1)), "not when it failed");
    d.act(Action::SaveAndGoOn);
    assert_eq!(d.session.current(), Some(&key("visit2-cine.dcm", 1)), "then the next file");
    assert_eq!(d.session.armed(), Some(Mark::InternalOs), "with the first landmark taken up");
    assert!(d.session.work().side.is_none(), "and no side stated");
    d.act(Action::GoTo(key("visit2-cine.dcm", 3)));
    d.fourteen();
    d.act(Action::SaveAndGoOn);
    assert_eq!(d.session.current(), Some(&key("visit3-a.dcm", 1)), "from a cine to the next exam");
    d.fourteen();
    d.act(Action::SaveAndGoOn);
    assert!(d.session.messages().iter().any(|m| m.contains("last frame")));
    assert_eq!(d.world.saved.lock().unwrap().len(), 3);
}

#[test]
fn which_side_is_anterior_is_stated_frame_by_frame_and_kept_in_the_record() {
    use osspan::exam::Anterior;
    use osspan::viewer::session::NoteAction;
    let mut d = Desk::ready();
    d.fourteen();
    assert_eq!(d.session.anterior_words(), ("anterior: not stated".into(), false));
    d.act(Action::Note(NoteAction::Anterior));
    assert_eq!(d.session.anterior_words(), ("anterior: left".into(), true));
    assert_eq!(record(&d).notes.anterior, Some(Anterior::Left));
    d.act(Action::GoTo(key("visit2-cine.dcm", 1)));
    let (words, stated) = d.session.anterior_words();
    assert!(!stated && words.contains("not stated here (left on frame 1)"), "{words}");
    d.state(Side::NotCovering);
    assert_eq!(d.session.work().notes.anterior, None, "never taken over");
}
