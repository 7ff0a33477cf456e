//! Cross-checks of a frame's scale: what else in the file and the picture speaks for or against it.
//!
//! A check is consistent, inconsistent or ambiguous. None confirms: several wrong scales would pass the same check.

use serde::{Deserialize, Serialize};

use super::LastCheck;
use super::header::{CONTRADICTION, Survey};
use super::ticks::{Along, TickRow};
use crate::frame::Geometry;
use jiff::civil::Date;

/// A step read from the ticks agrees with a customary one within this share, or three standard uncertainties of the fit
/// where that is more (own assumption).
pub const TICK_TOLERANCE: f64 = 0.01;
/// A row whose step is known no better than this share says nothing.
const MOST_U_STEP: f64 = 0.02;
/// Depths that endovaginal probes are used at, mm (own assumption).
pub const USUAL_DEPTH_MM: (f64, f64) = (30.0, 180.0);

/// Which check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CrossCheck {
    /// Ticks burned into the picture.
    Ticks,
    /// The region's box in the picture.
    Box,
    /// Pixel Spacing.
    PixelSpacing,
    /// Pixel Aspect Ratio.
    PixelAspect,
    /// The depth that the scale makes of the picture.
    Depth,
    /// The last check on a phantom.
    Phantom,
    /// The speed of sound in tissue.
    SoundSpeed,
}

/// What a check comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// Nothing speaks against the scale here.
    Consistent,
    /// Something does.
    Inconsistent,
    /// It could be either way.
    Ambiguous,
}

impl Agreement {
    /// Its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Consistent => "consistent",
            Self::Inconsistent => "inconsistent",
            Self::Ambiguous => "ambiguous",
        }
    }
}

/// One line of the scale part of the case sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleLine {
    /// Which check.
    pub check: CrossCheck,
    /// What it comes to.
    pub agreement: Agreement,
    /// Whether it stops millimetres until a person resolves it.
    pub serious: bool,
    /// In words.
    pub text: String,
}

impl ScaleLine {
    fn new(check: CrossCheck, agreement: Agreement, text: String) -> Self {
        Self { check, agreement, serious: false, text }
    }
}

/// What a row of ticks says of a scale of `mm_per_px` along it. `None` when it says nothing.
#[must_use]
pub fn ticks_against(row: &TickRow, mm_per_px: f64) -> Option<ScaleLine> {
    let u = row.u_step_px / row.step_px;
    if !(row.step_px > 0.0 && u.is_finite() && u <= MOST_U_STEP) {
        return None;
    }
    let step = row.step_px * mm_per_px;
    let near = |customary: f64| (step / customary - 1.0).abs() <= TICK_TOLERANCE.max(3.0 * u);
    let customary = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0].into_iter().find(|c| near(*c));
    let way = match row.along {
        Along::Down => "down",
        Along::Across => "across",
    };
    let mut what = format!("{} ticks {way} the picture, {:.2} px apart: by this scale every {step:.2} mm", row.count, row.step_px);
    if let Some(k) = row.larger_every {
        what.push_str(&format!(", larger ones every {:.1} mm", step * f64::from(k)));
    }
    let (agreement, why) = match (customary, row.larger_every) {
        (None, _) => (Agreement::Inconsistent, "no ruler has such a step".to_owned()),
        (Some(c), Some(k)) => match (c as u32, c as u32 * k) {
            (1, 5 | 10) | (5, 10) | (10, 50 | 100) => (Agreement::Consistent, "a usual ruler".to_owned()),
            (1, 2 | 4) | (2, 10 | 20) | (5, 20 | 50) | (10, 20) | (20, 100) | (50, 100) => {
                (Agreement::Ambiguous, "a possible ruler, and others fit as well".to_owned())
            }
            (_, larger) => (Agreement::Inconsistent, format!("no ruler has larger ticks every {larger} mm")),
        },
        (Some(10.0), None) => (Agreement::Consistent, "a usual ruler".to_owned()),
        (Some(_), None) => (Agreement::Ambiguous, "without larger ticks, others fit as well".to_owned()),
    };
    let mut line = ScaleLine::new(CrossCheck::Ticks, agreement, format!("{what}: {why}"));
    line.serious = agreement == Agreement::Inconsistent;
    Some(line)
}

/// All that is at hand about the scale of one frame besides its header.
#[derive(Clone, Copy, Debug)]
pub struct Evidence<'a> {
    /// The ticks found; `None` when nobody has looked.
    pub ticks: Option<&'a [TickRow]>,
    /// The last phantom check.
    pub last_check: Option<&'a LastCheck>,
    /// The day of the exam.
    pub exam: Option<Date>,
}

/// Every check of a header scale (mm per px across, down), which comes from region `region` or from Pixel Spacing.
#[must_use]
pub fn cross_checks(
    geometry: &Geometry,
    survey: &Survey,
    region: Option<u32>,
    mm_per_px: (f64, f64),
    evidence: &Evidence<'_>,
) -> Vec<ScaleLine> {
    let mut out = Vec::new();
    match evidence.ticks {
        None => {}
        Some(rows) => {
            let scale = |r: &TickRow| if r.along == Along::Down { mm_per_px.1 } else { mm_per_px.0 };
            let found: Vec<ScaleLine> = rows.iter().filter_map(|r| ticks_against(r, scale(r))).collect();
            if found.is_empty() {
                out.push(ScaleLine::new(CrossCheck::Ticks, Agreement::Ambiguous, "no depth ticks were found in the picture".into()));
            }
            out.extend(found);
        }
    }
    let region = region.and_then(|n| survey.regions.iter().find(|r| r.number == n));
    if let Some(r) = region {
        let clamped = !r.warnings.is_empty() && r.warnings.iter().any(|w| w.contains("beyond the picture"));
        out.push(if clamped {
            ScaleLine::new(CrossCheck::Box, Agreement::Ambiguous, format!("{} ends one pixel beyond the picture", r.place()))
        } else {
            ScaleLine::new(CrossCheck::Box, Agreement::Consistent, format!("{} lies inside the picture", r.place()))
        });
        if let Some([row, column]) = geometry.pixel_spacing_row_column {
            out.push(compare(CrossCheck::PixelSpacing, "Pixel Spacing", [(mm_per_px.0, column), (mm_per_px.1, row)]));
        }
    }
    if let Some([v, h]) = geometry.pixel_aspect_vertical_horizontal {
        let stated = f64::from(v) / f64::from(h.max(1));
        out.push(compare(CrossCheck::PixelAspect, "Pixel Aspect Ratio", [(mm_per_px.1 / mm_per_px.0, stated); 2]));
    }
    let rows = region.and_then(|r| r.bounds).map_or(geometry.rows, |b| b.size().1);
    let depth = f64::from(rows) * mm_per_px.1;
    out.push(if (USUAL_DEPTH_MM.0..=USUAL_DEPTH_MM.1).contains(&depth) {
        ScaleLine::new(
            CrossCheck::Depth,
            Agreement::Consistent,
            format!("the picture is {depth:.0} mm deep, usual for an endovaginal probe"),
        )
    } else {
        ScaleLine::new(
            CrossCheck::Depth,
            Agreement::Inconsistent,
            format!(
                "the picture is {depth:.0} mm deep: unusual for an endovaginal probe ({} to {} mm)",
                USUAL_DEPTH_MM.0, USUAL_DEPTH_MM.1
            ),
        )
    });
    out.push(phantom_line(evidence));
    out.push(sound_line());
    out
}

/// The line of a scale that rests on nothing but the picture.
#[must_use]
pub fn sound_line() -> ScaleLine {
    ScaleLine::new(
        CrossCheck::SoundSpeed,
        Agreement::Ambiguous,
        "scanners assume 1540 m/s; 20 mm along the beam wholly in fat (about 1440 m/s) read 21.4 mm. No check shows this: its part of the error stays".into(),
    )
}

fn phantom_line(evidence: &Evidence<'_>) -> ScaleLine {
    use super::CheckVerdict;
    let line = |agreement, text| ScaleLine::new(CrossCheck::Phantom, agreement, text);
    let Some(c) = evidence.last_check else {
        return line(
            Agreement::Ambiguous,
            if evidence.exam.is_some() {
                "scale never checked on a phantom before this exam; its uncertainty is a labelled assumption".into()
            } else {
                "the exam is undated, so no phantom check can be said to come before it; the scale counts as never checked".into()
            },
        );
    };
    let mut text = c.words();
    if c.other_preset {
        text.push_str("; with another preset");
    }
    if c.is_overdue(evidence.exam) {
        text.push_str(&format!("; the next check was due {}", c.next_due));
    }
    match c.verdict {
        CheckVerdict::Within if c.other_preset || c.is_overdue(evidence.exam) => line(Agreement::Ambiguous, text),
        CheckVerdict::Within => line(Agreement::Consistent, text),
        CheckVerdict::Action => line(Agreement::Inconsistent, text + "; beyond the action level"),
        CheckVerdict::Defect => {
            ScaleLine { serious: true, ..line(Agreement::Inconsistent, text + "; beyond the defect level: not to be used for distances") }
        }
    }
}

fn compare(check: CrossCheck, name: &str, pairs: [(f64, f64); 2]) -> ScaleLine {
    let apart = pairs.iter().map(|(a, b)| (a / b - 1.0).abs()).fold(0.0, f64::max);
    if !apart.is_finite() {
        return ScaleLine::new(check, Agreement::Ambiguous, format!("{name} is not two positive numbers"));
    }
    // What contradicts the scale was refused before; what is left is small.
    let agreement = if apart > CONTRADICTION { Agreement::Inconsistent } else { Agreement::Consistent };
    ScaleLine::new(check, agreement, format!("{name} agrees within {:.2} %", 100.0 * apart))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;

    fn row(step_px: f64, larger_every: Option<u32>) -> TickRow {
        TickRow { along: Along::Down, at_px: 300.0, first_px: 10.0, step_px, u_step_px: 0.01, count: 19, larger_every }
    }

    /// The rescaled public file: 9.79 px ticks, header 0.5105 mm a pixel, larger ticks every fifth.
    #[test]
    fn minor_ticks_alone_are_ambiguous_and_the_larger_ones_betray_a_halved_picture() {
        let scale = 0.510_497;
        assert_eq!(ticks_against(&row(9.791, None), scale).unwrap().agreement, Agreement::Ambiguous);
        let line = ticks_against(&row(9.791, Some(5)), scale).unwrap();
        assert!(line.agreement == Agreement::Inconsistent && line.serious && line.text.contains("25 mm"), "{}", line.text);
        // The same file as it was made.
        let sound = ticks_against(&row(19.583, Some(5)), scale).unwrap();
        assert!(sound.agreement == Agreement::Consistent && !sound.serious);
    }

    #[test]
    fn a_step_that_no_ruler_has_is_serious_and_a_poorly_known_one_says_nothing() {
        let off = ticks_against(&row(20.6, None), 0.5).unwrap();
        assert!(off.serious && off.agreement == Agreement::Inconsistent);
        assert_eq!(ticks_against(&row(20.1, None), 0.5).unwrap().agreement, Agreement::Consistent);
        let vague = TickRow { u_step_px: 0.6, ..row(20.6, None) };
        assert_eq!(ticks_against(&vague, 0.5), None);
    }
}
