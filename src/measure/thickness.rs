//! Thickness of the placental edge and the angle between its basal and chorionic plates, near where the two meet.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::interval::Z95;
use super::length::{Against, Length, Threshold, along, at_or_above, check_finite};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::Interval;
use crate::source::{Citation, Provenance};
use crate::units::{Mm, PxPoint};

/// `name@version` of this method.
pub const METHOD: &str = "edge-thickness@1";
/// The plates are marked within this distance of their meeting point, mm.
pub const REACH: Mm = Mm::new(10.0);
/// Where [`REACH`] comes from.
pub const REACH_SOURCE: Citation = Citation::fixed("Ghourab 2001", Provenance::FromMemory);

/// A thick edge: above 10 mm.
pub const THICKNESS_THRESHOLD: Threshold = Threshold {
    at: 10.0,
    included: false,
    says: "a thick edge is thicker than 1 cm",
    source: Citation::fixed("Ghourab 2001", Provenance::SecondHand),
};
/// A thick edge: plates at more than 45°.
pub const ANGLE_THRESHOLD: Threshold = Threshold {
    at: 45.0,
    included: false,
    says: "a thick edge has its plates at more than 45°",
    source: Citation::fixed("Ghourab 2001", Provenance::FromMemory),
};

/// Thickness and angle of the placental edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EdgeThickness {
    /// [`METHOD`].
    pub method: String,
    /// From the basal to the chorionic plate.
    pub thickness: Length,
    /// Angle between the plates at their meeting point, degrees, 0 to 180.
    pub angle_degrees: f64,
    /// Its standard uncertainty, degrees.
    pub u_angle_degrees: f64,
    /// Whether a plate was marked farther than [`REACH`] from the meeting point, outside the definition.
    pub beyond_reach: bool,
}

impl EdgeThickness {
    /// Thickness and angle against their thresholds; "and/or" in the source, so either suffices.
    #[must_use]
    pub fn against_thresholds(&self) -> Vec<Against> {
        let half = Z95 * self.u_angle_degrees;
        // An angle's interval, in degrees.
        let angle = Interval {
            low_mm: Some(Mm::new((self.angle_degrees - half).max(0.0))),
            high_mm: Some(Mm::new((self.angle_degrees + half).min(180.0))),
            coverage: 0.95,
        };
        let mut all = at_or_above(self.thickness.mm.get(), &self.thickness.interval, &[THICKNESS_THRESHOLD]);
        all.extend(at_or_above(self.angle_degrees, &angle, &[ANGLE_THRESHOLD]));
        all
    }
}

/// Thickness and angle from the point where the plates meet and one mark on each plate.
///
/// The error of the angle takes each mark's SD as the repeatability's over √2 (two marks make one length), independent
/// in both directions; to first order, good while the marks lie farther apart than their error. The scale is not in it.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a mark is no point or two marks are the same.
pub fn edge_thickness(
    meeting: PxPoint,
    basal: PxPoint,
    chorionic: PxPoint,
    calibration: &Calibration,
    repeatability: &Repeatability,
) -> Result<EdgeThickness> {
    check_finite(&[("meeting point", meeting), ("basal plate", basal), ("chorionic plate", chorionic)])?;
    let (a, b) = (calibration.step(basal - meeting), calibration.step(chorionic - meeting));
    let (la, lb) = (a.length().get(), b.length().get());
    let thickness = along(&[basal, chorionic], calibration, repeatability);
    if la <= 0.0 || lb <= 0.0 || thickness.mm.get() <= 0.0 {
        return Err(Error::new(ErrorKind::Invalid, "there is no edge thickness")
            .expected("three marks apart: where the plates meet, and one on each plate")
            .found("two at one place"));
    }
    let angle = (a.x * b.y - a.y * b.x).abs().atan2(a.dot(b));
    let sd = repeatability.sd_mm.get() / std::f64::consts::SQRT_2;
    // The plates' marks turn their own line; the meeting point turns both, partly together.
    let ends = 1.0 / (la * la) + 1.0 / (lb * lb);
    let u = sd * (2.0 * ends - 2.0 * angle.cos() / (la * lb)).max(0.0).sqrt();
    Ok(EdgeThickness {
        method: METHOD.into(),
        thickness,
        angle_degrees: angle.to_degrees(),
        u_angle_degrees: u.to_degrees(),
        beyond_reach: la > REACH.get() || lb > REACH.get(),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibrate::Basis;

    fn measure(basal: (f64, f64), chorionic: (f64, f64), sd: f64) -> EdgeThickness {
        let scale = Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap();
        let at = |(x, y): (f64, f64)| PxPoint::new(500.0 + 10.0 * x, 500.0 + 10.0 * y);
        let repeatability = Repeatability { sd_mm: Mm::new(sd), ..Repeatability::assumed_total() };
        edge_thickness(at((0.0, 0.0)), at(basal), at(chorionic), &scale, &repeatability).unwrap()
    }

    #[test]
    fn a_right_angle_of_six_and_eight_is_ten_thick() {
        let e = measure((6.0, 0.0), (0.0, 8.0), 2.0);
        assert!((e.thickness.mm.get() - 10.0).abs() < 1e-9 && (e.angle_degrees - 90.0).abs() < 1e-9);
        let found: Vec<_> = e.against_thresholds().iter().map(|a| (a.threshold.at, a.reached)).collect();
        assert_eq!(found[1], (45.0, true));
        assert!(!e.beyond_reach && measure((12.0, 0.0), (0.0, 8.0), 2.0).beyond_reach);
    }

    /// The angle's uncertainty against the spread of 4 000 angles from marks moved by a fixed low-discrepancy sequence.
    #[test]
    fn the_angle_spreads_as_stated() {
        let sd = 0.3;
        let e = measure((8.0, 0.0), (6.0, 6.0), sd * std::f64::consts::SQRT_2);
        let inverse = |u: f64| -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * u);
        let n = 4_000;
        let angles: Vec<f64> = (0..n)
            .map(|i| {
                // Generalised golden ratio steps in six dimensions.
                let mut root = 1.0_f64;
                for _ in 0..60 {
                    root = (1.0 + root).powf(1.0 / 7.0);
                }
                let z: Vec<f64> =
                    (1..=6).map(|d| sd * inverse((0.5 + f64::from(i + 1) * root.powi(-d)).fract().clamp(1e-9, 1.0 - 1e-9))).collect();
                let a = (8.0 + z[0] - z[4], z[1] - z[5]);
                let b = (6.0 + z[2] - z[4], 6.0 + z[3] - z[5]);
                (a.0 * b.1 - a.1 * b.0).abs().atan2(a.0 * b.0 + a.1 * b.1).to_degrees()
            })
            .collect();
        let mean = angles.iter().sum::<f64>() / f64::from(n);
        let spread = (angles.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / f64::from(n)).sqrt();
        assert!((spread / e.u_angle_degrees - 1.0).abs() < 0.03, "{spread} {}", e.u_angle_degrees);
    }
}
