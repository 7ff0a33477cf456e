//! A department's own repeatability in new readings: from when, from which readings, and that old records keep theirs.

use osspan::agree::own::in_use;
use osspan::assist::{Assisted, METHOD, Offer, Refinable};
use osspan::exam::{ExamDistance, Item};
use osspan::frame::FrameId;
use osspan::measure::{EdgeMark, Repeatability};
use osspan::reading::{self, Inputs};
use osspan::record::{Origin, Patient, ReadingRecord, verify};
use osspan::source::Provenance;
use osspan::units::{Mm, PxPoint};

use crate::invented::Case;

/// One reading: patient, frame, distance; `change` may make notes.
fn record(patient: u32, frame: u32, mm: f64, change: impl Fn(&mut Case, &mut Origin)) -> ReadingRecord {
    let mut case = Case::plain();
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(300.0 - 10.0 * mm, 240.0) };
    case.landmarks.placental_body = None;
    let mut origin = Origin {
        frame: FrameId { sha256: format!("{:064x}", patient * 100 + frame), sop_instance_uid: None, frame_number: 1 },
        patient: Patient { number: Some(format!("INVENTED-{patient}")), ..Patient::default() },
        study_instance_uid: Some(format!("2.25.{patient}")),
        saved_at: format!("2031-03-{:02}T10:00:00+01:00", 1 + patient % 28),
        ..Case::origin()
    };
    change(&mut case, &mut origin);
    case.record_of(origin).unwrap()
}

/// Three frames of each patient, at 12, 15 and 18 mm about a centre of her own: SD 3 mm within, 2 degrees of freedom each.
fn department(patients: u32, change: impl Fn(&mut Case, &mut Origin)) -> Vec<ReadingRecord> {
    (0..patients)
        .flat_map(|p| {
            let centre = f64::from(p % 7);
            [12.0, 15.0, 18.0].into_iter().enumerate().map(move |(f, mm)| (p, f as u32, centre + mm))
        })
        .map(|(p, f, mm)| record(p, f, mm, &change))
        .collect()
}

#[test]
fn it_takes_the_place_of_the_assumption_from_thirty_degrees_on_and_says_from_how_many_readings() {
    let assumed = in_use(&department(14, |_, _| {}));
    assert!(assumed.repeatability.assumed && assumed.words().contains("not this department's own"), "{}", assumed.words());
    assert!(assumed.why_assumed.as_ref().unwrap().contains("30"), "{:?}", assumed.why_assumed);
    let own = in_use(&department(15, |_, _| {}));
    let r = &own.repeatability;
    assert!(!r.assumed && (r.sd_mm.get() - 3.0).abs() < 1e-9, "{r:?}");
    assert_eq!((r.readings, r.degrees_of_freedom, r.source.provenance), (Some(45), Some(30.0), Provenance::OwnMeasurement));
    assert!(own.words().contains("this department's own, from 45 readings, 30 degrees of freedom"), "{}", own.words());
    assert!(in_use(&[] as &[ReadingRecord]).repeatability.assumed);
}

#[test]
fn readings_that_must_not_count_do_not() {
    let offer = |accepted| Assisted {
        of: Refinable::PlacentalEdge,
        placed: PxPoint::new(150.0, 240.0),
        offer: Offer { at: PxPoint::new(151.0, 240.0), sd_mm: Mm::new(0.3), contrast: 2.0, moved_mm: Mm::new(0.1) },
        accepted,
        method: METHOD.into(),
    };
    let assisted = department(20, |case, _| case.notes.assisted = vec![offer(true)]);
    assert!(in_use(&assisted).repeatability.assumed, "made with edge assist");
    assert!(!in_use(&department(20, |case, _| case.notes.assisted = vec![offer(false)])).repeatability.assumed, "declined offers count");
    let inadequate = department(20, |case, _| case.notes.checklist.toggle_exception(Item::EdgeSharp));
    assert!(in_use(&inadequate).repeatability.assumed, "frames that were judged inadequate");
    // One frame of each patient, read three times within the hour: no degree of freedom.
    let hurried: Vec<ReadingRecord> = (0..30)
        .flat_map(|p| (0..3).map(move |i| (p, i)))
        .map(|(p, i)| record(p, 0, 12.0 + f64::from(i), |_, o| o.saved_at = format!("2031-03-{:02}T10:{:02}:00+01:00", 1 + p % 28, i * 5)))
        .collect();
    assert!(in_use(&hurried).repeatability.assumed);
}

#[test]
fn an_old_record_keeps_what_it_was_made_with_and_a_new_one_has_no_proxy_added() {
    let all = department(15, |_, _| {});
    let own = in_use(&all).repeatability;
    assert_eq!(all[0].repeatability, Repeatability::assumed_total());
    assert!(verify(&all[0], None).differences.is_empty());
    let case = Case::plain();
    let inputs = Inputs {
        geometry: &case.geometry,
        landmarks: &case.landmarks,
        side: case.side,
        consent: None,
        scale: &osspan::calibrate::HEADER_ALONE,
        repeatability: &own,
        context: &case.context,
        notes: &case.notes,
        table: &case.table,
    };
    let made = reading::read(&inputs).unwrap();
    let new = ReadingRecord::new(&inputs, &made, Case::origin()).unwrap().with_exam(&all).unwrap();
    assert!(verify(&new, None).differences.is_empty(), "{:?}", verify(&new, None));
    let reading::Distance::Measured(m) = &new.distance else { panic!() };
    // One reading term, the own SD; scale and sound besides; the assumed 2 mm nowhere.
    assert_eq!(m.measurement.terms.len(), 3);
    assert!((m.measurement.terms[0].u_mm.get() - 3.0).abs() < 1e-9 && !m.measurement.assumed_repeatability);
    let exam = new.exam.as_ref().unwrap();
    assert_eq!(exam.model.degrees_of_freedom, Some(30.0), "its interval is Student's, not the normal's");
    assert!(matches!(exam.values.summary.exam_distance, ExamDistance::Estimate { coverage_claimed: true, .. }));
}

/// The window makes readings with the same repeatability as the command: the folder's, not the one of the open patients.
#[cfg(feature = "viewer")]
#[test]
fn the_window_finds_it_in_the_whole_folder() {
    use osspan::viewer::action::Action;
    use osspan::viewer::app::World;

    let home = tempfile::tempdir().unwrap();
    let records = home.path().join("records");
    let store = osspan::record::Store::at(&records);
    department(15, |_, _| {}).iter().for_each(|r| drop(store.save(r).unwrap()));
    let mut worker = osspan::viewer::worker::Worker::new(records, home.path().to_path_buf(), &egui::Context::default());
    let mut session = osspan::viewer::session::Session::new(osspan::guideline::tables().unwrap(), osspan::files::Settings::default());
    assert!(session.repeatability_words().contains("assumed"));
    let until = std::time::Instant::now() + std::time::Duration::from_secs(60);
    while !session.repeatability_words().contains("this department's own, from 45 readings") {
        assert!(std::time::Instant::now() < until, "{}", session.repeatability_words());
        for action in worker.answers().into_iter().filter(|a| matches!(a, Action::Repeatability(_))) {
            let _ = session.apply(action);
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    worker.finish();
}
