//! Distance of a fetal vessel from the internal os: the screen for vasa previa.
//!
//! A short distance alerts. A long one never excludes: the thresholds of the literature disagree.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::length::{Against, Length, Threshold, along, at_or_under, check_finite};
use crate::calibrate::Calibration;
use crate::error::Result;
use crate::source::{Citation, Provenance};
use crate::units::PxPoint;

/// `name@version` of this method.
pub const METHOD: &str = "vessel-to-os@1";

/// What the literature holds the distance against.
pub const THRESHOLDS: [Threshold; 2] = [
    Threshold {
        at: 20.0,
        included: true,
        says: "the usual distance for vasa previa",
        source: Citation::fixed("2 cm as quoted by later texts", Provenance::SecondHand),
    },
    Threshold {
        at: 50.0,
        included: true,
        says: "proposed because 2 cm is suboptimal",
        source: Citation::fixed("Schenone 2025, J Clin Med 14:1009", Provenance::Published),
    },
];

/// What is said with every such distance.
pub const NEVER_EXCLUDES: &str = "A long distance never excludes vasa previa: the thresholds of the literature disagree.";

/// A vessel near the os.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VesselDistance {
    /// [`METHOD`].
    pub method: String,
    /// From the internal os to the nearest wall of the vessel.
    pub length: Length,
    /// Whether pulsed Doppler showed a fetal rate; `None` when it was not looked for.
    pub fetal_rate: Option<bool>,
    /// Whether a cord loop was excluded; `None` when it was not looked for.
    pub cord_loop_excluded: Option<bool>,
}

impl VesselDistance {
    /// The distance against [`THRESHOLDS`].
    #[must_use]
    pub fn against_thresholds(&self) -> Vec<Against> {
        at_or_under(self.length.mm.get(), &self.length.interval, &THRESHOLDS)
    }

    /// What is still missing before it may be called a fetal vessel or not.
    #[must_use]
    pub fn missing(&self) -> Vec<&'static str> {
        let mut all = Vec::new();
        if self.fetal_rate.is_none() {
            all.push("rate on pulsed Doppler");
        }
        if self.cord_loop_excluded.is_none() {
            all.push("cord loop excluded or not");
        }
        all
    }
}

/// The distance of a vessel from the internal os. 0 mm, the vessel over the os, is a distance.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when a mark is no point.
pub fn vessel_distance(
    internal_os: PxPoint,
    vessel: PxPoint,
    fetal_rate: Option<bool>,
    cord_loop_excluded: Option<bool>,
    calibration: &Calibration,
    repeatability: &Repeatability,
) -> Result<VesselDistance> {
    check_finite(&[("internal os", internal_os), ("vessel", vessel)])?;
    let length = along(&[internal_os, vessel], calibration, repeatability);
    Ok(VesselDistance { method: METHOD.into(), length, fetal_rate, cord_loop_excluded })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibrate::Basis;

    fn at(mm: f64) -> VesselDistance {
        let scale = Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 }).unwrap();
        let os = PxPoint::new(100.0, 100.0);
        vessel_distance(os, PxPoint::new(100.0, 100.0 + 10.0 * mm), None, Some(true), &scale, &Repeatability::assumed_total()).unwrap()
    }

    #[test]
    fn both_thresholds_are_shown_with_their_borderlines() {
        let found = |mm: f64| at(mm).against_thresholds().iter().map(|a| (a.reached, a.borderline)).collect::<Vec<_>>();
        assert_eq!(found(10.0), [(true, false), (true, false)]);
        assert_eq!(found(22.0), [(false, true), (true, false)]);
        assert_eq!(found(60.0), [(false, false), (false, false)]);
        assert_eq!(found(0.0), [(true, false), (true, false)]);
    }

    #[test]
    fn a_vessel_over_the_os_has_an_interval_from_nothing() {
        let v = at(0.0);
        assert!(v.length.interval.low_mm.is_some_and(|l| l.get() <= 0.0));
        assert_eq!(v.missing(), ["rate on pulsed Doppler"]);
    }
}
