//! What the frames of the current exam come to: those on the screen as they are now, and saved ones that were not shown yet.

use super::{ExamState, Session};
use crate::exam::{Adequacy, ExamValues, Repeat, values};
use crate::guideline::BandKind;
use crate::measure::{Measurement, Value};
use crate::reading::{Distance, Reading};
use crate::record::{ReadingRecord, model_with, others_of};

/// One frame of the exam that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct ExamFrame {
    /// Its place in the exam, from 1; `None` for a saved reading of a frame that was not shown yet.
    pub place: Option<u32>,
    /// Its distance.
    pub measurement: Measurement,
    /// The set of frames, from 1.
    pub set: u8,
    /// Whether it counts.
    pub adequacy: Adequacy,
    /// Its finding in words.
    pub finding: String,
    /// Which sort of band it lies in, where the table speaks of it.
    pub kind: Option<BandKind>,
    /// Whether it is the frame that is shown.
    pub current: bool,
}

impl ExamFrame {
    /// Its value.
    #[must_use]
    pub const fn value(&self) -> &Value {
        &self.measurement.value
    }
}

/// The exam as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct ExamNow {
    /// Every frame that was read.
    pub frames: Vec<ExamFrame>,
    /// What they come to.
    pub values: ExamValues,
}

impl ExamNow {
    /// Whether a frame, by its place in the list, was left out.
    #[must_use]
    pub fn left_out(&self, i: usize) -> bool {
        self.values.summary.excluded.iter().any(|(place, _)| *place == i)
    }
}

impl Session {
    pub(super) fn make_exam(&self) -> Option<ExamNow> {
        let (exam, current) = self.exam().zip(self.current.as_ref())?;
        let mut frames = Vec::new();
        for (key, work) in &self.work {
            let Some(place) = exam.place_of(key) else { continue };
            if let Some(Ok(Reading { distance: Distance::Measured(measured), finding, adequacy, .. })) = self.reading_of(key) {
                frames.push(ExamFrame {
                    place: Some(place + 1),
                    measurement: measured.measurement.clone(),
                    set: work.notes.set_number(),
                    adequacy: adequacy.clone(),
                    finding: finding.clone(),
                    kind: measured.finding.nominal_kind(),
                    current: key == current,
                });
            }
        }
        frames.sort_by_key(|f| f.place);
        for record in self.records_not_shown(exam) {
            if let Some(m) = record.distance.measured() {
                frames.push(ExamFrame {
                    place: None,
                    measurement: m.measurement.clone(),
                    set: record.notes.set_number(),
                    adequacy: record.notes.checklist.adequacy(),
                    finding: record.finding_words.clone(),
                    kind: m.finding.nominal_kind(),
                    current: false,
                });
            }
        }
        let repeats: Vec<(u8, Repeat<'_>)> =
            frames.iter().map(|f| (f.set, Repeat { measurement: &f.measurement, adequacy: f.adequacy.clone() })).collect();
        // Readings of one exam may stand on different repeatabilities; the fewest degrees of freedom are those of the one in use now.
        let values = values(&repeats, &model_with(self.repeatability_for(current))).ok()?;
        (!frames.is_empty()).then_some(ExamNow { frames, values })
    }

    /// This reader's own records of an exam.
    pub(super) fn records_of_exam(&self, exam: &ExamState) -> Vec<ReadingRecord> {
        self.own_of_exam(exam).cloned().collect()
    }

    fn own_of_exam<'a>(&'a self, exam: &'a ExamState) -> impl Iterator<Item = &'a ReadingRecord> {
        let reader = self.reader().trim();
        let of = move |r: &ReadingRecord| match (&r.study_instance_uid, exam.study()) {
            (Some(a), Some(b)) => a == b,
            _ => {
                r.patient.number == exam.patient.number
                    && r.patient.name == exam.patient.name
                    && r.patient.birth_date == exam.patient.birth_date
                    && r.context.exam_date == exam.context.exam_date
            }
        };
        self.records.iter().map(|s| &s.record).filter(move |r| r.reader == reader && of(r))
    }

    /// The newest saved reading of each frame of the exam on which nothing is done here.
    fn records_not_shown<'a>(&'a self, exam: &'a ExamState) -> Vec<&'a ReadingRecord> {
        let own: Vec<&ReadingRecord> = self.own_of_exam(exam).collect();
        let here = |r: &ReadingRecord| self.frame_ids.iter().any(|(k, id)| id.same_picture(&r.frame) && self.work.contains_key(k));
        let Some(last) = own.last().copied() else { return Vec::new() };
        others_of(last, own.iter().copied()).into_iter().chain([last]).filter(|r| !here(r)).collect()
    }
}
