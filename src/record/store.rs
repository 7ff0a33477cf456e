//! A folder of records: one file each, published whole, never replaced.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;

use super::ReadingRecord;
use super::beside;
use super::blind::{Onlooker, unseen};
use super::index::Index;
use super::review::{self, ReviewRecord, Signer, StoredReview, is_review};
use super::told::{self, StoredTold, ToldRecord, is_told};
use crate::error::{Error, Result};
use crate::files;
use crate::frame::FrameId;
use crate::guideline::Shelf;

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

/// A folder of records, with those in the folders below it.
#[derive(Clone, Debug)]
pub struct Store {
    dir: PathBuf,
    cache: Option<PathBuf>,
    shelf: Arc<Shelf>,
    onlooker: Option<Onlooker>,
    signers: Arc<Vec<Signer>>,
}

impl Store {
    /// The store in `dir`, which is made when the first record is saved.
    #[must_use]
    pub fn at(dir: impl Into<PathBuf>) -> Self {
        Self { dir: dir.into(), cache: None, shelf: Arc::new(Shelf::bundled()), onlooker: None, signers: Arc::default() }
    }

    /// The same store with an index kept in the file `cache`, which speeds up [`Store::heads`] and [`Store::index`].
    #[must_use]
    pub fn with_index(self, cache: impl Into<PathBuf>) -> Self {
        Self { cache: Some(cache.into()), ..self }
    }

    /// The same store, whose records may have been made with these tables.
    #[must_use]
    pub fn with_tables(self, shelf: Shelf) -> Self {
        Self { shelf: Arc::new(shelf), ..self }
    }

    /// The same store as `who` may see it: whatever is asked of it but [`Store::verify`], exams that they have still to read
    /// unseen are as if they were not there.
    #[must_use]
    pub fn seen_by(self, who: Option<Onlooker>) -> Self {
        Self { onlooker: who, ..self }
    }

    /// The same store, whose signatures are believed when they are by these.
    #[must_use]
    pub fn with_signers(self, signers: Vec<Signer>) -> Self {
        Self { signers: Arc::new(signers), ..self }
    }

    /// Whose signatures are believed.
    #[must_use]
    pub fn signers(&self) -> &[Signer] {
        &self.signers
    }

    /// The tables that its records may have been made with.
    #[must_use]
    pub fn shelf(&self) -> &Shelf {
        &self.shelf
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
        files::publish_new(&self.dir, &reading_name(record.id()), record.to_json()?.as_bytes())
    }

    /// Every record once, by when it was saved, and an error for each file that holds none. All are held in memory: for large
    /// folders use [`Store::index`].
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io) when the folder cannot be listed.
    pub fn load(&self) -> Result<(Vec<Stored>, Vec<Error>)> {
        let read: Vec<Result<Stored>> = files::tree(&self.dir, "json")?
            .into_par_iter()
            .filter(|path| !is_beside(path))
            .map(|path| match read_file(&path) {
                Ok(record) => Ok(Stored { path, record }),
                Err(e) => Err(e.at(&path)),
            })
            .collect();
        let mut found = (Vec::new(), Vec::new());
        for one in read {
            match one {
                Ok(stored) => found.0.push(stored),
                Err(e) => found.1.push(e),
            }
        }
        if let Some(who) = &self.onlooker {
            let hidden = unseen(who, found.0.iter().map(|s| s.record.saved()));
            found.0.retain(|s| !hidden.contains(&s.record.exam_key()));
        }
        found.0.sort_by(|a, b| a.record.by_moment(&b.record));
        // A file that was copied is the same record again, not another reading.
        found.0.dedup_by(|a, b| a.record.id() == b.record.id());
        Ok(found)
    }

    /// Saves a step of a review as a new file; returns its path.
    ///
    /// # Errors
    /// As [`files::publish_new`].
    pub fn save_review(&self, record: &ReviewRecord) -> Result<PathBuf> {
        files::publish_new(&self.dir, &record.file_name(), record.to_json()?.as_bytes())
    }

    /// Every step of a review, by when it was made, and an error for each such file that holds none.
    ///
    /// # Errors
    /// As [`Store::index`].
    pub fn reviews(&self) -> Result<(Vec<StoredReview>, Vec<Error>)> {
        let mut found = review::load(&files::tree(&self.dir, "json")?);
        if self.onlooker.is_some() {
            let index = self.index()?;
            found.0.retain(|r| index.reviews().iter().any(|seen| seen.path == r.path));
        }
        Ok(found)
    }

    /// Saves that an urgent matter was passed on, as a new file; returns its path.
    ///
    /// # Errors
    /// As [`files::publish_new`].
    pub fn save_told(&self, record: &ToldRecord) -> Result<PathBuf> {
        files::publish_new(&self.dir, &record.file_name(), record.to_json()?.as_bytes())
    }

    /// Every record of who was told, by when, and an error for each such file that holds none.
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io) when the folder cannot be listed.
    pub fn told(&self) -> Result<(Vec<StoredTold>, Vec<Error>)> {
        let mut found = told::load(&files::tree(&self.dir, "json")?);
        if self.onlooker.is_some() {
            let index = self.index()?;
            found.0.retain(|t| index.told().iter().any(|seen| seen.path == t.path));
        }
        Ok(found)
    }

    /// What the folder holds, brought up to date.
    ///
    /// # Errors
    /// As [`Index::open`].
    pub fn index(&self) -> Result<Index> {
        let mut index = Index::open(&self.dir, self.cache.as_deref())?;
        if let Some(who) = &self.onlooker {
            index.hide_from(who);
        }
        Ok(index)
    }

    /// The files of which the onlooker may see nothing yet.
    ///
    /// # Errors
    /// As [`Store::index`].
    pub fn unseen_files(&self) -> Result<HashSet<PathBuf>> {
        let Some(who) = &self.onlooker else { return Ok(HashSet::new()) };
        let mut index = Index::open(&self.dir, self.cache.as_deref())?;
        let files = |index: &Index| -> HashSet<PathBuf> {
            let readings = index.entries().iter().map(|e| self.dir.join(e.path()));
            let beside = index.told().iter().map(|t| t.path.clone()).chain(index.reviews().iter().map(|r| r.path.clone()));
            readings.chain(beside).collect()
        };
        let all = files(&index);
        index.hide_from(who);
        Ok(all.difference(&files(&index)).cloned().collect())
    }

    /// Reads the record that an index entry stands for.
    ///
    /// # Errors
    /// As [`ReadingRecord::from_json`], [`ErrorKind::Io`](crate::ErrorKind::Io) when the file is gone.
    pub fn open(&self, entry: &super::Entry) -> Result<Stored> {
        let path = self.dir.join(entry.path());
        let record = read_file(&path).map_err(|e| e.at(&path))?;
        Ok(Stored { path, record })
    }

    /// Ids of the records of `frame` that no other record follows: what a new reading of that frame names. When they were
    /// saved plays no part, so a clock that goes backwards changes nothing.
    ///
    /// # Errors
    /// As [`Store::index`].
    pub fn heads(&self, frame: &FrameId) -> Result<Vec<String>> {
        Ok(self.index()?.heads(Some(frame)))
    }

    /// As [`Index::own_heads`]: what a reader has seen who is not shown the others' readings.
    ///
    /// # Errors
    /// As [`Store::index`].
    pub fn own_heads(&self, frame: &FrameId, reader: &str, patient: Option<&str>) -> Result<Vec<String>> {
        Ok(self.index()?.own_heads(frame, reader, patient))
    }
}

/// Whether a file's name says that it holds no reading but something about one.
pub(super) fn is_beside(path: &Path) -> bool {
    is_told(path) || is_review(path)
}

/// The name of the file of the reading with this id.
pub(super) fn reading_name(id: &str) -> String {
    beside::file_name("reading-", id)
}

/// Reads the text of one record file.
pub(super) fn read_record_text(path: &Path) -> Result<String> {
    files::read_text(path, LONGEST)
}

/// Reads one record file. A record whose content is not what it was saved with is none: no list, report or value is made of it.
pub(super) fn read_file(path: &Path) -> Result<ReadingRecord> {
    let record = ReadingRecord::from_json(&read_record_text(path)?)?;
    if record.is_intact()? { Ok(record) } else { Err(beside::changed()) }
}

/// The reading of an id that lies beside the file `path`, under the name that it was saved by.
pub(super) fn reading_beside(path: &Path, id: &str) -> Option<ReadingRecord> {
    read_file(&path.with_file_name(reading_name(id))).ok().filter(|r| r.id() == id)
}
