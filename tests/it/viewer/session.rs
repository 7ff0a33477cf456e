//! The session without any drawing: every rule of the window that can be said without a window.

use jiff::civil::date;
use osspan::context::{Bladder, Contraction, Route};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::{Side, Value};
use osspan::reading::Distance;
use osspan::record::Draft;
use osspan::units::{PxPoint, PxVec};
use osspan::viewer::action::{Action, ContextChange, Found, Mark};
use osspan::viewer::session::{Need, Outcome, SaveState, Session};

use super::invented::{self, Memory, key};

/// A session with its world, which answers at once.
pub(super) struct Desk {
    pub(super) session: Session,
    pub(super) world: Memory,
}

impl Desk {
    fn new(reader: Option<&str>, table: Option<&str>) -> Self {
        let mut settings = Settings::default();
        settings.reader = reader.map(str::to_owned);
        settings.guideline = table.map(str::to_owned);
        Self { session: Session::new(guideline::tables().unwrap(), settings), world: Memory::default() }
    }

    /// Named, with a table, and at frame 1 of visit 2.
    pub(super) fn ready() -> Self {
        let mut d = Self::new(Some("R. Ito"), Some("us-consensus-2014"));
        d.act(Action::Open(vec!["exam".into()]));
        d.act(Action::GoTo(key("visit2-a.dcm", 1)));
        d
    }

    pub(super) fn act(&mut self, action: Action) {
        let mut queue = vec![action];
        while !queue.is_empty() {
            let effects = self.session.apply(queue.remove(0));
            queue.extend(effects.into_iter().filter_map(|e| self.world.answer(e)));
        }
    }

    /// The answers are held back: what the world was asked is returned instead.
    fn ask(&mut self, action: Action) -> Vec<osspan::viewer::action::Effect> {
        self.session.apply(action)
    }

    pub(super) fn put(&mut self, mark: Mark, x: f64, y: f64) {
        self.act(Action::Arm(mark));
        self.act(Action::Place(PxPoint::new(x, y)));
    }

    pub(super) fn state(&mut self, side: Side) {
        self.act(Action::StateSide(side));
    }

    /// Edge 14 mm from the os, not covering, with everything stated.
    pub(super) fn fourteen(&mut self) {
        self.put(Mark::InternalOs, 400.0, 300.0);
        self.put(Mark::PlacentalEdge, 260.0, 300.0);
        self.put(Mark::PlacentalBody, 220.0, 310.0);
        self.state(Side::NotCovering);
        for c in [
            ContextChange::Route(Route::Transvaginal),
            ContextChange::Bladder(Bladder::Empty),
            ContextChange::Contraction(Contraction::Absent),
        ] {
            self.act(Action::Context(c));
        }
    }

    fn headline(&self) -> String {
        match self.session.outcome() {
            Outcome::Read(r) => r.headline.clone(),
            other => panic!("{other:?}"),
        }
    }

    fn needs(&self) -> Vec<Need> {
        match self.session.outcome() {
            Outcome::Lacks(n) => n.clone(),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn nothing_is_chosen_for_the_reader() {
    let mut d = Desk::new(None, None);
    d.act(Action::Open(vec!["exam".into()]));
    assert_eq!(d.needs(), [Need::Reader, Need::Table, Need::Os, Need::Edge, Need::Side]);
    assert!(d.session.table().is_none());
    assert_eq!(d.session.exam().unwrap().context.route, Route::Unknown);
    d.put(Mark::InternalOs, 400.0, 300.0);
    d.put(Mark::PlacentalEdge, 260.0, 300.0);
    d.act(Action::ChooseTable("rcog-2018".into()));
    assert_eq!(d.needs(), [Need::Reader, Need::Side], "a side is never assumed");
    assert!(d.session.work().side.is_none());
}

#[test]
fn an_exam_may_name_its_own_table_and_a_choice_overrides_it() {
    let mut d = Desk::new(None, None);
    let mut sample = invented::exam("9.9", date(2031, 1, 2), &[("sample.dcm", 1)]);
    sample.names_table = Some("sogc-2020".into());
    let plain = invented::exam("9.8", date(2031, 1, 3), &[("own.dcm", 1)]);
    d.act(Action::Opened(Ok(Found { exams: vec![sample, plain], ..Found::default() })));
    assert_eq!(d.session.table().unwrap().id(), "sogc-2020");
    assert!(d.world.settings.lock().unwrap().guideline.is_none(), "it is not kept as the reader's choice");
    d.act(Action::GoTo(key("own.dcm", 1)));
    assert!(d.session.table().is_none(), "it does not spill over to other exams");
    d.act(Action::ChooseTable("rcog-2018".into()));
    d.act(Action::GoTo(key("sample.dcm", 1)));
    assert_eq!(d.session.table().unwrap().id(), "rcog-2018");
}

#[test]
fn os_edge_body_follow_without_taking_them_up_one_by_one() {
    let mut d = Desk::ready();
    for (mark, x) in [(Mark::InternalOs, 400.0), (Mark::PlacentalEdge, 260.0), (Mark::PlacentalBody, 220.0)] {
        assert_eq!(d.session.armed(), Some(mark));
        d.act(Action::Place(PxPoint::new(x, 300.0)));
    }
    assert_eq!(d.session.armed(), None);
    d.act(Action::Place(PxPoint::new(10.0, 10.0)));
    assert_eq!(d.session.work().placed().count(), 3, "a click with nothing taken up places nothing");
    d.state(Side::NotCovering);
    assert_eq!(d.headline(), "Edge 14 mm from the internal os, not covering");
}

#[test]
fn a_moved_landmark_never_leaves_an_old_finding() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Drag(Mark::PlacentalEdge, PxPoint::new(330.0, 300.0)));
    assert_eq!(d.headline(), "Edge 7 mm from the internal os, not covering");
    d.act(Action::Select(Mark::PlacentalEdge));
    d.act(Action::Nudge(PxVec { x: -10.0, y: 0.0 }));
    assert_eq!(d.headline(), "Edge 8 mm from the internal os, not covering");
    d.act(Action::Remove(Mark::PlacentalEdge));
    assert_eq!(d.needs(), [Need::Edge]);
}

#[test]
fn landmarks_of_one_frame_never_show_on_another() {
    let mut d = Desk::ready();
    d.fourteen();
    // The next frame is not decoded yet: neither its picture nor the former frame's landmarks are there.
    let effects = d.ask(Action::GoTo(key("visit2-cine.dcm", 3)));
    assert!(d.session.picture().is_none() && d.session.work().is_empty() && *d.session.outcome() == Outcome::Nothing);
    d.act(Action::Place(PxPoint::new(1.0, 1.0)));
    d.state(Side::Covers);
    assert!(d.session.work().is_empty(), "nothing can be done on a frame that is not seen");
    // An answer for another frame that comes late changes nothing.
    d.act(Action::Decoded(key("visit2-a.dcm", 1), Ok(std::sync::Arc::new(invented::frame("visit2-a.dcm", 1)))));
    assert!(d.session.picture().is_none());
    for e in effects {
        if let Some(answer) = d.world.answer(e) {
            d.act(answer);
        }
    }
    assert!(d.session.picture().is_some() && d.session.work().is_empty());
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert_eq!(d.session.work().placed().count(), 3, "unsaved work waits on its own frame");
    assert_eq!(d.headline(), "Edge 14 mm from the internal os, not covering");
}

#[test]
fn every_change_is_undone_and_done_again_where_it_was_made() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::ChooseTable("sogc-2020".into()));
    let full = (d.session.work(), d.session.exam().unwrap().context.clone());
    d.act(Action::GoTo(key("visit1-a.dcm", 1)));
    for _ in 0..8 {
        d.act(Action::Undo);
    }
    assert_eq!(d.session.current(), Some(&key("visit2-a.dcm", 1)), "undo goes to where the change was");
    assert!(d.session.work().is_empty() && d.session.undo_words().is_none());
    assert_eq!(d.session.exam().unwrap().context.route, Route::Unknown);
    assert_eq!(d.session.table().unwrap().id(), "us-consensus-2014");
    for _ in 0..8 {
        d.act(Action::Redo);
    }
    assert_eq!((d.session.work(), d.session.exam().unwrap().context.clone()), full);
    assert_eq!(d.session.table().unwrap().id(), "sogc-2020");
    assert!(d.session.redo_words().is_none());
}

#[test]
fn one_drag_is_one_step_and_a_new_change_ends_redo() {
    let mut d = Desk::ready();
    d.fourteen();
    for x in [262.0, 265.0, 270.0] {
        d.act(Action::Drag(Mark::PlacentalEdge, PxPoint::new(x, 300.0)));
    }
    d.act(Action::LetGo);
    d.act(Action::Drag(Mark::PlacentalEdge, PxPoint::new(300.0, 300.0)));
    d.act(Action::LetGo);
    d.act(Action::Undo);
    assert_eq!(d.session.work().get(Mark::PlacentalEdge), Some(PxPoint::new(270.0, 300.0)));
    d.act(Action::Undo);
    assert_eq!(d.session.work().get(Mark::PlacentalEdge), Some(PxPoint::new(260.0, 300.0)));
    d.state(Side::Reaches);
    assert!(d.session.redo_words().is_none());
}

#[test]
fn the_far_end_has_one_kind_at_a_time() {
    let mut d = Desk::ready();
    d.fourteen();
    d.put(Mark::LastPlacenta, 260.0, 300.0);
    assert!(d.session.work().get(Mark::PlacentalEdge).is_none());
    assert!(matches!(d.session.outcome(), Outcome::Refused(_)), "\"last placenta seen\" does not go with \"not covering\"");
    assert!(d.session.save_job().is_err());
    d.state(Side::Covers);
    assert_eq!(d.headline(), "Overlaps the os by at least 14 mm");
    d.put(Mark::EndOfWall, 50.0, 300.0);
    d.state(Side::NotCovering);
    let Outcome::Read(r) = d.session.outcome() else { panic!() };
    let Distance::Measured(m) = &r.distance else { panic!() };
    assert!(matches!(m.measurement.value, Value::NoPlacentaWithin { mm } if (mm.get() - 35.0).abs() < 1e-9));
}

#[test]
fn a_picture_that_is_stored_under_two_names_is_read_for_each_by_itself() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Save);
    // The same bytes under the same frame number, in another person's exam.
    let mut other = invented::exam("8.8", date(2031, 3, 20), &[("copy/visit2-a.dcm", 1)]);
    other.patient.number = Some("000-18".into());
    other.files[0].facts.patient.number = Some("000-18".into());
    d.act(Action::Opened(Ok(Found { exams: vec![other], ..Found::default() })));
    let mut copy = invented::frame("visit2-a.dcm", 1);
    copy.id.sha256 = "visit2-a.dcm-1".into();
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    let effects = d.ask(Action::GoTo(key("copy/visit2-a.dcm", 1)));
    assert!(!effects.is_empty());
    d.act(Action::Decoded(key("copy/visit2-a.dcm", 1), Ok(std::sync::Arc::new(copy))));
    assert!(d.session.picture().is_some());
    assert!(d.session.work().is_empty(), "nothing of the other person's reading is taken up");
    d.fourteen();
    let record = d.session.save_job().unwrap().record("2031-03-20T09:26:53+01:00".into()).unwrap();
    assert!(record.follows.is_empty(), "nor followed: {:?}", record.follows);
}

#[test]
fn a_side_that_the_body_contradicts_cannot_be_saved() {
    let mut d = Desk::ready();
    d.fourteen();
    d.state(Side::Covers);
    d.act(Action::Save);
    assert!(d.world.saved.lock().unwrap().is_empty());
    assert!(d.session.messages().last().unwrap().starts_with("Not saved."));
    assert_eq!(d.session.save_state(), SaveState::NotSaved);
}

#[test]
fn saving_says_what_is_still_to_do_and_names_the_reader() {
    let mut d = Desk::new(None, Some("us-consensus-2014"));
    d.act(Action::Open(vec!["exam".into()]));
    d.act(Action::Save);
    assert!(d.session.messages().last().unwrap().contains("mark the internal os"));
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    d.fourteen();
    assert_eq!(d.headline(), "Edge 14 mm from the internal os, not covering", "a name is needed to save, not to read");
    d.act(Action::Save);
    assert!(d.session.messages().last().unwrap().contains("name the reader") && d.world.saved.lock().unwrap().is_empty());
    d.act(Action::TypeReader(" R. Ito ".into()));
    assert_eq!(d.session.reader(), "", "half a name is nobody's");
    d.act(Action::NameReader);
    d.act(Action::Save);
    assert_eq!(d.world.saved.lock().unwrap()[0].record.reader, "R. Ito");
    assert_eq!(d.session.save_state(), SaveState::Saved);
}

#[test]
fn what_changes_after_saving_shows_as_not_saved_and_follows_when_saved() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Save);
    d.act(Action::Save);
    assert_eq!(d.world.saved.lock().unwrap().len(), 1, "the same reading is not saved twice");
    d.act(Action::Context(ContextChange::Bladder(Bladder::Full)));
    assert_eq!(d.session.save_state(), SaveState::ChangedSinceSaved);
    d.act(Action::Undo);
    assert_eq!(d.session.save_state(), SaveState::Saved);
    d.act(Action::ChooseTable("rcog-2018".into()));
    assert_eq!(d.session.save_state(), SaveState::ChangedSinceSaved);
    d.act(Action::Save);
    let saved = d.world.saved.lock().unwrap().clone();
    assert_eq!(saved[1].record.follows, [saved[0].record.id().to_owned()]);
}

#[test]
fn a_saved_reading_is_found_again_by_its_reader_and_by_no_other() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Save);
    let records = d.world.saved.lock().unwrap().clone();

    let mut again = Desk::new(Some("R. Ito"), Some("us-consensus-2014"));
    again.act(Action::Records(records.clone(), Vec::new()));
    again.act(Action::Open(vec!["exam".into()]));
    again.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert_eq!(again.headline(), "Edge 14 mm from the internal os, not covering");
    assert_eq!(again.session.save_state(), SaveState::Saved);
    assert!(again.session.unsaved().is_empty());

    let mut other = Desk::new(Some("A. Second"), Some("us-consensus-2014"));
    other.act(Action::Records(records.clone(), Vec::new()));
    other.act(Action::Open(vec!["exam".into()]));
    other.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert!(other.session.work().is_empty() && other.session.save_state() == SaveState::Nothing);
    assert_eq!(other.session.readings_by_others(), 1);

    // Handing the window over takes the first reader's saved work out of sight.
    again.act(Action::TypeReader("A. Second".into()));
    again.act(Action::NameReader);
    assert!(again.session.work().is_empty());
}

#[test]
fn unfinished_work_is_kept_as_it_is_made_and_forgotten_when_saved() {
    let mut d = Desk::ready();
    assert!(d.world.drafts.lock().unwrap().is_empty(), "nothing was done");
    // What was said of the exam is work too, before any landmark.
    d.act(Action::Context(ContextChange::Caesareans("2".into())));
    let kept = |d: &Desk| d.world.drafts.lock().unwrap().values().cloned().collect::<Vec<_>>();
    assert_eq!(kept(&d)[0].context.previous_caesareans, Some(2));
    d.fourteen();
    let all = kept(&d);
    assert_eq!(all.len(), 1, "one a frame");
    assert_eq!((all[0].internal_os, all[0].side), (Some(PxPoint::new(400.0, 300.0)), Some(Side::NotCovering)));
    assert_eq!((all[0].reader.as_str(), all[0].table.as_deref()), ("R. Ito", Some("us-consensus-2014")));
    d.act(Action::Save);
    assert!(kept(&d).is_empty());
    d.act(Action::Select(Mark::InternalOs));
    d.act(Action::Nudge(PxVec { x: 1.0, y: 0.0 }));
    assert_eq!(kept(&d).len(), 1, "a change after saving is unfinished again");
    d.act(Action::Undo);
    assert!(kept(&d).is_empty());
}

#[test]
fn what_a_crash_left_is_offered_with_its_frame_to_its_reader_alone() {
    let mut d = Desk::ready();
    d.fourteen();
    let mut left: Vec<Draft> = d.world.drafts.lock().unwrap().values().cloned().collect();
    left.iter_mut().for_each(|draft| draft.window = "before".into());

    let start = |reader: &str| {
        let mut again = Desk::new(Some(reader), Some("us-consensus-2014"));
        for draft in &left {
            again.world.drafts.lock().unwrap().insert(draft.name(), draft.clone());
        }
        again.act(Action::Drafts(left.clone(), Vec::new()));
        again.act(Action::Open(vec!["exam".into()]));
        again
    };
    let mut other = start("A. Second");
    other.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert!(other.session.offered_draft().is_none() && other.session.left_unfinished().count() == 0);

    let mut again = start("R. Ito");
    assert!(again.session.offered_draft().is_none(), "another frame is shown");
    again.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert!(again.session.offered_draft().is_some() && again.session.work().is_empty(), "offered, not taken");
    // Work that is begun beside an offer does not overwrite it.
    again.put(Mark::InternalOs, 100.0, 100.0);
    assert_eq!(again.world.drafts.lock().unwrap().len(), 2);
    again.act(Action::TakeUpDraft);
    assert_eq!(again.headline(), "Edge 14 mm from the internal os, not covering");
    assert!(again.session.offered_draft().is_none());
    let names: Vec<String> = again.world.drafts.lock().unwrap().keys().cloned().collect();
    assert!(names.len() == 1 && names[0].ends_with("-w1.json"), "{names:?}");
    again.act(Action::Undo);
    assert_eq!(again.session.work().os, Some(PxPoint::new(100.0, 100.0)));

    let mut again = start("R. Ito");
    again.act(Action::GoTo(key("visit2-a.dcm", 1)));
    again.act(Action::LetDraftGo);
    assert!(again.session.offered_draft().is_none() && again.world.drafts.lock().unwrap().is_empty());
}

#[test]
fn earlier_exams_and_other_frames_stand_on_the_same_axis() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Save);
    d.act(Action::GoTo(key("visit3-a.dcm", 1)));
    d.put(Mark::InternalOs, 400.0, 300.0);
    d.put(Mark::PlacentalEdge, 100.0, 300.0);
    d.state(Side::NotCovering);
    let others = d.session.others();
    assert_eq!(others.len(), 1);
    assert!(others[0].earlier && others[0].label == "32w1d", "{others:?}");
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert!(d.session.others().is_empty(), "a later exam is not an earlier one");
    d.act(Action::GoTo(key("visit2-cine.dcm", 1)));
    assert!(d.session.others().iter().all(|o| !o.earlier) && d.session.others().len() == 1);
}

#[test]
fn unsaved_work_keeps_the_window_open_until_the_reader_says_so() {
    let mut d = Desk::ready();
    assert!(matches!(d.ask(Action::RequestClose).as_slice(), [osspan::viewer::action::Effect::Close]));
    d.fourteen();
    assert!(d.ask(Action::RequestClose).is_empty() && d.session.closing());
    assert_eq!(d.session.unsaved(), [key("visit2-a.dcm", 1)]);
    d.act(Action::StayOpen);
    assert!(!d.session.closing());
    d.act(Action::Save);
    assert!(matches!(d.ask(Action::RequestClose).as_slice(), [osspan::viewer::action::Effect::Close]));
}

#[test]
fn the_keyboard_alone_can_place_a_landmark() {
    let mut d = Desk::ready();
    d.act(Action::PlaceAtCross);
    assert_eq!(d.session.cross(), Some(PxPoint::new(320.0, 240.0)));
    for _ in 0..3 {
        d.act(Action::Nudge(PxVec { x: 10.0, y: 0.0 }));
    }
    d.act(Action::Nudge(PxVec { x: 0.0, y: 0.2 }));
    d.act(Action::PlaceAtCross);
    let os = d.session.work().os.unwrap();
    assert!((os.x - 350.0).abs() < 1e-9 && (os.y - 240.2).abs() < 1e-9);
    d.act(Action::Nudge(PxVec { x: -1e6, y: 0.0 }));
    assert_eq!(d.session.cross().unwrap().x, 0.0, "the cross stays on the frame");
}

#[test]
fn dates_are_understood_or_refused_beside_the_field() {
    let mut d = Desk::ready();
    d.act(Action::Context(ContextChange::ExamDate("2031-03-1".into())));
    assert!(d.session.exam().unwrap().context.exam_date.is_none(), "a half-typed date is no date");
    d.act(Action::Context(ContextChange::ExamDate("2031-03-14".into())));
    assert_eq!(d.session.exam().unwrap().context.exam_date, Some(date(2031, 3, 14)));
    d.act(Action::Context(ContextChange::Caesareans("x".into())));
    assert!(d.session.exam().unwrap().context.previous_caesareans.is_none());
    d.act(Action::Context(ContextChange::Caesareans("1".into())));
    assert_eq!(d.session.exam().unwrap().context.previous_caesareans, Some(1));
    d.act(Action::Undo);
    assert!(d.session.exam().unwrap().context.previous_caesareans.is_none());
}

#[test]
fn opening_again_keeps_what_was_said_and_done() {
    let mut d = Desk::ready();
    d.fourteen();
    d.act(Action::Open(vec!["exam".into()]));
    assert_eq!(d.session.exams().len(), 3);
    d.act(Action::GoTo(key("visit2-a.dcm", 1)));
    assert_eq!(d.session.work().placed().count(), 3);
    assert_eq!(d.session.exam().unwrap().context.route, Route::Transvaginal);
}

#[test]
fn an_error_is_told_once_with_what_to_do_next() {
    let mut d = Desk::ready();
    for _ in 0..3 {
        d.act(Action::Opened(Err("the folder cannot be read. Choose another".into())));
    }
    assert_eq!(d.session.messages().len(), 1);
    d.act(Action::Escape);
    d.act(Action::Escape);
    assert!(d.session.messages().is_empty());
    d.act(Action::Opened(Ok(Found::default())));
    assert!(d.session.messages()[0].contains("Name a file or folder"));
    assert!(d.session.current().is_some(), "what was open stays open");
    d.act(Action::Decoded(key("visit2-a.dcm", 1), Err("the image is cut short".into())));
    assert_eq!(d.session.picture_error(), Some("the image is cut short"));
    assert_eq!(*d.session.outcome(), Outcome::Nothing);
}

#[test]
fn going_past_the_ends_goes_nowhere() {
    let mut d = Desk::ready();
    d.act(Action::StepFrame(-1));
    assert_eq!(d.session.current(), Some(&key("visit2-a.dcm", 1)));
    for _ in 0..20 {
        d.act(Action::StepFrame(1));
    }
    assert_eq!(d.session.current(), Some(&key("visit2-cine.dcm", 6)));
    d.act(Action::StepExam(-1));
    assert_eq!(d.session.current(), Some(&key("visit1-a.dcm", 1)));
    d.act(Action::StepExam(-1));
    assert_eq!(d.session.exam_place(), Some((1, 3)));
}
