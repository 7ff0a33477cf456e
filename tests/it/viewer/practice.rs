//! The page of practice: from nothing to a learning curve with the real worker, nothing of the truth before the answer, nothing of
//! practice in the clinic but a wider uncertainty by consent, and assessments taken blind.

use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::Side;
use osspan::practice::placement::{Consent, Placement};
use osspan::practice::{Answer, Level, Reason, Task, score, score_lines};
use osspan::units::{Mm, PxPoint};
use osspan::viewer::action::{Action, Effect, Mark};
use osspan::viewer::page::Page;
use osspan::viewer::session::{Known, PracticeAction as Do, PracticeEffect, SaveState, Session};

use super::drive::{Window, label, wait, window};

/// Everything that the window says, to eyes or to a screen reader.
fn said(h: &Window) -> String {
    let nodes = h.query_all_by(|_| true).map(|n| {
        let node = n.accesskit_node();
        format!("{} {}", node.label().unwrap_or_default(), node.value().unwrap_or_default())
    });
    nodes.collect::<Vec<_>>().join("\n")
}

fn press(h: &mut Window, with: Modifiers, key: Key) {
    h.key_press_modifiers(with, key);
    h.run();
}

fn next(h: &mut Window) {
    let before = h.state().session().practice().desk().and_then(Session::practice_case).map(|c| c.id.clone());
    press(h, Modifiers::NONE, Key::PageDown);
    wait(h, "the next case", |s| {
        s.practice().desk().and_then(Session::practice_case).is_some_and(|c| Some(&c.id) != before.as_ref() && c.shown.is_none())
    });
}

fn shown(h: &mut Window) {
    wait(h, "the marks", |s| s.practice().desk().and_then(Session::practice_case).is_some_and(|c| c.shown.is_some()));
}

#[test]
fn a_trainee_goes_from_nothing_to_a_learning_curve() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    let clinic = h.state().session().current().cloned();
    press(&mut h, Modifiers::NONE, Key::F10);
    press(&mut h, Modifiers::NONE, Key::PageDown);
    assert!(h.state().session().messages().iter().any(|m| m.contains("Name yourself first")));
    press(&mut h, Modifiers::NONE, Key::Escape);
    h.state_mut().act(vec![Action::TypeReader("T. Trainee".into()), Action::NameReader, Action::ChooseTable("sogc-2020".into())]);
    h.run();
    press(&mut h, Modifiers::NONE, Key::Num5);
    assert_eq!(h.state().session().practice().level(), Level::WhatMisleads);
    assert!(said(&h).contains("It is drawn from your first answered case on"));
    next(&mut h);
    let text = said(&h);
    assert!(
        text.contains("PRACTICE · level 5, what misleads") && text.contains("No patient. Nothing here becomes a clinical record."),
        "{text}"
    );
    assert!(!text.contains("Invented, Ada") && !text.contains("DEMO-0001"), "no patient is named");

    // Nothing is submitted before it is complete, and a reason closes again by Esc.
    press(&mut h, Modifiers::NONE, Key::S);
    assert!(said(&h).contains("Not submitted yet. Still to do: mark the internal os"));
    press(&mut h, Modifiers::NONE, Key::Escape);
    press(&mut h, Modifiers::SHIFT, Key::X);
    assert!(said(&h).contains("not read: full bladder"));
    press(&mut h, Modifiers::NONE, Key::Escape);
    assert!(!said(&h).contains("not read: full bladder"));
    let before = said(&h);
    press(&mut h, Modifiers::SHIFT, Key::X);
    press(&mut h, Modifiers::NONE, Key::Num1);
    shown(&mut h);
    let case = h.state().session().practice().desk().unwrap().practice_case().unwrap().shown.clone().unwrap();
    let (attempt, key) = &*case;
    assert_eq!(attempt.answer, Answer::Reject { reason: Reason::FullBladder });
    let after = said(&h);
    for line in &key.why {
        assert!(after.contains(line.as_str()) && !before.contains(line.as_str()), "{line}");
    }
    let truth = format!("{:.1} mm", key.signed_mm.unwrap().get().abs());
    assert!(after.contains(&truth) && !before.contains(&truth), "{truth}");
    // What was answered does not change any more.
    press(&mut h, Modifiers::NONE, Key::N);
    assert!(h.state().session().practice().desk().unwrap().work().side.is_none());

    // The second case is read with the instrument of the clinic.
    next(&mut h);
    let place = |x: f64, y: f64, m| [Action::Arm(m), Action::Place(PxPoint::new(x, y))];
    let mut all: Vec<Action> = place(220.0, 150.0, Mark::InternalOs).into();
    all.extend(place(190.0, 210.0, Mark::PlacentalEdge));
    all.extend([Action::PutDown, Action::StateSide(Side::NotCovering)]);
    h.state_mut().act(all);
    h.run();
    press(&mut h, Modifiers::NONE, Key::S);
    shown(&mut h);
    // Another page and back: the case is still there.
    press(&mut h, Modifiers::NONE, Key::F2);
    assert_eq!(h.state().session().current(), clinic.as_ref(), "the clinical frame is where it was");
    assert!(h.state().session().work().os.is_none() && said(&h).contains("Invented, Ada"));
    press(&mut h, Modifiers::NONE, Key::F10);
    assert!(said(&h).contains("PRACTICE · level 5"));
    press(&mut h, Modifiers::NONE, Key::Escape);
    wait(&mut h, "both cases", |s| s.practice().known().attempts.len() == 2 && s.practice().desk().is_none());
    let text = said(&h);
    // What is drawn was summed up when the cases came in, and is what the cases say.
    let practice = h.state().session().practice();
    let cases: Vec<_> = practice.known().attempts.iter().map(|a| (&a.marked, a.taken.seconds())).collect();
    let scores = score_lines(&score(cases), false);
    let (summed, level) = (practice.summed(), practice.summed().levels[4]);
    let course = summed.course.as_ref().unwrap();
    assert_eq!((level.0, level.1, course.curve.cases.len()), (Level::WhatMisleads, 2, 2));
    assert!(course.scores == scores && summed.own.is_empty() && scores.iter().all(|line| text.contains(line.as_str())));
    assert!(summed.levels.iter().filter(|l| l.0 != Level::WhatMisleads).all(|l| (l.1, l.2) == (0, 0)));
    assert!(
        text.contains("Learning curve: 2 cases")
            && text.contains("Synthetic frames are kinder")
            && text.contains("Competence chart: not shown yet")
    );

    // Nothing of it is a clinical record, a draft, or work that is not saved.
    assert!(!dir.path().join("records").exists() && h.state().session().unsaved().is_empty());
    assert_eq!(h.state().session().save_state(), SaveState::Nothing);
    let drafts = std::fs::read_dir(dir.path().join("drafts")).map_or(0, Iterator::count);
    assert_eq!(drafts, 0);
    // Opened again, the curve is there; an open case is gone on with.
    drop(h);
    let mut h = window(dir.path());
    press(&mut h, Modifiers::NONE, Key::F10);
    wait(&mut h, "both cases again", |s| s.practice().known().attempts.len() == 2);
    next(&mut h);
    let open = h.state().session().practice().desk().unwrap().practice_case().unwrap().id.clone();
    label(&mut h, "To the course (Esc); the case stays open");
    wait(&mut h, "the open case", |s| s.practice().known().open);
    label(&mut h, "Go on with the open case");
    wait(&mut h, "it", |s| s.practice().desk().and_then(Session::practice_case).is_some_and(|c| c.id == open));
}

#[test]
fn a_passphrase_is_dots_until_it_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    h.state_mut().act(vec![Action::TypeReader("T. Trainee".into()), Action::NameReader, Action::ShowPage(Page::Practice)]);
    h.run();
    h.state_mut().act(vec![Do::AllAnswered(Ok(("/sets/form-A".into(), "Spring, form A".into()))).into()]);
    h.run();
    let seen = |h: &Window, words: &str| said(h).contains(words) || super::drawn::lines(h).iter().any(|l| l.contains(words));
    h.get_by_label("passphrase of your key").scroll_to_me();
    h.run();
    h.get_by_label("passphrase of your key").focus();
    h.run();
    h.get_by_label("passphrase of your key").type_text("seven blue herons");
    h.run();
    assert_eq!(h.state().session().practice().passphrase(), "seven blue herons");
    assert!(!seen(&h, "heron"), "{}", said(&h));
    label(&mut h, "show the passphrase of your key");
    assert!(seen(&h, "seven blue herons"));
    label(&mut h, "show the passphrase of your key");
    assert!(!seen(&h, "heron"));
    // One that was shown does not have the next one shown.
    label(&mut h, "show the passphrase of your key");
    for text in ["", "nine grey herons"] {
        h.state_mut().act(vec![Do::TypePassphrase(text.into()).into()]);
        h.run();
    }
    assert!(!seen(&h, "heron"));
}

fn session() -> Session {
    let mut settings = Settings::default();
    settings.reader = Some("T. Trainee".into());
    settings.guideline = Some("sogc-2020".into());
    Session::new(guideline::tables().unwrap(), settings)
}

#[test]
fn own_placement_widens_new_clinical_readings_of_its_own_reader_alone() {
    let mut s = session();
    let known = Known {
        placement: Placement { errors_mm: vec![Mm::new(-3.5); 40], consent: Consent { given_at: Some("2031-03-14T10:00:00Z".into()) } },
        ..Known::default()
    };
    drop(s.apply(Do::Loaded("Somebody else".into(), Ok(Box::new(known.clone()))).into()));
    assert!(!s.repeatability_words().contains("widened"), "{}", s.repeatability_words());
    drop(s.apply(Do::Loaded("T. Trainee".into(), Ok(Box::new(known))).into()));
    assert!(s.repeatability_words().contains("SD 3.50 mm, widened by your consent"), "{}", s.repeatability_words());
    drop(s.apply(Action::TypeReader("R. Ito".into())));
    let effects = s.apply(Action::NameReader);
    assert!(effects.iter().any(|e| matches!(e, Effect::Practice(PracticeEffect::Load(r)) if r == "R. Ito")));
    assert!(s.repeatability_words().contains("SD 2.00 mm, assumed"), "{}", s.repeatability_words());
}

/// A case as the worker gives it, from a file in `dir`.
fn given(dir: &std::path::Path, of: osspan::viewer::session::Of) -> Action {
    use osspan::load::{StoredFile, scan::scan};
    use osspan::viewer::session::{ExamState, GivenCase};
    let task = Task::new(Level::UsualPictures, 3).unwrap();
    let path = dir.join("0123456789abcdef0123.dcm");
    std::fs::write(&path, task.object("0123456789abcdef0123").unwrap().to_bytes().unwrap()).unwrap();
    let found = scan(&path, &mut |_| std::ops::ControlFlow::Continue(())).unwrap();
    let case = GivenCase {
        id: "0123456789abcdef0123".into(),
        of,
        note: task.scan_note().into(),
        exam: ExamState::from(&found.exams[0]),
        frame: std::sync::Arc::new(StoredFile::open(&path).unwrap().frame(1).unwrap()),
    };
    Do::Given(Ok(Box::new(case))).into()
}

#[test]
fn an_assessment_is_answered_blind_and_nothing_leaves_a_desk_but_the_answer() {
    use osspan::viewer::session::Of;
    let dir = tempfile::tempdir().unwrap();
    let mut s = session();
    drop(s.apply(Action::ShowPage(Page::Practice)));
    drop(s.apply(Do::TypeSet("/sets/form-A".into()).into()));
    let asked = s.apply(Do::TakeSet.into());
    assert!(
        matches!(&asked[..], [Effect::Practice(PracticeEffect::Turn(r, f))] if r == "T. Trainee" && f.ends_with("form-A")),
        "{asked:?}"
    );
    drop(s.apply(given(dir.path(), Of::Assessment("/sets/form-A".into(), 4, 20))));
    let desk = s.practice().desk().unwrap();
    assert!(desk.picture().is_some() && desk.exams()[0].patient == osspan::load::Identity::default());
    assert_eq!(desk.practice_case().unwrap().title(), "assessment, case 4 of 20");

    // Whatever is done on the desk asks nothing of the world.
    let mut quiet = Vec::new();
    for (mark, x, y) in [(Mark::InternalOs, 250.0, 150.0), (Mark::PlacentalEdge, 200.0, 200.0)] {
        quiet.extend(s.apply(Action::Arm(mark)));
        quiet.extend(s.apply(Action::Place(PxPoint::new(x, y))));
    }
    for action in
        [Action::PutDown, Action::StateSide(Side::NotCovering), Action::Undo, Action::Redo, Action::StepFrame(1), Action::StepExam(1)]
    {
        quiet.extend(s.apply(action));
    }
    assert!(quiet.is_empty(), "{quiet:?}");
    assert!(s.exams().is_empty() && s.unsaved().is_empty(), "the clinical session knows nothing of it");
    // With the keys shown over it a landmark is still taken up on the desk, not on the clinic's frame behind.
    drop(s.apply(Action::ToggleHelp));
    drop(s.apply(Action::Arm(Mark::PlacentalBody)));
    assert!(s.armed().is_none() && s.practice().desk().unwrap().armed() == Some(Mark::PlacentalBody));
    drop(s.apply(Action::Escape));
    assert!(!s.help() && s.practice().desk().is_some());
    drop(s.apply(Action::PutDown));
    // Without a case on the desk the page has no key that saves what is open in the clinic.
    let all = osspan::viewer::keys::bindings();
    assert!(osspan::viewer::keys::action_for(&all, Page::Practice, Key::S, Modifiers::NONE, false).is_none());
    let sent = s.apply(Action::Save);
    let [Effect::Practice(PracticeEffect::AnswerTurn(_, folder, id, Answer::Read { side: Side::NotCovering, .. }))] = &sent[..] else {
        panic!("{sent:?}")
    };
    assert!(folder.ends_with("form-A") && id.starts_with("0123"));
    assert!(s.apply(Action::Save).is_empty(), "once");
    // The last was answered: signing is offered, with the name of the set and nothing of the marks.
    drop(s.apply(Do::AllAnswered(Ok(("/sets/form-A".into(), "Spring, form A".into()))).into()));
    assert!(s.practice().desk().is_none());
    assert_eq!(s.practice().to_hand_in(), Some("Spring, form A"));
    let handed = s.apply(Do::HandIn.into());
    assert!(matches!(&handed[..], [Effect::Practice(PracticeEffect::HandIn(_, f, p))] if f.ends_with("form-A") && p.is_empty()));
    drop(s.apply(Do::HandedIn(Ok("Handed in.".into())).into()));
    assert!(s.practice().to_hand_in().is_none() && s.practice().said() == Some("Handed in."));

    // A clinical frame is not saved by the key while a course's case is on the desk, and refused marks leave the case open.
    drop(s.apply(given(dir.path(), Of::Level(Level::UsualPictures))));
    drop(s.apply(Do::Reject(Reason::NoScale).into()));
    drop(s.apply(Do::Marked(Err("the folder is read-only".into())).into()));
    let case = s.practice().desk().unwrap().practice_case().unwrap();
    assert!(!case.busy && case.shown.is_none());
    assert!(s.practice().desk().unwrap().messages()[0].contains("read-only"));
}

#[test]
fn letters_that_grow_over_a_case_are_kept_for_every_page() {
    use osspan::viewer::session::{DisplayAction, Of};
    let dir = tempfile::tempdir().unwrap();
    let mut s = session();
    drop(s.apply(Action::ShowPage(Page::Practice)));
    drop(s.apply(given(dir.path(), Of::Level(Level::UsualPictures))));
    let asked = s.apply(Action::Display(DisplayAction::Letters(150)));
    assert!(matches!(&asked[..], [Effect::KeepSettings(kept)] if kept.letters_percent == 150), "{asked:?}");
    assert_eq!(s.letters_percent(), 150, "else the window asks for it again at every picture");
    assert_eq!(s.practice().desk().unwrap().letters_percent(), 150);
}
