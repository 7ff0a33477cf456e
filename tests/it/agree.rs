//! Agreement statistics: published worked examples, edge cases, and simulated coverage.

use osspan::agree::bland_altman::bland_altman;
use osspan::agree::bootstrap::cluster_bootstrap;
use osspan::agree::components::{Exam, LEAST_DEGREES, nested, one_way, own_repeatability, two_way};
use osspan::agree::icc::icc;
use osspan::agree::kappa::{Weights, cohen, fleiss};
use osspan::agree::planning::{degrees_for_within_sd, frames_for_icc, pairs_for_limits};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use toml::{Table, Value};

use crate::common::coverage::normal_pair;

fn reference() -> Table {
    include_str!("../reference/agreement.toml").parse().unwrap()
}

fn at<'a>(table: &'a Table, path: &str) -> &'a Value {
    let mut parts = path.split('.');
    let first = table.get(parts.next().unwrap()).unwrap();
    parts.fold(first, |v, key| v.get(key).unwrap_or_else(|| panic!("{path}")))
}

fn number(v: &Value) -> f64 {
    v.as_float().or(v.as_integer().map(|i| i as f64)).unwrap()
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(number).collect()
}

fn rows(v: &Value) -> Vec<Vec<f64>> {
    v.as_array().unwrap().iter().map(numbers).collect()
}

/// Equal to the digits that the reference gives.
fn near(found: f64, expected: f64, digits: i32) {
    assert!((found - expected).abs() <= 0.51 * 10_f64.powi(-digits), "found {found}, expected {expected}");
}

#[test]
fn peak_flow_agrees_as_published() {
    let r = reference();
    let (large, mini) = (numbers(at(&r, "peak_flow.large_1")), numbers(at(&r, "peak_flow.mini_1")));
    let pairs: Vec<_> = large.into_iter().zip(mini).collect();
    let b = bland_altman(&pairs).unwrap();
    let want = |name: &str| number(at(&r, &format!("peak_flow.first_readings.{name}.value")));
    near(b.bias.value, want("bias"), 6);
    near(b.sd.value, want("sd"), 6);
    near(b.lower_limit.value, want("lower_limit"), 6);
    near(b.upper_limit.value, want("upper_limit"), 6);
    near(b.bias.low.unwrap(), want("bias_low"), 4);
    near(b.bias.high.unwrap(), want("bias_high"), 4);
    assert!(b.few_pairs && b.assumptions.normality_p.is_none());
    // The limits' exact intervals are wider outwards than inwards, and the limits mirror each other.
    let (inner, outer) = (b.upper_limit.low.unwrap(), b.upper_limit.high.unwrap());
    assert!(outer - b.upper_limit.value > b.upper_limit.value - inner);
    near(b.lower_limit.low.unwrap() - b.bias.value, b.bias.value - outer, 9);
}

#[test]
fn repeatability_of_both_meters_is_as_published() {
    let r = reference();
    for meter in ["large", "mini"] {
        let get = |i: u32| numbers(at(&r, &format!("peak_flow.{meter}_{i}")));
        let groups: Vec<Vec<f64>> = get(1).into_iter().zip(get(2)).map(|(a, b)| vec![a, b]).collect();
        let w = one_way(&groups).unwrap().repeatability;
        let want = |name: &str| number(at(&r, &format!("peak_flow.within_subject.{meter}.{name}")));
        near(w.sd.value, want("sd"), 4);
        near(w.repeatability_coefficient.value, want("repeatability_coefficient"), 3);
        assert_eq!(w.degrees, 17.0);
    }
}

#[test]
fn the_judges_correlate_as_published() {
    let r = reference();
    let table = rows(at(&r, "judges.table"));
    let a = two_way(&table).unwrap();
    let ms = |name: &str| number(at(&r, &format!("judges.mean_squares.{name}")));
    near(a.subject.value, ms("targets"), 6);
    near(a.within.value, ms("within"), 6);
    near(a.reader.value, ms("judges"), 6);
    near(a.residual.value, ms("residual"), 6);
    let i = icc(&table).unwrap();
    for (name, found) in [
        ("icc_1_1", i.icc_1_1),
        ("icc_2_1", i.icc_2_1),
        ("icc_3_1", i.icc_3_1),
        ("icc_1_k", i.icc_1_k),
        ("icc_2_k", i.icc_2_k),
        ("icc_3_k", i.icc_3_k),
    ] {
        near(found.value, number(at(&r, &format!("judges.icc.{name}.value"))), 6);
        assert!(found.low.unwrap() < found.value && found.value < found.high.unwrap(), "{name}");
    }
}

#[test]
fn three_categories_agree_as_printed() {
    let r = reference();
    let table: Vec<Vec<u32>> =
        rows(at(&r, "three_categories.table")).into_iter().map(|r| r.into_iter().map(|v| v as u32).collect()).collect();
    let want = |name: &str| number(at(&r, &format!("three_categories.{name}")));
    let plain = cohen(&table, Weights::None).unwrap();
    near(plain.observed, want("observed"), 3);
    near(plain.expected, want("expected"), 4);
    near(plain.kappa.value, want("kappa"), 4);
    near(cohen(&table, Weights::Linear).unwrap().kappa.value, want("linear"), 4);
    near(cohen(&table, Weights::Quadratic).unwrap().kappa.value, want("quadratic"), 4);
}

#[test]
fn what_cannot_be_had_is_refused_with_a_reason() {
    assert!(bland_altman(&[(1.0, 2.0)]).is_err());
    assert!(bland_altman(&[(1.0, 2.0), (f64::NAN, 1.0)]).is_err());
    assert!(one_way(&[vec![1.0], vec![2.0]]).is_err());
    assert!(two_way(&[vec![1.0, 2.0]]).is_err());
    assert!(two_way(&[vec![1.0, 2.0], vec![1.0]]).is_err());
    assert!(icc(&[vec![1.0, 1.0], vec![1.0, 1.0]]).is_err());
    assert!(cohen(&[vec![5, 0], vec![0, 0]], Weights::None).is_err());
    assert!(cohen(&[vec![1, 2]], Weights::None).is_err());
    assert!(cohen(&[vec![0, 0], vec![0, 0]], Weights::None).is_err());
    assert!(fleiss(&[vec![2, 0], vec![1, 0]]).is_err());
    assert!(fleiss(&[vec![2, 0], vec![2, 0]]).is_err());
    assert!(nested(&[vec![vec![1.0]]]).is_err());
    assert!(pairs_for_limits(0.0, 1.0).is_err() && frames_for_icc(1.0, 2, 0.2).is_err() && degrees_for_within_sd(f64::NAN).is_err());
}

#[test]
fn without_any_difference_the_figures_say_so() {
    let b = bland_altman(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]).unwrap();
    assert_eq!((b.bias.value, b.sd.value, b.upper_limit.value), (0.0, 0.0, 0.0));
    assert_eq!((b.bias.low, b.upper_limit.high), (None, None));
    assert_eq!(b.proportional_bias.unwrap().p, 1.0);
    assert_eq!(
        cohen(&[vec![3, 0], vec![0, 4]], Weights::None).unwrap().kappa,
        osspan::agree::Estimate { value: 1.0, low: None, high: None }
    );
    let i = icc(&[vec![1.0, 1.0], vec![2.0, 2.0], vec![4.0, 4.0]]).unwrap();
    assert_eq!((i.icc_2_1.value, i.icc_2_1.low), (1.0, None));
}

fn draw(rng: &mut ChaCha8Rng) -> f64 {
    normal_pair(rng).0
}

/// Between variance 4, within 1, 20 groups of 1 to 4: the intervals hold the truth about as often as they say.
#[test]
fn intervals_of_components_hold_the_truth_that_often() {
    let mut rng = ChaCha8Rng::seed_from_u64(71);
    let (runs, mut within, mut between) = (2_000, 0, 0);
    for _ in 0..runs {
        let groups: Vec<Vec<f64>> = (0..20)
            .map(|i| {
                let centre = 2.0 * draw(&mut rng);
                (0..1 + i % 4).map(|_| centre + draw(&mut rng)).collect()
            })
            .collect();
        let a = one_way(&groups).unwrap();
        let holds = |e: &osspan::agree::Estimate, v: f64| e.low.unwrap() <= v && v <= e.high.unwrap();
        within += i32::from(holds(&a.repeatability.sd, 1.0));
        between += i32::from(holds(&a.between_variance.unwrap(), 4.0));
    }
    let share = |n: i32| f64::from(n) / f64::from(runs);
    assert!((share(within) - 0.95).abs() < 0.015, "{}", share(within));
    assert!((share(between) - 0.95).abs() < 0.02, "{}", share(between));
}

/// 12 pairs; three readers, residual SD 1, 60 frames. With biases of SD 0.2 ICC(2,1)'s interval holds the truth, with
/// biases of SD 1.5 it holds it too seldom, as `icc` says.
#[test]
fn intervals_of_limits_and_correlations_hold_the_truth_that_often() {
    let mut rng = ChaCha8Rng::seed_from_u64(72);
    let (runs, mut limit, mut correlation) = (1_500, 0, [0, 0]);
    for _ in 0..runs {
        let pairs: Vec<_> = (0..12).map(|_| (0.5 + draw(&mut rng), 0.0)).collect();
        let upper = bland_altman(&pairs).unwrap().upper_limit;
        let truth = 0.5 + 1.96;
        limit += i32::from(upper.low.unwrap() <= truth && truth <= upper.high.unwrap());
        for (held, spread) in correlation.iter_mut().zip([0.2_f64, 1.5]) {
            let bias: Vec<f64> = (0..3).map(|_| spread * draw(&mut rng)).collect();
            let table: Vec<Vec<f64>> = (0..60)
                .map(|_| {
                    let centre = 3.0 * draw(&mut rng);
                    bias.iter().map(|b| centre + b + draw(&mut rng)).collect()
                })
                .collect();
            let two = icc(&table).unwrap().icc_2_1;
            let truth = 9.0 / (9.0 + spread * spread + 1.0);
            *held += i32::from(two.low.unwrap() <= truth && truth <= two.high.unwrap());
        }
    }
    let share = |n: i32| f64::from(n) / f64::from(runs);
    assert!((share(limit) - 0.95).abs() < 0.02, "{}", share(limit));
    let [small, large] = correlation.map(share);
    assert!((small - 0.95).abs() < 0.03, "{small}");
    assert!((large - 0.81).abs() < 0.03, "{large}");
}

/// `exams` exams of `frames` frames with `repeats` readings each; placement SD 1, acquisition SD `acquisition`.
fn exams(seed: u64, exams: usize, frames: usize, repeats: usize, acquisition: f64) -> Vec<Exam> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..exams)
        .map(|_| {
            let centre = 15.0 + 8.0 * draw(&mut rng);
            (0..frames)
                .map(|_| {
                    let frame = centre + acquisition * draw(&mut rng);
                    (0..repeats).map(|_| frame + draw(&mut rng)).collect()
                })
                .collect()
        })
        .collect()
}

#[test]
fn placement_and_acquisition_are_told_apart() {
    let n = nested(&exams(3, 400, 3, 2, 1.5)).unwrap();
    near(n.placement.unwrap().sd.value, 1.0, 1);
    near(n.acquisition_variance.unwrap().value, 2.25, 0);
    near(n.total.unwrap().sd.value, (1.0_f64 + 2.25).sqrt(), 1);
    assert_eq!((n.frame_degrees, n.frames.unwrap().degrees, n.repeats.unwrap().degrees), (800.0, 800.0, 1200.0));
    // One reading of each frame: the spread between frames is the total.
    let single = nested(&exams(4, 400, 3, 1, 1.5)).unwrap();
    assert!(single.placement.is_none() && single.acquisition_variance.is_none());
    near(single.total.unwrap().sd.value, (1.0_f64 + 2.25).sqrt(), 1);
}

/// Frames 10, 12 | repeats 0: by hand. Exam 1: frames (10, 14), (11, 13): means 12, 12; within SS 8 + 2 = 10, between 0.
#[test]
fn a_negative_component_means_the_pooled_total() {
    let n = nested(&[vec![vec![10.0, 14.0], vec![11.0, 13.0]]]).unwrap();
    assert!(n.negative_acquisition && n.acquisition_variance.unwrap().value < 0.0);
    near(n.total.unwrap().sd.value, (10.0_f64 / 3.0).sqrt(), 9);
    assert_eq!(n.total.unwrap().degrees, 3.0);
}

#[test]
fn the_assumption_is_replaced_from_thirty_degrees_of_freedom_on() {
    let of = |n: usize| own_repeatability(&nested(&exams(5, n, 2, 1, 1.5)).unwrap());
    assert_eq!(LEAST_DEGREES, 30.0);
    assert!(of(29).is_err_and(|e| e.message().contains("29")));
    let own = of(30).unwrap();
    assert!(!own.assumed && own.sd_mm.get() > 1.0 && own.source.text.contains("30 degrees of freedom"));
    // Any number of repeats of single frames tells placement only.
    assert!(own_repeatability(&nested(&exams(6, 100, 1, 2, 1.5)).unwrap()).is_err());
    // Many repeats of few frames do not make up for few frames.
    assert!(own_repeatability(&nested(&exams(7, 10, 2, 10, 1.5)).unwrap()).is_err());
}

#[test]
fn resampling_patients_is_wider_than_taking_frames_for_independent() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let patients: Vec<Vec<f64>> = (0..40)
        .map(|_| {
            let own = 2.0 * draw(&mut rng);
            (0..6).map(|_| own + 0.5 * draw(&mut rng)).collect()
        })
        .collect();
    let mean = |c: &[&Vec<f64>]| {
        let n = c.iter().map(|v| v.len()).sum::<usize>();
        Some(c.iter().flat_map(|v| v.iter()).sum::<f64>() / n as f64)
    };
    let b = cluster_bootstrap(&patients, 2_000, 1, mean).unwrap();
    let half = |e: osspan::agree::Estimate| 0.5 * (e.high.unwrap() - e.low.unwrap());
    let frames: Vec<Vec<f64>> = patients.iter().flatten().map(|v| vec![*v]).collect();
    let naive = cluster_bootstrap(&frames, 2_000, 1, mean).unwrap();
    assert!(half(b.estimate) > 2.0 * half(naive.estimate));
    // 1.96·√((4 + 0.25/6)/40) = 0.62, estimated from 40 patients.
    assert!((half(b.estimate) - 0.62).abs() < 0.15, "{:?}", b.estimate);
    assert_eq!(b, cluster_bootstrap(&patients, 2_000, 1, mean).unwrap());
    assert_ne!(b.estimate, cluster_bootstrap(&patients, 2_000, 2, mean).unwrap().estimate);
    assert!(cluster_bootstrap(&patients[..1], 100, 1, mean).is_err());
    assert!(cluster_bootstrap(&patients, 100, 1, |_| None).is_err());
}

/// By hand: 3·1.96²/0.5² = 46.1; 1.96²/(2·0.1²) = 192.07; Bonett's own example (ρ .8, 3 readers, width .2) is 36 (from memory).
#[test]
fn sample_sizes_are_those_of_the_formulas() {
    assert_eq!(pairs_for_limits(1.0, 0.5).unwrap(), 47);
    assert_eq!(degrees_for_within_sd(0.1).unwrap(), 193);
    assert_eq!(frames_for_icc(0.8, 3, 0.2).unwrap(), 36);
}
