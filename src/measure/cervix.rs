//! Cervical length: the straight line from external to internal os, and the trace along the canal beside it.

use serde::{Deserialize, Serialize};

use super::Repeatability;
use super::length::{Against, Length, Threshold, along, at_or_under, bow, check_finite};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};
use crate::units::{Mm, PxPoint};

/// `name@version` of this method.
pub const METHOD: &str = "cervical-length@1";
/// A canal that leaves the straight line by more than this is called curved, mm (an assumption of this program).
pub const CURVED: Mm = Mm::new(5.0);
/// A trace that is longer than the straight line by more than this makes the canal curved too, mm (an assumption of this program).
pub const LONGER: Mm = Mm::new(3.0);
/// Most points of a trace.
pub const MOST_TRACE_POINTS: usize = 1_000;

/// What the literature holds a cervical length against in placenta previa and low-lying placenta.
pub const THRESHOLDS: [Threshold; 4] = [
    Threshold {
        at: 25.0,
        included: true,
        says: "low-lying placenta, 43 women: bleeding in 75 % at or under, 31 % above",
        source: Citation::fixed("PMID 23153020", Provenance::Published),
    },
    Threshold {
        at: 30.0,
        included: true,
        says: "previa, 68 women: delivery for haemorrhage in 79 % at or under, 28 % above; preterm birth 69 % and 21 %",
        source: Citation::fixed("Stafford 2010", Provenance::Published),
    },
    Threshold {
        at: 31.0,
        included: true,
        says: "previa, 59 women: cut-off for emergency caesarean before 34 weeks",
        source: Citation::fixed("Ghi 2009", Provenance::FromMemory),
    },
    Threshold {
        at: 20.0,
        included: true,
        says: "low-lying placenta: counted among the risk factors for admission",
        source: Citation::fixed("SOGC Guideline No. 402, 2020", Provenance::FromMemory),
    },
];

/// What is to be said against using the length at all.
pub const AGAINST_ROUTINE_USE: Citation =
    Citation::fixed("SMFM Consult Series #40, 2016: no routine cervical length screening in previa (2B)", Provenance::Published);

/// A cervical length.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CervicalLength {
    /// [`METHOD`].
    pub method: String,
    /// External to internal os in a straight line: the value that is used.
    pub straight: Length,
    /// Along the canal, where it was traced.
    pub trace: Option<Length>,
    /// Farthest that the trace leaves the straight line, mm.
    pub bow_mm: Option<Mm>,
    /// Whether the canal is curved, so that both lengths must be shown.
    pub curved: bool,
}

impl CervicalLength {
    /// The straight length against [`THRESHOLDS`].
    #[must_use]
    pub fn against_thresholds(&self) -> Vec<Against> {
        at_or_under(self.straight.mm.get(), &self.straight.interval, &THRESHOLDS)
    }
}

/// The repeatability of a cervical length until a department knows its own: the larger published within-reader SD.
#[must_use]
pub fn published_repeatability() -> Repeatability {
    Repeatability {
        sd_mm: Mm::new(2.13),
        method: "cervical-length-repeatability@1".into(),
        assumed: true,
        source: Citation::fixed(
            "Valentin & Bergelin 2002, PMID 12230448: repeatability ±5.4 and ±5.9 mm, divided by 2.77",
            Provenance::Published,
        ),
        degrees_of_freedom: None,
        readings: None,
        own_placement: None,
    }
}

/// The cervical length from the external to the internal os, both at their marks. `between` are the trace's points on
/// the canal between the two, in order; empty when it was not traced (a trace has at least three points with its ends).
///
/// # Errors
/// [`ErrorKind::Invalid`] when a mark is no point or both are the same; [`ErrorKind::Limit`] beyond [`MOST_TRACE_POINTS`].
pub fn cervical_length(
    external_os: PxPoint,
    internal_os: PxPoint,
    between: &[PxPoint],
    calibration: &Calibration,
    repeatability: &Repeatability,
) -> Result<CervicalLength> {
    check_finite(&[("external os", external_os), ("internal os", internal_os)])?;
    if between.len() > MOST_TRACE_POINTS {
        return Err(Error::new(ErrorKind::Limit, "the trace of the canal cannot be used")
            .expected(format!("at most {MOST_TRACE_POINTS} points"))
            .found(between.len().to_string()));
    }
    between.iter().try_for_each(|p| check_finite(&[("canal trace", *p)]))?;
    let straight = along(&[external_os, internal_os], calibration, repeatability);
    if straight.mm.get() <= 0.0 {
        return Err(Error::new(ErrorKind::Invalid, "there is no cervical length")
            .expected("external and internal os apart")
            .found("both at one place")
            .remedy("Mark the other os"));
    }
    let traced = (!between.is_empty()).then(|| {
        let points: Vec<PxPoint> = std::iter::once(external_os).chain(between.iter().copied()).chain([internal_os]).collect();
        along(&points, calibration, repeatability)
    });
    let bow_mm = (!between.is_empty()).then(|| bow(external_os, internal_os, between, calibration));
    let longer = traced.as_ref().map(|t| t.mm - straight.mm);
    let curved = bow_mm.is_some_and(|b| b > CURVED) || longer.is_some_and(|l| l > LONGER);
    Ok(CervicalLength { method: METHOD.into(), straight, trace: traced, bow_mm, curved })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;
    use crate::calibrate::Basis;

    fn scale() -> Calibration {
        Calibration::unchecked_header(0.1, 0.2, Basis::HeaderRegion { region: 1 }).unwrap()
    }

    fn measure(between: &[PxPoint]) -> CervicalLength {
        cervical_length(PxPoint::new(0.0, 0.0), PxPoint::new(300.0, 0.0), between, &scale(), &published_repeatability()).unwrap()
    }

    #[test]
    fn straight_and_traced_lengths_use_each_axis_own_scale() {
        // A bow of 40 px down at the middle: 8 mm; two legs of √(15² + 8²) = 17 mm.
        let c = measure(&[PxPoint::new(150.0, 40.0)]);
        assert!((c.straight.mm.get() - 30.0).abs() < 1e-12);
        assert!((c.trace.unwrap().mm.get() - 34.0).abs() < 1e-12);
        assert!((c.bow_mm.unwrap().get() - 8.0).abs() < 1e-12 && c.curved);
        let flat = measure(&[PxPoint::new(150.0, 10.0)]);
        assert!(!flat.curved && flat.trace.is_some());
        assert!(measure(&[]).trace.is_none());
    }

    #[test]
    fn thresholds_are_reached_from_above_and_borderline_within_the_interval() {
        let c = measure(&[]);
        let found: Vec<_> = c.against_thresholds().iter().map(|a| (a.threshold.at, a.reached, a.borderline)).collect();
        // 30 mm ± 4.2.
        assert_eq!(found, [(25.0, false, false), (30.0, true, true), (31.0, true, true), (20.0, false, false)]);
    }

    #[test]
    fn no_length_without_two_marks() {
        let p = PxPoint::new(1.0, 1.0);
        assert!(cervical_length(p, p, &[], &scale(), &published_repeatability()).is_err());
        assert!(cervical_length(p, PxPoint::new(f64::NAN, 1.0), &[], &scale(), &published_repeatability()).is_err());
        assert!(
            cervical_length(p, PxPoint::new(9.0, 1.0), &[PxPoint::new(1.0, f64::INFINITY)], &scale(), &published_repeatability()).is_err()
        );
    }
}
