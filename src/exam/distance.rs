//! Exam distance: the model dᵢ = D + eᵢ over the frames that count, with an interval.
//!
//! Reading errors eᵢ are independent from frame to frame; scale, speed of sound and the scan itself are common to all
//! frames of the exam and do not shrink with their number. A one-sided value says only on which side of it the frame's
//! distance lies, and takes part as that: D is the maximum-likelihood estimate, which is the weighted mean when both ends
//! were seen in every frame. The reading part of the interval is where the likelihood falls off by z²/2.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::shortest::limit_factor;
use super::{Counted, Kind, LEAST_DEGREES_TO_CLAIM, Model, side_doubted};
use crate::estimate::Interval;
use crate::measure::interval::Z95;
use crate::measure::{AxisKnown, Value, signed_interval};
use crate::units::Mm;

/// What was done about planes off the shortest way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lengthening {
    /// Nothing: the value is the mean of the planes that were read, which is at or above the shortest way.
    InTheValue,
    /// The stated model's mean was taken off and its spread added.
    Removed,
}

/// The exam distance, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum ExamDistance {
    /// A signed distance with its error.
    Estimate {
        /// Signed, mm: positive away from the os, negative overlapping it.
        signed_mm: Mm,
        /// Standard uncertainty, mm.
        u_mm: Mm,
        /// The part of it that repeats make smaller, mm.
        u_reading_mm: Mm,
        /// The part that they do not, mm.
        u_shared_mm: Mm,
        /// 95 % interval.
        interval: Interval,
        /// Whether the interval's coverage may be claimed.
        coverage_claimed: bool,
        /// What was done about planes off the shortest way.
        lengthening: Lengthening,
        /// Frames in it, and how many of them are one-sided.
        frames: usize,
        /// Those of them in which one end was out of view.
        one_sided: usize,
    },
    /// One end was out of view in every frame: a limit only, in the planes that were read.
    OneSided {
        /// Unbounded on one side.
        interval: Interval,
        /// Whether the interval's coverage may be claimed.
        coverage_claimed: bool,
        /// Frames in it.
        frames: usize,
    },
    /// There is none.
    None {
        /// Why.
        reason: String,
    },
}

/// One frame in the likelihood: its value on the axis, its SD, and what it says.
struct Point {
    at: f64,
    sd: f64,
    /// 0: both ends seen; +1: the distance is at least `at`; −1: at most.
    beyond: f64,
}

/// log Φ(x) and its derivative φ(x)/Φ(x), far into the lower tail too.
fn log_cdf(x: f64) -> (f64, f64) {
    if x < -30.0 {
        // Asymptotic series of the tail; the next term is below 1e-5 of the last here.
        let x2 = x * x;
        let series = 1.0 - 1.0 / x2 + 3.0 / (x2 * x2);
        return (-0.5 * x2 - (-x).ln() - 0.5 * std::f64::consts::TAU.ln() + series.ln(), -x / series);
    }
    let p = Normal::standard().cdf(x);
    (p.ln(), (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt() / p)
}

fn log_likelihood(points: &[Point], d: f64) -> f64 {
    points
        .iter()
        .map(|p| {
            let r = (d - p.at) / p.sd;
            if p.beyond == 0.0 { -0.5 * r * r } else { log_cdf(p.beyond * r).0 }
        })
        .sum()
}

/// Its slope; it falls strictly as `d` grows, because the log-likelihood is concave.
fn slope(points: &[Point], d: f64) -> f64 {
    points
        .iter()
        .map(|p| {
            let r = (d - p.at) / p.sd;
            if p.beyond == 0.0 { -r / p.sd } else { p.beyond * log_cdf(p.beyond * r).1 / p.sd }
        })
        .sum()
}

/// Where the falling function `f` crosses zero between `low` (f ≥ 0) and `high` (f ≤ 0).
fn bisect(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if f(middle) > 0.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

fn none(reason: &str) -> ExamDistance {
    ExamDistance::None { reason: reason.into() }
}

pub(super) fn estimate(counted: &[Counted<'_>], kind: Kind, model: &Model) -> ExamDistance {
    let side = |v: &Value| match v {
        Value::Exact { signed_mm } => signed_mm.get().signum(),
        Value::Reaches { .. } => 0.0,
        Value::OverlapAtLeast { .. } => -1.0,
        Value::NoPlacentaWithin { .. } => 1.0,
    };
    match kind {
        Kind::Nothing => return none("no frame counts"),
        Kind::Reaches => return none("the edge reaches or partly covers the os in a frame: there is no signed distance to estimate"),
        Kind::Covering if counted.iter().any(|c| side(&c.m.value) >= 0.0) => {
            return none("covering and other frames together are discordant and are not averaged");
        }
        Kind::Covering | Kind::NotCovering => {}
    }
    let claimed = model.degrees_of_freedom.is_none_or(|df| df >= LEAST_DEGREES_TO_CLAIM);
    let exact: Vec<(f64, &Counted<'_>)> =
        counted.iter().filter_map(|c| if let Value::Exact { signed_mm } = c.m.value { Some((signed_mm.get(), c)) } else { None }).collect();
    let frames = counted.len();
    if exact.is_empty() {
        return ExamDistance::OneSided { interval: one_sided(counted, model), coverage_claimed: claimed, frames };
    }
    let (h_mean, h_sd) = model.off_axis.as_ref().map_or((0.0, 0.0), |h| (h.mean_mm.get(), h.sd_mm.get()));
    // Lengthening is of distances away from the os; an overlap seen off the axis is a matter of its own and is left as read.
    let (h_mean, h_sd, lengthening) = if kind == Kind::NotCovering && model.off_axis.is_some() {
        (h_mean, h_sd, Lengthening::Removed)
    } else {
        (0.0, 0.0, Lengthening::InTheValue)
    };
    let points: Vec<Point> = counted
        .iter()
        .map(|c| {
            let (at, beyond) = match c.m.value {
                Value::Exact { signed_mm } => (signed_mm.get(), 0.0),
                Value::NoPlacentaWithin { mm } => (mm.get(), 1.0),
                Value::OverlapAtLeast { mm } => (-mm.get(), -1.0),
                Value::Reaches { .. } => (0.0, 0.0),
            };
            Point { at: at - h_mean, sd: c.sd.hypot(h_sd), beyond }
        })
        .collect();
    let weight = |p: &Point| if p.beyond == 0.0 { p.sd.powi(-2) } else { 0.0 };
    let total: f64 = points.iter().map(weight).sum();
    let mean = points.iter().map(|p| weight(p) * p.at).sum::<f64>() / total;
    let censored = frames - exact.len();
    let span = points.iter().map(|p| (p.at - mean).abs() + 40.0 * p.sd).fold(0.0, f64::max);
    let best = if censored == 0 { mean } else { bisect(mean - span, mean + span, |d| slope(&points, d)) };
    let u_reading = total.sqrt().recip();
    // Frames share one scale unless known otherwise: its error adds linearly over them.
    let mut shared = model.scan_to_scan_mm.map_or(0.0, |s| s.get().powi(2));
    for term in 0..2 {
        let linear = counted.iter().zip(&points).map(|(c, p)| weight(p) * c.shared.get(term).copied().unwrap_or(0.0)).sum::<f64>() / total;
        shared += linear.powi(2);
    }
    // The length of a short line with error in both directions reads long by sd²/2d on average: kept as a term of its own.
    let sd_across = exact.iter().map(|(_, c)| c.sd).fold(0.0, f64::max);
    let own_bias = if best.abs() > sd_across { sd_across.powi(2) / (2.0 * best.abs()) } else { 0.5 * sd_across };
    let shared = (shared + own_bias.powi(2)).sqrt();
    let u = u_reading.hypot(shared);
    let z = two_sided_factor(model.degrees_of_freedom, u_reading, u);
    let ends = if censored == 0 {
        (best - z * u, best + z * u)
    } else {
        let top = log_likelihood(&points, best);
        let gap = |d: f64| 2.0 * (top - log_likelihood(&points, d)) - z * z;
        let low = bisect(best - 2.0 * span - z * u, best, gap);
        let high = bisect(best, best + 2.0 * span + z * u, |d| -gap(d));
        (best - (best - low).hypot(z * shared), best + (high - best).hypot(z * shared))
    };
    let mut interval = Interval { low_mm: Some(Mm::new(ends.0)), high_mm: Some(Mm::new(ends.1)), coverage: 0.95 };
    if exact.iter().any(|(d, c)| side_doubted(c.m, *d)) {
        // Near the os a wrong side is wrong in every frame, so the doubt is that of one frame, not of n.
        let wide = signed_interval(Mm::new(best), Mm::new(u), Mm::new(sd_across), AxisKnown::No);
        let least = |a: Option<Mm>, b: Option<Mm>| a.zip(b).map(|(a, b)| if a < b { a } else { b });
        let most = |a: Option<Mm>, b: Option<Mm>| a.zip(b).map(|(a, b)| if a > b { a } else { b });
        interval.low_mm = least(interval.low_mm, wide.low_mm);
        interval.high_mm = most(interval.high_mm, wide.high_mm);
    }
    ExamDistance::Estimate {
        signed_mm: Mm::new(best),
        u_mm: Mm::new(u),
        u_reading_mm: Mm::new(u_reading),
        u_shared_mm: Mm::new(shared),
        interval,
        coverage_claimed: claimed,
        lengthening,
        frames,
        one_sided: censored,
    }
}

/// 95 % two-sided factor. With an estimated SD, Student's t with the effective degrees of freedom of Welch and
/// Satterthwaite: only the reading part is estimated.
fn two_sided_factor(degrees_of_freedom: Option<f64>, u_reading: f64, u: f64) -> f64 {
    degrees_of_freedom.and_then(|df| StudentsT::new(0.0, 1.0, df * (u / u_reading).powi(4)).ok()).map_or(Z95, |t| -t.inverse_cdf(0.025))
}

/// The limit that the widest view gives, held for all frames at once.
fn one_sided(counted: &[Counted<'_>], model: &Model) -> Interval {
    let z = limit_factor(counted.len(), model.degrees_of_freedom);
    let scan = model.scan_to_scan_mm.map_or(0.0, Mm::get);
    let far = |sign: f64| {
        counted.iter().filter_map(move |c| match c.m.value {
            Value::NoPlacentaWithin { mm } if sign > 0.0 => Some(mm.get() - z * c.m.u_mm.get().hypot(scan)),
            Value::OverlapAtLeast { mm } if sign < 0.0 => Some(mm.get() - z * c.m.u_mm.get().hypot(scan)),
            _ => None,
        })
    };
    let low = far(1.0).reduce(f64::max).map(Mm::new);
    let high = far(-1.0).reduce(f64::max).map(|v| Mm::new(-v));
    Interval { low_mm: low, high_mm: high, coverage: 0.95 }
}
