//! Serial exams: how the edge-to-os distance changed, with its error, and never what it will be.
//!
//! The error of a change comes from the known uncertainties, not from the scatter of two or three points, which leave no
//! degrees of freedom to estimate one. Scale is shared between exams on one calibration: there it adds linearly with its
//! sign and partly cancels; between different calibrations it is independent. Only exams in which both ends were seen
//! take part; a one-sided value is listed and left out.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::context::GestationalAge;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::Interval;
use crate::guideline::ExplainLine;
use crate::measure::interval::Z95;
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// `name@version` of this method. A change that can move a number gets a new version.
pub const METHOD: &str = "trend@1";
/// Most exams of one pregnancy that are taken.
pub const MOST_EXAMS: usize = 200;

/// One exam on the line.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Gestational age at the exam.
    pub age: GestationalAge,
    /// Signed distance, mm. The same estimand in every exam: exam distance, or shortest seen, never both.
    pub signed_mm: Mm,
    /// Standard uncertainty from placement and acquisition, independent between exams, mm. It includes the difference
    /// from one scan to the next of the same woman.
    pub u_independent_mm: Mm,
    /// Relative standard uncertainty of the scale (scale and speed of sound together), 0 to 1.
    pub u_scale_relative: f64,
    /// Which calibration: exams with the same name share its error.
    pub calibration: String,
}

/// What the exams show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Exams in it.
    pub exams: usize,
    /// Change from the first exam to the last, mm.
    pub change_mm: Mm,
    /// 95 % interval of it, from the two exams alone.
    pub change_interval: Interval,
    /// Change per week by the best line through all exams, mm per week.
    pub per_week_mm: f64,
    /// Its standard uncertainty, mm per week.
    pub u_per_week_mm: f64,
    /// 95 % interval of it, mm per week.
    pub per_week_interval: (f64, f64),
    /// Whether the interval of the change per week leaves out 0.
    pub demonstrated: bool,
    /// How probable a scatter at least as large about the line is, 0 to 1; `None` with two exams, which always lie on one.
    pub fit: Option<f64>,
}

/// The change over `points`, in any order.
///
/// # Errors
/// [`ErrorKind::Invalid`] with fewer than two exams, when two exams have the same age, or when a number is not possible.
pub fn trend(points: &[Point]) -> Result<Trend> {
    if points.len() > MOST_EXAMS {
        return Err(Error::new(ErrorKind::Limit, "there are too many exams for one trend")
            .expected(format!("at most {MOST_EXAMS}"))
            .found(points.len().to_string()));
    }
    let mut points = points.to_vec();
    points.sort_by_key(|p| p.age);
    let (Some(first), Some(last), true) = (points.first(), points.last(), points.len() >= 2) else {
        return Err(Error::new(ErrorKind::Invalid, "there is no change to speak of")
            .expected("two exams or more in which both ends of the distance were seen")
            .found(points.len().to_string()));
    };
    for (p, next) in points.iter().zip(points.iter().skip(1)) {
        if p.age == next.age {
            return Err(Error::new(ErrorKind::Invalid, format!("two exams have the same gestational age, {}", p.age))
                .remedy("Summarise the readings of one exam first"));
        }
    }
    let possible = |p: &Point| {
        p.signed_mm.is_finite()
            && p.u_independent_mm.is_finite()
            && p.u_independent_mm > Mm::new(0.0)
            && (0.0..1.0).contains(&p.u_scale_relative)
    };
    if let Some(p) = points.iter().find(|p| !possible(p)) {
        return Err(Error::new(ErrorKind::Invalid, format!("the exam at {} cannot be used", p.age))
            .expected("a finite distance, a positive uncertainty and a relative scale uncertainty below 1")
            .found(format!("{}, {} and {}", p.signed_mm, p.u_independent_mm, p.u_scale_relative)));
    }
    let change = last.signed_mm - first.signed_mm;
    let u_change = (covariance(first, first) + covariance(last, last) - 2.0 * covariance(first, last)).max(0.0).sqrt();
    let line = fit(&points).ok_or_else(|| Error::new(ErrorKind::Invalid, "no line fits these exams"))?;
    let margin = Z95 * line.u_slope;
    let interval = (line.slope - margin, line.slope + margin);
    Ok(Trend {
        exams: points.len(),
        change_mm: change,
        change_interval: Interval {
            low_mm: Some(change - Mm::new(Z95 * u_change)),
            high_mm: Some(change + Mm::new(Z95 * u_change)),
            coverage: 0.95,
        },
        per_week_mm: line.slope,
        u_per_week_mm: line.u_slope,
        per_week_interval: interval,
        demonstrated: interval.0 > 0.0 || interval.1 < 0.0,
        fit: line.fit,
    })
}

/// Covariance of two exams, mm²: independent parts only with themselves, scale parts with all of the same calibration.
fn covariance(a: &Point, b: &Point) -> f64 {
    let own = if a.age == b.age { a.u_independent_mm.get().powi(2) } else { 0.0 };
    let shared = if a.calibration == b.calibration {
        (a.u_scale_relative * a.signed_mm.get()) * (b.u_scale_relative * b.signed_mm.get())
    } else {
        0.0
    };
    own + shared
}

struct Line {
    slope: f64,
    u_slope: f64,
    fit: Option<f64>,
}

/// Generalised least squares with known covariance (Aitken 1935): b = (XᵀV⁻¹X)⁻¹XᵀV⁻¹y, var b = (XᵀV⁻¹X)⁻¹.
fn fit(points: &[Point]) -> Option<Line> {
    let n = points.len();
    let centre = points.iter().map(weeks).sum::<f64>() / n as f64;
    let at = |i: usize| points.get(i);
    let v = DMatrix::from_fn(n, n, |i, j| at(i).zip(at(j)).map_or(f64::NAN, |(a, b)| covariance(a, b)));
    let x = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { at(i).map_or(f64::NAN, |p| weeks(p) - centre) });
    let y = DVector::from_iterator(n, points.iter().map(|p| p.signed_mm.get()));
    let chol = v.cholesky()?;
    let normal = x.transpose() * chol.solve(&x);
    let cov = normal.try_inverse()?;
    let beta = &cov * (x.transpose() * chol.solve(&y));
    let (slope, variance) = (*beta.get(1)?, *cov.get((1, 1))?);
    if !slope.is_finite() || !variance.is_finite() || variance < 0.0 {
        return None;
    }
    let residual = &y - &x * &beta;
    let chi2 = residual.dot(&chol.solve(&residual));
    let fit = (n > 2).then(|| ChiSquared::new(n as f64 - 2.0).ok().map(|d| 1.0 - d.cdf(chi2.max(0.0)))).flatten();
    Some(Line { slope, u_slope: variance.sqrt(), fit })
}

fn weeks(p: &Point) -> f64 {
    f64::from(p.age.total_days()) / 7.0
}

impl Trend {
    /// The change in sentences, then the published group means, each with its source.
    #[must_use]
    pub fn lines(&self) -> Vec<ExplainLine> {
        let own = |text: String| ExplainLine {
            text,
            row: format!("program / {METHOD}"),
            source: Citation::fixed("known uncertainties of the exams; no change is extrapolated", Provenance::OwnAssumption),
        };
        let (low, high) = self.per_week_interval;
        let mut out = Vec::new();
        let verdict = if !self.demonstrated {
            "No demonstrated change"
        } else if self.per_week_mm > 0.0 {
            "The edge moved away from the os"
        } else {
            "The edge moved towards the os"
        };
        out.push(own(format!(
            "{verdict}: {:+.1} mm per week, 95 % interval {low:+.1} to {high:+.1}, over {} exams.",
            self.per_week_mm, self.exams
        )));
        if self.fit.is_some_and(|p| p < 0.05) {
            out.push(own("The exams do not lie on one line within their errors: look at each again.".into()));
        }
        out.push(own("Nothing is said of where the edge will be.".into()));
        out.extend(group_means());
        out
    }
}

/// Published rates of groups, mm per week, for comparison only.
#[must_use]
pub fn group_means() -> Vec<ExplainLine> {
    [
        (
            "oppenheimer-2001",
            "Oppenheimer 2001, 36 women from 26 weeks: mean +5.4 mm per week without caesarean for previa, +0.3 with. Group means.",
            "Oppenheimer L et al. 2001",
            Provenance::Published,
        ),
        (
            "predanic-2005",
            "Predanic 2005, 163 women from 28 weeks: from 0.1 (overlap at the end) to 4.1 mm per week (3 cm or more at the end). Group means.",
            "Predanic M et al. 2005, PMID 15914681",
            Provenance::Published,
        ),
        ("predanic-2005-overall", "Predanic 2005: 2.7 mm per week overall. A group mean.", "Predanic M et al. 2005, PMID 15914681", Provenance::SecondHand),
    ]
    .into_iter()
    .map(|(id, text, source, provenance)| ExplainLine {
        text: text.to_owned(),
        row: format!("trend / {id}"),
        source: Citation::fixed(source, provenance),
    })
    .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    fn point(age: &str, mm: f64, u: f64, scale: f64, calibration: &str) -> Point {
        Point {
            age: age.parse().unwrap(),
            signed_mm: Mm::new(mm),
            u_independent_mm: Mm::new(u),
            u_scale_relative: scale,
            calibration: calibration.into(),
        }
    }

    fn u_change(t: &Trend) -> f64 {
        (t.change_interval.high_mm.unwrap() - t.change_interval.low_mm.unwrap()).get() / (2.0 * Z95)
    }

    /// Source: by hand: two scans 4 weeks apart, 2 mm SD each: ± 1.96 × √2 × 2 / 4 = ± 1.4 mm per week.
    #[test]
    fn two_scans_four_weeks_apart_carry_one_point_four_per_week() {
        let t = trend(&[point("32w0d", 18.0, 2.0, 0.0, "a"), point("28w0d", 10.0, 2.0, 0.0, "b")]).unwrap();
        assert!((t.per_week_mm - 2.0).abs() < 1e-12, "{t:?}");
        assert!((t.per_week_interval.1 - 2.0 - 1.386).abs() < 5e-4, "{t:?}");
        assert!(t.demonstrated && t.fit.is_none());
        assert_eq!(t.change_mm, Mm::new(8.0));
    }

    /// Source: error propagation by hand, confirmed by Monte Carlo: 30 and 20 mm on one scale of 2 %, 0.1 mm reading each.
    #[test]
    fn a_shared_scale_partly_cancels() {
        let on = |a: &str, b: &str| trend(&[point("28w0d", 20.0, 0.1, 0.02, a), point("30w0d", 30.0, 0.1, 0.02, b)]).unwrap();
        let (same, different) = (on("a", "a"), on("a", "b"));
        assert!((u_change(&same) - 0.245).abs() < 5e-4, "{}", u_change(&same));
        assert!((u_change(&different) - 0.735).abs() < 5e-4, "{}", u_change(&different));
        // With two exams the line is the change.
        assert!((same.u_per_week_mm * 2.0 - u_change(&same)).abs() < 1e-9);
    }

    #[test]
    fn a_shared_scale_error_adds_across_the_os() {
        // From −10 to +10 mm a scale error moves both ends apart: u = 0.02 × 20, not 0.
        let t = trend(&[point("28w0d", -10.0, 1e-6, 0.02, "a"), point("30w0d", 10.0, 1e-6, 0.02, "a")]).unwrap();
        assert!((u_change(&t) - 0.4).abs() < 1e-6, "{}", u_change(&t));
    }

    #[test]
    fn a_change_within_the_error_is_no_demonstrated_change() {
        let t = trend(&[point("28w0d", 10.0, 2.0, 0.01, "a"), point("32w0d", 14.0, 2.0, 0.01, "a")]).unwrap();
        assert!(!t.demonstrated);
        let text = t.lines().iter().map(|l| l.text.as_str()).collect::<Vec<_>>().join("\n");
        assert!(text.starts_with("No demonstrated change: +1.0 mm per week, 95 % interval -0.4 to +2.4, over 2 exams."), "{text}");
        assert!(text.contains("Nothing is said of where the edge will be") && !text.contains("will resolve"));
    }

    /// Source: ordinary least squares by hand. 10, 12, 17 mm at 28, 30, 32 weeks: slope 1.75; equal SD 2: u = 2/√8.
    #[test]
    fn three_exams_on_equal_terms_are_ordinary_least_squares() {
        let t = trend(&[point("28w0d", 10.0, 2.0, 0.0, "a"), point("30w0d", 12.0, 2.0, 0.0, "a"), point("32w0d", 17.0, 2.0, 0.0, "a")])
            .unwrap();
        assert!((t.per_week_mm - 1.75).abs() < 1e-12 && (t.u_per_week_mm - 2.0 / 8f64.sqrt()).abs() < 1e-12, "{t:?}");
        // Residuals 0.5, −1, 0.5: chi-squared 1.5/4 on one degree of freedom; p = 0.540 (scipy 1.17.1 chi2.sf).
        assert!((t.fit.unwrap() - 0.540_291).abs() < 1e-5, "{t:?}");
    }

    #[test]
    fn exams_that_cannot_be_compared_are_refused() {
        let p = |age, mm| point(age, mm, 2.0, 0.0, "a");
        assert!(trend(&[]).is_err() && trend(&[p("28w0d", 1.0)]).is_err());
        assert!(trend(&[p("28w0d", 1.0), p("28w0d", 2.0)]).unwrap_err().to_string().contains("same gestational age"));
        for bad in [p("30w0d", f64::NAN), point("30w0d", 1.0, 0.0, 0.0, "a"), point("30w0d", 1.0, 2.0, f64::NAN, "a")] {
            assert!(trend(&[p("28w0d", 1.0), bad]).is_err());
        }
    }
}
