//! The archive link against itself and against servers made of `dicom-ul`, all on this machine, each at a port of its own.

mod blind;
mod hostile;
mod outbox;
mod web;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use osspan::archive::{ArchiveSettings, Event, Outbox, Outcome, Pass, Receiver, Sender};
use osspan::dicom::write::{Coding, Pictures, UltrasoundObject, uid_from};
use osspan::{Error, ErrorKind};

/// A sound ultrasound object; everything about it is invented.
fn object(name: &str, coding: Coding, side: u16) -> Vec<u8> {
    let samples: Vec<u8> = (0..u32::from(side) * u32::from(side)).map(|i| (i * 7 % 251) as u8).collect();
    UltrasoundObject {
        patient_name: "Invented^Archive".into(),
        patient_id: "INV-7".into(),
        study_date: "20310314".into(),
        study_time: "091500".into(),
        study_description: "Invented".into(),
        study_id: "1".into(),
        study_uid: uid_from("archive study"),
        series_uid: uid_from("archive series"),
        instance_uid: uid_from(name),
        series_number: 1,
        instance_number: 1,
        manufacturer: "Osspan".into(),
        model: "tests".into(),
        comments: String::new(),
        rows: side,
        columns: side,
        pictures: Pictures::Single(samples),
        coding,
        regions: Vec::new(),
    }
    .to_bytes()
    .unwrap()
}

/// Writes an object as a file and returns its path.
fn file(dir: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.join(format!("{name}.dcm"));
    std::fs::write(&path, bytes).unwrap();
    path
}

/// A receiver, its folder, and what it tells.
struct Site {
    home: tempfile::TempDir,
    receiver: Receiver,
    events: mpsc::Receiver<Event>,
}

const QUICK: &str = "[patience]\nconnect_s = 2\nsilence_s = 2\nanswer_s = 5\nretry_s = 1\n";

fn settings(text: &str, home: &Path) -> ArchiveSettings {
    ArchiveSettings::parse(text, home).unwrap()
}

impl Site {
    /// A receiver called SITE, where SENDER may call; `more` are further settings.
    fn new(receiver: &str, more: &str) -> Self {
        let home = tempfile::tempdir().unwrap();
        let text = format!("title = \"SITE\"\n[receiver]\nport = 0\n{receiver}\n[[caller]]\ntitle = \"SENDER\"\n{more}{QUICK}");
        let (tell, events) = mpsc::channel();
        let receiver = Receiver::start(&settings(&text, home.path()), home.path(), move |e| drop(tell.send(e))).unwrap();
        Self { home, receiver, events }
    }

    fn port(&self) -> u16 {
        self.receiver.address().port()
    }

    /// The settings of a sender called `title`.
    fn for_sender(&self, title: &str, tls: &str) -> ArchiveSettings {
        settings(
            &format!(
                "title = \"{title}\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {}\n{tls}\n{QUICK}",
                self.port()
            ),
            Path::new(env!("CARGO_MANIFEST_DIR")),
        )
    }

    /// Every file that arrived.
    fn files(&self) -> Vec<PathBuf> {
        osspan::files::tree(&self.home.path().join("received"), "dcm").unwrap()
    }

    /// Waits until an event of the receiver matches.
    fn until(&self, mut wanted: impl FnMut(&Event) -> bool) -> Event {
        let end = Instant::now() + Duration::from_secs(20);
        loop {
            let event = self.events.recv_timeout(end.saturating_duration_since(Instant::now())).expect("nothing of the sort happened");
            if wanted(&event) {
                return event;
            }
        }
    }
}

/// A workstation that sends.
struct Desk {
    home: tempfile::TempDir,
    outbox: Outbox,
}

impl Desk {
    fn new() -> Self {
        let home = tempfile::tempdir().unwrap();
        Self { outbox: Outbox::of(home.path()), home }
    }

    fn queue(&self, name: &str, bytes: &[u8]) {
        self.outbox.add(&file(self.home.path(), name, bytes), "site", false).unwrap();
    }

    fn pass(&self, settings: &ArchiveSettings) -> Pass {
        Sender::new(settings.clone(), self.home.path()).pass(&mut |_| std::ops::ControlFlow::Continue(())).unwrap()
    }

    fn outcomes(&self) -> Vec<Outcome> {
        self.outbox.items().unwrap().0.into_iter().map(|i| i.outcome).collect()
    }
}

/// Runs the program on a data folder; what it said.
fn run(home: &Path, words: &[&str]) -> String {
    let done = Command::new(env!("CARGO_BIN_EXE_osspan")).args(words).env("OSSPAN_DATA", home).env_remove("DISPLAY").output().unwrap();
    String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr)
}

/// The sample exam that [`read_visit`] reads.
fn visit() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/visit-2").to_string_lossy().into_owned()
}

/// Saves a reading of the sample exam in a data folder.
fn read_visit(home: &Path, reader: &str) {
    let frame = Path::new(&visit()).join("frame-1.dcm").to_string_lossy().into_owned();
    #[rustfmt::skip]
    let said = run(home, &[
        "read", &frame, "--os", "249.3,184", "--edge", "250.7,244.8", "--body", "221.6,271.8", "--side", "not-covering",
        "--guideline", "rcog-2018", "--route", "transvaginal", "--bladder", "empty", "--due-date", "2025-06-30", "--save",
        "--reader", reader,
    ]);
    assert!(said.contains("Saved"), "{said}");
}

/// A file from where its data set begins: after the preamble, the mark and the file meta group of stated length.
fn data_set(bytes: &[u8]) -> Vec<u8> {
    let length = u32::from_le_bytes(bytes[140..144].try_into().unwrap()) as usize;
    bytes[144 + length..].to_vec()
}

#[test]
fn objects_arrive_as_they_are_stored_each_in_its_own_transfer_syntax() {
    let (site, desk) = (Site::new("", ""), Desk::new());
    let codings = [("plain", Coding::Plain), ("rle", Coding::Rle), ("jpeg", Coding::Jpeg { quality: 90 })];
    let sent: Vec<Vec<u8>> = codings.iter().map(|(name, coding)| object(name, *coding, 300)).collect();
    codings.iter().zip(&sent).for_each(|((name, _), bytes)| desk.queue(name, bytes));
    let pass = desk.pass(&site.for_sender("SENDER", ""));
    assert_eq!((pass.stored, pass.refused, pass.waiting, pass.troubles), (3, 0, 0, Vec::new()));
    assert!(desk.outcomes().iter().all(Outcome::is_stored));
    for ((name, _), bytes) in codings.iter().zip(&sent) {
        let path = site.files().into_iter().find(|p| p.file_stem().unwrap().to_str() == Some(&uid_from(name))).unwrap();
        let arrived = std::fs::read(&path).unwrap();
        assert!(data_set(&arrived) == data_set(bytes), "{name} was changed on the way");
        let as_stored = osspan::load::StoredFile::open(&path).unwrap();
        let before = osspan::load::StoredFile::open(&desk.home.path().join(format!("{name}.dcm"))).unwrap();
        assert_eq!(as_stored.facts().transfer_syntax_uid, before.facts().transfer_syntax_uid);
        as_stored.frame(1).unwrap();
    }
    assert!(matches!(site.until(|e| matches!(e, Event::Ended { .. })), Event::Ended { objects: 3, .. }));
}

#[test]
fn one_uid_with_two_contents_is_kept_twice_and_said_and_the_same_again_is_not() {
    let (site, desk) = (Site::new("", ""), Desk::new());
    let (one, other) = (object("same", Coding::Plain, 40), object("same", Coding::Rle, 40));
    for (name, bytes) in [("a", &one), ("b", &other)] {
        desk.queue(name, bytes);
    }
    let settings = site.for_sender("SENDER", "");
    assert_eq!(desk.pass(&settings).stored, 2);
    assert_eq!(site.files().len(), 2);
    let event = site.until(|e| matches!(e, Event::Arrived { what, .. } if what.differs));
    assert!(event.words().contains("OTHER content"), "{}", event.words());
    let again = Desk::new();
    again.queue("a", &one);
    again.queue("b", &other);
    assert_eq!(again.pass(&settings).stored, 2);
    assert_eq!(site.files().len(), 2, "what was here already is not stored again");
}

#[test]
fn a_link_test_is_answered_and_strangers_are_turned_away() {
    let site = Site::new("", "");
    assert!(site.for_sender("SENDER", "").test("site").unwrap().contains("C-ECHO"));
    let turned: Error = site.for_sender("STRANGER", "").test("site").unwrap_err();
    assert!(turned.kind() == ErrorKind::Usage && turned.message().contains("calling AE title"), "{turned}");
    let mut wrong = site.for_sender("SENDER", "");
    wrong.archives[0].title = "OTHER".into();
    assert!(wrong.test("site").unwrap_err().message().contains("called AE title"));
    // The right title from an address that is not its own is dropped without a word.
    let elsewhere = Site::new("", "address = \"192.0.2.1\"\n");
    let e = elsewhere.for_sender("SENDER", "").test("site").unwrap_err();
    assert_eq!(e.kind(), ErrorKind::Io, "{e}");
    // Nobody named: nobody may call.
    let home = tempfile::tempdir().unwrap();
    let none = settings("title = \"SITE\"\n[receiver]\nport = 0\n", home.path());
    assert!(Receiver::start(&none, home.path(), |_| ()).unwrap_err().message().contains("nobody may send"));
}

#[test]
fn tls_goes_both_ways_and_a_caller_without_a_certificate_stays_outside() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/tls");
    let tls =
        format!("tls = {{ certificate = \"{0}/server.pem\", key = \"{0}/server-key.pem\", callers = \"{0}/ca.pem\" }}", folder.display());
    let (site, desk) = (Site::new(&tls, ""), Desk::new());
    let own = ", certificate = \"tests/reference/tls/client.pem\", key = \"tests/reference/tls/client-key.pem\"";
    let with = |more: &str| format!("tls = {{ trust = \"tests/reference/tls/ca.pem\"{more} }}");
    desk.queue("secret", &object("secret", Coding::Jpeg { quality: 80 }, 500));
    let pass = desk.pass(&site.for_sender("SENDER", &with(own)));
    assert_eq!((pass.stored, site.files().len()), (1, 1), "{:?}", desk.outcomes());
    // No certificate; in clear; a name that is not in the archive's certificate.
    assert!(site.for_sender("SENDER", &with("")).test("site").is_err());
    assert!(site.for_sender("SENDER", "").test("site").is_err());
    let named = format!("{own}, server_name = \"elsewhere\"");
    let e = site.for_sender("SENDER", &with(&named)).test("site").unwrap_err();
    assert!(e.message().contains("secure connection"), "{e}");
}

#[test]
fn a_receiver_that_is_dropped_is_gone_and_can_be_started_again() {
    let site = Site::new("", "");
    let sender = site.for_sender("SENDER", "");
    let held = std::net::TcpStream::connect(site.receiver.address()).unwrap();
    let begun = Instant::now();
    drop(site.receiver);
    assert!(begun.elapsed() < Duration::from_secs(2), "an open connection held it");
    assert_eq!(sender.test("site").unwrap_err().kind(), ErrorKind::Io);
    drop(held);
}
