//! Where the variation of readings comes from: variance components by analysis of variance.
//!
//! - *Placement*: one reader, one frame, again.
//! - *Acquisition*: one reader, one exam, another frame.
//! - *Reader*: another reader on the same frame.
//!
//! A within component has an exact chi-squared interval. The interval of a difference of mean squares is the modified
//! large-sample one (Graybill & Wang 1980, Ting and others 1990, as in Burdick & Graybill 1992; from memory, its coverage
//! is simulated in `tests/it/agree.rs`). A negative component stays negative in the figures: it says that the
//! data do not show the component, and then the total is used.

use serde::{Deserialize, Serialize};

use super::bland_altman::LIMIT_FACTOR;
use super::{Estimate, cannot, check_values, mean, quantiles, sum_of_squares};
use crate::error::Result;
use crate::measure::Repeatability;
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// A department's own SD replaces the assumption only from this many pooled degrees of freedom over exams.
pub const LEAST_DEGREES: f64 = 30.0;
/// With fewer degrees of freedom an interval is printed without a claim of coverage.
pub const LEAST_DEGREES_TO_CLAIM: f64 = 10.0;
/// The method of a repeatability made here, `name@version`.
pub const METHOD: &str = "own-total-repeatability@1";

/// A mean square with its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeanSquare {
    /// Sum of squares over degrees of freedom.
    pub value: f64,
    /// Degrees of freedom.
    pub degrees: f64,
}

/// An SD with its exact interval, and what two readings may differ by.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Within {
    /// Within-subject SD.
    pub sd: Estimate,
    /// Repeatability coefficient, 1.96·√2·SD: 95 % of pairs of readings differ by less.
    pub repeatability_coefficient: Estimate,
    /// Degrees of freedom.
    pub degrees: f64,
    /// Whether they are enough to claim the interval's coverage.
    pub coverage_claimed: bool,
}

impl Within {
    fn of(ms: MeanSquare) -> Self {
        let sd = ms.value.sqrt();
        let end = |p: f64| quantiles::chi_squared(p, ms.degrees).map_or(f64::NAN, |c| sd * (ms.degrees / c).sqrt());
        let sd = Estimate::between(sd, end(0.975), end(0.025));
        let factor = LIMIT_FACTOR * std::f64::consts::SQRT_2;
        let repeatability_coefficient =
            Estimate { value: sd.value * factor, low: sd.low.map(|v| v * factor), high: sd.high.map(|v| v * factor) };
        Self { sd, repeatability_coefficient, degrees: ms.degrees, coverage_claimed: ms.degrees >= LEAST_DEGREES_TO_CLAIM }
    }
}

/// One-way random effects.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OneWay {
    /// Groups with at least one value.
    pub groups: usize,
    /// Values.
    pub values: usize,
    /// Between groups; `None` with one group.
    pub between: Option<MeanSquare>,
    /// Within groups.
    pub within: MeanSquare,
    /// The group size that the components use (equal to it when all are equal).
    pub effective_size: f64,
    /// Variance between groups; may be negative. Its interval is approximate when sizes differ. `None` with one group.
    pub between_variance: Option<Estimate>,
    /// SD within groups.
    pub repeatability: Within,
}

/// One-way analysis of groups of any sizes; a group of one takes part in the between-groups part only.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when no group holds two values, or a number is not finite.
pub fn one_way(groups: &[Vec<f64>]) -> Result<OneWay> {
    let what = "the within-subject SD";
    check_values(what, groups.iter().flatten())?;
    let groups: Vec<&Vec<f64>> = groups.iter().filter(|g| !g.is_empty()).collect();
    let values: usize = groups.iter().map(|g| g.len()).sum();
    let degrees = values - groups.len();
    if degrees == 0 {
        return Err(cannot(what, "at least one group of two or more readings", "none"));
    }
    let within = MeanSquare { value: groups.iter().map(|g| sum_of_squares(g)).sum::<f64>() / degrees as f64, degrees: degrees as f64 };
    let (n, k) = (values as f64, groups.len() as f64);
    let grand = groups.iter().flat_map(|g| g.iter()).sum::<f64>() / n;
    let squares: f64 = groups.iter().map(|g| (g.len() as f64).powi(2)).sum();
    let (between, effective_size) = if groups.len() > 1 {
        let ss: f64 = groups.iter().map(|g| g.len() as f64 * (mean(g) - grand).powi(2)).sum();
        (Some(MeanSquare { value: ss / (k - 1.0), degrees: k - 1.0 }), (n - squares / n) / (k - 1.0))
    } else {
        (None, n)
    };
    Ok(OneWay {
        groups: groups.len(),
        values,
        between,
        within,
        effective_size,
        between_variance: between.map(|b| difference(b, within, effective_size)),
        repeatability: Within::of(within),
    })
}

/// (a − b)/n of two mean squares, with the modified large-sample interval.
fn difference(a: MeanSquare, b: MeanSquare, n: f64) -> Estimate {
    let value = (a.value - b.value) / n;
    let ends = || -> Option<(f64, f64)> {
        const UP: f64 = 0.975;
        let (fa, fb) = (quantiles::chi_squared(UP, a.degrees)? / a.degrees, quantiles::chi_squared(1.0 - UP, b.degrees)? / b.degrees);
        let (ga, hb) = (1.0 - 1.0 / fa, 1.0 / fb - 1.0);
        let f = quantiles::f(UP, a.degrees, b.degrees)?;
        let gab = ((f - 1.0).powi(2) - (ga * f).powi(2) - hb * hb) / f;
        let below = (ga * a.value).powi(2) + (hb * b.value).powi(2) + gab * a.value * b.value;
        let (fa, fb) = (quantiles::chi_squared(1.0 - UP, a.degrees)? / a.degrees, quantiles::chi_squared(UP, b.degrees)? / b.degrees);
        let (ha, gb) = (1.0 / fa - 1.0, 1.0 - 1.0 / fb);
        let f = quantiles::f(1.0 - UP, a.degrees, b.degrees)?;
        let hab = ((1.0 - f).powi(2) - (ha * f).powi(2) - gb * gb) / f;
        let above = (ha * a.value).powi(2) + (gb * b.value).powi(2) + hab * a.value * b.value;
        Some((value - below.max(0.0).sqrt() / n, value + above.max(0.0).sqrt() / n))
    };
    ends().map_or(Estimate::bare(value), |(low, high)| Estimate::between(value, low, high))
}

/// Two-way random effects, one reading in each cell: subjects by readers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TwoWay {
    /// Subjects (rows).
    pub subjects: usize,
    /// Readers (columns).
    pub readers: usize,
    /// Between subjects.
    pub subject: MeanSquare,
    /// Within subjects, readers not told apart.
    pub within: MeanSquare,
    /// Between readers.
    pub reader: MeanSquare,
    /// What is left: placement, acquisition and reader-by-subject together.
    pub residual: MeanSquare,
    /// Variance between subjects; may be negative.
    pub subject_variance: Estimate,
    /// Variance between readers (their biases); may be negative.
    pub reader_variance: Estimate,
    /// SD of what is left.
    pub residual_sd: Within,
    /// SD of one reading by any reader about the subject's value: √(reader + residual variance), a negative part as 0.
    pub reproducibility_sd: f64,
}

/// The mean squares of a full two-way table.
#[derive(Clone, Copy, Debug)]
pub(super) struct Squares {
    pub(super) subject: MeanSquare,
    pub(super) within: MeanSquare,
    pub(super) reader: MeanSquare,
    pub(super) residual: MeanSquare,
}

/// The mean squares of a full table, rows subjects and columns readers, at least 2 by 2.
pub(super) fn mean_squares(table: &[Vec<f64>]) -> Result<Squares> {
    let what = "reader variation";
    check_values(what, table.iter().flatten())?;
    let (rows, columns) = (table.len(), table.first().map_or(0, Vec::len));
    if rows < 2 || columns < 2 || table.iter().any(|r| r.len() != columns) {
        return Err(cannot(what, "at least 2 frames that were each read by the same 2 or more readers", format!("{rows} by {columns}")));
    }
    let (n, k) = (rows as f64, columns as f64);
    let row_means: Vec<f64> = table.iter().map(|r| mean(r)).collect();
    let column_means: Vec<f64> = (0..columns).map(|j| table.iter().filter_map(|r| r.get(j)).sum::<f64>() / n).collect();
    let grand = mean(&row_means);
    let left: f64 = table
        .iter()
        .zip(&row_means)
        .flat_map(|(row, rm)| row.iter().zip(&column_means).map(move |(v, cm)| (v - rm - cm + grand).powi(2)))
        .sum();
    let square = |ss: f64, degrees: f64| MeanSquare { value: ss / degrees, degrees };
    Ok(Squares {
        subject: square(k * sum_of_squares(&row_means), n - 1.0),
        within: square(table.iter().map(|r| sum_of_squares(r)).sum(), n * (k - 1.0)),
        reader: square(n * sum_of_squares(&column_means), k - 1.0),
        residual: square(left, (n - 1.0) * (k - 1.0)),
    })
}

/// Two-way analysis of a full table, rows subjects and columns readers, at least 2 by 2.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when the table is smaller, has gaps, or holds numbers that are not finite.
pub fn two_way(table: &[Vec<f64>]) -> Result<TwoWay> {
    let Squares { subject, within, reader, residual } = mean_squares(table)?;
    let (subjects, readers) = (table.len(), table.first().map_or(0, Vec::len));
    let reader_variance = difference(reader, residual, subjects as f64);
    Ok(TwoWay {
        subjects,
        readers,
        subject,
        within,
        reader,
        residual,
        subject_variance: difference(subject, residual, readers as f64),
        reader_variance,
        residual_sd: Within::of(residual),
        reproducibility_sd: (reader_variance.value.max(0.0) + residual.value).sqrt(),
    })
}

/// One reader's readings of one exam: for each frame, the values of its repeats.
pub type Exam = Vec<Vec<f64>>;

/// Placement and acquisition from readings nested in frames nested in exams (of one reader each).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Nested {
    /// Between frames of an exam.
    pub frames: Option<MeanSquare>,
    /// Between readings of a frame.
    pub repeats: Option<MeanSquare>,
    /// SD of placement, from repeats of one frame.
    pub placement: Option<Within>,
    /// Variance of acquisition, from frames of one exam; may be negative.
    pub acquisition_variance: Option<Estimate>,
    /// SD of one reading within an exam, placement and acquisition together.
    pub total: Option<Within>,
    /// Degrees of freedom over frames of exams, which the rule for replacing the assumption counts.
    pub frame_degrees: f64,
    /// Whether acquisition came out negative, so that the total is that of all readings pooled.
    pub negative_acquisition: bool,
}

/// Nested analysis of exams of any sizes.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when no exam has two frames and no frame two readings, or a number is not finite.
pub fn nested(exams: &[Exam]) -> Result<Nested> {
    let what = "placement and acquisition";
    check_values(what, exams.iter().flatten().flatten())?;
    let (mut ss_frames, mut df_frames, mut ss_repeats, mut df_repeats) = (0.0, 0.0, 0.0, 0.0);
    // Coefficient of the acquisition variance in the expected sum of squares between frames.
    let mut coefficient = 0.0;
    for exam in exams {
        let frames: Vec<&Vec<f64>> = exam.iter().filter(|f| !f.is_empty()).collect();
        let n: f64 = frames.iter().map(|f| f.len() as f64).sum();
        if frames.is_empty() {
            continue;
        }
        let centre = frames.iter().flat_map(|f| f.iter()).sum::<f64>() / n;
        ss_frames += frames.iter().map(|f| f.len() as f64 * (mean(f) - centre).powi(2)).sum::<f64>();
        df_frames += frames.len() as f64 - 1.0;
        coefficient += n - frames.iter().map(|f| (f.len() as f64).powi(2)).sum::<f64>() / n;
        ss_repeats += frames.iter().map(|f| sum_of_squares(f)).sum::<f64>();
        df_repeats += n - frames.len() as f64;
    }
    if df_frames + df_repeats <= 0.0 {
        return Err(cannot(what, "an exam with two frames, or a frame with two readings, by one reader", "none"));
    }
    let square = |ss: f64, df: f64| (df > 0.0).then(|| MeanSquare { value: ss / df, degrees: df });
    let (frames, repeats) = (square(ss_frames, df_frames), square(ss_repeats, df_repeats));
    let mut result = Nested {
        frames,
        repeats,
        placement: repeats.map(Within::of),
        acquisition_variance: None,
        total: None,
        frame_degrees: df_frames,
        negative_acquisition: false,
    };
    match (frames, repeats) {
        (Some(f), Some(r)) => {
            let size = coefficient / f.degrees;
            let acquisition = difference(f, r, size);
            result.acquisition_variance = Some(acquisition);
            result.negative_acquisition = acquisition.value < 0.0;
            let total = if result.negative_acquisition {
                MeanSquare { value: (ss_frames + ss_repeats) / (df_frames + df_repeats), degrees: df_frames + df_repeats }
            } else {
                // Variance f/size + (1 − 1/size)·r, degrees of freedom by Satterthwaite.
                let (a, b) = (f.value / size, (1.0 - 1.0 / size) * r.value);
                let spread = a * a / f.degrees + b * b / r.degrees;
                let degrees = if spread > 0.0 { (a + b).powi(2) / spread } else { f.degrees };
                MeanSquare { value: a + b, degrees }
            };
            result.total = Some(Within::of(total));
        }
        // One reading of each frame: the spread between frames is the total.
        (Some(f), None) => result.total = Some(Within::of(f)),
        (None, _) => {}
    }
    Ok(result)
}

/// The department's own total repeatability, where the rule lets it replace the labelled assumption: at least
/// [`LEAST_DEGREES`] pooled degrees of freedom over the frames of exams, and an SD above 0.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid), saying what is missing.
pub fn own_repeatability(nested: &Nested) -> Result<Repeatability> {
    let what = "the department's own repeatability";
    let least = format!("at least {LEAST_DEGREES} degrees of freedom over frames of exams");
    let Some(total) = nested.total else {
        return Err(cannot(what, least, "readings of single frames only, which tell placement but not acquisition"));
    };
    let degrees = total.degrees.min(nested.frame_degrees);
    if degrees < LEAST_DEGREES {
        return Err(cannot(what, least, format!("{degrees:.0}")).remedy("The labelled assumption stays in use"));
    }
    if total.sd.value <= 0.0 {
        return Err(cannot(what, "readings that differ", "none that do"));
    }
    let range = match (total.sd.low, total.sd.high) {
        (Some(low), Some(high)) => format!(", 95 % {low:.2} to {high:.2} mm"),
        _ => String::new(),
    };
    Ok(Repeatability {
        sd_mm: Mm::new(total.sd.value),
        method: METHOD.into(),
        assumed: false,
        source: Citation {
            text: format!("this department's own readings of several frames of an exam: {:.0} degrees of freedom{range}", total.degrees)
                .into(),
            provenance: Provenance::OwnMeasurement,
        },
        degrees_of_freedom: Some(total.degrees),
        readings: None,
        own_placement: None,
    })
}
