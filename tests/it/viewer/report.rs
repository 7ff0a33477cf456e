//! The page of the report, in the window with the real store: what it shows, writes and copies, by keys and by names.

use std::path::Path;

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::files::Settings;
use osspan::guideline;
use osspan::report::pdf::Paper;
use osspan::report::{Avoid, Form};
use osspan::viewer::action::{Action, Effect};
use osspan::viewer::keys::{action_for, bindings};
use osspan::viewer::page::Page;
use osspan::viewer::session::{Paragraph, Preview, ReportAction, ReportEffect, Session};

use super::drive::{Window, label, type_into, wait, window};
use super::invented::found;
use crate::commands::{osspan, text};

/// The sample's readings in the window's own folder of records.
fn sample_records(dir: &Path) {
    let done = osspan(&dir.join("data"), &["sample", "--records", &dir.join("records").to_string_lossy()]);
    assert!(done.status.success(), "{}", text(&done.stderr));
}

fn press(h: &mut Window, key: Key) {
    h.key_press(key);
    h.run();
}

fn made(h: &mut Window) {
    wait(h, "the report", |s| !s.report().busy() && (s.report().preview().is_some() || s.report().why_not().is_some()));
}

#[test]
fn the_report_is_shown_as_it_prints_chosen_by_keys_and_written_to_new_files() {
    let dir = tempfile::tempdir().unwrap();
    sample_records(dir.path());
    let mut h = window(dir.path());
    press(&mut h, Key::F11);
    made(&mut h);
    let preview = h.state().session().report().preview().unwrap().clone();
    assert_eq!((preview.readings, preview.watermark.as_deref()), (3, Some("UNSIGNED")));
    assert!(preview.pictures.len() == 3 && preview.pictures.iter().all(|p| p.raster.is_ok()), "the frames are in it");
    assert!(h.query_by_label(&format!("page 1 of {} as it prints; its words are shown with V", preview.pages.len())).is_some());
    let nameless = h
        .query_all_by(|n| matches!(n.role(), Role::Button | Role::CheckBox | Role::TextInput | Role::Image))
        .filter(|n| n.accesskit_node().label().is_none_or(|l| l.trim().is_empty()))
        .count();
    assert_eq!(nameless, 0);
    assert!(!preview.words.contains("Date of birth"), "identity only if asked for");
    // By keys: Letter, identity, words, the file.
    for key in [Key::P, Key::I, Key::V] {
        press(&mut h, key);
        made(&mut h);
    }
    let report = h.state().session().report().clone();
    assert!(report.paper() == Paper::Letter && report.wish().identity && !report.shows_pages());
    assert!(report.preview().unwrap().words.contains("Date of birth"));
    assert!(h.query_all_by_label_contains("Date of birth").next().is_some());
    let first = dir.path().join("reports");
    for n in 1..=2 {
        press(&mut h, Key::W);
        wait(&mut h, "the file", |s| s.report().said().is_some_and(|w| w.starts_with("Written:")) && !s.report().busy());
        let files: Vec<_> = std::fs::read_dir(&first).unwrap().map(|e| e.unwrap().path()).collect();
        assert_eq!(files.len(), n, "never over another file: {files:?}");
        assert!(files.iter().all(|f| std::fs::read(f).unwrap().starts_with(b"%PDF-1.7")));
    }
    // The patient's page: in her language, with what the clinician chose and the number to call.
    label(&mut h, "form: patient's page, text");
    made(&mut h);
    press(&mut h, Key::L);
    label(&mut h, "to avoid: sex");
    type_into(&mut h, "phone number on the patient's page", "+00 555 0100");
    made(&mut h);
    let words = h.state().session().report().preview().unwrap().words.clone();
    for part in ["No tenga relaciones sexuales.", "Teléfono: +00 555 0100", "Hable de esta hoja"] {
        assert!(words.contains(part), "{part}\n{words}");
    }
    assert!(!words.contains("No haga deporte"));
    // Who received one stands in what was sent, and nobody unless named.
    let sent = dir.path().join("sent-reports");
    assert!(!sent.exists());
    type_into(&mut h, "who receives it", "Dr A. Example");
    label(&mut h, "Write the file (W)");
    wait(&mut h, "the file", |s| s.report().said().is_some_and(|w| w.contains("goes to Dr A. Example")));
    assert_eq!(std::fs::read_dir(sent).unwrap().count(), 1);
}

#[test]
fn one_key_copies_the_paragraph_from_every_page() {
    let dir = tempfile::tempdir().unwrap();
    sample_records(dir.path());
    let mut h = window(dir.path());
    let all = bindings();
    for page in Page::ALL {
        let action = action_for(&all, page, Key::Insert, Modifiers::NONE, false);
        assert!(matches!(action, Some(Action::Report(ReportAction::Copy))), "{page:?}");
    }
    for key in [Key::F2, Key::F4, Key::F11] {
        press(&mut h, key);
        h.key_press(Key::Insert);
        let mut copied = None;
        for _ in 0..2000 {
            h.step();
            copied = h.output().platform_output.commands.iter().find_map(|c| match c {
                egui::OutputCommand::CopyText(text) => Some(text.clone()),
                _ => None,
            });
            if copied.is_some() {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let text = copied.unwrap();
        for part in ["Ultrasound of the placental edge and the internal os on 2025-02-12", "Overlaps the os by", "UNSIGNED", "Cautions:"] {
            assert!(text.contains(part), "{part}\n{text}");
        }
        assert!(h.state().session().messages().iter().any(|m| m.contains("on the clipboard, made from 3 saved readings")));
    }
}

#[test]
fn without_a_saved_reading_there_is_no_report_and_it_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    press(&mut h, Key::F11);
    made(&mut h);
    assert!(h.state().session().report().why_not().unwrap().contains("Save the reading first"));
    assert!(h.query_all_by_label_contains("Save the reading first").next().is_some());
    press(&mut h, Key::Insert);
    wait(&mut h, "an answer", |s| s.messages().iter().any(|m| m.contains("Save the reading first")));
}

#[test]
fn what_could_not_be_read_is_said_beside_the_report_its_file_and_the_paragraph() {
    let dir = tempfile::tempdir().unwrap();
    sample_records(dir.path());
    let mut h = window(dir.path());
    press(&mut h, Key::F11);
    made(&mut h);
    assert!(h.state().session().report().preview().unwrap().unread.is_none());
    assert!(h.query_by_label_contains("could not be read").is_none());
    // One of her readings is cut short on the disk: whose it was cannot be told any more.
    let files = std::fs::read_dir(dir.path().join("records")).unwrap().map(|e| e.unwrap().path());
    let one = files.filter(|p| p.extension().is_some_and(|e| e == "json")).min().unwrap();
    let whole = std::fs::read(&one).unwrap();
    std::fs::write(&one, &whole[..whole.len() / 2]).unwrap();
    press(&mut h, Key::D);
    made(&mut h);
    let says = "1 file of the records folder could not be read and may belong to it";
    assert!(h.state().session().report().preview().unwrap().unread.as_ref().unwrap().starts_with(says));
    assert!(h.query_by_label_contains(says).is_some());
    press(&mut h, Key::W);
    wait(&mut h, "the file", |s| s.report().said().is_some_and(|w| w.starts_with("Written:") && w.contains(says)));
    press(&mut h, Key::Insert);
    wait(&mut h, "the paragraph", |s| s.messages().iter().any(|m| m.contains("on the clipboard") && m.contains(says)));
    // With nothing left the damage is still what is said first.
    for e in std::fs::read_dir(dir.path().join("records")).unwrap().map(|e| e.unwrap().path()) {
        if e.extension().is_some_and(|x| x == "json") && e != one {
            std::fs::remove_file(e).unwrap();
        }
    }
    press(&mut h, Key::D);
    made(&mut h);
    assert!(h.state().session().report().why_not().unwrap().contains(says), "{:?}", h.state().session().report().why_not());
}

/// A session with the invented exams open, and what it asks.
fn session() -> Session {
    let mut s = Session::new(guideline::tables().unwrap(), Settings::default());
    drop(s.apply(Action::Opened(Ok(found()))));
    s
}

#[test]
fn one_question_at_a_time_and_only_the_newest_answer_stands() {
    let mut s = session();
    let asked = s.apply(Action::ShowPage(Page::Report));
    let Some(Effect::Report(ReportEffect::Make(1, job))) = asked.iter().find(|e| matches!(e, Effect::Report(_))) else {
        panic!("{asked:?}")
    };
    assert_eq!((job.form, job.exam.as_str()), (Form::Pdf, osspan::record::study_key("1.1").as_str()));
    // Chosen while it is being made: asked once more when it is there, with all of it.
    for action in [ReportAction::ToggleIdentity, ReportAction::Choose(Form::Text)] {
        assert!(s.apply(action.into()).is_empty());
    }
    let again = s.apply(ReportAction::Made(1, Err("late".into())).into());
    let Some(Effect::Report(ReportEffect::Make(2, job))) = again.first() else { panic!("{again:?}") };
    assert!(job.wish.identity && job.form == Form::Text);
    assert_eq!(s.report().why_not(), None, "an answer to what is no longer asked is not shown");
    assert!(s.apply(ReportAction::Made(2, Err("gone".into())).into()).is_empty());
    assert_eq!(s.report().why_not(), Some("gone"));
    // Nothing to write without a report; what is copied goes to the clipboard.
    assert!(s.apply(ReportAction::Write.into()).is_empty());
    let copied = s.apply(ReportAction::Paragraph(Ok(Paragraph { text: "words".into(), readings: 1, unread: None })).into());
    assert!(matches!(&copied[..], [Effect::Copy(text)] if text == "words"));
}

/// A report without pages, for a file of that name.
fn preview(file: &str) -> Box<Preview> {
    Box::new(Preview {
        words: "words".into(),
        pages: Vec::new(),
        paper: Paper::A4,
        pictures: Vec::new(),
        watermark: None,
        code: "code".into(),
        file: file.into(),
        readings: 1,
        unread: None,
    })
}

/// The number and the exam of the question that is asked.
fn asked(effects: &[Effect]) -> (u64, String) {
    let of = |e: &Effect| match e {
        Effect::Report(ReportEffect::Make(number, job)) => Some((*number, job.exam.clone())),
        _ => None,
    };
    effects.iter().find_map(of).unwrap_or_else(|| panic!("no report is asked for: {effects:?}"))
}

#[test]
fn nothing_of_one_exam_is_carried_to_the_report_of_another() {
    let study = osspan::record::study_key;
    let mut s = session();
    let (number, exam) = asked(&s.apply(Action::ShowPage(Page::Report)));
    assert_eq!(exam, study("1.1"));
    drop(s.apply(ReportAction::Made(number, Ok(preview("/reports/first.pdf"))).into()));
    assert_eq!(s.report().answered(), number);
    // The next question of the same exam: what is shown until it is answered is still the answer to the last one.
    let (next, _) = asked(&s.apply(ReportAction::ToggleAvoid(Avoid::Sex).into()));
    assert!(s.report().preview().is_some() && s.report().answered() == number && next > number);
    drop(s.apply(ReportAction::Made(next, Ok(preview("/reports/first.pdf"))).into()));
    assert_eq!(s.report().answered(), next);
    drop(s.apply(ReportAction::TypePhone("+00 555 0100".into()).into()));
    drop(s.apply(ReportAction::TypeTo("Dr A. Example".into()).into()));
    drop(s.apply(ReportAction::TypeFile("/reports/hers.pdf".into()).into()));
    // Another exam, while the phone number is still being put into the last one's report.
    drop(s.apply(Action::ShowPage(Page::Reading)));
    drop(s.apply(Action::StepExam(1)));
    drop(s.apply(Action::ShowPage(Page::Report)));
    let page = s.report();
    assert!(page.preview().is_none() && page.avoid().is_empty() && page.to().is_empty() && page.file().is_empty());
    assert_eq!(page.phone(), "+00 555 0100", "the department's");
    let (last, exam) = asked(&s.apply(ReportAction::Made(next + 1, Ok(preview("/reports/first.pdf"))).into()));
    assert_eq!(exam, study("1.2"));
    assert!(s.report().preview().is_none(), "the late answer is of the exam before");
    drop(s.apply(ReportAction::Made(last, Ok(preview("/reports/second.pdf"))).into()));
    assert_eq!((s.report().file().as_str(), s.report().answered()), ("/reports/second.pdf", last));
    // Images opened over the page take it over.
    let (_, exam) = asked(&s.apply(Action::Opened(Ok(found()))));
    assert_eq!(exam, study("1.1"));
    assert!(s.report().preview().is_none());
}
