//! Checks of a scanner's scale on a distance phantom: pins at known places, found in a frame, against the scale that the
//! file's header gives.
//!
//! [`check`](check::check) does the whole of it for one frame. A phantom is data ([`Definition`], the bundled ones lie in
//! `calibration/phantoms/`), and so are the published tolerances ([`Tolerance`], `calibration/tolerances.toml`).
//!
//! No phantom says anything about the speed of sound in a patient: that term of a reading always stays.

pub mod check;
mod find;
mod fit;
pub mod made;
mod matching;
mod tolerance;

pub use check::{Check, Note, Together, check, together};
pub use find::{Pin, find_pins};
pub use fit::{Fit, Local, Residual, fit};
pub use matching::{Match, Matched, match_pins};
pub use tolerance::{AxisVerdict, Limits, Tolerance, Verdict, tolerance};

use serde::Deserialize;

use crate::digest::sha256_hex;
use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};

const SCHEMA: &str = "osspan-phantom/1";
/// Most pins of a phantom: matching looks at pairs of them.
const MOST_PINS: usize = 120;
/// Scanners assume this speed of sound, m/s.
pub const ASSUMED_SOUND_SPEED: f64 = 1540.0;
/// A phantom whose stated speed is farther from 1540 m/s than this share needs a correction that is not made here.
const GREATEST_SPEED_OFF: f64 = 0.01;

const BUNDLED: [&str; 3] = [
    include_str!("../../calibration/phantoms/grid-10.toml"),
    include_str!("../../calibration/phantoms/endocavity-10.toml"),
    include_str!("../../calibration/phantoms/column-and-rows.toml"),
];

/// A distance phantom: where its pins are.
#[derive(Clone, Debug, PartialEq)]
pub struct Definition {
    /// Its short name, as in commands and in the history.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// What to know of it.
    pub note: String,
    /// Where the places of the pins come from.
    pub source: Citation,
    /// Speed of sound in it, m/s.
    pub sound_speed_m_s: f64,
    /// How far that may be off, m/s: half-width of a uniform distribution.
    pub sound_speed_tolerance_m_s: f64,
    /// With fewer pins than this in the frame no check is made.
    pub least_pins: usize,
    /// The pins by rows of equal depth, from the shallowest.
    pub rows: Vec<Row>,
    /// SHA-256 of the text it was read from, hex.
    pub digest: String,
}

/// Pins at one depth.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// Depth below the first row, mm.
    pub depth_mm: f64,
    /// Places across, mm, from the left.
    pub across_mm: Vec<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    schema: String,
    id: String,
    name: String,
    note: String,
    source: String,
    provenance: Provenance,
    sound_speed_m_s: f64,
    sound_speed_tolerance_m_s: f64,
    least_pins: usize,
    row: Vec<Row>,
}

impl Definition {
    /// Reads a definition's text.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] naming every fault: another schema, pins that are no places or lie on each other, too few or too
    /// many, a speed of sound that would need a correction.
    pub fn parse(text: &str) -> Result<Self> {
        let fail = |found: String| Error::new(ErrorKind::Format, "the phantom's definition cannot be used").expected(SCHEMA).found(found);
        let t: Text = toml::from_str(text).map_err(|e| fail(e.message().to_owned()))?;
        let digest = sha256_hex(text);
        let made = Self {
            id: t.id,
            name: t.name,
            note: t.note,
            source: Citation { text: t.source.into(), provenance: t.provenance },
            sound_speed_m_s: t.sound_speed_m_s,
            sound_speed_tolerance_m_s: t.sound_speed_tolerance_m_s,
            least_pins: t.least_pins,
            rows: t.row,
            digest,
        };
        let mut faults = made.faults();
        if t.schema != SCHEMA {
            faults.insert(0, format!("schema {}", t.schema));
        }
        if faults.is_empty() { Ok(made) } else { Err(fail(faults.join("; "))) }
    }

    fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let pins = self.pins();
        if self.id.is_empty() || !self.id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') {
            faults.push("an id that is not letters, digits and hyphens".into());
        }
        if pins.iter().flatten().any(|v| !v.is_finite() || v.abs() > 500.0) {
            faults.push("a pin that is not within 500 mm".into());
        } else if !(6..=MOST_PINS).contains(&pins.len()) {
            faults.push(format!("{} pins instead of 6 to {MOST_PINS}", pins.len()));
        } else if self.least_spacing_mm() < 1.0 {
            faults.push("two pins less than 1 mm apart".into());
        } else if self.extent_mm().iter().any(|e| *e < 10.0) {
            faults.push("pins that reach less than 10 mm across or down".into());
        }
        if !(6..=pins.len()).contains(&self.least_pins) {
            faults.push(format!("least_pins {} instead of 6 to {}", self.least_pins, pins.len()));
        }
        let off = (self.sound_speed_m_s / ASSUMED_SOUND_SPEED - 1.0).abs();
        if !off.is_finite() || off > GREATEST_SPEED_OFF || !(0.0..=50.0).contains(&self.sound_speed_tolerance_m_s) {
            faults.push(format!(
                "a speed of sound of {} ± {} m/s instead of one near {ASSUMED_SOUND_SPEED}",
                self.sound_speed_m_s, self.sound_speed_tolerance_m_s
            ));
        }
        faults
    }

    /// Every pin, mm (across, down), row by row.
    #[must_use]
    pub fn pins(&self) -> Vec<[f64; 2]> {
        self.rows.iter().flat_map(|r| r.across_mm.iter().map(|&x| [x, r.depth_mm])).collect()
    }

    /// The shortest distance between two pins, mm.
    #[must_use]
    pub fn least_spacing_mm(&self) -> f64 {
        let pins = self.pins();
        let pairs = pins.iter().enumerate().flat_map(|(i, a)| pins.iter().skip(i + 1).map(move |b| (a[0] - b[0]).hypot(a[1] - b[1])));
        pairs.fold(f64::INFINITY, f64::min)
    }

    /// How far the pins reach across and down, mm.
    #[must_use]
    pub fn extent_mm(&self) -> [f64; 2] {
        let pins = self.pins();
        [0, 1].map(|k| {
            let values = || pins.iter().filter_map(move |p| p.get(k).copied());
            values().fold(f64::NEG_INFINITY, f64::max) - values().fold(f64::INFINITY, f64::min)
        })
    }

    /// Relative standard uncertainty of its distances as the scanner sees them, from the speed of sound in it.
    #[must_use]
    pub fn u_sound_speed(&self) -> f64 {
        let off = (self.sound_speed_m_s / ASSUMED_SOUND_SPEED - 1.0).abs();
        (self.sound_speed_tolerance_m_s / ASSUMED_SOUND_SPEED + off) / 3.0_f64.sqrt()
    }
}

/// The bundled definitions.
///
/// # Errors
/// [`ErrorKind::Format`] when one is faulty, which a test rules out.
pub fn phantoms() -> Result<Vec<Definition>> {
    BUNDLED.iter().map(|text| Definition::parse(text)).collect()
}

/// The bundled definition of this id.
///
/// # Errors
/// [`ErrorKind::Usage`] when there is none, naming those there are.
pub fn phantom(id: &str) -> Result<Definition> {
    let all = phantoms()?;
    let names: Vec<_> = all.iter().map(|d| d.id.clone()).collect();
    all.into_iter().find(|d| d.id == id).ok_or_else(|| {
        Error::new(ErrorKind::Usage, "no such phantom")
            .expected(format!("{}, or a definition's file", names.join(", ")))
            .found(id.to_owned())
    })
}

#[cfg(test)]
mod tests;
