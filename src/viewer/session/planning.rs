//! What the distance means beyond the case sheet: the whole answer, who is due, who was told, the tables at hand.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::{Outcome, Session};
use crate::caseload::{Caseload, DueRow, Series, Unread, series};
use crate::followup::{self, Told, Urgent, UrgentId};
use crate::guideline::{ExplainLine, Shelf};
use crate::reading::scale_standing;
use crate::record::{Patient, ReadingRecord, StoredTold, ToldRecord};
use crate::sheet::{self, Sheet};
use crate::viewer::action::Effect;
use crate::viewer::page::Page;

/// What can happen there.
#[derive(Clone, Debug)]
pub enum PlanAction {
    /// Show or hide the less common questions about the exam.
    ToggleMore,
    /// Look through every saved reading for who is due.
    List,
    /// Who is due; an error in words otherwise.
    Listed(Result<Box<DueList>, String>),
    /// Records of who was told, of any reading.
    ToldRecords(Vec<StoredTold>),
    /// Ask who was told of a matter of the reading with this id.
    AskTold(String, UrgentId),
    /// The field for who was told was edited.
    TypeTo(String),
    /// The field for when was edited.
    TypeAt(String),
    /// Whether it was read back.
    ReadBack(bool),
    /// Record it.
    SaveTold,
    /// It was recorded; an error in words otherwise.
    ToldSaved(Result<Box<StoredTold>, String>),
    /// Do not record it.
    PutAway,
    /// Go to the exam of this study, when it is open.
    GoToStudy(String),
    /// Show or hide what is from memory on the page of the tables.
    ToggleFromMemory,
}

/// What a session asks of the world for it.
#[derive(Clone, Debug)]
pub enum PlanEffect {
    /// List who is due; answered by [`PlanAction::Listed`].
    List(Box<(Vec<Unread>, Shelf)>),
    /// Record that a matter of the reading with this id was passed on; an empty moment means now. Answered by
    /// [`PlanAction::ToldSaved`].
    SaveTold(Box<(String, Told, Shelf)>),
}

/// Who is due.
#[derive(Clone, Debug)]
pub struct DueList {
    /// The day it is for.
    pub today: Date,
    /// Its rows, most pressing first.
    pub rows: Vec<DueRow>,
    /// Who each key of a row stands for.
    pub names: BTreeMap<String, Patient>,
    /// The study of each reading that a row names.
    pub studies: BTreeMap<String, String>,
    /// Files of the records that are none, and readings of exams too long ago, in words: what is not in the list.
    pub left_out: Vec<String>,
}

/// Who was told, as it is being stated.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Telling {
    /// The reading.
    pub reading: String,
    /// The matter.
    pub matter: Option<UrgentId>,
    /// Who was told, as typed.
    pub to: String,
    /// When, as typed; empty means now.
    pub at: String,
    /// Whether it was read back.
    pub read_back: bool,
}

/// The whole answer for the reading on screen.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The sheet, section by section.
    pub sheet: Sheet,
    /// This reader's saved exams of the same pregnancy.
    pub series: Series,
}

/// The state of these pages.
#[derive(Clone, Debug, Default)]
pub struct Planning {
    more: bool,
    list: Option<DueList>,
    listing: bool,
    told: Vec<StoredTold>,
    telling: Option<Telling>,
    saving: bool,
    answer: Option<Answer>,
    memory: Vec<ExplainLine>,
    from_memory: bool,
}

impl Planning {
    /// Whether the less common questions are shown.
    #[must_use]
    pub const fn more(&self) -> bool {
        self.more
    }

    /// Who is due, once it is known.
    #[must_use]
    pub const fn list(&self) -> Option<&DueList> {
        self.list.as_ref()
    }

    /// Whether it is being looked for.
    #[must_use]
    pub const fn listing(&self) -> bool {
        self.listing
    }

    /// What is being stated of who was told.
    #[must_use]
    pub const fn telling(&self) -> Option<&Telling> {
        self.telling.as_ref()
    }

    /// The whole answer for the reading on screen, while its page is shown.
    #[must_use]
    pub const fn answer(&self) -> Option<&Answer> {
        self.answer.as_ref()
    }

    /// What is from memory, while the page of the tables shows it.
    #[must_use]
    pub fn memory(&self) -> Option<&[ExplainLine]> {
        self.from_memory.then_some(self.memory.as_slice())
    }
}

impl Session {
    /// The state of these pages.
    #[must_use]
    pub const fn planning(&self) -> &Planning {
        &self.planning
    }

    /// The tables at hand, as commands know them.
    #[must_use]
    pub fn shelf(&self) -> Shelf {
        let mut shelf = Shelf::bundled();
        for table in &self.tables {
            // The bundled ones are there already, and no two of a session's tables share an id.
            let _ = shelf.add(table.clone());
        }
        shelf
    }

    pub(super) fn plan_for(&mut self, action: PlanAction) -> Vec<Effect> {
        let planning = &mut self.planning;
        match action {
            PlanAction::ToggleMore => planning.more = !planning.more,
            PlanAction::List => return self.list_due(),
            PlanAction::Listed(found) => {
                planning.listing = false;
                match found {
                    Ok(list) => planning.list = Some(*list),
                    Err(why) => self.tell(format!("Who is due cannot be listed: {why}")),
                }
            }
            PlanAction::ToldRecords(told) => {
                for one in told {
                    if !planning.told.iter().any(|t| t.record.id() == one.record.id()) {
                        planning.told.push(one);
                    }
                }
            }
            PlanAction::AskTold(reading, matter) => {
                planning.telling = Some(Telling { reading, matter: Some(matter), ..Telling::default() });
            }
            PlanAction::TypeTo(text) => self.edit_telling(|t| t.to = text),
            PlanAction::TypeAt(text) => self.edit_telling(|t| t.at = text),
            PlanAction::ReadBack(yes) => self.edit_telling(|t| t.read_back = yes),
            PlanAction::SaveTold => return self.save_told(),
            PlanAction::ToldSaved(result) => {
                planning.saving = false;
                match result {
                    Ok(stored) => {
                        planning.telling = None;
                        planning.told.push(*stored);
                        if self.page == Page::Due {
                            return self.list_due();
                        }
                        self.refresh();
                    }
                    Err(why) => self.tell(format!("Not recorded who was told: {why}")),
                }
            }
            PlanAction::PutAway => planning.telling = None,
            PlanAction::GoToStudy(uid) => return self.go_to_study(Some(&uid)),
            PlanAction::ToggleFromMemory => planning.from_memory = !planning.from_memory,
        }
        Vec::new()
    }

    fn edit_telling(&mut self, edit: impl FnOnce(&mut Telling)) {
        if let Some(telling) = &mut self.planning.telling {
            edit(telling);
        }
    }

    /// What a page needs when it is turned to.
    pub(super) fn turned_to(&mut self, page: Page) -> Vec<Effect> {
        match page {
            Page::SecondReading => {
                self.refresh();
                self.load_review()
            }
            Page::Agreement => self.make_study(),
            Page::Due => self.list_due(),
            Page::Archive => self.load_archive(),
            Page::Report => {
                self.refresh();
                self.make_report()
            }
            Page::Practice => self.load_practice(),
            Page::Tables => {
                // Faulty bundled data is ruled out by a test of its own.
                self.planning.memory = sheet::from_memory(&self.tables).unwrap_or_default();
                Vec::new()
            }
            _ => {
                self.refresh();
                Vec::new()
            }
        }
    }

    fn list_due(&mut self) -> Vec<Effect> {
        self.planning.listing = true;
        let read =
            |study: Option<&str>| study.is_some_and(|s| self.records.iter().any(|r| r.record.study_instance_uid.as_deref() == Some(s)));
        let unread = self
            .exams
            .iter()
            .filter(|e| e.study().is_some() && !read(e.study()))
            .map(|e| {
                let patient = Patient::from(&e.patient);
                // A study's UID is long; a key is not.
                let key = Patient { number: e.study().map(str::to_owned), ..Patient::default() }.key().unwrap_or_default();
                let exam = e.study().map(crate::record::study_key).unwrap_or_default();
                Unread { patient, key, exam, context: e.context.clone() }
            })
            .collect();
        vec![Effect::Plan(PlanEffect::List(Box::new((unread, self.shelf()))))]
    }

    fn save_told(&mut self) -> Vec<Effect> {
        let by = self.reader().trim().to_owned();
        let Some((telling, matter)) = self.planning.telling.clone().and_then(|t| t.matter.map(|m| (t, m))) else { return Vec::new() };
        if self.planning.saving {
            return Vec::new();
        }
        if by.is_empty() {
            self.tell("The record says who told: name the reader first.");
            return Vec::new();
        }
        if telling.to.trim().is_empty() {
            self.tell("Name who was told.");
            return Vec::new();
        }
        self.planning.saving = true;
        let told = Told { matter, to: telling.to, by, at: telling.at.trim().to_owned(), read_back: telling.read_back };
        vec![Effect::Plan(PlanEffect::SaveTold(Box::new((telling.reading, told, self.shelf()))))]
    }

    /// Who was told of the exam of the current frame.
    #[must_use]
    pub fn told(&self) -> Vec<&Told> {
        let Some(study) = self.exam().and_then(|e| e.study()) else { return Vec::new() };
        let of_exam = |r: &&ToldRecord| r.study_instance_uid.as_deref() == Some(study);
        self.planning.told.iter().map(|t| &t.record).filter(of_exam).map(|r| &r.told).collect()
    }

    /// The urgent matters of the reading on screen of which nobody was told, or that were not read back.
    #[must_use]
    pub fn open_urgent(&self) -> Vec<&Urgent> {
        let told: Vec<Told> = self.told().into_iter().cloned().collect();
        self.plan().map(|p| followup::open(&p.urgent, &told)).unwrap_or_default()
    }

    /// The day of an earlier exam of this pregnancy that this reader read as low or covering, while this exam does not say so.
    #[must_use]
    pub fn earlier_low_seen(&self) -> Option<Date> {
        let exam = self.exam().filter(|e| e.context.earlier_low_placenta != crate::context::Answer::Yes)?;
        let (p, on) = (&exam.patient, exam.context.exam_date?);
        let number = p.number.as_deref()?;
        let of_her = |r: &&ReadingRecord| {
            r.reader == self.reader().trim()
                && r.patient.number.as_deref() == Some(number)
                && r.patient.name == p.name
                && r.context.exam_date.is_some_and(|d| d < on && (on - d).get_days() < crate::context::TERM_DAYS)
        };
        let low = |r: &&ReadingRecord| crate::caseload::shows_low(r);
        self.records.iter().map(|s| &s.record).filter(of_her).filter(low).filter_map(|r| r.context.exam_date).max()
    }

    /// Makes the whole answer anew while its page is shown.
    pub(super) fn refresh_answer(&mut self) {
        self.planning.answer = if self.page == Page::Answer { self.make_answer() } else { None };
    }

    fn make_answer(&self) -> Option<Answer> {
        let Outcome::Read(reading) = self.outcome() else { return None };
        let facts = self.scale_facts(self.exam()?, self.file()?, &self.work());
        let scale = scale_standing(&reading.distance, &facts, self.exam()?.context.exam_date);
        let sheet = self.of_reading(|exam| sheet::sheet(exam, scale, &self.tables).ok())??;
        Some(Answer { sheet, series: self.make_series() })
    }

    /// This reader's own saved exams of the patient on screen: others' readings stay out of sight.
    fn make_series(&self) -> Series {
        let (Some(exam), reader) = (self.exam(), self.reader().trim()) else { return Series::default() };
        let key = Patient::from(&exam.patient).key();
        let own: Vec<ReadingRecord> = self
            .records
            .iter()
            .map(|s| &s.record)
            .filter(|r| key.is_some() && r.patient.key() == key && r.reader == reader)
            .cloned()
            .collect();
        let cases = Caseload::of(own, &[]);
        let Some(woman) = cases.women.first() else { return Series::default() };
        let here = woman.exams.iter().position(|e| e.readings.iter().any(|r| r.study_instance_uid.as_deref() == exam.study()));
        series(woman, here.unwrap_or(woman.exams.len().saturating_sub(1)))
    }
}
