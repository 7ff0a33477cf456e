//! The agreement study of records: which readings count, and that three invented readers' known biases and spreads come back.

use std::path::Path;
use std::process::Command;

use osspan::agree::study::{By, Observation, Options, Readings, Study, readings, study};
use osspan::context::{Bladder, Contraction, Dating, ExamContext, Route};
use osspan::frame::{FrameId, Geometry, RawRegion};
use osspan::guideline;
use osspan::measure::{EdgeMark, Landmarks, Repeatability, Side};
use osspan::reading::{self, Inputs};
use osspan::record::{Mode, Origin, Patient, ReadingRecord, SecondReading, Store};
use osspan::synth::readers::{FRAMES_EACH, READERS, WOMEN, invented_study};
use osspan::units::PxPoint;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;

use crate::common::coverage::normal_pair;

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
    let region = RawRegion::of_tissue([0, 0, 1279, 479], [0.01, 0.01]);
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
        scanner: None,
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
            for r in READERS {
                let mm = truth + r.bias_mm + r.sd_mm * draw(&mut rng);
                records.push(record(Made { reader: r.name, patient, frame, mm, day: 1, follows: Vec::new() }));
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
    let bias_of = |name: &str| READERS.iter().find(|r| r.name == name).map(|r| (r.bias_mm, r.sd_mm)).unwrap();
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
                        scanner: None,
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
    assert!(csv.starts_with("who,figure,unit,value,low_95,high_95,n,basis\r\n"));
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

fn marked(record: ReadingRecord, first: &[&ReadingRecord], blinded: bool) -> ReadingRecord {
    let mut first: Vec<String> = first.iter().map(|r| r.id().to_owned()).collect();
    first.sort();
    let mark = SecondReading { exam: record.exam_key(), first, mode: Mode::OwnFrames, queue_seed: None, blinded };
    record.with_second(Some(mark)).unwrap()
}

#[test]
fn a_record_says_itself_whether_it_was_blind() {
    let first = plain("A", 0, 12.0, 1, &[]);
    let blind = marked(plain("B", 0, 14.0, 2, &[]), &[&first], true);
    let seeing = marked(plain("C", 0, 14.0, 3, &[]), &[&first, &blind], false);
    let all = [first, blind, seeing];
    let r = readings(&all, &Options::default()).unwrap();
    assert_eq!((r.left_out.not_blinded, r.readers.clone(), r.without_marks), (1, vec!["A".to_owned(), "B".to_owned()], 0));
    let r = readings(&all, &Options { include_not_blinded: true, ..Options::default() }).unwrap();
    assert_eq!((r.not_blinded_included, r.readers.len()), (1, 3));
}

#[test]
fn records_of_earlier_versions_are_not_taken_for_altered_and_are_said_to_have_no_marks() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/records");
    let old: Vec<ReadingRecord> =
        ["v1.json", "v2.json"].map(|n| ReadingRecord::from_json(&std::fs::read_to_string(dir.join(n)).unwrap()).unwrap()).into();
    let options = Options { include_not_blinded: true, ..Options::default() };
    let r = readings(&old, &options).unwrap();
    assert_eq!(r.left_out.altered, 0, "{:?}", r.left_out);
    assert!(!r.observations.is_empty() && r.without_marks == r.observations.len());
    let text = std::fs::read_to_string(dir.join("v1.json")).unwrap().replace(&old[0].reader, "Somebody Else");
    assert_eq!(readings(&[ReadingRecord::from_json(&text).unwrap()], &options).unwrap().left_out.altered, 1);
}

#[test]
fn the_invented_study_holds_what_it_says() {
    let records = invented_study(7).unwrap();
    assert_eq!(records.len(), WOMEN * FRAMES_EACH * READERS.len());
    assert_eq!(records, invented_study(7).unwrap());
    for r in &records {
        let check = osspan::record::verify(r, None);
        assert!(check.differences.is_empty(), "{check:?}");
        assert!(r.reader.contains("Invented") && r.patient.number.as_ref().unwrap().starts_with("INVENTED"));
        assert_eq!(r.second.is_some(), r.reader != READERS[0].name);
    }
    let s = of(&records);
    assert_eq!((s.frames, s.patients, s.pairs.len(), s.left_out.not_blinded), (72, 36, 3, 0));
    let p = &s.pairs[0];
    assert_eq!(p.points.len(), 72);
    for by in By::ALL {
        let parts: Vec<_> = p.subgroups.iter().filter(|g| g.part.by == by).collect();
        assert!(parts.len() > 1, "{by:?}");
        assert_eq!(parts.iter().map(|g| g.pairs).sum::<usize>(), 72);
        assert_eq!(parts.iter().map(|g| g.changed.0).sum::<usize>(), p.changed.0);
    }
    // Bias and spread in a part are those of its own points.
    let scanner = p.subgroups.iter().find(|g| g.part.by == By::Scanner).unwrap();
    let d: Vec<f64> = p.points.iter().filter(|q| q.parts.contains(&scanner.part)).map(|q| q.first_mm - q.second_mm).collect();
    let bias = d.iter().sum::<f64>() / d.len() as f64;
    assert!(d.len() < 72 && (scanner.bland_altman.unwrap().bias.value - bias).abs() < 1e-12);
    assert!(scanner.bias_over_patients.is_some() && scanner.changed_over_patients.is_some());
    // Where no finding differs, nothing is known of how sure that is.
    let none = s.pairs.iter().flat_map(|p| &p.subgroups).find(|g| g.changed.0 == 0).unwrap();
    let none = none.changed_over_patients.unwrap().estimate;
    assert!(none.value == 0.0 && none.low.is_none() && none.high.is_none());
}

/// Over 50 seeds and three pairs of readers each: the study's intervals hold the known bias, limits and spread about as often
/// as they say.
#[test]
fn over_many_seeds_the_known_bias_and_spread_come_back_within_their_intervals() {
    let options = Options { resamples: 200, ..Options::default() };
    let seeds: Vec<u64> = (1..=50).collect();
    let held: Vec<[bool; 4]> = seeds
        .par_iter()
        .flat_map_iter(|seed| {
            let s = study(&readings(&invented_study(*seed).unwrap(), &options).unwrap(), &options).unwrap();
            assert_eq!(s.pairs.len(), 3);
            let known = |name: &str| READERS.iter().find(|r| r.name == name).map(|r| (r.bias_mm, r.sd_mm)).unwrap();
            let of_pair = move |p: &osspan::agree::study::PairStudy| {
                let ((b1, s1), (b2, s2)) = (known(&p.first), known(&p.second));
                let (bias, sd) = (b1 - b2, s1.hypot(s2));
                let holds = |e: osspan::agree::Estimate, v: f64| e.low.unwrap() <= v && v <= e.high.unwrap();
                let b = p.bland_altman.unwrap();
                [
                    holds(p.bias_over_patients.unwrap().estimate, bias),
                    holds(b.sd, sd),
                    holds(b.upper_limit, bias + 1.96 * sd),
                    holds(p.lower_limit_over_patients.unwrap().estimate, bias - 1.96 * sd),
                ]
            };
            s.pairs.iter().map(of_pair).collect::<Vec<_>>()
        })
        .collect();
    let share = |k: usize| held.iter().filter(|h| h[k]).count() as f64 / held.len() as f64;
    for (k, what) in ["bias", "SD of differences", "exact upper limit", "lower limit over patients"].iter().enumerate() {
        // 150 intervals of 95 %: SE 1.8 %. The percentile interval of a limit falls somewhat short with 36 patients.
        assert!((if k == 3 { 0.85 } else { 0.89 }..=1.0).contains(&share(k)), "{what}: {}", share(k));
    }
}

#[test]
fn plots_are_written_as_svg_and_png_and_the_invented_study_says_so_everywhere() {
    let dir = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| {
        let out = crate::commands::osspan(dir.path(), &[&["agree", "--demo", "--resamples", "100"], words].concat());
        (out.status.code().unwrap(), crate::commands::text(&out.stdout), crate::commands::text(&out.stderr))
    };
    let (code, text, errors) = run(&[]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert!(text.starts_with("Invented:") && text.contains("B. Invented bias +0.8 mm, SD 1.5 mm"), "{text}");
    let parted = "Where distances and ages are parted is an assumption of this program";
    assert!(text.contains(parted), "{text}");
    let at = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
    let svg = at("plot.svg");
    let (code, text, errors) = run(&["--plot", &svg, "--marks", "distance", "--first", "C. Invented", "--second", "A. Invented"]);
    assert_eq!((code, errors.as_str()), (0, ""));
    assert!(text.contains("plot.svg"));
    let drawn = std::fs::read_to_string(&svg).unwrap();
    for words in ["Invented: three invented readers", "A. Invented − C. Invented, mm", "patients resampled 100 times", "distance overlap"]
    {
        assert!(drawn.contains(words), "{words}");
    }
    // 72 points; dots and rings are circles, triangles polygons, the rest lines.
    assert!(drawn.matches("<circle").count() > 20 && drawn.matches("<polygon").count() > 5);
    for of in ["differences", "parts", "findings", "correlations"] {
        let png = at(&format!("{of}.png"));
        let (code, _, errors) = run(&["--plot", &png, "--plot-of", of]);
        assert_eq!((code, errors.as_str()), (0, ""), "{of}");
        assert!(image::open(&png).unwrap().width() == 2280, "{of}");
    }
    run(&["--plot", &svg, "--plot-of", "parts"]);
    assert!(std::fs::read_to_string(&svg).unwrap().contains(parted));
    let (_, json, _) = run(&["--json", "--plot", &svg, "--part", "distance above 20 mm"]);
    let back: Study = serde_json::from_str(&json).unwrap();
    assert_eq!(back.pairs[0].points.len(), 72);
    assert!(std::fs::read_to_string(&svg).unwrap().contains("pairs. Line: bias"));
    for words in [
        vec!["--plot", "x.pdf"],
        vec!["--plot", &svg, "--part", "no such part"],
        vec!["--plot", &svg, "--first", "X", "--second", "Y"],
        vec!["--plot", &svg, "--marks", "colour"],
    ] {
        let (code, _, errors) = run(&words);
        assert!(code == 2 && errors.contains("expected") || errors.contains("one of"), "{words:?}: {errors}");
    }
}
