//! Nothing is wrong in silence: what is damaged, doubled, out of reach or another's is said or left out by rule, and never counted.

use std::path::{Path, PathBuf};

use osspan::ErrorKind;
use osspan::caseload::{Caseload, Withheld, series};
use osspan::context::Bleeding;
use osspan::files;
use osspan::followup::{Told, UrgentId};
use osspan::frame::FrameId;
use osspan::guideline::Shelf;
use osspan::measure::EdgeMark;
use osspan::reading::Distance;
use osspan::record::{Draft, Drafts, HeldExam, Patient, ReadingRecord, ReviewRecord, Role, Store, ToldRecord, held, model_with, verify};
use osspan::review::{Standing, Wish, exams};
use osspan::units::{Mm, PxPoint};

use crate::commands::{osspan, text};
use crate::invented::Case;

/// The record as it would be saved with that change.
fn changed(mut record: ReadingRecord, change: impl FnOnce(&mut ReadingRecord)) -> ReadingRecord {
    change(&mut record);
    record.content_sha256 = record.digest().unwrap();
    record
}

fn bleeding() -> ReadingRecord {
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::Now;
    case.record().unwrap()
}

fn told(reading: &ReadingRecord) -> ToldRecord {
    let told = Told {
        matter: UrgentId::Bleeding,
        to: "Dr A. Example".into(),
        by: "B. Example".into(),
        at: "2031-03-14T10:05:00+01:00".into(),
        read_back: false,
    };
    ToldRecord::new(reading, told, "2031-03-14T10:06:00+01:00".into(), &Shelf::bundled()).unwrap()
}

/// First and second reading of one exam and the second reader's agreement.
fn agreed(store: &Store) -> (Vec<ReadingRecord>, ReviewRecord, PathBuf) {
    let first = Case::plain().record().unwrap();
    let second = changed(first.clone(), |r| (r.reader, r.saved_at) = ("B. Owusu".into(), "2031-03-14T11:00:00+01:00".into()));
    let readings = vec![first, second];
    for r in &readings {
        store.save(r).unwrap();
    }
    let exam = &exams(&readings, &[])[0];
    let step = exam.step(&Wish::Agree, "B. Owusu", Role::Reviewer, "2031-03-14T12:00:00+01:00".into(), None).unwrap();
    let path = store.save_review(&step).unwrap();
    (readings, step, path)
}

fn rewritten(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from}");
    std::fs::write(path, text.replace(from, to)).unwrap();
}

/// A record, a step and a record of who was told that somebody wrote in are damaged files to every list, not only to `verify`.
#[test]
fn a_record_that_was_changed_after_it_was_saved_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path()).with_index(dir.path().join("index.cache"));
    let (_, _, step) = agreed(&store);
    let reading = bleeding();
    let path = store.save(&reading).unwrap();
    let passed_on = store.save_told(&told(&reading)).unwrap();
    assert_eq!((store.load().unwrap().0.len(), store.index().unwrap().unreadable().len()), (3, 0));

    rewritten(&passed_on, "\"read-back\": false", "\"read-back\": true");
    rewritten(&step, "12:00:00", "12:00:01");
    rewritten(&path, "R. Ito", "S. Else");
    let said = |faults: &[osspan::Error]| faults.iter().filter(|e| e.message().contains("changed after it was saved")).count();
    let (found, faults) = store.load().unwrap();
    assert_eq!((found.len(), said(&faults)), (2, 1));
    assert_eq!((store.told().unwrap().0.len(), said(&store.told().unwrap().1)), (0, 1));
    assert_eq!((store.reviews().unwrap().0.len(), said(&store.reviews().unwrap().1)), (0, 1));
    let index = store.index().unwrap();
    assert_eq!((index.entries().len(), index.told().len(), index.reviews().len(), said(index.unreadable())), (2, 0, 0, 3));
}

/// A backup beside the original, or a folder that was copied into itself, makes no second frame, no second step and no doubt.
#[test]
fn a_file_that_was_copied_is_the_same_record_again() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path()).with_index(dir.path().join("index.cache"));
    let (_, _, step) = agreed(&store);
    let reading = bleeding();
    let paths = [step, store.save(&reading).unwrap(), store.save_told(&told(&reading)).unwrap()];
    std::fs::create_dir(dir.path().join("backup")).unwrap();
    for path in &paths {
        std::fs::copy(path, dir.path().join("backup").join(path.file_name().unwrap())).unwrap();
    }
    for _ in 0..2 {
        let index = store.index().unwrap();
        assert_eq!((index.entries().len(), index.told().len(), index.reviews().len()), (3, 1, 1));
    }
    let (found, faults) = store.load().unwrap();
    assert!(faults.is_empty());
    let records: Vec<ReadingRecord> = found.into_iter().map(|s| s.record).collect();
    let steps: Vec<ReviewRecord> = store.reviews().unwrap().0.into_iter().map(|s| s.record).collect();
    assert_eq!((records.len(), steps.len(), store.told().unwrap().0.len()), (3, 1, 1));
    assert_ne!(exams(&records, &steps)[0].standing(), Standing::Forked);
    std::fs::write(dir.path().join("backup/.writing-x"), "{").unwrap();
    let totals = store.verify(None, &mut |_| Ok(())).unwrap();
    assert_eq!((totals.files, totals.bad, totals.unfinished), (8, 0, 1));
}

/// A folder that cannot be looked into is not an empty one; a file that cannot be read is named; one in capitals is read.
#[cfg(unix)]
#[test]
fn what_is_out_of_reach_is_not_taken_for_absent() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("file"), "").unwrap();
    let beyond = dir.path().join("file/records");
    assert_eq!(Store::at(&beyond).index().unwrap_err().kind(), ErrorKind::Io);
    assert_eq!(Store::at(&beyond).load().unwrap_err().kind(), ErrorKind::Io);
    assert_eq!(files::list(&beyond, "json").unwrap_err().kind(), ErrorKind::Io);
    assert_eq!(files::read_text_if_there(&beyond, 10).unwrap_err().kind(), ErrorKind::Io);
    assert_eq!(files::Settings::load(&beyond).unwrap_err().kind(), ErrorKind::Io);
    assert!(Store::at(dir.path().join("none")).index().unwrap().entries().is_empty(), "one that is not there is to be made");

    let records = dir.path().join("records");
    let store = Store::at(&records).with_index(dir.path().join("cache"));
    let path = store.save(&Case::plain().record().unwrap()).unwrap();
    std::fs::rename(&path, records.join(path.file_name().unwrap().to_str().unwrap().to_uppercase())).unwrap();
    std::os::unix::fs::symlink(dir.path().join("gone.json"), records.join("reading-lost.json")).unwrap();
    for _ in 0..2 {
        let index = store.index().unwrap();
        assert_eq!((index.entries().len(), index.unreadable().len()), (1, 1));
    }
    let (found, faults) = store.load().unwrap();
    assert_eq!((found.len(), faults.len()), (1, 1));
}

/// The folder that workstations share is on a share: where it is not connected nobody is due, and that would be wrong.
#[test]
fn a_shared_folder_of_records_that_is_not_there_is_said() {
    let data = tempfile::tempdir().unwrap();
    let shared = data.path().join("share");
    let run = |args: &[&str]| {
        let made = std::process::Command::new(env!("CARGO_BIN_EXE_osspan"))
            .args(args)
            .envs([("OSSPAN_DATA", data.path()), ("OSSPAN_RECORDS", &shared)])
            .env_remove("DISPLAY")
            .output()
            .unwrap();
        (made.status.success(), text(&made.stderr))
    };
    for args in [&["due", "--exams", "sample-images"][..], &["exam"]] {
        let (done, said) = run(args);
        assert!(!done && said.contains("OSSPAN_RECORDS") && said.contains("Connect the share"), "{args:?}: {said}");
    }
    assert!(!shared.exists(), "nothing was made in its place");
    std::fs::create_dir(&shared).unwrap();
    assert!(run(&["find"]).0);
}

/// Tables and pages for other programs hold no word of it, so it stands on standard error, and the command does not end well.
#[test]
fn commands_say_what_is_no_record_also_where_they_print_for_programs() {
    let data = tempfile::tempdir().unwrap();
    let records = data.path().join("records");
    Store::at(&records).save(&Case::plain().record().unwrap()).unwrap();
    std::fs::write(records.join("reading-half.json"), "{").unwrap();
    let folder = records.to_str().unwrap();
    for args in [
        &["due", folder, "--json", "--on", "2031-03-15"][..],
        &["due", folder, "--csv", "--on", "2031-03-15"],
        &["exam", folder, "--json"],
        &["agree", folder, "--json"],
        &["find", folder, "--json"],
    ] {
        let made = osspan(data.path(), args);
        assert!(text(&made.stderr).contains("reading-half.json"), "{args:?}: {}", text(&made.stderr));
        assert_eq!(made.status.success(), args[0] == "find", "{args:?}");
        if args.contains(&"--json") {
            assert!(serde_json::from_slice::<serde_json::Value>(&made.stdout).is_ok(), "{args:?}: {}", text(&made.stdout));
        }
    }
    // A folder of exams with a file that is no frame: nobody asks for it, and it is said.
    let images = data.path().join("images");
    std::fs::create_dir(&images).unwrap();
    std::fs::write(images.join("torn.dcm"), "DICM").unwrap();
    let made = osspan(data.path(), &["due", folder, "--exams", images.to_str().unwrap(), "--on", "2031-03-15"]);
    assert!(text(&made.stdout).contains("In no exam") && text(&made.stdout).contains("torn.dcm"), "{}", text(&made.stdout));
}

/// One picture under two people's names: the second reading supersedes nothing of the other woman's.
#[test]
fn a_reading_follows_nothing_of_another_person() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let of = |number: &str| Patient { number: Some(number.into()), ..Patient::default() };
    let one = changed(Case::plain().record().unwrap(), |r| r.patient = of("INV-1"));
    store.save(&one).unwrap();
    let heads = |number: &str| store.own_heads(&one.frame, "R. Ito", of(number).key().as_deref()).unwrap();
    assert_eq!(heads("INV-1"), [one.id().to_owned()]);
    assert!(heads("INV-2").is_empty());
}

fn measured(mut case: Case, mm: f64) -> ReadingRecord {
    case.landmarks.internal_os = PxPoint::new(500.0, 240.0);
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(500.0 - mm * 10.0, 240.0) };
    case.landmarks.placental_body = None;
    case.record().unwrap()
}

/// Two records of one frame that do not follow each other, as two workstations make them, are one frame and not two.
#[test]
fn a_frame_that_was_read_twice_counts_once() {
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::Now;
    let older = measured(case, 9.0);
    let newer = changed(measured(Case::plain(), 14.0), |r| r.saved_at = "2031-03-14T11:00:00+01:00".into());
    let cases = Caseload::of(vec![newer.clone(), older.clone()], &[]);
    let exam = &cases.women[0].exams[0];
    let (summary, _) = exam.summary().unwrap();
    assert_eq!((exam.readings.as_slice(), exam.beside.as_slice()), (&[newer.clone()][..], &[older.clone()][..]));
    assert_eq!(summary.counted.len(), 1);
    assert_eq!(exam.urgent(&Shelf::bundled()).unwrap().len(), 1, "what the older one showed stays");
    let table = osspan::guideline::table("us-consensus-2014").unwrap();
    let sheet = exam.sheet(&table, &Shelf::bundled()).unwrap().text(false);
    assert!(sheet.contains("1 reading(s) of a frame that the same reader read again since are left beside"), "{sheet}");
    // Another frame of the cine, and another reader's reading of this one, are readings of their own.
    let next = changed(older.clone(), |r| r.frame = FrameId { frame_number: 2, ..r.frame.clone() });
    assert_eq!(Caseload::of(vec![newer.clone(), next], &[]).women[0].exams[0].readings.len(), 2);
    let review = &exams(&[older, newer.clone()], &[])[0];
    assert_eq!(review.deciding("R. Ito").unwrap().id(), newer.id());
}

/// An exam whose distances cannot be summed up is not classified by whichever reading came last.
#[test]
fn what_cannot_be_summed_up_is_not_classified() {
    let near = changed(measured(Case::plain(), 4.0), |r| {
        if let Distance::Measured(m) = &mut r.distance {
            m.measurement.terms.clear();
        }
    });
    let far = changed(measured(Case::plain(), 25.0), |r| {
        r.frame.sha256 = "cd".repeat(32);
        r.saved_at = "2031-03-14T11:00:00+01:00".into();
    });
    let cases = Caseload::of(vec![near, far], &[]);
    let (exam, table) = (&cases.women[0].exams[0], osspan::guideline::table("us-consensus-2014").unwrap());
    let answered = exam.under(&table).unwrap();
    assert_eq!((answered.withheld, answered.finding), (Some(Withheld::NotSummedUp), None));
    assert!(exam.sheet(&table, &Shelf::bundled()).unwrap().text(false).contains("cannot be summed up"));
    assert!(series(&cases.women[0], 0).left_out[0].1.contains("cannot be summed up"));
}

/// One number for two women, as placeholders make it: said, and no change is reckoned from one to the other.
#[test]
fn one_patient_number_with_two_dates_of_birth_is_said() {
    let visit = |day: &str, born: &str, mm: f64| {
        let mut case = Case::plain();
        case.context.exam_date = Some(day.parse().unwrap());
        changed(measured(case, mm), |r| {
            r.patient = Patient { name: Some("Invented^Ada".into()), number: Some("0000".into()), birth_date: Some(born.parse().unwrap()) };
            r.study_instance_uid = Some(format!("2.25.{}", day.replace('-', "")));
        })
    };
    let table = osspan::guideline::table("us-consensus-2014").unwrap();
    let of = |born: &str| {
        let cases = Caseload::of(vec![visit("2031-03-01", born, 9.0), visit("2031-03-14", "2001-04-17", 14.0)], &[]);
        let woman = &cases.women[0];
        let sheet = osspan::caseload::SavedExam::sheet_of(woman, 1, &table, &Shelf::bundled()).unwrap().text(false);
        (series(woman, 1), sheet.contains("see that all are hers"))
    };
    let (same, said) = of("2001-04-17");
    assert!(same.points.len() == 2 && same.trend.is_some() && !said);
    let (other, said) = of("1999-04-17");
    assert!(other.points.len() == 1 && other.left_out[0].1.contains("another date of birth") && said);
}

/// Near the os the part of the error that the frames share is larger than the distance: none of it is dropped from a change.
#[test]
fn a_change_near_the_os_keeps_its_whole_error() {
    let visit = |day: &str, mm: f64| {
        let mut case = Case::plain();
        case.context.exam_date = Some(day.parse().unwrap());
        changed(measured(case, mm), |r| {
            r.patient.number = Some("INV-7".into());
            r.study_instance_uid = Some(format!("2.25.{}", day.replace('-', "")));
        })
    };
    let cases = Caseload::of(vec![visit("2031-03-01", 0.3), visit("2031-03-14", 14.0)], &[]);
    let woman = &cases.women[0];
    for (exam, point) in woman.exams.iter().zip(&series(woman, 1).points) {
        let (summary, _) = exam.summary().unwrap();
        let osspan::exam::ExamDistance::Estimate { u_shared_mm, .. } = summary.exam_distance else { panic!("{summary:?}") };
        let kept = point.u_independent_mm.get().hypot(point.u_scale_relative * point.signed_mm.get());
        assert!((kept - 2.0_f64.hypot(u_shared_mm.get())).abs() < 1e-9, "{kept} of 2.0 and {u_shared_mm}");
    }
}

/// A step is checked against the very readings that it names, not against whatever bears their file's name.
#[test]
fn a_reading_under_anothers_file_name_is_not_taken_for_it() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let (readings, ..) = agreed(&store);
    let name = |r: &ReadingRecord| dir.path().join(format!("reading-{}.json", &r.id()[..20]));
    // Both are there, under each other's name.
    std::fs::rename(name(&readings[0]), dir.path().join("aside")).unwrap();
    std::fs::rename(name(&readings[1]), name(&readings[0])).unwrap();
    std::fs::rename(dir.path().join("aside"), name(&readings[1])).unwrap();
    let mut unchecked = Vec::new();
    store
        .verify(None, &mut |v| {
            unchecked.extend(v.check.as_ref().unwrap().unchecked.clone());
            Ok(())
        })
        .unwrap();
    assert!(unchecked.iter().any(|u| u.starts_with("the comparison")), "{unchecked:?}");
}

/// The method of a distance may be gone; what does not follow from it is checked all the same.
#[test]
fn a_method_that_is_gone_stops_only_what_follows_from_it() {
    let mut record = Case::plain().record().unwrap().with_exam([]).unwrap();
    let Distance::Measured(m) = &mut record.distance else { panic!() };
    m.measurement.method = "edge-to-os-distance@0".into();
    let own = held(&record).unwrap();
    record.exam =
        Some(HeldExam::of(vec![osspan::record::HeldReading { record: String::new(), ..own }], model_with(&record.repeatability)).unwrap());
    let check = verify(&changed(record.clone(), |_| ()), None);
    assert!(check.differences.is_empty() && check.unchecked.len() == 1, "{check:?}");
    let forged = changed(record, |r| {
        let osspan::exam::ExamDistance::Estimate { u_mm, .. } = &mut r.exam.as_mut().unwrap().values.summary.exam_distance else {
            panic!()
        };
        *u_mm = Mm::new(0.5);
    });
    assert!(verify(&forged, None).differences.iter().any(|d| d.what.starts_with("the exam's values")));
}

/// When the clocks change, the later draft is not the one with the larger text.
#[test]
fn drafts_are_offered_newest_first_whatever_their_offset() {
    let dir = tempfile::tempdir().unwrap();
    let drafts = Drafts::at(dir.path());
    let of = |letter: &str, at: &str| {
        let frame = FrameId { sha256: letter.repeat(64), sop_instance_uid: None, frame_number: 1 };
        Draft::of(frame, Path::new("x.dcm"), at.into())
    };
    let (earlier, later) = (of("a", "2031-10-26T02:30:00+02:00"), of("b", "2031-10-26T02:10:00+01:00"));
    drafts.keep(&earlier).unwrap();
    drafts.keep(&later).unwrap();
    assert_eq!(drafts.load().unwrap().0, [later, earlier]);
}

/// A role that is misspelt is no sonographer's, from whom nothing is kept out of sight.
#[test]
fn a_role_that_is_none_is_refused() {
    let data = tempfile::tempdir().unwrap();
    for (role, good) in Role::ALL.iter().map(|r| (r.words(), true)).chain([("Reviewer", false), ("", false)]) {
        let text = format!("{{\"schema\":\"osspan-settings/1\",\"reader\":\"B. Owusu\",\"guideline\":null,\"role\":\"{role}\"}}");
        std::fs::write(data.path().join("settings.json"), text).unwrap();
        let read = files::Settings::load(data.path());
        assert_eq!(read.is_ok(), good, "{role}: {read:?}");
    }
    Store::at(data.path().join("records")).save(&Case::plain().record().unwrap()).unwrap();
    let made = osspan(data.path(), &["exam"]);
    assert!(!made.status.success() && made.stdout.is_empty() && text(&made.stderr).contains("sonographer or reviewer"));
}
