//! The scale of a frame: millimetres per pixel in x and in y, how sure they are, and why they may be believed.
//!
//! There is no default scale. A [`Calibration`] is made by [`header`] from what a file says; a phantom [check](LastCheck)
//! of the scanner gives it another uncertainty. Pixels become millimetres only through its methods.

mod checked;
pub mod cross;
pub mod hand;
pub mod header;
mod judge;
pub mod ticks;

pub use checked::{CheckVerdict, LastCheck};
pub use judge::{HEADER_ALONE, Judged, Resolution, ScaleFacts, Standing, judge};

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};
use crate::units::{Mm, MmVec, PxPoint, PxVec};

/// Relative standard uncertainty of a header scale that nobody has checked against a phantom, along the image y axis.
///
/// The published quality-assurance limit is taken as the half-width of a uniform distribution: 1.5 % / √3.
pub const U_HEADER_Y: f64 = 0.015 / 1.732_050_807_568_877_2;
/// The same along the image x axis: 2 % / √3.
pub const U_HEADER_X: f64 = 0.02 / 1.732_050_807_568_877_2;
/// Relative standard uncertainty from the speed of sound in tissue, common to both axes.
pub const U_SOUND_SPEED: f64 = 0.01;

/// Where [`U_HEADER_X`] and [`U_HEADER_Y`] come from.
pub const HEADER_SOURCE: Citation = Citation::fixed(
    "header scale not checked on a phantom; the 1.5 % (vertical) and 2 % (horizontal) action levels of Goodsitt 1998, \
     Med Phys 25:1385 (AAPM US Task Group 1), taken as half-widths",
    Provenance::FromMemory,
);
/// Where [`U_SOUND_SPEED`] comes from.
pub const SOUND_SPEED_SOURCE: Citation =
    Citation::fixed("scanners assume 1540 m/s; soft tissue taken as within about 1–2 % of that", Provenance::OwnAssumption);

/// Why a scale may be believed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Basis {
    /// Physical Delta of one region of the US Region Calibration module.
    HeaderRegion {
        /// Its place in the Sequence of Ultrasound Regions, from 1.
        region: u32,
    },
    /// Pixel Spacing alone, which no ultrasound object is required to mean as a calibration; used by a person's consent.
    PixelSpacing {
        /// Who consented.
        consented_by: String,
    },
    /// Set by hand on the marks that the scanner burned into the picture.
    Hand {
        /// Who set it.
        set_by: String,
    },
}

impl Basis {
    /// The words shown for it.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::HeaderRegion { region } => format!("from the file, region {region}"),
            Self::PixelSpacing { consented_by } => format!("Pixel Spacing alone, accepted by {consented_by}"),
            Self::Hand { set_by } => format!("set by hand on the marks in the picture, by {set_by}"),
        }
    }
}

/// Millimetres per pixel with their uncertainty. Cannot be made without a basis.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    mm_per_px_x: f64,
    mm_per_px_y: f64,
    u_rel_x: f64,
    u_rel_y: f64,
    correlation_xy: f64,
    u_rel_sound_speed: f64,
    basis: Basis,
    scale_source: Citation,
    sound_speed_source: Citation,
}

impl Calibration {
    /// A header scale that has not been checked on a phantom: `mm_per_px` in x and y (positive, finite), with the
    /// labelled assumptions of this module as uncertainty.
    ///
    /// # Errors
    /// [`ErrorKind::Uncalibrated`] when a scale is not a positive finite number.
    pub fn unchecked_header(mm_per_px_x: f64, mm_per_px_y: f64, basis: Basis) -> Result<Self> {
        let c = Self {
            mm_per_px_x,
            mm_per_px_y,
            u_rel_x: U_HEADER_X,
            u_rel_y: U_HEADER_Y,
            correlation_xy: 0.0,
            u_rel_sound_speed: U_SOUND_SPEED,
            basis,
            scale_source: HEADER_SOURCE,
            sound_speed_source: SOUND_SPEED_SOURCE,
        };
        c.validate()?;
        Ok(c)
    }

    /// Checks a calibration that was read from a record.
    ///
    /// # Errors
    /// [`ErrorKind::Uncalibrated`] when a scale is not positive and finite or an uncertainty is not possible.
    pub fn validate(&self) -> Result<()> {
        let positive = |v: f64| v.is_finite() && v > 0.0;
        let share = |v: f64| v.is_finite() && (0.0..1.0).contains(&v);
        if !positive(self.mm_per_px_x) || !positive(self.mm_per_px_y) {
            return Err(Error::new(ErrorKind::Uncalibrated, "the scale cannot be used")
                .expected("positive, finite millimetres per pixel in x and y")
                .found(format!("{} and {}", self.mm_per_px_x, self.mm_per_px_y)));
        }
        if !share(self.u_rel_x) || !share(self.u_rel_y) || !share(self.u_rel_sound_speed) || !(-1.0..=1.0).contains(&self.correlation_xy) {
            return Err(Error::new(ErrorKind::Uncalibrated, "the uncertainty of the scale cannot be used")
                .expected("relative uncertainties from 0 to 1 and a correlation from −1 to 1")
                .found(format!("{}, {}, {} and {}", self.u_rel_x, self.u_rel_y, self.u_rel_sound_speed, self.correlation_xy)));
        }
        Ok(())
    }

    /// A step on the image as a step in the plane of the frame, mm: each axis by its own scale.
    #[must_use]
    pub fn step(&self, step: PxVec) -> MmVec {
        MmVec::new(step.x * self.mm_per_px_x, step.y * self.mm_per_px_y)
    }

    /// A step in the plane of the frame, mm, as a step on the image.
    #[must_use]
    pub fn step_back(&self, step: MmVec) -> PxVec {
        PxVec { x: step.x / self.mm_per_px_x, y: step.y / self.mm_per_px_y }
    }

    /// The straight distance between two points of the frame, mm.
    #[must_use]
    pub fn distance(&self, a: PxPoint, b: PxPoint) -> Mm {
        self.step(b - a).length()
    }

    /// Millimetres per pixel, (x, y).
    #[must_use]
    pub const fn mm_per_px(&self) -> (f64, f64) {
        (self.mm_per_px_x, self.mm_per_px_y)
    }

    /// Standard uncertainty of a step's length from the two axis scales alone, mm (speed of sound apart).
    #[must_use]
    pub fn u_scale(&self, step: MmVec) -> Mm {
        let l = step.length().get();
        if l == 0.0 {
            return Mm::new(0.0);
        }
        let (gx, gy) = (step.x * step.x / l * self.u_rel_x, step.y * step.y / l * self.u_rel_y);
        Mm::new((gx * gx + gy * gy + 2.0 * self.correlation_xy * gx * gy).max(0.0).sqrt())
    }

    /// Standard uncertainty of a step's length from the speed of sound, mm.
    #[must_use]
    pub fn u_sound_speed(&self, step: MmVec) -> Mm {
        step.length().times(self.u_rel_sound_speed)
    }

    /// Relative standard uncertainties of the scale in x and in y, and the correlation of the two (1).
    #[must_use]
    pub const fn relative_uncertainty(&self) -> (f64, f64, f64) {
        (self.u_rel_x, self.u_rel_y, self.correlation_xy)
    }

    /// Relative standard uncertainty from the speed of sound (1).
    #[must_use]
    pub const fn sound_speed_uncertainty(&self) -> f64 {
        self.u_rel_sound_speed
    }

    /// Where it comes from and how large it is: "header, region 1 · 0.1210 mm a pixel".
    #[must_use]
    pub fn words(&self) -> String {
        let (x, y) = self.mm_per_px();
        let size =
            if (x - y).abs() <= 1e-6 * x { format!("{x:.4} mm a pixel") } else { format!("{x:.4} × {y:.4} mm a pixel (across × down)") };
        format!("{} · {size}", self.basis().words())
    }

    /// Why the scale may be believed.
    #[must_use]
    pub const fn basis(&self) -> &Basis {
        &self.basis
    }

    /// Where the scale uncertainty comes from.
    #[must_use]
    pub const fn scale_source(&self) -> &Citation {
        &self.scale_source
    }

    /// Where the sound-speed uncertainty comes from.
    #[must_use]
    pub const fn sound_speed_source(&self) -> &Citation {
        &self.sound_speed_source
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(x: f64, y: f64) -> Calibration {
        Calibration::unchecked_header(x, y, Basis::HeaderRegion { region: 1 }).unwrap_or_else(|e| unreachable!("{e}"))
    }

    #[test]
    fn each_axis_has_its_own_scale() {
        let d = c(0.1, 0.2).distance(PxPoint::new(10.0, 10.0), PxPoint::new(40.0, 30.0));
        assert!((d.get() - 5.0).abs() < 1e-12, "{d}");
    }

    #[test]
    fn no_scale_that_is_not_positive() {
        for bad in [0.0, -0.1, f64::NAN, f64::INFINITY] {
            let e = Calibration::unchecked_header(bad, 0.1, Basis::HeaderRegion { region: 1 });
            assert!(e.is_err_and(|e| e.kind() == ErrorKind::Uncalibrated));
        }
    }

    #[test]
    fn scale_uncertainty_of_a_step_along_an_axis_is_that_axis_alone() {
        let u = c(0.1, 0.1).u_scale(MmVec::new(0.0, 20.0));
        assert!((u.get() - 20.0 * U_HEADER_Y).abs() < 1e-12);
    }
}
