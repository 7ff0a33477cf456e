//! An index over a folder tree of records, so that finding one among a hundred thousand takes no second.
//!
//! The files are the truth. The index remembers, for each file, its length and times of change; on opening, every file is
//! looked at by these (not read), and what is new or differs is read again. A cache that is absent, damaged or of another
//! version is made anew. Nothing but speed is lost with it.

use std::collections::{HashMap, HashSet};
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::blind::{Onlooker, Saved, unseen};
use super::review::{self, StoredReview};
use super::store::is_beside;
use super::store::read_file;
use super::told::{self, StoredTold};
use super::{Patient, ReadingRecord};
use crate::digest::{bytes_of, hex};
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, Stamp};
use crate::frame::FrameId;

/// First bytes of the cache; another version is made anew.
const MAGIC: &[u8] = b"osspan-index/5\n";
/// Largest cache that is read, bytes: about a million records.
const LARGEST: u64 = 1 << 30;

/// What the index knows of one record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    path: PathBuf,
    stamp: Stamp,
    id: [u8; 32],
    follows: Vec<[u8; 32]>,
    frame: [u8; 32],
    frame_number: u32,
    exam: String,
    patient: Option<String>,
    exam_date: Option<Date>,
    /// When it was saved, RFC 3339.
    pub saved_at: String,
    /// Who read.
    pub reader: String,
    /// The headline as shown.
    pub headline: String,
    /// The finding as shown.
    pub finding: String,
    same_frames: bool,
}

impl Entry {
    fn of(path: PathBuf, stamp: Stamp, record: &ReadingRecord) -> Result<Self> {
        Ok(Self {
            path,
            stamp,
            id: from_hex(record.id())?,
            follows: record.follows.iter().map(|f| from_hex(f)).collect::<Result<_>>()?,
            frame: from_hex(&record.frame.sha256)?,
            frame_number: record.frame.frame_number,
            exam: record.exam_key(),
            patient: record.patient.key(),
            exam_date: record.context.exam_date,
            saved_at: record.saved_at.clone(),
            reader: record.reader.clone(),
            headline: record.headline.clone(),
            finding: record.finding_words.clone(),
            same_frames: record.saved().same_frames,
        })
    }

    /// The file, relative to the indexed folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The record's id.
    #[must_use]
    pub fn id(&self) -> String {
        hex(&self.id)
    }

    /// The frame's digest.
    #[must_use]
    pub fn frame(&self) -> String {
        hex(&self.frame)
    }

    /// The patient's key (see [`Patient::key`]).
    #[must_use]
    pub fn patient(&self) -> Option<&str> {
        self.patient.as_deref()
    }

    /// The exam's key (see [`ReadingRecord::exam_key`]).
    #[must_use]
    pub fn exam(&self) -> &str {
        &self.exam
    }

    /// How it stands in the question of who may see what.
    #[must_use]
    pub fn saved(&self) -> Saved {
        Saved {
            exam: self.exam.clone(),
            reader: self.reader.clone(),
            frame: (self.frame(), self.frame_number),
            same_frames: self.same_frames,
        }
    }

    /// Ids of the records that it follows.
    pub(super) fn follows(&self) -> impl Iterator<Item = String> {
        self.follows.iter().map(|f| hex(f))
    }

    /// The day of the exam.
    #[must_use]
    pub const fn exam_date(&self) -> Option<Date> {
        self.exam_date
    }
}

/// What to look for; every part that is set must hold.
#[derive(Clone, Debug, Default)]
pub struct Query {
    /// A patient's key, or the patient number that it is made from.
    pub patient: Option<String>,
    /// Exams on this day or later; undated exams do not match.
    pub from: Option<Date>,
    /// Exams on this day or earlier.
    pub to: Option<Date>,
    /// Part of the reader's name, in any case.
    pub reader: Option<String>,
    /// Part of the finding or headline, in any case.
    pub finding: Option<String>,
    /// Beginning of the frame's digest.
    pub frame: Option<String>,
    /// Beginning of the record's id.
    pub id: Option<String>,
    /// Only records that no other record follows.
    pub current: bool,
}

/// An index, as fresh as the files were when it was opened.
#[derive(Debug)]
pub struct Index {
    entries: Vec<Entry>,
    told: Vec<StoredTold>,
    reviews: Vec<StoredReview>,
    unreadable: Vec<Error>,
    read: usize,
}

impl Index {
    /// Indexes the tree under `dir`. `cache` is the file that keeps the index for next time; without one, every record is
    /// read. A cache that cannot be written is no error: it only saves time.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when the folder exists but cannot be listed.
    pub fn open(dir: &Path, cache: Option<&Path>) -> Result<Self> {
        // Keyed by bytes: hashing paths part by part is slow.
        let mut known: HashMap<OsString, Entry> =
            cache.and_then(load_cache).unwrap_or_default().into_iter().map(|e| (e.path.clone().into_os_string(), e)).collect();
        let before = known.len();
        let (mut entries, mut fresh) = (Vec::new(), Vec::new());
        let mut beside = Vec::new();
        for (path, stamp) in files::tree_with_stamps(dir, "json")? {
            if is_beside(&path) {
                beside.push(dir.join(path));
                continue;
            }
            match known.remove(path.as_os_str()) {
                Some(entry) if entry.stamp == stamp => entries.push(entry),
                _ => fresh.push((path, stamp)),
            }
        }
        let gone = before != entries.len();
        let read: Vec<Result<Entry>> = fresh
            .into_par_iter()
            .map(|(path, stamp)| {
                let whole = dir.join(&path);
                read_file(&whole).and_then(|r| Entry::of(path, stamp, &r)).map_err(|e| e.at(&whole))
            })
            .collect();
        let (count, mut unreadable) = (read.len(), Vec::new());
        for one in read {
            match one {
                Ok(entry) => entries.push(entry),
                Err(e) => unreadable.push(e),
            }
        }
        // Moments are read once each and not at every comparison.
        let mut in_order: Vec<(Option<jiff::Timestamp>, Entry)> = entries.into_iter().map(|e| (files::instant(&e.saved_at).0, e)).collect();
        in_order.sort_by(|(x, a), (y, b)| {
            (a.exam_date, x, &a.saved_at, a.path.as_os_str()).cmp(&(b.exam_date, y, &b.saved_at, b.path.as_os_str()))
        });
        // The cache keeps every file. A file that was copied is the same record again, not another reading.
        let mut entries: Vec<Entry> = in_order.into_iter().map(|(_, e)| e).collect();
        if let Some(cache) = cache.filter(|_| gone || count > unreadable.len()) {
            let _ = save_cache(cache, &entries);
        }
        let mut ids = HashSet::new();
        entries.retain(|e| ids.insert(e.id));
        let (told, faults) = told::load(&beside);
        unreadable.extend(faults);
        let (reviews, faults) = review::load(&beside);
        unreadable.extend(faults);
        Ok(Self { entries, told, reviews, unreadable, read: count })
    }

    /// Every record once, by exam date, then by when it was saved; undated exams first.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The records of who was told of urgent matters.
    #[must_use]
    pub fn told(&self) -> &[StoredTold] {
        &self.told
    }

    /// The steps of reviews.
    #[must_use]
    pub fn reviews(&self) -> &[StoredReview] {
        &self.reviews
    }

    /// Takes out everything of the exams of which `who` may see nothing yet ([`unseen`]).
    pub(super) fn hide_from(&mut self, who: &Onlooker) {
        let hidden = unseen(who, self.entries.iter().map(Entry::saved));
        if hidden.is_empty() {
            return;
        }
        let ids: HashSet<String> = self.entries.iter().filter(|e| hidden.contains(&e.exam)).map(Entry::id).collect();
        self.entries.retain(|e| !hidden.contains(&e.exam));
        self.told.retain(|t| !ids.contains(&t.record.reading));
        self.reviews.retain(|r| !r.record.step.readings().iter().any(|id| ids.contains(*id)));
    }

    /// An error for each file that holds no record.
    #[must_use]
    pub fn unreadable(&self) -> &[Error] {
        &self.unreadable
    }

    /// The same, to be kept when the index is done with.
    #[must_use]
    pub fn into_unreadable(self) -> Vec<Error> {
        self.unreadable
    }

    /// How many files had to be read to bring the index up to date.
    #[must_use]
    pub const fn files_read(&self) -> usize {
        self.read
    }

    /// The records that answer `query`, in the order of [`Index::entries`].
    #[must_use]
    pub fn find(&self, query: &Query) -> Vec<&Entry> {
        let followed: HashSet<&[u8; 32]> =
            if query.current { self.entries.iter().flat_map(|e| &e.follows).collect() } else { HashSet::new() };
        let lower = |t: &Option<String>| t.as_ref().map(|t| t.to_lowercase());
        let (reader, finding) = (lower(&query.reader), lower(&query.finding));
        let (frame, id) = (lower(&query.frame), lower(&query.id));
        let keys = query.patient.as_ref().map(|p| {
            let made = Patient { number: Some(p.clone()), ..Patient::default() }.key();
            [Some(p.clone()), made]
        });
        let holds = |part: &Option<String>, of: &dyn Fn(&str) -> bool| part.as_ref().is_none_or(|p| of(p));
        self.entries
            .iter()
            .filter(|e| {
                keys.as_ref().is_none_or(|k| e.patient.is_some() && k.contains(&e.patient))
                    && query.from.is_none_or(|d| e.exam_date.is_some_and(|x| x >= d))
                    && query.to.is_none_or(|d| e.exam_date.is_some_and(|x| x <= d))
                    && holds(&reader, &|p| e.reader.to_lowercase().contains(p))
                    && holds(&finding, &|p| e.finding.to_lowercase().contains(p) || e.headline.to_lowercase().contains(p))
                    && holds(&frame, &|p| hex(&e.frame).starts_with(p))
                    && holds(&id, &|p| hex(&e.id).starts_with(p))
                    && !(query.current && followed.contains(&e.id))
            })
            .collect()
    }

    /// Ids of the records that no other record follows; of one frame, or of all.
    ///
    /// A frame is its digest and its number: the frames of a frozen cine have the same bytes and are not the same frame.
    #[must_use]
    pub fn heads(&self, frame: Option<&FrameId>) -> Vec<String> {
        self.current(frame).map(Entry::id).collect()
    }

    /// As [`Index::heads`] of one frame, of one reader's records of this patient ([`Patient::key`]) only: a picture that was stored
    /// under two people's names is read for each by itself.
    #[must_use]
    pub fn own_heads(&self, frame: &FrameId, reader: &str, patient: Option<&str>) -> Vec<String> {
        let own = |e: &&Entry| e.reader == reader.trim() && e.patient() == patient;
        self.current(Some(frame)).filter(own).map(Entry::id).collect()
    }

    fn current<'a>(&'a self, frame: Option<&'a FrameId>) -> impl Iterator<Item = &'a Entry> {
        let query = Query { current: true, frame: frame.map(|f| f.sha256.clone()), ..Query::default() };
        self.find(&query).into_iter().filter(move |e| frame.is_none_or(|f| f.frame_number == e.frame_number))
    }
}

fn load_cache(path: &Path) -> Option<Vec<Entry>> {
    let bytes = files::read_bytes(path, LARGEST).ok()?;
    let rest = bytes.strip_prefix(MAGIC)?;
    let (digest, body) = rest.split_at_checked(32)?;
    (Sha256::digest(body).as_slice() == digest).then(|| postcard::from_bytes(body).ok())?
}

fn save_cache(path: &Path, entries: &[Entry]) -> Result<()> {
    let fault = |e: postcard::Error| Error::new(ErrorKind::Format, "the index cannot be written").caused_by(e);
    let body = postcard::to_stdvec(entries).map_err(fault)?;
    let mut bytes = MAGIC.to_vec();
    bytes.extend_from_slice(&Sha256::digest(&body));
    bytes.extend_from_slice(&body);
    let (Some(dir), Some(name)) = (path.parent(), path.file_name().and_then(|n| n.to_str())) else { return Ok(()) };
    files::replace(dir, name, &bytes)?;
    Ok(())
}

/// 64 hexadecimal digits.
pub(super) fn from_hex(text: &str) -> Result<[u8; 32]> {
    bytes_of(text).ok_or_else(|| Error::new(ErrorKind::Record, "a digest in the record is damaged").expected("64 hexadecimal digits"))
}
