//! Two readers at two windows with data folders of their own on one folder of records: the whole loop, and nothing of the
//! first reading on any page of the second reader before theirs is saved.

use std::path::Path;

use egui::Key;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::context::{Bladder, Contraction, Route};
use osspan::measure::Side;
use osspan::record::{Role, Settlement};
use osspan::review::{Standing, Wish};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, ContextChange, Mark};
use osspan::viewer::page::Page;
use osspan::viewer::session::{FrameKey, ReviewAction as Do, SaveState, Sight};

use super::drive::{Window, label, sample, wait, window_on};

pub(super) fn sit_down(dir: &Path, name: &str, reader: &str, role: Role) -> Window {
    let mut h = window_on(&dir.join("shared"), &dir.join(name));
    h.state_mut().act(vec![
        Action::TypeReader(reader.into()),
        Action::NameReader,
        Do::SetRole(role).into(),
        Action::ChooseTable("rcog-2018".into()),
    ]);
    h.run();
    h
}

/// Reads a frame of visit 2 and saves.
pub(super) fn read(h: &mut Window, edge: PxPoint, body: PxPoint) {
    let key = FrameKey { path: sample().join("visit-2/frame-1.dcm"), number: 1 };
    h.state_mut().act(vec![Action::GoTo(key.clone())]);
    h.run();
    wait(h, "visit 2", |s| s.current() == Some(&key) && s.picture().is_some());
    let mut all = Vec::new();
    for (mark, at) in [(Mark::InternalOs, PxPoint::new(249.3, 184.0)), (Mark::PlacentalEdge, edge), (Mark::PlacentalBody, body)] {
        all.extend([Action::Arm(mark), Action::Place(at)]);
    }
    all.extend([
        Action::StateSide(Side::NotCovering),
        Action::Context(ContextChange::Route(Route::Transvaginal)),
        Action::Context(ContextChange::Bladder(Bladder::Empty)),
        Action::Context(ContextChange::Contraction(Contraction::Absent)),
        Action::Save,
    ]);
    h.state_mut().act(all);
    h.run();
    wait(h, "the saved reading", |s| s.save_state() == SaveState::Saved);
}

/// Everything that a page says, to eyes or to a screen reader.
pub(super) fn said(h: &Window) -> String {
    let nodes = h.query_all_by(|_| true).map(|n| {
        let node = n.accesskit_node();
        format!("{} {}", node.label().unwrap_or_default(), node.value().unwrap_or_default())
    });
    nodes.collect::<Vec<_>>().join("\n")
}

#[test]
fn two_readers_do_the_whole_loop_in_their_windows() {
    let dir = tempfile::tempdir().unwrap();
    let mut one = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    read(&mut one, PxPoint::new(250.7, 244.8), PxPoint::new(221.6, 271.8));
    let headline = one.state().session().record_of_current().unwrap().record.headline.clone();
    drop(one);

    let mut two = sit_down(dir.path(), "two", "B. Second", Role::Reviewer);
    two.key_press(Key::F6);
    wait(&mut two, "the queue", |s| s.page() == Page::SecondReading && s.review().waiting().len() == 1);
    assert!(two.state().session().review().exams().is_empty() && two.state().session().sides().is_none());
    for page in Page::ALL {
        two.state_mut().act(vec![Action::ShowPage(page)]);
        two.run();
        for list in [false, true] {
            if list && page == Page::Reading {
                two.key_press(Key::F);
                two.run();
            }
            let text = said(&two);
            assert!(!text.contains("A. First") && !text.contains(&headline), "{page:?}: {text}");
        }
    }
    assert!(two.state().session().others().is_empty(), "no mark of it on the distance line");
    two.state_mut().act(vec![Action::ShowPage(Page::SecondReading)]);
    two.run();
    label(&mut two, "Read it");
    wait(&mut two, "its images", |s| s.page() == Page::Reading && s.picture().is_some());
    assert!(two.state().session().current().unwrap().path.to_string_lossy().contains("visit-2"));

    read(&mut two, PxPoint::new(252.0, 286.0), PxPoint::new(225.0, 320.0));
    two.key_press(Key::F6);
    wait(&mut two, "the comparison", |s| s.review().exams().len() == 1 && s.review().waiting().is_empty());
    let exam = two.state().session().review().exams()[0].exam.clone();
    two.state_mut().act(vec![Do::Choose(exam).into()]);
    two.run();
    // Both readers' landmarks are on the frame that both chose.
    wait(&mut two, "the picture of both", |s| {
        s.sides().is_some_and(|(_, sides)| sides.iter().all(|side| matches!(side.sight, Sight::Picture(..))))
    });
    {
        let session = two.state().session();
        let (comparison, [first, second]) = session.sides().unwrap();
        assert_eq!((comparison.first.as_str(), comparison.second.as_str()), (first.reading.id(), second.reading.id()));
        assert_eq!((first.reading.reader.as_str(), second.reading.reader.as_str()), ("A. First", "B. Second"));
        assert_eq!(first.reading.frame, second.reading.frame);
        assert!(first.mm_per_px.is_some() && first.mm_per_px == second.mm_per_px);
        let mark = second.reading.second.as_ref().unwrap();
        assert!(mark.blinded && mark.first == [first.reading.id().to_owned()]);
    }
    two.key_press(Key::L);
    two.run();
    assert!(two.state().session().review().near());
    let text = said(&two);
    assert!(text.contains("Landmarks of A. First and B. Second on one frame"), "{text}");
    assert!(text.contains("First reader: A. First") && text.contains(&headline) && text.contains("different findings"), "{text}");
    assert!(two.query_by_label("Sign what stands").is_none() && two.query_by_label("Agree: the first stands").is_none());

    // Without a reason nothing is settled.
    label(&mut two, "the second stands");
    wait(&mut two, "the refusal", |s| !s.messages().is_empty());
    two.key_press(Key::Escape);
    two.run();
    two.state_mut().act(vec![Do::TypeReason("looked at together".into()).into()]);
    two.run();
    label(&mut two, "the second stands");
    wait(&mut two, "the settlement", |s| s.review().chosen().is_some_and(|e| e.standing() == Standing::Settled));
    let settled = two.state().session().review().listed().map(|(_, s)| s.clone()).collect::<Vec<_>>();
    assert_eq!(settled, [Standing::Settled], "as the exam itself says, from when it was read");
    label(&mut two, "Sign what stands");
    wait(&mut two, "the signature", |s| s.review().chosen().is_some_and(|e| e.standing() == Standing::Signed));
    assert!(two.state().session().review().chosen_with_standing().is_some_and(|(_, s)| *s == Standing::Signed));
    assert!(said(&two).contains("Signed and unchanged since."));
    drop(two);

    // The first reader sees that it is signed; a trainee at that desk signs nothing.
    let mut one = sit_down(dir.path(), "one", "A. First", Role::Trainee);
    one.key_press(Key::F6);
    wait(&mut one, "the signed exam", |s| s.review().exams().iter().any(|e| e.standing() == Standing::Signed));
    let exam = one.state().session().review().exams()[0].exam.clone();
    one.state_mut().act(vec![Do::Choose(exam).into(), Do::Take(Wish::Sign).into()]);
    one.run();
    wait(&mut one, "the refusal", |s| s.messages().iter().any(|m| m.contains("trainee cannot sign")));
    let wish = Wish::Settle { with: "B. Second".into(), settlement: Settlement::ScanAgain, reason: " ".into() };
    one.state_mut().act(vec![Do::Take(wish).into()]);
    one.run();
    wait(&mut one, "the second refusal", |s| s.messages().len() == 2);
}
