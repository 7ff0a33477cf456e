//! A scale that was checked on a phantom: what the check found, as a reading uses and records it.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Basis, Calibration, SOUND_SPEED_SOURCE, U_HEADER_X, U_HEADER_Y, U_SOUND_SPEED};
use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};

/// What a check came to, by the stricter of the published tolerances.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckVerdict {
    /// Below the action level.
    Within,
    /// At the action level or beyond.
    Action,
    /// At the defect level or beyond.
    Defect,
}

/// The last phantom check of the scanner, probe and preset that made a frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LastCheck {
    /// Id of the check in the history.
    pub id: String,
    /// The day it was made.
    pub checked_on: Date,
    /// The day the next one is due.
    pub next_due: Date,
    /// How much the header read long (+) or short (−), relative, across.
    pub error_x: f64,
    /// The same down.
    pub error_y: f64,
    /// Standard uncertainty of `error_x`, relative.
    pub u_x: f64,
    /// Standard uncertainty of `error_y`, relative.
    pub u_y: f64,
    /// Correlation of the two.
    pub correlation: f64,
    /// What it came to.
    pub verdict: CheckVerdict,
    /// Whether another preset of this scanner and probe was checked, not the frame's own.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub other_preset: bool,
    /// Invented, for the bundled sample.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub invented: bool,
}

impl LastCheck {
    /// Checks one that was read from a record.
    ///
    /// # Errors
    /// [`ErrorKind::Uncalibrated`] when a number is not possible.
    pub fn validate(&self) -> Result<()> {
        let fine = [self.error_x, self.error_y, self.u_x, self.u_y].iter().all(|v| v.is_finite() && v.abs() < 0.5)
            && self.u_x >= 0.0
            && self.u_y >= 0.0
            && (-1.0..=1.0).contains(&self.correlation)
            && self.next_due >= self.checked_on;
        if fine {
            return Ok(());
        }
        Err(Error::new(ErrorKind::Uncalibrated, "the last scale check cannot be used")
            .expected("errors and uncertainties below 50 %, a correlation from −1 to 1, dates in order")
            .found(format!("{self:?}")))
    }

    /// Whether the next check was due before the exam; an undated exam counts as late.
    #[must_use]
    pub fn is_overdue(&self, exam: Option<Date>) -> bool {
        exam.is_none_or(|day| day > self.next_due)
    }

    /// Half-widths that hold the error of the scale with 95 %, in per cent, (across, down), rounded up to 0.1.
    #[must_use]
    pub fn within_percent(&self) -> (f64, f64) {
        let up = |e: f64, u: f64| ((e.abs() + 1.96 * u) * 1000.0).ceil() / 10.0;
        (up(self.error_x, self.u_x), up(self.error_y, self.u_y))
    }

    /// "scale last checked on 2026-03-02, within 1.4 % across and 1.2 % down".
    #[must_use]
    pub fn words(&self) -> String {
        let (x, y) = self.within_percent();
        let invented = if self.invented { " (an invented check of the sample scanner)" } else { "" };
        format!("scale last checked on {}, within {x:.1} % across and {y:.1} % down{invented}", self.checked_on)
    }
}

impl Calibration {
    /// The same header scale with the uncertainty that a phantom check gives it. The scale itself is not corrected: the error
    /// found counts as part of the uncertainty, with its sign between the axes. An overdue check, or one of another preset,
    /// never makes the scale look better than an unchecked one. The speed of sound in the patient stays as it is.
    ///
    /// # Errors
    /// As [`LastCheck::validate`] and [`Calibration::validate`].
    pub fn checked(self, check: &LastCheck, exam: Option<Date>) -> Result<Self> {
        check.validate()?;
        let overdue = check.is_overdue(exam);
        let covariance = check.correlation * check.u_x * check.u_y + check.error_x * check.error_y;
        let (mut x, mut y) = (check.u_x.hypot(check.error_x), check.u_y.hypot(check.error_y));
        let correlation_xy = if x * y > 0.0 { (covariance / (x * y)).clamp(-1.0, 1.0) } else { 0.0 };
        let mut text = format!("phantom check of {}, its error not corrected but counted", check.checked_on);
        if overdue || check.other_preset {
            (x, y) = (x.max(U_HEADER_X), y.max(U_HEADER_Y));
            text.push_str(if overdue { "; overdue" } else { "; of another preset" });
            text.push_str(", so never less than an unchecked header");
        }
        let provenance = if check.invented { Provenance::OwnAssumption } else { Provenance::OwnMeasurement };
        if check.invented {
            text.push_str("; invented for the sample");
        }
        let made = Self { u_rel_x: x, u_rel_y: y, correlation_xy, scale_source: Citation { text: text.into(), provenance }, ..self };
        made.validate()?;
        Ok(made)
    }

    /// A scale that a person set by hand: millimetres per pixel and their relative standard uncertainties with their
    /// correlation, all made by [`hand`](super::hand).
    pub(super) fn by_hand(mm_per_px: [f64; 2], u_rel: [f64; 2], correlation_xy: f64, basis: Basis, source: Citation) -> Result<Self> {
        let made = Self {
            mm_per_px_x: mm_per_px[0],
            mm_per_px_y: mm_per_px[1],
            u_rel_x: u_rel[0],
            u_rel_y: u_rel[1],
            correlation_xy,
            u_rel_sound_speed: U_SOUND_SPEED,
            basis,
            scale_source: source,
            sound_speed_source: SOUND_SPEED_SOURCE,
        };
        made.validate()?;
        Ok(made)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;
    use crate::units::MmVec;

    fn last() -> LastCheck {
        LastCheck {
            id: "a".into(),
            checked_on: jiff::civil::date(2026, 3, 2),
            next_due: jiff::civil::date(2027, 3, 2),
            error_x: 0.006,
            error_y: -0.003,
            u_x: 0.002,
            u_y: 0.004,
            correlation: 0.5,
            verdict: CheckVerdict::Within,
            other_preset: false,
            invented: false,
        }
    }

    fn header() -> Calibration {
        Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap()
    }

    #[test]
    fn a_check_gives_its_own_uncertainty_and_leaves_the_speed_of_sound() {
        let c = header().checked(&last(), Some(jiff::civil::date(2026, 9, 1))).unwrap();
        let down = MmVec::new(0.0, 20.0);
        // 20 mm × √(0.003² + 0.004²).
        assert!((c.u_scale(down).get() - 0.1).abs() < 1e-12, "{}", c.u_scale(down));
        assert_eq!(c.u_sound_speed(down), header().u_sound_speed(down));
        assert_eq!(c.mm_per_px(), header().mm_per_px());
        assert_eq!(last().words(), "scale last checked on 2026-03-02, within 1.0 % across and 1.1 % down");
    }

    #[test]
    fn an_overdue_check_never_helps_and_a_bad_one_counts_whole() {
        let late = header().checked(&last(), Some(jiff::civil::date(2027, 3, 3))).unwrap();
        let down = MmVec::new(0.0, 20.0);
        assert_eq!(late.u_scale(down), header().u_scale(down));
        assert_eq!(header().checked(&last(), None).unwrap().u_scale(down), header().u_scale(down));
        let bad = LastCheck { error_y: 0.05, ..last() };
        let c = header().checked(&bad, Some(jiff::civil::date(2026, 9, 1))).unwrap();
        assert!(c.u_scale(down).get() > 1.0);
        assert!(header().checked(&LastCheck { u_x: f64::NAN, ..last() }, None).is_err());
    }
}
