//! A folder's exams at one reader's desk: what waits for them and what they may see, from one reading of the folder.

use std::collections::HashSet;

use super::{Awaiting, ExamReview, Order, exams, queue};
use crate::error::{Error, Result};
use crate::record::{Onlooker, ReadingRecord, ReviewRecord, Store, unseen};

/// The desk.
#[derive(Debug)]
pub struct Desk {
    who: Onlooker,
    exams: Vec<ExamReview>,
    unseen: HashSet<String>,
    faults: Vec<Error>,
}

impl Desk {
    /// Reads a folder for `who`. The store is the folder as it is: what `who` may not see yet is kept back here, by
    /// [`unseen`], because the queue is made from everything.
    ///
    /// # Errors
    /// As [`Store::load`] and [`Store::reviews`].
    pub fn open(store: &Store, who: Onlooker) -> Result<Self> {
        let (stored, mut faults) = store.load()?;
        let (steps, more) = store.reviews()?;
        faults.extend(more);
        let records: Vec<ReadingRecord> = stored.into_iter().map(|s| s.record).collect();
        let steps: Vec<ReviewRecord> = steps.into_iter().map(|s| s.record).collect();
        let unseen = unseen(&who, records.iter().map(ReadingRecord::saved));
        Ok(Self { exams: exams(&records, &steps), unseen, who, faults })
    }

    /// Who sits there.
    #[must_use]
    pub const fn who(&self) -> &Onlooker {
        &self.who
    }

    /// The exams that await their reading; see [`queue`].
    #[must_use]
    pub fn waiting(&self, order: Order, same_frames: bool, identity: bool) -> Vec<Awaiting> {
        queue(&self.exams, &self.who.reader, order, same_frames, identity)
    }

    /// The exams whose readings they may see.
    pub fn seen(&self) -> impl Iterator<Item = &ExamReview> {
        self.exams.iter().filter(|e| !self.unseen.contains(&e.exam))
    }

    /// An error for each file that holds no record: what stands may be another than it seems without it.
    #[must_use]
    pub fn faults(&self) -> &[Error] {
        &self.faults
    }

    /// The exams once a step was taken, without reading the folder again.
    #[must_use]
    pub fn with_step(mut self, exam: &str, step: ReviewRecord) -> Self {
        self.exams.iter_mut().filter(|e| e.exam == exam).for_each(|e| e.steps.push(step.clone()));
        self
    }
}
