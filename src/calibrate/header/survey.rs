//! What each ultrasound region of a file can be used for, and why not.

use crate::frame::{Geometry, RawRegion};
use crate::units::PxPoint;

/// What the regions of a file can be used for.
#[derive(Clone, Debug, PartialEq)]
pub struct Survey {
    /// The regions, in file order.
    pub regions: Vec<RegionSurvey>,
    /// Why no region of this file may be used, when a box does not fit the picture: the picture was resized or cropped
    /// and the two cannot be told apart.
    pub refused: Option<String>,
    /// Warnings that concern the file as a whole.
    pub warnings: Vec<String>,
}

/// One region, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionSurvey {
    /// Its place in the Sequence of Ultrasound Regions, from 1.
    pub number: u32,
    /// What it says it is: "2D, tissue".
    pub kind: String,
    /// Its box, clamped to the picture; `None` when the file does not give a sane one.
    pub bounds: Option<Bounds>,
    /// Whether it can be used for distance.
    pub verdict: Use,
    /// Warnings that concern this region, when it is used.
    pub warnings: Vec<String>,
}

/// Whether a region can be used for distance.
#[derive(Clone, Debug, PartialEq)]
pub enum Use {
    /// It can, at this scale, mm per px, both positive.
    Distance {
        /// Across.
        mm_per_px_x: f64,
        /// Down.
        mm_per_px_y: f64,
    },
    /// It cannot, and why: reads on from "which …".
    No(String),
}

/// A box of pixels, both ends inside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounds {
    /// First column.
    pub min_x: u32,
    /// First row.
    pub min_y: u32,
    /// Last column.
    pub max_x: u32,
    /// Last row.
    pub max_y: u32,
}

impl Bounds {
    /// Whether the pixel under `p` is in the box.
    #[must_use]
    pub fn holds(&self, p: PxPoint) -> bool {
        let (c, r) = (p.x.floor(), p.y.floor());
        c >= f64::from(self.min_x) && c <= f64::from(self.max_x) && r >= f64::from(self.min_y) && r <= f64::from(self.max_y)
    }

    /// Columns and rows, px.
    #[must_use]
    pub const fn size(&self) -> (u32, u32) {
        (self.max_x - self.min_x + 1, self.max_y - self.min_y + 1)
    }
}

impl RegionSurvey {
    /// Whether the pixel under `p` is in the region; never when its box is not known.
    #[must_use]
    pub fn holds(&self, p: PxPoint) -> bool {
        self.bounds.is_some_and(|b| b.holds(p))
    }

    /// Why it cannot be used, when it cannot.
    #[must_use]
    pub fn reason(&self) -> Option<&str> {
        match &self.verdict {
            Use::Distance { .. } => None,
            Use::No(reason) => Some(reason),
        }
    }

    /// The scale (across, down), mm per px, when it can be used.
    #[must_use]
    pub const fn mm_per_px(&self) -> Option<(f64, f64)> {
        match self.verdict {
            Use::Distance { mm_per_px_x, mm_per_px_y } => Some((mm_per_px_x, mm_per_px_y)),
            Use::No(_) => None,
        }
    }

    /// "region 1 (x 3 to 40, y 5 to 90)".
    #[must_use]
    pub fn place(&self) -> String {
        match self.bounds {
            Some(b) => format!("region {} (x {} to {}, y {} to {})", self.number, b.min_x, b.max_x, b.min_y, b.max_y),
            None => format!("region {} (no box)", self.number),
        }
    }
}

/// Judges every region of a file (PS3.3 C.8.5.5).
#[must_use]
pub fn survey(geometry: &Geometry) -> Survey {
    let mut out = Survey { regions: Vec::new(), refused: None, warnings: Vec::new() };
    for (number, raw) in (1_u32..).zip(&geometry.regions) {
        let mut warnings = Vec::new();
        let bounds = match fit(raw, geometry, number, &mut warnings) {
            Ok(b) => Some(b),
            Err(Misfit::Outside(reason)) => {
                out.refused.get_or_insert(reason);
                None
            }
            Err(Misfit::NoBox(reason)) => {
                out.warnings.push(format!("Region {number} {reason}; whether it lies over a landmark cannot be told."));
                None
            }
        };
        let verdict = match scale(raw) {
            Ok(_) if bounds.is_none() => Use::No("has no box inside the picture".into()),
            Ok((mm_per_px_x, mm_per_px_y)) => Use::Distance { mm_per_px_x, mm_per_px_y },
            Err(reason) => Use::No(reason),
        };
        // Bit 1 of Region Flags: the scale is protected from being set by hand (C.8.5.5.1.3).
        if raw.flags.is_none_or(|f| f & 2 == 0) {
            warnings.push(format!("Region {number} does not say that its scale is protected from being changed by hand."));
        }
        out.regions.push(RegionSurvey { number, kind: kind(raw), bounds, verdict, warnings });
    }
    out
}

enum Misfit {
    /// The box does not fit the picture.
    Outside(String),
    /// The file does not give a sane box.
    NoBox(String),
}

/// The region's box, clamped to the picture where real scanners are known to write one too many.
fn fit(raw: &RawRegion, geometry: &Geometry, number: u32, warnings: &mut Vec<String>) -> Result<Bounds, Misfit> {
    let (Some(min_x), Some(min_y), Some(max_x), Some(max_y)) = (raw.min_x0, raw.min_y0, raw.max_x1, raw.max_y1) else {
        return Err(Misfit::NoBox("does not give its whole box".into()));
    };
    let (columns, rows) = (geometry.columns, geometry.rows);
    if max_x > columns || max_y > rows || min_x >= columns || min_y >= rows {
        return Err(Misfit::Outside(format!(
            "region {number} from ({min_x}, {min_y}) to ({max_x}, {max_y}) in a picture of {columns} × {rows} px: \
             it was resized or cropped after the scale was written"
        )));
    }
    if min_x > max_x || min_y > max_y {
        return Err(Misfit::NoBox(format!("has a box that ends before it begins ({min_x}, {min_y} to {max_x}, {max_y})")));
    }
    if max_x == columns || max_y == rows {
        warnings.push(format!("Region {number} ends one pixel beyond the picture; it was taken to end at the last pixel."));
    }
    Ok(Bounds { min_x, min_y, max_x: max_x.min(columns - 1), max_y: max_y.min(rows - 1) })
}

/// Millimetres per pixel (across, down) of a region that can be used for distance, or why it cannot.
fn scale(raw: &RawRegion) -> Result<(f64, f64), String> {
    match raw.spatial_format {
        Some(1) => {}
        Some(f) => return Err(format!("is {}, not 2D", spatial_format(f))),
        None => return Err("does not say its spatial format".into()),
    }
    match raw.data_type {
        Some(1 | 2) => {}
        Some(t) => return Err(format!("shows {}, not tissue or colour flow", data_type(t))),
        None => return Err("does not say what it shows".into()),
    }
    match (raw.units_x, raw.units_y) {
        (Some(3), Some(3)) => {}
        (Some(x), Some(y)) => return Err(format!("is in {} across and {} down, not centimetres both ways", units(x), units(y))),
        _ => return Err("does not give its units both ways".into()),
    }
    match (raw.delta_x, raw.delta_y) {
        // A delta may be negative (C.8.5.5.1.17); a length takes its size.
        (Some(x), Some(y)) if x.is_finite() && y.is_finite() && x != 0.0 && y != 0.0 => Ok((10.0 * x.abs(), 10.0 * y.abs())),
        (Some(x), Some(y)) => Err(format!("has a scale of {x} by {y} cm per pixel")),
        _ => Err("does not give its scale both ways".into()),
    }
}

fn kind(raw: &RawRegion) -> String {
    let format = raw.spatial_format.map_or("no spatial format".into(), spatial_format);
    format!("{format}, {}", raw.data_type.map_or("no data type".into(), data_type))
}

/// PS3.3 C.8.5.5.1.1.
fn spatial_format(value: u16) -> String {
    match value {
        0 => "not spatial",
        1 => "2D",
        2 => "M-mode",
        3 => "spectral",
        4 => "a waveform",
        5 => "graphics",
        _ => return format!("of unknown spatial format {value}"),
    }
    .into()
}

/// PS3.3 C.8.5.5.1.2.
fn data_type(value: u16) -> String {
    match value {
        0 => "nothing stated",
        1 => "tissue",
        2 => "colour flow",
        3 => "pulsed Doppler",
        4 => "continuous Doppler",
        5 => "a Doppler mean trace",
        6 => "a Doppler mode trace",
        7 => "a Doppler maximum trace",
        8 => "a volume trace",
        0xA => "an ECG trace",
        0xB => "a pulse trace",
        0xC => "a phonocardiogram",
        0xD => "a grey bar",
        0xE => "a colour bar",
        0xF => "integrated backscatter",
        0x10 => "an area trace",
        0x11 => "an area-change trace",
        0x12 => "another physiological trace",
        _ => return format!("unknown data type {value}"),
    }
    .into()
}

/// PS3.3 C.8.5.5.1.15.
fn units(value: u16) -> String {
    match value {
        0 => "no unit",
        1 => "percent",
        2 => "dB",
        3 => "centimetres",
        4 => "seconds",
        5 => "hertz",
        6 => "dB/s",
        7 => "cm/s",
        8 => "cm²",
        9 => "cm²/s",
        0xA => "cm³",
        0xB => "cm³/s",
        0xC => "degrees",
        _ => return format!("unknown unit {value}"),
    }
    .into()
}
