//! The classifier against cases typed by hand from the sources, and gestational ages against hand-counted ones.

use jiff::civil::Date;
use osspan::context::{Bladder, Contraction, Dating, ExamContext, GestationalAge, Route, gestational_age};
use osspan::guideline::{self, BandKind, Note, Outcome, Reason, Table, boundary_note, classify, explain, headline};
use osspan::measure::words::digits_that_keep;
use osspan::measure::{Measurement, Side, SideCheck, Value};
use osspan::units::Mm;

use crate::invented::measurement;
use serde::Deserialize;

#[derive(Deserialize)]
struct Cases {
    edges: Vec<(String, f64, i32, BandKind, String)>,
    ages: Vec<(String, u8, u8, bool, bool, bool)>,
    intervals: Vec<(String, f64, f64, f64, String, Vec<String>)>,
    borderline: Vec<(f64, Vec<f64>)>,
}

#[derive(Deserialize)]
struct Ages {
    due: Vec<(String, String, String)>,
    last_period: Vec<(String, String, String)>,
    refused_last_period: Vec<(String, String)>,
}

fn cases() -> Cases {
    toml::from_str(include_str!("../reference/guideline-cases.toml")).unwrap()
}

fn ages() -> Ages {
    toml::from_str(include_str!("../reference/ages.toml")).unwrap()
}

/// A measurement of `value` whose interval is (`low`, `high`).
fn measured(value: Value, low: Option<f64>, high: Option<f64>) -> Measurement {
    let side = match value {
        Value::Exact { signed_mm } if signed_mm.get() < 0.0 => Side::Covers,
        Value::OverlapAtLeast { .. } => Side::Covers,
        Value::Reaches { .. } => Side::Reaches,
        _ => Side::NotCovering,
    };
    measurement(value, side, (low, high), 2.0, true)
}

/// A distance with an interval of no width.
fn exact(mm: f64) -> Measurement {
    measured(Value::Exact { signed_mm: Mm::new(mm) }, Some(mm), Some(mm))
}

fn late() -> Option<GestationalAge> {
    Some(GestationalAge::weeks_and_days(34, 0))
}

fn good_scan() -> ExamContext {
    ExamContext { route: Route::Transvaginal, bladder: Bladder::Empty, contraction: Contraction::Absent, ..ExamContext::default() }
}

fn table(id: &str) -> Table {
    guideline::table(id).unwrap()
}

fn step(value: f64, ulps: i32) -> f64 {
    match ulps {
        -1 => value.next_down(),
        0 => value,
        1 => value.next_up(),
        _ => unreachable!("one step at most"),
    }
}

#[test]
fn every_edge_of_every_table_to_one_unit_in_the_last_place() {
    let cases = cases();
    for (id, mm, ulps, kind, label) in &cases.edges {
        let f = classify(&table(id), &exact(step(*mm, *ulps)), late(), &good_scan());
        let got = f.nominal_kind().unwrap();
        assert_eq!(got, *kind, "{id} at {mm} {ulps:+} ulp");
        let shown = match &f.outcome {
            Outcome::Within { band } => band.label.clone(),
            Outcome::Reaches { also } => {
                assert!(also.is_empty(), "{also:?}");
                "reaches".into()
            }
            other => panic!("{id} at {mm} {ulps:+} ulp: {other:?}"),
        };
        assert!(shown.contains(label.as_str()), "{id} at {mm} {ulps:+} ulp: {shown}");
    }
    // Every edge of every table is among the cases, at all three steps.
    for t in guideline::tables().unwrap() {
        for edge in t.edges() {
            for ulps in [-1, 0, 1] {
                assert!(cases.edges.iter().any(|c| c.0 == t.id() && c.1 == edge.get() && c.2 == ulps), "{} {edge} {ulps}", t.id());
            }
        }
    }
}

#[test]
fn a_negative_zero_is_a_zero() {
    for t in guideline::tables().unwrap() {
        assert_eq!(classify(&t, &exact(-0.0), late(), &good_scan()).nominal_kind(), Some(BandKind::Reaching));
    }
}

#[test]
fn tables_speak_only_from_their_minimum_age_and_say_what_is_provisional() {
    for (id, weeks, days, speaks, provisional, before_18) in cases().ages {
        let age = GestationalAge::weeks_and_days(weeks, days);
        let f = classify(&table(&id), &exact(14.0), Some(age), &good_scan());
        assert_eq!(f.applies(), speaks, "{id} at {age}");
        assert_eq!(f.provisional(), provisional, "{id} at {age}");
        assert_eq!(headline(&f).contains("provisional at this age"), provisional, "{id} at {age}: {}", headline(&f));
        assert_eq!(f.notes.contains(&Note::TooEarlyForSogc), before_18, "{id} at {age}");
        if !speaks {
            assert!(headline(&f).contains("too early"), "{}", headline(&f));
        }
    }
}

#[test]
fn every_band_that_the_interval_reaches_is_shown() {
    for (id, mm, low, high, nominal, also) in cases().intervals {
        let m = measured(Value::Exact { signed_mm: Mm::new(mm) }, Some(low), Some(high));
        let f = classify(&table(&id), &m, late(), &good_scan());
        let (got, others): (String, Vec<String>) = match &f.outcome {
            Outcome::Within { band } => (band.label.clone(), Vec::new()),
            Outcome::Straddles { nominal, also } => (nominal.label.clone(), also.iter().map(|b| b.label.clone()).collect()),
            other => panic!("{other:?}"),
        };
        assert!(got.contains(&nominal), "{id} {mm}: {got}");
        assert_eq!(others.len(), also.len(), "{id} {mm} [{low}, {high}]: {others:?}");
        for (other, want) in others.iter().zip(&also) {
            assert!(other.contains(want.as_str()), "{id} {mm} [{low}, {high}]: {others:?}");
            assert!(headline(&f).contains(other.as_str()), "{}", headline(&f));
        }
    }
}

#[test]
fn near_an_edge_is_borderline_while_repeatability_is_assumed() {
    let t = table("us-consensus-2014");
    for (mm, edges) in cases().borderline {
        let mut m = exact(mm);
        let got: Vec<f64> = classify(&t, &m, late(), &good_scan()).borderline.iter().map(|n| n.edge_mm.get()).collect();
        assert_eq!(got, edges, "{mm}");
        m.assumed_repeatability = false;
        assert!(classify(&t, &m, late(), &good_scan()).borderline.is_empty(), "{mm}");
    }
    // Between SOGC's whole millimetres 10 and 11 always, because the guideline says nothing of it.
    let mut m = exact(10.5);
    m.assumed_repeatability = false;
    let f = classify(&table("sogc-2020"), &m, late(), &good_scan());
    assert_eq!(headline(&f), "Low-lying placenta, 11 to 20 mm (borderline near 10 mm)");
    for mm in [10.0, 11.0] {
        let mut m = exact(mm);
        m.assumed_repeatability = false;
        assert!(classify(&table("sogc-2020"), &m, late(), &good_scan()).borderline.is_empty());
    }
}

/// Source: normal distribution, by table: 19 mm with u 2 mm, Φ(0.5) = 0.6915, Φ(−4.5) ≈ 0.
#[test]
fn shares_of_bands_are_given_with_own_repeatability_only_and_never_near_the_os() {
    let t = table("sogc-2020");
    let shares = |mm: f64, assumed: bool| {
        let mut m = measured(Value::Exact { signed_mm: Mm::new(mm) }, Some(mm - 4.0), Some(mm + 4.0));
        m.assumed_repeatability = assumed;
        let f = classify(&t, &m, late(), &good_scan());
        let text = explain(&f, &t).into_iter().map(|l| l.text).find(|l| l.contains("not the chance of previa at birth"));
        (f.shares.iter().map(|s| (s.band.id.clone(), s.percent)).collect::<Vec<_>>(), f.notes.contains(&Note::NoSharesNearOs), text)
    };
    let (got, near, text) = shares(19.0, false);
    assert_eq!(got, [("low-lying-11-to-20".to_owned(), 69), ("not-low".to_owned(), 31)]);
    assert!(!near && text.unwrap().starts_with("low-lying placenta, 11 to 20 mm 69 %, not low-lying 31 %: measurement error only"));
    assert_eq!(shares(19.0, true), (Vec::new(), false, None));
    assert_eq!(shares(6.0, false), (Vec::new(), true, None));
    assert_eq!(shares(-6.0, false), (Vec::new(), true, None));
    assert_eq!(shares(-30.0, false).0, [("previa".to_owned(), 100)]);
}

#[test]
fn what_is_not_a_good_transvaginal_scan_is_never_classified() {
    type Change = fn(&mut ExamContext, &mut Measurement);
    let changes: [(Change, &str); 8] = [
        (|c, _| c.route = Route::Unknown, "state whether the frames are transvaginal"),
        (|c, _| c.route = Route::Transabdominal, "transabdominal frame is not classified as a transvaginal finding"),
        (|c, _| c.route = Route::Translabial, "translabial frame is not classified"),
        (|c, _| c.bladder = Bladder::Full, "empty bladder"),
        (|c, _| c.contraction = Contraction::Present, "contraction"),
        (|_, m| m.side_check = SideCheck::Disagrees, "contradicts the stated side"),
        (|_, m| m.value = Value::Exact { signed_mm: Mm::new(f64::NAN) }, "not a number"),
        (|_, m| m.interval.high_mm = Some(Mm::new(f64::NAN)), "not a number"),
    ];
    for t in guideline::tables().unwrap() {
        assert!(classify(&t, &exact(14.0), late(), &good_scan()).applies());
        for (change, words) in &changes {
            let (mut c, mut m) = (good_scan(), exact(14.0));
            change(&mut c, &mut m);
            let f = classify(&t, &m, late(), &c);
            assert!(!f.applies() && f.nominal_kind().is_none(), "{words}");
            assert!(headline(&f).contains(words), "{}", headline(&f));
            assert!(explain(&f, &t).iter().any(|l| l.text.contains(words)), "{words}");
        }
        let f = classify(&t, &exact(14.0), None, &good_scan());
        assert_eq!(f.outcome, Outcome::NotApplicable { reasons: vec![Reason::AgeUnknown] });
    }
    // All reasons at once.
    let c = ExamContext { route: Route::Transabdominal, bladder: Bladder::Full, ..ExamContext::default() };
    let f = classify(&table("rcog-2018"), &exact(14.0), None, &c);
    assert!(matches!(&f.outcome, Outcome::NotApplicable { reasons } if reasons.len() == 3), "{f:?}");
}

#[test]
fn a_stated_reach_is_treated_as_previa_and_its_centre_distance_decides_nothing() {
    for centre in [0.0, 3.0, 12.0] {
        let m = measured(Value::Reaches { centre_distance_mm: Mm::new(centre) }, Some(-centre - 4.0), Some(centre + 4.0));
        for t in guideline::tables().unwrap() {
            let f = classify(&t, &m, late(), &good_scan());
            assert!(
                headline(&f).starts_with("Reaches or partly covers the os: treat as previa until a clinician decides"),
                "{}",
                headline(&f)
            );
            assert_eq!(f.nominal_kind(), Some(BandKind::Reaching));
        }
    }
}

#[test]
fn one_sided_values_say_what_is_determined_and_what_is_not() {
    let t = table("rcog-2018");
    let overlap = measured(Value::OverlapAtLeast { mm: Mm::new(15.0) }, None, Some(-11.0));
    let f = classify(&t, &overlap, late(), &good_scan());
    assert_eq!(headline(&f), "Placenta praevia");
    assert!(f.notes.contains(&Note::OverlapExtentUnknown));
    // An overlap whose error reaches across the os.
    let f = classify(&t, &measured(Value::OverlapAtLeast { mm: Mm::new(2.0) }, None, Some(2.0)), late(), &good_scan());
    assert!(matches!(&f.outcome, Outcome::Straddles { also, .. } if also.len() == 2), "{f:?}");
    let f = classify(&t, &measured(Value::OverlapAtLeast { mm: Mm::new(0.0) }, None, Some(4.0)), late(), &good_scan());
    assert!(matches!(&f.outcome, Outcome::Reaches { .. }), "{f:?}");

    // One plane without placenta, however far, is never the normal band.
    for (mm, possible, also) in [(30.0, 1, 0), (22.0, 1, 1), (20.0, 1, 1), (12.0, 2, 0), (0.0, 3, 1)] {
        let m = measured(Value::NoPlacentaWithin { mm: Mm::new(mm) }, Some(mm - 4.0), None);
        let f = classify(&t, &m, late(), &good_scan());
        match &f.outcome {
            Outcome::NoPlacentaWithin { possible: p, also: a } => assert_eq!((p.len(), a.len()), (possible, also), "{mm}: {f:?}"),
            other => panic!("{mm}: {other:?}"),
        }
        assert_eq!(f.nominal_kind(), None);
        assert!(f.notes.contains(&Note::OnePlaneProvesNothing));
        assert!(headline(&f).starts_with("Not determined by one plane"), "{}", headline(&f));
    }
}

#[test]
fn exactly_twenty_prints_every_reading_and_nothing_else_does() {
    let all = guideline::tables().unwrap();
    let note = boundary_note(20.0, &all).unwrap();
    for part in [
        "At exactly 20 mm",
        "US consensus (Fetal Imaging Workshop) 2014: not low-lying",
        "27a 2018: not low-lying",
        "No. 402 2020: low-lying placenta, 11 to 20 mm",
    ] {
        assert!(note.contains(part), "{part} is not in {note}");
    }
    for mm in [20f64.next_down(), 20f64.next_up(), 0.0, -0.0, 10.0, 14.0, -3.0, f64::NAN] {
        assert_eq!(boundary_note(mm, &all), None, "{mm}");
    }
}

#[test]
fn printed_digits_stay_in_the_band_of_the_value() {
    let print = |id: &str, mm: f64| {
        let t = table(id);
        digits_that_keep(mm, |p| t.same_band(mm, p))
    };
    for (id, mm, want) in [
        ("rcog-2018", 19.96, "19.96"),
        ("sogc-2020", 19.96, "20"),
        ("sogc-2020", 20.04, "20.04"),
        ("rcog-2018", 20.04, "20"),
        ("rcog-2018", 14.2, "14"),
        ("rcog-2018", 0.4, "0.4"),
        ("sogc-2020", 10.4, "10.4"),
        ("sogc-2020", 9.6, "10"),
    ] {
        assert_eq!(print(id, mm), want, "{id} {mm}");
    }
    assert!(!table("rcog-2018").same_band(f64::NAN, f64::NAN));
}

#[test]
fn every_number_of_an_explanation_has_a_source() {
    for t in guideline::tables().unwrap() {
        for mm in [-8.0, 0.0, 6.0, 14.0, 20.0, 31.0] {
            let m = measured(Value::Exact { signed_mm: Mm::new(mm) }, Some(mm - 4.0), Some(mm + 4.0));
            let f = classify(&t, &m, Some(GestationalAge::weeks_and_days(20, 0)), &good_scan());
            let lines = explain(&f, &t);
            assert!(lines[0].text.contains(t.name()) && lines[0].text.contains(t.edition()));
            assert!(lines.iter().all(|l| !l.source.text.is_empty()), "{lines:?}");
            let text = headline(&f) + &lines.iter().map(|l| l.text.as_str()).collect::<String>();
            assert!(!text.to_lowercase().contains("clear"), "{text}");
            assert!(!text.replace("95 %", "").contains('%'), "no chances are printed: {text}");
        }
    }
    // A figure that nobody read in its source never looks read.
    let t = table("sogc-2020");
    let f = classify(&t, &exact(14.0), late(), &good_scan());
    let line = explain(&f, &t).into_iter().find(|l| l.text.contains("to 20 mm")).unwrap();
    assert!(line.source.to_string().contains("from memory"), "{}", line.source);
}

#[test]
fn a_finding_survives_its_file_form() {
    for t in guideline::tables().unwrap() {
        for m in [
            exact(14.0),
            measured(Value::Exact { signed_mm: Mm::new(19.0) }, Some(15.0), Some(23.0)),
            measured(Value::NoPlacentaWithin { mm: Mm::new(22.0) }, Some(18.0), None),
            measured(Value::Reaches { centre_distance_mm: Mm::new(2.0) }, Some(-6.0), Some(6.0)),
        ] {
            for c in [good_scan(), ExamContext::default()] {
                let f = classify(&t, &m, Some(GestationalAge::weeks_and_days(17, 0)), &c);
                let text = serde_json::to_string(&f).unwrap();
                assert_eq!(serde_json::from_str::<guideline::Finding>(&text).unwrap(), f, "{text}");
                assert_eq!(f.table.digest, t.digest());
            }
        }
    }
}

fn date(text: &str) -> Date {
    text.parse().unwrap()
}

#[test]
fn gestational_ages_by_calendar_dates() {
    let ages = ages();
    for (due, exam, want) in &ages.due {
        assert_eq!(gestational_age(Dating::DueDate(date(due)), date(exam)).unwrap().to_string(), *want, "{due} {exam}");
    }
    for (period, exam, want) in &ages.last_period {
        assert_eq!(gestational_age(Dating::LastPeriod(date(period)), date(exam)).unwrap().to_string(), *want, "{period} {exam}");
    }
    for (period, exam) in &ages.refused_last_period {
        let e = gestational_age(Dating::LastPeriod(date(period)), date(exam)).unwrap_err();
        assert!(e.to_string().contains("not plausible") && e.to_string().contains(exam.as_str()), "{e}");
    }
    for date in [Date::MIN, Date::MAX] {
        for dating in [Dating::DueDate(date), Dating::LastPeriod(date)] {
            assert!(gestational_age(dating, Date::constant(2025, 8, 13)).is_err());
            assert!(gestational_age(Dating::DueDate(Date::constant(2025, 8, 13)), date).is_err());
        }
    }
}

#[test]
fn a_missing_date_is_named_and_never_assumed() {
    let exam = Some(date("2025-08-13"));
    let dating = Some(Dating::DueDate(date("2025-12-31")));
    let with = |exam_date, dating| ExamContext { exam_date, dating, ..ExamContext::default() }.gestational_age();
    assert_eq!(with(exam, dating).unwrap().to_string(), "20w0d");
    assert!(with(None, dating).unwrap_err().to_string().contains("no exam date"));
    assert!(with(exam, None).unwrap_err().to_string().contains("no due date or last period"));
    assert!(with(None, None).unwrap_err().to_string().contains("no date at all"));
}

#[test]
fn the_file_form_of_a_context_uses_plain_words_and_refuses_unknown_keys() {
    let text = r#"
        exam-date = "2025-08-13"
        dating = { due-date = "2025-12-31" }
        route = "transvaginal"
        bladder = "empty"
        bleeding = "earlier"
        previous-caesareans = 2
        doppler-over-os = "not-done"
    "#;
    let c: ExamContext = toml::from_str(text).unwrap();
    assert_eq!(c.gestational_age().unwrap().to_string(), "20w0d");
    assert_eq!((c.previous_caesareans, c.bleeding.words(), c.contraction.words()), (Some(2), "earlier", "unknown"));
    let json = serde_json::to_string(&c).unwrap();
    assert_eq!(serde_json::from_str::<ExamContext>(&json).unwrap(), c);
    let e = toml::from_str::<ExamContext>(&format!("{text}\nbladdr = \"full\"")).unwrap_err().to_string();
    assert!(e.contains("bladdr"), "{e}");
    assert_eq!(toml::from_str::<ExamContext>("").unwrap(), ExamContext::default());
}
