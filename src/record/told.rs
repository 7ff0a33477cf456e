//! That an urgent matter was passed on: a record of its own beside the readings, never changed, linked to one of them.
//!
//! It names no patient; the reading that it is linked to does.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::beside::{self, unwritable};
use super::verify::content_digest;
use super::{Check, Difference, ReadingRecord};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::followup::{self, Exam, Told, UrgentId};
use crate::guideline::{self, Shelf};

/// Version of the record's shape.
pub const TOLD_SCHEMA: &str = "osspan-told/1";
/// How the names of its files begin.
const PREFIX: &str = "told-";
/// Longest such file that is read, bytes.
const LONGEST: u64 = 64 * 1024;
/// Longest name that is taken, characters.
const LONGEST_NAME: usize = 200;

/// Who was told of an urgent matter, by whom, when, and whether it was read back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToldRecord {
    /// [`TOLD_SCHEMA`].
    pub schema: String,
    /// SHA-256 (hex) of the record's compact JSON with this field empty; it is also its id.
    pub content_sha256: String,
    /// Id of the reading that the matter was seen in.
    pub reading: String,
    /// Study Instance UID of that reading's exam, where there is one.
    pub study_instance_uid: Option<String>,
    /// What was passed on.
    pub told: Told,
    /// When this was saved, RFC 3339 with offset.
    pub saved_at: String,
    /// Name and version of the program.
    pub software: String,
}

/// A told record and the file that holds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredTold {
    /// The file.
    pub path: PathBuf,
    /// The record.
    pub record: ToldRecord,
}

/// Whether a file's name is that of a told record.
pub(super) fn is_told(path: &Path) -> bool {
    beside::is_of(PREFIX, path)
}

/// The urgent matters of a saved reading, by its own table where it is at hand.
///
/// # Errors
/// [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules out.
pub fn urgent_of(reading: &ReadingRecord, shelf: &Shelf) -> Result<Vec<followup::Urgent>> {
    let bundled;
    // No urgent matter depends on the table, so any will do where the reading's own is not at hand.
    let table = match shelf.by_digest(&reading.table.id, &reading.table.digest) {
        Some(t) => t,
        None => {
            bundled = guideline::table("us-consensus-2014")?;
            &bundled
        }
    };
    let measured = reading.distance.measured();
    let (measurement, finding) = (measured.map(|m| &m.measurement), measured.map(|m| &m.finding));
    let context = reading.context_in_force();
    let exam =
        Exam { table, context: &context, age: context.gestational_age().ok(), stated_side: Some(reading.side), measurement, finding };
    Ok(followup::urgent(&exam))
}

impl ToldRecord {
    /// The record that `told` was passed on for a matter of `reading`; `saved_at` is now, RFC 3339.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when a name is missing, the moment is not one or lies after `saved_at`, or the reading has no
    /// such urgent matter.
    pub fn new(reading: &ReadingRecord, told: Told, saved_at: String, shelf: &Shelf) -> Result<Self> {
        let told = Told { to: told.to.trim().to_owned(), by: told.by.trim().to_owned(), at: told.at.trim().to_owned(), ..told };
        for (what, name) in [("who was told", &told.to), ("who told", &told.by)] {
            if name.is_empty() || name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control) {
                return Err(refused().expected(format!("{what}, in 1 to {LONGEST_NAME} characters")).found(if name.is_empty() {
                    "none"
                } else {
                    "another text"
                }));
            }
        }
        let (at, now) = (moment(&told.at)?, moment(&saved_at)?);
        if at > now {
            return Err(refused().expected("a moment that has passed").found(told.at));
        }
        let matters: Vec<UrgentId> = urgent_of(reading, shelf)?.iter().map(|u| u.id).collect();
        if !matters.contains(&told.matter) {
            let list = if matters.is_empty() { "none".to_owned() } else { matters.iter().map(|m| m.id()).collect::<Vec<_>>().join(", ") };
            return Err(refused().expected(format!("an urgent matter of this reading: {list}")).found(told.matter.id()));
        }
        let mut made = Self {
            schema: TOLD_SCHEMA.into(),
            content_sha256: String::new(),
            reading: reading.id().to_owned(),
            study_instance_uid: reading.study_instance_uid.clone(),
            told,
            saved_at,
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        };
        let text = serde_json::to_vec(&made).map_err(unwritable)?;
        made.content_sha256 = digest::sha256_hex(&text);
        Ok(made)
    }

    /// The record's id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.content_sha256
    }

    /// The name of its file: no identity in it.
    pub(super) fn file_name(&self) -> String {
        beside::file_name(PREFIX, self.id())
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
    /// [`ErrorKind::Record`] when damaged or of another version.
    pub fn from_json(text: &str) -> Result<Self> {
        let damaged =
            |found: String| Error::new(ErrorKind::Record, "the record of who was told cannot be read").expected(TOLD_SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| damaged(e.to_string()))?;
        if read.schema == TOLD_SCHEMA { Ok(read) } else { Err(damaged(read.schema)) }
    }
}

fn refused() -> Error {
    Error::new(ErrorKind::Invalid, "it cannot be recorded who was told")
}

fn moment(text: &str) -> Result<jiff::Timestamp> {
    // A moment without its offset could be any of a day's.
    let offset = text.ends_with('Z') || text.get(19..).is_some_and(|t| t.contains(['+', '-']));
    text.parse::<jiff::Timestamp>().ok().filter(|_| offset).ok_or_else(|| {
        refused().expected("a moment with its offset such as 2031-03-14T09:26:00+01:00").found(text.chars().take(60).collect::<String>())
    })
}

/// Reads the told records among `paths`, with an error for each file that holds none.
pub(super) fn load(paths: &[PathBuf]) -> (Vec<StoredTold>, Vec<Error>) {
    let (found, faults) = beside::load(paths, PREFIX, LONGEST, ToldRecord::from_json, ToldRecord::id);
    let mut found: Vec<StoredTold> = found.into_iter().map(|(path, record)| StoredTold { path, record }).collect();
    found.sort_by(|a, b| files::instant(&a.record.told.at).cmp(&files::instant(&b.record.told.at)).then_with(|| a.path.cmp(&b.path)));
    (found, faults)
}

/// Checks a told record's text: its digest, and that its reading has the matter. `reading` is the one it names, where it is
/// at hand; that it is missing is told by the caller.
pub(super) fn check(text: &str, reading: impl FnOnce(&str) -> Option<ReadingRecord>, shelf: &Shelf) -> Result<(ToldRecord, Check)> {
    let record = ToldRecord::from_json(text)?;
    let mut check = Check::default();
    let digest = content_digest(text)?;
    if digest != record.content_sha256 {
        check.differences.push(Difference {
            what: "the record's content".into(),
            expected: format!("digest {}", record.content_sha256),
            found: format!("digest {digest}"),
        });
    }
    match reading(&record.reading) {
        None => check
            .unchecked
            .push("whether its reading has this matter: the reading is not in the same folder, or not as it was saved".into()),
        Some(reading) => {
            if !urgent_of(&reading, shelf)?.iter().any(|u| u.id == record.told.matter) {
                check.differences.push(Difference {
                    what: "the urgent matter".into(),
                    expected: "one of its reading".into(),
                    found: record.told.matter.id().into(),
                });
            }
        }
    }
    Ok((record, check))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn moments_need_their_offset() {
        for good in ["2031-03-14T09:26:00+01:00", "2031-03-14T09:26:00Z", "2031-03-14T09:26:00-05:00"] {
            assert!(moment(good).is_ok(), "{good}");
        }
        for bad in ["", "yesterday", "2031-03-14", "2031-03-14T09:26:00", "2031-03-14T25:26:00+01:00"] {
            assert!(moment(bad).is_err(), "{bad}");
        }
    }
}
