//! Each caution shown firing and not firing.

use osspan::cautions::{CautionId as Id, Facts, Scale, cautions};
use osspan::context::{
    AccretaSign, Answer, Bladder, Bleeding, Contraction, DopplerOverOs, ExamContext, GestationalAge, PlacentalPosition as Place, Route,
};
use osspan::estimate::Interval;
use osspan::guideline::{classify, table};
use osspan::measure::{Measurement, Side, Value};
use osspan::units::Mm;

use crate::invented::measurement;

/// One exam, changed by each case.
#[derive(Clone)]
struct Exam {
    context: ExamContext,
    age: Option<GestationalAge>,
    scale: Scale,
    stated: Option<Side>,
    measurement: Option<Measurement>,
    table: Option<&'static str>,
}

/// A measurement with an interval of ± 4 mm.
fn measured(value: Value, side: Side) -> Option<Measurement> {
    let (low, high) = match value {
        Value::Exact { signed_mm } => (Some(signed_mm.get() - 4.0), Some(signed_mm.get() + 4.0)),
        Value::Reaches { .. } => (Some(-5.0), Some(5.0)),
        Value::OverlapAtLeast { mm } => (None, Some(4.0 - mm.get())),
        Value::NoPlacentaWithin { mm } => (Some(mm.get() - 4.0), None),
    };
    Some(measurement(value, side, (low, high), 2.0, false))
}

fn at(mm: f64) -> Option<Measurement> {
    measured(Value::Exact { signed_mm: Mm::new(mm) }, if mm < 0.0 { Side::Covers } else { Side::NotCovering })
}

/// Everything stated, nothing wrong, edge 45 mm away at 34 weeks: as few cautions as there can be.
fn quiet() -> Exam {
    Exam {
        context: ExamContext {
            route: Route::Transvaginal,
            bladder: Bladder::Empty,
            contraction: Contraction::Absent,
            bleeding: Bleeding::None,
            pain_or_contractions: Answer::No,
            placental_position: Place::Posterior,
            previous_caesareans: Some(0),
            other_uterine_surgery: Answer::No,
            doppler_over_os: DopplerOverOs::DoneNoVessel,
            earlier_low_placenta: Answer::No,
            ..ExamContext::default()
        },
        age: Some(GestationalAge::weeks_and_days(34, 0)),
        scale: Scale::Checked,
        stated: None,
        measurement: at(45.0),
        table: Some("rcog-2018"),
    }
}

fn run(exam: &Exam) -> Vec<(Id, String)> {
    let t = exam.table.map(|id| table(id).unwrap());
    let finding = t.as_ref().zip(exam.measurement.as_ref()).map(|(t, m)| classify(t, m, exam.age, &exam.context));
    let facts = Facts {
        context: &exam.context,
        age: exam.age,
        scale: exam.scale,
        stated_side: exam.stated,
        measurement: exam.measurement.as_ref(),
        finding: finding.as_ref(),
    };
    let out = cautions(&facts);
    assert_eq!(out.last().map(|c| c.id), Some(Id::Closing));
    for c in &out {
        assert!(!c.text.to_lowercase().contains("clear"), "{}", c.text);
    }
    out.into_iter().map(|c| (c.id, c.text)).collect()
}

#[test]
fn a_quiet_exam_has_only_what_is_always_said() {
    let ids: Vec<Id> = run(&quiet()).into_iter().map(|c| c.0).collect();
    assert_eq!(ids, [Id::TwoDimensional, Id::ReassuringDistance, Id::Closing]);
}

#[test]
fn each_caution_fires_and_does_not_fire() {
    type Change = fn(&mut Exam);
    // Caution, a change of the quiet exam, whether it fires, words that it must then hold.
    let cases: &[(Id, Change, bool, &str)] = &[
        (Id::BleedingOrPain, |e| e.context.bleeding = Bleeding::Now, true, "overrides any distance"),
        (
            Id::BleedingOrPain,
            |e| e.context.pain_or_contractions = Answer::Yes,
            true,
            "No digital vaginal examination until previa has been excluded",
        ),
        (Id::BleedingOrPain, |e| e.context.bleeding = Bleeding::Earlier, false, ""),
        (Id::BleedingOrPain, |_| (), false, ""),
        (Id::VesselSeen, |e| e.context.doppler_over_os = DopplerOverOs::DoneVesselSeen, true, "now"),
        (Id::VesselSeen, |_| (), false, ""),
        (Id::VesselSeen, |e| e.context.vessel_to_os_mm = Some(Mm::new(50.0)), true, "possible vasa previa"),
        (Id::VesselSeen, |e| e.context.vessel_to_os_mm = Some(Mm::new(50.1)), false, ""),
        (Id::AccretaSigns, |e| e.context.accreta_signs = vec![AccretaSign::PlacentalBulge], true, "(placental bulge): refer"),
        (Id::AccretaSigns, |e| e.context.accreta_assessed = Answer::Yes, false, ""),
        (Id::NoDigitalExamination, |e| e.measurement = at(-3.0), true, "not excluded"),
        (Id::NoDigitalExamination, |e| e.measurement = at(3.0), true, "not excluded"),
        (Id::NoDigitalExamination, |e| e.measurement = None, true, "not excluded"),
        (Id::NoDigitalExamination, |e| e.context.route = Route::Transabdominal, true, "not excluded"),
        (Id::NoDigitalExamination, |e| e.table = None, true, "not excluded"),
        (
            Id::NoDigitalExamination,
            |e| e.measurement = measured(Value::NoPlacentaWithin { mm: Mm::new(30.0) }, Side::NotCovering),
            true,
            "",
        ),
        (Id::NoDigitalExamination, |e| e.measurement = at(12.0), false, ""),
        (Id::CoversOrReaches, |e| e.measurement = at(-3.0), true, "OVERLAPS"),
        (Id::CoversOrReaches, |e| e.measurement = measured(Value::OverlapAtLeast { mm: Mm::new(9.0) }, Side::Covers), true, "OVERLAPS"),
        (
            Id::CoversOrReaches,
            |e| e.measurement = measured(Value::Reaches { centre_distance_mm: Mm::new(9.0) }, Side::Reaches),
            true,
            "REACHES",
        ),
        (Id::CoversOrReaches, |e| e.measurement = at(0.0), true, "REACHES"),
        (Id::CoversOrReaches, |e| e.measurement = at(3.0), true, "may reach or overlap"),
        (Id::CoversOrReaches, |e| (e.measurement, e.stated) = (None, Some(Side::Covers)), true, "OVERLAPS"),
        (Id::CoversOrReaches, |e| (e.measurement, e.stated) = (None, Some(Side::NotCovering)), false, ""),
        (Id::CoversOrReaches, |e| e.measurement = at(4.1), false, ""),
        (
            Id::LookForAccreta,
            |e| (e.context.previous_caesareans, e.measurement, e.context.placental_position) = (Some(2), at(-9.0), Place::Anterior),
            true,
            "2 PRIOR caesareans (one now would be number 3)",
        ),
        (
            Id::LookForAccreta,
            |e| (e.context.previous_caesareans, e.measurement) = (Some(1), at(12.0)),
            true,
            "posterior placenta is not safe either",
        ),
        (
            Id::LookForAccreta,
            |e| (e.context.other_uterine_surgery, e.measurement) = (Answer::Yes, at(12.0)),
            true,
            "No signs does not exclude it",
        ),
        (
            Id::LookForAccreta,
            |e| (e.context.previous_caesareans, e.measurement, e.scale, e.stated) = (Some(1), None, Scale::Missing, Some(Side::Covers)),
            true,
            "1 PRIOR caesarean (one now would be number 2)",
        ),
        (Id::LookForAccreta, |e| (e.context.previous_caesareans, e.measurement) = (Some(255), at(12.0)), true, "number 256"),
        (Id::LookForAccreta, |e| e.context.previous_caesareans = Some(2), false, ""),
        (Id::LookForAccreta, |e| e.measurement = at(-9.0), false, ""),
        (
            Id::VasaPreviaDoppler,
            |e| (e.context.doppler_over_os, e.measurement) = (DopplerOverOs::NotDone, at(12.0)),
            true,
            "belongs to this visit",
        ),
        (
            Id::VasaPreviaDoppler,
            |e| (e.context.doppler_over_os, e.measurement) = (DopplerOverOs::Unknown, at(22.0)),
            true,
            "not documented",
        ),
        (
            Id::VasaPreviaDoppler,
            |e| (e.context.doppler_over_os, e.context.earlier_low_placenta) = (DopplerOverOs::Unknown, Answer::Yes),
            true,
            "earlier in this pregnancy",
        ),
        (Id::VasaPreviaDoppler, |e| (e.context.earlier_low_placenta, e.measurement) = (Answer::Yes, at(12.0)), false, ""),
        (Id::VasaPreviaDoppler, |e| e.context.doppler_over_os = DopplerOverOs::NotDone, false, ""),
        (Id::ScaleMissing, |e| (e.scale, e.measurement) = (Scale::Missing, None), true, "NOT reported"),
        (Id::ScaleMissing, |e| e.scale = Scale::Unchecked, false, ""),
        (Id::ScaleUnchecked, |e| e.scale = Scale::Unchecked, true, "phantom"),
        (Id::ScaleUnchecked, |_| (), false, ""),
        (Id::ScaleDoubtful, |e| e.scale = Scale::Doubtful, true, "beyond tolerance"),
        (Id::ScaleDoubtful, |_| (), false, ""),
        (Id::ScaleByHand, |e| e.scale = Scale::ByHand, true, "set by hand"),
        (Id::ScaleByHand, |_| (), false, ""),
        (Id::Route, |e| e.context.route = Route::Transabdominal, true, "repeat transvaginally"),
        (Id::Route, |e| e.context.route = Route::Unknown, true, "not stated"),
        (Id::Route, |_| (), false, ""),
        (Id::Bladder, |e| e.context.bladder = Bladder::Full, true, "empty bladder"),
        (Id::Bladder, |e| e.context.bladder = Bladder::Unknown, true, "not stated"),
        (Id::Bladder, |_| (), false, ""),
        (Id::Contraction, |e| e.context.contraction = Contraction::Present, true, "20 to 60 minutes"),
        (Id::Contraction, |e| e.context.contraction = Contraction::Unknown, true, "not stated"),
        (Id::Contraction, |_| (), false, ""),
        (Id::AgeUnknown, |e| e.age = None, true, "22w0d"),
        (Id::AgeUnknown, |_| (), false, ""),
        (Id::AgeProvisional, |e| e.age = Some(GestationalAge::weeks_and_days(31, 6)), true, "At 31w6d"),
        (Id::AgeProvisional, |e| e.age = Some(GestationalAge::weeks_and_days(32, 0)), false, ""),
        (Id::NearTwenty, |e| e.measurement = at(19.96), true, "under 20 mm, however it is rounded"),
        (Id::NearTwenty, |e| e.measurement = at(20.0), true, "exactly 20 mm"),
        (Id::NearTwenty, |e| e.measurement = at(20.04), true, "above 20 mm, however it is rounded"),
        (Id::NearTwenty, |e| e.measurement = at(14.9), false, ""),
        (Id::NearTwenty, |e| e.measurement = at(25.1), false, ""),
        (
            Id::NearTwenty,
            |e| {
                e.measurement = at(30.0).map(|m| Measurement { interval: Interval { low_mm: Some(Mm::new(19.0)), ..m.interval }, ..m });
            },
            true,
            "above 20 mm",
        ),
        (Id::TwoDimensional, |e| e.context.placental_position = Place::Lateral, true, "over-reads most"),
        (Id::TwoDimensional, |e| e.context.placental_position = Place::Unknown, true, "position is not stated"),
        (Id::TwoDimensional, |e| e.measurement = at(-9.0), false, ""),
        (
            Id::Repeatability,
            |e| e.measurement = at(45.0).map(|m| Measurement { assumed_repeatability: true, ..m }),
            true,
            "not established",
        ),
        (Id::Repeatability, |_| (), false, ""),
        (Id::DeliveryWindows, |e| e.measurement = at(-9.0), true, "distance alone"),
        (Id::DeliveryWindows, |e| e.measurement = at(12.0), true, "distance alone"),
        (Id::DeliveryWindows, |_| (), false, ""),
        (Id::ReassuringDistance, |_| (), true, "never excludes haemorrhage, vasa previa or placenta accreta"),
        (Id::ReassuringDistance, |e| e.measurement = at(-9.0), false, ""),
        (Id::NotStated, |e| e.context.bleeding = Bleeding::Unknown, true, "bleeding"),
        (Id::NotStated, |e| e.context.previous_caesareans = None, true, "previous caesareans"),
        (Id::NotStated, |e| e.context.earlier_low_placenta = Answer::Unknown, true, "low earlier"),
        (Id::NotStated, |_| (), false, ""),
        (Id::Closing, |_| (), true, "does not replace, a licensed clinician's judgement and local protocol"),
        (Id::Closing, |e| e.measurement = None, true, "not a certified medical device"),
    ];
    // The closing line is always said; every other caution is shown firing and not firing.
    for id in Id::ALL {
        let shown = |fires: bool| cases.iter().any(|c| c.0 == id && c.2 == fires);
        assert!(shown(true) && (shown(false) || id == Id::Closing), "{id:?}");
        assert!(!id.source().to_string().is_empty());
    }
    for (i, (id, change, fires, words)) in cases.iter().enumerate() {
        let mut exam = quiet();
        change(&mut exam);
        let out = run(&exam);
        match (out.iter().find(|c| c.0 == *id), fires) {
            (Some((_, text)), true) => assert!(text.contains(words), "case {i}, {id:?}: {text}"),
            (None, false) => {}
            (got, _) => panic!("case {i}, {id:?} should fire: {fires}, got {got:?}"),
        }
    }
}

#[test]
fn what_is_urgent_comes_first() {
    let mut e = quiet();
    e.context = ExamContext {
        bleeding: Bleeding::Now,
        doppler_over_os: DopplerOverOs::DoneVesselSeen,
        previous_caesareans: Some(1),
        ..ExamContext::default()
    };
    e.measurement = at(-9.0);
    let ids: Vec<Id> = run(&e).into_iter().map(|c| c.0).collect();
    assert_eq!(ids[..5], [Id::BleedingOrPain, Id::VesselSeen, Id::NoDigitalExamination, Id::CoversOrReaches, Id::LookForAccreta]);
}
