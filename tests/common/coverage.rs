//! Simulated readings: how often the 95 % interval holds the true distance. Shared by the test and by `tests/figures coverage`.

use osspan::calibrate::{Basis, Calibration, U_HEADER_X, U_HEADER_Y, U_SOUND_SPEED};
use osspan::measure::{EdgeMark, Landmarks, Repeatability, Side, edge_to_os};
use osspan::units::{Mm, PxPoint};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// How the simulated reader comes to know the side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SideFrom {
    /// The statement is right whatever the marks are; no body point.
    TissueSeen,
    /// The statement follows the marked points, so it is wrong whenever the mark fell across the os; no body point.
    MarkedPoints,
    /// As before, with a body point 12 mm into the placenta.
    BodyPoint,
}

pub const SIDES: [(SideFrom, &str); 3] = [
    (SideFrom::TissueSeen, "stated from the tissue"),
    (SideFrom::MarkedPoints, "stated from the marks"),
    (SideFrom::BodyPoint, "with a body point"),
];
pub const DISTANCES_MM: [f64; 9] = [-10.0, 0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 20.0, 40.0];
pub const ANGLES_DEGREES: [f64; 3] = [0.0, 30.0, 60.0];
pub const READINGS: u32 = 20_000;

/// The seed of the case at these places of [`DISTANCES_MM`], [`ANGLES_DEGREES`] and [`SIDES`].
pub const fn seed(distance: usize, angle: usize, side: usize) -> u64 {
    1_000 + (distance * 9 + angle * 3 + side) as u64
}

/// Two independent standard normal numbers (Box–Muller on 53-bit uniforms).
pub fn normal_pair(rng: &mut ChaCha8Rng) -> (f64, f64) {
    let mut uniform = || ((rng.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0;
    let (r, t) = ((-2.0 * libm::log(uniform())).sqrt(), 2.0 * std::f64::consts::PI * uniform());
    (r * libm::cos(t), r * libm::sin(t))
}

/// Share of `n` simulated readings whose interval holds the truth.
///
/// The placental axis points to the right. A true edge at `truth` mm lies `degrees` off that axis (beyond the os on the
/// other side when it overlaps). Marks, the two axis scales and the speed of sound are drawn from the error model.
pub fn coverage(truth: f64, degrees: f64, from: SideFrom, n: u32, seed: u64) -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let stated_scale = 0.1;
    let scale = Calibration::unchecked_header(stated_scale, stated_scale, Basis::HeaderRegion { region: 1 }).expect("a scale");
    let repeatability = Repeatability::assumed_total();
    let sd = repeatability.sd_mm.get();
    let (c, s) = (degrees.to_radians().cos(), degrees.to_radians().sin());
    let held = (0..n)
        .filter(|_| {
            let (a, b) = normal_pair(&mut rng);
            let (sx, sy) = normal_pair(&mut rng);
            let (sound, body_noise) = normal_pair(&mut rng);
            // What the picture shows, in the millimetres that the stated scale makes of it.
            let stretch_x = 1.0 + U_HEADER_X * sx + U_SOUND_SPEED * sound;
            let stretch_y = 1.0 + U_HEADER_Y * sy + U_SOUND_SPEED * sound;
            let marked = (truth * c * stretch_x + sd * a, truth * s * stretch_y + sd * b);
            let side = match (from, truth) {
                (SideFrom::TissueSeen, t) if t < 0.0 => Side::Covers,
                (SideFrom::TissueSeen, _) => Side::NotCovering,
                _ if marked.0 < 0.0 => Side::Covers,
                _ => Side::NotCovering,
            };
            let px = |x: f64, y: f64| PxPoint::new(1000.0 + x / stated_scale, 1000.0 + y / stated_scale);
            let body = (from == SideFrom::BodyPoint).then(|| px(marked.0 + 12.0, marked.1 + body_noise));
            let marks = Landmarks {
                internal_os: px(0.0, 0.0),
                edge: EdgeMark::PlacentalEdge { at: px(marked.0, marked.1) },
                placental_body: body,
                marginal_sinus: None,
            };
            edge_to_os(&marks, side, &scale, &repeatability).expect("a distance").interval.contains(Mm::new(truth))
        })
        .count();
    held as f64 / f64::from(n)
}
