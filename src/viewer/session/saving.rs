//! Saving a reading, and knowing what is saved.

use super::exam::{FrameKey, FrameWork};
use super::outcome::{Need, Outcome};
use super::{Session, outcome};
use crate::calibrate::ScaleFacts;
use crate::calibrate::header::PixelSpacingConsent;
use crate::context::ExamContext;
use crate::error::Result;
use crate::exam::FrameNotes;
use crate::frame::Geometry;
use crate::guideline::Table;
use crate::measure::{Landmarks, Repeatability, Side, Value};
use crate::reading::{self, Inputs};
use crate::record::{Onlooker, Origin, Patient, ReadingRecord, Role, Served, Stored};
use crate::scanners::ScannerKey;
use crate::viewer::action::{Effect, Field};

/// So many saved readings a reader has hints over the frame.
const READINGS_WITH_HINTS: usize = 3;

/// What a saved record of a frame was made from, to tell whether it still says what is on screen.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SavedState {
    pub(super) work: FrameWork,
    pub(super) context: ExamContext,
    pub(super) table: String,
    pub(super) reader: String,
    pub(super) value: Option<Value>,
    /// The repeatability that the record keeps.
    pub(super) repeatability: Repeatability,
}

/// Whether what is on screen is saved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaveState {
    /// Nothing was done on this frame.
    Nothing,
    /// Something was done that no record holds.
    NotSaved,
    /// A record holds an earlier state of it.
    ChangedSinceSaved,
    /// It is being written.
    Saving,
    /// A record holds it as it is.
    Saved,
}

impl SaveState {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Nothing => "nothing to save",
            Self::NotSaved => "not saved",
            Self::ChangedSinceSaved => "changed, not saved",
            Self::Saving => "saving",
            Self::Saved => "saved",
        }
    }
}

/// Everything that a record is made from, but for the time.
#[derive(Clone, Debug)]
pub struct SaveJob {
    /// The frame.
    pub key: FrameKey,
    geometry: Geometry,
    landmarks: Landmarks,
    side: Side,
    consent: Option<PixelSpacingConsent>,
    scale: ScaleFacts,
    repeatability: Repeatability,
    context: ExamContext,
    notes: FrameNotes,
    table: Table,
    origin: Origin,
    /// The reader's other records of the exam.
    exam: Vec<ReadingRecord>,
    /// How the exam came to its reader, where it came from the queue.
    served: Served,
    role: Role,
}

impl SaveJob {
    /// Makes the record, saved at `now` (RFC 3339 with offset).
    ///
    /// # Errors
    /// As [`reading::read`] and [`ReadingRecord::new`].
    pub fn record(&self, now: String) -> Result<ReadingRecord> {
        let inputs = Inputs {
            geometry: &self.geometry,
            landmarks: &self.landmarks,
            side: self.side,
            consent: self.consent.as_ref(),
            scale: &self.scale,
            repeatability: &self.repeatability,
            context: &self.context,
            notes: &self.notes,
            table: &self.table,
        };
        ReadingRecord::new(&inputs, &reading::read(&inputs)?, Origin { saved_at: now, ..self.origin.clone() })?.with_exam(&self.exam)
    }

    /// Who reads, and how the exam came to them: what the record's mark of a second reading is made from.
    #[must_use]
    pub fn reader(&self) -> (Onlooker, Served) {
        (Onlooker { reader: self.origin.reader.clone(), role: self.role }, self.served)
    }

    fn state(&self, record: &ReadingRecord) -> SavedState {
        SavedState {
            work: FrameWork {
                os: Some(self.landmarks.internal_os),
                edge: Some(self.landmarks.edge),
                body: self.landmarks.placental_body,
                sinus: self.landmarks.marginal_sinus,
                side: Some(self.side),
                consent: self.consent.clone(),
                scale: ScaleFacts { hand: self.scale.hand.clone(), resolved: self.scale.resolved.clone(), ..ScaleFacts::default() },
                notes: self.notes.clone(),
            },
            context: self.context.clone(),
            table: self.table.id().to_owned(),
            reader: self.origin.reader.trim().to_owned(),
            value: outcome::value_of(record),
            repeatability: record.repeatability.clone(),
        }
    }
}

impl Session {
    pub(super) fn save(&mut self) -> Vec<Effect> {
        if self.saving.is_some() || self.save_state() == SaveState::Saved {
            return Vec::new();
        }
        match self.save_job() {
            Ok(job) => {
                self.saving = Some(job.key.clone());
                vec![Effect::Save(Box::new(job))]
            }
            Err(why) => {
                self.tell(why);
                // The one thing that may be missing and lies in no frame: its field is gone to.
                if self.reader().is_empty() { vec![Effect::Focus(Field::Reader)] } else { Vec::new() }
            }
        }
    }

    /// Saves, and goes on once that is done; where all is saved already, goes on at once.
    pub(super) fn save_and_go_on(&mut self) -> Vec<Effect> {
        if self.save_state() == SaveState::Saved {
            return self.go_on();
        }
        let effects = self.save();
        self.goes_on_after = self.saving.clone();
        effects
    }

    /// Goes to what is read next: the next file of the exam, else the next exam. A cine's other frames are a matter of choice.
    fn go_on(&mut self) -> Vec<Effect> {
        let next = self.exam().zip(self.current.as_ref()).and_then(|(exam, key)| {
            let i = exam.files.iter().position(|f| f.path == key.path)?;
            exam.files.get(i + 1).map(|f| FrameKey { path: f.path.clone(), number: 1 })
        });
        let next = next.or_else(|| self.exam_index().and_then(|i| self.exams.get(i + 1)).and_then(|e| e.frame_at(0)));
        match next {
            Some(key) => self.go_to(key),
            None => {
                self.tell("Saved. This was the last frame of what is open.");
                Vec::new()
            }
        }
    }

    /// The job that would save the current reading, or why it cannot be saved, in words.
    ///
    /// # Errors
    /// The words to show.
    pub fn save_job(&self) -> std::result::Result<SaveJob, String> {
        match &self.outcome {
            Outcome::Nothing => return Err("There is no reading to save: open a frame first.".into()),
            Outcome::Lacks(needs) => {
                let list: Vec<&str> = needs.iter().map(|n| n.words()).collect();
                return Err(format!("Not saved yet. Still to do: {}.", list.join("; ")));
            }
            Outcome::Refused(why) => return Err(format!("Not saved: {why}")),
            Outcome::Read(_) if self.reader().trim().is_empty() => {
                return Err(format!("Not saved yet. Still to do: {}.", Need::Reader.words()));
            }
            Outcome::Read(reading) => {
                if self.offer().is_some() {
                    return Err("Not saved. An offer of the edge assist is open: accept it (Enter) or decline it (Esc).".into());
                }
                if let Some(block) = reading.blocks.first() {
                    return Err(format!("Not saved. {block}"));
                }
            }
        }
        let nothing = || "There is no reading to save: open a frame first.".to_owned();
        let (key, work) = (self.current.clone().ok_or_else(nothing)?, self.work());
        let (file, exam) = (self.file().ok_or_else(nothing)?, self.exam().ok_or_else(nothing)?);
        let (landmarks, side) = (work.landmarks().ok_or_else(nothing)?, work.side.ok_or_else(nothing)?);
        let frame = self.frame_ids.get(&key).cloned().ok_or_else(nothing)?;
        let study = file.facts.study_instance_uid.as_deref();
        if !self.review.may_read(study, file.facts.sop_instance_uid.as_deref(), key.number) {
            return Err("Not saved. In this second reading only the frames that the first reader chose are read: F6, Read it, goes to \
                        the next of them."
                .into());
        }
        Ok(SaveJob {
            geometry: file.geometry.clone(),
            landmarks,
            side,
            scale: self.scale_facts(exam, file, &work),
            consent: work.consent,
            repeatability: self.repeatability_for(&key).clone(),
            notes: work.notes,
            exam: self.records_of_exam(exam),
            served: self.review.served(study),
            role: Role::named(self.settings.role.as_deref()),
            context: exam.context.clone(),
            table: self.table().cloned().ok_or_else(nothing)?,
            origin: Origin {
                patient: Patient::from(&file.facts.patient),
                study_instance_uid: file.facts.study_instance_uid.clone(),
                reader: self.reader().trim().to_owned(),
                saved_at: String::new(),
                follows: self.own_heads(&key),
                scanner: ScannerKey::of(&file.facts),
                frame,
            },
            key,
        })
    }

    /// Ids of this reader's records of a frame that no other of them follows: what the reader has seen.
    fn own_heads(&self, key: &FrameKey) -> Vec<String> {
        let own: Vec<&ReadingRecord> =
            self.records.iter().map(|s| &s.record).filter(|r| self.is_of(r, key) && r.reader == self.reader().trim()).collect();
        let followed = |id: &str| own.iter().any(|r| r.follows.iter().any(|f| f == id));
        own.iter().filter(|r| !followed(r.id())).map(|r| r.id().to_owned()).collect()
    }

    pub(super) fn saved(&mut self, job: &SaveJob, result: std::result::Result<Box<Stored>, String>) -> Vec<Effect> {
        self.saving = None;
        let goes_on = self.goes_on_after.take().is_some_and(|k| k == job.key && self.current.as_ref() == Some(&k));
        match result {
            Ok(stored) => {
                self.saved.insert(job.key.clone(), job.state(&stored.record));
                self.records.push(*stored);
                self.find_repeatability();
                self.refresh();
                let mut effects = self.seen_since();
                if goes_on {
                    effects.extend(self.go_on());
                }
                effects
            }
            Err(why) => {
                self.tell(format!("Not saved: {why}"));
                Vec::new()
            }
        }
    }

    /// Whether what is on screen is saved.
    #[must_use]
    pub fn save_state(&self) -> SaveState {
        self.current.as_ref().map_or(SaveState::Nothing, |k| self.save_state_of(k))
    }

    /// Whether what was done on a frame is saved.
    #[must_use]
    pub fn save_state_of(&self, key: &FrameKey) -> SaveState {
        let Some(work) = self.work.get(key).filter(|w| !w.is_empty() || self.saved.contains_key(key)) else { return SaveState::Nothing };
        if self.saving.as_ref() == Some(key) {
            return SaveState::Saving;
        }
        let Some(saved) = self.saved.get(key) else { return SaveState::NotSaved };
        let context = self.exams.iter().find(|e| e.place_of(key).is_some()).map(|e| &e.context);
        let same = saved.work == *work
            && Some(&saved.context) == context
            && self.table_id_of(key) == Some(saved.table.as_str())
            && saved.reader == self.reader().trim();
        if same { SaveState::Saved } else { SaveState::ChangedSinceSaved }
    }

    /// The frames whose work no record holds as it is.
    #[must_use]
    pub fn unsaved(&self) -> Vec<FrameKey> {
        self.work.keys().filter(|k| matches!(self.save_state_of(k), SaveState::NotSaved | SaveState::ChangedSinceSaved)).cloned().collect()
    }

    /// The folder-free name of the newest record of the current frame by this reader.
    #[must_use]
    pub fn record_of_current(&self) -> Option<&Stored> {
        let key = self.current.as_ref()?;
        self.records.iter().rev().find(|s| self.is_of(&s.record, key) && s.record.reader == self.reader().trim())
    }

    /// Whether this reader has saved next to nothing among what is open: hints stand where the work is until then.
    #[must_use]
    pub fn is_new_here(&self) -> bool {
        let reader = self.reader().trim();
        reader.is_empty() || self.records.iter().filter(|s| s.record.reader == reader).count() < READINGS_WITH_HINTS
    }

    /// How many readings of the current frame other readers have saved.
    #[must_use]
    pub fn readings_by_others(&self) -> usize {
        let Some(key) = self.current.as_ref() else { return 0 };
        self.records.iter().filter(|s| self.is_of(&s.record, key) && s.record.reader != self.reader().trim()).count()
    }
}
