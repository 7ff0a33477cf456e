//! The saved reading. Never changed once saved; a correction is a new record that names what it follows.

use crate::digest::sha256_hex;
/// See [`crate::files::instant`].
pub use crate::files::instant;

mod beside;
mod blind;
mod checkpoint;
mod compare;
mod drafts;
mod exam;
mod folder;
mod index;
mod review;
mod second;
mod store;
mod told;
mod verify;

pub use blind::{Onlooker, Saved, unseen};
pub use checkpoint::{Checkpoint, LONGEST_CHECKPOINT};
pub use compare::{Comparison, LIMIT_PER_SD, Shift};
pub use drafts::{Draft, Drafts};
pub use exam::{HeldExam, HeldReading, MOST_HELD, held, model_with, newest_of_each_frame, others_of, same_exam, values_of};
pub use folder::{Totals, Verified};
pub use index::{Entry, Index, Query};
pub use review::{Maker, REVIEW_SCHEMA, ReviewRecord, Role, Settlement, Signer, Step, StoredReview, signer_words};
pub use second::{Mode, SecondReading, Served};
pub use store::{Store, Stored};
pub use told::{StoredTold, TOLD_SCHEMA, ToldRecord, urgent_of};
pub use verify::{Check, Difference, ImageSource, recompute, verify, verify_text, verify_text_with};

use std::cmp::Ordering;
use std::collections::HashSet;

use serde::{Deserialize, Serialize};

use crate::calibrate::ScaleFacts;
use crate::calibrate::header::PixelSpacingConsent;
use crate::cautions::{self, CautionId};
use crate::context::ExamContext;
use crate::error::{Error, ErrorKind, Result};
use crate::exam::FrameNotes;
use crate::frame::{FrameId, Geometry};
use crate::guideline::TableRef;
use crate::load::StoredFile;
use crate::measure::more::MoreMeasured;
use crate::measure::{Landmarks, Repeatability, Side};
use crate::reading::{Distance, Inputs, Reading, context_in_force};
use crate::scanners::ScannerKey;

/// Version of the record's shape that is written.
pub const SCHEMA: &str = "osspan-reading/3";

/// Every version that is read. A later one only added fields, each absent when it says nothing: an earlier record reads as
/// it stands.
const READ: [&str; 3] = ["osspan-reading/1", "osspan-reading/2", SCHEMA];

/// The rules that the records of version 1, which do not name theirs, were made by.
const fn first_rules() -> u32 {
    1
}

/// Patient ID of every practice frame: it is nobody's, and no clinical reading is made of it.
pub const PRACTICE_NUMBER: &str = "PRACTICE-FRAME";

/// Whose frame it is. Kept in the record and nowhere else: not in file names, logs or errors.
#[derive(Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Patient {
    /// As stored in the file, DICOM components separated by `^`.
    pub name: Option<String>,
    /// Patient ID.
    pub number: Option<String>,
    /// Calendar date.
    pub birth_date: Option<jiff::civil::Date>,
}

impl Patient {
    /// A short key that stands for the patient in lists, so that these need name nobody: 16 hex digits made from the patient
    /// number, or without one from name and date of birth. It is no secret: who knows the number can make the key.
    #[must_use]
    pub fn key(&self) -> Option<String> {
        let basis = match (self.number.as_deref().map(str::trim).filter(|n| !n.is_empty()), &self.name, self.birth_date) {
            (Some(number), _, _) => format!("number/{number}"),
            (None, Some(name), Some(born)) => format!("name/{name}/{born}"),
            _ => return None,
        };
        Some(short_key(&basis))
    }
}

impl From<&crate::load::Identity> for Patient {
    fn from(known: &crate::load::Identity) -> Self {
        Self { name: known.name.clone(), number: known.number.clone(), birth_date: known.birth_date }
    }
}

impl std::fmt::Debug for Patient {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Patient(kept back)")
    }
}

/// One saved reading, as it stands in its file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingRecord {
    /// [`SCHEMA`].
    pub schema: String,
    /// SHA-256 (hex) of the record's compact JSON with this field empty; it is also the record's id.
    pub content_sha256: String,
    /// Ids of the records of this frame that this one follows, as its reader saw them.
    pub follows: Vec<String>,
    /// When it was saved, RFC 3339 with offset.
    pub saved_at: String,
    /// Name and version of the program.
    pub software: String,
    /// Who read.
    pub reader: String,
    /// Whose frame it is.
    pub patient: Patient,
    /// Study Instance UID of the exam, where there is one.
    pub study_instance_uid: Option<String>,
    /// The frame.
    pub frame: FrameId,
    /// The header attributes that the scale was made from.
    pub geometry: Geometry,
    /// Consent to Pixel Spacing alone, where it was given.
    pub pixel_spacing_consent: Option<PixelSpacingConsent>,
    /// The landmarks, px from the outer corner of the first pixel.
    pub landmarks: Landmarks,
    /// The reader's statement.
    pub side: Side,
    /// What was known of the exam.
    pub context: ExamContext,
    /// The repeatability in use.
    pub repeatability: Repeatability,
    /// The guideline table in use.
    pub table: TableRef,
    /// The distance and finding, or why there is none.
    pub distance: Distance,
    /// The headline as shown.
    pub headline: String,
    /// The finding as shown.
    pub finding_words: String,
    /// Ids of the cautions shown.
    pub cautions: Vec<CautionId>,
    /// Version of the rules and wordings that cautions and sentences were made by: [`cautions::RULES`].
    #[serde(default = "first_rules")]
    pub rules: u32,
    /// What the scale rests on besides the header: ticks, the last phantom check, a scale set by hand, a decision.
    #[serde(default, skip_serializing_if = "ScaleFacts::is_empty")]
    pub scale_facts: ScaleFacts,
    /// What was said and marked on the frame besides.
    #[serde(default, skip_serializing_if = "FrameNotes::is_empty")]
    pub notes: FrameNotes,
    /// Lengths that follow from further landmarks.
    #[serde(default, skip_serializing_if = "MoreMeasured::is_empty")]
    pub more: MoreMeasured,
    /// What this reader's readings of the exam came to when this one was saved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exam: Option<HeldExam>,
    /// The scanner and probe that made the frame, where the file names them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scanner: Option<ScannerKey>,
    /// That another's reading of the exam was there when this one was made, and whether it was unseen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<SecondReading>,
    /// Of a record that an earlier version wrote, with fewer fields than this one would write: whether its text matches its
    /// digest. `None` for records of this version, whose digest can be made again from the record.
    #[serde(skip)]
    pub text_matches: Option<bool>,
}

/// Ids that are followed by any of these lists of what a record or step follows: those that are no longer current.
#[must_use]
pub fn followed<'a>(follows: impl IntoIterator<Item = &'a Vec<String>>) -> HashSet<&'a str> {
    follows.into_iter().flatten().map(String::as_str).collect()
}

/// The order of two saved things: by when they were saved, whatever offset that was written with, then by their ids.
fn in_order(a: (&str, &str), b: (&str, &str)) -> Ordering {
    instant(a.0).cmp(&instant(b.0)).then_with(|| a.1.cmp(b.1))
}

/// The key that the readings of a study have ([`ReadingRecord::exam_key`]).
#[must_use]
pub fn study_key(study_instance_uid: &str) -> String {
    short_key(&format!("study/{study_instance_uid}"))
}

fn short_key(basis: &str) -> String {
    sha256_hex(basis).chars().take(16).collect()
}

/// What a record says besides the reading itself.
#[derive(Clone, Debug)]
pub struct Origin {
    /// The frame.
    pub frame: FrameId,
    /// Whose frame it is.
    pub patient: Patient,
    /// Study Instance UID.
    pub study_instance_uid: Option<String>,
    /// Who reads.
    pub reader: String,
    /// Now, RFC 3339.
    pub saved_at: String,
    /// Records of this frame that the reader saw.
    pub follows: Vec<String>,
    /// The scanner that made the frame.
    pub scanner: Option<ScannerKey>,
}

impl Origin {
    /// Where a reading of `frame` of `file` comes from.
    #[must_use]
    pub fn of(file: &StoredFile, frame: FrameId, reader: &str, saved_at: String, follows: Vec<String>) -> Self {
        let facts = file.facts();
        Self {
            frame,
            patient: Patient::from(&facts.patient),
            study_instance_uid: facts.study_instance_uid.clone(),
            reader: reader.to_owned(),
            saved_at,
            follows,
            scanner: ScannerKey::of(facts),
        }
    }
}

impl ReadingRecord {
    /// Makes the record of a reading.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when the reading is blocked (see [`Reading::blocks`]) or the reader is not named.
    pub fn new(inputs: &Inputs<'_>, reading: &Reading, origin: Origin) -> Result<Self> {
        if let Some(why) = reading.blocks.first() {
            return Err(Error::new(ErrorKind::Invalid, "the reading cannot be saved").found(why.clone()));
        }
        if origin.patient.number.as_deref().map(str::trim) == Some(PRACTICE_NUMBER) {
            return Err(Error::new(ErrorKind::Invalid, "the reading cannot be saved")
                .expected("a frame of a patient")
                .found("a practice frame")
                .remedy("Answer it on the page practice (F10) or with osspan practice submit"));
        }
        let reader = origin.reader.trim().to_owned();
        if reader.is_empty() {
            return Err(Error::new(ErrorKind::Invalid, "the reading cannot be saved")
                .expected("the reader's name")
                .found("none")
                .remedy("Name the reader"));
        }
        let mut record = Self {
            schema: SCHEMA.into(),
            content_sha256: String::new(),
            follows: origin.follows,
            saved_at: origin.saved_at,
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            reader,
            patient: origin.patient,
            study_instance_uid: origin.study_instance_uid,
            frame: origin.frame,
            geometry: inputs.geometry.clone(),
            pixel_spacing_consent: inputs.consent.cloned(),
            landmarks: *inputs.landmarks,
            side: inputs.side,
            context: inputs.context.clone(),
            repeatability: inputs.repeatability.clone(),
            table: TableRef::from(inputs.table),
            distance: reading.distance.clone(),
            headline: reading.headline.clone(),
            finding_words: reading.finding.clone(),
            cautions: reading.cautions.iter().map(|c| c.id).collect(),
            rules: cautions::RULES,
            scale_facts: inputs.scale.clone(),
            notes: inputs.notes.clone(),
            more: reading.more.clone(),
            exam: None,
            scanner: origin.scanner,
            second: None,
            text_matches: None,
        };
        record.content_sha256 = record.digest()?;
        Ok(record)
    }

    /// What was known of the exam for this frame: see [`context_in_force`].
    #[must_use]
    pub fn context_in_force(&self) -> ExamContext {
        context_in_force(&self.context, &self.notes, &self.more)
    }

    /// Whether two records say the same, but for when they were saved, what they follow and which other readings of the exam
    /// there were by then, by whomever.
    #[must_use]
    pub fn same_reading(&self, other: &Self) -> bool {
        let bare = |r: &Self| Self {
            content_sha256: String::new(),
            saved_at: String::new(),
            follows: Vec::new(),
            exam: None,
            second: None,
            ..r.clone()
        };
        bare(self) == bare(other)
    }

    /// Whether records of its version say that they are second readings.
    #[must_use]
    pub fn has_marks(&self) -> bool {
        !matches!(self.schema.as_str(), "osspan-reading/1" | "osspan-reading/2")
    }

    /// A short key of its exam, which names nobody: one study is one exam; without a study, one woman's day; without both, one
    /// frame.
    #[must_use]
    pub fn exam_key(&self) -> String {
        let basis = match (&self.study_instance_uid, self.patient.key(), self.context.exam_date) {
            (Some(uid), ..) => return study_key(uid),
            (None, Some(key), Some(date)) => format!("day/{key}/{date}"),
            _ => format!("frame/{}", self.frame.sha256),
        };
        short_key(&basis)
    }

    /// The record's id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.content_sha256
    }

    /// The order of records: by when they were saved, then by their ids.
    #[must_use]
    pub fn by_moment(&self, other: &Self) -> Ordering {
        in_order((&self.saved_at, self.id()), (&other.saved_at, other.id()))
    }

    /// SHA-256 (hex) of the compact JSON with the digest left empty.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it cannot be written as JSON.
    pub fn digest(&self) -> Result<String> {
        let bare = Self { content_sha256: String::new(), ..self.clone() };
        let text = serde_json::to_vec(&bare).map_err(beside::unwritable)?;
        Ok(sha256_hex(text))
    }

    /// Whether its content matches its digest.
    ///
    /// # Errors
    /// As [`ReadingRecord::digest`].
    pub fn is_intact(&self) -> Result<bool> {
        self.text_matches.map_or_else(|| Ok(self.digest()? == self.content_sha256), Ok)
    }

    /// The record as text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        beside::to_json(self)
    }

    /// Reads a record's text.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when damaged or of another schema version.
    pub fn from_json(text: &str) -> Result<Self> {
        let damaged = |e: serde_json::Error| {
            Error::new(ErrorKind::Record, "the record cannot be read").expected(format!("a record of schema {SCHEMA}")).found(e.to_string())
        };
        /// Only the version is read before anything else, so that a future record is named as such.
        #[derive(Deserialize)]
        struct Version<'a> {
            #[serde(borrow)]
            schema: Option<std::borrow::Cow<'a, str>>,
        }
        let version: Version<'_> = serde_json::from_str(text).map_err(damaged)?;
        match version.schema.as_deref() {
            Some(v) if READ.contains(&v) => {
                let read: Self = serde_json::from_str(text).map_err(damaged)?;
                let earlier = read.schema != SCHEMA;
                let matches = || verify::content_digest(text).is_ok_and(|d| d == read.content_sha256);
                Ok(Self { text_matches: earlier.then(matches), ..read })
            }
            other => Err(Error::new(ErrorKind::Record, "the record is of another version")
                .expected(READ.join(" or "))
                .found(other.unwrap_or("no schema"))
                .remedy("Read it with the version of Osspan that wrote it, or a later one")),
        }
    }
}
