//! That a report was sent: to whom, when, and what it said. So that a later, amended report can name who holds a void one.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::Report;
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Version of its shape.
pub const ISSUED_SCHEMA: &str = "osspan-report-issued/1";
/// How the names of its files begin.
const PREFIX: &str = "issued-";
/// Longest such file that is read, bytes.
const LONGEST: u64 = 256 * 1024;
/// Longest name that is taken, characters.
const LONGEST_NAME: usize = 200;

/// One report that was sent. It names no patient; the readings that it names do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Issued {
    /// [`ISSUED_SCHEMA`].
    pub schema: String,
    /// SHA-256 (hex) of the compact JSON with this field empty.
    pub content_sha256: String,
    /// Ids of the readings that it was made from.
    pub readings: Vec<String>,
    /// Its headline.
    pub headline: String,
    /// Its finding.
    pub finding: String,
    /// Whether it was a draft, unsigned or signed, in words.
    pub standing: String,
    /// Who received it.
    pub to: String,
    /// When, RFC 3339 with offset.
    pub at: String,
    /// Name and version of the program.
    pub software: String,
}

impl Issued {
    /// That `report` goes to `to`.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when nobody is named.
    pub fn new(report: &Report, to: &str) -> Result<Self> {
        let to = to.trim();
        if to.is_empty() || to.chars().count() > LONGEST_NAME || to.chars().any(char::is_control) {
            return Err(Error::new(ErrorKind::Invalid, "it cannot be recorded who receives the report")
                .expected(format!("a name of 1 to {LONGEST_NAME} characters"))
                .found(if to.is_empty() { "none" } else { "another text" }));
        }
        let mut made = Self {
            schema: ISSUED_SCHEMA.into(),
            content_sha256: String::new(),
            readings: report.records.clone(),
            headline: report.headline.clone(),
            finding: report.finding.clone(),
            standing: report.standing.words(),
            to: to.to_owned(),
            at: report.made_at.clone(),
            software: report.software.clone(),
        };
        made.content_sha256 = made.digest()?;
        Ok(made)
    }

    fn digest(&self) -> Result<String> {
        let bare = Self { content_sha256: String::new(), ..self.clone() };
        let text = serde_json::to_vec(&bare).map_err(unwritable)?;
        Ok(digest::sha256_hex(&text))
    }

    /// Saves it as a new file in `dir`.
    ///
    /// # Errors
    /// As [`files::publish_new`].
    pub fn save(&self, dir: &Path) -> Result<std::path::PathBuf> {
        let text = serde_json::to_string_pretty(self).map_err(unwritable)? + "\n";
        files::create_private_dir(dir)?;
        files::publish_new(dir, &format!("{PREFIX}{}.json", self.content_sha256.get(..20).unwrap_or_default()), text.as_bytes())
    }

    /// Every such record of a folder, by when they were sent, and an error for each file that holds none or was altered.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when the folder cannot be listed.
    pub fn load(dir: &Path) -> Result<(Vec<Self>, Vec<Error>)> {
        let mut found = (Vec::new(), Vec::new());
        for path in files::list(dir, "json")? {
            if !path.file_name().is_some_and(|n| n.as_encoded_bytes().starts_with(PREFIX.as_bytes())) {
                continue;
            }
            match files::read_text(&path, LONGEST).and_then(|t| Self::from_json(&t)) {
                Ok(one) => found.0.push(one),
                Err(e) => found.1.push(e.at(&path)),
            }
        }
        found.0.sort_by(|a, b| a.at.cmp(&b.at).then_with(|| a.content_sha256.cmp(&b.content_sha256)));
        Ok(found)
    }

    /// Reads one.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when damaged, altered or of another version.
    pub fn from_json(text: &str) -> Result<Self> {
        let damaged = |found: String| {
            Error::new(ErrorKind::Record, "the record of a sent report cannot be read").expected(ISSUED_SCHEMA).found(found)
        };
        let read: Self = serde_json::from_str(text).map_err(|e| damaged(e.to_string()))?;
        if read.schema != ISSUED_SCHEMA {
            return Err(damaged(read.schema));
        }
        if read.digest()? != read.content_sha256 {
            return Err(damaged("another content than its digest".into()));
        }
        Ok(read)
    }
}

fn unwritable(e: serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the record of a sent report cannot be written").caused_by(e)
}
