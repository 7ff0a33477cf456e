//! The outbox against archives that refuse, warn, run out of room, and die in the middle.

use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread::JoinHandle;

use dicom_ul::association::ServerAssociationOptions;
use dicom_ul::pdu::{PDataValue, PDataValueType, Pdu};
use osspan::archive::{ArchiveSettings, Item, Outbox, Outcome, Sender};
use osspan::dicom::write::Coding;

use super::{Desk, QUICK, object, read_visit, run, settings, visit};

/// What an archive made of `dicom-ul` does with the next object.
#[derive(Clone, Copy)]
enum Does {
    Says(u16),
    Dies,
}

/// Serves one association and does one thing after the other; what the outbox said on disk when each object had come whole and
/// nothing was answered yet is handed back.
fn archive(does: Vec<Does>, outbox: PathBuf) -> (SocketAddr, JoinHandle<Vec<Vec<Outcome>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let thread = std::thread::spawn(move || {
        let (tcp, _) = listener.accept().unwrap();
        let options = ServerAssociationOptions::new().accept_any().promiscuous(true).ae_title("STUB");
        let mut a = options.establish(tcp).unwrap();
        let mut seen = Vec::new();
        for one in does {
            let mut asked = Vec::new();
            let context = loop {
                let Ok(Pdu::PData { data }) = a.receive() else { return seen };
                asked.extend(data.iter().filter(|v| v.value_type == PDataValueType::Command).flat_map(|v| v.data.clone()));
                if let Some(last) = data.iter().find(|v| v.value_type == PDataValueType::Data && v.is_last) {
                    break last.presentation_context_id;
                }
            };
            seen.push(Outbox::of(&outbox).items().unwrap().0.into_iter().map(|i| i.outcome).collect());
            let Does::Says(status) = one else { return seen };
            let at = asked.windows(8).position(|w| w == [0, 0, 0x10, 1, 2, 0, 0, 0]).unwrap();
            let number = [asked[at + 8], asked[at + 9]];
            let element = |n: u16, v: [u8; 2]| [&[0, 0], n.to_le_bytes().as_slice(), &[2, 0, 0, 0], &v].concat();
            let rest = [
                element(0x0100, [0x01, 0x80]),
                element(0x0120, number),
                element(0x0800, [0x01, 0x01]),
                element(0x0900, status.to_le_bytes()),
                [&[0, 0, 2, 9, 8, 0, 0, 0], b"because ".as_slice()].concat(),
            ]
            .concat();
            let whole = [&[0, 0, 0, 0, 4, 0, 0, 0], (rest.len() as u32).to_le_bytes().as_slice(), &rest].concat();
            let value = PDataValue { presentation_context_id: context, value_type: PDataValueType::Command, is_last: true, data: whole };
            a.send(&Pdu::PData { data: vec![value] }).unwrap();
        }
        if let Ok(Pdu::ReleaseRQ) = a.receive() {
            let _ = a.send(&Pdu::ReleaseRP);
        }
        seen
    });
    (address, thread)
}

fn to(address: SocketAddr) -> ArchiveSettings {
    let text = format!(
        "title = \"SENDER\"\n[[archive]]\nname = \"site\"\ntitle = \"STUB\"\nhost = \"127.0.0.1\"\nport = {}\n{QUICK}",
        address.port()
    );
    settings(&text, Path::new("/"))
}

fn desk_of(names: &[&str]) -> Desk {
    let desk = Desk::new();
    for name in names {
        desk.queue(name, &object(name, Coding::Plain, 32));
    }
    desk
}

#[test]
fn each_object_gets_its_own_outcome_and_nothing_is_stored_before_the_archive_says_so() {
    let desk = desk_of(&["a", "b", "c", "d"]);
    let says = [0x0000, 0xB000, 0xC001, 0xA700].map(Does::Says).to_vec();
    let (address, thread) = archive(says, desk.home.path().to_path_buf());
    let pass = desk.pass(&to(address));
    let seen = thread.join().unwrap();
    assert_eq!((pass.stored, pass.warned, pass.refused, pass.waiting), (2, 1, 1, 1));
    let words: Vec<String> = desk.outcomes().iter().map(Outcome::words).collect();
    let count = |text: &str| words.iter().filter(|w| w.contains(text)).count();
    assert_eq!([count("stored, said"), count("with a warning"), count("REFUSED"), count("not yet")], [1; 4], "{words:?}");
    assert!(words.iter().any(|w| w.contains("C001") && w.contains("because")), "{words:?}");
    // When an object had come whole and was not answered, the disk said that it was being tried, and of no more objects that
    // they were stored than had been answered so.
    for (answered, outcomes) in seen.iter().enumerate() {
        assert_eq!(outcomes.iter().filter(|o| matches!(o, Outcome::Trying { .. })).count(), 1, "{outcomes:?}");
        assert_eq!(outcomes.iter().filter(|o| o.is_stored()).count(), answered.min(2), "{outcomes:?}");
    }
}

#[test]
fn an_archive_that_dies_in_the_middle_loses_nothing_and_the_rest_follows() {
    let desk = desk_of(&["a", "b", "c"]);
    let (address, thread) = archive(vec![Does::Says(0), Does::Dies], desk.home.path().to_path_buf());
    let pass = desk.pass(&to(address));
    thread.join().unwrap();
    assert_eq!((pass.stored, pass.waiting), (1, 2));
    assert!(pass.next.is_some() && pass.troubles.len() == 1, "{pass:?}");
    let (address, thread) = archive([0, 0].map(Does::Says).to_vec(), desk.home.path().to_path_buf());
    assert_eq!(desk.pass(&to(address)).stored, 2);
    thread.join().unwrap();
    assert!(desk.outcomes().iter().all(Outcome::is_stored));
}

#[test]
fn a_sender_that_was_killed_says_so_and_sends_again() {
    let desk = desk_of(&["a"]);
    // What a kill between the first byte and the answer leaves on disk.
    let (path, text) = only_item(&desk);
    let mut item: serde_json::Value = serde_json::from_str(&text).unwrap();
    item["outcome"] = serde_json::json!({"is": "trying", "since": "2031-03-14T09:26:53+01:00"});
    item["tries"] = 1.into();
    std::fs::write(&path, item.to_string()).unwrap();
    let found = desk.outbox.items().unwrap().0.remove(0);
    assert!(found.outcome.words().contains("not known") && found.outcome.is_open());
    let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
    assert_eq!(desk.pass(&to(address)).stored, 1);
    thread.join().unwrap();
    assert_eq!(desk.outbox.items().unwrap().0[0].tries, 2);
}

fn only_item(desk: &Desk) -> (PathBuf, String) {
    let path = osspan::files::list(&osspan::files::outbox_in(desk.home.path()), "json").unwrap().remove(0);
    let text = std::fs::read_to_string(&path).unwrap();
    (path, text)
}

#[test]
fn a_file_that_changed_is_withheld_one_that_is_gone_waits_and_a_damaged_item_is_named() {
    let desk = desk_of(&["changed", "gone", "good"]);
    std::fs::write(desk.home.path().join("changed.dcm"), object("changed", Coding::Rle, 32)).unwrap();
    std::fs::remove_file(desk.home.path().join("gone.dcm")).unwrap();
    std::fs::write(osspan::files::outbox_in(desk.home.path()).join("bad.json"), "{").unwrap();
    let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
    let pass = desk.pass(&to(address));
    thread.join().unwrap();
    assert_eq!((pass.stored, pass.refused, pass.waiting), (1, 1, 1));
    let words = desk.outcomes().iter().map(Outcome::words).collect::<Vec<_>>().join("\n");
    assert!(words.contains("changed after it was queued") && words.contains("cannot be read"), "{words}");
    assert_eq!(desk.outbox.items().unwrap().1.len(), 1);
    // Queued again it goes, as it is now.
    let again = desk.outbox.add(&desk.home.path().join("changed.dcm"), "site", false).unwrap();
    assert!(again.outcome.is_open());
}

#[test]
fn the_same_object_is_queued_once_and_not_sent_again_unless_asked() {
    let desk = desk_of(&["a"]);
    let path = desk.home.path().join("a.dcm");
    desk.outbox.add(&path, "site", false).unwrap();
    assert_eq!(desk.outbox.items().unwrap().0.len(), 1);
    let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
    desk.pass(&to(address));
    thread.join().unwrap();
    assert!(desk.outbox.add(&path, "site", false).unwrap().outcome.is_stored());
    assert!(desk.outbox.add(&path, "site", true).unwrap().outcome.is_open());
}

#[test]
fn what_was_made_for_sending_stays_until_the_archive_has_it() {
    let desk = Desk::new();
    let item: Item = desk.outbox.add_made(&object("made", Coding::Plain, 32), "site", false).unwrap();
    let (address, thread) = archive(vec![Does::Says(0xA700)], desk.home.path().to_path_buf());
    desk.pass(&to(address));
    thread.join().unwrap();
    assert!(item.file.is_file());
    let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
    assert_eq!(desk.pass(&to(address)).stored, 1);
    thread.join().unwrap();
    assert!(!item.file.exists());
}

#[test]
fn what_was_made_for_two_archives_stays_until_both_have_it() {
    let desk = Desk::new();
    let bytes = object("made", Coding::Plain, 32);
    let item = desk.outbox.add_made(&bytes, "site", false).unwrap();
    let pass_of = |does: u16, name: &str| {
        let (address, thread) = archive(vec![Does::Says(does)], desk.home.path().to_path_buf());
        let mut settings = to(address);
        settings.archives[0].name = name.into();
        let pass = desk.pass(&settings);
        thread.join().unwrap();
        pass
    };
    assert_eq!(pass_of(0xC001, "site").refused, 1);
    desk.outbox.add_made(&bytes, "other", false).unwrap();
    assert_eq!(pass_of(0, "other").stored, 1);
    assert!(item.file.is_file(), "the archive that refused it can never be asked again");
    assert_eq!(desk.outbox.retry(|_| true).unwrap(), 1);
    assert_eq!(pass_of(0, "site").stored, 1);
    assert!(!item.file.exists());
}

#[test]
fn what_was_made_and_stored_before_leaves_no_file_and_goes_again_when_asked() {
    let desk = Desk::new();
    let bytes = object("made", Coding::Plain, 32);
    let item = desk.outbox.add_made(&bytes, "site", false).unwrap();
    let send = || {
        let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
        assert_eq!(desk.pass(&to(address)).stored, 1);
        thread.join().unwrap();
    };
    send();
    assert!(desk.outbox.add_made(&bytes, "site", false).unwrap().outcome.is_stored());
    assert!(!item.file.exists(), "a report with identity stays for ever");
    assert!(desk.outbox.add_made(&bytes, "site", true).unwrap().outcome.is_open());
    assert!(item.file.is_file());
    send();
    assert!(!item.file.exists());
}

#[test]
fn reports_too_are_sent_again_when_asked() {
    let home = tempfile::tempdir().unwrap();
    let text = "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = 1\n";
    std::fs::write(home.path().join("archive.toml"), text).unwrap();
    read_visit(home.path(), "A. First");
    let send = |more: &[&str]| {
        let said = run(home.path(), &[&["archive", "send", &visit(), "--to", "site", "--reports", "--queue-only"], more].concat());
        assert!(said.contains("Reports of saved readings: 1"), "{said}");
    };
    let report = || Outbox::of(home.path()).items().unwrap().0.into_iter().find(|i| i.report).unwrap();
    send(&[]);
    let path = osspan::files::outbox_in(home.path()).join(format!("{}.json", report().id));
    let mut item: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    item["outcome"] = serde_json::json!({"is": "stored", "at": "2031-03-14T09:26:53+01:00"});
    std::fs::write(&path, item.to_string()).unwrap();
    send(&[]);
    assert!(report().outcome.is_stored() && !report().file.exists());
    send(&["--again"]);
    assert!(report().outcome.is_open() && report().file.is_file());
}

#[test]
fn one_program_at_a_time_sends_and_an_archive_that_is_silent_is_left_alone_for_a_while() {
    let desk = desk_of(&["a"]);
    // Nobody listens there.
    let nobody = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut sender = Sender::new(to(nobody), desk.home.path());
    let mut go = |_: &Item| std::ops::ControlFlow::Continue(());
    let first = sender.pass(&mut go).unwrap();
    assert_eq!((first.troubles.len(), first.waiting), (1, 1));
    assert!(sender.pass(&mut go).unwrap().troubles.is_empty(), "it was called again at once");
    let (told, heard) = mpsc::channel();
    let (go_on, wait) = mpsc::channel::<()>();
    let (address, thread) = archive(vec![Does::Says(0)], desk.home.path().to_path_buf());
    let home = desk.home.path().to_path_buf();
    let other = std::thread::spawn(move || {
        Sender::new(to(address), &home).pass(&mut |_| {
            let _ = told.send(());
            let _ = wait.recv();
            std::ops::ControlFlow::Continue(())
        })
    });
    heard.recv().unwrap();
    let e = Sender::new(to(nobody), desk.home.path()).pass(&mut go).unwrap_err();
    assert!(e.message().contains("another program"), "{e}");
    drop(go_on);
    assert_eq!(other.join().unwrap().unwrap().stored, 1);
    thread.join().unwrap();
}
