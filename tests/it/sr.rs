//! Structured reports: what is written is read back without loss, what no validator catches is refused, and nothing of
//! identity is in a report without it.

use osspan::calibrate::ScaleFacts;
use osspan::caseload::{Caseload, SavedExam};
use osspan::context::Dating;
use osspan::exam::FrameNotes;
use osspan::frame::FrameId;
use osspan::guideline::Shelf;
use osspan::interchange::sr::{
    self, Document, Graphic, Identity, ImageFacts, Images, Item, Relationship, Request, SaidNumber, Value as V, check, decimal, ours,
};
use osspan::load::StudyFacts;
use osspan::measure::more::MoreLandmarks;
use osspan::measure::{EdgeMark, Landmarks, Length, Side};
use osspan::reading::Distance;
use osspan::record::{Origin, ReadingRecord, ReviewRecord, Role, Signer};
use osspan::review::{Wish, exams, not_standing};
use osspan::units::PxPoint;

use crate::invented::Case;

pub const CINE: &str = "1.2.840.10008.5.1.4.1.1.3.1";
pub const SINGLE: &str = "1.2.840.10008.5.1.4.1.1.6.1";

/// One image for every SOP Instance UID: a cine of 40 frames where the UID says so.
struct OneStudy;

fn facts(uid: &str) -> ImageFacts {
    let cine = uid.starts_with("2.25.9");
    ImageFacts {
        class_uid: if cine { CINE } else { SINGLE }.into(),
        instance_uid: uid.into(),
        study_uid: "2.25.2".into(),
        series_uid: "2.25.3".into(),
        rows: 480,
        columns: 640,
        frames: if cine { 40 } else { 1 },
        study: StudyFacts { date: Some("20310314".into()), time: None, id: Some("S1".into()), accession: Some("ACC-77".into()) },
    }
}

impl Images for OneStudy {
    fn facts(&self, frame: &FrameId) -> osspan::Result<ImageFacts> {
        Ok(facts(frame.sop_instance_uid.as_deref().unwrap()))
    }
}

pub fn exam_of(records: Vec<ReadingRecord>) -> SavedExam {
    Caseload::of(records, &[]).women.remove(0).exams.remove(0)
}

pub fn written(exam: &SavedExam, identity: Identity) -> osspan::Result<sr::Written> {
    let shelf = Shelf::bundled();
    sr::of_exam(&Request { exam, reviews: &[], signers: &[], shelf: &shelf, images: &OneStudy, identity })
}

/// The SOP Instance UID in a report's bytes.
fn uid_in(report: &sr::Written) -> String {
    Document::from_bytes(&report.bytes).unwrap().instance_uid
}

fn at(x: f64, y: f64) -> PxPoint {
    PxPoint::new(x, y)
}

/// Frames of one exam: one of each kind of value, with everything that may be marked.
pub fn every_kind() -> Vec<ReadingRecord> {
    let os = at(300.25, 240.1);
    let landmarks = |edge, body: Option<PxPoint>| Landmarks { internal_os: os, edge, placental_body: body, marginal_sinus: None };
    let more = MoreLandmarks {
        external_os: Some(at(300.0, 440.0)),
        canal: vec![at(260.0, 340.0)],
        plates_meet: Some(at(160.0, 240.0)),
        basal_plate: Some(at(120.0, 240.0)),
        chorionic_plate: Some(at(130.0, 200.0)),
        vessel: Some(at(310.0, 80.0)),
        fetal_rate: Some(true),
        cord_loop_excluded: None,
        wall: vec![at(240.0, 290.0)],
        os_end: Some(at(290.0, 240.0)),
        os_other_end: Some(at(310.0, 240.0)),
    };
    let cases = [
        (landmarks(EdgeMark::PlacentalEdge { at: at(160.3, 241.7) }, Some(at(90.0, 260.0))), Side::NotCovering, more),
        (
            landmarks(EdgeMark::PlacentalEdge { at: at(233.333_333_333, 240.0) }, Some(at(330.0, 240.0))),
            Side::Covers,
            MoreLandmarks::default(),
        ),
        (landmarks(EdgeMark::PlacentalEdge { at: at(310.0, 240.0) }, None), Side::Reaches, MoreLandmarks::default()),
        (landmarks(EdgeMark::LastPlacentaSeen { at: at(100.0, 240.0) }, None), Side::Covers, MoreLandmarks::default()),
        (landmarks(EdgeMark::EndOfWallSeen { at: at(500.0, 250.0) }, None), Side::NotCovering, MoreLandmarks::default()),
    ];
    cases
        .into_iter()
        .enumerate()
        .map(|(n, (landmarks, side, more))| {
            let marginal_sinus = (n == 0).then(|| at(200.0, 236.0));
            let case = Case {
                landmarks: Landmarks { marginal_sinus, ..landmarks },
                side,
                notes: FrameNotes { more, ..FrameNotes::default() },
                ..Case::plain()
            };
            case.record_of(origin(n, "Dr Ō. Müller-山田")).unwrap()
        })
        .collect()
}

pub fn origin(n: usize, reader: &str) -> Origin {
    // The second and the fifth are frames of a cine.
    let uid = if n % 3 == 1 { format!("2.25.9{n}") } else { format!("2.25.7{n}") };
    let frame_number = if n % 3 == 1 { 7 + n as u32 } else { 1 };
    Origin {
        frame: FrameId { sha256: format!("{n:02}").repeat(32), sop_instance_uid: Some(uid), frame_number },
        reader: reader.into(),
        saved_at: format!("2031-03-14T10:0{n}:00+01:00"),
        ..Case::origin()
    }
}

fn same_length(said: &SaidNumber, l: &Length) {
    assert_eq!((said.value, said.u), (l.mm.get(), Some(l.u_mm.get())), "{}", said.concept);
    assert_eq!(said.interval, Some(l.interval), "{}", said.concept);
    let terms: Vec<_> = l.terms.iter().map(|t| (t.kind, t.method.clone(), t.u_mm.get())).collect();
    assert_eq!(said.terms, terms, "{}", said.concept);
}

/// A coordinate as the report can say it.
fn stored(p: PxPoint) -> PxPoint {
    at(f64::from(p.x as f32), f64::from(p.y as f32))
}

#[test]
fn every_value_comes_back_as_it_was_with_and_without_identity() {
    let records = every_kind();
    let exam = exam_of(records.clone());
    for identity in [Identity::Shown, Identity::Withheld] {
        let report = written(&exam, identity).unwrap();
        let document = Document::from_bytes(&report.bytes).unwrap();
        check(&document, &|_| None).unwrap();
        let said = ours(&document).unwrap();
        assert_eq!(said.differences, []);
        assert_eq!(said.readings.len(), records.len());
        for (r, record) in said.readings.iter().zip(&exam.readings) {
            let Distance::Measured(m) = &record.distance else { panic!() };
            let (d, measured) = (r.distance.as_ref().unwrap(), &m.measurement);
            assert_eq!(r.value, Some(measured.value));
            assert_eq!(
                (d.u, d.interval, d.method.as_deref()),
                (Some(measured.u_mm.get()), Some(measured.interval), Some(measured.method.as_str()))
            );
            let terms: Vec<_> = measured.terms.iter().map(|t| (t.kind, t.method.clone(), t.u_mm.get())).collect();
            assert_eq!(d.terms, terms);
            assert_eq!((r.record.as_str(), &r.frame_sha256), (record.id(), &record.frame.sha256));
            assert_eq!(Some(&r.image.instance_uid), record.frame.sop_instance_uid.as_ref());
            let number = if r.image.class_uid == CINE { vec![record.frame.frame_number] } else { Vec::new() };
            assert_eq!(r.image.frames, number, "the very frame, and only where there are several");
            assert_eq!((r.side, &r.headline), (record.side, &record.headline));
            let table = &m.finding.table;
            assert_eq!(r.finding.as_ref().unwrap().1, [table.name.clone(), table.edition.clone(), table.digest.clone()]);
            let calibration = &m.scale.calibration;
            let scale = r.scale.as_ref().unwrap();
            assert_eq!((scale.mm_per_px, scale.u_relative), (calibration.mm_per_px(), calibration.relative_uncertainty()));
            assert_eq!((scale.u_sound_speed, &scale.basis), (calibration.sound_speed_uncertainty(), &calibration.basis().words()));
            let l = &record.landmarks;
            let again = Landmarks {
                internal_os: stored(l.internal_os),
                edge: match l.edge {
                    EdgeMark::PlacentalEdge { at } => EdgeMark::PlacentalEdge { at: stored(at) },
                    EdgeMark::LastPlacentaSeen { at } => EdgeMark::LastPlacentaSeen { at: stored(at) },
                    EdgeMark::EndOfWallSeen { at } => EdgeMark::EndOfWallSeen { at: stored(at) },
                },
                placental_body: l.placental_body.map(stored),
                marginal_sinus: l.marginal_sinus.map(stored),
            };
            assert_eq!(r.landmarks, again);
            match identity {
                Identity::Shown => {
                    assert_eq!(r.whole.as_deref(), Some(record), "the record itself, to the last digit");
                    assert_eq!(r.saved_at.as_ref(), Some(&record.saved_at));
                }
                Identity::Withheld => assert!(r.whole.is_none() && r.saved_at.is_none()),
            }
        }
        further_lengths(&said.readings[0].lengths, &records[0]);
        exam_values(&said, &exam, identity);
        assert_eq!(said.reader, if identity == Identity::Shown { "Dr Ō. Müller-山田" } else { "Withheld" });
    }
}

fn further_lengths(said: &[SaidNumber], record: &ReadingRecord) {
    let of = |value: &str| said.iter().find(|n| n.concept.value == value).unwrap_or_else(|| panic!("no {value}"));
    let more = &record.more;
    let cervix = more.cervix.as_ref().unwrap().measured().unwrap();
    same_length(of("11961-0"), &cervix.straight);
    same_length(of("CANAL"), cervix.trace.as_ref().unwrap());
    let thickness = more.thickness.as_ref().unwrap().measured().unwrap();
    same_length(of("EDGE-THICKNESS"), &thickness.thickness);
    let angle = of("EDGE-ANGLE");
    assert_eq!((angle.value, angle.u, angle.unit.value.as_ref()), (thickness.angle_degrees, Some(thickness.u_angle_degrees), "deg"));
    same_length(of("VESSEL-OS"), &more.vessel.as_ref().unwrap().measured().unwrap().length);
    same_length(of("WALL"), &more.wall.as_ref().unwrap().measured().unwrap().trace);
    let patch = more.patch().unwrap();
    same_length(of("OS-WIDTH"), &patch.width);
    same_length(of("RIM-EDGE"), patch.to_edge.as_ref().unwrap());
    let Distance::Measured(m) = &record.distance else { panic!() };
    assert_eq!(of("SINUS").value, m.measurement.marginal_sinus_mm.unwrap().get());
}

fn exam_values(said: &sr::OurReport, exam: &SavedExam, identity: Identity) {
    let (summary, _) = exam.summary().unwrap();
    let overlap = summary.overlap.unwrap();
    let e = &said.exam;
    assert_eq!(
        e.shortest_number.as_ref().map(|n| (n.concept.value.to_string(), n.value)),
        Some(("OVERLAP-SHORT".into(), overlap.shortest_at_least_mm.get()))
    );
    assert_eq!(e.age_days, Some(f64::from(exam.context.gestational_age().unwrap().total_days())));
    let dating: Option<Dating> = exam.context.dating.filter(|_| identity == Identity::Shown);
    assert_eq!(e.dating, dating);
    assert_eq!(e.review.as_ref().unwrap().value, "R-ONCE");
    assert!(e.cautions.last().unwrap().contains("ertified medical device"), "the closing line is last: {:?}", e.cautions.last());
}

/// An exam without a covering frame has the exam distance and the shortest seen, as the exam's own values say.
#[test]
fn exam_distance_and_shortest_seen_are_those_of_the_exam() {
    let away = |n: usize, x: f64| {
        let landmarks = Landmarks { edge: EdgeMark::PlacentalEdge { at: at(x, 240.0) }, ..Case::plain().landmarks };
        Case { landmarks, ..Case::plain() }.record_of(origin(n, "R. Ito")).unwrap()
    };
    let exam = exam_of(vec![away(0, 160.0), away(2, 140.0), away(3, 150.0)]);
    let (summary, _) = exam.summary().unwrap();
    let report = written(&exam, Identity::Shown).unwrap();
    let said = ours(&Document::from_bytes(&report.bytes).unwrap()).unwrap();
    let osspan::exam::ExamDistance::Estimate { signed_mm, u_mm, interval, .. } = summary.exam_distance else { panic!() };
    let d = said.exam.distance.unwrap();
    assert_eq!((d.value, d.u, d.interval), (signed_mm.get(), Some(u_mm.get()), Some(interval)));
    let shortest = summary.shortest.unwrap();
    assert_eq!(said.exam.shortest, Some(shortest.value));
    assert_eq!(said.exam.shortest_number.unwrap().interval, Some(shortest.interval()));
}

#[test]
fn a_reading_without_a_scale_says_why_and_has_no_millimetres() {
    let mut case = Case::plain();
    case.geometry.regions.clear();
    let exam = exam_of(vec![case.record_of(origin(0, "R. Ito")).unwrap()]);
    let said = ours(&Document::from_bytes(&written(&exam, Identity::Shown).unwrap().bytes).unwrap()).unwrap();
    let r = &said.readings[0];
    assert!(r.value.is_none() && r.distance.is_none() && r.scale.is_none() && r.no_scale.as_ref().is_some_and(|w| !w.is_empty()));
    assert!(said.exam.distance.is_none() && said.exam.shortest.is_none());
}

#[test]
fn the_same_readings_give_the_same_bytes_and_others_another_uid() {
    let records = every_kind();
    let exam = exam_of(records.clone());
    let (a, b) = (written(&exam, Identity::Shown).unwrap(), written(&exam, Identity::Shown).unwrap());
    assert_eq!((&a.bytes, uid_in(&a)), (&b.bytes, uid_in(&b)));
    assert_ne!(uid_in(&written(&exam, Identity::Withheld).unwrap()), uid_in(&b));
    assert_ne!(uid_in(&written(&exam_of(records[..3].to_vec()), Identity::Shown).unwrap()), uid_in(&b));
}

/// PS3.5 9: a UID stands for one object. What is said of the exam besides its readings and steps is content too.
#[test]
fn a_second_reading_or_a_signer_who_is_known_gives_another_uid() {
    let shelf = Shelf::bundled();
    let first = Case::plain().record_of(origin(0, "A. First")).unwrap();
    let second = Case::plain().record_of(Origin { saved_at: "2031-03-14T15:00:00+01:00".into(), ..origin(0, "B. Second") }).unwrap();
    let report = |records: &[ReadingRecord], steps: &[ReviewRecord], signers: &[Signer]| {
        let reviews = exams(records, steps);
        let cases = Caseload::reviewed(records.to_vec(), &[], &not_standing(&reviews));
        let exam = &cases.women[0].exams[0];
        let images = &OneStudy;
        sr::of_exam(&Request { exam, reviews: &reviews, signers, shelf: &shelf, images, identity: Identity::Shown }).unwrap()
    };
    let both = [first.clone(), second];
    let (alone, beside) = (report(&both[..1], &[], &[]), report(&both, &[], &[]));
    assert_ne!(uid_in(&alone), uid_in(&beside));
    assert_eq!(report(&both, &[], &[]).bytes, beside.bytes);
    let step = |steps: &[ReviewRecord], wish| {
        let at = format!("2031-03-15T08:0{}:00+01:00", steps.len());
        exams(&both, steps).remove(0).step(&wish, "B. Second", Role::Reviewer, at, Some(&[7; 32])).unwrap()
    };
    let agreed = step(&[], Wish::Agree);
    let signed = step(std::slice::from_ref(&agreed), Wish::Sign);
    let known = [Signer { name: "B. Second".into(), key: signed.key.clone() }];
    let steps = [agreed, signed];
    let (unknown, known) = (report(&both, &steps, &[]), report(&both, &steps, &known));
    assert_ne!(unknown.bytes, known.bytes, "that the key is known is said");
    assert_ne!(uid_in(&unknown), uid_in(&known));
}

#[test]
fn nothing_of_identity_is_in_a_report_without_it() {
    let mut case = Case::plain();
    case.notes.checklist.other_reason = Some("spoke with SECRETNURSE".into());
    case.context.measured_elsewhere = vec![osspan::context::MeasuredElsewhere {
        signed_mm: osspan::units::Mm::new(9.0),
        on: None,
        route: Default::default(),
        by: "SECRETCLINIC".into(),
    }];
    let patient = osspan::record::Patient {
        name: Some("SECRETNAME^Ada".into()),
        number: Some("SECRETNUMBER".into()),
        birth_date: Some(jiff::civil::date(1999, 2, 3)),
    };
    let record = case.record_of(Origin { patient, ..origin(0, "SECRETREADER") }).unwrap();
    let exam = exam_of(vec![record]);
    let secrets = ["SECRET", "19990203", "203103", "ACC-77", "1999-0", "2031-0", "R. Ito"];
    let holds = |bytes: &[u8], s: &str| bytes.windows(s.len()).any(|w| w == s.as_bytes());
    let open = written(&exam, Identity::Shown).unwrap().bytes;
    assert!(secrets[..4].iter().all(|s| holds(&open, s)), "the test would find them");
    let closed = written(&exam, Identity::Withheld).unwrap().bytes;
    for s in secrets {
        assert!(!holds(&closed, s), "{s}");
    }
    let document = Document::from_bytes(&closed).unwrap();
    assert!(document.identity_removed && document.patient == osspan::record::Patient::default());
}

/// Names and dates that are in a record by way of its scale and its sources: who consented, who set a scale by hand, who
/// decided and why, the day of a phantom check, a department's own repeatability.
#[test]
fn no_way_of_a_scale_or_source_brings_a_name_or_a_day() {
    let plain = Case::plain().record_of(origin(0, "R. Ito")).unwrap();
    let mut json: serde_json::Value = serde_json::to_value(&plain).unwrap();
    json["distance"]["scale"]["calibration"]["basis"] = serde_json::json!({"kind": "pixel-spacing", "consented_by": "Secretconsent"});
    json["pixel_spacing_consent"] = serde_json::json!({"by": "Secretconsent"});
    json["distance"]["scale"]["calibration"]["scale_source"]["text"] = "phantom check of 2031-01-05 at SecretHospital".into();
    json["distance"]["scale"]["warnings"] = serde_json::json!([
        "Something speaks against this scale; Secretdecider decided to use it: Secretreason stands",
        "looked at on 2031-01-06",
        "pixels are not square"
    ]);
    json["scale_facts"] = serde_json::json!({"resolved": {"checks": [], "reason": "Secretreason stands", "by": "Secretdecider"}});
    for term in json["distance"]["measurement"]["terms"].as_array_mut().unwrap() {
        term["source"]["text"] = "own readings of SecretHospital".into();
    }
    let record = ReadingRecord::from_json(&json.to_string()).unwrap();
    let exam = exam_of(vec![record]);
    let closed = written(&exam, Identity::Withheld).unwrap().bytes;
    for secret in [&b"secret"[..], b"2031-01", b"203101"] {
        assert!(!closed.windows(secret.len()).any(|w| w.eq_ignore_ascii_case(secret)), "{}", String::from_utf8_lossy(secret));
    }
    let text = String::from_utf8_lossy(&closed).into_owned();
    for kept in ["a person decided to use it", "pixels are not square", "left out: it names a person or a day", "accepted by a person"] {
        assert!(text.contains(kept), "{kept}");
    }
    let sourced = written(&exam_of(vec![Case::plain().record_of(origin(0, "Demo reader")).unwrap()]), Identity::Withheld).unwrap().bytes;
    assert!(String::from_utf8_lossy(&sourced).contains("within-reader SD"), "a word of the language is no name");
    let open = String::from_utf8_lossy(&written(&exam, Identity::Shown).unwrap().bytes).into_owned();
    assert!(["Secretconsent", "Secretdecider", "Secretreason", "SecretHospital", "2031-01-05"].iter().all(|s| open.contains(s)));
}

/// A second reader agrees and signs: the report is of the reading that stands, and says by whom it was signed and whether
/// the signature holds and its key is known.
#[test]
fn the_second_reading_and_the_signature_are_said() {
    let seed = [7_u8; 32];
    let first = Case::plain().record_of(origin(0, "A. First")).unwrap();
    let second = Case::plain().record_of(Origin { saved_at: "2031-03-14T15:00:00+01:00".into(), ..origin(0, "B. Second") }).unwrap();
    let records = vec![first.clone(), second];
    let step = |steps: &[ReviewRecord], wish| {
        let at = format!("2031-03-15T08:0{}:00+01:00", steps.len());
        exams(&records, steps).remove(0).step(&wish, "B. Second", Role::Reviewer, at, Some(&seed)).unwrap()
    };
    let agreed = step(&[], Wish::Agree);
    let signed = step(std::slice::from_ref(&agreed), Wish::Sign);
    let said = |steps: &[ReviewRecord], signers: &[Signer], identity| {
        let reviews = exams(&records, steps);
        let cases = Caseload::reviewed(records.clone(), &[], &not_standing(&reviews));
        let exam = &cases.women[0].exams[0];
        let shelf = Shelf::bundled();
        let report = sr::of_exam(&Request { exam, reviews: &reviews, signers, shelf: &shelf, images: &OneStudy, identity }).unwrap();
        let document = Document::from_bytes(&report.bytes).unwrap();
        (ours(&document).unwrap(), document)
    };
    let state = |r: &sr::OurReport| r.exam.review.as_ref().unwrap().value.to_string();
    let (unread, document) = said(&[], &[], Identity::Shown);
    assert_eq!((state(&unread).as_str(), document.preliminary.as_str()), ("R-NOT-COMPARED", "PRELIMINARY"));
    assert!(unread.exam.left_out[0].contains("1 reading(s) that do not stand"), "{:?}", unread.exam.left_out);
    let known = [Signer { name: "B. Second".into(), key: signed.key.clone() }];
    let steps = [agreed, signed];
    let (report, document) = said(&steps, &known, Identity::Shown);
    assert_eq!((state(&report).as_str(), document.preliminary.as_str(), document.verified), ("R-SIGNED", "FINAL", false));
    assert_eq!((report.reader.as_str(), report.readings.len(), report.readings[0].record.as_str()), ("A. First", 1, first.id()));
    let last = report.exam.steps.last().unwrap();
    assert!(
        last.contains("signed by B. Second (reviewer)") && last.contains("is that of what is signed") && !last.contains("not known"),
        "{last}"
    );
    let (report, _) = said(&steps, &[], Identity::Withheld);
    let last = report.exam.steps.last().unwrap();
    assert!(last.contains("is not known here") && !last.contains("Second") && !last.contains("2031"), "{last}");
    let mut forged = steps.clone();
    forged[1].signature.replace_range(0..2, if forged[1].signature.starts_with("00") { "11" } else { "00" });
    let (report, document) = said(&forged, &known, Identity::Shown);
    assert!(report.exam.steps.last().unwrap().contains("is not that of what is signed"));
    assert_eq!(document.preliminary, "PRELIMINARY");
}

#[test]
fn a_department_s_table_is_not_named_without_identity() {
    let text = include_str!("../../src/guideline/tables/us-consensus-2014.toml")
        .replace("US consensus (Fetal Imaging Workshop)", "SECRETHOSPITAL protocol");
    let table = osspan::guideline::Table::parse(&text.replace("id = \"us-consensus-2014\"", "id = \"secrethospital\"")).unwrap();
    let record = Case { table, ..Case::plain() }.record_of(origin(0, "R. Ito")).unwrap();
    let bytes = written(&exam_of(vec![record]), Identity::Withheld).unwrap().bytes;
    assert!(!bytes.windows(6).any(|w| w.eq_ignore_ascii_case(b"SECRET")));
}

#[test]
fn captured_pictures_are_left_out_and_said_to_be() {
    let origin = |n| Origin { frame: FrameId { sop_instance_uid: None, ..origin(n, "R. Ito").frame }, ..origin(n, "R. Ito") };
    let capture = Case::plain().record_of(origin(0)).unwrap();
    let e = written(&exam_of(vec![capture.clone()]), Identity::Shown).unwrap_err();
    assert!(e.message().contains("captured pictures only"), "{e}");
    let report = written(&exam_of(vec![capture, Case::plain().record_of(self::origin(2, "R. Ito")).unwrap()]), Identity::Shown).unwrap();
    assert_eq!(report.left_out.len(), 1);
    assert_eq!(ours(&Document::from_bytes(&report.bytes).unwrap()).unwrap().exam.left_out, report.left_out);
}

fn change(document: &Document, wanted: &dyn Fn(&Item) -> bool, with: &dyn Fn(&mut Item)) -> Document {
    fn apply(item: &mut Item, wanted: &dyn Fn(&Item) -> bool, with: &dyn Fn(&mut Item)) -> bool {
        if wanted(item) {
            with(item);
            return true;
        }
        item.children.iter_mut().any(|c| apply(c, wanted, with))
    }
    let mut changed = document.clone();
    assert!(apply(&mut changed.root, wanted, with), "nothing to change");
    changed
}

fn concept(value: &'static str) -> impl Fn(&Item) -> bool {
    move |i| i.concept.as_ref().is_some_and(|c| c.value == value)
}

fn is_line(i: &Item) -> bool {
    matches!(i.value, V::Scoord { graphic: Graphic::Polyline, .. })
}

fn points(i: &mut Item, with: &dyn Fn(&mut Vec<[f32; 2]>)) {
    if let V::Scoord { points, .. } = &mut i.value {
        with(points);
    }
}

fn frames(i: &mut Item, to: Vec<u32>) {
    if let V::Image(image) = &mut i.value {
        image.frames.clone_from(&to);
    }
    for c in &mut i.children {
        if let V::Image(image) = &mut c.value {
            image.frames.clone_from(&to);
        }
    }
}

/// A line on a frame of the cine.
fn cine_line(i: &Item) -> bool {
    is_line(i) && i.children.iter().any(|c| matches!(&c.value, V::Image(image) if image.class_uid == CINE))
}

/// What dciodvfy, dsrdump and highdicom's reader let through (dicom-notes, oracle gaps), planted one by one: refused when a
/// report is checked before writing, and again when its bytes are read.
#[test]
fn planted_faults_are_refused_on_writing_and_on_reading() {
    let sound = Document::from_bytes(&written(&exam_of(every_kind()), Identity::Shown).unwrap().bytes).unwrap();
    check(&sound, &|_| None).unwrap();
    let drop_children =
        |value: &'static str| move |i: &mut Item| i.children.retain(|c| c.concept.as_ref().is_none_or(|k| k.value != value));
    let root = |i: &Item| i.relationship.is_none();
    let group = concept("125007");
    let mutations: Vec<(&str, &str, Document)> = vec![
        ("a polyline of one point", "at least 2 point(s)", change(&sound, &is_line, &|i| points(i, &|p| p.truncate(1)))),
        ("a point of two", "1 point(s)", change(&sound, &concept("L-INTERNAL-OS"), &|i| points(i, &|p| p.push([1.0, 1.0])))),
        ("coordinates right of the image", "from 0 to 640", change(&sound, &is_line, &|i| points(i, &|p| p[0][0] = 640.5))),
        ("coordinates above the image", "from 0 to 480", change(&sound, &is_line, &|i| points(i, &|p| p[0][1] = -0.5))),
        ("a frame that does not exist", "from 1 to 40", change(&sound, &cine_line, &|i| frames(i, vec![99]))),
        ("no frame of a cine", "the number of the frame", change(&sound, &cine_line, &|i| frames(i, Vec::new()))),
        (
            "no frame of a source image",
            "the number of the frame",
            change(&sound, &|i| concept("121112")(i) && matches!(&i.value, V::Image(r) if r.class_uid == CINE), &|i| frames(i, Vec::new())),
        ),
        (
            "SCOORD has properties",
            "a relationship",
            change(&sound, &is_line, &|i| i.children[0].relationship = Some(Relationship::HasProperties)),
        ),
        ("NUM selected from SCOORD", "a relationship", change(&sound, &is_line, &|i| i.relationship = Some(Relationship::SelectedFrom))),
        ("a container inferred", "a relationship", change(&sound, &group, &|i| i.relationship = Some(Relationship::InferredFrom))),
        ("a graphic on no image", "selected from one image", change(&sound, &is_line, &|i| i.children.clear())),
        ("no tracking identifier", "tracking identifier", change(&sound, &group, &drop_children("112039"))),
        ("no tracking UID", "tracking identifier", change(&sound, &group, &drop_children("112040"))),
        (
            "no person or device",
            "an observer",
            change(&sound, &root, &|i| i.children.retain(|c| !concept("121008")(c) && !concept("121012")(c))),
        ),
        ("no observer types", "an observer", change(&sound, &root, &drop_children("121005"))),
        ("no template", "states no template", change(&sound, &root, &|i| i.value = V::Container { template: None })),
        (
            "another template",
            "template 9999",
            change(&sound, &root, &|i| i.value = V::Container { template: Some(("DCMR".into(), "9999".into())) }),
        ),
    ];
    for (what, said, document) in mutations {
        let before = check(&document, &|_| None).unwrap_err();
        assert!(before.message().contains(said), "{what}: {before}");
        let read = Document::from_bytes(&document.to_bytes().unwrap()).unwrap();
        let after = check(&read, &|_| None).unwrap_err();
        assert!(after.message().contains(said), "{what}, read: {after}");
    }
    let mut twice = sound.clone();
    twice.evidence.clear();
    assert!(check(&twice, &|_| None).unwrap_err().message().contains("lists as evidence"));
    let same = change(&sound, &concept("126010"), &|i| {
        let first = i.children[0].children.iter().find(|c| concept("112040")(c)).cloned().unwrap();
        let at = i.children[1].children.iter().position(|c| concept("112040")(c)).unwrap();
        i.children[1].children[at] = first;
    });
    assert!(check(&same, &|_| None).unwrap_err().message().contains("of its own"));
}

/// Size and frames come from the image itself where the report does not say them, and win where it does.
#[test]
fn the_image_at_hand_decides_what_lies_inside_it() {
    let sound = Document::from_bytes(&written(&exam_of(every_kind()), Identity::Shown).unwrap().bytes).unwrap();
    let smaller = |uid: &str| Some(ImageFacts { columns: 200, ..facts(uid) });
    assert!(check(&sound, &smaller).unwrap_err().message().contains("from 0 to 200"));
    let no_library = change(&sound, &concept("111028"), &|i| i.children.clear());
    check(&no_library, &|_| None).unwrap();
    let fewer = |uid: &str| Some(ImageFacts { frames: facts(uid).frames.min(3), ..facts(uid) });
    assert!(check(&no_library, &fewer).unwrap_err().message().contains("from 1 to 3"));
}

/// A coded value changed after writing is told, with the record in the report and without it.
#[test]
fn a_changed_value_is_told() {
    for (identity, what) in [(Identity::Shown, "\"Distance\" in the report"), (Identity::Withheld, "the distance in the report")] {
        let sound = Document::from_bytes(&written(&exam_of(every_kind()), identity).unwrap().bytes).unwrap();
        assert_eq!(ours(&sound).unwrap().differences, []);
        let changed = change(&sound, &concept("121206"), &|i| {
            if let V::Num(Some(n)) = &mut i.value {
                n.value += 0.5;
            }
        });
        let told = ours(&changed).unwrap().differences;
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].what, what);
    }
    let sound = Document::from_bytes(&written(&exam_of(every_kind()), Identity::Shown).unwrap().bytes).unwrap();
    let forged = change(&sound, &concept("RECORD"), &|i| {
        if let V::Text(t) = &mut i.value {
            *t = t.replacen("\"reader\": \"Dr", "\"reader\": \"Mr", 1);
        }
    });
    assert!(ours(&forged).unwrap().differences.iter().any(|d| d.what == "the record's content"));
    let later = change(&sound, &concept("CONTENT-VERSION"), &|i| i.value = V::Text("osspan-report/9".into()));
    assert!(ours(&later).unwrap_err().message().contains("another version"));
}

#[test]
fn decimal_strings_and_floating_point_values_agree_or_are_refused() {
    let sound = written(&exam_of(every_kind()), Identity::Shown).unwrap().bytes;
    let document = Document::from_bytes(&sound).unwrap();
    let numbers: Vec<f64> = document.root.walk().iter().filter_map(|(_, i)| i.as_number().map(|n| n.value)).collect();
    assert!(numbers.len() > 100);
    for n in numbers {
        assert!(decimal(n).unwrap().len() <= 16);
    }
    // The first NUM is "640" columns: its decimal string becomes another number of the same length.
    let at = sound.windows(3).position(|w| w == b"640").unwrap();
    let mut changed = sound;
    changed[at] = b'9';
    let e = Document::from_bytes(&changed).unwrap_err();
    assert!(e.message().contains("one number"), "{e}");
}

#[test]
fn scale_facts_travel_in_words() {
    let exam = exam_of(vec![Case::plain().record_of(origin(0, "R. Ito")).unwrap()]);
    assert_eq!(exam.readings[0].scale_facts, ScaleFacts::default());
    let document = Document::from_bytes(&written(&exam, Identity::Shown).unwrap().bytes).unwrap();
    let has = |value: &'static str| document.root.walk().iter().any(|(_, i)| concept(value)(i));
    assert!(has("SCALE-BASIS"));
    assert!(!has("SCALE-CHECK"), "no check was made, none is said");
}

#[test]
fn the_documents_list_every_code() {
    let page = std::fs::read_to_string(std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/STRUCTURED-REPORTS.md")).unwrap();
    for (code, seen) in sr::codes::ALL {
        let row = if code.scheme == sr::codes::SCHEME {
            format!("| `{}` | {} |", code.value, code.meaning)
        } else {
            format!("| `{}` | {} | {} |", code.value, code.scheme, code.meaning)
        };
        assert!(page.contains(&row), "{row} ({})", seen.words());
    }
}
