//! The edge assist on synthetic frames with known edges. Shared by the test and by `tests/figures assist`.

use osspan::assist::{Offer, Refinable, offer_for, refined};
use osspan::calibrate::{Basis, Calibration};
use osspan::frame::{Frame, FrameId, Samples};
use osspan::synth::anatomy::{Anatomy, Wall};
use osspan::synth::phantom::round_in_tissue;
use osspan::synth::{Hold, Scanner, Seed, render, truth};
use osspan::units::PxPoint;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use super::coverage::normal_pair;

/// Differences between the two tissues of a frame, dB.
pub const STEPS_DB: [f64; 8] = [0.0, 2.0, 4.0, 6.0, 9.0, 12.0, 16.0, 22.0];
/// Frames of each step.
pub const FRAMES: u32 = 64;
/// Frames with a placental edge.
pub const PLACENTAS: u32 = 40;
/// Simulated clicks on each frame, SD 1 mm in both directions.
pub const CLICKS: u32 = 12;
/// Upper ends of the bands of contrast-to-noise that are told apart; the last has none.
pub const BANDS: [f64; 8] = [0.4, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, f64::INFINITY];

const SCANNER: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x: 0.26, mm_per_px_y: 0.22 };

/// One simulated click.
#[derive(Clone, Copy, Debug)]
pub struct Click {
    /// Error of the click, mm.
    pub raw: f64,
    /// Error of the refined place, and what was said of it.
    pub refined: Option<(f64, Offer)>,
    /// Whether it was offered.
    pub offered: bool,
}

/// What many clicks come to.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    pub clicks: usize,
    /// Root mean square errors, mm.
    pub raw: f64,
    pub refined: f64,
    /// Share of refined places that are worse than their click, and by more than half a millimetre.
    pub worse: f64,
    pub much_worse: f64,
    /// Share of refined places within 1.96 of their stated SD.
    pub held: f64,
    /// Mean contrast-to-noise.
    pub contrast: f64,
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    use rand_chacha::rand_core::Rng;
    low + (high - low) * ((rng.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0)
}

fn frame(samples: Vec<u8>) -> Frame {
    let id = FrameId { sha256: String::new(), sop_instance_uid: None, frame_number: 1 };
    Frame { id, width: SCANNER.columns(), height: SCANNER.rows(), samples: Samples::Gray8(samples) }
}

fn scale() -> Calibration {
    Calibration::unchecked_header(SCANNER.mm_per_px_x, SCANNER.mm_per_px_y, Basis::HeaderRegion { region: 1 }).expect("a scale")
}

fn clicks(
    of: Refinable,
    frame: &Frame,
    rng: &mut ChaCha8Rng,
    edge: impl Fn(&mut ChaCha8Rng) -> PxPoint,
    error: impl Fn(PxPoint) -> f64,
) -> Vec<Click> {
    let scale = scale();
    (0..CLICKS)
        .map(|_| {
            let at = edge(rng);
            let (dx, dy) = normal_pair(rng);
            let mark = PxPoint::new(at.x + dx / SCANNER.mm_per_px_x, at.y + dy / SCANNER.mm_per_px_y);
            let found = refined(frame, mark, &scale);
            let offered = offer_for(of, frame, mark, &scale).is_ok();
            Click { raw: error(mark), refined: found.map(|r| (error(r.offer.at), r.offer)), offered }
        })
        .collect()
}

/// Clicks near the edge of a round of tissue, 8 to 40 mm in radius, that differs from what is around it by a step. Errors are
/// along the edge's normal, which is all that an offer changes.
pub fn round_frame(step_db: f64, seed: u64) -> Vec<Click> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let radius = between(&mut rng, 8.0, 40.0);
    // The place of the edge that is clicked near, and the direction of its normal.
    let (x, y) = (between(&mut rng, -12.0, 12.0), between(&mut rng, 22.0, 48.0));
    let (sin, cos) = between(&mut rng, 0.0, std::f64::consts::TAU).sin_cos();
    let middle = [x - radius * cos, y - radius * sin];
    let level = between(&mut rng, -34.0, -26.0);
    let (inside, outside) = if between(&mut rng, 0.0, 1.0) < 0.5 {
        (level + step_db / 2.0, level - step_db / 2.0)
    } else {
        (level - step_db / 2.0, level + step_db / 2.0)
    };
    let (samples, centre) = round_in_tissue(&SCANNER, middle, radius, inside, outside, seed).expect("a test object");
    let edge = |rng: &mut ChaCha8Rng| {
        let turn = between(rng, -2.0, 2.0) / radius;
        let (s, c) = (sin * turn.cos() + cos * turn.sin(), cos * turn.cos() - sin * turn.sin());
        PxPoint::new(centre.x + radius * c / SCANNER.mm_per_px_x, centre.y + radius * s / SCANNER.mm_per_px_y)
    };
    let error = |p: PxPoint| (((p.x - centre.x) * SCANNER.mm_per_px_x).hypot((p.y - centre.y) * SCANNER.mm_per_px_y) - radius).abs();
    clicks(Refinable::BasalPlate, &frame(samples), &mut rng, edge, error)
}

/// Clicks near the placental edge of a whole synthetic frame, a tip and no plain edge; errors in the plane.
pub fn placenta_frame(seed: u64) -> Vec<Click> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // Not every hold of the probe is possible with every anatomy: drawn again until one is.
    let (anatomy, hold, t) = (0..100)
        .find_map(|_| {
            let wall = if between(&mut rng, 0.0, 1.0) < 0.5 { Wall::Anterior } else { Wall::Posterior };
            let anatomy = Anatomy { placenta_on: wall, ..Anatomy::posterior(between(&mut rng, 5.0, 30.0)) };
            let hold = Hold {
                os_x_mm: between(&mut rng, -6.0, 6.0),
                os_y_mm: between(&mut rng, 26.0, 34.0),
                turn_degrees: between(&mut rng, -10.0, 10.0),
            };
            truth(&anatomy, &SCANNER, &hold).ok().map(|t| (anatomy, hold, t))
        })
        .expect("a possible frame");
    let samples = render(&anatomy, &SCANNER, &hold, Seed { tissue: seed, shot: 1 }).expect("a frame");
    let at = t.placental_edge;
    let error = |p: PxPoint| ((p.x - at.x) * SCANNER.mm_per_px_x).hypot((p.y - at.y) * SCANNER.mm_per_px_y);
    clicks(Refinable::PlacentalEdge, &frame(samples), &mut rng, |_| at, error)
}

/// Sums up clicks that have a refined place.
pub fn tally<'a>(clicks: impl IntoIterator<Item = &'a Click>) -> Tally {
    let all: Vec<(f64, f64, Offer)> = clicks.into_iter().filter_map(|c| c.refined.map(|(e, o)| (c.raw, e, o))).collect();
    let n = all.len().max(1) as f64;
    let mean = |f: &dyn Fn(&(f64, f64, Offer)) -> f64| all.iter().map(f).sum::<f64>() / n;
    let share = |f: &dyn Fn(&(f64, f64, Offer)) -> bool| mean(&|c| f64::from(u8::from(f(c))));
    Tally {
        clicks: all.len(),
        raw: mean(&|c| c.0 * c.0).sqrt(),
        refined: mean(&|c| c.1 * c.1).sqrt(),
        worse: share(&|c| c.1 > c.0),
        much_worse: share(&|c| c.1 > c.0 + 0.5),
        held: share(&|c| c.1 <= 1.96 * c.2.sd_mm.get()),
        contrast: mean(&|c| c.2.contrast),
    }
}

/// The seed of a frame; every frame has its own.
pub fn seed(step: usize, i: u32) -> u64 {
    9_000_000 + step as u64 * 10_000 + u64::from(i)
}
