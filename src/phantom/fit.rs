//! Scale, rotation, shear and unevenness from matched pins, by robust least squares.
//!
//! The frame is taken as `column = (q_x + k·q_y)/s_x + c`, `row = q_y/s_y + r` with `q` the phantom turned by θ: two straight
//! equations in the phantom's coordinates, whose errors may differ (across the beam a pin is blurred more than along it).

use nalgebra::{DMatrix, DVector, Matrix4, Vector4};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::find::middle;
use crate::units::PxPoint;

/// Farther than this many robust SDs from the fit, a pin is set aside.
const OUTLIER_SDS: f64 = 5.5;
/// A pin is never set aside that lies closer to the fit than this, px: centroids are not better than that.
const LEAST_OUTLIER_PX: f64 = 0.4;
/// Pins needed for the unevenness: six numbers an axis, and some to tell their error.
const LEAST_FOR_LOCAL: usize = 12;

/// What is left of one pin when the fit is taken away.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Number of the pin in the phantom's list.
    pub pin: usize,
    /// Where it was found, px.
    pub at: PxPoint,
    /// Found minus fitted, mm (across, down), by the fitted scale.
    pub off_mm: [f64; 2],
    /// Whether the fit rests on it.
    pub kept: bool,
}

/// How much the scale differs over the frame: half the range of the local scale over the pins, relative to its mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Local {
    /// Across and down.
    pub half_range: [f64; 2],
    /// Largest standard uncertainty of the local scale at a pin, relative.
    pub u: [f64; 2],
}

/// The fit of one frame. All uncertainties are standard ones (k = 1) from the scatter of the pins alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// True millimetres per pixel across.
    pub mm_per_px_x: f64,
    /// True millimetres per pixel down.
    pub mm_per_px_y: f64,
    /// Relative standard uncertainty across.
    pub u_rel_x: f64,
    /// Relative standard uncertainty down.
    pub u_rel_y: f64,
    /// Correlation of the two scales.
    pub correlation: f64,
    /// Shear: columns move by this many mm a mm of depth.
    pub shear: f64,
    /// Its standard uncertainty.
    pub u_shear: f64,
    /// How the phantom lies turned in the frame, degrees, positive clockwise.
    pub rotation_degrees: f64,
    /// Its standard uncertainty, degrees.
    pub u_rotation_degrees: f64,
    /// Unevenness, where there are pins enough.
    pub local: Option<Local>,
    /// Each pin.
    pub residuals: Vec<Residual>,
    /// SD of the pins about the fit, mm (across, down).
    pub sd_mm: [f64; 2],
    /// Degrees of freedom of each axis: pins kept less three.
    pub dof: usize,
}

impl Fit {
    /// What a standard uncertainty is multiplied by for 95 %, by Student's t.
    #[must_use]
    pub fn t95(&self) -> f64 {
        t95(self.dof)
    }
}

/// Student's two-sided 95 % factor.
pub(crate) fn t95(dof: usize) -> f64 {
    StudentsT::new(0.0, 1.0, dof.max(1) as f64).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975))
}

/// Least squares with the columns of `terms`: parameters, SD of the residuals, and the inverse of the normal matrix.
fn solve(terms: &DMatrix<f64>, values: &DVector<f64>) -> Option<(DVector<f64>, f64, DMatrix<f64>)> {
    let (n, p) = terms.shape();
    if n <= p {
        return None;
    }
    let inverse = (terms.transpose() * terms).cholesky()?.inverse();
    let found = &inverse * (terms.transpose() * values);
    let left = values - terms * &found;
    let sd = (left.norm_squared() / (n - p) as f64).sqrt();
    found.iter().chain(inverse.iter()).all(|v| v.is_finite()).then_some((found, sd, inverse))
}

/// The middle of points, taken away for a well-conditioned fit.
fn centre(p: &[[f64; 2]]) -> [f64; 2] {
    [0, 1].map(|k| p.iter().filter_map(|v| v.get(k)).sum::<f64>() / p.len().max(1) as f64)
}

fn straight(p: &[[f64; 2]], c: [f64; 2]) -> DMatrix<f64> {
    DMatrix::from_fn(p.len(), 3, |i, j| match (j, p.get(i)) {
        (0, Some(v)) => v[0] - c[0],
        (1, Some(v)) => v[1] - c[1],
        _ => 1.0,
    })
}

/// The straight map `q = a·p + t` by plain least squares.
pub(crate) fn affine(p: &[[f64; 2]], q: &[[f64; 2]]) -> Option<([[f64; 2]; 2], [f64; 2])> {
    let c = centre(p);
    let terms = straight(p, c);
    let rows = [0, 1].map(|k| solve(&terms, &DVector::from_iterator(q.len(), q.iter().filter_map(|v| v.get(k).copied()))));
    let [Some((x, ..)), Some((y, ..))] = rows else { return None };
    let a = [[x[0], x[1]], [y[0], y[1]]];
    let t = [0, 1].map(|k| [&x, &y][k][2] - a[k][0] * c[0] - a[k][1] * c[1]);
    Some((a, t))
}

/// Fits matched pins: the number of each in the phantom's list, its place there (mm) and in the frame (px). `None` with
/// fewer than six, or when they lie on a line.
#[must_use]
pub fn fit(pins: &[(usize, [f64; 2], PxPoint)]) -> Option<Fit> {
    if pins.len() < 6 {
        return None;
    }
    let mut weights = vec![1.0_f64; pins.len()];
    let whole = Data::of(pins, &vec![true; pins.len()]);
    // Tukey's weights to a start that no outlier bends, then a hard cut, then plain least squares on what is kept.
    let mut off = Vec::new();
    for _ in 0..20 {
        let next = whole.off_weighted(&weights)?;
        let sds = [0, 1].map(|k| (1.4826 * middle(next.iter().map(|o: &[f64; 2]| o[k].abs()).collect())).max(1e-3));
        for (w, o) in weights.iter_mut().zip(&next) {
            let tukey = |k: usize| {
                let u = (o[k] / (4.685 * sds[k])).abs();
                if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
            };
            *w = tukey(0).min(tukey(1)).max(1e-6);
        }
        off = next;
    }
    // Three numbers were fitted to them, so that what is left is smaller than the errors are.
    let shrunk = (pins.len() as f64 / (pins.len() - 3) as f64).sqrt();
    let sds = [0, 1].map(|k| 1.4826 * shrunk * middle(off.iter().map(|o| o[k].abs()).collect()));
    let kept: Vec<bool> = off.iter().map(|o| (0..2).all(|k| o[k].abs() <= (OUTLIER_SDS * sds[k]).max(LEAST_OUTLIER_PX))).collect();
    let data = Data::of(pins, &kept);
    let (x, y) = (solve(&data.terms, &data.x)?, solve(&data.terms, &data.y)?);
    let dof = data.x.len().checked_sub(3).filter(|d| *d > 0)?;
    // b11, b12, b21, b22 in px per mm.
    let b = Vector4::new(x.0[0], x.0[1], y.0[0], y.0[1]);
    let [sx, sy, turn, shear] = shape(b);
    if ![sx, sy].iter().all(|s| s.is_finite() && *s > 0.0) {
        return None;
    }
    let mut covariance = Matrix4::zeros();
    for (block, sd, inverse) in [(0, x.1, &x.2), (2, y.1, &y.2)] {
        for i in 0..2 {
            for j in 0..2 {
                covariance[(block + i, block + j)] = sd * sd * inverse[(i, j)];
            }
        }
    }
    let gradient = Matrix4::from_columns(&[0, 1, 2, 3].map(|j| {
        let h = 1e-6 * b.norm();
        let (mut up, mut down) = (b, b);
        up[j] += h;
        down[j] -= h;
        (Vector4::from(shape(up)) - Vector4::from(shape(down))) / (2.0 * h)
    }));
    let of_shape = gradient * covariance * gradient.transpose();
    let u = |i: usize| of_shape[(i, i)].max(0.0).sqrt();
    let both = u(0) * u(1);
    let all = Data::of(pins, &vec![true; pins.len()]);
    let residuals = pins
        .iter()
        .zip(&kept)
        .enumerate()
        .map(|(i, (&(pin, p, at), &kept))| {
            let row = [p[0] - data.centre[0], p[1] - data.centre[1], 1.0];
            let fitted = |f: &DVector<f64>| row.iter().zip(f.iter()).map(|(a, b)| a * b).sum::<f64>();
            Residual { pin, at, off_mm: [(all.x[i] - fitted(&x.0)) * sx, (all.y[i] - fitted(&y.0)) * sy], kept }
        })
        .collect();
    Some(Fit {
        mm_per_px_x: sx,
        mm_per_px_y: sy,
        u_rel_x: u(0) / sx,
        u_rel_y: u(1) / sy,
        correlation: if both > 0.0 { (of_shape[(0, 1)] / both).clamp(-1.0, 1.0) } else { 0.0 },
        shear,
        u_shear: u(3),
        rotation_degrees: turn.to_degrees(),
        u_rotation_degrees: u(2).to_degrees(),
        local: local(&data),
        residuals,
        sd_mm: [x.1 * sx, y.1 * sy],
        dof,
    })
}

/// Scale across, scale down (mm per px), rotation (radians) and shear of a map in px per mm. Left and right may be
/// exchanged.
fn shape(b: Vector4<f64>) -> [f64; 4] {
    let down = b[2].hypot(b[3]);
    let (s, c) = (b[2] / down, b[3] / down);
    let across = b[0] * c - b[1] * s;
    [1.0 / across.abs(), 1.0 / down, s.atan2(c), (b[0] * s + b[1] * c) / across]
}

/// The kept pins as equations.
struct Data {
    places: Vec<[f64; 2]>,
    centre: [f64; 2],
    terms: DMatrix<f64>,
    x: DVector<f64>,
    y: DVector<f64>,
}

impl Data {
    fn of(pins: &[(usize, [f64; 2], PxPoint)], kept: &[bool]) -> Self {
        let chosen: Vec<_> = pins.iter().zip(kept).filter(|(_, k)| **k).map(|(p, _)| *p).collect();
        let places: Vec<[f64; 2]> = chosen.iter().map(|p| p.1).collect();
        let centre = centre(&places);
        Self {
            terms: straight(&places, centre),
            centre,
            x: DVector::from_iterator(chosen.len(), chosen.iter().map(|p| p.2.x)),
            y: DVector::from_iterator(chosen.len(), chosen.iter().map(|p| p.2.y)),
            places,
        }
    }

    /// Found minus fitted, px, by weighted least squares.
    fn off_weighted(&self, weights: &[f64]) -> Option<Vec<[f64; 2]>> {
        let root = DVector::from_iterator(weights.len(), weights.iter().map(|w| w.sqrt()));
        let terms = DMatrix::from_fn(self.terms.nrows(), 3, |i, j| self.terms[(i, j)] * root[i]);
        let off = [&self.x, &self.y].map(|v| solve(&terms, &v.component_mul(&root)).map(|(found, ..)| v - &self.terms * found));
        let [Some(x), Some(y)] = off else { return None };
        Some(x.iter().zip(y.iter()).map(|(a, b)| [*a, *b]).collect())
    }
}

/// Second-order terms of both equations, and what they make of the local scale at each pin.
fn local(data: &Data) -> Option<Local> {
    let n = data.places.len();
    if n < LEAST_FOR_LOCAL {
        return None;
    }
    let span = data.places.iter().flat_map(|p| [(p[0] - data.centre[0]).abs(), (p[1] - data.centre[1]).abs()]).fold(1.0, f64::max);
    let unit = |i: usize, k: usize| data.places.get(i).map_or(0.0, |p| (p[k] - data.centre[k]) / span);
    let terms = DMatrix::from_fn(n, 6, |i, j| {
        let (x, y) = (unit(i, 0), unit(i, 1));
        [1.0, x, y, x * x, x * y, y * y].get(j).copied().unwrap_or(0.0)
    });
    let mut out = Local { half_range: [0.0; 2], u: [0.0; 2] };
    for (k, values) in [(0, &data.x), (1, &data.y)] {
        let (found, sd, inverse) = solve(&terms, values)?;
        // The derivative along the axis itself: across for columns, down for rows.
        let mut steps = Vec::new();
        for i in 0..n {
            let (x, y) = (unit(i, 0), unit(i, 1));
            let d = if k == 0 { [0.0, 1.0, 0.0, 2.0 * x, y, 0.0] } else { [0.0, 0.0, 1.0, 0.0, x, 2.0 * y] };
            let d = DVector::from_row_slice(&d);
            steps.push((d.dot(&found), sd * d.dot(&(&inverse * &d)).max(0.0).sqrt()));
        }
        let mean = steps.iter().map(|s| s.0).sum::<f64>() / n as f64;
        let most = steps.iter().map(|s| s.0 / mean).fold(f64::NEG_INFINITY, f64::max);
        let least = steps.iter().map(|s| s.0 / mean).fold(f64::INFINITY, f64::min);
        out.half_range[k] = (most - least) / 2.0;
        out.u[k] = steps.iter().map(|s| (s.1 / mean).abs()).fold(0.0, f64::max);
    }
    Some(out)
}
