//! The saved readings of a folder as women, exams and visits: what an exam comes to, who is due, how a distance changed.
//!
//! An exam is all readings of one study that no later reading of theirs follows. What is known of it is what its newest reading
//! knew; route, bladder and contraction stay with the frame that they were stated of. The finding is made with the frame
//! that the exam's repeats come to, never with an average.

mod due;
mod series;

pub use due::{DueRow, Unread, due_rows, keep_unseen, rows_csv};
pub use series::{Series, series};

use std::collections::{BTreeMap, HashMap, HashSet};

use jiff::civil::Date;

use crate::cautions::Scale;
use crate::context::{Answer, ExamContext, GestationalAge};
use crate::error::{Error, ErrorKind, Result};
use crate::exam::{ExamValues, Kind, MOST_SETS, Repeat, Summary, values};
use crate::followup::{Exam, Plan, Told, UrgentId, plan};
use crate::guideline::{self, BandKind, ExplainLine, Finding, Shelf, Table, classify};
use crate::measure::Measurement;
use crate::reading::scale_standing;
use crate::record::{Patient, ReadingRecord, ToldRecord, followed, instant, model_with, newest_of_each_frame, study_key, urgent_of};
use crate::sheet::{self, Section, Sheet};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// Two exams belong to one pregnancy when their due dates lie no further apart than this, days (an assumption of this program).
const SAME_PREGNANCY_DAYS: i32 = 42;

/// One exam of saved readings.
#[derive(Clone, Debug)]
pub struct SavedExam {
    /// Its readings that no other one follows, by when they were saved; never empty.
    pub readings: Vec<ReadingRecord>,
    /// Current readings of it that do not stand, such as a second reader's, and those of a frame that the same reader read again
    /// since: no distance and no finding is made of them, but what they show to be urgent is.
    pub beside: Vec<ReadingRecord>,
    /// Who was told of its urgent matters.
    pub told: Vec<Told>,
    /// What is known of it: what its newest reading knew, with what her earlier exams add.
    pub context: ExamContext,
    /// Whether an earlier saved exam of this pregnancy shows the placenta low or covering although this one does not say so.
    pub earlier_exam_was_low: bool,
}

/// One woman's exams, by date. Who she is stays in `patient` and comes out only where a caller asks for it.
#[derive(Clone, Debug)]
pub struct Woman {
    /// A short key that stands for her, as [`Patient::key`], or one of her exam where no patient is named.
    pub key: String,
    /// Who she is.
    pub patient: Patient,
    /// Her exams, the newest last; undated ones first.
    pub exams: Vec<SavedExam>,
}

impl Woman {
    /// Whether she is meant by `name`: her key, or her patient number.
    #[must_use]
    pub fn is(&self, name: &str) -> bool {
        self.key == name || self.patient.number.as_deref() == Some(name)
    }

    /// Whether her saved readings bear different names or dates of birth: they may be of more than one woman.
    #[must_use]
    pub fn identity_differs(&self) -> bool {
        let plain = |name: &str| name.split(['^', ' ']).filter(|p| !p.is_empty()).collect::<Vec<_>>().join(" ").to_lowercase();
        let all = || self.exams.iter().flat_map(|e| e.readings.iter().chain(&e.beside)).map(|r| &r.patient);
        all().filter_map(|p| p.birth_date).collect::<HashSet<_>>().len() > 1
            || all().filter_map(|p| p.name.as_deref()).map(plain).collect::<HashSet<_>>().len() > 1
    }
}

/// Every woman of a folder of records.
#[derive(Clone, Debug, Default)]
pub struct Caseload {
    /// By key.
    pub women: Vec<Woman>,
}

/// What an exam is under a table: the frame that decides, its finding, what now.
#[derive(Debug)]
pub struct Answered {
    /// Place of the deciding reading among the exam's readings.
    pub decisive: usize,
    /// What the exam is known by at that frame.
    pub context: ExamContext,
    /// The gestational age at the exam.
    pub age: Option<GestationalAge>,
    /// The finding under the table, where there is a distance.
    pub finding: Option<Finding>,
    /// What the repeats come to, where there is a distance.
    pub summary: Option<Summary>,
    /// Why the exam is not classified although a distance was measured.
    pub withheld: Option<Withheld>,
    /// What now.
    pub plan: Plan,
}

/// Why an exam with distances is not classified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Withheld {
    /// Every frame with a distance was judged inadequate or contradicts itself.
    NoFrameCounts,
    /// A frame without a scale is stated to reach or cover the os, and the others show the edge away from it.
    LowWithoutScale,
    /// There are distances, and they cannot be summed up: too many, or with errors that cannot be.
    NotSummedUp,
}

impl Withheld {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::NoFrameCounts => "No frame of this exam counts: nothing is classified",
            Self::LowWithoutScale => {
                "A frame without a scale is stated to reach or cover the os, and the others show the edge away from it: look again; \
                 nothing is classified"
            }
            Self::NotSummedUp => {
                "The readings of this exam cannot be summed up, because there are too many or one has an error that is not possible: run verify; \
                 nothing is classified"
            }
        }
    }
}

impl Caseload {
    /// Groups the records of a folder. `told` may hold records of readings that are not there; they are left out.
    #[must_use]
    pub fn of(records: Vec<ReadingRecord>, told: &[ToldRecord]) -> Self {
        Self::reviewed(records, told, &HashSet::new())
    }

    /// As [`Caseload::of`], with the readings of these ids beside those that stand
    /// ([`review::not_standing`](crate::review::not_standing)).
    #[must_use]
    pub fn reviewed(records: Vec<ReadingRecord>, told: &[ToldRecord], not_standing: &HashSet<String>) -> Self {
        let followed: HashSet<String> = followed(records.iter().map(|r| &r.follows)).into_iter().map(str::to_owned).collect();
        // Who was told stays with the exam, also when the reading was corrected since.
        let exam_of: HashMap<&str, String> = records.iter().map(|r| (r.id(), r.exam_key())).collect();
        let mut told_of: HashMap<String, Vec<Told>> = HashMap::new();
        for one in told {
            let exam = exam_of.get(one.reading.as_str()).cloned().or_else(|| one.study_instance_uid.as_deref().map(study_key));
            if let Some(exam) = exam {
                told_of.entry(exam).or_default().push(one.told.clone());
            }
        }
        let mut women: BTreeMap<String, (Patient, BTreeMap<String, Vec<ReadingRecord>>)> = BTreeMap::new();
        for record in records {
            if followed.contains(record.id()) {
                continue;
            }
            let exam = record.exam_key();
            let key = record.patient.key().unwrap_or_else(|| exam.clone());
            let woman = women.entry(key).or_insert_with(|| (record.patient.clone(), BTreeMap::new()));
            woman.1.entry(exam).or_default().push(record);
        }
        let women = women
            .into_iter()
            .map(|(key, (patient, exams))| {
                let mut exams: Vec<SavedExam> = exams
                    .into_iter()
                    .map(|(exam, mut readings)| {
                        readings.sort_by(ReadingRecord::by_moment);
                        let told = told_of.get(&exam).cloned().unwrap_or_default();
                        let (mut beside, stands): (Vec<_>, Vec<_>) = readings.into_iter().partition(|r| not_standing.contains(r.id()));
                        // An exam is never without a reading.
                        let readings = if stands.is_empty() { std::mem::take(&mut beside) } else { stands };
                        let (readings, again) = newest_of_each_frame(readings);
                        beside.extend(again);
                        let context = readings.last().map(|r| r.context.clone()).unwrap_or_default();
                        SavedExam { readings, beside, told, context, earlier_exam_was_low: false }
                    })
                    .collect();
                exams.sort_by(|a, b| (a.context.exam_date, saved(a)).cmp(&(b.context.exam_date, saved(b))));
                look_back(&mut exams);
                Woman { key, patient, exams }
            })
            .collect();
        Self { women }
    }
}

fn saved(exam: &SavedExam) -> Option<(Option<jiff::Timestamp>, &str)> {
    exam.readings.first().map(|r| instant(&r.saved_at))
}

/// Marks exams before which a saved exam of the same pregnancy shows the placenta low: vasa previa must then be looked for,
/// whether or not somebody said so at this visit.
fn look_back(exams: &mut [SavedExam]) {
    for i in 1..exams.len() {
        let (before, rest) = exams.split_at_mut(i);
        let Some(exam) = rest.first_mut() else { continue };
        let low = before.iter().any(|b| same_pregnancy(&b.context, &exam.context) && b.was_low());
        if low && exam.context.earlier_low_placenta != Answer::Yes {
            exam.context.earlier_low_placenta = Answer::Yes;
            exam.earlier_exam_was_low = true;
        }
    }
}

/// Whether two exams are of one pregnancy, by their due dates; where these are not known, by lying within 280 days.
fn same_pregnancy(a: &ExamContext, b: &ExamContext) -> bool {
    let due = |c: &ExamContext| c.dating.and_then(|d| d.due_date().ok());
    let apart = |x: Date, y: Date| (x - y).get_days().abs();
    match (due(a).zip(due(b)), a.exam_date.zip(b.exam_date)) {
        (Some((x, y)), _) => apart(x, y) <= SAME_PREGNANCY_DAYS,
        (None, Some((x, y))) => apart(x, y) < crate::context::TERM_DAYS,
        (None, None) => false,
    }
}

/// The measurement of a record, where it has one.
#[must_use]
pub fn measurement_of(record: &ReadingRecord) -> Option<&Measurement> {
    record.distance.measured().map(|m| &m.measurement)
}

/// Whether a reading found the placenta low, covering or reaching the os, or stated it so without a scale.
#[must_use]
pub fn shows_low(record: &ReadingRecord) -> bool {
    match record.distance.measured() {
        Some(m) => m.finding.nominal_kind().is_some_and(|k| k != BandKind::NotLow),
        None => record.side != crate::measure::Side::NotCovering,
    }
}

impl SavedExam {
    /// Whether any of its readings found the placenta low, covering or reaching the os, or stated it so.
    fn was_low(&self) -> bool {
        self.readings.iter().any(shows_low)
    }

    /// The table that its newest reading was made with, where it is at hand.
    #[must_use]
    pub fn table<'a>(&self, shelf: &'a Shelf) -> Option<&'a Table> {
        let r = self.readings.last()?;
        shelf
            .by_digest(&r.table.id, &r.table.digest)
            .map(|made| shelf.table(made.id()).ok().filter(|t| t.bands() == made.bands()).unwrap_or(made))
    }

    /// What its repeats come to; `None` without any distance. Places are of `readings`.
    #[must_use]
    pub fn summary(&self) -> Option<(Summary, Vec<usize>)> {
        self.values().map(|(v, places)| (v.summary, places))
    }

    /// As [`SavedExam::summary`], with each set of frames by itself where there is more than one.
    #[must_use]
    pub fn values(&self) -> Option<(ExamValues, Vec<usize>)> {
        let measured: Vec<(usize, &ReadingRecord, &Measurement)> =
            self.readings.iter().enumerate().filter_map(|(i, r)| Some((i, r, measurement_of(r)?))).collect();
        let repeats: Vec<(u8, Repeat<'_>)> = measured
            .iter()
            .map(|(_, r, measurement)| {
                (r.notes.set_number().min(MOST_SETS), Repeat { measurement, adequacy: r.notes.checklist.adequacy() })
            })
            .collect();
        let (_, last, _) = measured.last()?;
        let places = measured.iter().map(|(i, ..)| *i).collect();
        values(&repeats, &model_with(&last.repeatability)).ok().map(|v| (v, places))
    }

    /// The exam under a table.
    ///
    /// # Errors
    /// [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules out.
    pub fn under(&self, table: &Table) -> Result<Answered> {
        let summary = self.summary();
        let decides = summary.as_ref().and_then(|(s, places)| places.get(s.decisive?).copied());
        let unscaled =
            self.low_without_scale().filter(|_| summary.as_ref().is_some_and(|(s, _)| matches!(s.kind, Kind::NotCovering | Kind::Nothing)));
        let withheld = match (&summary, decides) {
            _ if unscaled.is_some() => Some(Withheld::LowWithoutScale),
            (Some(_), None) => Some(Withheld::NoFrameCounts),
            (None, _) if self.readings.iter().any(|r| r.distance.measured().is_some()) => Some(Withheld::NotSummedUp),
            _ => None,
        };
        let last = summary.as_ref().and_then(|(_, places)| places.last().copied());
        let decisive = unscaled.or(decides).or(last).unwrap_or(self.readings.len().saturating_sub(1));
        let record = self.readings.get(decisive);
        let mut context = self.context.clone();
        if let Some(r) = record {
            let frame = r.context_in_force();
            (context.route, context.bladder, context.contraction) = (frame.route, frame.bladder, frame.contraction);
        }
        // The shortest vessel distance and cervix of any frame hold for the exam.
        for one in self.readings.iter().map(ReadingRecord::context_in_force) {
            context.vessel_to_os_mm = shorter(context.vessel_to_os_mm, one.vessel_to_os_mm);
            context.cervical_length_mm = shorter(context.cervical_length_mm, one.cervical_length_mm);
        }
        let age = context.gestational_age().ok();
        let measurement = record.and_then(measurement_of).filter(|_| withheld.is_none());
        let finding = measurement.map(|m| classify(table, m, age, &context));
        let exam = Exam { table, context: &context, age, stated_side: record.map(|r| r.side), measurement, finding: finding.as_ref() };
        let plan = plan(&exam)?;
        Ok(Answered { decisive, age, finding, summary: summary.map(|(s, _)| s), withheld, plan, context })
    }

    /// The last adequate reading without a scale that states the os reached or covered.
    fn low_without_scale(&self) -> Option<usize> {
        self.readings.iter().rposition(|r| {
            measurement_of(r).is_none()
                && r.side != crate::measure::Side::NotCovering
                && !matches!(r.notes.checklist.adequacy(), crate::exam::Adequacy::Inadequate { .. })
        })
    }

    /// Every urgent matter of any of its readings, once each: what one frame or one reader shows is not undone by another.
    ///
    /// # Errors
    /// As [`urgent_of`].
    pub fn urgent(&self, shelf: &Shelf) -> Result<Vec<crate::followup::Urgent>> {
        let mut out: Vec<crate::followup::Urgent> = Vec::new();
        for reading in self.readings.iter().chain(&self.beside) {
            for urgent in urgent_of(reading, shelf)? {
                if !out.iter().any(|u| u.id == urgent.id) {
                    out.push(urgent);
                }
            }
        }
        out.sort_by_key(|u| UrgentId::ALL.iter().position(|id| *id == u.id));
        Ok(out)
    }

    /// The whole answer under a table: the sheet of the deciding frame, with what the exam's repeats come to and who was told.
    ///
    /// # Errors
    /// As [`sheet::sheet`].
    pub fn sheet(&self, table: &Table, shelf: &Shelf) -> Result<Sheet> {
        let answered = self.under(table)?;
        let record = self.readings.get(answered.decisive);
        let measurement = record.and_then(measurement_of).filter(|_| answered.withheld.is_none());
        let exam = Exam {
            table,
            context: &answered.context,
            age: answered.age,
            stated_side: record.map(|r| r.side),
            measurement,
            finding: answered.finding.as_ref(),
        };
        let scale = record.map_or(Scale::Missing, |r| scale_standing(&r.distance, &r.scale_facts, r.context.exam_date));
        let mut made = sheet::sheet(&exam, scale, shelf.all())?;
        let at = |title: &str, made: &Sheet| made.sections.iter().position(|s| s.title == title);
        // What any frame of the exam showed to be urgent stays so, whatever the deciding frame's context says.
        let urgent = self.urgent(shelf)?;
        if !urgent.is_empty() {
            let mut lines: Vec<ExplainLine> = urgent.into_iter().map(|u| u.line).collect();
            lines.extend(self.told.iter().map(told_line));
            made.sections.retain(|s| s.title != "Urgent");
            made.sections.insert(0, Section { title: "Urgent", lines });
        }
        if let Some(exam_section) = at("Exam", &made).and_then(|i| made.sections.get_mut(i)) {
            exam_section.lines.extend(self.readings_line(&answered));
        }
        if let Some(((values, _), i)) = self.values().zip(at("Distance", &made)) {
            let print = crate::measure::words::printer(|a, b| table.same_band(a, b));
            let source = "how this program summarises repeats, never averaged into a finding";
            let lines = values.words(&print).into_iter().map(|text| own(text, &values.summary.method, source)).collect();
            made.sections.insert(i + 1, Section { title: "What the frames come to", lines });
        }
        Ok(made)
    }

    /// As [`SavedExam::sheet`], with the change over the visits of `woman` up to and with her exam number `of`.
    ///
    /// # Errors
    /// As [`SavedExam::sheet`].
    pub fn sheet_of(woman: &Woman, of: usize, table: &Table, shelf: &Shelf) -> Result<Sheet> {
        let exam = woman.exams.get(of).ok_or_else(|| Error::new(ErrorKind::Usage, "there is no such exam").found(of.to_string()))?;
        let mut made = exam.sheet(table, shelf)?;
        if let Some(section) = made.sections.iter_mut().find(|s| s.title == "Exam").filter(|_| woman.identity_differs()) {
            let text = "Saved readings under this patient number bear different names or dates of birth: see that all are hers before \
                        relying on earlier exams"
                .to_owned();
            section.lines.push(own(text, "patient", "one patient number is taken for one woman"));
        }
        let lines = series(woman, of).lines();
        if !lines.is_empty() {
            let before = made.sections.iter().position(|s| s.title == "Cautions").unwrap_or(made.sections.len());
            made.sections.insert(before, Section { title: "Change over visits", lines });
        }
        Ok(made)
    }

    fn readings_line(&self, answered: &Answered) -> Vec<ExplainLine> {
        let mut out = Vec::new();
        if let Some(why) = answered.withheld {
            out.push(own(why.words().to_owned(), "exam", "what is not decided is not classified"));
        } else if self.readings.len() > 1 {
            let text = format!(
                "{} readings of this exam; what follows is of number {}, the deciding one",
                self.readings.len(),
                answered.decisive + 1
            );
            out.push(own(text, "exam", "the shortest distance where no frame covers, the shortest overlap where one does"));
        }
        let again =
            self.beside.iter().filter(|b| self.readings.iter().any(|r| r.reader == b.reader && r.frame.same_picture(&b.frame))).count();
        if again > 0 {
            let text = format!("{again} reading(s) of a frame that the same reader read again since are left beside");
            out.push(own(text, "exam", "the newest reading of a frame counts; two of one frame are not two frames"));
        }
        if self.earlier_exam_was_low {
            let text = "An earlier saved exam of this pregnancy shows the placenta low or covering: taken as low earlier".to_owned();
            out.push(own(text, "earlier-exam", "the saved readings of this woman"));
        }
        out
    }
}

fn shorter(a: Option<Mm>, b: Option<Mm>) -> Option<Mm> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if a < b { a } else { b }),
        (a, b) => a.or(b),
    }
}

fn own(text: String, row: &str, source: &'static str) -> ExplainLine {
    ExplainLine { text, row: format!("program / {row}"), source: Citation::fixed(source, Provenance::OwnAssumption) }
}

/// Who was told, in a sentence.
#[must_use]
pub fn told_line(told: &Told) -> ExplainLine {
    let back = if told.read_back { "read back" } else { "NOT read back" };
    own(format!("Told to {} by {} at {}, {back}: {}", told.to, told.by, told.at, told.matter.words()), "told", "as recorded")
}

/// The chosen table of an exam, or the first bundled one where it is not at hand.
///
/// # Errors
/// [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules out.
pub fn table_or_first(exam: &SavedExam, shelf: &Shelf) -> Result<Table> {
    exam.table(shelf).cloned().map_or_else(|| guideline::table("us-consensus-2014"), Ok)
}
