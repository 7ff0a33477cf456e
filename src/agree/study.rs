//! An agreement study made of saved readings: who counts, what is compared with what, and every figure of it.
//!
//! # Which readings count
//!
//! - A reading that its own reader corrected is replaced by the correction.
//! - A reading made after seeing another reader's is not blind, and counts only where that is asked for. It is one whose own
//!   mark says that others' readings of the exam were not hidden, or that follows another reader's reading of the frame. A
//!   reading without a mark was made when there was no other at hand; one saved before there were marks is judged by what it
//!   follows alone, and that is said.
//! - One reader's readings of one frame count as repeats only when they are at least [`LEAST_SPACING_HOURS`] apart.
//! - Readings made with an accepted offer of the edge assist are a study of their own, where that is asked for.
//! - A frame that its reader judged inadequate does not count.
//! - A record whose content does not match its digest never counts.
//! - A one-sided value, and an edge that reaches the os, have no signed distance: they take part in findings only.
//!
//! Everything left out is counted by reason. Patients and exams are told apart by what records say, and appear here as
//! numbers only.

mod analyse;
mod parts;
mod rows;

pub use analyse::{OwnRepeatability, PairPoint, PairStudy, ReaderStudy, Study, Together, own_of, study};
pub use parts::{By, PARTS_NOTE, Part, Subgroup};
pub use rows::Row;

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::exam::Adequacy;
use crate::frame::FrameId;
use crate::guideline::{self, BandKind, Outcome, Table};
use crate::measure::Value;
use crate::record::ReadingRecord;
use crate::scanners::ScannerKey;

/// Readings of one frame by one reader count as repeats only so many hours apart (an assumption of this program).
pub const LEAST_SPACING_HOURS: i64 = 24;
/// Most records of one study.
pub const MOST_RECORDS: usize = 100_000;

/// What a study is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Options {
    /// Whether readings made after seeing another reader's count too.
    pub include_not_blinded: bool,
    /// Whether the readings made with edge assist are looked at, instead of those without.
    pub assisted: bool,
    /// Resamples of patients for each interval.
    pub resamples: u32,
    /// The seed of the resampling.
    pub seed: u64,
}

impl Default for Options {
    fn default() -> Self {
        Self { include_not_blinded: false, assisted: false, resamples: 2_000, seed: 1 }
    }
}

/// What a reading's finding was: the place of its band in its table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Category {
    /// Digest of the table, since bands of two tables do not compare.
    pub table: String,
    /// Place of the band in it, from deep overlap outwards.
    pub place: usize,
}

/// One reading that counts.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// Number of the patient, from 0.
    pub patient: usize,
    /// Number of the exam, from 0.
    pub exam: usize,
    /// Number of the frame, from 0.
    pub frame: usize,
    /// Place of the reader in [`Readings::readers`].
    pub reader: usize,
    /// Signed distance, mm; `None` for one-sided values, edges that reach the os and frames without a scale.
    pub signed_mm: Option<f64>,
    /// The finding; `None` where the table says nothing.
    pub category: Option<Category>,
    /// Gestational age at the exam, days.
    pub age_days: Option<u16>,
    /// The scanner in words; `None` where the record does not name it.
    pub scanner: Option<String>,
}

/// Which frame an observation's number stands for. It leads back to the exam and names nobody.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The exam's key ([`ReadingRecord::exam_key`]).
    pub exam: String,
    /// Study Instance UID, to find its images by.
    pub study_instance_uid: Option<String>,
    /// The frame.
    pub frame: FrameId,
    /// The day of the exam.
    pub exam_date: Option<jiff::civil::Date>,
    /// Gestational age at the exam, in words.
    pub age: Option<String>,
}

/// How many records were left out, by reason.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    /// Their own reader corrected them.
    pub corrected: usize,
    /// Made after seeing another reader's reading.
    pub not_blinded: usize,
    /// Too soon after the same reader's reading of the frame.
    pub too_soon: usize,
    /// The content does not match its digest.
    pub altered: usize,
    /// The same record again, from another folder.
    pub same_again: usize,
    /// Made with edge assist, where those without are looked at, or the other way round.
    pub assist: usize,
    /// Of frames that their reader judged inadequate.
    pub inadequate: usize,
}

impl LeftOut {
    /// How many for each reason, in words.
    #[must_use]
    pub const fn reasons(&self) -> [(usize, &'static str); 7] {
        [
            (self.corrected, "corrected by their own reader"),
            (self.not_blinded, "made after seeing another reader's reading"),
            (self.too_soon, "by the same reader less than 24 hours after the last of the frame"),
            (self.altered, "do not match their digest"),
            (self.same_again, "the same record again"),
            (self.assist, "made with edge assist, or without it where only those with it are looked at (--assisted)"),
            (self.inadequate, "of frames judged inadequate"),
        ]
    }
}

/// The readings that count.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// The readers' names, sorted.
    pub readers: Vec<String>,
    /// The readings, in the order in which they were saved.
    pub observations: Vec<Observation>,
    /// The frames by their numbers.
    pub places: Vec<Place>,
    /// What was left out.
    pub left_out: LeftOut,
    /// Readings that count although they were not blind.
    pub not_blinded_included: usize,
    /// Patients, exams and frames.
    pub counts: (usize, usize, usize),
    /// Readings from before there were marks of second readings.
    pub without_marks: usize,
    /// Readings whose record does not say whose frame it is; each exam then counts as a patient of its own.
    pub patient_unknown: usize,
}

/// Numbers for things in the order in which they appear.
struct Numbers<K>(HashMap<K, usize>);

impl<K: std::hash::Hash + Eq> Numbers<K> {
    fn new() -> Self {
        Self(HashMap::new())
    }

    fn of(&mut self, key: K) -> usize {
        let next = self.0.len();
        *self.0.entry(key).or_insert(next)
    }
}

/// Picks the readings that count.
///
/// # Errors
/// [`ErrorKind::Limit`] beyond [`MOST_RECORDS`]; [`ErrorKind::Record`] when a record's time of saving cannot be read.
pub fn readings<'a>(records: impl IntoIterator<Item = &'a ReadingRecord>, options: &Options) -> Result<Readings> {
    let records: Vec<&ReadingRecord> = records.into_iter().collect();
    if records.len() > MOST_RECORDS {
        return Err(Error::new(ErrorKind::Limit, "the study cannot be made")
            .expected(format!("at most {MOST_RECORDS} records"))
            .found(records.len().to_string()));
    }
    let mut left_out = LeftOut::default();
    let mut sound: Vec<(jiff::Timestamp, &ReadingRecord)> = Vec::new();
    let mut ids = HashSet::new();
    for record in records {
        if !record.is_intact()? {
            left_out.altered += 1;
        } else if ids.insert(record.id()) {
            let at = record.saved_at.parse().map_err(|e: jiff::Error| {
                Error::new(ErrorKind::Record, "a record's time of saving cannot be read")
                    .expected("a time such as 2031-03-14T10:00:00+01:00")
                    .caused_by(e)
            })?;
            sound.push((at, record));
        } else {
            left_out.same_again += 1;
        }
    }
    sound.sort_by(|a, b| a.0.cmp(&b.0).then_with(|| a.1.id().cmp(b.1.id())));
    let by_id: HashMap<&str, &ReadingRecord> = sound.iter().map(|(_, r)| (r.id(), *r)).collect();
    let corrected: HashSet<&str> = sound
        .iter()
        .flat_map(|(_, r)| r.follows.iter().filter_map(|f| by_id.get(f.as_str())).filter(|f| f.reader == r.reader).map(|f| f.id()))
        .collect();

    let mut readers: Vec<String> = Vec::new();
    let (mut patients, mut exams, mut frames) = (Numbers::new(), Numbers::new(), Numbers::new());
    let mut last: HashMap<(usize, String), jiff::Timestamp> = HashMap::new();
    let mut tables: BTreeMap<String, Option<Table>> = BTreeMap::new();
    let mut result = Readings::default();
    let mut kept = Vec::new();
    for (at, record) in sound {
        if corrected.contains(record.id()) {
            left_out.corrected += 1;
            continue;
        }
        if record.notes.distance_assisted() != options.assisted {
            left_out.assist += 1;
            continue;
        }
        if matches!(record.notes.checklist.adequacy(), Adequacy::Inadequate { .. }) {
            left_out.inadequate += 1;
            continue;
        }
        if !blind(record, &by_id) {
            if !options.include_not_blinded {
                left_out.not_blinded += 1;
                continue;
            }
            result.not_blinded_included += 1;
        }
        result.without_marks += usize::from(!record.has_marks());
        // By its bytes alone: what is the same to the byte is the same picture to its readers, in whichever file and under whichever
        // number, and never counts as another frame.
        let frame = frames.of(record.frame.sha256.clone());
        if let Some(before) = last.insert((frame, record.reader.clone()), at)
            && at.duration_since(before).as_hours() < LEAST_SPACING_HOURS
        {
            left_out.too_soon += 1;
            last.insert((frame, record.reader.clone()), before);
            continue;
        }
        let day = record.context.exam_date.map(|d| d.to_string());
        let known = record.patient.key();
        result.patient_unknown += usize::from(known.is_none());
        let visit = record.study_instance_uid.clone().or(day).unwrap_or_else(|| format!("frame {frame}"));
        if frame == result.places.len() {
            result.places.push(Place {
                exam: record.exam_key(),
                study_instance_uid: record.study_instance_uid.clone(),
                frame: record.frame.clone(),
                exam_date: record.context.exam_date,
                age: record.context.gestational_age().ok().map(|a| a.to_string()),
            });
        }
        let patient = patients.of(known.unwrap_or_else(|| format!("exam {visit}")));
        if !readers.contains(&record.reader) {
            readers.push(record.reader.clone());
        }
        let observation = Observation {
            patient,
            exam: exams.of((patient, visit)),
            frame,
            reader: 0,
            signed_mm: signed(record),
            category: category(record, &mut tables),
            age_days: record.context.gestational_age().ok().map(|a| a.total_days()),
            scanner: record.scanner.as_ref().map(ScannerKey::words),
        };
        kept.push((record.reader.clone(), observation));
    }
    readers.sort();
    result.observations =
        kept.into_iter().filter_map(|(name, o)| Some(Observation { reader: readers.binary_search(&name).ok()?, ..o })).collect();
    let distinct = |f: fn(&Observation) -> usize| result.observations.iter().map(f).collect::<HashSet<_>>().len();
    result.counts = (distinct(|o| o.patient), distinct(|o| o.exam), distinct(|o| o.frame));
    result.readers = readers;
    result.left_out = left_out;
    Ok(result)
}

/// Whether its reader saw no other's reading: neither by its own mark, nor because anything that it follows, however far back, is
/// another reader's. A followed record that is not at hand
/// may have been, so it counts as seen.
fn blind(record: &ReadingRecord, by_id: &HashMap<&str, &ReadingRecord>) -> bool {
    if record.second.as_ref().is_some_and(|mark| !mark.blinded) {
        return false;
    }
    let mut open: Vec<&str> = record.follows.iter().map(String::as_str).collect();
    let mut seen = HashSet::new();
    while let Some(id) = open.pop() {
        if !seen.insert(id) {
            continue;
        }
        match by_id.get(id) {
            Some(f) if f.reader == record.reader => open.extend(f.follows.iter().map(String::as_str)),
            _ => return false,
        }
    }
    true
}

fn signed(record: &ReadingRecord) -> Option<f64> {
    match record.distance.measured()?.measurement.value {
        Value::Exact { signed_mm } => Some(signed_mm.get()).filter(|v| v.is_finite()),
        _ => None,
    }
}

fn category(record: &ReadingRecord, tables: &mut BTreeMap<String, Option<Table>>) -> Option<Category> {
    let m = record.distance.measured()?;
    // An earlier text of a table is another table, unless its bands say the same.
    let key = record.table.digest.clone();
    let found = || {
        let shelf = guideline::Shelf::bundled();
        let made_with = shelf.by_digest(&record.table.id, &record.table.digest)?;
        let now = shelf.table(&record.table.id).ok().filter(|t| t.bands() == made_with.bands());
        Some(now.unwrap_or(made_with).clone())
    };
    let table = tables.entry(key).or_insert_with(found).as_ref()?;
    let place = match &m.finding.outcome {
        Outcome::Within { band } | Outcome::Straddles { nominal: band, .. } => table.bands().iter().position(|b| b.id == band.id),
        Outcome::Reaches { .. } => table.bands().iter().position(|b| b.kind == BandKind::Reaching),
        Outcome::NoPlacentaWithin { .. } | Outcome::NotApplicable { .. } => None,
    }?;
    Some(Category { table: table.digest().to_owned(), place })
}
