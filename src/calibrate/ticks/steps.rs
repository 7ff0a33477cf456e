//! Equal steps among marks that stand one above the other.

use super::marks::Mark;

/// Shortest step, px.
const LEAST_STEP: f64 = 6.0;
/// Fewest ticks of a row.
const LEAST_COUNT: usize = 7;
/// Share of the places of a row that must hold a tick.
const LEAST_FILLED: f64 = 0.75;
/// Marks between the places of a row, as a share of its ticks.
const MOST_BETWEEN: f64 = 0.25;
/// A row reaches over this share of the picture.
const LEAST_REACH: f64 = 0.2;
/// Share of the ticks that are as large as most of them, to a pixel: letters are not.
const LEAST_ALIKE: f64 = 0.7;
/// Larger ticks exceed the others by this factor.
const LARGER: f64 = 1.2;
/// Rounding of a tick to whole pixels, px: no step is known better than this lets it.
const ROUNDING: f64 = 0.29;

/// Ticks at equal steps.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::calibrate) struct Steps {
    pub(in crate::calibrate) first: f64,
    pub(in crate::calibrate) step: f64,
    pub(in crate::calibrate) u_step: f64,
    pub(in crate::calibrate) count: usize,
    /// SD of the ticks about their places, px.
    pub(in crate::calibrate) sd: f64,
    pub(in crate::calibrate) larger_every: Option<usize>,
}

/// Least squares of places `(number, position)`: first place, step, standard uncertainty of the step, SD of the residuals.
pub(in crate::calibrate) fn line(places: &[(f64, f64)]) -> Option<(f64, f64, f64, f64)> {
    let n = places.len() as f64;
    if places.len() < 3 {
        return None;
    }
    let (mx, my) = (places.iter().map(|p| p.0).sum::<f64>() / n, places.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx = places.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>();
    let step = places.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let first = my - step * mx;
    let sd = (places.iter().map(|p| (p.1 - first - step * p.0).powi(2)).sum::<f64>() / (n - 2.0)).sqrt();
    let all = [first, step, sd];
    all.iter().all(|v| v.is_finite()).then(|| (first, step, sd.max(ROUNDING) / sxx.sqrt(), sd))
}

/// The row among marks that share a column, in a picture `length` px long that way.
pub(in crate::calibrate) fn steps_of(group: &[&Mark], length: f64) -> Option<Steps> {
    if group.len() < LEAST_COUNT {
        return None;
    }
    let mut marks: Vec<&Mark> = group.to_vec();
    marks.sort_by(|a, b| a.y.total_cmp(&b.y));
    let mut best: Option<Vec<(usize, usize)>> = None;
    let mut best_step = 0.0;
    // Any step between a mark and one of the next three may be the row's.
    for i in 0..marks.len() {
        for j in i + 1..marks.len().min(i + 4) {
            let step = marks[j].y - marks[i].y;
            if step < LEAST_STEP {
                continue;
            }
            let hits = on_places(&marks, marks[i].y, step);
            let better = best.as_ref().is_none_or(|b| hits.len() > b.len() || (hits.len() == b.len() && step > best_step * 1.5));
            if better && is_row(&marks, &hits, length) {
                (best, best_step) = (Some(hits), step);
            }
        }
    }
    let hits = best?;
    let zero = hits.iter().map(|h| h.0).min()?;
    let places: Vec<(f64, f64)> = hits.iter().map(|(number, mark)| ((number - zero) as f64, marks[*mark].y)).collect();
    let (first, step, u_step, sd) = line(&places)?;
    // Ticks are drawn on whole pixels; what scatters more is no ruler.
    if sd > 0.75 {
        return None;
    }
    let numbered: Vec<(usize, &Mark)> = hits.iter().map(|(number, mark)| (number - zero, marks[*mark])).collect();
    Some(Steps { first, step, u_step, count: hits.len(), sd, larger_every: larger_every(&numbered) })
}

/// Marks on the places of a row through `start` with about this step: (number of the place, number of the mark), the step
/// being corrected as the row is followed both ways.
fn on_places(marks: &[&Mark], start: f64, step: f64) -> Vec<(usize, usize)> {
    let mut hits: Vec<(i64, usize)> = Vec::new();
    for way in [1_i64, -1] {
        let mut known = step;
        let mut missed = 0;
        let mut number = if way > 0 { 0 } else { -1 };
        while missed < 3 {
            let place = start + known * number as f64;
            let near = marks.iter().enumerate().map(|(k, m)| (k, (m.y - place).abs())).min_by(|a, b| a.1.total_cmp(&b.1));
            match near {
                Some((k, off)) if off <= (0.12 * step).clamp(0.7, 1.6) && hits.iter().all(|h| h.1 != k) => {
                    hits.push((number, k));
                    missed = 0;
                    if number.abs() > 1 {
                        known = (marks[k].y - start) / number as f64;
                    }
                }
                _ => missed += 1,
            }
            number += way;
        }
    }
    let least = hits.iter().map(|h| h.0).min().unwrap_or(0);
    let mut out: Vec<(usize, usize)> = hits.into_iter().map(|(n, k)| ((n - least) as usize, k)).collect();
    out.sort_unstable();
    out
}

fn is_row(marks: &[&Mark], hits: &[(usize, usize)], length: f64) -> bool {
    let (Some(first), Some(last)) = (hits.first(), hits.last()) else { return false };
    let places = last.0 - first.0 + 1;
    let (from, to) = (marks[first.1].y, marks[last.1].y);
    let inside = marks.iter().filter(|m| m.y >= from && m.y <= to).count();
    hits.len() >= LEAST_COUNT
        && hits.len() as f64 >= LEAST_FILLED * places as f64
        && (inside - hits.len()) as f64 <= MOST_BETWEEN * hits.len() as f64
        && to - from >= LEAST_REACH * length
        && alike(marks, hits)
}

fn alike(marks: &[&Mark], hits: &[(usize, usize)]) -> bool {
    let sizes: [fn(&Mark) -> f64; 2] = [Mark::wide, Mark::high];
    sizes.iter().all(|size| {
        let mut all: Vec<f64> = hits.iter().filter_map(|h| marks.get(h.1)).map(|m| size(m)).collect();
        all.sort_by(f64::total_cmp);
        let Some(usual) = all.get(all.len() / 2).copied() else { return false };
        all.iter().filter(|s| (**s - usual).abs() <= 1.0).count() as f64 >= LEAST_ALIKE * all.len() as f64
    })
}

/// Every how manieth tick is larger than all that are not.
fn larger_every(ticks: &[(usize, &Mark)]) -> Option<usize> {
    let sizes: [fn(&Mark) -> f64; 3] = [Mark::wide, |m| m.wide() * m.high(), |m| m.mass];
    for size in sizes {
        for every in [10, 5, 4, 2] {
            for phase in 0..every {
                let (large, rest): (Vec<_>, Vec<_>) = ticks.iter().partition(|(n, _)| n % every == phase);
                let least = large.iter().map(|(_, m)| size(m)).fold(f64::INFINITY, f64::min);
                let most = rest.iter().map(|(_, m)| size(m)).fold(0.0, f64::max);
                if large.len() >= 2 && rest.len() > large.len() / 2 && rest.len() >= 3 && least >= LARGER * most {
                    return Some(every);
                }
            }
        }
    }
    None
}
