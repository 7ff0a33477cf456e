//! The reading of the current frame as it stands, and the other readings beside it.

use std::collections::BTreeMap;

use super::{ExamState, FrameKey, FrameWork, Session};
use crate::calibrate::{Calibration, ScaleFacts, Standing, judge};
use crate::context::ExamContext;
use crate::followup::{self, Plan};
use crate::frame::Geometry;
use crate::guideline::Table;
use crate::measure::{Repeatability, Value};
use crate::reading::{self, Distance, Inputs, Reading};
use crate::record::ReadingRecord;
use crate::sheet::{self, OtherTable};
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
    /// Everything that a reading needs, in the order in which it is done.
    pub const ALL: [Self; 5] = [Self::Reader, Self::Table, Self::Os, Self::Edge, Self::Side];

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

    /// The same as the thing to do now, on one line.
    #[must_use]
    pub const fn headline(self) -> &'static str {
        match self {
            Self::Reader => "Name the reader",
            Self::Table => "Choose a guideline",
            Self::Os => "Mark the internal os (O)",
            Self::Edge => "Mark the placental edge (E, L or W)",
            Self::Side => "State the side (N, R or C)",
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
    record.distance.measured().map(|m| m.measurement.value)
}

fn age_words(context: &ExamContext) -> String {
    context.gestational_age().map(|a| a.to_string()).unwrap_or_default()
}

/// Readings as they were made, by frame, with everything that each was made from: a reading is made again only when some of
/// that has changed, so that moving a landmark on one frame does not make those of all others anew.
#[derive(Clone, Debug, Default)]
pub(super) struct Made(BTreeMap<FrameKey, (MadeFrom, Result<Reading, String>)>);

#[derive(Clone, Debug, PartialEq)]
struct MadeFrom {
    work: FrameWork,
    context: ExamContext,
    geometry: Geometry,
    scale: ScaleFacts,
    repeatability: Repeatability,
    /// Digest of the table.
    table: String,
}

impl Session {
    /// Makes the reading anew from what is there now.
    pub(super) fn refresh(&mut self) {
        let before = std::mem::take(&mut self.made);
        self.made = self.make_readings(before);
        self.outcome = self.make_outcome();
        self.others = self.make_others();
        self.aside.exam = self.make_exam();
        self.plan = self.make_plan();
        self.aside.other_tables = self.make_other_tables();
        self.refresh_answer();
    }

    /// The readings of every frame of the current patient on which something was done.
    fn make_readings(&self, mut before: Made) -> Made {
        let Some(patient) = self.exam().map(|e| &e.patient) else { return Made::default() };
        let mut made = Made::default();
        for (key, work) in &self.work {
            let of_her = |e: &&ExamState| e.place_of(key).is_some() && e.patient == *patient;
            let Some((exam, table)) = self.exams.iter().find(of_her).zip(self.table()) else { continue };
            let Some(file) = exam.files.iter().find(|f| f.path == key.path) else { continue };
            let from = MadeFrom {
                work: work.clone(),
                context: exam.context.clone(),
                geometry: file.geometry.clone(),
                scale: self.scale_facts(exam, file, work),
                repeatability: self.repeatability_for(key).clone(),
                table: table.digest().to_owned(),
            };
            let known = before.0.remove(key).filter(|(f, _)| *f == from).map(|(_, r)| r);
            if let Some(reading) = known.or_else(|| read(&from, table)) {
                made.0.insert(key.clone(), (from, reading));
            }
        }
        made
    }

    /// The reading of what was done on a frame; `None` when it is not complete.
    pub(super) fn reading_of(&self, key: &FrameKey) -> Option<&Result<Reading, String>> {
        self.made.0.get(key).map(|(_, reading)| reading)
    }

    fn make_outcome(&self) -> Outcome {
        let Some(key) = self.current.as_ref().filter(|_| self.picture().is_some()) else {
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
        match self.reading_of(key) {
            Some(Ok(reading)) => Outcome::Read(Box::new(reading.clone())),
            Some(Err(why)) => Outcome::Refused(why.clone()),
            None => Outcome::Nothing,
        }
    }

    /// What the plan and the other tables are asked of, for the reading as it stands.
    pub(super) fn of_reading<T>(&self, ask: impl FnOnce(&followup::Exam<'_>) -> T) -> Option<T> {
        let Outcome::Read(reading) = &self.outcome else { return None };
        let measured = reading.distance.measured();
        let work = self.work();
        let context = &reading::context_in_force(&self.exam()?.context, &work.notes, &reading.more);
        Some(ask(&followup::Exam {
            table: self.table()?,
            context,
            age: context.gestational_age().ok(),
            stated_side: work.side,
            measurement: measured.map(|m| &m.measurement),
            finding: measured.map(|m| &m.finding),
        }))
    }

    fn make_plan(&self) -> Option<Plan> {
        // Faulty bundled data is ruled out by a test of its own.
        self.of_reading(|exam| followup::plan(exam).ok()).flatten()
    }

    fn make_other_tables(&self) -> Vec<OtherTable> {
        self.of_reading(|exam| sheet::other_tables(exam, &self.tables)).unwrap_or_default()
    }

    /// What the other tables say of the reading as it stands.
    #[must_use]
    pub fn other_tables(&self) -> &[OtherTable] {
        &self.aside.other_tables
    }

    fn make_others(&self) -> Vec<OtherReading> {
        let Some((exam, current)) = self.exam().zip(self.current.as_ref()) else { return Vec::new() };
        let mut out = Vec::new();
        for key in self.work.keys().filter(|k| *k != current) {
            let Some(of) = self.exams.iter().find(|e| e.place_of(key).is_some() && e.patient == exam.patient) else { continue };
            let earlier = of.key != exam.key;
            if earlier && !is_before(&of.context, &exam.context) {
                continue;
            }
            if let Some(Ok(Reading { distance: Distance::Measured(measured), .. })) = self.reading_of(key) {
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
                self.frame_ids.iter().any(|(k, id)| id.same_picture(&record.frame) && self.work.get(k).is_some_and(|w| !w.is_empty()));
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

    /// The scale in use in words, where it comes from and how large, with how well it is known.
    ///
    /// # Errors
    /// Why no scale is in use, in words.
    pub fn scale_words(&self) -> Result<(String, Standing), String> {
        let none = || "no frame is shown".to_owned();
        let (exam, file, frame) = (self.exam().ok_or_else(none)?, self.file().ok_or_else(none)?, self.picture().ok_or_else(none)?);
        let work = self.work();
        let facts = self.scale_facts(exam, file, &work);
        let middle = PxPoint::new(f64::from(frame.width) / 2.0, f64::from(frame.height) / 2.0);
        let judged = judge(&file.geometry, &[work.os.unwrap_or(middle)], work.consent.as_ref(), &facts, exam.context.exam_date);
        judged.scale.map(|(scale, _)| (scale.words(), judged.standing)).map_err(|e| e.message())
    }

    /// The radius that decides under the chosen table: its outermost edge, mm.
    #[must_use]
    pub fn decisive_radius_mm(&self) -> Option<f64> {
        self.table()?.edges().map(crate::units::Mm::get).filter(|e| *e > 0.0).reduce(f64::max)
    }
}

fn read(from: &MadeFrom, table: &Table) -> Option<Result<Reading, String>> {
    let inputs = Inputs {
        geometry: &from.geometry,
        landmarks: &from.work.landmarks()?,
        side: from.work.side?,
        consent: from.work.consent.as_ref(),
        scale: &from.scale,
        repeatability: &from.repeatability,
        context: &from.context,
        notes: &from.work.notes,
        table,
    };
    Some(reading::read(&inputs).map_err(|e| e.message()))
}

/// Whether one exam lies before another, by their dates.
fn is_before(a: &ExamContext, b: &ExamContext) -> bool {
    a.exam_date.zip(b.exam_date).is_some_and(|(x, y)| x < y)
}
