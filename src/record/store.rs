//! A folder of records: one file each, published whole, never replaced.

use std::path::{Path, PathBuf};

use super::ReadingRecord;
use crate::error::{Error, Result};
use crate::files;
use crate::frame::FrameId;

/// Longest record file that is read, bytes.
const LONGEST: u64 = 1024 * 1024;

/// A record and the file that holds it.
#[derive(Clone, Debug)]
pub struct Stored {
    /// The file.
    pub path: PathBuf,
    /// The record.
    pub record: ReadingRecord,
}

/// A folder of records.
#[derive(Clone, Debug)]
pub struct Store {
    dir: PathBuf,
}

impl Store {
    /// The store in `dir`, which is made when the first record is saved.
    #[must_use]
    pub fn at(dir: impl Into<PathBuf>) -> Self {
        Self { dir: dir.into() }
    }

    /// Where it is.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Saves a record as a new file; returns its path. The file name carries the start of the record's id and no identity.
    ///
    /// # Errors
    /// As [`files::publish_new`]; nothing is left behind.
    pub fn save(&self, record: &ReadingRecord) -> Result<PathBuf> {
        let name = format!("reading-{}.json", record.id().get(..20).unwrap_or(record.id()));
        files::publish_new(&self.dir, &name, record.to_json()?.as_bytes())
    }

    /// Every record in the folder, and an error for each file that holds none.
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io) when the folder cannot be listed.
    pub fn load(&self) -> Result<(Vec<Stored>, Vec<Error>)> {
        let mut found = (Vec::new(), Vec::new());
        for path in files::list(&self.dir, "json")? {
            match files::read_text(&path, LONGEST).and_then(|t| ReadingRecord::from_json(&t)) {
                Ok(record) => found.0.push(Stored { path, record }),
                Err(e) => found.1.push(e.at(&path)),
            }
        }
        found.0.sort_by(|a, b| a.record.saved_at.cmp(&b.record.saved_at).then_with(|| a.path.cmp(&b.path)));
        Ok(found)
    }

    /// Ids of the records of `frame` that no other record follows: what a new reading of that frame names.
    ///
    /// # Errors
    /// As [`Store::load`].
    pub fn heads(&self, frame: &FrameId) -> Result<Vec<String>> {
        let of_frame: Vec<_> = self.load()?.0.into_iter().filter(|s| s.record.frame.sha256 == frame.sha256).collect();
        Ok(of_frame
            .iter()
            .filter(|s| !of_frame.iter().any(|o| o.record.follows.iter().any(|f| f == s.record.id())))
            .map(|s| s.record.id().to_owned())
            .collect())
    }
}
