//! Simulated exams: how often the exam distance's interval and the limits of the shortest seen hold the true distance.
//! Shared by the test and by `tests/figures exam`.

use osspan::calibrate::{Basis, Calibration, U_HEADER_X, U_SOUND_SPEED};
use osspan::exam::{Adequacy, ExamDistance, Model, OffAxis, Repeat, summarise};
use osspan::measure::{EdgeMark, Landmarks, Measurement, Repeatability, Side, edge_to_os};
use osspan::source::{Citation, Provenance};
use osspan::units::{Mm, PxPoint};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use super::coverage::normal_pair;

pub const EXAMS: u32 = 20_000;
pub const FRAMES: [usize; 4] = [1, 2, 3, 5];
pub const TRUTHS_MM: [f64; 4] = [-10.0, 10.0, 20.0, 40.0];
/// Planes lengthen evenly by 0 to this, where they do.
pub const MOST_LENGTHENING_MM: f64 = 4.0;
/// How the SD in use is known: exactly, or from this many degrees of freedom.
pub const DEGREES: [Option<f64>; 4] = [None, Some(30.0), Some(10.0), Some(5.0)];

/// One simulated case.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    pub truth: f64,
    pub frames: usize,
    /// Planes lengthen evenly by 0 to this, mm.
    pub lengthening: f64,
    /// Whether the summary is told of it.
    pub told: bool,
    /// Degrees of freedom of the SD in use; known when none.
    pub degrees: Option<f64>,
}

/// What came of it; shares from 0 to 1, mm.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outcome {
    pub exam_interval_holds: f64,
    pub exam_bias: f64,
    pub upper_limit_holds: f64,
    pub both_limits_hold: f64,
    pub shortest_bias: f64,
    /// Share of exams in which the shortest value was said to stand apart.
    pub stands_apart: f64,
}

fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    use rand_chacha::rand_core::Rng;
    (rng.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
}

/// Runs `n` exams of a case. Marks have the assumed SD in both directions; scale and speed of sound are drawn once an exam.
pub fn run(case: Case, n: u32, seed: u64) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let stated = 0.1;
    let scale = Calibration::unchecked_header(stated, stated, Basis::HeaderRegion { region: 1 }).expect("a scale");
    let known = Repeatability::assumed_total();
    let sd = known.sd_mm.get();
    let half = case.lengthening / 2.0;
    let model = Model {
        off_axis: case.told.then(|| OffAxis {
            mean_mm: Mm::new(half),
            sd_mm: Mm::new(half / 3.0_f64.sqrt()),
            most_mm: Mm::new(case.lengthening),
            source: Citation::fixed("of this simulation", Provenance::OwnAssumption),
        }),
        degrees_of_freedom: case.degrees,
        ..Model::default()
    };
    let mut sum = Outcome::default();
    for _ in 0..n {
        let in_use = match case.degrees {
            None => sd,
            Some(df) => sd * ((0..df as usize).map(|_| normal_pair(&mut rng).0.powi(2)).sum::<f64>() / df).sqrt(),
        };
        let repeatability = Repeatability { sd_mm: Mm::new(in_use), ..known.clone() };
        let ((sx, _), (sound, _)) = (normal_pair(&mut rng), normal_pair(&mut rng));
        let stretch = 1.0 + U_HEADER_X * sx + U_SOUND_SPEED * sound;
        let frames: Vec<Measurement> = (0..case.frames)
            .map(|_| {
                let (a, b) = normal_pair(&mut rng);
                let long = case.truth.abs() + case.lengthening * uniform(&mut rng);
                let (x, y) = (long * stretch + sd * a, sd * b);
                let marks = Landmarks {
                    internal_os: PxPoint::new(2000.0, 2000.0),
                    edge: EdgeMark::PlacentalEdge { at: PxPoint::new(2000.0 + x / stated, 2000.0 + y / stated) },
                    placental_body: None,
                    marginal_sinus: None,
                };
                let side = if case.truth < 0.0 { Side::Covers } else { Side::NotCovering };
                edge_to_os(&marks, side, &scale, &repeatability).expect("a distance")
            })
            .collect();
        let repeats: Vec<Repeat<'_>> = frames.iter().map(|m| Repeat { measurement: m, adequacy: Adequacy::Adequate }).collect();
        let summary = summarise(&repeats, &model).expect("a summary");
        let truth = Mm::new(case.truth);
        if let ExamDistance::Estimate { signed_mm, interval, .. } = &summary.exam_distance {
            sum.exam_interval_holds += f64::from(u8::from(interval.contains(truth)));
            sum.exam_bias += signed_mm.get() - case.truth;
        }
        if let Some(s) = &summary.shortest {
            let osspan::measure::Value::Exact { signed_mm } = s.value else { continue };
            sum.shortest_bias += signed_mm.get() - case.truth;
            sum.upper_limit_holds += f64::from(u8::from(s.high_mm.is_some_and(|h| truth <= h)));
            sum.both_limits_hold += f64::from(u8::from(s.interval().contains(truth)));
        }
        sum.stands_apart += f64::from(u8::from(summary.notes.iter().any(|n| matches!(n, osspan::exam::Note::ShortestStandsApart { .. }))));
    }
    let n = f64::from(n);
    Outcome {
        exam_interval_holds: sum.exam_interval_holds / n,
        exam_bias: sum.exam_bias / n,
        upper_limit_holds: sum.upper_limit_holds / n,
        both_limits_hold: sum.both_limits_hold / n,
        shortest_bias: sum.shortest_bias / n,
        stands_apart: sum.stands_apart / n,
    }
}

/// The seed of a case; every case has its own.
pub fn seed(case: Case) -> u64 {
    let degrees = case.degrees.unwrap_or(0.0) as u64;
    500_000
        + (case.truth + 100.0) as u64 * 1_000
        + case.frames as u64 * 100
        + case.lengthening as u64 * 10
        + degrees
        + u64::from(case.told) * 7_000_000
}
