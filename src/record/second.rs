//! A reading's own mark of being made when another's reading of the exam was there: in which mode, and whether unseen.
//!
//! A record without the mark was made when nobody else's reading of the exam was at hand (or by a version before
//! `osspan-reading/3`, which marked nothing).

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::blind::{Onlooker, Saved, unseen};
use super::{Check, Difference, ReadingRecord, Store};
use crate::error::Result;
use crate::frame::FrameId;

/// Which frames a second reader reads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// Frames of their own choice, from the whole exam.
    #[default]
    OwnFrames,
    /// The very frames that the first reader chose, for studies of placement alone.
    SameFrames,
}

impl Mode {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::OwnFrames => "frames of their own choice",
            Self::SameFrames => "the frames that the first reader chose",
        }
    }
}

/// How an exam came to its second reader.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Served {
    /// Which frames.
    pub mode: Mode,
    /// The seed that the queue's order was drawn with.
    pub queue_seed: Option<u64>,
}

/// The mark.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SecondReading {
    /// Key of the exam that was read before by somebody else ([`ReadingRecord::exam_key`]).
    pub exam: String,
    /// Ids of the others' current readings of it that were at hand, sorted.
    pub first: Vec<String>,
    /// Which frames were read.
    pub mode: Mode,
    /// The seed that the queue's order was drawn with; absent for an order by date, or without a queue.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub queue_seed: Option<u64>,
    /// Whether the program showed its reader nothing of those readings until this one was saved.
    pub blinded: bool,
}

impl SecondReading {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let order = self.queue_seed.map_or_else(String::new, |s| format!(", order drawn with seed {s}"));
        let blind = if self.blinded { "blinded: yes" } else { "blinded: no" };
        format!("second reading of exam {}, {}{order}, {blind}", self.exam, self.mode.words())
    }
}

impl Store {
    /// The mark of a reading by `who` of an exam, as the folder is now; `None` when nobody else read the exam.
    ///
    /// # Errors
    /// As [`Store::index`].
    pub fn second_reading(&self, who: &Onlooker, exam: &str, served: Served) -> Result<Option<SecondReading>> {
        // Asked of the folder itself: what `who` may not see is marked too, by ids that say nothing.
        let index = self.clone().seen_by(None).index()?;
        let reader = who.reader.trim();
        let entries = index.entries();
        let followed: BTreeSet<String> = entries.iter().flat_map(|e| e.follows()).collect();
        let of_exam = || entries.iter().filter(|e| e.exam() == exam);
        let first: Vec<String> = of_exam()
            .filter(|e| e.reader != reader)
            .map(super::Entry::id)
            .filter(|id| !followed.contains(id))
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect();
        if first.is_empty() {
            return Ok(None);
        }
        let blinded = unseen(who, of_exam().map(|e| e.saved())).contains(exam);
        Ok(Some(SecondReading { exam: exam.to_owned(), first, mode: served.mode, queue_seed: served.queue_seed, blinded }))
    }
}

impl ReadingRecord {
    /// The record with its mark.
    ///
    /// # Errors
    /// As [`ReadingRecord::digest`].
    pub fn with_second(mut self, mark: Option<SecondReading>) -> Result<Self> {
        self.second = mark;
        self.content_sha256 = self.digest()?;
        Ok(self)
    }

    /// How it stands in the question of who may see what.
    #[must_use]
    pub fn saved(&self) -> Saved {
        Saved {
            exam: self.exam_key(),
            reader: self.reader.clone(),
            frame: frame_key(&self.frame),
            same_frames: self.second.as_ref().is_some_and(|s| s.mode == Mode::SameFrames),
        }
    }
}

/// What tells a frame from another: its digest and its number in the file.
pub(super) fn frame_key(frame: &FrameId) -> (String, u32) {
    (frame.sha256.clone(), frame.frame_number)
}

/// Checks a record's mark; `reading` finds the readings that it names, where they are at hand.
pub(super) fn check_mark(record: &ReadingRecord, reading: impl Fn(&str) -> Option<ReadingRecord>, check: &mut Check) {
    let Some(mark) = &record.second else { return };
    let mut differ = |expected: &str, found: &str| {
        check.differences.push(Difference { what: "the mark of a second reading".into(), expected: expected.into(), found: found.into() });
    };
    if mark.exam != record.exam_key() {
        differ("the key of the record's own exam", "another's");
    }
    if mark.first.is_empty() {
        differ("the readings that were there before", "none");
    }
    if mark.blinded && record.follows.iter().any(|f| mark.first.contains(f)) {
        differ("one that follows none of the readings that were hidden", "it follows one of them");
    }
    let found: Vec<ReadingRecord> = mark.first.iter().filter_map(|id| reading(id)).collect();
    if found.iter().any(|f| f.exam_key() != mark.exam || f.reader == record.reader) {
        differ("other readers' readings of the same exam", "a reading of another exam, or by the same reader");
    }
    if found.len() < mark.first.len() {
        check
            .unchecked
            .push("the mark of a second reading: not all of the readings that it names are in the same folder as they were saved".into());
    } else if mark.mode == Mode::SameFrames && !found.iter().any(|f| frame_key(&f.frame) == frame_key(&record.frame)) {
        differ("a frame that the first reader chose", "another frame");
    }
}
