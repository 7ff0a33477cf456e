//! Exam values: the rules by hand-made exams, and coverage over simulated ones.

use osspan::calibrate::{Basis, Calibration};
use osspan::exam::{Adequacy, ExamDistance, Excluded, Kind, Lengthening, Model, Note, OffAxis, Repeat, Summary, summarise};
use osspan::measure::{EdgeMark, Landmarks, Measurement, Repeatability, Side, SideCheck, Value, edge_to_os};
use osspan::source::{Citation, Provenance};
use osspan::units::{Mm, PxPoint};
use osspan::{ErrorKind, Result};

use crate::common::exam::{Case, DEGREES, EXAMS, FRAMES, MOST_LENGTHENING_MM, TRUTHS_MM, run, seed};

fn scale() -> Calibration {
    Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap()
}

fn marked(edge: fn(PxPoint) -> EdgeMark, side: Side, mm: f64) -> Measurement {
    let at = PxPoint::new(1000.0 + mm / 0.1, 1000.0);
    let marks = Landmarks { internal_os: PxPoint::new(1000.0, 1000.0), edge: edge(at), placental_body: None, marginal_sinus: None };
    edge_to_os(&marks, side, &scale(), &Repeatability::assumed_total()).unwrap()
}

/// Signed: positive away from the os.
fn exact(mm: f64) -> Measurement {
    let side = if mm < 0.0 { Side::Covers } else { Side::NotCovering };
    marked(|at| EdgeMark::PlacentalEdge { at }, side, mm.abs())
}

fn nothing_within(mm: f64) -> Measurement {
    marked(|at| EdgeMark::EndOfWallSeen { at }, Side::NotCovering, mm)
}

fn overlap_at_least(mm: f64) -> Measurement {
    marked(|at| EdgeMark::LastPlacentaSeen { at }, Side::Covers, mm)
}

fn reaches() -> Measurement {
    marked(|at| EdgeMark::PlacentalEdge { at }, Side::Reaches, 2.0)
}

fn of(measurements: &[Measurement], model: &Model) -> Result<Summary> {
    let repeats: Vec<_> = measurements.iter().map(|m| Repeat { measurement: m, adequacy: Adequacy::Adequate }).collect();
    summarise(&repeats, model)
}

fn plain(measurements: &[Measurement]) -> Summary {
    of(measurements, &Model::default()).unwrap()
}

fn estimate(s: &Summary) -> (f64, f64, f64, f64) {
    let ExamDistance::Estimate { signed_mm, u_reading_mm, interval, .. } = &s.exam_distance else { panic!("{:?}", s.exam_distance) };
    (signed_mm.get(), u_reading_mm.get(), interval.low_mm.unwrap().get(), interval.high_mm.unwrap().get())
}

#[test]
fn the_two_values_of_three_frames_are_mean_and_minimum() {
    let s = plain(&[exact(16.0), exact(14.0), exact(15.0)]);
    let (value, u_reading, _, _) = estimate(&s);
    assert!((value - 15.0).abs() < 1e-9);
    assert!((u_reading - 2.0 / 3.0_f64.sqrt()).abs() < 1e-12);
    let shortest = s.shortest.unwrap();
    assert_eq!((s.kind, s.decisive, shortest.frame), (Kind::NotCovering, Some(1), 1));
    assert!(matches!(shortest.value, Value::Exact { signed_mm } if (signed_mm.get() - 14.0).abs() < 1e-9));
    assert!((shortest.longest_mm.unwrap().get() - 16.0).abs() < 1e-9);
    assert!(s.overlap.is_none());
    // No model of lengthening: no lower limit, and that is said.
    assert_eq!(shortest.low_mm, None);
    assert!(s.notes.contains(&Note::NoLowerLimit));
}

/// z at 1 − 0.025/n: 1.959964, 2.241403, 2.393980, 2.575829 for n = 1, 2, 3, 5 (normal tables).
#[test]
fn the_upper_limit_of_the_shortest_seen_allows_for_all_frames_at_once() {
    for (n, z) in [(1, 1.959_963_984_5), (2, 2.241_402_727_6), (3, 2.393_979_800_0), (5, 2.575_829_303_5)] {
        let m = exact(20.0);
        let s = plain(&vec![m.clone(); n]);
        let high = s.shortest.unwrap().high_mm.unwrap().get();
        assert!((high - (20.0 + z * m.u_mm.get())).abs() < 1e-6, "{n}: {high}");
    }
}

#[test]
fn scale_error_does_not_shrink_with_the_number_of_frames() {
    let shared = |n: usize| match plain(&vec![exact(40.0); n]).exam_distance {
        ExamDistance::Estimate { u_shared_mm, u_mm, .. } => (u_shared_mm.get(), u_mm.get()),
        other => panic!("{other:?}"),
    };
    let ((one, u1), (many, u100)) = (shared(1), shared(100));
    assert!((one - many).abs() < 1e-12 && one > 0.5, "{one} {many}");
    assert!(u100 > one && u100 < u1);
}

#[test]
fn scan_to_scan_variation_does_not_shrink_either_and_its_absence_is_said() {
    let model = Model { scan_to_scan_mm: Some(Mm::new(3.0)), ..Model::default() };
    let s = of(&vec![exact(20.0); 50], &model).unwrap();
    let ExamDistance::Estimate { u_mm, .. } = s.exam_distance else { panic!() };
    assert!(u_mm.get() > 3.0);
    assert!(!s.notes.contains(&Note::ScanToScanNotIncluded));
    assert!(plain(&[exact(20.0)]).notes.contains(&Note::ScanToScanNotIncluded));
}

#[test]
fn one_covering_frame_makes_the_exam_covering_and_nothing_is_averaged() {
    let s = plain(&[exact(12.0), exact(-5.0), exact(14.0), exact(-9.0)]);
    assert_eq!(s.kind, Kind::Covering);
    assert_eq!(s.notes[0], Note::DiscordantLookAgain);
    assert!(matches!(&s.exam_distance, ExamDistance::None { reason } if reason.contains("not averaged")));
    assert!(s.shortest.is_none());
    let overlap = s.overlap.unwrap();
    assert_eq!((overlap.frame, overlap.frames, s.decisive), (1, 2, Some(1)));
    assert!((overlap.shortest_at_least_mm.get() - 5.0).abs() < 1e-9 && (overlap.longest_at_least_mm.get() - 9.0).abs() < 1e-9);
}

#[test]
fn covering_frames_alone_give_a_negative_exam_distance() {
    let s = plain(&[exact(-8.0), exact(-12.0)]);
    assert!((estimate(&s).0 + 10.0).abs() < 1e-9);
    assert!(!s.notes.contains(&Note::DiscordantLookAgain));
}

#[test]
fn a_frame_that_reaches_the_os_decides_over_those_that_do_not() {
    let s = plain(&[exact(15.0), reaches()]);
    assert_eq!((s.kind, s.decisive), (Kind::Reaches, Some(1)));
    assert!(s.notes.contains(&Note::ReachesInSomeLookAgain));
    assert!(matches!(s.exam_distance, ExamDistance::None { .. }));
    assert!(matches!(s.shortest.unwrap().value, Value::Reaches { .. }));
}

#[test]
fn an_inadequate_frame_is_left_out_visibly_even_when_it_would_decide() {
    let (a, b) = (exact(18.0), exact(-4.0));
    let repeats = [
        Repeat { measurement: &a, adequacy: Adequacy::NotStated },
        Repeat { measurement: &b, adequacy: Adequacy::Inadequate { reason: "contraction".into() } },
    ];
    let s = summarise(&repeats, &Model::default()).unwrap();
    assert_eq!((s.kind, s.counted.as_slice()), (Kind::NotCovering, [0].as_slice()));
    assert_eq!(s.excluded, [(1, Excluded::Inadequate { reason: "contraction".into() })]);
    assert!(s.notes.contains(&Note::ExcludedShowsCovering { frame: 1 }));
    assert!(s.notes.contains(&Note::AdequacyNotStated { frames: 1 }));
}

#[test]
fn a_contradicted_side_does_not_take_part() {
    let mut wrong = exact(3.0);
    wrong.side_check = SideCheck::Disagrees;
    let s = plain(&[exact(20.0), wrong]);
    assert_eq!(s.excluded, [(1, Excluded::SideContradicted)]);
    assert_eq!(s.decisive, Some(0));
}

#[test]
fn no_frame_is_an_absence_with_a_reason() {
    let s = plain(&[]);
    assert_eq!((s.kind, s.decisive), (Kind::Nothing, None));
    assert!(matches!(s.exam_distance, ExamDistance::None { .. }) && s.shortest.is_none());
}

/// What two readings of 2 mm SD may differ by: 1.96·√2·2 = 5.54 mm.
#[test]
fn a_shortest_value_that_stands_apart_asks_why() {
    let apart = |low: f64| {
        plain(&[exact(20.0), exact(low), exact(21.0)]).notes.iter().any(|n| matches!(n, Note::ShortestStandsApart { frame: 1, .. }))
    };
    assert!(apart(14.4));
    assert!(!apart(14.5));
}

#[test]
fn one_sided_values_take_part_as_such() {
    // No placenta within 30 mm says that the frame's distance is above 30, so it pulls the estimate up from 20 …
    let pulled = estimate(&plain(&[exact(20.0), nothing_within(30.0)]));
    assert!(pulled.0 > 24.0 && pulled.0 < 26.5, "{pulled:?}");
    // … and says nothing where the estimate lies above it anyway.
    let free = estimate(&plain(&[exact(20.0), nothing_within(5.0)]));
    assert!((free.0 - 20.0).abs() < 1e-6, "{free:?}");
    // It is never taken for an edge at its end, but it may hide one nearer than the shortest seen.
    let s = plain(&[exact(20.0), nothing_within(10.0)]);
    assert_eq!(s.decisive, Some(0));
    assert!(s.notes.contains(&Note::ShorterMayBeHidden { frame: 1 }));
    // Alone, each gives one limit.
    let s = plain(&[nothing_within(25.0), nothing_within(35.0)]);
    assert!(
        matches!(s.exam_distance, ExamDistance::OneSided { interval, .. } if interval.high_mm.is_none() && interval.low_mm.unwrap().get() > 28.0)
    );
    let shortest = s.shortest.unwrap();
    assert!(matches!(shortest.value, Value::NoPlacentaWithin { mm } if (mm.get() - 25.0).abs() < 1e-9));
    assert_eq!((shortest.high_mm, shortest.low_mm), (None, None));
    let s = plain(&[overlap_at_least(11.0), exact(-15.0)]);
    let overlap = s.overlap.unwrap();
    assert!((overlap.shortest_at_least_mm.get() - 11.0).abs() < 1e-9 && (overlap.shortest_at_most_mm.unwrap().get() - 15.0).abs() < 1e-9);
    let s = plain(&[overlap_at_least(11.0)]);
    assert!(
        matches!(s.exam_distance, ExamDistance::OneSided { interval, .. } if interval.low_mm.is_none() && interval.high_mm.unwrap().get() < -6.0)
    );
    assert_eq!(s.overlap.unwrap().shortest_at_most_mm, None);
}

/// The likelihood of exact 20 and "above 30", both with SD 2, peaks where (20 − D) + 2·φ/Φ((D − 30)/2) = 0 times 1/4;
/// solved here by a plain search with another form of the normal integral.
#[test]
fn the_estimate_with_a_one_sided_value_is_the_maximum_of_its_likelihood() {
    let phi = |x: f64| (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
    let cdf = |x: f64| {
        let n = 200_000;
        let (a, h) = (x - 12.0, 12.0 / f64::from(n));
        (0..n).map(|i| phi(a + (f64::from(i) + 0.5) * h) * h).sum::<f64>()
    };
    let d = estimate(&plain(&[exact(20.0), nothing_within(30.0)])).0;
    let r = (d - 30.0) / 2.0;
    let slope = (20.0 - d) / 4.0 + phi(r) / cdf(r) / 2.0;
    assert!(slope.abs() < 1e-6, "{d}: {slope}");
}

#[test]
fn a_stated_model_of_lengthening_gives_the_lower_limit() {
    let model = Model {
        off_axis: Some(OffAxis {
            mean_mm: Mm::new(2.0),
            sd_mm: Mm::new(1.0),
            most_mm: Mm::new(4.0),
            source: Citation::fixed("of this test", Provenance::OwnAssumption),
        }),
        ..Model::default()
    };
    let s = of(&[exact(20.0), exact(22.0)], &model).unwrap();
    assert!((estimate(&s).0 - 19.0).abs() < 1e-9);
    assert!(matches!(s.exam_distance, ExamDistance::Estimate { lengthening: Lengthening::Removed, .. }));
    let u = exact(22.0).u_mm.get();
    let low = s.shortest.unwrap().low_mm.unwrap().get();
    assert!((low - (22.0 - 2.241_402_727_6 * u - 4.0)).abs() < 1e-6, "{low}");
}

#[test]
fn near_the_os_the_interval_takes_in_the_other_side_however_many_frames_agree() {
    let (_, _, low, _) = estimate(&plain(&vec![exact(3.0); 20]));
    assert!(low < 0.0, "{low}");
    assert!(estimate(&plain(&vec![exact(20.0); 20])).2 > 18.0);
}

#[test]
fn impossible_models_are_refused() {
    let bad = |model: Model| of(&[exact(10.0)], &model).is_err_and(|e| e.kind() == ErrorKind::Invalid);
    assert!(bad(Model { scan_to_scan_mm: Some(Mm::new(-1.0)), ..Model::default() }));
    assert!(bad(Model { degrees_of_freedom: Some(0.0), ..Model::default() }));
    let mut unsure = exact(10.0);
    unsure.terms.clear();
    assert!(of(&[unsure], &Model::default()).is_err());
}

/// Known SDs: 95 ± 1 %, three standard errors of 20 000 exams (0.46 %) allowed on each bound. The upper limit of the
/// shortest seen holds in at least 97.5 % whatever the lengthening is.
#[test]
fn simulated_exams_hold_the_truth_as_often_as_stated() {
    const NOISE: f64 = 0.0046;
    let mut faults = Vec::new();
    for truth in TRUTHS_MM {
        for frames in FRAMES {
            for degrees in DEGREES.into_iter().filter(|d| d.is_none_or(|d| d >= 10.0)) {
                let case = Case { truth, frames, lengthening: 0.0, told: false, degrees };
                let got = run(case, EXAMS, seed(case));
                if !(0.94 - NOISE..=0.96 + NOISE).contains(&got.exam_interval_holds) {
                    faults.push(format!("{case:?}: exam interval {:.1} %", 100.0 * got.exam_interval_holds));
                }
                if truth > 0.0 && got.upper_limit_holds < 0.975 - NOISE {
                    faults.push(format!("{case:?}: upper limit {:.1} %", 100.0 * got.upper_limit_holds));
                }
            }
        }
    }
    for frames in FRAMES {
        let case = Case { truth: 20.0, frames, lengthening: MOST_LENGTHENING_MM, told: true, degrees: None };
        let got = run(case, EXAMS, seed(case));
        if !(0.94 - NOISE..=0.96 + NOISE).contains(&got.exam_interval_holds)
            || got.both_limits_hold < 0.95 - NOISE
            || got.upper_limit_holds < 0.975 - NOISE
        {
            faults.push(format!("{case:?}: {got:?}"));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Least of n normal readings: −0.564, −0.846, −1.163 SD for n = 2, 3, 5 (order statistics, from tables).
#[test]
fn the_shortest_of_several_is_biased_low_by_reading_error() {
    for (frames, by) in [(2, -0.5642), (3, -0.8463), (5, -1.1630)] {
        let case = Case { truth: 40.0, frames, lengthening: 0.0, told: false, degrees: None };
        let got = run(case, EXAMS, seed(case));
        // The common 2 mm along the line; its own bias of a length across the line is +0.05 mm.
        assert!((got.shortest_bias - 2.0 * by - 0.05).abs() < 0.05, "{frames}: {}", got.shortest_bias);
    }
}
