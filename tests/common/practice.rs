//! Simulated trainees of known bias and spread, who take the course without a window. Shared by the tests and by
//! `tests/figures practice`.

use osspan::guideline::{Table, table};
use osspan::measure::{EdgeMark, Landmarks, Side};
use osspan::practice::Task;
use osspan::practice::competence::{RATES, charts};
use osspan::practice::{Answer, AnswerKey, Expected, LEVELS, Level, Marked, Reason, Score, Share, Spread, mark, score};
use osspan::units::{MmVec, PxPoint};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::coverage::normal_pair;

/// Trainees of each kind.
pub const TRAINEES: u64 = 200;
/// Cases that each of them answers.
pub const CASES: usize = 60;

/// What a simulated trainee does.
#[derive(Clone, Copy, Debug)]
pub struct Trainee {
    /// Mean error, mm; positive reads too far out.
    pub bias: f64,
    /// SD about it, mm.
    pub sd: f64,
    /// Share of misleading frames that are read all the same.
    pub misses: f64,
    /// Share of good frames that are rejected.
    pub rejects: f64,
}

/// The kinds that the figure shows.
pub const KINDS: [Trainee; 6] = [
    Trainee { bias: 0.0, sd: 1.0, misses: 0.05, rejects: 0.02 },
    Trainee { bias: 0.0, sd: 2.0, misses: 0.05, rejects: 0.02 },
    Trainee { bias: 1.5, sd: 2.0, misses: 0.2, rejects: 0.05 },
    Trainee { bias: -2.5, sd: 1.5, misses: 0.5, rejects: 0.1 },
    Trainee { bias: 0.0, sd: 3.5, misses: 0.5, rejects: 0.1 },
    Trainee { bias: 3.0, sd: 4.0, misses: 0.9, rejects: 0.0 },
];

pub fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    (rng.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
}

pub fn guideline() -> Table {
    table("sogc-2020").expect("a bundled table")
}

/// The answer of a trainee to a case: the edge is marked along the true axis, at the true distance with their error, and the
/// side is stated as they see it.
pub fn answer(of: &Trainee, key: &AnswerKey, os_half_mm: f64, rng: &mut ChaCha8Rng) -> Answer {
    let (z, _) = normal_pair(rng);
    let (reject, reason) = (uniform(rng), uniform(rng));
    match key.expected {
        Expected::Read if reject < of.rejects => return Answer::Reject { reason: Reason::NotSeen },
        Expected::Reject { reason: right } if reject >= of.misses => {
            return Answer::Reject { reason: if reason < 0.9 { right } else { Reason::NotSeen } };
        }
        _ => {}
    }
    let landmarks = |edge: PxPoint| Landmarks {
        internal_os: key.landmarks.internal_os,
        edge: EdgeMark::PlacentalEdge { at: edge },
        placental_body: None,
        marginal_sinus: None,
    };
    let (Some(scale), Some(truth)) = (key.scale(), key.signed_mm) else {
        return Answer::Read { landmarks: landmarks(key.landmarks.edge.at()), side: key.side };
    };
    let read = truth.get() + of.bias + of.sd * z;
    let os = key.landmarks.internal_os;
    let way = scale.step(key.landmarks.edge.at() - os);
    let k = read * truth.get().signum() / way.length().get();
    let edge = os + scale.step_back(MmVec::new(way.x * k, way.y * k));
    let side = if read.abs() <= os_half_mm {
        Side::Reaches
    } else if read < 0.0 {
        Side::Covers
    } else {
        Side::NotCovering
    };
    let (w, h) = (f64::from(key.geometry.columns), f64::from(key.geometry.rows));
    Answer::Read { landmarks: landmarks(PxPoint::new(edge.x.clamp(0.0, w), edge.y.clamp(0.0, h))), side }
}

/// Half the width of the os of a case, mm.
fn os_half(task: &Task) -> f64 {
    let [a, b] = task.truth().internal_os_lips;
    task.key().scale().map_or(2.0, |s| 0.5 * s.distance(a, b).get())
}

/// The cases of a level or, where none is named, of levels 2 to 6 in turn.
pub fn tasks(level: Option<Level>, n: usize, seed: u64) -> Vec<(AnswerKey, f64)> {
    (0..n)
        .map(|i| {
            let level = level.unwrap_or(LEVELS[1 + i % 5]);
            let task = Task::new(level, seed.wrapping_mul(1_000_003).wrapping_add(i as u64)).expect("a case");
            (task.key(), os_half(&task))
        })
        .collect()
}

/// What a trainee's answers come to, case by case.
pub fn run(of: &Trainee, tasks: &[(AnswerKey, f64)], seed: u64) -> Vec<Marked> {
    let (mut rng, table) = (rng(seed), guideline());
    tasks.iter().map(|(key, half)| mark(&answer(of, key, *half, &mut rng), key, &table).expect("an answer")).collect()
}

pub fn scored(marked: &[Marked]) -> Score {
    score(marked.iter().map(|m| (m, None)))
}

/// How often the scores hold what was put in.
#[derive(Clone, Copy, Debug, Default)]
pub struct Recovered {
    pub bias: f64,
    pub sd: f64,
    /// Shares of intervals that hold the truth, 0 to 1.
    pub bias_held: f64,
    pub sd_held: f64,
    pub rejected_held: f64,
    pub read_held: f64,
    /// Share of cases done well.
    pub well: f64,
    /// Share of trainees who are called competent within the cases.
    pub competent: f64,
}

pub fn recover(of: &Trainee, trainees: u64, seed: u64) -> Recovered {
    let mut out = Recovered::default();
    let one = 1.0 / trainees as f64;
    let spread = |s: &Spread, truth: f64| s.low.zip(s.high).is_some_and(|(l, h)| (l..=h).contains(&truth));
    let share = |s: &Share, truth: f64| s.low.zip(s.high).is_some_and(|(l, h)| (l..=h).contains(&truth));
    for t in 0..trainees {
        let seed = seed.wrapping_mul(7919).wrapping_add(t);
        let marked = run(of, &tasks(None, CASES, seed), seed);
        let s = scored(&marked);
        out.bias += one * s.bias.value.unwrap_or_default();
        out.sd += one * s.sd.value.unwrap_or_default();
        out.well += one * s.well.share().unwrap_or_default();
        let held = |yes: bool| if yes { one } else { 0.0 };
        out.bias_held += held(spread(&s.bias, of.bias));
        out.sd_held += held(spread(&s.sd, of.sd));
        out.rejected_held += held(share(&s.rejected_rightly, 1.0 - of.misses));
        out.read_held += held(share(&s.read_rightly, 1.0 - of.rejects));
        let failures: Vec<bool> = marked.iter().map(|m| !m.well).collect();
        out.competent += held(charts(&failures, &RATES).competent_at.is_some());
    }
    out
}
