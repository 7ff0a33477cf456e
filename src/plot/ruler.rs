//! A millimetre ruler beside a frame: marks every millimetre where there is room, longer ones every five, numbered ones every
//! ten. It is drawn from the calibration in use and from nothing else.

use super::{Anchor, Ink, Shape};

/// Points between the marks of one millimetre, at least.
const LEAST_APART: f64 = 3.5;

/// One mark of a ruler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RulerMark {
    /// Where it is, points from the ruler's zero.
    pub at: f64,
    /// Its millimetre.
    pub mm: u32,
    /// Its length as a share of the longest: 1 at tens, 0.65 at fives, 0.4 at ones.
    pub length: f64,
}

/// The marks of a ruler `length` points long, on which a millimetre is `points_per_mm` points; empty when that is not positive
/// or nothing would fit.
#[must_use]
pub fn marks(points_per_mm: f64, length: f64) -> Vec<RulerMark> {
    if !(points_per_mm.is_finite() && length.is_finite() && points_per_mm > 0.0 && length > 0.0) {
        return Vec::new();
    }
    let step = [1_u32, 5, 10, 50, 100].into_iter().find(|s| f64::from(*s) * points_per_mm >= LEAST_APART).unwrap_or(100);
    let last = (length / points_per_mm).min(2_000.0) as u32;
    (0..=last)
        .step_by(step as usize)
        .map(|mm| RulerMark {
            at: f64::from(mm) * points_per_mm,
            mm,
            length: if mm % 10 == 0 {
                1.0
            } else if mm % 5 == 0 {
                0.65
            } else {
                0.4
            },
        })
        .collect()
}

/// A ruler down the left side of a room of `length` points: its line at x = 0, marks to the right, numbers beside them.
#[must_use]
pub fn shapes(points_per_mm: f64, length: f64, letters: f64) -> Vec<Shape> {
    let all = marks(points_per_mm, length);
    let Some(last) = all.last() else { return Vec::new() };
    let mut out = vec![Shape::Line { points: vec![[0.0, 0.0], [0.0, last.at]], width: 1.0, ink: Ink::Quiet }];
    // Numbers only as often as they have room.
    let numbered = [10_u32, 20, 50, 100].into_iter().find(|s| f64::from(*s) * points_per_mm >= 1.6 * letters).unwrap_or(200);
    for m in &all {
        out.push(Shape::Line { points: vec![[0.0, m.at], [9.0 * m.length, m.at]], width: 1.0, ink: Ink::Strong });
        if m.mm % numbered == 0 {
            let text = if m.mm == 0 { "0 mm".to_owned() } else { m.mm.to_string() };
            out.push(Shape::Text { at: [12.0, m.at], anchor: Anchor::Start, size: letters, text, ink: Ink::Quiet });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;

    #[test]
    fn marks_lie_at_their_millimetres_and_thin_out_when_small() {
        let large = marks(6.0, 123.0);
        assert_eq!((large.len(), large[20].mm, large[20].at, large[20].length), (21, 20, 120.0, 1.0));
        assert!(large[5].length > large[4].length && large[10].length > large[5].length);
        let small = marks(1.0, 60.0);
        assert!(small.windows(2).all(|p| p[1].mm - p[0].mm == 5), "{small:?}");
        assert!(marks(0.0, 10.0).is_empty() && marks(f64::NAN, 10.0).is_empty() && marks(1.0, -1.0).is_empty());
    }

    #[test]
    fn numbers_never_run_into_each_other() {
        for per_mm in [0.4, 1.0, 3.0, 9.0] {
            let ys: Vec<f64> = shapes(per_mm, 400.0, 12.0)
                .iter()
                .filter_map(|s| if let Shape::Text { at, .. } = s { Some(at[1]) } else { None })
                .collect();
            assert!(!ys.is_empty() && ys.windows(2).all(|p| p[1] - p[0] >= 12.0), "{per_mm}: {ys:?}");
        }
    }
}
