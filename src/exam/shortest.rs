//! The least of an exam's values: shortest distance seen, and shortest overlap seen.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::{Counted, Model, Note, Shows, shows, side_doubted};
use crate::estimate::Interval;
use crate::measure::Value;
use crate::measure::interval::Z95;
use crate::units::Mm;

/// The shortest distance seen in an exam without a covering frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShortestSeen {
    /// The frame that shows it, by its place among the repeats, from 0.
    pub frame: usize,
    /// The value as that frame has it; one-sided when no frame shows the edge.
    pub value: Value,
    /// The longest distance at which an edge was seen, mm.
    pub longest_mm: Option<Mm>,
    /// The frames' readings, number of edges seen.
    pub frames: usize,
    /// Lower limit of the shortest way, mm, only with a stated model of off-axis lengthening.
    pub low_mm: Option<Mm>,
    /// Upper limit of the shortest way, mm: minᵢ(dᵢ + z·uᵢ), valid whatever the lengthening is.
    pub high_mm: Option<Mm>,
}

impl ShortestSeen {
    /// The limits as an interval; each end is meant to fail in at most 2.5 % of exams.
    #[must_use]
    pub const fn interval(&self) -> Interval {
        Interval { low_mm: self.low_mm, high_mm: self.high_mm, coverage: 0.95 }
    }
}

/// The overlap seen in a covering exam.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OverlapSeen {
    /// The frame that shows the shortest overlap, by its place among the repeats, from 0.
    pub frame: usize,
    /// The shortest overlap is at least this, mm.
    pub shortest_at_least_mm: Mm,
    /// The shortest overlap is at most this, mm; `None` when no frame shows the edge. Equal to the former when it was seen.
    pub shortest_at_most_mm: Option<Mm>,
    /// The longest overlap is at least this, mm.
    pub longest_at_least_mm: Mm,
    /// Number of covering frames.
    pub frames: usize,
}

/// The factor of a one-sided limit that holds for all `n` frames at once with 97.5 %: the quantile at 1 − 0.025/n.
pub(super) fn limit_factor(n: usize, degrees_of_freedom: Option<f64>) -> f64 {
    let p = 0.025 / n.max(1) as f64;
    match degrees_of_freedom.map(|df| StudentsT::new(0.0, 1.0, df)) {
        Some(Ok(t)) => -t.inverse_cdf(p),
        _ => -Normal::standard().inverse_cdf(p),
    }
}

/// The shortest seen among frames of which none covers.
pub(super) fn shortest(counted: &[Counted<'_>], model: &Model, notes: &mut Vec<Note>) -> Option<ShortestSeen> {
    // A frame in which the edge reaches the os is shorter than any that shows it away.
    let rank = |v: &Value| match v {
        Value::Reaches { .. } => Some(0.0),
        Value::Exact { signed_mm } => Some(signed_mm.get()),
        _ => None,
    };
    let mut seen: Vec<(f64, &Counted<'_>)> = counted.iter().filter_map(|c| Some((rank(&c.m.value)?, c))).collect();
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    let open = counted
        .iter()
        .filter_map(|c| if let Value::NoPlacentaWithin { mm } = c.m.value { Some((mm.get(), c)) } else { None })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some(&(least, first)) = seen.first() else {
        // No edge in any frame: all that is known is that no placenta was seen within the least of the views.
        let (_, c) = open?;
        return Some(ShortestSeen { frame: c.place, value: c.m.value, longest_mm: None, frames: 0, low_mm: None, high_mm: None });
    };
    if let Some((clear, c)) = open
        && clear < least
    {
        notes.push(Note::ShorterMayBeHidden { frame: c.place });
    }
    stands_apart(&seen, notes);
    let z = limit_factor(seen.len(), model.degrees_of_freedom);
    let end = |c: &Counted<'_>| match c.m.value {
        Value::Reaches { centre_distance_mm } => centre_distance_mm.get(),
        _ => rank(&c.m.value).unwrap_or(0.0),
    };
    let u = |c: &Counted<'_>| c.m.u_mm.get();
    let high = seen.iter().map(|(_, c)| end(c) + z * u(c)).fold(f64::INFINITY, f64::min);
    let low = model.off_axis.as_ref().map(|h| lower(&seen, z, h.most_mm.get()));
    Some(ShortestSeen {
        frame: first.place,
        value: first.m.value,
        longest_mm: seen.last().map(|(d, _)| Mm::new(*d)),
        frames: seen.len(),
        low_mm: low.map(Mm::new),
        high_mm: Some(Mm::new(high)),
    })
}

/// maxᵢ(dᵢ − z·uᵢ) less the most that a plane lengthens. Where the side of any frame is in doubt the doubt is the exam's
/// too, because a wrong os is wrong in every frame: then the least of the frames' own lower ends counts.
fn lower(seen: &[(f64, &Counted<'_>)], z: f64, most: f64) -> f64 {
    let doubted = seen.iter().filter(|(d, c)| side_doubted(c.m, *d)).filter_map(|(_, c)| c.m.interval.low_mm).map(|l| l.get());
    let plain = seen.iter().map(|(d, c)| d - z * c.m.u_mm.get()).fold(f64::NEG_INFINITY, f64::max);
    doubted.fold(plain, f64::min) - most
}

/// The shortest overlap among covering frames, and the range.
pub(super) fn overlap(counted: &[Counted<'_>], notes: &mut Vec<Note>) -> Option<OverlapSeen> {
    let covering = || counted.iter().filter(|c| shows(&c.m.value) == Shows::Covered);
    let mut exact: Vec<(f64, &Counted<'_>)> =
        covering().filter_map(|c| if let Value::Exact { signed_mm } = c.m.value { Some((-signed_mm.get(), c)) } else { None }).collect();
    exact.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut open: Vec<(f64, &Counted<'_>)> =
        covering().filter_map(|c| if let Value::OverlapAtLeast { mm } = c.m.value { Some((mm.get(), c)) } else { None }).collect();
    open.sort_by(|a, b| a.0.total_cmp(&b.0));
    stands_apart(&exact, notes);
    let (least_exact, least_open) = (exact.first(), open.first());
    let (_, frame) = least_exact.or(least_open)?;
    let at_most = least_exact.map(|(d, _)| *d);
    if let (Some(e), Some((o, c))) = (at_most, least_open)
        && *o < e
    {
        notes.push(Note::ShorterMayBeHidden { frame: c.place });
    }
    let all = || exact.iter().chain(&open).map(|(d, _)| *d);
    Some(OverlapSeen {
        frame: frame.place,
        shortest_at_least_mm: Mm::new(all().fold(f64::INFINITY, f64::min)),
        shortest_at_most_mm: at_most.map(Mm::new),
        longest_at_least_mm: Mm::new(all().fold(0.0, f64::max)),
        frames: exact.len() + open.len(),
    })
}

/// Asks when the least value differs from the next by more than two readings may. Both share the scale, so it counts for nothing here.
fn stands_apart(sorted: &[(f64, &Counted<'_>)], notes: &mut Vec<Note>) {
    let [(a, first), (b, second), ..] = sorted else { return };
    let coefficient = Z95 * first.sd.hypot(second.sd);
    if b - a > coefficient {
        notes.push(Note::ShortestStandsApart {
            frame: first.place,
            by_mm: Mm::new(b - a),
            repeatability_coefficient_mm: Mm::new(coefficient),
        });
    }
}
