//! The second reader: rules of each step, what stands, and the whole loop of two people at two workstations on one folder.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use osspan::ErrorKind;
use osspan::caseload::Caseload;
use osspan::context::Bleeding;
use osspan::frame::FrameId;
use osspan::guideline::Shelf;
use osspan::measure::{EdgeMark, Side};
use osspan::record::{Maker, Mode, Onlooker, Origin, ReadingRecord, ReviewRecord, Role, SecondReading, Served, Settlement, Step, Store};
use osspan::review::{ExamReview, Order, Standing, Wish, exams, not_standing, queue, signed_readings};
use osspan::units::PxPoint;

use crate::invented::Case;

const SEED: [u8; 32] = [7; 32];

/// A reading of frame `n` of exam `exam` with the edge `mm` from the os (negative: covering), by `reader`.
fn reading(reader: &str, exam: u32, n: u32, mm: f64, at: &str) -> ReadingRecord {
    let mut case = Case::plain();
    // 0.1 mm a pixel; the body point lies on the side that is stated.
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(300.0 - mm * 10.0, 240.0) };
    case.landmarks.placental_body = Some(PxPoint::new(300.0 - mm * 10.0 - 60.0, 255.0));
    if mm < 0.0 {
        case.side = Side::Covers;
        case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(300.0 - mm * 10.0, 240.0) };
    }
    case.record_of(Origin {
        frame: FrameId {
            sha256: format!("{:02x}", exam * 16 + n).repeat(32),
            sop_instance_uid: Some(format!("2.25.{exam}.{n}")),
            frame_number: n,
        },
        study_instance_uid: Some(format!("2.25.9{exam}")),
        reader: reader.into(),
        saved_at: at.into(),
        ..Case::origin()
    })
    .unwrap()
}

fn one(records: &[ReadingRecord], steps: &[ReviewRecord]) -> ExamReview {
    let mut all = exams(records, steps);
    assert_eq!(all.len(), 1);
    all.remove(0)
}

fn do_it(exam: &ExamReview, what: &Wish, by: &str, role: Role) -> osspan::Result<ReviewRecord> {
    exam.step(what, by, role, "2031-03-15T08:00:00+01:00".into(), Some(&SEED))
}

const FIRST: &str = "2031-03-14T10:00:00+01:00";
const SECOND: &str = "2031-03-14T15:00:00+01:00";

#[test]
fn two_concordant_readings_are_compared_agreed_and_signed() {
    let records = [reading("A. First", 1, 1, 14.0, FIRST), reading("B. Second", 1, 1, 15.5, SECOND)];
    let exam = one(&records, &[]);
    assert_eq!(exam.standing(), Standing::NotCompared);
    let c = exam.comparison(None).unwrap();
    assert!((c.difference_mm.unwrap() - 1.5).abs() < 1e-9 && c.same_finding && c.same_side && c.same_frame);
    // 1.96 × √2 × the assumed 2 mm.
    assert!((c.limit_mm - 5.5437).abs() < 1e-3 && c.limit_is_assumed && c.beyond_limit() == Some(false));
    assert!(c.shifts.iter().any(|s| s.landmark == "placental edge" && (s.mm.get() - 1.5).abs() < 1e-9));
    // Not before it is compared.
    assert_eq!(do_it(&exam, &Wish::Sign, "B. Second", Role::Reviewer).unwrap_err().kind(), ErrorKind::Invalid);
    let agreed = do_it(&exam, &Wish::Agree, "B. Second", Role::Reviewer).unwrap();
    let exam = one(&records, std::slice::from_ref(&agreed));
    assert_eq!(exam.standing(), Standing::Agreed);
    assert_eq!(exam.stands().unwrap()[0].reader, "A. First");
    let signed = do_it(&exam, &Wish::Sign, "B. Second", Role::Reviewer).unwrap();
    assert!(signed.is_signed().unwrap());
    let steps = [agreed, signed];
    let exam = one(&records, &steps);
    assert_eq!(exam.standing(), Standing::Signed);
    assert_eq!(signed_readings(&[exam]).len(), 2);
    // A correction after the signature shows.
    let mut later = reading("A. First", 1, 1, 12.0, "2031-03-16T10:00:00+01:00");
    later.follows = vec![records[0].id().to_owned()];
    later.content_sha256 = later.digest().unwrap();
    let all = [records[0].clone(), records[1].clone(), later];
    assert_eq!(one(&all, &steps).standing(), Standing::ChangedSinceSigned);
    // So does a third reader's later reading.
    let third = reading("C. Third", 1, 2, 14.0, "2031-03-16T10:00:00+01:00");
    assert_eq!(one(&[records[0].clone(), records[1].clone(), third], &steps).standing(), Standing::ChangedSinceSigned);
}

#[test]
fn discordant_readings_are_settled_before_anything_is_signed() {
    let records = [reading("A. First", 1, 1, 14.0, FIRST), reading("B. Second", 1, 2, 23.0, SECOND)];
    let exam = one(&records, &[]);
    let c = exam.comparison(None).unwrap();
    assert!(c.discordant() && !c.same_finding && c.same_side && !c.same_frame && c.beyond_limit() == Some(true));
    for wish in [Wish::Agree, Wish::Amend { reason: "mine is right".into() }, Wish::Sign] {
        assert!(do_it(&exam, &wish, "B. Second", Role::Reviewer).is_err(), "{wish:?}");
    }
    let settle = |with: &str, settlement, reason: &str| {
        do_it(&exam, &Wish::Settle { with: with.into(), settlement, reason: reason.into() }, "B. Second", Role::Reviewer)
    };
    let stands = Settlement::Stands { reading: records[1].id().to_owned() };
    assert!(settle("B. Second", stands.clone(), "r").is_err(), "not with oneself");
    assert!(settle("X. Other", stands.clone(), "r").is_err(), "not with somebody who did not read");
    assert!(settle("A. First", stands.clone(), "  ").is_err(), "not without a reason");
    let settled = settle("A. First", stands, "looked at both frames together: the first had a contraction").unwrap();
    let with = one(&records, std::slice::from_ref(&settled));
    assert_eq!(with.standing(), Standing::Settled);
    let signed = do_it(&with, &Wish::Sign, "B. Second", Role::Reviewer).unwrap();
    assert_eq!(signed.step.readings(), [records[1].id()]);
    let again = settle("A. First", Settlement::ScanAgain, "neither plane is good").unwrap();
    let again = one(&records, &[again]);
    assert_eq!(again.standing(), Standing::ScanAgain);
    assert!(do_it(&again, &Wish::Sign, "B. Second", Role::Reviewer).is_err());
    // A side that differs is discordant too.
    let sides = [reading("A. First", 1, 1, 2.0, FIRST), reading("B. Second", 1, 1, -2.0, SECOND)];
    assert!(one(&sides, &[]).comparison(None).unwrap().discordant());
}

#[test]
fn nobody_reviews_their_own_and_a_trainee_signs_nothing() {
    let own = [reading("A. First", 1, 1, 14.0, FIRST), reading("A. First", 1, 2, 14.0, SECOND)];
    let exam = one(&own, &[]);
    assert_eq!(exam.standing(), Standing::ReadOnce);
    assert!(do_it(&exam, &Wish::Agree, "A. First", Role::Reviewer).is_err());
    assert!(do_it(&exam, &Wish::Return { reason: "r".into() }, "A. First", Role::Reviewer).is_err());
    assert!(do_it(&exam, &Wish::Sign, "A. First", Role::Trainee).is_err());
    // Whoever read may sign what stands.
    assert!(do_it(&exam, &Wish::Sign, "A. First", Role::Sonographer).is_ok());
    let two = [reading("A. First", 1, 1, 14.0, FIRST), reading("B. Second", 1, 2, 14.5, SECOND)];
    let exam = one(&two, &[]);
    assert!(do_it(&exam, &Wish::Agree, "B. Second", Role::Sonographer).is_err());
    assert!(do_it(&exam, &Wish::Agree, "C. Third", Role::Reviewer).is_err(), "who did not read does not agree");
    // A file that was made by other means is judged by the same rules.
    let comparison = exam.comparison(None).unwrap();
    let maker = Maker { by: " ".into(), role: Role::Reviewer, saved_at: FIRST.into(), follows: vec![] };
    assert!(ReviewRecord::new(Step::Agree { comparison }, maker, &[&two[0], &two[1]], None).is_err());
}

#[test]
fn a_returned_reading_is_read_again_and_steps_side_by_side_are_said_to_be() {
    let first = reading("A. First", 1, 1, 14.0, FIRST);
    let second = reading("B. Second", 1, 1, 15.0, SECOND);
    let exam = one(&[first.clone(), second.clone()], &[]);
    let returned =
        do_it(&exam, &Wish::Return { reason: "the os is the upper end of the canal".into() }, "B. Second", Role::Reviewer).unwrap();
    let steps = [returned];
    assert_eq!(one(&[first.clone(), second.clone()], &steps).standing(), Standing::Returned);
    let mut better = reading("A. First", 1, 1, 15.5, "2031-03-15T10:00:00+01:00");
    better.follows = vec![first.id().to_owned()];
    better.content_sha256 = better.digest().unwrap();
    let records = [first, second, better];
    let exam = one(&records, &steps);
    assert_eq!(exam.standing(), Standing::NotCompared);
    let agree = do_it(&exam, &Wish::Agree, "B. Second", Role::Reviewer).unwrap();
    assert_eq!(agree.follows, [steps[0].id().to_owned()]);
    // The other reader settles at the same time, without having seen it.
    let settlement = Settlement::Stands { reading: records[1].id().to_owned() };
    let wish = Wish::Settle { with: "B. Second".into(), settlement, reason: "by telephone".into() };
    let settle = exam.step(&wish, "A. First", Role::Sonographer, "2031-03-15T08:00:01+01:00".into(), None).unwrap();
    let forked = one(&records, &[steps[0].clone(), agree, settle]);
    assert_eq!(forked.standing(), Standing::Forked);
    assert!(forked.stands().is_err());
    let joined = do_it(&forked, &Wish::Agree, "B. Second", Role::Reviewer).unwrap();
    assert_eq!(joined.follows.len(), 2);
}

#[test]
fn what_is_signed_is_what_was_compared_and_only_the_second_reader_agrees() {
    let records = [reading("A. First", 1, 1, 14.0, FIRST), reading("B. Second", 1, 1, 15.5, SECOND)];
    let exam = one(&records, &[]);
    for wish in [Wish::Agree, Wish::Amend { reason: "r".into() }] {
        assert!(do_it(&exam, &wish, "A. First", Role::Reviewer).is_err(), "the first reader does not agree with themselves");
    }
    let agreed = [do_it(&exam, &Wish::Agree, "B. Second", Role::Reviewer).unwrap()];
    // A shorter frame of the first reader, and another reader's reading, were not compared.
    let later = "2031-03-14T16:00:00+01:00";
    for more in [reading("A. First", 1, 2, 11.0, later), reading("C. Third", 1, 2, 14.0, later)] {
        let all = [records[0].clone(), records[1].clone(), more];
        let exam = one(&all, &agreed);
        assert_eq!(exam.standing(), Standing::NotCompared);
        assert!(do_it(&exam, &Wish::Sign, "B. Second", Role::Reviewer).is_err());
    }
    // A longer one changes nothing that was compared.
    let all = [records[0].clone(), records[1].clone(), reading("A. First", 1, 2, 16.0, later)];
    assert_eq!(one(&all, &agreed).standing(), Standing::Agreed);
    // A signature that is not that of its content signs nothing.
    let mut forged = do_it(&one(&records, &agreed), &Wish::Sign, "B. Second", Role::Reviewer).unwrap();
    forged.by = "C. Third".into();
    assert_eq!(one(&records, &[agreed[0].clone(), forged]).standing(), Standing::ChangedSinceSigned);
    // Who read first is told by the moment, whatever offset it is written with.
    let early = reading("B. Second", 1, 1, 15.5, "2031-03-14T10:30:00+02:00");
    assert_eq!(one(&[records[0].clone(), early], &[]).readers(), ["B. Second", "A. First"]);
}

#[test]
fn what_a_second_reading_shows_to_be_urgent_is_not_left_out_with_it() {
    let first = reading("A. First", 1, 1, 14.0, FIRST);
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::Now;
    let second = case
        .record_of(Origin {
            frame: first.frame.clone(),
            study_instance_uid: first.study_instance_uid.clone(),
            reader: "B. Second".into(),
            saved_at: SECOND.into(),
            ..Case::origin()
        })
        .unwrap();
    let records = vec![first, second];
    let beside = not_standing(&exams(&records, &[]));
    assert_eq!(beside.len(), 1);
    let cases = Caseload::reviewed(records, &[], &beside);
    let exam = &cases.women[0].exams[0];
    assert_eq!((exam.readings.len(), exam.beside.len()), (1, 1), "two readers' frames are no repeats of one");
    assert!(!exam.urgent(&Shelf::bundled()).unwrap().is_empty());
}

#[test]
fn the_queue_says_nothing_of_a_reading_and_its_order_can_be_drawn() {
    let records: Vec<ReadingRecord> = (1..=9).map(|e| reading("A. First", e, 1, 14.0, FIRST)).collect();
    let all = exams(&records, &[]);
    let waiting = queue(&all, "B. Second", Order::ByDate, false, true);
    assert_eq!(waiting.len(), 9);
    assert!(queue(&all, "A. First", Order::ByDate, false, true).is_empty(), "not one's own");
    let drawn = |seed| queue(&all, "B. Second", Order::Drawn { seed }, false, false);
    assert_eq!(drawn(5), drawn(5));
    assert_ne!(drawn(5), drawn(6));
    let text = serde_json::to_string(&drawn(5)).unwrap();
    for hidden in ["A. First", "14 mm", "headline", "Low", "Invented", "2.25", "2031-03"] {
        assert!(!text.contains(hidden), "{hidden} in {text}");
    }
    let frames = queue(&all, "B. Second", Order::ByDate, true, true);
    let third = frames.iter().find(|f| f.study_instance_uid.as_deref() == Some("2.25.93")).unwrap();
    assert_eq!(third.frames, [(Some("2.25.3.1".into()), 1)]);
}

/// One workstation: its own data folder, and the folder of records that all share.
struct Desk {
    data: PathBuf,
    records: PathBuf,
}

impl Desk {
    fn new(dir: &Path, name: &str, reader: &str, role: &str) -> Self {
        let desk = Self { data: dir.join(name), records: dir.join("shared") };
        desk.ok(&["profile", "--reader", reader, "--role", role]);
        desk
    }

    fn run(&self, words: &[&str]) -> (i32, String) {
        let mut command = Command::new(env!("CARGO_BIN_EXE_osspan"));
        command.args(words).env("OSSPAN_DATA", &self.data).env_remove("DISPLAY");
        let done = command.output().unwrap();
        let text = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        (done.status.code().unwrap_or(-1), text)
    }

    fn ok(&self, words: &[&str]) -> String {
        let (code, text) = self.run(words);
        assert_eq!(code, 0, "{words:?}: {text}");
        text
    }

    fn review(&self, words: &[&str]) -> (i32, String) {
        let folder = self.records.to_string_lossy();
        self.run(&[&["review"], words, &["--records", &folder]].concat())
    }

    /// Reads the sample's visit 2 with the edge moved by some pixels, and saves.
    fn read(&self, edge: &str, body: &str) -> String {
        let folder = self.records.to_string_lossy();
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/visit-2/frame-1.dcm");
        let file = file.to_string_lossy().into_owned();
        let reader = if self.data.ends_with("one") { "A. First" } else { "B. Second" };
        self.ok(&[
            "read",
            &file,
            "--os",
            "249.3,184",
            "--edge",
            edge,
            "--body",
            body,
            "--side",
            "not-covering",
            "--guideline",
            "rcog-2018",
            "--route",
            "transvaginal",
            "--bladder",
            "empty",
            "--contraction",
            "absent",
            "--due-date",
            "2025-06-30",
            "--save",
            "--reader",
            reader,
            "--records",
            &folder,
        ])
    }
}

#[test]
fn two_people_at_two_workstations_do_the_whole_loop() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (Desk::new(dir.path(), "one", "A. First", "sonographer"), Desk::new(dir.path(), "two", "B. Second", "reviewer"));
    let first = one.read("250.7,244.8", "221.6,271.8");
    let folder = one.records.to_string_lossy().into_owned();
    let record = fs::read_dir(&one.records).unwrap().next().unwrap().unwrap().path();
    let told_of: serde_json::Value = serde_json::from_str(&fs::read_to_string(&record).unwrap()).unwrap();
    let headline = told_of["headline"].as_str().unwrap().to_owned();
    let words = told_of["finding_words"].as_str().unwrap().to_owned();
    let number = headline.split(' ').nth(1).unwrap().to_owned();
    assert!(first.contains(&headline));

    // Before the second reading is saved, nothing of the first is to be had at the second desk, by any command.
    let exam = two.review(&["queue"]).1.split_whitespace().next().unwrap().to_owned();
    let out = dir.path().join("out");
    let images = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/visit-2");
    let images = images.to_string_lossy().into_owned();
    let out_text = out.to_string_lossy().into_owned();
    let set = dir.path().join("set").to_string_lossy().into_owned();
    two.ok(&["export", "prepare", &images, "--to", &set]);
    let count = fs::read_dir(&set).unwrap().filter(|f| f.as_ref().unwrap().path().extension().is_some_and(|e| e == "png")).count();
    two.ok(&["export", "approve", &set, "--frames", &format!("1-{count}"), "--by", "B. Second"]);
    let id = told_of["content_sha256"].as_str().unwrap();
    let commands: Vec<Vec<&str>> = vec![
        vec!["find", &folder],
        vec!["find", &folder, "--json"],
        vec!["sheet", &folder, "--trace"],
        vec!["due", &folder, "--all"],
        vec!["due", &folder, "--all", "--json"],
        vec!["due", &folder, "--all", "--csv"],
        vec!["verify", &folder],
        vec!["verify", &folder, "--images", &images],
        vec!["agree", &folder],
        vec!["agree", &folder, "--json"],
        vec!["checkpoint", &folder, "--to", &out_text],
        vec!["export", "write", &set, "--to", &out_text, "--records", &folder],
        vec!["exam", &folder],
        vec!["exam", &folder, "--json"],
        vec!["report", "text", "--folder", &folder, "--all"],
        vec!["report", "note", "--folder", &folder, "--all"],
        vec!["list", &images],
        vec!["told", id, "--matter", "bleeding-now", "--to", "X", "--by", "Y", "--records", &folder],
        vec!["review", "queue", "--records", &folder],
        vec!["review", "queue", "--json", "--records", &folder],
        vec!["review", "list", "--records", &folder],
        vec!["review", "compare", &exam, "--records", &folder],
        vec!["review", "agree", &exam, "--records", &folder],
        vec!["review", "sign", &exam, "--records", &folder],
    ];
    for command in &commands {
        let (_, text) = two.run(command);
        for hidden in ["A. First", &headline, &words, &format!("{number} mm"), "250.7", "244.8"] {
            assert!(!text.contains(hidden), "{command:?} shows \"{hidden}\": {text}");
        }
    }
    // The set that was written holds no reading of it, and the first desk still sees its own.
    assert!(!out.join("records").exists() || fs::read_dir(out.join("records")).unwrap().count() == 0);
    assert!(one.ok(&["find", &folder]).contains(&headline));
    assert!(two.review(&["agree", &exam]).0 != 0);
    assert!(told_of.get("second").is_none(), "nobody had read it before");

    // The second reading comes to another band: nothing can be signed until it is settled.
    two.read("252.0,286.0", "225.0,320.0");
    let (code, text) = two.review(&["compare", &exam]);
    assert!(code == 0 && text.contains("A. First") && text.contains(&headline) && text.contains("mm"), "{text}");
    assert!(text.contains("Discordant"), "{text}");
    assert!(text.contains("blinded: yes"), "{text}");
    let of = |reader: &str| {
        let all = fs::read_dir(&one.records).unwrap().map(|f| fs::read_to_string(f.unwrap().path()).unwrap());
        let all = all.filter(|t| !t.contains("osspan-review")).map(|t| ReadingRecord::from_json(&t).unwrap());
        let mut own: Vec<ReadingRecord> = all.filter(|r| r.reader == reader).collect();
        own.sort_by(|a, b| a.saved_at.cmp(&b.saved_at));
        own
    };
    let mark = of("B. Second")[0].second.clone().unwrap();
    assert_eq!((mark.exam.as_str(), mark.first.as_slice(), mark.blinded), (exam.as_str(), [id.to_owned()].as_slice(), true));
    // Only what was blind counts in a study; the first reader, who is shown everything, reads again not blind.
    assert!(one.ok(&["agree", &folder]).contains("2 readings count: 2 readers"));
    assert!(two.review(&["agree", &exam]).0 != 0 && two.review(&["sign", &exam]).0 != 0);
    let stands = id.get(..12).unwrap();
    let (code, text) = two.review(&["settle", &exam, "--with", "A. First", "--stands", stands, "--reason", "looked at together"]);
    assert_eq!(code, 0, "{text}");
    let (code, text) = two.review(&["sign", &exam]);
    assert_eq!(code, 0, "{text}");
    assert!(two.review(&["list"]).1.contains("signed"));
    assert!(two.ok(&["verify", &folder]).contains("0 with differences"));
    // The first desk does not know the key until it takes it as known.
    let text = one.ok(&["verify", &folder]);
    assert!(text.contains("is not known here"), "{text}");
    let key = two.ok(&["profile"]).lines().find_map(|l| l.strip_prefix("Known: ").map(str::to_owned)).unwrap();
    one.ok(&["profile", "--know", &key]);
    let text = one.ok(&["verify", &folder]);
    assert!(!text.contains("is not known here"), "{text}");
    // A signed step that is changed is found out.
    let step = fs::read_dir(&one.records)
        .unwrap()
        .map(|f| f.unwrap().path())
        .find(|p| fs::read_to_string(p).unwrap().contains("\"signature\""))
        .unwrap();
    let changed = fs::read_to_string(&step).unwrap().replace("B. Second", "C. Third");
    fs::write(&step, changed).unwrap();
    let (code, text) = one.run(&["verify", &folder]);
    assert!(code == 1 && text.contains("changed after it was signed"), "{text}");
}

#[test]
fn a_step_and_its_readings_survive_their_files() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let records = [reading("A. First", 1, 1, 14.0, FIRST), reading("B. Second", 1, 1, 15.5, SECOND)];
    for r in &records {
        store.save(r).unwrap();
    }
    let agreed = do_it(&one(&records, &[]), &Wish::Agree, "B. Second", Role::Reviewer).unwrap();
    let path = store.save_review(&agreed).unwrap();
    assert!(!path.to_string_lossy().contains("Second"));
    let (found, faults) = store.reviews().unwrap();
    assert!(faults.is_empty() && found[0].record == agreed);
    assert_eq!(store.load().unwrap().0.len(), 2, "steps are no readings");
    let mut bad = Vec::new();
    let totals = store
        .verify(None, &mut |v| {
            bad.extend(v.check.as_ref().unwrap().differences.clone());
            Ok(())
        })
        .unwrap();
    assert!(totals.files == 3 && totals.bad == 0, "{bad:?}");
    // A comparison that was touched up is recomputed and named; a reading that is gone is missed.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("\"same_frame\": true", "\"same_frame\": false")).unwrap();
    let mut bad = Vec::new();
    let totals = store
        .verify(None, &mut |v| {
            bad.extend(v.check.as_ref().unwrap().differences.iter().map(|d| d.what.clone()));
            Ok(())
        })
        .unwrap();
    assert!(totals.bad == 1 && bad.iter().any(|w| w == "the comparison") && bad.iter().any(|w| w.contains("content")), "{bad:?}");
}

#[test]
fn who_reads_the_first_readers_frames_stays_blind_until_all_are_read_and_the_record_says_so() {
    let (one, two) = (reading("A. First", 1, 1, 14.0, FIRST), reading("A. First", 1, 2, 12.0, FIRST));
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let who = Onlooker { reader: "B. Second".into(), role: Role::Reviewer };
    let served = Served { mode: Mode::SameFrames, queue_seed: Some(9) };
    let key = one.exam_key();
    assert_eq!(store.second_reading(&who, &key, served).unwrap(), None, "nobody read it before");
    for r in [&one, &two] {
        store.save(r).unwrap();
    }
    let seen = || store.clone().seen_by(Some(who.clone())).load().unwrap().0.len();
    let waiting = || osspan::review::Desk::open(&store, who.clone()).unwrap().waiting(Order::ByDate, true, true);
    let save = |frame: u32, mm: f64, at: &str| {
        let record = reading("B. Second", 1, frame, mm, at);
        let record = record.with_second(store.second_reading(&who, &key, served).unwrap()).unwrap();
        store.save(&record).unwrap();
        record
    };
    let first = save(1, 15.0, SECOND);
    let mark = first.second.clone().unwrap();
    assert!(mark.blinded && mark.queue_seed == Some(9) && mark.mode == Mode::SameFrames && mark.first.len() == 2);
    assert_eq!((seen(), waiting().len()), (0, 1), "one of two frames is read");
    assert_eq!((waiting()[0].frames.len(), waiting()[0].read.len()), (2, 1));
    let later = "2031-03-14T15:00:00.250+01:00";
    assert!(save(2, 13.0, later).second.unwrap().blinded);
    assert_eq!((seen(), waiting().len()), (4, 0));
    // What is read after that is not blind, nor is anything by somebody who is shown everything.
    assert!(!save(2, 13.5, later).second.unwrap().blinded);
    let sonographer = Onlooker { role: Role::Sonographer, ..who.clone() };
    assert!(!store.second_reading(&sonographer, &key, served).unwrap().unwrap().blinded);

    let differences = |text: &str| {
        let path = dir.path().join("reading-changed.json");
        fs::write(&path, text).unwrap();
        let mut all = Vec::new();
        store
            .verify(None, &mut |v| {
                if let (true, Ok(c)) = (v.path == path, &v.check) {
                    all.extend(c.differences.iter().map(|d| d.expected.clone()));
                }
                Ok(())
            })
            .unwrap();
        fs::remove_file(&path).unwrap();
        all
    };
    let changed = |change: &dyn Fn(&mut SecondReading)| {
        let mut mark = first.second.clone().unwrap();
        change(&mut mark);
        differences(&first.clone().with_second(Some(mark)).unwrap().to_json().unwrap())
    };
    assert!(changed(&|_| ()).is_empty());
    assert!(changed(&|m| m.exam = "0".repeat(16)).iter().any(|d| d.contains("own exam")));
    assert!(changed(&|m| m.first.clear()).iter().any(|d| d.contains("there before")));
    assert!(changed(&|m| m.first = vec![first.id().to_owned()]).iter().any(|d| d.contains("other readers")));
    // Of the frames only one was the first reader's.
    assert!(changed(&|m| m.first = vec![two.id().to_owned()]).iter().any(|d| d.contains("first reader chose")));
}

#[test]
fn who_read_first_is_told_within_a_second_too_and_whatever_the_offset() {
    let first = reading("Z. First", 1, 1, 14.0, "2031-03-14T10:00:00.120+01:00");
    let second = reading("B. Second", 1, 1, 15.0, "2031-03-14T09:00:00.480+00:00");
    assert_eq!(one(&[second.clone(), first.clone()], &[]).readers(), ["Z. First", "B. Second"]);
    // One made by an earlier version, to the second.
    let old = reading("O. Old", 1, 1, 15.0, "2031-03-14T10:00:00+01:00");
    assert_eq!(one(&[second, first, old], &[]).readers(), ["O. Old", "Z. First", "B. Second"]);
}
