//! What plots with two axes share: round marks along an axis, broken lines, and markers that differ by form.

use super::{Ink, Shape};

/// The form of a marker: groups are told apart by it, so that a plot reads in black and white too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Form {
    /// A filled dot.
    Dot,
    /// A ring.
    Ring,
    /// A triangle on its base.
    Triangle,
    /// A square.
    Square,
    /// A cross on its side, ×.
    Cross,
    /// An upright cross, +.
    Plus,
}

impl Form {
    /// Every form, in the order in which groups take them.
    pub const ALL: [Self; 6] = [Self::Dot, Self::Ring, Self::Triangle, Self::Square, Self::Cross, Self::Plus];

    /// The form of the group at this place, from 0; past the last form they begin again.
    #[must_use]
    pub fn of(place: usize) -> Self {
        Self::ALL.get(place % Self::ALL.len()).copied().unwrap_or(Self::Dot)
    }

    /// The marker at a place, `radius` points from its middle to its edge.
    #[must_use]
    pub fn shapes(self, at: [f64; 2], radius: f64, ink: Ink) -> Vec<Shape> {
        let [x, y] = at;
        let line = |points: Vec<[f64; 2]>| Shape::Line { points, width: 1.6, ink };
        match self {
            Self::Dot | Self::Ring => vec![Shape::Dot { at, radius, filled: self == Self::Dot, ink }],
            Self::Triangle => vec![Shape::Triangle { at: [x, y + radius], height: 2.0 * radius, ink }],
            Self::Square => {
                let r = radius * 0.9;
                vec![line(vec![[x - r, y - r], [x + r, y - r], [x + r, y + r], [x - r, y + r], [x - r, y - r]])]
            }
            Self::Cross => {
                let r = radius * 0.85;
                vec![line(vec![[x - r, y - r], [x + r, y + r]]), line(vec![[x - r, y + r], [x + r, y - r]])]
            }
            Self::Plus => vec![line(vec![[x - radius, y], [x + radius, y]]), line(vec![[x, y - radius], [x, y + radius]])],
        }
    }
}

/// Round numbers (1, 2 or 5 times a power of ten apart) from `low` to `high`, at most `most` of them; none unless the ends
/// are finite and in order.
#[must_use]
pub fn ticks(low: f64, high: f64, most: usize) -> Vec<f64> {
    if !(low.is_finite() && high.is_finite() && high > low) || most == 0 {
        return Vec::new();
    }
    let step = step(high - low, most);
    let (first, last) = ((low / step).ceil(), (high / step).floor());
    let mut out = Vec::new();
    let mut i = first;
    while i <= last && out.len() < most {
        // A multiple of the step and not a sum of steps, so that rounding does not pile up; adding 0 takes the sign off −0.
        out.push(i * step + 0.0);
        i += 1.0;
    }
    out
}

/// The smallest round step of which no more than `most` marks lie in a stretch of this length.
fn step(length: f64, most: usize) -> f64 {
    let least = length / most.max(1) as f64;
    let power = libm::pow(10.0, libm::floor(libm::log10(least)));
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|k| k * power).find(|s| *s > least).unwrap_or(20.0 * power)
}

/// A number of an axis in as few digits as tell it from its neighbours, with a true minus.
#[must_use]
pub fn number(value: f64, apart: f64) -> String {
    let digits = if apart > 0.0 && apart < 0.1 {
        2
    } else if apart < 1.0 {
        1
    } else {
        0
    };
    let text = format!("{value:.digits$}");
    // What rounds to nothing has no sign.
    let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if zero { text.trim_start_matches('-').to_owned() } else { text.replace('-', "−") }
}

/// A straight line from `from` to `to` in dashes of `on` points with `off` points between.
#[must_use]
pub fn broken(from: [f64; 2], to: [f64; 2], on: f64, off: f64, width: f64, ink: Ink) -> Vec<Shape> {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let long = dx.hypot(dy);
    if !(long.is_finite() && on > 0.0 && off >= 0.0) || long <= 0.0 {
        return Vec::new();
    }
    let at = |d: f64| [from[0] + dx * d / long, from[1] + dy * d / long];
    let mut out = Vec::new();
    let mut d = 0.0;
    while d < long {
        out.push(Shape::Line { points: vec![at(d), at((d + on).min(long))], width, ink });
        d += on + off;
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;

    #[test]
    fn marks_are_round_within_their_ends_and_never_too_many() {
        assert_eq!(ticks(-4.2, 4.2, 10), [-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(ticks(0.0, 47.0, 6), [0.0, 10.0, 20.0, 30.0, 40.0]);
        for (low, high) in [(0.001, 0.0123), (-1e6, 3.0), (17.0, 17.4), (-0.1, 0.1)] {
            for most in 1..12 {
                let all = ticks(low, high, most);
                assert!(all.len() <= most && all.iter().all(|t| (low..=high).contains(t)), "{low} {high} {most}: {all:?}");
            }
        }
        assert!(ticks(1.0, 1.0, 5).is_empty() && ticks(f64::NAN, 1.0, 5).is_empty() && ticks(0.0, 1.0, 0).is_empty());
    }

    #[test]
    fn numbers_are_short_and_nothing_has_no_sign() {
        assert_eq!([number(-5.0, 5.0), number(-0.0, 1.0), number(0.5, 0.5), number(-0.02, 0.02)], ["−5", "0", "0.5", "−0.02"]);
    }

    #[test]
    fn a_broken_line_stays_between_its_ends_and_has_gaps() {
        let pieces = broken([0.0, 10.0], [100.0, 10.0], 6.0, 4.0, 1.0, Ink::Quiet);
        assert_eq!(pieces.len(), 10);
        for p in &pieces {
            let Shape::Line { points, .. } = p else { unreachable!() };
            assert!(points[0][0] >= 0.0 && points[1][0] <= 100.0 && points[1][0] - points[0][0] <= 6.0);
        }
        assert!(broken([0.0, 0.0], [0.0, 0.0], 6.0, 4.0, 1.0, Ink::Quiet).is_empty());
    }

    #[test]
    fn forms_differ_from_each_other() {
        let drawn: Vec<_> = Form::ALL.iter().map(|f| f.shapes([10.0, 10.0], 4.0, Ink::Strong)).collect();
        for (i, a) in drawn.iter().enumerate() {
            assert!(drawn.iter().skip(i + 1).all(|b| a != b));
        }
        assert_eq!(Form::of(7), Form::Ring);
    }
}
