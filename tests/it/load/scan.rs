//! Folders: exams, what is left out and why, copies and clashes, stopping.

use std::fs;
use std::ops::ControlFlow;

use osspan::load::scan::scan;
use osspan::load::{ExamKey, Scan};

use super::dicomfile::{EXPLICIT, Look, Value, ultrasound};

fn file(uid: &str, study: &str, date: &str, pixel: u8) -> Vec<u8> {
    ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME2", 8, 8), Value::Bytes(vec![pixel, 2]))
        .with(0x0008, 0x0018, b"UI", Value::Text(uid.into()))
        .with(0x0020, 0x000D, b"UI", Value::Text(study.into()))
        .with(0x0008, 0x0020, b"DA", Value::Text(date.into()))
        .bytes()
}

fn all(path: &std::path::Path) -> Scan {
    scan(path, &mut |_| ControlFlow::Continue(())).unwrap()
}

#[test]
fn a_folder_becomes_exams_by_date_and_says_what_is_no_frame() {
    let top = tempfile::tempdir().unwrap();
    let sub = top.path().join("sub");
    fs::create_dir(&sub).unwrap();
    fs::write(top.path().join("b"), file("2.25.1", "2.25.100", "20260401", 1)).unwrap();
    fs::write(sub.join("a"), file("2.25.2", "2.25.100", "20260331", 1)).unwrap();
    fs::write(top.path().join("c"), file("2.25.3", "2.25.99", "20260101", 1)).unwrap();
    fs::write(top.path().join("notes.txt"), "buy bread").unwrap();
    let mut seen = Vec::new();
    let found = scan(top.path(), &mut |p| {
        seen.push((p.done, p.found));
        ControlFlow::Continue(())
    })
    .unwrap();
    assert_eq!(found.exams.len(), 2);
    assert_eq!(found.exams[0].key, ExamKey::Study("2.25.99".into()));
    assert_eq!(found.exams[1].files.len(), 2);
    assert_eq!(found.exams[1].date, Some(jiff::civil::date(2026, 3, 31)));
    assert_eq!(found.not_frames.len(), 1);
    assert!(found.not_frames[0].1.contains("expected DICOM"), "{:?}", found.not_frames);
    assert_eq!(seen.last(), Some(&(3, 4)));
    assert!(!found.stopped);
}

#[test]
fn one_uid_with_two_contents_is_said_and_a_true_copy_is_left_out() {
    let top = tempfile::tempdir().unwrap();
    fs::write(top.path().join("1"), file("2.25.1", "2.25.100", "20260401", 1)).unwrap();
    fs::write(top.path().join("2"), file("2.25.1", "2.25.100", "20260401", 1)).unwrap();
    let found = all(top.path());
    assert_eq!((found.exams[0].files.len(), found.exams[0].warnings.len()), (1, 0));
    assert!(found.not_frames[0].1.contains("a copy of"), "{:?}", found.not_frames);
    fs::write(top.path().join("2"), file("2.25.1", "2.25.100", "20260401", 9)).unwrap();
    let found = all(top.path());
    assert_eq!(found.exams[0].files.len(), 2);
    assert!(found.exams[0].warnings[0].contains("share one SOP Instance UID"), "{:?}", found.exams[0].warnings);
    assert!(found.exams[0].files.iter().all(|f| f.warnings().iter().any(|w| w.contains("share one SOP Instance UID"))));
}

#[test]
fn files_of_one_study_that_disagree_about_the_patient_are_said() {
    let top = tempfile::tempdir().unwrap();
    fs::write(top.path().join("1"), file("2.25.1", "2.25.100", "20260401", 1)).unwrap();
    let other = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME2", 8, 8), Value::Bytes(vec![1, 2]))
        .with(0x0020, 0x000D, b"UI", Value::Text("2.25.100".into()))
        .with(0x0010, 0x0020, b"LO", Value::Text("INV-8".into()));
    fs::write(top.path().join("2"), other.bytes()).unwrap();
    let found = all(top.path());
    assert!(found.exams[0].warnings[0].contains("who was examined"));
    assert!(!found.exams[0].warnings[0].contains("INV"));
}

#[test]
fn a_scan_can_be_stopped_and_links_in_a_circle_end() {
    let top = tempfile::tempdir().unwrap();
    for n in 0..5 {
        fs::write(top.path().join(n.to_string()), file(&format!("2.25.{n}"), "2.25.100", "20260401", 1)).unwrap();
    }
    #[cfg(unix)]
    std::os::unix::fs::symlink(top.path(), top.path().join("circle")).unwrap();
    assert_eq!(all(top.path()).exams[0].files.len(), 5);
    let found = scan(top.path(), &mut |p| if p.done == 2 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }).unwrap();
    assert!(found.stopped && found.exams[0].files.len() == 2);
    assert!(scan(&top.path().join("nowhere"), &mut |_| ControlFlow::Continue(())).is_err());
}
