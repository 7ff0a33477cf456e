//! A scale set by hand on the depth marks of a picture that carries none.
//!
//! A person picks a ruler from one tick to another and types how far it is from the first to the last. The ticks between
//! are found along the ruler and fitted together, so that the scale rests on all of them and their scatter is its error.

use serde::{Deserialize, Serialize};

use super::ticks::steps_along;
use super::{Basis, Calibration};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, Geometry};
use crate::source::{Citation, Provenance};
use crate::units::PxPoint;

/// A field of view outside this range is asked about again, mm (own assumption).
pub const PLAUSIBLE_FIELD_MM: (f64, f64) = (20.0, 300.0);
/// Relative standard uncertainty of the direction across the ruler when pixels are said to be square (own assumption).
pub const U_STATED_SQUARE: f64 = 0.02;
/// Shortest ruler, px.
const SHORTEST_PX: f64 = 20.0;

/// What is known of the shape of a pixel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Aspect {
    /// Pixel Aspect Ratio of the file.
    FromFile {
        /// Vertical size.
        vertical: u32,
        /// Horizontal size.
        horizontal: u32,
    },
    /// The file does not say; the person states that pixels are square.
    StatedSquare,
}

/// A unit of length that a distance can be typed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Millimetres.
    Mm,
    /// Centimetres.
    Cm,
}

/// A ruler picked in a picture, with the ticks found along it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ruler {
    /// Where it was picked, px.
    pub from: PxPoint,
    /// Its other end, px.
    pub to: PxPoint,
    /// The ticks that were fitted: number of the place, and distance from `from` along the ruler, px.
    pub ticks: Vec<(u32, f64)>,
}

/// A scale set by hand: what was picked, typed and stated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandScale {
    /// The ruler.
    pub ruler: Ruler,
    /// The distance typed, from the first fitted tick to the last.
    pub distance: f64,
    /// Its unit.
    pub unit: Unit,
    /// The shape of a pixel.
    pub aspect: Aspect,
    /// Who set it.
    pub by: String,
    /// Whether a field of view beyond the plausible was confirmed.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub field_confirmed: bool,
    /// Size of the picture it was set on, columns and rows: it holds for no other.
    pub size: [u32; 2],
    /// When it was taken over from another picture of the same size and source: that frame's digest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_from: Option<String>,
}

/// Finds the ticks along a ruler picked from `from` to `to`.
///
/// # Errors
/// [`ErrorKind::Invalid`] when an end is not on the frame, the ruler is too short, or fewer than three ticks at equal steps
/// lie along it.
pub fn find_ruler(frame: &Frame, from: PxPoint, to: PxPoint) -> Result<Ruler> {
    let (w, h) = (f64::from(frame.width), f64::from(frame.height));
    let fault = |expected: String, found: String| {
        Error::new(ErrorKind::Invalid, "no scale can be set on this ruler").expected(expected).found(found)
    };
    if ![from, to].iter().all(|p| p.is_finite() && (0.0..=w).contains(&p.x) && (0.0..=h).contains(&p.y)) {
        return Err(fault("both ends on the frame".into(), "one outside".into()));
    }
    let step = to - from;
    let length = step.x.hypot(step.y);
    if length < SHORTEST_PX {
        return Err(fault(format!("at least {SHORTEST_PX} px"), format!("{length:.1} px")).remedy("Pick a longer piece of the ruler"));
    }
    let ticks = steps_along(frame, from, to);
    if ticks.len() < 3 {
        return Err(fault("at least 3 ticks at equal steps".into(), ticks.len().to_string())
            .remedy("Pick from the middle of one tick to the middle of another, with ticks between them"));
    }
    Ok(Ruler { from, to, ticks })
}

impl Ruler {
    /// Length in px from the first fitted tick to the last, along the ruler, and its standard uncertainty.
    fn span(&self) -> Option<(f64, f64, f64)> {
        let places: Vec<(f64, f64)> = self.ticks.iter().map(|(n, at)| (f64::from(*n), *at)).collect();
        let (_, step, u_step, sd) = super::ticks::line(&places)?;
        let steps = f64::from(self.ticks.last()?.0) - f64::from(self.ticks.first()?.0);
        (step > 0.0 && steps > 0.0).then_some((step * steps, u_step * steps, sd))
    }

    /// Where the first and the last fitted tick lie, px.
    #[must_use]
    pub fn ends(&self) -> Option<[PxPoint; 2]> {
        let step = self.to - self.from;
        let length = step.x.hypot(step.y);
        let at = |d: f64| PxPoint::new(self.from.x + step.x * d / length, self.from.y + step.y * d / length);
        Some([at(self.ticks.first()?.1), at(self.ticks.last()?.1)])
    }

    /// Every fitted tick, px.
    #[must_use]
    pub fn points(&self) -> Vec<PxPoint> {
        let step = self.to - self.from;
        let length = step.x.hypot(step.y);
        self.ticks.iter().map(|(_, d)| PxPoint::new(self.from.x + step.x * d / length, self.from.y + step.y * d / length)).collect()
    }
}

impl HandScale {
    /// The distance typed, mm.
    #[must_use]
    pub fn distance_mm(&self) -> f64 {
        match self.unit {
            Unit::Mm => self.distance,
            Unit::Cm => 10.0 * self.distance,
        }
    }

    /// The longer side of the picture by this scale, mm, where there is one.
    #[must_use]
    pub fn field_mm(&self) -> Option<f64> {
        let ([x, y], _) = self.scale()?;
        Some((x * f64::from(self.size[0])).max(y * f64::from(self.size[1])))
    }

    /// Scale (across, down) in mm per px, and the relative standard uncertainty along the ruler.
    fn scale(&self) -> Option<([f64; 2], f64)> {
        let (span, u_span, _) = self.ruler.span()?;
        let step = self.ruler.to - self.ruler.from;
        let length = step.x.hypot(step.y);
        let ratio = match self.aspect {
            Aspect::FromFile { vertical, horizontal } => f64::from(horizontal) / f64::from(vertical),
            Aspect::StatedSquare => 1.0,
        };
        // Along the ruler one pixel is √((ratio·cos)² + sin²) of the height of a pixel.
        let along = (ratio * step.x / length).hypot(step.y / length);
        let down = self.distance_mm() / (span * along);
        let fine = down.is_finite() && down > 0.0 && ratio.is_finite() && ratio > 0.0;
        fine.then_some(([ratio * down, down], u_span / span))
    }

    /// The calibration for a picture of this geometry.
    ///
    /// # Errors
    /// [`ErrorKind::Uncalibrated`] when the picture has another size, nobody is named, the ticks or the distance make no
    /// scale, the pixel shape is not the file's, or the field of view is not plausible and was not confirmed.
    pub fn calibration(&self, geometry: &Geometry) -> Result<Calibration> {
        let fault = |expected: String, found: String| {
            Error::new(ErrorKind::Uncalibrated, "the scale set by hand cannot be used").expected(expected).found(found)
        };
        if self.size != [geometry.columns, geometry.rows] {
            return Err(fault(
                format!("a picture of {} × {} px, on which it was set", self.size[0], self.size[1]),
                format!("{} × {} px", geometry.columns, geometry.rows),
            ));
        }
        if self.by.trim().is_empty() {
            return Err(fault("the name of who set it".into(), "none".into()));
        }
        let known = geometry.pixel_aspect_vertical_horizontal.filter(|[v, h]| *v > 0 && *h > 0);
        let stated = match self.aspect {
            Aspect::FromFile { vertical, horizontal } => Some([vertical, horizontal]),
            Aspect::StatedSquare => None,
        };
        if known != stated {
            return Err(fault(
                known.map_or("no Pixel Aspect Ratio".into(), |[v, h]| format!("Pixel Aspect Ratio {v}\\{h}")),
                stated.map_or("pixels stated to be square".into(), |[v, h]| format!("{v}\\{h}")),
            ));
        }
        if self.ruler.ticks.len() < 3 {
            return Err(fault("at least 3 ticks".into(), self.ruler.ticks.len().to_string()));
        }
        let (scale, u) = self
            .scale()
            .ok_or_else(|| fault("a positive distance over ticks in order".into(), format!("{} {:?}", self.distance, self.unit)))?;
        let field = self.field_mm().unwrap_or(f64::NAN);
        if !(PLAUSIBLE_FIELD_MM.0..=PLAUSIBLE_FIELD_MM.1).contains(&field) && !self.field_confirmed {
            return Err(fault(
                format!("a picture whose longer side is {} to {} mm", PLAUSIBLE_FIELD_MM.0, PLAUSIBLE_FIELD_MM.1),
                format!("{field:.1} mm"),
            )
            .remedy("Check the distance and its unit; confirm the size if it is right"));
        }
        let step = self.ruler.to - self.ruler.from;
        let length = step.x.hypot(step.y);
        let (ax, ay) = ((step.x / length).abs(), (step.y / length).abs());
        let extra = if stated.is_none() { U_STATED_SQUARE } else { 0.0 };
        // The assumption about pixels touches the axis that the ruler does not run along.
        let u_rel = [u.hypot(extra * ay), u.hypot(extra * ax)];
        let correlation = (u * u / (u_rel[0] * u_rel[1])).clamp(-1.0, 1.0);
        let shape = match self.aspect {
            Aspect::FromFile { .. } => "shape of pixels from the file",
            Aspect::StatedSquare => "pixels stated to be square, 2 % assumed for that",
        };
        let text = format!(
            "{} ticks in the picture fitted together, {} {} typed; {shape}",
            self.ruler.ticks.len(),
            self.distance,
            unit(self.unit)
        );
        let source = Citation { text: text.into(), provenance: Provenance::OwnAssumption };
        Calibration::by_hand(scale, u_rel, correlation, Basis::Hand { set_by: self.by.trim().to_owned() }, source)
    }
}

/// "mm" or "cm".
const fn unit(u: Unit) -> &'static str {
    match u {
        Unit::Mm => "mm",
        Unit::Cm => "cm",
    }
}

/// A distance with its unit as typed: "5 cm", "50 mm", "4,5cm". A number without a unit is refused.
///
/// # Errors
/// [`ErrorKind::Usage`] when there is no unit, or the number is not positive or could be read in two ways.
pub fn parse_distance(text: &str) -> Result<(f64, Unit)> {
    let fault = || {
        Error::new(ErrorKind::Usage, "the distance cannot be read")
            .expected("a number with its unit, such as \"5 cm\" or \"50 mm\"")
            .found(text.trim().to_owned())
    };
    let t = text.trim().to_lowercase();
    let (number, unit) =
        t.strip_suffix("mm").map(|n| (n, Unit::Mm)).or_else(|| t.strip_suffix("cm").map(|n| (n, Unit::Cm))).ok_or_else(fault)?;
    let number = number.trim();
    let ambiguous = number.split_once(',').is_some_and(|(_, f)| f.len() == 3 || f.contains(',') || number.contains('.'));
    let value: f64 = number.replace(',', ".").parse().ok().filter(|v: &f64| v.is_finite() && *v > 0.0).ok_or_else(fault)?;
    if ambiguous { Err(fault()) } else { Ok((value, unit)) }
}

#[cfg(test)]
mod tests;
