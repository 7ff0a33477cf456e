//! The agreement study of records: which readings count, and that three invented readers' known biases and spreads come back.

use std::path::Path;
use std::process::Command;

use osspan::agree::study::{Observation, Options, Readings, Study, readings, study};
use osspan::context::{Bladder, Contraction, Dating, ExamContext, Route};
use osspan::frame::{FrameId, Geometry, RawRegion};
use osspan::guideline;
use osspan::measure::{EdgeMark, Landmarks, Repeatability, Side};
use osspan::reading::{self, Inputs};
use osspan::record::{Origin, Patient, ReadingRecord, Store};
use osspan::units::PxPoint;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use crate::common::coverage::normal_pair;

/// Invented readers: bias and SD, mm.
const READERS: [(&str, f64, f64); 3] = [("A. Invented", 0.0, 1.0), ("B. Invented", 0.8, 1.5), ("C. Invented", -0.5, 1.2)];

fn draw(rng: &mut ChaCha8Rng) -> f64 {
    normal_pair(rng).0
}

/// Where and when a reading was made.
struct Made<'a> {
    reader: &'a str,
    patient: usize,
    frame: usize,
    mm: f64,
    day: i8,
    follows: Vec<String>,
}

fn record(made: Made<'_>) -> ReadingRecord {
    let region = RawRegion {
        spatial_format: Some(1),
        data_type: Some(1),
        flags: Some(2),
        min_x0: Some(0),
        min_y0: Some(0),
        max_x1: Some(1279),
        max_y1: Some(479),
        units_x: Some(3),
        units_y: Some(3),
        delta_x: Some(0.01),
        delta_y: Some(0.01),
    };
    let geometry = Geometry { rows: 480, columns: 1280, regions: vec![region], ..Geometry::default() };
    let landmarks = Landmarks {
        internal_os: PxPoint::new(640.0, 240.0),
        edge: EdgeMark::PlacentalEdge { at: PxPoint::new(640.0 - 10.0 * made.mm, 240.0) },
        placental_body: None,
        marginal_sinus: None,
    };
    let context = ExamContext {
        exam_date: Some(jiff::civil::date(2031, 3, 14)),
        dating: Some(Dating::DueDate(jiff::civil::date(2031, 5, 8))),
        route: Route::Transvaginal,
        bladder: Bladder::Empty,
        contraction: Contraction::Absent,
        ..ExamContext::default()
    };
    let (table, repeatability) = (guideline::table("us-consensus-2014").unwrap(), Repeatability::assumed_total());
    let inputs = Inputs {
        geometry: &geometry,
        landmarks: &landmarks,
        side: if made.mm < 0.0 { Side::Covers } else { Side::NotCovering },
        consent: None,
        scale: &osspan::calibrate::HEADER_ALONE,
        repeatability: &repeatability,
        context: &context,
        notes: osspan::exam::FrameNotes::NONE,
        table: &table,
    };
    let origin = Origin {
        frame: FrameId { sha256: format!("{:064x}", made.frame + 1), sop_instance_uid: None, frame_number: 1 },
        patient: Patient { number: Some(format!("INVENTED-{}", made.patient)), ..Patient::default() },
        study_instance_uid: Some(format!("2.25.{}", made.patient)),
        reader: made.reader.into(),
        saved_at: format!("2031-04-{:02}T10:00:00+01:00", made.day),
        follows: made.follows,
    };
    ReadingRecord::new(&inputs, &reading::read(&inputs).unwrap(), origin).unwrap()
}

/// 90 frames of 45 patients, read by all three.
fn demo() -> Vec<ReadingRecord> {
    let mut rng = ChaCha8Rng::seed_from_u64(2031);
    let mut records = Vec::new();
    for patient in 0..45 {
        let centre = 18.0 + 8.0 * draw(&mut rng);
        for frame in 2 * patient..2 * patient + 2 {
            let truth = centre + draw(&mut rng);
            for (reader, bias, sd) in READERS {
                let mm = truth + bias + sd * draw(&mut rng);
                records.push(record(Made { reader, patient, frame, mm, day: 1, follows: Vec::new() }));
            }
        }
    }
    records
}

fn of(records: &[ReadingRecord]) -> Study {
    let options = Options::default();
    study(&readings(records, &options).unwrap(), &options).unwrap()
}

#[test]
fn three_invented_readers_are_told_apart_as_they_were_made() {
    let s = of(&demo());
    assert_eq!((s.readings, s.patients, s.exams, s.frames, s.pairs.len()), (270, 45, 45, 90, 3));
    let bias_of = |name: &str| READERS.iter().find(|r| r.0 == name).map(|r| (r.1, r.2)).unwrap();
    for p in &s.pairs {
        let ((b1, s1), (b2, s2)) = (bias_of(&p.first), bias_of(&p.second));
        let holds = |e: osspan::agree::Estimate, v: f64| e.low.unwrap() <= v && v <= e.high.unwrap();
        let b = p.bland_altman.unwrap();
        assert_eq!((b.pairs, p.frames, p.patients), (90, 90, 45));
        assert!(holds(p.bias_over_patients.unwrap().estimate, b1 - b2), "{p:?}");
        assert!(holds(b.sd, s1.hypot(s2)), "{:?}", b.sd);
        assert!(holds(p.upper_limit_over_patients.unwrap().estimate, b1 - b2 + 1.96 * s1.hypot(s2)));
        assert!(p.icc_2_1_over_patients.unwrap().estimate.value > 0.9);
        assert!(p.kappa.is_some() && p.changed.1 == 90 && p.changed.0 > 0);
    }
    let t = s.together.unwrap();
    assert_eq!(t.frames, 90);
    assert!(t.kappa.is_some() && t.icc.unwrap().icc_2_1.value > 0.9);
    // Two frames of each exam by three readers: 135 degrees of freedom, so the department's own may replace the assumption.
    assert_eq!(s.within.unwrap().frame_degrees, 135.0);
    let own = s.own.repeatability.unwrap();
    // Acquisition SD 1, reading SDs 1, 1.5 and 1.2: √(1 + 1.563) = 1.60.
    assert!((own.sd_mm.get() - 1.60).abs() < 0.25 && !own.assumed, "{own:?}");
}

/// Over many studies of 30 patients: the intervals over resampled patients hold bias and limit about as often as they say.
/// The limit's falls short with so few patients, which is why fewer are warned of.
#[test]
fn intervals_over_patients_hold_the_truth_about_as_often_as_they_say() {
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let (runs, mut bias, mut limit) = (300, 0, 0);
    let options = Options { resamples: 400, ..Options::default() };
    for _ in 0..runs {
        let mut observations = Vec::new();
        for patient in 0..30 {
            // Differences of one patient's frames are alike: SD 1 common to them, SD 1 of their own.
            let common = draw(&mut rng);
            for frame in 3 * patient..3 * patient + 3 {
                let truth = 20.0 + draw(&mut rng);
                for (reader, off) in [(0, 0.5 + common + draw(&mut rng)), (1, 0.0)] {
                    observations.push(Observation {
                        patient,
                        exam: patient,
                        frame,
                        reader,
                        signed_mm: Some(truth + off),
                        category: None,
                        age_days: None,
                    });
                }
            }
        }
        let all = Readings { readers: vec!["A".into(), "B".into()], observations, counts: (30, 30, 90), ..Readings::default() };
        let s = study(&all, &options).unwrap();
        let holds = |b: Option<osspan::agree::bootstrap::Bootstrap>, v: f64| {
            let e = b.unwrap().estimate;
            i32::from(e.low.unwrap() <= v && v <= e.high.unwrap())
        };
        bias += holds(s.pairs[0].bias_over_patients, 0.5);
        limit += holds(s.pairs[0].upper_limit_over_patients, 0.5 + 1.96 * 2.0_f64.sqrt());
    }
    let share = |n: i32| f64::from(n) / f64::from(runs);
    assert!((0.90..=0.98).contains(&share(bias)), "{}", share(bias));
    assert!((0.85..=0.98).contains(&share(limit)), "{}", share(limit));
}

fn plain(reader: &str, frame: usize, mm: f64, day: i8, follows: &[&ReadingRecord]) -> ReadingRecord {
    let follows = follows.iter().map(|r| r.id().to_owned()).collect();
    record(Made { reader, patient: frame, frame, mm, day, follows })
}

#[test]
fn only_blind_uncorrected_and_spaced_readings_count() {
    let first = plain("A", 0, 12.0, 1, &[]);
    let corrected = plain("A", 0, 13.0, 2, &[&first]);
    let blind = plain("B", 0, 14.0, 2, &[]);
    let seen = plain("C", 0, 14.0, 3, &[&blind]);
    // Its own earlier reading was made after seeing another's, so this one was too.
    let seen_before = plain("C", 0, 14.5, 5, &[&seen]);
    let soon = plain("B", 0, 15.0, 2, &[]);
    let again = plain("B", 0, 14.2, 9, &[]);
    let mut altered = plain("D", 0, 11.0, 9, &[]);
    altered.reader = "E".into();
    let all = [first.clone(), corrected.clone(), blind.clone(), seen, seen_before, soon, again, altered, blind.clone()];
    let r = readings(&all, &Options::default()).unwrap();
    let l = r.left_out;
    assert_eq!((l.corrected, l.not_blinded, l.too_soon, l.altered, l.same_again), (2, 1, 1, 1, 1), "{l:?}");
    assert_eq!(r.readers, ["A", "B"]);
    let values: Vec<_> = r.observations.iter().map(|o| (o.reader, o.signed_mm.unwrap().round())).collect();
    assert!(values.contains(&(0, 13.0)) && !values.contains(&(0, 12.0)), "{values:?}");
    assert_eq!(r.observations.len(), 3);
    let r = readings(&all, &Options { include_not_blinded: true, ..Options::default() }).unwrap();
    assert_eq!((r.left_out.not_blinded, r.not_blinded_included, r.readers.len()), (0, 1, 3));
    // A followed record that is not at hand may have been another reader's.
    let lone = readings(&[corrected], &Options::default()).unwrap();
    assert_eq!(lone.left_out.not_blinded, 1);
}

#[test]
fn few_readings_are_warned_of_and_do_not_replace_the_assumption() {
    let s = of(&[plain("A", 0, 12.0, 1, &[]), plain("B", 0, -2.0, 1, &[]), plain("A", 1, 25.0, 1, &[]), plain("B", 1, 24.0, 1, &[])]);
    assert_eq!(s.pairs[0].sides_differ, 1);
    assert_eq!(s.pairs[0].changed, (1, 2));
    assert!(s.own.repeatability.is_none() && s.own.why_not.is_some());
    assert!(s.warnings.iter().any(|w| w.contains("only 2 pairs")) && s.warnings.iter().any(|w| w.contains("Only 2 patients")));
    assert!(study(&Readings::default(), &Options::default()).is_err());
}

fn osspan(args: &[&str], folder: &Path) -> (i32, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_osspan")).arg("agree").arg(folder).args(args).output().unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (out.status.code().unwrap(), text(out.stdout), text(out.stderr))
}

#[test]
fn the_command_prints_text_csv_and_json_and_names_no_patient() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    for r in demo() {
        store.save(&r).unwrap();
    }
    let (code, text, errors) = osspan(&["--resamples", "200"], dir.path());
    assert_eq!((code, errors.as_str()), (0, ""));
    assert!(text.contains("A. Invented and B. Invented") && text.contains("upper limit of agreement"), "{text}");
    assert!(text.contains("The department's own may replace the labelled assumption: SD 1."), "{text}");
    let (_, csv, _) = osspan(&["--resamples", "200", "--csv"], dir.path());
    assert!(csv.starts_with("who,figure,unit,value,low_95,high_95,n,basis\n"));
    assert!(csv.lines().skip(1).all(|l| l.split(',').count() >= 8) && csv.lines().count() > 60);
    let (_, json, _) = osspan(&["--resamples", "200", "--json"], dir.path());
    let back: Study = serde_json::from_str(&json).unwrap();
    assert_eq!(back.readings, 270);
    for out in [&text, &csv, &json] {
        assert!(!out.contains("INVENTED-"), "a patient number is printed");
    }
    // The same seed prints the same figures.
    assert_eq!(osspan(&["--resamples", "200", "--json"], dir.path()).1, json);
    std::fs::write(dir.path().join("broken.json"), "{").unwrap();
    let (code, text, _) = osspan(&["--resamples", "200"], dir.path());
    assert!(code == 4 && text.contains("not a record"));
    let empty = tempfile::tempdir().unwrap();
    let (code, _, errors) = osspan(&[], empty.path());
    assert!(code == 3 && errors.contains("at least one reading that counts"), "{code} {errors}");
}
