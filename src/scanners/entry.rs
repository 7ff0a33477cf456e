//! One saved check.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::calibrate::{CheckVerdict, LastCheck};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::FrameId;
use crate::load::Facts;
use crate::phantom::{Check, Definition, Tolerance, Verdict, together};

const SCHEMA: &str = "osspan-scale-check/1";

/// A scanner and a probe, as files name them. Nothing of a patient.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScannerKey {
    /// Manufacturer.
    pub manufacturer: Option<String>,
    /// Manufacturer's Model Name.
    pub model: Option<String>,
    /// Device Serial Number; without one, Station Name.
    pub device: Option<String>,
    /// Probe: first value of Transducer Data, or Transducer Type.
    pub probe: Option<String>,
}

impl ScannerKey {
    /// The scanner that made a file; `None` when the file names neither manufacturer nor model.
    #[must_use]
    pub fn of(facts: &Facts) -> Option<Self> {
        let text = |t: Option<&String>| t.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
        let made = Self {
            manufacturer: text(facts.manufacturer.as_ref()),
            model: text(facts.model.as_ref()),
            device: text(facts.serial_number.as_ref()).or_else(|| text(facts.station.as_ref())),
            probe: text(facts.transducer_data.first()).or_else(|| text(facts.transducer_type.as_ref())),
        };
        (made.manufacturer.is_some() || made.model.is_some()).then_some(made)
    }

    /// "Maker Model, device 12, probe X".
    #[must_use]
    pub fn words(&self) -> String {
        let mut out = [&self.manufacturer, &self.model].into_iter().flatten().cloned().collect::<Vec<_>>().join(" ");
        if let Some(d) = &self.device {
            out.push_str(&format!(", device {d}"));
        }
        match &self.probe {
            Some(p) => out.push_str(&format!(", probe {p}")),
            None => out.push_str(", probe not named"),
        }
        out
    }
}

/// One frame of a check.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CheckedFrame {
    /// The frame.
    pub frame: FrameId,
    /// Region of its header, from 1.
    pub region: u32,
    /// What the header says, mm per px (across, down).
    pub header_mm_per_px: [f64; 2],
    /// What the pins say, mm per px (across, down).
    pub found_mm_per_px: [f64; 2],
    /// Pins matched.
    pub pins: u32,
    /// SD of the pins about the fit, mm (across, down).
    pub sd_mm: [f64; 2],
    /// What was odd, in words.
    pub notes: Vec<String>,
}

/// Shape of the picture, the mean of the frames.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shape {
    /// Columns move by this many mm a mm of depth.
    pub shear: f64,
    /// How the phantom lay turned, degrees.
    pub rotation_degrees: f64,
    /// Half the range of the local scale, relative (across, down), where there were pins enough.
    pub uneven: Option<[f64; 2]>,
}

/// When the next check is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Due {
    /// Not yet.
    On(Date),
    /// It was due on that day.
    Overdue(Date),
}

/// A check in the history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScaleCheck {
    schema: String,
    /// The day of the check: that of its frames.
    pub checked_on: Date,
    /// When it was saved, RFC 3339.
    pub made_at: String,
    /// Who checked.
    pub by: String,
    /// Name and version of the program.
    pub software: String,
    /// The scanner and probe.
    pub scanner: ScannerKey,
    /// The scanner's preset, where the file names it.
    pub preset: Option<String>,
    /// Id of the phantom.
    pub phantom: String,
    /// SHA-256 of the phantom's definition, hex.
    pub phantom_digest: String,
    /// Id of the table of tolerances.
    pub tolerance: String,
    /// The frames.
    pub frames: Vec<CheckedFrame>,
    /// How much the header reads long (+) or short (−), relative (across, down).
    pub error: [f64; 2],
    /// Standard uncertainty of that (across, down).
    pub u: [f64; 2],
    /// Correlation of the two.
    pub correlation: f64,
    /// Shear, rotation and unevenness.
    pub shape: Shape,
    /// Distances tested, mm (across, down).
    pub over_mm: [f64; 2],
    /// Verdicts (across, down), the stricter of millimetres and per cent.
    pub verdicts: [Verdict; 2],
    /// The day the next check is due.
    pub next_due: Date,
    /// Invented, for the bundled sample.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub invented: bool,
    /// Id of the check that was saved before this one, of whatever scanner.
    pub follows: Option<String>,
    /// Public key of the signature, hex; empty in an invented one.
    pub key: String,
    signature: String,
}

/// Who checked what, and when.
#[derive(Clone, Debug)]
pub struct Made {
    /// The day of the check.
    pub checked_on: Date,
    /// Now, RFC 3339.
    pub made_at: String,
    /// Who checked.
    pub by: String,
    /// The scanner and probe.
    pub scanner: ScannerKey,
    /// The preset.
    pub preset: Option<String>,
}

impl ScaleCheck {
    /// The entry of these checks of one phantom on one scanner; not signed yet.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when there is no check, nobody is named, or the next date cannot be reckoned.
    pub fn new(made: Made, checks: &[Check], phantom: &Definition, tolerance: &Tolerance) -> Result<Self> {
        let fault =
            |expected: &str| Error::new(ErrorKind::Invalid, "the scale check cannot be kept").expected(expected.to_owned()).found("none");
        let all = together(checks, phantom, tolerance).ok_or_else(|| fault("one checked frame or more"))?;
        let by = made.by.trim().to_owned();
        if by.is_empty() {
            return Err(fault("the name of who checked").remedy("Name yourself"));
        }
        let next_due = made
            .checked_on
            .checked_add(i64::from(tolerance.check_every_months).months())
            .map_err(|_| fault("a date that has a next one"))?;
        let n = checks.len() as f64;
        let frames = checks
            .iter()
            .map(|c| CheckedFrame {
                frame: c.frame.clone(),
                region: c.region,
                header_mm_per_px: c.header_mm_per_px,
                found_mm_per_px: [c.fit.mm_per_px_x, c.fit.mm_per_px_y],
                pins: c.matching.pairs.len() as u32,
                sd_mm: c.fit.sd_mm,
                notes: c.notes.iter().map(crate::phantom::Note::words).collect(),
            })
            .collect();
        Ok(Self {
            schema: SCHEMA.into(),
            checked_on: made.checked_on,
            made_at: made.made_at,
            by,
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            scanner: made.scanner,
            preset: made.preset,
            phantom: phantom.id.clone(),
            phantom_digest: phantom.digest.clone(),
            tolerance: tolerance.id.clone(),
            frames,
            error: all.error,
            u: all.u,
            correlation: all.correlation,
            shape: Shape {
                shear: checks.iter().map(|c| c.fit.shear).sum::<f64>() / n,
                rotation_degrees: checks.iter().map(|c| c.fit.rotation_degrees).sum::<f64>() / n,
                uneven: all.local.map(|l| l.half_range),
            },
            over_mm: all.axes.map(|a| a.over_mm),
            verdicts: all.axes.map(|a| a.verdict()),
            next_due,
            invented: false,
            follows: None,
            key: String::new(),
            signature: String::new(),
        })
    }

    /// The same marked as invented.
    #[must_use]
    pub fn as_invented(self) -> Self {
        Self { invented: true, ..self }
    }

    /// The same, linked and signed.
    pub(super) fn signed(self, follows: Option<String>, seed: &[u8; 32]) -> Result<Self> {
        let mut signed = Self { follows, key: files::public_key(seed), signature: String::new(), ..self };
        signed.signature = files::sign(seed, &signed.bare_bytes()?);
        Ok(signed)
    }

    fn bare_bytes(&self) -> Result<Vec<u8>> {
        serde_json::to_vec(&Self { signature: String::new(), ..self.clone() }).map_err(unwritable)
    }

    /// Its id: SHA-256 (hex) of its compact JSON without the signature.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn id(&self) -> Result<String> {
        Ok(digest::sha256_hex(self.bare_bytes()?))
    }

    /// As text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map(|t| t + "\n").map_err(unwritable)
    }

    /// Reads a check and tests its signature.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it is damaged, of another version, invented, or was changed after it was signed.
    pub fn from_json(text: &str) -> Result<Self> {
        let fault = |found: String| {
            Error::new(ErrorKind::Record, "the scale check cannot be used").expected(format!("a signed check of {SCHEMA}")).found(found)
        };
        let read: Self = serde_json::from_str(text).map_err(|e| fault(e.to_string()))?;
        if read.schema != SCHEMA {
            return Err(fault(read.schema));
        }
        if read.invented {
            return Err(fault("one that is invented".into()));
        }
        if !files::is_signed(&read.key, &read.signature, &read.bare_bytes()?) {
            return Err(fault("one that was changed after it was signed".into()));
        }
        read.last(read.id()?, false).validate()?;
        Ok(read)
    }

    /// The worse of its verdicts.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.verdicts[0].max(self.verdicts[1])
    }

    /// When the next one is due, seen from `today`.
    #[must_use]
    pub fn due(&self, today: Date) -> Due {
        if today > self.next_due { Due::Overdue(self.next_due) } else { Due::On(self.next_due) }
    }

    /// What a reading takes from it; `id` is its own.
    #[must_use]
    pub fn last(&self, id: String, other_preset: bool) -> LastCheck {
        LastCheck {
            id,
            checked_on: self.checked_on,
            next_due: self.next_due,
            error_x: self.error[0],
            error_y: self.error[1],
            u_x: self.u[0],
            u_y: self.u[1],
            correlation: self.correlation,
            verdict: match self.verdict() {
                Verdict::Within => CheckVerdict::Within,
                Verdict::Action => CheckVerdict::Action,
                Verdict::Defect => CheckVerdict::Defect,
            },
            other_preset,
            invented: self.invented,
        }
    }
}

fn unwritable(e: serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the scale check cannot be written").caused_by(e)
}
