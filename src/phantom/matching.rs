//! Which found pin is which pin of the phantom.
//!
//! Every pair of near neighbours among the found pins is laid on every pair of near neighbours of the phantom; the placing
//! that explains most pins stands. Nothing is taken from the header but the shape of a pixel, so that a header wrong by a
//! factor is seen as such.

use std::collections::HashSet;

use super::Definition;
use super::find::Pin;

/// A placing may be this many times smaller or larger than the header says (own assumption).
const SCALES: (f64, f64) = (0.35, 2.9);
/// And turned by at most this, degrees: nobody holds a probe farther off (own assumption).
const MOST_TURN: f64 = 30.0;
/// A found pin belongs to one of the phantom within this share of the shortest spacing.
const REACH: f64 = 0.3;
/// The same when the placing has been fitted.
const FITTED_REACH: f64 = 0.2;
/// Neighbours looked at on each side.
const NEIGHBOURS: usize = 6;
/// Placings that are fitted, best first.
const FITTED: usize = 24;

/// One pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Matched {
    /// Number of the found pin in the list given.
    pub found: usize,
    /// Number of the phantom's pin in [`Definition::pins`].
    pub pin: usize,
}

/// How the found pins lie on the phantom's.
#[derive(Clone, Debug, PartialEq)]
pub struct Match {
    /// The pairs.
    pub pairs: Vec<Matched>,
    /// Left and right are exchanged.
    pub mirrored: bool,
    /// Whether the layout can show a mirrored picture at all.
    pub can_show_mirror: bool,
    /// Another placing, shifted or turned, explains as many pins: which row is which cannot be told. The scale is the same.
    pub shifted_fits_too: bool,
    /// The phantom's size in the frame over what the header's scale makes of it: about 1 when both are right.
    pub size: f64,
}

/// A way from the phantom (mm) to the frame, in the header's millimetres: q = a·p + t.
#[derive(Clone, Copy, Debug)]
struct Placing {
    a: [[f64; 2]; 2],
    t: [f64; 2],
}

impl Placing {
    fn of(&self, p: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|k| self.a[k][0] * p[0] + self.a[k][1] * p[1] + self.t[k])
    }

    fn determinant(&self) -> f64 {
        self.a[0][0] * self.a[1][1] - self.a[0][1] * self.a[1][0]
    }

    fn size(&self) -> f64 {
        self.determinant().abs().sqrt()
    }

    /// The similarity that lays `p0 → p1` on `q0 → q1`, mirrored or not.
    fn of_pair(p: [[f64; 2]; 2], q: [[f64; 2]; 2], mirrored: bool) -> Option<Self> {
        let flip = if mirrored { -1.0 } else { 1.0 };
        let p = p.map(|[x, y]| [flip * x, y]);
        let (dp, dq) = ([p[1][0] - p[0][0], p[1][1] - p[0][1]], [q[1][0] - q[0][0], q[1][1] - q[0][1]]);
        let n = dp[0] * dp[0] + dp[1] * dp[1];
        let c = (dp[0] * dq[0] + dp[1] * dq[1]) / n;
        let s = (dp[0] * dq[1] - dp[1] * dq[0]) / n;
        let size = c.hypot(s);
        if !(SCALES.0..=SCALES.1).contains(&size) || s.atan2(c).to_degrees().abs() > MOST_TURN {
            return None;
        }
        let a = [[c * flip, -s], [s * flip, c]];
        let t = [0, 1].map(|k| q[0][k] - (a[k][0] * p[0][0] * flip + a[k][1] * p[0][1]));
        Some(Self { a, t })
    }
}

/// Lays `found` on the phantom. `mm_per_px` is the header's scale (across, down). `None` when nothing fits four pins.
#[must_use]
pub fn match_pins(found: &[Pin], phantom: &Definition, mm_per_px: [f64; 2]) -> Option<Match> {
    let pins = phantom.pins();
    let at: Vec<[f64; 2]> = found.iter().map(|f| [f.at.x * mm_per_px[0], f.at.y * mm_per_px[1]]).collect();
    let mut placings: Vec<(f64, Placing, bool)> = Vec::new();
    let of_phantom = neighbours(&pins);
    let of_frame = neighbours(&at);
    // Many pairs give nearly the same placing: by where it lays the first and the last pin, one of each is tried.
    let ends = pins.first().copied().zip(pins.last().copied())?;
    let mut tried = HashSet::new();
    for mirrored in [false, true] {
        for &(i, j) in &of_phantom {
            for &(k, l) in &of_frame {
                let (Some(p), Some(q)) = (pair(&pins, i, j), pair(&at, k, l)) else { continue };
                let Some(placing) = Placing::of_pair(p, q, mirrored) else { continue };
                let cell = 0.25 * phantom.least_spacing_mm() * placing.size();
                let key = [placing.of(ends.0), placing.of(ends.1)].map(|q| q.map(|v| (v / cell).round() as i64));
                if !tried.insert((mirrored, key)) {
                    continue;
                }
                let score = score(&placing, &pins, &at, phantom.least_spacing_mm(), REACH);
                if score >= 4.0 {
                    placings.push((score, placing, mirrored));
                }
            }
        }
    }
    placings.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut distinct: Vec<(Placing, bool)> = Vec::new();
    for (_, placing, mirrored) in placings {
        let new = |(other, m): &(Placing, bool)| {
            *m != mirrored
                || [ends.0, ends.1].iter().any(|p| apart(placing.of(*p), other.of(*p)) > 0.5 * phantom.least_spacing_mm() * placing.size())
        };
        if distinct.len() < FITTED && distinct.iter().all(new) {
            distinct.push((placing, mirrored));
        }
    }
    let mut fitted: Vec<(f64, Placing, bool)> = distinct
        .into_iter()
        .filter_map(|(placing, mirrored)| {
            let placing = settle(placing, &pins, &at, phantom.least_spacing_mm())?;
            Some((score(&placing, &pins, &at, phantom.least_spacing_mm(), FITTED_REACH), placing, mirrored))
        })
        .collect();
    // Of placings that explain as much, the one nearest to the header's size and not mirrored.
    fitted.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.2.cmp(&b.2)).then(a.1.size().ln().abs().total_cmp(&b.1.size().ln().abs())));
    let (best_score, best, mirrored) = *fitted.first()?;
    let pairs = assign(&best, &pins, &at, phantom.least_spacing_mm(), FITTED_REACH);
    if pairs.len() < 4 {
        return None;
    }
    let far = |other: &Placing| pins.iter().any(|p| apart(other.of(*p), best.of(*p)) > 0.5 * phantom.least_spacing_mm() * best.size());
    let shifted_fits_too = fitted.iter().any(|(s, p, m)| *m == mirrored && *s >= best_score - 0.25 && far(p));
    Some(Match { pairs, mirrored, can_show_mirror: can_show_mirror(phantom), shifted_fits_too, size: best.size() })
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn pair(points: &[[f64; 2]], i: usize, j: usize) -> Option<[[f64; 2]; 2]> {
    Some([*points.get(i)?, *points.get(j)?])
}

/// Ordered pairs of each point with its nearest ones.
fn neighbours(points: &[[f64; 2]]) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    for (i, p) in points.iter().enumerate() {
        let mut others: Vec<(usize, f64)> = points.iter().enumerate().filter(|(j, _)| *j != i).map(|(j, q)| (j, apart(*p, *q))).collect();
        others.sort_by(|a, b| a.1.total_cmp(&b.1));
        out.extend(others.into_iter().take(NEIGHBOURS).map(|(j, _)| (i, j)));
    }
    out
}

/// Each pin of the phantom with the found one nearest to where it should lie, within reach, each found one once.
fn assign(placing: &Placing, pins: &[[f64; 2]], at: &[[f64; 2]], spacing: f64, reach: f64) -> Vec<Matched> {
    let reach = reach * spacing * placing.size();
    let mut close: Vec<(f64, usize, usize)> = Vec::new();
    for (pin, p) in pins.iter().enumerate() {
        let q = placing.of(*p);
        close.extend(at.iter().enumerate().map(|(found, f)| (apart(q, *f), pin, found)).filter(|c| c.0 <= reach));
    }
    close.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut used_pin, mut used_found) = (vec![false; pins.len()], vec![false; at.len()]);
    let mut pairs = Vec::new();
    for (_, pin, found) in close {
        if let (Some(p), Some(f)) = (used_pin.get_mut(pin), used_found.get_mut(found))
            && !*p
            && !*f
        {
            (*p, *f) = (true, true);
            pairs.push(Matched { found, pin });
        }
    }
    pairs.sort_by_key(|m| m.pin);
    pairs
}

/// Pins explained, less half for each found one that lies among the phantom's but is none of them.
fn score(placing: &Placing, pins: &[[f64; 2]], at: &[[f64; 2]], spacing: f64, reach: f64) -> f64 {
    let limit = reach * spacing * placing.size();
    let hit = pins
        .iter()
        .filter(|p| {
            let q = placing.of(**p);
            at.iter().any(|f| apart(q, *f) <= limit)
        })
        .count();
    hit as f64 - 0.5 * extra(placing, pins, at, hit) as f64
}

/// Found pins inside the box around the phantom's pins, as placed, beyond the `hit` explained ones.
fn extra(placing: &Placing, pins: &[[f64; 2]], at: &[[f64; 2]], hit: usize) -> usize {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for q in pins.iter().map(|p| placing.of(*p)) {
        for k in 0..2 {
            low[k] = low[k].min(q[k]);
            high[k] = high[k].max(q[k]);
        }
    }
    let margin = 0.02 * (high[0] - low[0]).max(high[1] - low[1]);
    let inside = |f: &&[f64; 2]| (0..2).all(|k| f[k] >= low[k] - margin && f[k] <= high[k] + margin);
    at.iter().filter(inside).count().saturating_sub(hit)
}

/// Fits a placing to the pins it explains, until these stay the same.
fn settle(mut placing: Placing, pins: &[[f64; 2]], at: &[[f64; 2]], spacing: f64) -> Option<Placing> {
    for _ in 0..4 {
        let pairs = assign(&placing, pins, at, spacing, REACH);
        let (p, q): (Vec<_>, Vec<_>) = pairs.iter().filter_map(|m| Some((*pins.get(m.pin)?, *at.get(m.found)?))).unzip();
        let fitted = super::fit::affine(&p, &q)?;
        placing = Placing { a: fitted.0, t: fitted.1 };
        if !(SCALES.0..=SCALES.1).contains(&placing.size()) {
            return None;
        }
    }
    Some(placing)
}

/// Whether the mirrored layout, wherever it is shifted, differs from the layout itself.
fn can_show_mirror(phantom: &Definition) -> bool {
    let pins = phantom.pins();
    let tolerance = 0.05 * phantom.least_spacing_mm();
    let Some(first) = pins.first() else { return false };
    // The mirrored first pin would have to lie on some pin.
    !pins.iter().any(|target| {
        let shift = [target[0] + first[0], target[1] - first[1]];
        pins.iter().all(|p| {
            let q = [shift[0] - p[0], p[1] + shift[1]];
            pins.iter().any(|other| apart(q, *other) <= tolerance)
        })
    })
}
