//! What a report says besides the distance, in every form: lengths, frames, scale checks, what the exam comes to, who was told.

use osspan::calibrate::{CheckVerdict, LastCheck, ScaleFacts};
use osspan::caseload::Caseload;
use osspan::context::Bleeding;
use osspan::exam::{Checklist, Item};
use osspan::followup::{Told, UrgentId};
use osspan::guideline::Shelf;
use osspan::measure::EdgeMark;
use osspan::record::{Origin, Patient, ReadingRecord, ToldRecord};
use osspan::report::pdf::{self, Letters, Paper};
use osspan::report::{Report, Request, html, note, required, text};
use osspan::units::PxPoint;

use super::{Asked, Grey, NOW, corrected, one, spaceless, words};
use crate::invented::{Case, further_landmarks, table};

/// Every further landmark.
fn marked() -> Case {
    let mut case = Case::plain();
    case.notes.more = further_landmarks();
    case
}

/// A second frame of the same exam, its edge so many pixels from the os.
fn second(case: &mut Case, px: f64) -> ReadingRecord {
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(300.0 - px, 240.0) };
    let mut origin = Case::origin();
    origin.frame.sha256 = "cd".repeat(32);
    origin.saved_at = "2031-03-14T10:05:00+01:00".into();
    case.record_of(origin).unwrap()
}

fn told_report(records: &[ReadingRecord], told: &[ToldRecord]) -> Report {
    let cases = Caseload::of(records.to_vec(), told);
    let shelf = Shelf::bundled();
    Report::of(&Request {
        woman: &cases.women[0],
        exam: 0,
        table: &table(),
        shelf: &shelf,
        all: records,
        issued: &[],
        reviews: &[],
        signers: &[],
        images: &Grey,
        identity: false,
        draft: false,
        full: false,
        made_at: NOW,
    })
    .unwrap()
}

#[test]
fn further_lengths_stand_in_every_form_with_what_must_be_seen_beside_them() {
    let report = Asked::of(&[marked().record().unwrap()]).report();
    let part = report.part("Further lengths").unwrap();
    let said: Vec<&str> = part.lines.iter().map(|l| l.text.as_str()).collect();
    let has = |start: &str, with: &str| said.iter().any(|s| s.starts_with(start) && s.contains(with));
    for (name, with) in [
        ("Cervical length:", "22 mm (95 %: 18 to 26 mm) in a straight line"),
        ("Edge thickness:", "8 mm (95 %: 4 to 12 mm), plates at 90°"),
        ("Vessel to os:", "fetal rate on pulsed Doppler: yes; loop of cord excluded: not stated"),
        ("Vessel to os:", "A long distance never excludes vasa previa"),
        ("Along the wall:", "the straight line decides. The wall is 3.2 mm longer"),
        ("Width of the os:", "from its rim to the edge 12 mm"),
        ("Cervical length:", "against using it routinely"),
    ] {
        assert!(has(name, with), "{name} {with}: {said:#?}");
    }
    // What the literature holds it against has the literature's source.
    let line = part.lines.iter().find(|l| l.text.contains("at or under 25 mm")).unwrap();
    let number: usize = line.mark.trim_start_matches('[').split([',', ']']).next().unwrap().parse().unwrap();
    assert!(report.sources[number - 1].text.contains("PMID 23153020"));
    let letters = Letters::new().unwrap();
    for form in [text(&report), html(&report).unwrap(), words(&pdf::pages(&report, Paper::A4, &letters))] {
        let form = spaceless(&form.replace("- ", " "));
        assert!(form.contains(&spaceless("Cervical length: 22 mm (95 %: 18 to 26 mm) in a straight line")), "{form}");
    }
    assert!(Asked::of(&one()).report().part("Further lengths").is_none());
}

#[test]
fn frames_say_whether_they_count_and_what_was_excepted() {
    let mut case = Case::plain();
    case.notes.checklist.attest_all(true);
    let first = case.record().unwrap();
    let said = |report: &Report| report.part("Frames").unwrap().lines.iter().map(|l| l.text.clone()).collect::<Vec<_>>();
    assert_eq!(said(&Asked::of(std::slice::from_ref(&first)).report()), ["Attested adequate: all 8 points of the checklist that decide"]);
    case.notes.checklist = Checklist::default();
    assert_eq!(
        said(&Asked::of(&[first.clone(), second(&mut case, 150.0)]).report()),
        [
            "Attested adequate: all 8 points of the checklist that decide (reading 1)",
            "Not stated whether adequate: no point of the checklist that decides was answered (reading 2)"
        ]
    );
    case.notes.checklist.toggle_exception(Item::NoContraction);
    case.notes.checklist.toggle_exception(Item::OtherPlanes);
    case.notes.set = Some(2);
    let report = Asked::of(&[first, second(&mut case, 100.0)]).report();
    let all = said(&report).join("\n");
    assert!(all.contains("Set 2, inadequate: contraction; not answered: canal followed"), "{all}");
    assert!(all.contains("Excepted: contraction (reading 2)") && all.contains("Excepted: shortest way not searched (reading 2)"), "{all}");
    // An inadequate frame does not decide, and the summary of each set is there.
    assert!(report.headline.starts_with("Edge 14 mm"), "{}", report.headline);
    let come: Vec<&str> = report.part("What the frames come to").unwrap().lines.iter().map(|l| l.text.as_str()).collect();
    assert!(come.iter().any(|l| l.starts_with("Set 2: No frame counts")), "{come:#?}");
}

#[test]
fn the_exams_values_are_kept_apart() {
    let mut case = Case::plain();
    let records = [case.record().unwrap(), second(&mut case, 160.0)];
    let report = Asked::of(&records).report();
    let come: Vec<&str> = report.part("What the frames come to").unwrap().lines.iter().map(|l| l.text.as_str()).collect();
    assert!(come[0].starts_with("Shortest of 2 frames: Edge 14 mm"), "{come:#?}");
    assert!(come[1].starts_with("Exam distance, of 2 frames: Edge 15 mm") && come[1].contains("for change over visits"), "{come:#?}");
    assert!(come[2].starts_with("Distances from 14 to 16 mm, a spread of 2.0 mm"), "{come:#?}");
    assert!(report.headline.starts_with("Edge 14 mm"));
    let made = note(&report, osspan::report::TEMPLATE).unwrap();
    assert!(made.contains("Exam distance, of 2 frames") && made.contains("a spread of 2.0 mm"), "{made}");
}

#[test]
fn scale_checks_are_said_and_what_speaks_against_the_scale_comes_first() {
    let mut record = Case::plain().record().unwrap();
    let said = |report: &Report| report.part("Distance and scale").unwrap().lines.iter().map(|l| l.text.clone()).collect::<Vec<_>>();
    let all = said(&Asked::of(std::slice::from_ref(&record)).report());
    assert!(all.iter().any(|l| l.starts_with("Scale check, ambiguous: scale never checked on a phantom")), "{all:#?}");
    assert!(all.contains(&"Consistent with the scale: the region's box; the depth of the picture".to_owned()), "{all:#?}");
    let check = LastCheck {
        id: "c".into(),
        checked_on: jiff::civil::date(2031, 1, 2),
        next_due: jiff::civil::date(2032, 1, 2),
        error_x: 0.025,
        error_y: 0.002,
        u_x: 0.002,
        u_y: 0.002,
        correlation: 0.0,
        verdict: CheckVerdict::Action,
        other_preset: false,
        invented: true,
    };
    record.scale_facts = ScaleFacts { last_check: Some(check), ..ScaleFacts::default() };
    let all = said(&Asked::of(&[record]).report());
    let against = all.iter().position(|l| l.starts_with("SPEAKS AGAINST THE SCALE, inconsistent: scale last checked on 2031-01-02"));
    assert!(against.is_some() && all[against.unwrap()].contains("beyond the action level"), "{all:#?}");
    assert!(all.iter().skip(against.unwrap()).any(|l| l.starts_with("Consistent with the scale")), "{all:#?}");
}

#[test]
fn an_urgent_report_says_who_was_told_and_when_or_that_nobody_was() {
    let mut case = Case::plain();
    case.context.bleeding = Bleeding::Now;
    let record = case.record().unwrap();
    let urgent = |told: &[ToldRecord]| {
        let report = told_report(std::slice::from_ref(&record), told);
        let lines: Vec<String> = report.part("Urgent").unwrap().lines.iter().map(|l| l.text.clone()).collect();
        // None of it can be left out by a template.
        assert!(lines.iter().all(|l| required(&report).contains(l)));
        lines.join("\n")
    };
    assert!(urgent(&[]).contains("NOT RECORDED THAT ANYBODY WAS TOLD: bleeding"), "{}", urgent(&[]));
    let told = |read_back| {
        let told = Told {
            matter: UrgentId::Bleeding,
            to: "Dr A. Example".into(),
            by: "R. Ito".into(),
            at: "2031-03-14T10:20:00+01:00".into(),
            read_back,
        };
        [ToldRecord::new(&record, told, "2031-03-14T10:21:00+01:00".into(), &Shelf::bundled()).unwrap()]
    };
    let said = urgent(&told(true));
    assert!(said.contains("Told to Dr A. Example by R. Ito at 2031-03-14T10:20:00+01:00, read back: bleeding"), "{said}");
    assert!(!said.contains("NOT RECORDED"), "{said}");
    assert!(urgent(&told(false)).contains("NOT read back"));
}

#[test]
fn an_amendment_names_changed_lengths_frames_and_scales() {
    let first = marked().record().unwrap();
    let mut again = corrected(&first, 160.0);
    again.notes.checklist.attest_all(false);
    again.content_sha256 = again.digest().unwrap();
    let report = Asked::of(&[first, again]).report();
    let said: Vec<&str> = report.part("Amended report").unwrap().lines.iter().map(|l| l.text.as_str()).collect();
    let all = said.join("\n");
    assert!(all.contains("Changed, Cervical length: was \"22 mm (95 %: 18 to 26 mm) in a straight line"), "{all}");
    assert!(all.contains("now \"not marked\""), "{all}");
    assert!(all.contains("Changed, frame: was \"not stated whether adequate\", now \"attested adequate\""), "{all}");
    assert!(!all.contains("Changed, scale"), "{all}");
}

#[test]
fn letters_that_are_not_embedded_are_said_on_the_page_and_whole_in_the_other_forms() {
    let named = |name: &str| {
        let origin = Origin { patient: Patient { name: Some(name.into()), ..Patient::default() }, ..Case::origin() };
        let records = [Case::plain().record_of(origin).unwrap()];
        Asked { identity: true, ..Asked::of(&records) }.report()
    };
    let letters = Letters::new().unwrap();
    for paper in [Paper::A4, Paper::Letter] {
        let page = words(&pdf::pages(&named("山田^花子"), paper, &letters));
        assert!(page.contains("□□, □□") && spaceless(&page).contains(&spaceless(pdf::LACKING)), "{page}");
        for whole in ["Müller^Ångström", "Παπαδοπούλου^Ελένη", "Ковалёва^Ольга", "\u{5db}\u{5d4}\u{5df}^\u{5e9}\u{5e8}\u{5d4}"]
        {
            let page = words(&pdf::pages(&named(whole), paper, &letters));
            assert!(page.contains(&whole.replace('^', ", ")) && !page.contains('□'), "{whole}: {page}");
        }
    }
    let hebrew = named("\u{5db}\u{5d4}\u{5df}^\u{5e9}\u{5e8}\u{5d4}");
    assert!(pdf::pdf(&hebrew, Paper::A4).is_ok());
    assert!(html(&hebrew).unwrap().contains("<dd dir=\"auto\">\u{5db}\u{5d4}\u{5df}, \u{5e9}\u{5e8}\u{5d4}</dd>"));
}
