//! Records of a whole exam: further landmarks, the checklist, the exam's values, offers of the edge assist. Each is
//! recomputed by `verify`, and a change of any is seen.

use osspan::assist::{Assisted, METHOD, Offer, Refinable};
use osspan::context::{Bladder, Contraction, Route};
use osspan::exam::{Adequacy, ExamDistance, Excluded, Item, Kind, Note};
use osspan::frame::FrameId;
use osspan::guideline::Outcome;
use osspan::measure::more::MoreLandmarks;
use osspan::measure::{EdgeMark, Side, SideCheck, Value};
use osspan::reading::Distance;
use osspan::record::{Origin, ReadingRecord, verify, verify_text};
use osspan::units::{Mm, PxPoint};

use crate::invented::Case;

fn at(x: f64, y: f64) -> PxPoint {
    PxPoint::new(x, y)
}

/// The invented reading (os at 300, 240; edge 14 mm to its left; 0.1 mm a pixel) with every further landmark.
fn whole() -> Case {
    let mut case = Case::plain();
    case.notes.more = MoreLandmarks {
        external_os: Some(at(330.0, 440.0)),
        canal: vec![at(290.0, 340.0)],
        plates_meet: Some(at(160.0, 240.0)),
        basal_plate: Some(at(100.0, 240.0)),
        chorionic_plate: Some(at(110.0, 190.0)),
        vessel: Some(at(300.0, 120.0)),
        fetal_rate: Some(true),
        cord_loop_excluded: Some(true),
        wall: vec![at(230.0, 260.0)],
        os_end: Some(at(285.0, 240.0)),
        os_other_end: Some(at(315.0, 240.0)),
    };
    case.notes.checklist.attest_all(false);
    case
}

fn frame(n: u32) -> FrameId {
    FrameId { sha256: format!("{n:064x}"), sop_instance_uid: Some(format!("2.25.{n}")), frame_number: 1 }
}

fn origin(n: u32) -> Origin {
    Origin { frame: frame(n), saved_at: format!("2031-03-14T10:00:{n:02}+01:00"), ..Case::origin() }
}

fn measured(record: &ReadingRecord) -> &osspan::reading::Measured {
    match &record.distance {
        Distance::Measured(m) => m,
        Distance::NoScale { reason } => panic!("{reason}"),
    }
}

#[test]
fn a_record_with_everything_verifies_from_its_text_and_every_change_is_seen() {
    let mut case = whole();
    case.notes.set = Some(2);
    case.notes.assisted = vec![Assisted {
        of: Refinable::PlacentalEdge,
        placed: at(158.0, 241.0),
        offer: Offer { at: at(160.0, 240.0), sd_mm: Mm::new(0.3), contrast: 2.0, moved_mm: Mm::new(0.22) },
        accepted: true,
        method: METHOD.into(),
    }];
    let record = case.record_of(origin(1)).unwrap().with_exam([]).unwrap();
    let text = record.to_json().unwrap();
    let (again, check) = verify_text(&text, None).unwrap();
    assert!(check.differences.is_empty(), "{:?}", check.differences);
    assert_eq!(again, record);
    assert_eq!(record.more.in_words().len(), 5);
    // The same text with one thing changed: the digest tells, and so does what is recomputed.
    for (was, is) in [
        ("\"x\": 330.0", "\"x\": 331.0"),
        ("\"curved\": false", "\"curved\": true"),
        ("\"fetal-rate\": true", "\"fetal-rate\": false"),
        ("\"no-contraction\": true", "\"no-contraction\": false"),
        ("\"kind\": \"not-covering\"", "\"kind\": \"covering\""),
    ] {
        assert_eq!(text.matches(was).count().min(1), 1, "{was}");
        let changed = ReadingRecord::from_json(&text.replacen(was, is, 1)).unwrap();
        let check = osspan::record::recompute(&changed, None);
        assert!(!check.differences.is_empty(), "{was} → {is}");
    }
}

#[test]
fn a_record_without_any_of_it_says_none_of_it() {
    let text = Case::plain().record().unwrap().to_json().unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    for absent in ["notes", "more", "exam"] {
        assert!(record.get(absent).is_none(), "{absent}");
    }
    assert!(!text.contains("degrees_of_freedom"));
}

#[test]
fn half_a_set_is_not_saved() {
    let mut case = whole();
    case.notes.more.basal_plate = None;
    let reading = case.read().unwrap();
    assert!(reading.blocks[0].contains("three marks"), "{:?}", reading.blocks);
    assert!(case.record().is_err());
}

#[test]
fn an_edge_within_the_marked_os_reaches_it_whatever_side_was_stated() {
    for side in [Side::NotCovering, Side::Covers] {
        let mut case = Case::plain();
        case.landmarks.edge = EdgeMark::PlacentalEdge { at: at(290.0, 240.0) };
        case.landmarks.placental_body = Some(if side == Side::Covers { at(360.0, 240.0) } else { at(200.0, 240.0) });
        case.side = side;
        let before = case.read().unwrap();
        assert!(!before.headline.contains("Reaches"));
        case.notes.more.os_end = Some(at(285.0, 240.0));
        case.notes.more.os_other_end = Some(at(315.0, 240.0));
        let reading = case.read().unwrap();
        assert_eq!(reading.headline, "Reaches or partly covers the os");
        assert!(reading.finding.contains("treat as previa until a clinician decides"), "{}", reading.finding);
        let record = case.record().unwrap();
        assert!(
            matches!(measured(&record).measurement.value, Value::Reaches { centre_distance_mm } if (centre_distance_mm.get() - 1.0).abs() < 1e-9)
        );
        assert_eq!(record.side, side, "the statement stays as it was made");
        assert!(verify(&record, None).differences.is_empty());
        // A body point on the wrong side still blocks.
        case.landmarks.placental_body = Some(if side == Side::Covers { at(200.0, 240.0) } else { at(360.0, 240.0) });
        assert!(!case.read().unwrap().blocks.is_empty());
    }
    // Just outside the width it does not.
    let mut case = whole();
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: at(284.0, 240.0) };
    case.landmarks.placental_body = None;
    assert!(matches!(measured(&case.record().unwrap()).measurement.value, Value::Exact { .. }));
}

#[test]
fn a_frame_with_a_contraction_a_full_bladder_or_another_route_is_never_a_transvaginal_finding() {
    for item in [Item::NoContraction, Item::BladderEmpty, Item::Transvaginal] {
        let mut case = Case::plain();
        case.notes.checklist.toggle_exception(item);
        case.notes.checklist.attest_all(false);
        let record = case.record().unwrap();
        assert!(matches!(measured(&record).finding.outcome, Outcome::NotApplicable { .. }), "{item:?}");
        // What was said of the exam is not changed by what was said of one frame.
        assert_eq!((record.context.route, record.context.bladder), (Route::Transvaginal, Bladder::Empty));
    }
    // Attested answers fill in what was not said of the exam; they never overrule a graver one.
    let mut case = Case::plain();
    (case.context.route, case.context.bladder, case.context.contraction) = (Route::Unknown, Bladder::Unknown, Contraction::Unknown);
    case.notes.checklist.attest_all(false);
    assert!(measured(&case.record().unwrap()).finding.applies());
    case.context.contraction = Contraction::Present;
    assert!(!measured(&case.record().unwrap()).finding.applies());
}

#[test]
fn a_vessel_that_was_measured_alerts_like_one_that_was_entered() {
    let alerts = |case: &Case| case.record().unwrap().context_in_force().vessel_to_os_mm;
    let mut case = whole();
    assert!(alerts(&case).is_some_and(|mm| (mm.get() - 12.0).abs() < 1e-9));
    case.notes.more.fetal_rate = None;
    assert!(alerts(&case).is_some(), "not shown to be the mother's");
    case.notes.more.fetal_rate = Some(false);
    assert!(alerts(&case).is_none(), "a vessel at the mother's rate is none of the fetus");
    case.context.vessel_to_os_mm = Some(Mm::new(8.0));
    case.notes.more.fetal_rate = Some(true);
    assert_eq!(alerts(&case), Some(Mm::new(8.0)), "the nearer of the two");
}

/// Readings of one exam, each frame's edge so many mm from the os; `change` may make notes.
fn exam(distances_mm: &[f64], change: impl Fn(usize, &mut Case)) -> Vec<ReadingRecord> {
    let mut all: Vec<ReadingRecord> = Vec::new();
    for (i, mm) in distances_mm.iter().enumerate() {
        let mut case = Case::plain();
        case.landmarks.edge = EdgeMark::PlacentalEdge { at: at(300.0 - 10.0 * mm.abs(), 240.0) };
        case.landmarks.placental_body = None;
        case.side = if *mm < 0.0 { Side::Covers } else { Side::NotCovering };
        case.notes.checklist.attest_all(false);
        change(i, &mut case);
        let record = case.record_of(origin(i as u32 + 1)).unwrap().with_exam(&all).unwrap();
        assert!(verify(&record, None).differences.is_empty(), "{:?}", verify(&record, None));
        all.push(record);
    }
    all
}

#[test]
fn the_last_record_of_an_exam_holds_both_of_its_values() {
    let all = exam(&[16.0, 14.0, 15.0], |_, _| {});
    let held = all[2].exam.as_ref().unwrap();
    let ids: Vec<&str> = held.readings.iter().map(|r| r.record.as_str()).collect();
    assert_eq!(ids, [all[0].id(), all[1].id(), ""]);
    let summary = &held.values.summary;
    assert_eq!((summary.kind, summary.decisive), (Kind::NotCovering, Some(1)));
    assert!(matches!(&summary.exam_distance, ExamDistance::Estimate { signed_mm, .. } if (signed_mm.get() - 15.0).abs() < 1e-9));
    assert!(held.values.sets.is_empty() && all[0].exam.as_ref().unwrap().readings.len() == 1);
    // A number of it changed by a hand is found, whichever it is.
    let text = all[2].to_json().unwrap();
    for (was, is) in [("\"u_reading_mm\": 1.1547", "\"u_reading_mm\": 1.2547"), ("\"decisive\": 1", "\"decisive\": 2")] {
        assert!(text.contains(was), "{was}");
        let changed = ReadingRecord::from_json(&text.replacen(was, is, 1)).unwrap();
        assert!(osspan::record::recompute(&changed, None).differences.iter().any(|d| d.what.contains("exam's values")), "{was}");
    }
}

#[test]
fn a_correction_takes_the_place_of_what_it_follows_and_other_readers_stay_out_of_it() {
    let mut all = exam(&[16.0, 14.0], |_, _| {});
    let mut case = Case::plain();
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: at(100.0, 240.0) };
    case.landmarks.placental_body = None;
    let follows = vec![all[0].id().to_owned()];
    let again = Origin { frame: frame(1), saved_at: "2031-03-14T10:01:00+01:00".into(), follows, ..Case::origin() };
    all.push(case.record_of(again).unwrap());
    let theirs = Origin { reader: "B. Owusu".into(), ..origin(7) };
    all.push(case.record_of(theirs).unwrap());
    let third = case.record_of(origin(9)).unwrap().with_exam(&all).unwrap();
    let held = third.exam.unwrap();
    let ids: Vec<&str> = held.readings.iter().map(|r| r.record.as_str()).collect();
    assert_eq!(ids, [all[2].id(), all[1].id(), ""]);
}

#[test]
fn inadequate_frames_are_left_out_visibly_and_a_rescan_is_a_set_of_its_own() {
    let all = exam(&[3.0, 15.0, 16.0], |i, case| {
        if i == 0 {
            case.notes.checklist.toggle_exception(Item::NoContraction);
            case.notes.checklist.answers.insert(Item::NoContraction, false);
        } else {
            case.notes.set = Some(2);
        }
    });
    let held = all[2].exam.as_ref().unwrap();
    assert_eq!(held.readings[0].adequacy, Adequacy::Inadequate { reason: "contraction".into() });
    assert_eq!(held.values.summary.excluded, [(0, Excluded::Inadequate { reason: "contraction".into() })]);
    assert_eq!(held.values.sets.iter().map(|s| (s.set, s.places.clone())).collect::<Vec<_>>(), [(1, vec![0]), (2, vec![1, 2])]);
    assert_eq!(held.values.sets[0].summary.kind, Kind::Nothing);
    assert_eq!(held.values.summary.decisive, Some(1));
}

#[test]
fn a_set_that_showed_less_is_not_hidden_by_a_later_one_and_the_question_is_asked() {
    let all = exam(&[6.0, 18.0, 19.0], |i, case| case.notes.set = (i > 0).then_some(2));
    let summary = &all[2].exam.as_ref().unwrap().values.summary;
    assert_eq!(summary.decisive, Some(0));
    let asked = summary.notes.iter().find(|n| matches!(n, Note::ShortestStandsApart { frame: 0, .. })).unwrap();
    assert!(asked.words().contains("contraction, bladder, pressure, wrong os?") && asked.words().contains("20 to 60 minutes"));
}

#[test]
fn a_contradicted_body_point_cannot_reach_an_exam() {
    let mut case = Case::plain();
    case.side = Side::Covers;
    assert!(matches!(case.read().unwrap().distance, Distance::Measured(m) if m.measurement.side_check == SideCheck::Disagrees));
    assert!(case.record().is_err(), "it is not saved, so it is in no exam");
}
