//! Two readers' readings of one exam, side by side: how far apart, whether that is more than repeats differ, and whether
//! they come to the same finding.

use serde::{Deserialize, Serialize};

use super::ReadingRecord;
use crate::calibrate::Calibration;
use crate::measure::Value;
use crate::reading::Measured;
use crate::units::{Mm, PxPoint};

/// 95 % of differences between two readings are smaller than this many SD of one: 1.96 × √2 (British Standards
/// Institution repeatability coefficient; Bland & Altman 1999, Stat Methods Med Res 8:135).
pub const LIMIT_PER_SD: f64 = 1.959_963_984_540_054 * std::f64::consts::SQRT_2;

/// How far one landmark lies apart, where both are on the same frame and scale.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shift {
    /// Which landmark.
    pub landmark: String,
    /// Distance between its two places, mm.
    pub mm: Mm,
}

/// Two readings compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Comparison {
    /// Id of the first reading.
    pub first: String,
    /// Id of the second reading.
    pub second: String,
    /// Whether both are of the very same frame.
    pub same_frame: bool,
    /// Second less first, mm; absent unless both are exact distances.
    pub difference_mm: Option<f64>,
    /// What 95 % of differences between two readings stay under, mm: [`LIMIT_PER_SD`] times the larger of the two SDs in use.
    pub limit_mm: f64,
    /// Whether that SD is an assumption.
    pub limit_is_assumed: bool,
    /// Whether both come to the same band of the same table, or to the same kind of finding without a band; false where either
    /// has no distance.
    pub same_finding: bool,
    /// Whether both state the same side.
    pub same_side: bool,
    /// Landmarks apart, on the same frame.
    pub shifts: Vec<Shift>,
}

impl Comparison {
    /// Compares `second` with `first`.
    #[must_use]
    pub fn of(first: &ReadingRecord, second: &ReadingRecord) -> Self {
        let (a, b) = (first.distance.measured(), second.distance.measured());
        let exact = |m: Option<&Measured>| match m.map(|m| m.measurement.value) {
            Some(Value::Exact { signed_mm }) => Some(signed_mm.get()),
            _ => None,
        };
        let same_frame = first.frame.same_picture(&second.frame);
        let same_finding = match (a, b) {
            (Some(a), Some(b)) if first.table == second.table => match (a.finding.nominal_kind(), b.finding.nominal_kind()) {
                (Some(x), Some(y)) => x == y,
                (None, None) => std::mem::discriminant(&a.finding.outcome) == std::mem::discriminant(&b.finding.outcome),
                _ => false,
            },
            _ => false,
        };
        let (r, s) = (&first.repeatability, &second.repeatability);
        let larger = if r.sd_mm.get() >= s.sd_mm.get() { r } else { s };
        let shifts = match (a, b) {
            (Some(a), Some(b)) if same_frame && a.scale.calibration == b.scale.calibration => shifts(first, second, &a.scale.calibration),
            _ => Vec::new(),
        };
        Self {
            first: first.id().to_owned(),
            second: second.id().to_owned(),
            same_frame,
            difference_mm: exact(a).zip(exact(b)).map(|(a, b)| b - a),
            limit_mm: LIMIT_PER_SD * larger.sd_mm.get(),
            limit_is_assumed: larger.assumed,
            same_finding,
            same_side: first.side == second.side,
            shifts,
        }
    }

    /// Whether the two cannot both be right: another finding or another side. Such readings must be settled before either
    /// is signed.
    #[must_use]
    pub const fn discordant(&self) -> bool {
        !self.same_finding || !self.same_side
    }

    /// Whether they lie further apart than repeats do; `None` without two exact distances.
    #[must_use]
    pub fn beyond_limit(&self) -> Option<bool> {
        self.difference_mm.map(|d| d.abs() > self.limit_mm)
    }

    /// Whether two comparisons say the same, but for rounding of another machine.
    #[must_use]
    pub fn same_as(&self, other: &Self) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-9;
        let numbers = match (self.difference_mm, other.difference_mm) {
            (Some(a), Some(b)) => near(a, b),
            (a, b) => a.is_none() && b.is_none(),
        };
        let same_shift = |(a, b): (&Shift, &Shift)| a.landmark == b.landmark && near(a.mm.get(), b.mm.get());
        let bare = |c: &Self| Self { difference_mm: None, limit_mm: 0.0, shifts: Vec::new(), ..c.clone() };
        numbers
            && near(self.limit_mm, other.limit_mm)
            && self.shifts.len() == other.shifts.len()
            && self.shifts.iter().zip(&other.shifts).all(same_shift)
            && bare(self) == bare(other)
    }

    /// The comparison in sentences.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let mut out = Vec::new();
        let basis = if self.limit_is_assumed { "assumed" } else { "this department's own" };
        match self.difference_mm {
            Some(d) => {
                let than = if self.beyond_limit() == Some(true) { "more than" } else { "within" };
                out.push(format!(
                    "The second reading is {:.1} mm {} the first: {than} the {:.1} mm that 95 % of repeats stay under ({basis} repeatability).",
                    d.abs(),
                    if d < 0.0 { "below" } else { "above" },
                    self.limit_mm
                ));
            }
            None => out.push("No difference in mm: not both are exact distances.".into()),
        }
        out.push(if self.same_side { "Both state the same side.".into() } else { "They state different sides.".to_owned() });
        out.push(if self.same_finding { "Both come to the same finding.".into() } else { "They come to different findings.".to_owned() });
        out.push(if self.same_frame { "Both are of the same frame.".into() } else { "They are of different frames.".to_owned() });
        out.extend(self.shifts.iter().map(|s| format!("{}: {:.1} mm apart.", s.landmark, s.mm.get())));
        out
    }
}

fn shifts(first: &ReadingRecord, second: &ReadingRecord, scale: &Calibration) -> Vec<Shift> {
    let (a, b) = (&first.landmarks, &second.landmarks);
    let pairs: [(&str, Option<(PxPoint, PxPoint)>); 4] = [
        ("internal os", Some((a.internal_os, b.internal_os))),
        (a.edge.words(), (std::mem::discriminant(&a.edge) == std::mem::discriminant(&b.edge)).then(|| (a.edge.at(), b.edge.at()))),
        ("placental body", a.placental_body.zip(b.placental_body)),
        ("marginal sinus", a.marginal_sinus.zip(b.marginal_sinus)),
    ];
    pairs
        .into_iter()
        .filter_map(|(name, points)| {
            let (p, q) = points?;
            Some(Shift { landmark: name.to_owned(), mm: scale.distance(p, q) })
        })
        .collect()
}
