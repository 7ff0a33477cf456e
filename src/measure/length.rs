//! A plain length between marks, with the same terms of error as the edge-to-os distance. It has no side and no sign.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::interval::Z95;
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, Term, TermKind, combined};
use crate::source::Citation;
use crate::units::{Mm, PxPoint};

/// A length with its error.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Length {
    /// The length, mm, not negative.
    pub mm: Mm,
    /// Uncertainty terms, kept apart.
    pub terms: Vec<Term>,
    /// Standard uncertainty, all terms together, mm.
    pub u_mm: Mm,
    /// 95 % interval; it does not go below 0.
    pub interval: Interval,
}

/// A number from the literature that a length or an angle is held against. It informs; no decision follows from it here.
#[derive(Clone, Debug, PartialEq)]
pub struct Threshold {
    /// The number, mm (or degrees, where the measure is an angle).
    pub at: f64,
    /// Whether a value of exactly `at` counts as reaching it.
    pub included: bool,
    /// What the source says of it.
    pub says: &'static str,
    /// The source.
    pub source: Citation,
}

/// A threshold, and how a value lies to it.
#[derive(Clone, Debug, PartialEq)]
pub struct Against {
    /// The threshold.
    pub threshold: Threshold,
    /// Whether the value reaches it.
    pub reached: bool,
    /// Whether the 95 % interval lies on both sides of it.
    pub borderline: bool,
}

/// How a value with its interval lies to thresholds that are reached from above: at or under the number.
pub(super) fn at_or_under(value: f64, interval: &Interval, thresholds: &[Threshold]) -> Vec<Against> {
    against(interval, thresholds, |t| value < t.at || (t.included && value <= t.at))
}

/// The same for thresholds that are reached from below: at or above the number.
pub(super) fn at_or_above(value: f64, interval: &Interval, thresholds: &[Threshold]) -> Vec<Against> {
    against(interval, thresholds, |t| value > t.at || (t.included && value >= t.at))
}

fn against(interval: &Interval, thresholds: &[Threshold], reached: impl Fn(&Threshold) -> bool) -> Vec<Against> {
    let of = |t: &Threshold| Against { threshold: t.clone(), reached: reached(t), borderline: interval.contains(Mm::new(t.at)) };
    thresholds.iter().map(of).collect()
}

/// Refuses marks that are no points.
pub(super) fn check_finite(named: &[(&str, PxPoint)]) -> Result<()> {
    match named.iter().find(|(_, p)| !p.is_finite()) {
        None => Ok(()),
        Some((name, _)) => Err(Error::new(ErrorKind::Invalid, format!("the {name} landmark cannot be used"))
            .expected("two finite coordinates in pixels")
            .found("a coordinate that is not a number")),
    }
}

/// The uncertainty terms of a length, kept apart: placing and acquiring together, the scale, the speed of sound.
pub(super) fn terms(calibration: &Calibration, repeatability: &Repeatability, u_scale: Mm, u_sound_speed: Mm) -> Vec<Term> {
    vec![
        Term {
            kind: TermKind::TotalRepeatability,
            method: repeatability.method.clone(),
            u_mm: repeatability.sd_mm,
            source: repeatability.source.clone(),
        },
        Term { kind: TermKind::Scale, method: "axis-scale@1".into(), u_mm: u_scale, source: calibration.scale_source().clone() },
        Term {
            kind: TermKind::SoundSpeed,
            method: "sound-speed@1".into(),
            u_mm: u_sound_speed,
            source: calibration.sound_speed_source().clone(),
        },
    ]
}

/// The length of the line through `points` in order, at least two.
///
/// All parts of the line share one scale, so its error adds linearly along it; reading error is that of the two ends.
pub(super) fn along(points: &[PxPoint], calibration: &Calibration, repeatability: &Repeatability) -> Length {
    let steps = || points.windows(2).filter_map(|w| Some(calibration.step(*w.last()? - *w.first()?)));
    let sum = |f: &dyn Fn(crate::units::MmVec) -> Mm| Mm::new(steps().map(|s| f(s).get()).sum());
    let mm = sum(&|s| s.length());
    let terms = terms(calibration, repeatability, sum(&|s| calibration.u_scale(s)), sum(&|s| calibration.u_sound_speed(s)));
    let u_mm = combined(&terms);
    let half = u_mm.get() * Z95;
    let interval = Interval { low_mm: Some(Mm::new((mm.get() - half).max(0.0))), high_mm: Some(Mm::new(mm.get() + half)), coverage: 0.95 };
    Length { mm, terms, u_mm, interval }
}

/// The farthest that a trace's points lie from the straight line between its ends (or from its nearer end beyond them), mm.
pub(super) fn bow(from: PxPoint, to: PxPoint, between: &[PxPoint], calibration: &Calibration) -> Mm {
    let line = calibration.step(to - from);
    let off = |p: &PxPoint| {
        let s = calibration.step(*p - from);
        let square = line.dot(line);
        let along = if square > 0.0 { (s.dot(line) / square).clamp(0.0, 1.0) } else { 0.0 };
        (s.x - along * line.x).hypot(s.y - along * line.y)
    };
    Mm::new(between.iter().map(off).fold(0.0, f64::max))
}
