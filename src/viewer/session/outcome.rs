//! The reading of the current frame as it stands, and the other readings beside it.

use super::opening::same_frame;
use super::{ExamState, FrameKey, FrameWork, Session};
use crate::calibrate::{Calibration, judge};
use crate::context::ExamContext;
use crate::followup::{self, Plan};
use crate::measure::Value;
use crate::reading::{self, Distance, Inputs, Reading};
use crate::record::ReadingRecord;
use crate::units::PxPoint;

/// What a reading still lacks, in the order in which it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// The reader's name.
    Reader,
    /// A guideline table.
    Table,
    /// The internal os.
    Os,
    /// The far end of the distance.
    Edge,
    /// The side.
    Side,
}

impl Need {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Reader => "name the reader",
            Self::Table => "choose a guideline",
            Self::Os => "mark the internal os (O)",
            Self::Edge => "mark the placental edge (E), or L or W when it is not in view",
            Self::Side => "state the side: not covering (N), reaches (R) or covers (C)",
        }
    }
}

/// The reading of the current frame.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// No frame is shown.
    Nothing,
    /// What is still to do.
    Lacks(Vec<Need>),
    /// Landmarks and statement contradict each other; why, and what to do.
    Refused(String),
    /// A reading, complete.
    Read(Box<Reading>),
}

/// Another reading on the same axis.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherReading {
    /// Its value.
    pub value: Value,
    /// Whether it is from an earlier exam of the same patient; otherwise from another frame of this exam.
    pub earlier: bool,
    /// Gestational age, where it is known and the reading is from an earlier exam.
    pub label: String,
}

/// The value of a record, where it holds a distance.
pub(super) fn value_of(record: &ReadingRecord) -> Option<Value> {
    match &record.distance {
        Distance::Measured(m) => Some(m.measurement.value),
        Distance::NoScale { .. } => None,
    }
}

fn age_words(context: &ExamContext) -> String {
    context.gestational_age().map(|a| a.to_string()).unwrap_or_default()
}

impl Session {
    /// Makes the reading anew from what is there now.
    pub(super) fn refresh(&mut self) {
        self.outcome = self.make_outcome();
        self.others = self.make_others();
        self.aside.exam = self.make_exam();
        self.plan = self.make_plan();
        self.refresh_answer();
    }

    fn make_outcome(&self) -> Outcome {
        let Some((exam, key)) = self.exam().zip(self.current.as_ref()).filter(|_| self.picture().is_some()) else {
            return Outcome::Nothing;
        };
        let work = self.work();
        let mut needs = Vec::new();
        if self.reader().trim().is_empty() {
            needs.push(Need::Reader);
        }
        if self.table().is_none() {
            needs.push(Need::Table);
        }
        for (there, need) in [(work.os.is_some(), Need::Os), (work.edge.is_some(), Need::Edge), (work.side.is_some(), Need::Side)] {
            if !there {
                needs.push(need);
            }
        }
        // The reader's name is needed to save, not to read.
        if needs.iter().any(|n| *n != Need::Reader) {
            return Outcome::Lacks(needs);
        }
        match self.read(exam, key, &work) {
            Some(Ok(reading)) => Outcome::Read(Box::new(reading)),
            Some(Err(why)) => Outcome::Refused(why),
            None => Outcome::Nothing,
        }
    }

    fn make_plan(&self) -> Option<Plan> {
        let Outcome::Read(reading) = &self.outcome else { return None };
        let measured = match &reading.distance {
            Distance::Measured(m) => Some(&**m),
            Distance::NoScale { .. } => None,
        };
        let context = &reading::context_in_force(&self.exam()?.context, &self.work().notes, &reading.more);
        let exam = followup::Exam {
            table: self.table()?,
            context,
            age: context.gestational_age().ok(),
            stated_side: self.work().side,
            measurement: measured.map(|m| &m.measurement),
            finding: measured.map(|m| &m.finding),
        };
        // Faulty bundled data is ruled out by a test of its own.
        followup::plan(&exam).ok()
    }

    /// The reading of what was done on a frame; `None` when it is not complete.
    pub(super) fn read(&self, exam: &ExamState, key: &FrameKey, work: &FrameWork) -> Option<Result<Reading, String>> {
        let file = exam.files.iter().find(|f| f.path == key.path)?;
        let scale = self.scale_facts(exam, file, work);
        let inputs = Inputs {
            geometry: &file.geometry,
            landmarks: &work.landmarks()?,
            side: work.side?,
            consent: work.consent.as_ref(),
            scale: &scale,
            repeatability: self.repeatability_for(key),
            context: &exam.context,
            notes: &work.notes,
            table: self.table()?,
        };
        Some(reading::read(&inputs).map_err(|e| e.message()))
    }

    fn make_others(&self) -> Vec<OtherReading> {
        let Some((exam, current)) = self.exam().zip(self.current.as_ref()) else { return Vec::new() };
        let mut out = Vec::new();
        for (key, work) in self.work.iter().filter(|(k, _)| *k != current) {
            let Some(of) = self.exams.iter().find(|e| e.place_of(key).is_some() && e.patient == exam.patient) else { continue };
            let earlier = of.key != exam.key;
            if earlier && !is_before(&of.context, &exam.context) {
                continue;
            }
            if let Some(Ok(Reading { distance: Distance::Measured(measured), .. })) = self.read(of, key, work) {
                let label = if earlier { age_words(&of.context) } else { String::new() };
                out.push(OtherReading { value: measured.measurement.value, earlier, label });
            }
        }
        // Saved readings of the same patient's earlier exams that are not open here.
        let Some(number) = exam.patient.number.as_deref() else { return out };
        let of_her = self.records.iter().map(|s| &s.record).filter(|r| {
            r.patient.number.as_deref() == Some(number)
                && r.patient.name == exam.patient.name
                && r.patient.birth_date == exam.patient.birth_date
                && r.study_instance_uid.as_deref() != exam.study()
                && is_before(&r.context, &exam.context)
        });
        let all: Vec<&ReadingRecord> = of_her.collect();
        for record in &all {
            let followed = all.iter().any(|r| r.follows.iter().any(|f| f == record.id()));
            let here =
                self.frame_ids.iter().any(|(k, id)| same_frame(id, &record.frame) && self.work.get(k).is_some_and(|w| !w.is_empty()));
            if let (Some(value), false, false) = (value_of(record), followed, here) {
                out.push(OtherReading { value, earlier: true, label: age_words(&record.context) });
            }
        }
        out
    }

    /// The scale under a place of the current frame, where it can be had: for the ring and the scale bar.
    #[must_use]
    pub fn scale_at(&self, at: PxPoint) -> Option<Calibration> {
        let (exam, file, work) = (self.exam()?, self.file()?, self.work());
        let facts = self.scale_facts(exam, file, &work);
        judge(&file.geometry, &[at], work.consent.as_ref(), &facts, exam.context.exam_date).scale.ok().map(|s| s.0)
    }

    /// The radius that decides under the chosen table: its outermost edge, mm.
    #[must_use]
    pub fn decisive_radius_mm(&self) -> Option<f64> {
        self.table()?.edges().map(crate::units::Mm::get).filter(|e| *e > 0.0).reduce(f64::max)
    }
}

/// Whether one exam lies before another, by their dates.
fn is_before(a: &ExamContext, b: &ExamContext) -> bool {
    a.exam_date.zip(b.exam_date).is_some_and(|(x, y)| x < y)
}
