//! The history of a scanner's scale checks: the error of its scale over time, with the limits in per cent.

use jiff::civil::Date;

use super::{Anchor, Ink, Shape};
use crate::phantom::Tolerance;
use crate::scanners::ScaleCheck;

/// The chart of `checks`, oldest first, in a room of `width` by `height` points. Filled dots are the error down, rings the
/// error across; bars are 95 % intervals; the vertical line is the day the next check is due.
#[must_use]
pub fn scale_trend(checks: &[&ScaleCheck], tolerance: &Tolerance, width: f64, height: f64, letters: f64) -> Vec<Shape> {
    let (Some(first), Some(last)) = (checks.first(), checks.last()) else { return Vec::new() };
    let days = |d: Date| f64::from(first.checked_on.until(d).map_or(0, |s| s.get_days()));
    let to = days(last.next_due).max(30.0);
    let (left, right, top, base) = (4.2 * letters, width - 0.8 * letters, 0.8 * letters, height - 3.4 * letters);
    // A little room before the first dot, so that it does not lie on the numbers.
    let from = left + letters;
    let x = |d: Date| from + (days(d) / to).clamp(0.0, 1.0) * (right - from);
    let worst = checks.iter().flat_map(|c| [0, 1].map(|k| 100.0 * (c.error[k].abs() + 1.96 * c.u[k]))).fold(0.0, f64::max);
    let reach = (tolerance.across.defect_percent.max(worst) + 0.5).min(20.0);
    let y = |percent: f64| {
        let t = (percent / reach).clamp(-1.0, 1.0);
        (top + base) / 2.0 - t * (base - top) / 2.0
    };
    let mut out = Vec::new();
    let text = |at: [f64; 2], anchor: Anchor, text: String| Shape::Text { at, anchor, size: letters, text, ink: Ink::Quiet };
    for percent in
        [0.0, tolerance.down.action_percent, -tolerance.down.action_percent, tolerance.down.defect_percent, -tolerance.down.defect_percent]
    {
        out.push(Shape::Line {
            points: vec![[left, y(percent)], [right, y(percent)]],
            width: if percent == 0.0 { 1.5 } else { 0.75 },
            ink: Ink::Quiet,
        });
    }
    for percent in [0.0, tolerance.down.defect_percent, -tolerance.down.defect_percent] {
        out.push(text([left - 0.5 * letters, y(percent)], Anchor::End, format!("{percent:+.1} %").replace("+0.0", "0")));
    }
    let due = x(last.next_due);
    out.push(Shape::Line { points: vec![[due, top], [due, base]], width: 1.0, ink: Ink::Strong });
    for (k, shift) in [(0, -3.0), (1, 3.0)] {
        let at = |c: &ScaleCheck| [x(c.checked_on) + shift, y(100.0 * c.error[k])];
        if checks.len() > 1 {
            out.push(Shape::Line { points: checks.iter().map(|c| at(c)).collect(), width: 1.0, ink: Ink::Quiet });
        }
        for c in checks {
            let [px, py] = at(c);
            let end = |sign: f64| y(100.0 * (c.error[k] + sign * 1.96 * c.u[k]));
            out.push(Shape::Line { points: vec![[px, end(1.0)], [px, end(-1.0)]], width: 1.0, ink: Ink::Strong });
            out.push(Shape::Dot { at: [px, py], radius: 3.5, filled: k == 1, ink: Ink::Strong });
        }
    }
    out.push(text([left, base + letters], Anchor::Start, first.checked_on.to_string()));
    out.push(text([right, base + letters], Anchor::End, format!("next due {}", last.next_due)));
    out.push(text([left, base + 2.4 * letters], Anchor::Start, "● down  ○ across  + reads long".into()));
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::float_cmp)]
    use super::*;
    use crate::scanners::sample_checks;

    #[test]
    fn later_checks_lie_farther_right_and_longer_readings_higher() {
        let all = sample_checks().unwrap();
        let of: Vec<_> = all.iter().collect();
        let shapes = scale_trend(&of, &crate::phantom::tolerance().unwrap(), 400.0, 200.0, 12.0);
        let dots: Vec<([f64; 2], bool)> =
            shapes.iter().filter_map(|s| if let Shape::Dot { at, filled, .. } = s { Some((*at, *filled)) } else { None }).collect();
        assert_eq!(dots.len(), 2 * all.len());
        let down: Vec<_> = dots.iter().filter(|d| d.1).map(|d| d.0).collect();
        for ((pair, a), b) in down.windows(2).zip(&all).zip(all.iter().skip(1)) {
            assert!(pair[0][0] < pair[1][0]);
            assert_eq!(pair[0][1] > pair[1][1], a.error[1] < b.error[1]);
        }
        assert!(scale_trend(&[], &crate::phantom::tolerance().unwrap(), 400.0, 200.0, 12.0).is_empty());
    }
}
