//! The values of an exam as a reading's record holds them: what this reader's readings of the exam came to when it was saved.
//!
//! A record names the others by their ids and repeats their distances, so that the values can be recomputed from the record
//! alone, and each distance from its own record. The record saved last holds all of them.

use std::borrow::Borrow;

use serde::{Deserialize, Serialize};

use super::{ReadingRecord, followed};
use crate::error::Result;
use crate::exam::{self, Adequacy, ExamValues, MOST_SETS, Model, Repeat};
use crate::files::instant;
use crate::frame::FrameId;
use crate::measure::Measurement;

/// Most readings of one exam that a record repeats; the newest count.
pub const MOST_HELD: usize = 100;

/// One reading of an exam, as another reading's record repeats it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HeldReading {
    /// Id of its record; empty for the record that holds it.
    pub record: String,
    /// The frame.
    pub frame: FrameId,
    /// The set of frames, from 1.
    pub set: u8,
    /// Whether the frame counts.
    pub adequacy: Adequacy,
    /// Its distance.
    pub measurement: Measurement,
}

/// The exam as a record holds it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HeldExam {
    /// Every reading of the exam by this reader that has a distance, in the order of frames, this record's own last.
    pub readings: Vec<HeldReading>,
    /// What was known besides.
    pub model: Model,
    /// What they come to.
    pub values: ExamValues,
}

impl HeldExam {
    /// Makes the values of readings.
    ///
    /// # Errors
    /// As [`exam::summarise`].
    pub fn of(readings: Vec<HeldReading>, model: Model) -> Result<Self> {
        let values = values_of(&readings, &model)?;
        Ok(Self { readings, model, values })
    }
}

/// What held readings come to.
///
/// # Errors
/// As [`exam::summarise`].
pub fn values_of(readings: &[HeldReading], model: &Model) -> Result<ExamValues> {
    let repeats: Vec<(u8, Repeat<'_>)> = readings
        .iter()
        .map(|r| (r.set.clamp(1, MOST_SETS), Repeat { measurement: &r.measurement, adequacy: r.adequacy.clone() }))
        .collect();
    exam::values(&repeats, model)
}

/// What is known besides readings made with this repeatability.
#[must_use]
pub fn model_with(repeatability: &crate::measure::Repeatability) -> Model {
    Model { degrees_of_freedom: repeatability.degrees_of_freedom, ..Model::default() }
}

/// A record's own reading as others hold it; `None` without a distance.
#[must_use]
pub fn held(record: &ReadingRecord) -> Option<HeldReading> {
    record.distance.measured().map(|m| HeldReading {
        record: record.id().to_owned(),
        frame: record.frame.clone(),
        set: record.notes.set_number(),
        adequacy: record.notes.checklist.adequacy(),
        measurement: m.measurement.clone(),
    })
}

/// Whether two records are of one exam, by [`ReadingRecord::exam_key`].
#[must_use]
pub fn same_exam(a: &ReadingRecord, b: &ReadingRecord) -> bool {
    a.exam_key() == b.exam_key()
}

/// Of an exam's current readings, by when they were saved: each reader's newest of each frame, and the others. A reader who read a
/// frame again without following the first reading, at another workstation say, read it once more; that is not another frame.
#[must_use]
pub fn newest_of_each_frame<R: Borrow<ReadingRecord>>(readings: Vec<R>) -> (Vec<R>, Vec<R>) {
    let (mut newest, mut again): (Vec<R>, Vec<R>) = (Vec::new(), Vec::new());
    for reading in readings.into_iter().rev() {
        let one = reading.borrow();
        let read = |n: &R| n.borrow().reader == one.reader && n.borrow().frame.same_picture(&one.frame);
        if newest.iter().any(read) { again.push(reading) } else { newest.push(reading) }
    }
    newest.reverse();
    again.reverse();
    (newest, again)
}

/// This reader's other readings of a record's exam: the newest of each frame, none that another of them follows, in the
/// order of frames. A second reader's are not among them.
#[must_use]
pub fn others_of<'a>(record: &ReadingRecord, all: impl IntoIterator<Item = &'a ReadingRecord>) -> Vec<&'a ReadingRecord> {
    let own: Vec<&ReadingRecord> = all.into_iter().filter(|r| r.reader == record.reader && same_exam(r, record)).collect();
    let followed = followed(own.iter().map(|r| &r.follows));
    let mut kept: Vec<&ReadingRecord> =
        own.into_iter().filter(|r| !followed.contains(r.id()) && !r.frame.same_picture(&record.frame)).collect();
    kept.sort_by(|a, b| instant(&a.saved_at).cmp(&instant(&b.saved_at)).then_with(|| a.frame.cmp(&b.frame)));
    let (mut newest, _) = newest_of_each_frame(kept);
    // By frame and not by time, so that the same readings always stand in the same order.
    newest.sort_by(|a, b| {
        let by = |r: &ReadingRecord| (r.frame.sop_instance_uid.clone(), r.frame.frame_number, r.frame.sha256.clone());
        by(a).cmp(&by(b))
    });
    newest
}

impl ReadingRecord {
    /// The record with the values of its exam, `all` being the records at hand. A reading without a distance, and one that is
    /// alone in its exam, has them too as far as they go; a frame without a distance adds nothing.
    ///
    /// # Errors
    /// As [`exam::summarise`] and [`ReadingRecord::digest`].
    pub fn with_exam<'a>(mut self, all: impl IntoIterator<Item = &'a Self>) -> Result<Self> {
        let mut others = others_of(&self, all);
        // Of more than can be held the newest count.
        let mut oldest = others.clone();
        oldest.sort_by(|a, b| a.by_moment(b));
        oldest.truncate(others.len().saturating_sub(MOST_HELD - 1));
        others.retain(|r| oldest.iter().all(|o| o.id() != r.id()));
        let mut readings: Vec<HeldReading> = others.into_iter().filter_map(held).collect();
        self.exam = match held(&self) {
            Some(own) => {
                readings.push(HeldReading { record: String::new(), ..own });
                Some(HeldExam::of(readings, model_with(&self.repeatability))?)
            }
            None => None,
        };
        self.content_sha256 = self.digest()?;
        Ok(self)
    }
}
