//! The page of the archive with the real worker: an exam is sent with its report, a scanner sends to the window, and a reviewer sees
//! no report of what they have still to read.

use std::path::Path;
use std::sync::mpsc;

use egui::Key;
use egui_kittest::kittest::Queryable;
use osspan::archive::{ArchiveSettings, Event, Receiver, Sender};
use osspan::record::Role;
use osspan::units::PxPoint;
use osspan::viewer::page::Page;
use osspan::viewer::session::ArchiveAction;

use super::drive::{label, wait};
use super::review::{read, said, sit_down};

fn settings(text: &str, home: &Path) -> ArchiveSettings {
    ArchiveSettings::parse(text, home).unwrap()
}

#[test]
fn an_exam_goes_out_with_its_report_and_a_scanner_sends_to_the_window() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("site");
    let (tell, told) = mpsc::channel();
    let there = settings("title = \"SITE\"\n[receiver]\nport = 0\n[[caller]]\ntitle = \"DESK\"\n", &site);
    let receiver = Receiver::start(&there, &site, move |e| drop(tell.send(e))).unwrap();
    let data = dir.path().join("one");
    std::fs::create_dir_all(&data).unwrap();
    let text = format!(
        "title = \"DESK\"\n[receiver]\nport = 0\n[[caller]]\ntitle = \"SCANNER\"\n\
         [[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {}\n",
        receiver.address().port()
    );
    std::fs::write(data.join("archive.toml"), text).unwrap();

    let mut one = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    read(&mut one, PxPoint::new(250.7, 244.8), PxPoint::new(221.6, 271.8));
    one.key_press(Key::F9);
    wait(&mut one, "the settings", |s| s.page() == Page::Archive && s.archive().set_up().archives == ["site"]);
    label(&mut one, "Test the links");
    wait(&mut one, "the test", |s| s.archive().tested().iter().any(|t| t.2));
    let files = one.state().session().files_to_send().len();
    label(&mut one, &format!("Send the open exam to site ({files} files)"));
    wait(&mut one, "the archive's word", |s| s.archive().sent().is_some() && !s.archive().sending());
    let outbox = one.state().session().archive().set_up().outbox.clone();
    assert!(outbox.iter().all(|i| i.outcome.is_stored()), "{:?}", one.state().session().archive().sent());
    assert_eq!((outbox.len(), outbox.iter().filter(|i| i.report).count()), (files + 1, 1));
    let arrived = told.try_iter().filter(|e| matches!(e, Event::Arrived { .. })).count();
    assert_eq!(arrived, files + 1);
    assert!(said(&one).contains("report …"));

    // A scanner sends to the window.
    assert!(one.state().session().archive().listening().is_none(), "nothing listens unasked");
    label(&mut one, "Start receiving");
    wait(&mut one, "the receiver", |s| s.archive().listening().is_some());
    let words = one.state().session().archive().listening().unwrap().to_owned();
    let port = words.split(':').nth(1).unwrap().split(',').next().unwrap().to_owned();
    let scanner = dir.path().join("scanner");
    let calls = settings(
        &format!("title = \"SCANNER\"\n[[archive]]\nname = \"desk\"\ntitle = \"DESK\"\nhost = \"127.0.0.1\"\nport = {port}\n"),
        &scanner,
    );
    let outbox = osspan::archive::Outbox::of(&scanner);
    outbox.add(&super::drive::sample().join("visit-3/frame-1.dcm"), "desk", false).unwrap();
    let pass = Sender::new(calls.clone(), &scanner).pass(&mut |_| std::ops::ControlFlow::Continue(())).unwrap();
    assert_eq!(pass.stored, 1, "{pass:?}");
    wait(&mut one, "what came in", |s| s.archive().received().iter().any(|l| l.contains("from SCANNER: image …")));
    label(&mut one, "Stop receiving");
    wait(&mut one, "the end of it", |s| s.archive().listening().is_none());
    assert!(calls.test("desk").is_err(), "it listens still");
    assert!(one.query_by_label("Start receiving").is_some());
    drop(one);

    // A reviewer at the same workstation.
    let mut two = sit_down(dir.path(), "one", "B. Second", Role::Reviewer);
    two.key_press(Key::F9);
    wait(&mut two, "the outbox", |s| s.page() == Page::Archive && s.archive().set_up().outbox.len() == files);
    let text = said(&two);
    assert!(text.contains("image …") && !text.contains("report …") && !text.contains("A. First"), "{text}");
    label(&mut two, "Take stored ones off the list");
    wait(&mut two, "the shorter list", |s| s.archive().set_up().outbox.is_empty());
}

#[test]
fn what_an_earlier_window_left_is_sent_when_the_next_one_opens() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("site");
    let there = settings("title = \"SITE\"\n[receiver]\nport = 0\n[[caller]]\ntitle = \"DESK\"\n", &site);
    let receiver = Receiver::start(&there, &site, |_| ()).unwrap();
    let data = dir.path().join("one");
    std::fs::create_dir_all(&data).unwrap();
    let text = format!(
        "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {}\n",
        receiver.address().port()
    );
    std::fs::write(data.join("archive.toml"), text).unwrap();
    let left = osspan::archive::Outbox::of(&data);
    left.add(&super::drive::sample().join("visit-3/frame-1.dcm"), "site", false).unwrap();
    let mut one = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    one.state_mut().act(vec![ArchiveAction::TakeUp.into()]);
    wait(&mut one, "the archive's word", |s| s.archive().sent().is_some_and(|w| w.contains("Stored now: 1")));
    assert!(said(&one).contains("1 object was still to be sent to an archive, and sending goes on: F9."), "{}", said(&one));
    assert!(left.items().unwrap().0[0].outcome.is_stored());

    // With nothing left nothing is said or sent.
    let mut two = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    two.state_mut().act(vec![ArchiveAction::TakeUp.into()]);
    two.key_press(Key::F9);
    wait(&mut two, "the outbox", |s| s.archive().set_up().outbox.len() == 1);
    assert!(!said(&two).contains("still to be sent") && two.state().session().archive().sent().is_none());
}

#[test]
fn a_window_without_settings_says_how_to_make_them() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    h.key_press(Key::F9);
    wait(&mut h, "the reason", |s| s.archive().not_set_up().is_some());
    assert!(said(&h).contains("osspan archive settings --sample"));
    assert!(h.query_by_label("Start receiving").is_none());
    // What the page gives to be put there can be read as settings.
    label(&mut h, "Copy the sample");
    assert!(h.state().session().messages().iter().any(|m| m.contains("on the clipboard")));
    let mut session = osspan::viewer::session::Session::new(osspan::guideline::tables().unwrap(), osspan::files::Settings::default());
    let effects = session.apply(osspan::viewer::session::ArchiveAction::CopySample.into());
    let [osspan::viewer::action::Effect::Copy(text)] = &effects[..] else { panic!("{effects:?}") };
    assert_eq!(settings(text, dir.path()).title, "OSSPAN");
}

#[test]
fn an_archive_that_is_silent_holds_up_no_reading() {
    let dir = tempfile::tempdir().unwrap();
    // It takes the call and never says a word.
    let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let data = dir.path().join("one");
    std::fs::create_dir_all(&data).unwrap();
    let text = format!(
        "title = \"DESK\"\n[[archive]]\nname = \"silent\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {}\n\
         [patience]\nsilence_s = 60\nanswer_s = 60\n",
        silent.local_addr().unwrap().port()
    );
    std::fs::write(data.join("archive.toml"), text).unwrap();
    let mut h = sit_down(dir.path(), "one", "A. First", Role::Sonographer);
    h.key_press(Key::F9);
    wait(&mut h, "the settings", |s| s.archive().set_up().archives.len() == 1);
    label(&mut h, "Test the links");
    let files = h.state().session().files_to_send().len();
    label(&mut h, &format!("Send the open exam to silent ({files} files)"));
    wait(&mut h, "the outbox", |s| s.archive().set_up().outbox.len() == files);
    h.key_press(Key::F2);
    h.run();
    // `read` goes to a frame, marks it, states the side and waits for the saved record.
    read(&mut h, PxPoint::new(250.7, 244.8), PxPoint::new(221.6, 271.8));
    let page = h.state().session().archive();
    assert!(page.testing() && page.sending(), "the archive was waited for");
    assert!(page.set_up().outbox.iter().all(|i| i.outcome.is_open()), "nothing was said to be stored");
}
