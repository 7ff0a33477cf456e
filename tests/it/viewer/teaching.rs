//! A teaching set of the sample exams made in the window, with the real loader, store and writer, and read again.

use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable;
use osspan::frame::Samples;
use osspan::interchange::teaching::Decision;
use osspan::load::StoredFile;
use osspan::viewer::action::Action;
use osspan::viewer::page::Page;
use osspan::viewer::session::TeachingAction as Do;

use super::drive::{Window, label, type_into, wait, window};

fn set_shown(h: &mut Window) {
    wait(h, "the cleaned picture", |s| s.teaching().picture().is_some());
}

#[test]
fn a_set_is_prepared_approved_written_and_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    h.key_press(Key::F3);
    h.run();
    label(&mut h, "Prepare a teaching set from them (P)");
    wait(&mut h, "the set", |s| s.teaching().set().is_some());
    set_shown(&mut h);
    let count = h.state().session().teaching().set().unwrap().frames().len();

    // Without a name there is no approval, and nothing is written before every frame is decided.
    h.key_press(Key::A);
    h.run();
    assert_eq!(h.state().session().teaching().counts(), (count, 0, 0));
    assert!(h.state().session().messages().iter().any(|m| m.contains("name the reader")));
    h.state_mut().act(vec![Action::TypeReader("L. Approver".into()), Action::NameReader]);
    h.run();
    let out = dir.path().join("set");
    type_into(&mut h, "path of the new folder", &out.to_string_lossy());
    label(&mut h, "Write (W)");
    assert!(h.state().session().messages().iter().any(|m| m.contains("still to be looked at")));

    // The first is approved after a box was blanked; a picture that is not there cannot be approved.
    let area = osspan::interchange::teaching::Blank { min_x: 200, min_y: 200, max_x: 219, max_y: 209 };
    h.state_mut().act(vec![Action::Teaching(Do::Blank(area)), Action::Teaching(Do::Approve)]);
    h.step();
    assert_eq!(h.state().session().teaching().counts().1, 0, "approved unseen");
    set_shown(&mut h);
    // A box taken back and drawn again, or another set, is another state: no picture of before stands for it.
    let state = h.state().session().teaching().state();
    h.state_mut().act(vec![Action::Teaching(Do::TakeBackBlank)]);
    h.step();
    assert!(h.state().session().teaching().state() > state);
    set_shown(&mut h);
    h.state_mut().act(vec![Action::Teaching(Do::Blank(area))]);
    h.step();
    assert!(h.state().session().teaching().state() > state + 1);
    set_shown(&mut h);
    let first = h.state().session().teaching().frame().unwrap().1.source.clone();
    h.key_press(Key::A);
    h.run();
    assert_eq!(h.state().session().teaching().counts(), (count - 1, 1, 0));

    // Another window goes on where this one stopped, as after a crash.
    drop(h);
    let mut h = window(dir.path());
    h.key_press(Key::F3);
    wait(&mut h, "the set left behind", |s| s.teaching().counts() == (count - 1, 1, 0));
    h.key_press(Key::J);
    set_shown(&mut h);
    label(&mut h, "Leave out the rest of its file");
    while h.state().session().teaching().counts().0 > 0 {
        set_shown(&mut h);
        let frame = h.state().session().teaching().frame().unwrap().1.clone();
        assert_eq!(frame.decision, Decision::Open);
        if frame.number == 1 {
            h.key_press(Key::A);
            h.run();
        } else {
            label(&mut h, "Leave out the rest of its file");
        }
    }
    let approved = h.state().session().teaching().counts().1;
    assert!(approved >= 2);
    type_into(&mut h, "path of the new folder", &out.to_string_lossy());
    label(&mut h, "Write (W)");
    wait(&mut h, "the written set", |s| s.teaching().written().is_some());
    assert!(h.state().session().teaching().written().unwrap().starts_with(&format!("{approved} frames")));

    let files: Vec<_> = std::fs::read_dir(out.join("frames")).unwrap().map(|f| f.unwrap().path()).collect();
    assert_eq!(files.len(), approved);
    let (old, new) = (StoredFile::open(&first).unwrap(), StoredFile::open(&out.join("frames/frame-0001.dcm")).unwrap());
    assert_eq!(old.geometry(), new.geometry(), "the same millimetres");
    let frame = new.frame(1).unwrap();
    let Samples::Gray8(data) = &frame.samples else { panic!("grey") };
    assert!((200..=219).all(|x| data[205 * frame.width as usize + x] == 0), "the box is blanked");
    assert!(new.facts().patient.name.is_none() || new.facts().patient.name != old.facts().patient.name);

    // Escape leads back to the reading, and letters mean landmarks again.
    h.key_press(Key::Escape);
    h.run();
    assert_eq!(h.state().session().page(), Page::Reading);
    label_is_gone(&h);
    h.state_mut().act(vec![Action::ShowPage(Page::TeachingSet), Action::Teaching(Do::Forget)]);
    h.run();
    assert!(!dir.path().join("teaching/set.json").exists());
    h.key_press_modifiers(Modifiers::NONE, Key::O);
    h.run();
    assert!(h.state().session().armed().is_none(), "letters of the reading do nothing here");
}

fn label_is_gone(h: &Window) {
    assert!(h.query_by_label("Write (W)").is_none());
}
