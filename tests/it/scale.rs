//! What a reading's scale rests on is recorded with it, and `verify` makes all of it again.

use osspan::calibrate::cross::CrossCheck;
use osspan::calibrate::hand::{Aspect, HandScale, Ruler, Unit};
use osspan::calibrate::ticks::{Along, TickRow};
use osspan::calibrate::{CheckVerdict, LastCheck, Resolution, ScaleFacts};
use osspan::frame::Geometry;
use osspan::measure::Repeatability;
use osspan::reading::{self, Distance, Inputs};
use osspan::record::{ReadingRecord, verify, verify_text};
use osspan::units::PxPoint;

use crate::invented::{Case, context, geometry, landmarks, table};

fn check() -> LastCheck {
    LastCheck {
        id: "c".repeat(64),
        checked_on: jiff::civil::date(2031, 1, 10),
        next_due: jiff::civil::date(2032, 1, 10),
        error_x: 0.004,
        error_y: -0.006,
        u_x: 0.004,
        u_y: 0.004,
        correlation: 0.8,
        verdict: CheckVerdict::Within,
        other_preset: false,
        invented: false,
    }
}

fn row(step_px: f64) -> TickRow {
    TickRow { along: Along::Down, at_px: 630.0, first_px: 20.0, step_px, u_step_px: 0.02, count: 12, larger_every: None }
}

fn made(geometry: &Geometry, scale: &ScaleFacts) -> osspan::Result<(reading::Reading, ReadingRecord)> {
    let (landmarks, table) = (landmarks(), table());
    let mut context = context();
    context.exam_date = Some(jiff::civil::date(2031, 3, 14));
    let repeatability = Repeatability::assumed_total();
    let inputs = Inputs {
        geometry,
        landmarks: &landmarks,
        side: osspan::measure::Side::NotCovering,
        consent: None,
        scale,
        repeatability: &repeatability,
        context: &context,
        notes: osspan::exam::FrameNotes::NONE,
        table: &table,
    };
    let reading = reading::read(&inputs)?;
    let record = ReadingRecord::new(&inputs, &reading, Case::origin())?;
    Ok((reading, record))
}

fn u_scale(record: &ReadingRecord) -> f64 {
    let Distance::Measured(m) = &record.distance else { panic!("no distance") };
    m.measurement.terms.iter().find(|t| t.kind == osspan::estimate::TermKind::Scale).unwrap().u_mm.get()
}

#[test]
fn the_check_of_the_scanner_gives_the_scale_term_and_verify_makes_it_again() {
    let facts = ScaleFacts { ticks: Some(vec![row(100.2)]), last_check: Some(check()), ..ScaleFacts::default() };
    let (reading, record) = made(&geometry(), &facts).unwrap();
    assert!(reading.scale_lines.iter().any(|l| l.text.contains("scale last checked on 2031-01-10, within 1.2 % across and 1.4 % down")));
    assert!(!record.cautions.contains(&osspan::cautions::CautionId::ScaleUnchecked));
    // 14 mm along x: 14 × √(0.004² + 0.004²).
    assert!((u_scale(&record) - 14.0 * 0.004 * 2_f64.sqrt()).abs() < 1e-9, "{}", u_scale(&record));
    let text = record.to_json().unwrap();
    assert!(verify_text(&text, None).unwrap().1.differences.is_empty());
    let (_, bare) = made(&geometry(), &ScaleFacts::default()).unwrap();
    assert!(bare.cautions.contains(&osspan::cautions::CautionId::ScaleUnchecked));
    assert!(!bare.to_json().unwrap().contains("scale_facts"), "nothing is written where there is nothing");
    let mut altered = record;
    altered.scale_facts.last_check.as_mut().unwrap().u_x = 0.001;
    altered.content_sha256 = altered.digest().unwrap();
    let found: Vec<String> = verify(&altered, None).differences.into_iter().map(|d| d.what).collect();
    assert!(found.contains(&"the scale".to_owned()), "{found:?}");
}

#[test]
fn a_contradicted_scale_gives_no_millimetres_and_a_decision_is_part_of_the_record() {
    // By the header ticks every 7 mm.
    let mut facts = ScaleFacts { ticks: Some(vec![row(70.0)]), ..ScaleFacts::default() };
    let (reading, record) = made(&geometry(), &facts).unwrap();
    assert!(matches!(record.distance, Distance::NoScale { .. }) && reading.unresolved == [CrossCheck::Ticks]);
    facts.resolved = Some(Resolution { checks: vec![CrossCheck::Ticks], reason: "the marks are focal zones".into(), by: "R. Ito".into() });
    let (_, record) = made(&geometry(), &facts).unwrap();
    let Distance::Measured(m) = &record.distance else { panic!("no distance") };
    assert!(m.scale.warnings.iter().any(|w| w.contains("R. Ito") && w.contains("focal zones")));
    assert!(verify_text(&record.to_json().unwrap(), None).unwrap().1.differences.is_empty());
    let mut altered = record;
    altered.scale_facts.resolved = None;
    altered.content_sha256 = altered.digest().unwrap();
    assert!(verify(&altered, None).differences.iter().any(|d| d.what == "the distance"));
}

#[test]
fn a_scale_set_by_hand_is_recorded_with_its_ticks_and_made_again() {
    let bare = Geometry { regions: Vec::new(), ..geometry() };
    let ticks = (0..9).map(|n| (n, 50.0 * f64::from(n) + 0.2 * f64::from(n % 2))).collect();
    let hand = HandScale {
        ruler: Ruler { from: PxPoint::new(630.0, 20.0), to: PxPoint::new(630.0, 430.0), ticks },
        distance: 4.0,
        unit: Unit::Cm,
        aspect: Aspect::StatedSquare,
        by: "R. Ito".into(),
        field_confirmed: false,
        size: [640, 480],
        taken_from: None,
    };
    let facts = ScaleFacts { ticks: Some(Vec::new()), hand: Some(hand), ..ScaleFacts::default() };
    let (_, record) = made(&bare, &facts).unwrap();
    assert!(record.headline.contains("14 mm"), "{}", record.headline);
    assert!(record.cautions.contains(&osspan::cautions::CautionId::ScaleByHand));
    assert!(verify_text(&record.to_json().unwrap(), None).unwrap().1.differences.is_empty());
    let mut altered = record;
    altered.scale_facts.hand.as_mut().unwrap().distance = 8.0;
    altered.content_sha256 = altered.digest().unwrap();
    assert!(verify(&altered, None).differences.iter().any(|d| d.what == "the distance"));
}

#[test]
fn a_capture_is_read_by_command_with_a_ruler_on_its_ticks() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("capture.png");
    let picture = image::GrayImage::from_fn(400, 420, |x, y| {
        let tick = (0..13).any(|n| (f64::from(n) * 30.0 + 30.0).floor() as u32 == y);
        image::Luma([if tick && (380..386).contains(&x) { 230 } else { 0 }])
    });
    picture.save(&path).unwrap();
    let read = |more: &[&str]| {
        let base = ["read", path.to_str().unwrap(), "--os", "100,100", "--edge", "142,100", "--side", "not-covering"];
        let made = std::process::Command::new(env!("CARGO_BIN_EXE_osspan"))
            .args(base)
            .args(["--guideline", "us-consensus-2014", "--reader", "R. Ito"])
            .args(more)
            .env("OSSPAN_DATA", dir.path().join("data"))
            .output()
            .unwrap();
        String::from_utf8_lossy(&made.stdout).into_owned() + &String::from_utf8_lossy(&made.stderr)
    };
    assert!(read(&[]).contains("ticks in the picture that a scale could be set on"));
    let ruler = ["--ruler-from", "382,30", "--ruler-to", "382,391", "--ruler-length"];
    assert!(read(&[&ruler[..], &["12 cm"]].concat()).contains("--square-pixels"));
    let good = read(&[&ruler[..], &["12 cm", "--square-pixels"]].concat());
    assert!(good.contains("Edge 14 mm") && good.contains("set by hand") && good.contains("by R. Ito"), "{good}");
    let small = read(&[&ruler[..], &["12 mm", "--square-pixels"]].concat());
    assert!(small.contains("20 to 300 mm"), "{small}");
    assert!(read(&[&ruler[..], &["12", "--square-pixels"]].concat()).contains("unit"));
}
