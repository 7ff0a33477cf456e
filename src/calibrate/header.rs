//! The scale that a file's header gives, by the policy of `docs/CALIBRATION.md`.
//!
//! A scale is made for stated points, never for a file at large: one file may hold two panes, a grey bar and a trace.
//! Everything here refuses rather than guesses; each refusal says what was expected, what was found and what would help.

mod survey;

pub use survey::{Bounds, RegionSurvey, Survey, Use, survey};

use serde::{Deserialize, Serialize};

use crate::calibrate::{Basis, Calibration};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Geometry;
use crate::units::PxPoint;

/// Two statements of one scale that differ by more than this contradict each other (own assumption).
pub const CONTRADICTION: f64 = 0.01;
/// Below this a relative difference is taken as rounding of the stored decimal text (own assumption).
pub const ROUNDING: f64 = 1e-4;
/// Two regions have the same scale when their deltas agree to this relative difference (own assumption).
pub const SAME_DELTA: f64 = 1e-6;
/// The longer side of the scaled picture is at least this, mm (own assumption).
pub const LEAST_FIELD_MM: f64 = 20.0;
/// No side of the scaled picture is longer than this, mm (own assumption).
pub const GREATEST_FIELD_MM: f64 = 400.0;
/// Pixels are at most this many times longer one way than the other (own assumption).
pub const GREATEST_ANISOTROPY: f64 = 4.0;

/// A person's consent to take Pixel Spacing as the scale of an ultrasound frame, although nothing says that it is one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PixelSpacingConsent {
    /// Who consents; not empty.
    pub by: String,
}

/// A scale from a header, with what a reader should be told about it.
#[derive(Clone, Debug, PartialEq)]
pub struct HeaderScale {
    /// The scale.
    pub calibration: Calibration,
    /// The region it came from, its place in the Sequence of Ultrasound Regions, from 1; `None` for Pixel Spacing.
    pub region: Option<u32>,
    /// Warnings, in plain words, for the case sheet.
    pub warnings: Vec<String>,
}

/// The scale at `points` (px; one or more), from what the header says.
///
/// `consent` is looked at only where no region of the file can be used for distance.
///
/// # Errors
/// [`ErrorKind::Usage`] when no point is given or the consent names nobody; [`ErrorKind::Invalid`] when a point is not
/// in the picture; [`ErrorKind::Uncalibrated`] for every other refusal of the policy.
pub fn calibration_for(geometry: &Geometry, points: &[PxPoint], consent: Option<&PixelSpacingConsent>) -> Result<HeaderScale> {
    check_points(geometry, points)?;
    let survey = survey(geometry);
    if let Some(reason) = &survey.refused {
        return Err(refuse("the file's scale cannot be used", "every calibrated region inside the picture", reason)
            .remedy("Open the frame as the scanner stored it, not a resized or cropped copy"));
    }
    if let Some(r) = survey.regions.iter().find(|r| r.reason().is_some() && points.iter().any(|&p| r.holds(p))) {
        return Err(refuse(
            "a landmark lies where the picture has no scale in millimetres",
            "landmarks on the 2D picture only",
            &format!("a landmark inside region {} ({}), which {}", r.number, r.kind, r.reason().unwrap_or_default()),
        )
        .remedy("Move the landmark off the bar, trace or text, or use another frame"));
    }
    let mut warnings = survey.warnings.clone();
    if survey.regions.iter().all(|r| r.reason().is_some()) {
        return from_pixel_spacing(geometry, &survey, consent, warnings);
    }
    let region = the_region(&survey, points)?;
    let (x, y) = region.mm_per_px().unwrap_or((f64::NAN, f64::NAN));
    warnings.extend(region.warnings.iter().cloned());
    check_against_pixel_spacing(geometry, (x, y), &mut warnings)?;
    check_aspect(geometry, (x, y), &mut warnings)?;
    let (wide, high) = region.bounds.map_or((0, 0), |b| b.size());
    check_plausible((x, y), wide, high)?;
    Ok(HeaderScale {
        calibration: Calibration::unchecked_header(x, y, Basis::HeaderRegion { region: region.number })?,
        region: Some(region.number),
        warnings,
    })
}

/// The one usable region that holds every point, when nothing else usable under a point disagrees with it.
fn the_region<'a>(survey: &'a Survey, points: &[PxPoint]) -> Result<&'a RegionSurvey> {
    let usable = || survey.regions.iter().filter(|r| r.reason().is_none());
    let Some(first) = usable().find(|r| points.iter().all(|&p| r.holds(p))) else {
        let each_in_some = points.iter().all(|&p| usable().any(|r| r.holds(p)));
        return Err(if each_in_some {
            refuse("the landmarks lie in different panes", "one calibrated region that holds them all", "no region that holds them all")
                .remedy("Place all landmarks of a reading in one picture")
        } else {
            let boxes = usable().map(RegionSurvey::place).collect::<Vec<_>>().join("; ");
            refuse("a landmark lies outside the calibrated picture", &format!("every landmark inside one of: {boxes}"), "one outside")
                .remedy("Place the landmarks on the picture itself, not on its margin")
        });
    };
    let scale = |r: &RegionSurvey| r.mm_per_px().unwrap_or((f64::NAN, f64::NAN));
    let (x, y) = scale(first);
    for other in usable().filter(|r| points.iter().any(|&p| r.holds(p))) {
        let (ox, oy) = scale(other);
        if differ(x, ox) > SAME_DELTA || differ(y, oy) > SAME_DELTA {
            return Err(refuse(
                "regions that overlap at the landmarks disagree about the scale",
                "equal scales",
                &format!("{x:.6} × {y:.6} mm/px in region {} and {ox:.6} × {oy:.6} mm/px in region {}", first.number, other.number),
            )
            .remedy("Use a frame without the inset picture"));
        }
    }
    Ok(first)
}

/// Pixel Spacing as the scale, where no region can be used: by a person's consent only.
fn from_pixel_spacing(
    geometry: &Geometry,
    survey: &Survey,
    consent: Option<&PixelSpacingConsent>,
    mut warnings: Vec<String>,
) -> Result<HeaderScale> {
    let found = if survey.regions.is_empty() {
        "no ultrasound region".to_owned()
    } else {
        survey
            .regions
            .iter()
            .map(|r| format!("region {} ({}), which {}", r.number, r.kind, r.reason().unwrap_or_default()))
            .collect::<Vec<_>>()
            .join("; ")
    };
    let Some([row, column]) = geometry.pixel_spacing_row_column else {
        return Err(refuse("the frame has no scale", "a 2D region in centimetres in the file", &found)
            .remedy("Use a DICOM file that the scanner stored with its region calibration"));
    };
    let Some(consent) = consent else {
        return Err(refuse(
            "the frame has no scale that may be used without your consent",
            "a 2D region in centimetres in the file",
            &format!("{found}, and Pixel Spacing {row}\\{column} mm, which no ultrasound file is required to mean as a calibration"),
        )
        .remedy("Compare it with the depth marks in the picture; accept Pixel Spacing only if they agree"));
    };
    if consent.by.trim().is_empty() {
        return Err(Error::new(ErrorKind::Usage, "consent to use Pixel Spacing names nobody").expected("the name of who consents"));
    }
    if !positive(row) || !positive(column) {
        return Err(refuse("Pixel Spacing cannot be used", "two positive numbers of millimetres", &format!("{row}\\{column}")));
    }
    // The attribute is row spacing (y) first, column spacing (x) second (PS3.3 10.7.1.3).
    let (x, y) = (column, row);
    check_aspect(geometry, (x, y), &mut warnings)?;
    check_plausible((x, y), geometry.columns, geometry.rows)?;
    warnings
        .push(format!("Scale from Pixel Spacing alone, accepted by {}; nothing in the file says it is a calibration.", consent.by.trim()));
    let basis = Basis::PixelSpacing { consented_by: consent.by.trim().to_owned() };
    Ok(HeaderScale { calibration: Calibration::unchecked_header(x, y, basis)?, region: None, warnings })
}

fn check_points(geometry: &Geometry, points: &[PxPoint]) -> Result<()> {
    if points.is_empty() {
        return Err(Error::new(ErrorKind::Usage, "a scale was asked for at no place").expected("one landmark or more"));
    }
    let (w, h) = (f64::from(geometry.columns), f64::from(geometry.rows));
    match points.iter().find(|p| !(p.is_finite() && (0.0..w).contains(&p.x) && (0.0..h).contains(&p.y))) {
        None => Ok(()),
        Some(p) => Err(Error::new(ErrorKind::Invalid, "a landmark is not in the picture")
            .expected(format!("x from 0 to {w} and y from 0 to {h} px"))
            .found(format!("({}, {})", p.x, p.y))),
    }
}

fn check_against_pixel_spacing(geometry: &Geometry, (x, y): (f64, f64), warnings: &mut Vec<String>) -> Result<()> {
    let Some([row, column]) = geometry.pixel_spacing_row_column else { return Ok(()) };
    if !positive(row) || !positive(column) {
        warnings.push(format!("Pixel Spacing {row}\\{column} is not two positive numbers; it was not used."));
        return Ok(());
    }
    let apart = differ(x, column).max(differ(y, row));
    if apart > CONTRADICTION {
        return Err(refuse(
            "the file contradicts itself about the scale",
            &format!("region scale and Pixel Spacing within {:.0} %", 100.0 * CONTRADICTION),
            &format!("region {x:.6} mm/px across and {y:.6} down, Pixel Spacing {column} across and {row} down"),
        )
        .remedy("Open the frame as the scanner stored it"));
    }
    if apart > ROUNDING {
        warnings.push(format!("Pixel Spacing differs from the region's scale by {:.2} %; the region's is used.", 100.0 * apart));
    }
    Ok(())
}

/// Pixel Aspect Ratio is vertical size : horizontal size of a pixel (PS3.3 C.7.6.3.1.7).
fn check_aspect(geometry: &Geometry, (x, y): (f64, f64), warnings: &mut Vec<String>) -> Result<()> {
    let Some([vertical, horizontal]) = geometry.pixel_aspect_vertical_horizontal else { return Ok(()) };
    if vertical == 0 || horizontal == 0 {
        warnings.push(format!("Pixel Aspect Ratio {vertical}\\{horizontal} is not a ratio; it was not used."));
        return Ok(());
    }
    let stated = f64::from(vertical) / f64::from(horizontal);
    if differ(y / x, stated) > CONTRADICTION {
        return Err(refuse(
            "the file contradicts itself about the shape of its pixels",
            &format!("Pixel Aspect Ratio and scale within {:.0} %", 100.0 * CONTRADICTION),
            &format!("Pixel Aspect Ratio {vertical}\\{horizontal} = {stated:.4}, scale {y:.6} mm/px down by {x:.6} across = {:.4}", y / x),
        )
        .remedy("Open the frame as the scanner stored it"));
    }
    Ok(())
}

fn check_plausible((x, y): (f64, f64), wide: u32, high: u32) -> Result<()> {
    let (w, h) = (f64::from(wide) * x, f64::from(high) * y);
    if w.max(h) < LEAST_FIELD_MM || w.max(h) > GREATEST_FIELD_MM {
        return Err(refuse(
            "the file's scale is not believable",
            &format!("a picture whose longer side is {LEAST_FIELD_MM} to {GREATEST_FIELD_MM} mm"),
            &format!("{w:.1} × {h:.1} mm"),
        )
        .remedy("Compare the depth marks in the picture with the scale in the file"));
    }
    if (x / y).max(y / x) > GREATEST_ANISOTROPY {
        return Err(refuse(
            "the file's scale is not believable",
            &format!("pixels at most {GREATEST_ANISOTROPY} times longer one way than the other"),
            &format!("{x:.6} mm across by {y:.6} mm down"),
        )
        .remedy("Compare the depth marks in the picture with the scale in the file"));
    }
    Ok(())
}

/// Relative difference of two positive scales.
fn differ(a: f64, b: f64) -> f64 {
    (a / b - 1.0).abs().max((b / a - 1.0).abs())
}

fn positive(v: f64) -> bool {
    v.is_finite() && v > 0.0
}

fn refuse(what: &str, expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Uncalibrated, what).expected(expected).found(found)
}

#[cfg(test)]
mod tests;
