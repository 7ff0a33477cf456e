//! The second reader: which exams await one, how two readings compare, what stands, and what may be done next.
//!
//! Everything is derived from the saved readings and the steps beside them; nothing is kept twice. What a reader may see is
//! decided before anything arrives here ([`record::unseen`](crate::record::unseen)); only the queue is made from everything,
//! and it says nothing of any reading.

mod desk;
mod queue;

pub use desk::Desk;
pub use queue::{Awaiting, Order, queue};

use std::collections::{BTreeMap, HashSet};

use crate::caseload::SavedExam;
use crate::error::{Error, ErrorKind, Result};
use crate::record::{Comparison, Maker, ReadingRecord, ReviewRecord, Role, Settlement, Step, followed, instant, newest_of_each_frame};

/// Where the review of an exam stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Standing {
    /// One reader read it.
    ReadOnce,
    /// The first reading went back to its reader, who has not read again.
    Returned,
    /// Two readers read it and nobody compared.
    NotCompared,
    /// The second reader agrees.
    Agreed,
    /// The second reading stands.
    Amended,
    /// Settled together; a reading stands.
    Settled,
    /// Settled together; the woman is scanned again.
    ScanAgain,
    /// Steps were taken side by side that did not know of each other.
    Forked,
    /// What stands is signed.
    Signed,
    /// Something was read or decided after it was signed.
    ChangedSinceSigned,
}

impl Standing {
    /// The words shown for it.
    #[must_use]
    pub const fn words(&self) -> &'static str {
        match self {
            Self::ReadOnce => "read once",
            Self::Returned => "returned to the first reader",
            Self::NotCompared => "read twice, not compared",
            Self::Agreed => "second reader agrees, not signed",
            Self::Amended => "amended by the second reader, not signed",
            Self::Settled => "settled together, not signed",
            Self::ScanAgain => "settled: scan again",
            Self::Forked => "two steps were taken side by side: look at both and take one more",
            Self::Signed => "signed",
            Self::ChangedSinceSigned => "changed since it was signed",
        }
    }
}

/// One exam with its readings and the steps of its review.
#[derive(Clone, Debug)]
pub struct ExamReview {
    /// The exam's key ([`ReadingRecord::exam_key`]).
    pub exam: String,
    /// Its readings that no later one of the same reader follows, by when they were saved.
    pub readings: Vec<ReadingRecord>,
    /// The steps of its review, by when they were taken.
    pub steps: Vec<ReviewRecord>,
    /// Its readers in the order in which they first saved. A first reader who corrects a reading stays the first.
    order: Vec<String>,
}

/// Groups readings and steps by exam, by exam date, then by key.
#[must_use]
pub fn exams(records: &[ReadingRecord], steps: &[ReviewRecord]) -> Vec<ExamReview> {
    let followed = followed(records.iter().map(|r| &r.follows));
    let of: BTreeMap<&str, String> = records.iter().map(|r| (r.id(), r.exam_key())).collect();
    let mut all: BTreeMap<String, ExamReview> = BTreeMap::new();
    for record in records.iter().filter(|r| !followed.contains(r.id())) {
        let exam = record.exam_key();
        let entry =
            all.entry(exam.clone()).or_insert_with(|| ExamReview { exam, readings: Vec::new(), steps: Vec::new(), order: Vec::new() });
        entry.readings.push(record.clone());
    }
    let mut by_time: Vec<&ReadingRecord> = records.iter().collect();
    by_time.sort_by(|a, b| a.by_moment(b));
    for record in by_time {
        if let Some(exam) = of.get(record.id()).and_then(|e| all.get_mut(e)).filter(|e| !e.order.contains(&record.reader)) {
            exam.order.push(record.reader.clone());
        }
    }
    for step in steps {
        let exam = step.step.readings().into_iter().find_map(|id| of.get(id));
        if let Some(entry) = exam.and_then(|e| all.get_mut(e)) {
            entry.steps.push(step.clone());
        }
    }
    let mut all: Vec<ExamReview> = all.into_values().collect();
    for exam in &mut all {
        exam.readings.sort_by(ReadingRecord::by_moment);
        exam.steps.sort_by(ReviewRecord::by_moment);
    }
    all.sort_by(|a, b| (a.date(), &a.exam).cmp(&(b.date(), &b.exam)));
    all
}

impl ExamReview {
    /// The day of the exam.
    #[must_use]
    pub fn date(&self) -> Option<jiff::civil::Date> {
        self.readings.iter().find_map(|r| r.context.exam_date)
    }

    /// Its readers, in the order in which they first saved.
    #[must_use]
    pub fn readers(&self) -> Vec<&str> {
        self.order.iter().map(String::as_str).filter(|reader| self.readings.iter().any(|r| r.reader == *reader)).collect()
    }

    fn of(&self, reader: &str) -> Vec<&ReadingRecord> {
        self.readings.iter().filter(|r| r.reader == reader).collect()
    }

    /// The reading that a reader's frames of this exam come to: the shortest where none covers, the shortest overlap where
    /// one does; without any distance, the last.
    #[must_use]
    pub fn deciding(&self, reader: &str) -> Option<&ReadingRecord> {
        let (own, _) = newest_of_each_frame(self.of(reader));
        let exam = SavedExam {
            readings: own.iter().map(|r| (*r).clone()).collect(),
            beside: Vec::new(),
            told: Vec::new(),
            context: own.last()?.context.clone(),
            earlier_exam_was_low: false,
        };
        let place = exam.summary().and_then(|(s, places)| places.get(s.decisive?).copied());
        place.and_then(|i| own.get(i).copied()).or_else(|| own.last().copied())
    }

    /// How the two readers' deciding readings compare: the first reader's and that of the reader who came last, or of
    /// `second`. `None` while there is one reader only.
    #[must_use]
    pub fn comparison(&self, second: Option<&str>) -> Option<Comparison> {
        let readers = self.readers();
        let first = *readers.first()?;
        let other = match second {
            Some(reader) => *readers.iter().find(|r| **r == reader && **r != first)?,
            None => *readers.last().filter(|r| **r != first)?,
        };
        Some(Comparison::of(self.deciding(first)?, self.deciding(other)?))
    }

    /// The steps that no other step follows.
    #[must_use]
    pub fn heads(&self) -> Vec<&ReviewRecord> {
        let followed = followed(self.steps.iter().map(|s| &s.follows));
        self.steps.iter().filter(|s| !followed.contains(s.id())).collect()
    }

    /// The readings that stand, or why none does yet.
    ///
    /// # Errors
    /// The reason in words.
    pub fn stands(&self) -> std::result::Result<Vec<&ReadingRecord>, String> {
        let readers = self.readers();
        let heads = self.heads();
        let last = match heads.as_slice() {
            [] if readers.len() > 1 => return Err("two readers read it: compare their readings first".into()),
            [] => return Ok(readers.first().map(|r| self.of(r)).unwrap_or_default()),
            [one] => *one,
            many => return Err(format!("{} steps were taken side by side: look at them and take one more", many.len())),
        };
        let current = |id: &str| self.readings.iter().find(|r| r.id() == id);
        let changed = || Err("a reading that the last step was about was corrected since: compare again".to_owned());
        match &last.step {
            Step::Agree { .. } | Step::Amend { .. } | Step::Settle { .. } if !self.all_compared() => {
                Err("another reader read it since: compare again".into())
            }
            Step::Agree { comparison } | Step::Amend { comparison, .. } => {
                // What was compared must still be what each reader's frames come to.
                let decides = |id: &str| current(id).is_some_and(|r| self.deciding(&r.reader).is_some_and(|d| d.id() == id));
                if !decides(&comparison.first) || !decides(&comparison.second) {
                    return changed();
                }
                let id = if matches!(last.step, Step::Agree { .. }) { &comparison.first } else { &comparison.second };
                Ok(current(id).map(|r| self.of(&r.reader)).unwrap_or_default())
            }
            Step::Settle { settlement: Settlement::Stands { reading }, .. } => current(reading).map_or_else(changed, |r| Ok(vec![r])),
            Step::Settle { settlement: Settlement::ScanAgain, .. } => Err("it was settled that the woman is scanned again".into()),
            Step::Return { reading, .. } => match current(reading) {
                Some(_) => Err("the first reading went back to its reader".into()),
                None if readers.len() > 1 => Err("two readers read it: compare their readings first".into()),
                None => Ok(readers.first().map(|r| self.of(r)).unwrap_or_default()),
            },
            Step::Sign { readings, .. } => readings.iter().map(|id| current(id)).collect::<Option<Vec<_>>>().map_or_else(changed, Ok),
        }
    }

    /// Whether every reader's reading took part in a comparison.
    fn all_compared(&self) -> bool {
        let compared: HashSet<&str> = self.steps.iter().flat_map(|s| s.step.readings()).collect();
        self.readers().into_iter().all(|reader| self.of(reader).iter().any(|r| compared.contains(r.id())))
    }

    /// Where the review stands.
    #[must_use]
    pub fn standing(&self) -> Standing {
        let heads = self.heads();
        let twice = self.readers().len() > 1;
        match heads.as_slice() {
            [] if twice => Standing::NotCompared,
            [] => Standing::ReadOnce,
            [last] => match (&last.step, self.stands()) {
                (Step::Sign { readings, .. }, Ok(_)) => {
                    // Somebody may have read it since, who is not among the signed.
                    let known =
                        |r: &&ReadingRecord| readings.iter().any(|id| id == r.id()) || instant(&r.saved_at) <= instant(&last.saved_at);
                    // A signature that is not that of its content signs nothing.
                    if last.is_signed().unwrap_or(false) && self.readings.iter().all(|r| known(&r)) {
                        Standing::Signed
                    } else {
                        Standing::ChangedSinceSigned
                    }
                }
                (Step::Sign { .. }, Err(_)) => Standing::ChangedSinceSigned,
                (Step::Settle { settlement: Settlement::ScanAgain, .. }, _) => Standing::ScanAgain,
                (Step::Return { .. }, Err(_)) if !twice || self.returned_stands(last) => Standing::Returned,
                (_, Err(_)) if twice => Standing::NotCompared,
                (Step::Agree { .. }, _) => Standing::Agreed,
                (Step::Amend { .. }, _) => Standing::Amended,
                (Step::Settle { .. }, _) => Standing::Settled,
                (Step::Return { .. }, _) => Standing::ReadOnce,
            },
            _ => Standing::Forked,
        }
    }

    fn returned_stands(&self, step: &ReviewRecord) -> bool {
        matches!(&step.step, Step::Return { reading, .. } if self.readings.iter().any(|r| r.id() == reading))
    }

    /// Makes a step by `by` of what stands now; the step's own rules are checked when it is recorded.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when there is nothing to compare, return or sign, or as [`ReviewRecord::new`].
    pub fn step(&self, what: &Wish, by: &str, role: Role, saved_at: String, seed: Option<&[u8; 32]>) -> Result<ReviewRecord> {
        let refused = |found: &str| Error::new(ErrorKind::Invalid, "the step cannot be recorded").found(found);
        let readers = self.readers();
        let second = readers.iter().skip(1).find(|r| **r == by.trim()).copied();
        let compared = || self.comparison(second).ok_or_else(|| refused("one reader only: there is nothing to compare"));
        let step = match what {
            Wish::Agree => Step::Agree { comparison: compared()? },
            Wish::Amend { reason } => Step::Amend { comparison: compared()?, reason: reason.trim().into() },
            Wish::Settle { with, settlement, reason } => Step::Settle {
                comparison: compared()?,
                with: with.trim().into(),
                settlement: settlement.clone(),
                reason: reason.trim().into(),
            },
            Wish::Return { reason } => {
                let first = readers.first().and_then(|r| self.deciding(r)).ok_or_else(|| refused("no reading"))?;
                Step::Return { reading: first.id().to_owned(), to: first.reader.clone(), reason: reason.trim().into() }
            }
            Wish::Sign => {
                let stands = self.stands().map_err(|why| refused(&why))?;
                Step::Sign {
                    readings: stands.iter().map(|r| r.id().to_owned()).collect(),
                    images: stands.iter().map(|r| r.frame.sha256.clone()).collect(),
                }
            }
        };
        let follows = self.heads().iter().map(|s| s.id().to_owned()).collect();
        let readings: Vec<&ReadingRecord> = self.readings.iter().collect();
        ReviewRecord::new(step, Maker { by: by.to_owned(), role, saved_at, follows }, &readings, seed)
    }
}

/// What somebody wants to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wish {
    /// The first reading stands.
    Agree,
    /// The second reading stands.
    Amend {
        /// Why.
        reason: String,
    },
    /// Both readers settled it together.
    Settle {
        /// The other reader.
        with: String,
        /// What it comes to.
        settlement: Settlement,
        /// Why.
        reason: String,
    },
    /// The first reading goes back.
    Return {
        /// Why.
        reason: String,
    },
    /// What stands is signed.
    Sign,
}

/// Ids of the readings that are signed and unchanged since.
#[must_use]
pub fn signed_readings(exams: &[ExamReview]) -> HashSet<String> {
    let signed = exams.iter().filter(|e| e.standing() == Standing::Signed);
    // Readings beside those that stand were decided upon with them.
    signed.flat_map(|e| e.readings.iter().map(|r| r.id().to_owned())).collect()
}

/// Ids of the current readings that no report or list takes a distance or finding from: where a review decided which readings
/// of an exam stand, the others; while it has not, all but the first reader's. Two readers' frames are never taken for repeats
/// of one.
#[must_use]
pub fn not_standing(reviews: &[ExamReview]) -> HashSet<String> {
    let mut out = HashSet::new();
    for exam in reviews {
        let first = || exam.readers().first().map(|r| exam.of(r)).unwrap_or_default();
        let stands: HashSet<&str> = exam.stands().unwrap_or_else(|_| first()).iter().map(|r| r.id()).collect();
        out.extend(exam.readings.iter().map(ReadingRecord::id).filter(|id| !stands.contains(id)).map(str::to_owned));
    }
    out
}
