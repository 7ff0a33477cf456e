//! The page of the second reader: who waits, how two readings compare, what stands. Everything shown here comes from a store
//! that shows only what this reader may see.

use std::collections::BTreeMap;

use super::Session;
use super::compare::Asked;
use super::exam::FrameKey;
use crate::record::{Mode, Onlooker, Role, Served, Settlement};
use crate::review::{Awaiting, ExamReview, Order, Standing, Wish};
use crate::viewer::action::{Action, Effect};
use crate::viewer::page::Page;

/// A frame by its file's SOP Instance UID and its number there.
type FramePlace = (Option<String>, u32);

/// What the folder holds for one reader.
#[derive(Clone, Debug, Default)]
pub struct DeskNow {
    /// What waits for them.
    pub waiting: Vec<Awaiting>,
    /// The exams whose readings they may see.
    pub exams: Vec<ExamReview>,
    /// Where each of them stands, in their order: signatures are checked when the folder is read, not when its list is drawn.
    pub standings: Vec<Standing>,
    /// What is wrong with files that hold no record.
    pub faults: Vec<String>,
}

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum ReviewAction {
    /// What waits and what may be seen, in answer to the question of that number; an error in words otherwise.
    Loaded(u64, Result<Box<DeskNow>, String>),
    /// The reader is this in the department.
    SetRole(Role),
    /// Serve the queue in a drawn order, or by date.
    Draw(bool),
    /// Read the very frames that the first reader chose, or frames of one's own choice.
    SameFrames(bool),
    /// Go to the images of a waiting exam.
    Read(String),
    /// Look at an exam's review.
    Choose(String),
    /// Look at the exam so many further in the list.
    StepExam(isize),
    /// Look at the landmarks from near, or at the whole frame.
    Near,
    /// The reason field was edited.
    TypeReason(String),
    /// The passphrase field was edited.
    TypePassphrase(String),
    /// Go to the images of the first exam that waits.
    ReadFirst,
    /// Write the reason: its field takes the keys.
    WriteReason,
    /// Settle the chosen exam with the other reader: the reading of the first (0) or second (1) reader stands.
    SettleOn(usize),
    /// Take a step of the chosen exam.
    Take(Wish),
    /// It was taken, in words; an error in words otherwise.
    Taken(Result<String, String>),
}

/// What a session asks of the world for the page.
#[derive(Clone)]
pub enum ReviewEffect {
    /// Read what waits and what may be seen; the question's number, the order, whether the first reader's frames are read.
    Load(u64, Order, bool),
    /// Take a step: the exam's key, what, and the passphrase of the key where one is needed.
    Take(String, Wish, String),
}

impl std::fmt::Debug for ReviewEffect {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Load(number, order, same) => write!(f, "Load({number}, {order:?}, {same})"),
            Self::Take(exam, wish, _) => write!(f, "Take({exam}, {wish:?})"),
        }
    }
}

/// The page's own state.
#[derive(Clone, Default)]
pub struct Review {
    waiting: Vec<Awaiting>,
    exams: Vec<ExamReview>,
    /// Where each of them stands, in their order.
    standings: Vec<Standing>,
    chosen: Option<String>,
    drawn: Option<u64>,
    same_frames: bool,
    /// How exams that were taken from the queue were served, by their study.
    served: BTreeMap<String, (Served, Vec<FramePlace>)>,
    /// Number of the last question: answers to earlier ones may come late and say what is no longer so.
    asked: u64,
    /// Pictures of the frames that are compared.
    pub(super) pictures: Vec<Asked>,
    /// Whether the landmarks are looked at from near.
    near: bool,
    /// What is wrong with files that hold no record.
    faults: Vec<String>,
    reason: String,
    /// How often its field was asked to take the keys.
    wants_reason: u64,
    passphrase: String,
    /// Whether a step is being recorded: a second press must not record it twice.
    busy: bool,
    said: Option<String>,
}

impl std::fmt::Debug for Review {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Review({} waiting, {} seen)", self.waiting.len(), self.exams.len())
    }
}

impl Review {
    /// The exams that await this reader.
    #[must_use]
    pub fn waiting(&self) -> &[Awaiting] {
        &self.waiting
    }

    /// The exams whose review this reader may see.
    #[must_use]
    pub fn exams(&self) -> &[ExamReview] {
        &self.exams
    }

    /// The same, each with where it stands.
    pub fn listed(&self) -> impl Iterator<Item = (&ExamReview, &Standing)> {
        self.exams.iter().zip(&self.standings)
    }

    /// The exam that is looked at, with where it stands.
    #[must_use]
    pub fn chosen_with_standing(&self) -> Option<(&ExamReview, &Standing)> {
        let key = self.chosen.as_ref()?;
        self.listed().find(|(e, _)| e.exam == *key)
    }

    /// The exam that is looked at.
    #[must_use]
    pub fn chosen(&self) -> Option<&ExamReview> {
        let key = self.chosen.as_ref()?;
        self.exams.iter().find(|e| e.exam == *key)
    }

    /// The seed of a drawn order.
    #[must_use]
    pub const fn drawn(&self) -> Option<u64> {
        self.drawn
    }

    /// Whether the first reader's frames are read.
    #[must_use]
    pub const fn same_frames(&self) -> bool {
        self.same_frames
    }

    /// How a study came to its reader.
    #[must_use]
    pub fn served(&self, study: Option<&str>) -> Served {
        study.and_then(|s| self.served.get(s)).map(|s| s.0).unwrap_or_default()
    }

    /// Whether a frame of a study is one that may be read: any, but in a second reading of the first reader's frames.
    #[must_use]
    pub fn may_read(&self, study: Option<&str>, file: Option<&str>, number: u32) -> bool {
        study.and_then(|s| self.served.get(s)).is_none_or(|(served, frames)| {
            served.mode == Mode::OwnFrames || frames.iter().any(|(uid, n)| uid.as_deref() == file && *n == number)
        })
    }

    /// How often the reason's field was asked to take the keys.
    #[must_use]
    pub const fn wants_reason(&self) -> u64 {
        self.wants_reason
    }

    /// Whether the landmarks are looked at from near.
    #[must_use]
    pub const fn near(&self) -> bool {
        self.near
    }

    /// What is wrong with files that hold no record: without them another reading may stand than it seems.
    #[must_use]
    pub fn faults(&self) -> &[String] {
        &self.faults
    }

    /// What stands in the reason field.
    #[must_use]
    pub fn reason(&self) -> &str {
        &self.reason
    }

    /// What stands in the passphrase field.
    #[must_use]
    pub fn passphrase(&self) -> &str {
        &self.passphrase
    }

    /// What the last step came to.
    #[must_use]
    pub fn said(&self) -> Option<&str> {
        self.said.as_deref()
    }

    fn order(&self) -> Order {
        self.drawn.map_or(Order::ByDate, |seed| Order::Drawn { seed })
    }
}

impl Session {
    /// The page of the second reader.
    #[must_use]
    pub const fn review(&self) -> &Review {
        &self.review
    }

    /// Who looks at this workstation; `None` until a reader is named.
    #[must_use]
    pub fn onlooker(&self) -> Option<Onlooker> {
        let reader = self.reader().trim().to_owned();
        Some(Onlooker { reader, role: Role::named(self.settings.role.as_deref()) }).filter(|o| !o.reader.is_empty())
    }

    /// Asks anew for what the page shows.
    pub(super) fn load_review(&mut self) -> Vec<Effect> {
        self.review.asked += 1;
        vec![Effect::Review(ReviewEffect::Load(self.review.asked, self.review.order(), self.review.same_frames))]
    }

    pub(super) fn act_on_review(&mut self, action: ReviewAction) -> Vec<Effect> {
        match action {
            ReviewAction::Loaded(number, _) if number != self.review.asked => Vec::new(),
            ReviewAction::Loaded(_, result) => {
                match result {
                    Ok(now) => {
                        self.review.waiting = now.waiting;
                        (self.review.exams, self.review.standings) = (now.exams, now.standings);
                        self.review.faults = now.faults;
                        return self.ask_for_pictures();
                    }
                    Err(why) => self.tell(format!("The records cannot be read: {why}")),
                }
                Vec::new()
            }
            ReviewAction::SetRole(role) => {
                if Role::named(self.settings.role.as_deref()) == role && self.settings.role.is_some() {
                    return Vec::new();
                }
                self.settings.role = Some(role.words().to_owned());
                let mut effects = vec![Effect::KeepSettings(self.settings.clone())];
                effects.extend(self.see_anew());
                effects.extend(self.load_review());
                effects
            }
            ReviewAction::Draw(yes) => {
                // The seed is shown, so that the order can be drawn again.
                self.review.drawn = yes.then(|| self.review.drawn.map_or(1, |seed| seed + 1));
                self.load_review()
            }
            ReviewAction::SameFrames(yes) => {
                self.review.same_frames = yes;
                self.load_review()
            }
            ReviewAction::Read(exam) => self.read_waiting(&exam),
            ReviewAction::Choose(exam) => {
                self.review.said = None;
                self.review.chosen = Some(exam);
                self.ask_for_pictures()
            }
            ReviewAction::Near => {
                self.review.near = !self.review.near;
                Vec::new()
            }
            ReviewAction::StepExam(by) => {
                let here = self.review.exams.iter().position(|e| Some(&e.exam) == self.review.chosen.as_ref());
                let last = self.review.exams.len().saturating_sub(1);
                let to = here.map_or(0, |i| i.saturating_add_signed(by).min(last));
                match self.review.exams.get(to).map(|e| e.exam.clone()) {
                    Some(exam) => self.act_on_review(ReviewAction::Choose(exam)),
                    None => Vec::new(),
                }
            }
            ReviewAction::ReadFirst => match self.review.waiting.first().map(|w| w.exam.clone()) {
                Some(exam) => self.read_waiting(&exam),
                None => Vec::new(),
            },
            ReviewAction::WriteReason => {
                self.review.wants_reason += 1;
                Vec::new()
            }
            ReviewAction::SettleOn(place) => match self.settling_on(place) {
                Some(wish) => self.act_on_review(ReviewAction::Take(wish)),
                None => Vec::new(),
            },
            ReviewAction::TypeReason(text) => {
                self.review.reason = text;
                Vec::new()
            }
            ReviewAction::TypePassphrase(text) => {
                self.review.passphrase = text;
                Vec::new()
            }
            ReviewAction::Take(wish) => {
                let Some(exam) = self.review.chosen.clone().filter(|_| !self.review.busy) else { return Vec::new() };
                self.review.busy = true;
                self.review.said = None;
                vec![Effect::Review(ReviewEffect::Take(exam, wish, std::mem::take(&mut self.review.passphrase)))]
            }
            ReviewAction::Taken(result) => {
                self.review.busy = false;
                match result {
                    Ok(words) => {
                        self.review.said = Some(words);
                        self.review.reason.clear();
                        self.load_review()
                    }
                    Err(why) => {
                        self.tell(why);
                        Vec::new()
                    }
                }
            }
        }
    }

    /// That the reading of the first (0) or second (1) reader stands, settled with the other reader.
    fn settling_on(&self, place: usize) -> Option<Wish> {
        let exam = self.review.chosen()?;
        let readers = exam.readers();
        let with = (*readers.iter().find(|r| **r != self.reader().trim())?).to_owned();
        let reading = exam.deciding(readers.get(place)?)?.id().to_owned();
        Some(Wish::Settle { with, settlement: Settlement::Stands { reading }, reason: self.review.reason.trim().to_owned() })
    }

    /// Goes to the images of a waiting exam, where they are open.
    fn read_waiting(&mut self, exam: &str) -> Vec<Effect> {
        let Some(waiting) = self.review.waiting.iter().find(|w| w.exam == exam).cloned() else { return Vec::new() };
        let effects = self.go_to_study(waiting.study_instance_uid.as_deref());
        let Some(study) = waiting.study_instance_uid.filter(|_| self.page == Page::Reading) else { return effects };
        let mode = if self.review.same_frames { Mode::SameFrames } else { Mode::OwnFrames };
        let served = Served { mode, queue_seed: self.review.drawn };
        let next = waiting.frames.iter().find(|f| !waiting.read.contains(f)).cloned();
        self.review.served.insert(study.clone(), (served, waiting.frames));
        match next {
            None => effects,
            Some((file, number)) => match self.key_of(Some(&study), file.as_deref(), number) {
                Some(key) => self.go_to(key),
                None => {
                    self.tell("The frame that the first reader chose is not among the open images.");
                    effects
                }
            },
        }
    }

    /// The open frame of that study, file and number.
    pub(super) fn key_of(&self, study: Option<&str>, file: Option<&str>, number: u32) -> Option<FrameKey> {
        let exam = self.exams.iter().find(|e| study.is_some() && e.study() == study)?;
        let found = exam.files.iter().find(|f| file.is_some() && f.facts.sop_instance_uid.as_deref() == file)?;
        Some(FrameKey { path: found.path.clone(), number })
    }

    /// What may be seen has changed: the records of the open exams are read anew.
    pub(super) fn see_anew(&mut self) -> Vec<Effect> {
        let reader = self.reader().trim().to_owned();
        self.records.retain(|s| s.record.reader == reader);
        self.refresh();
        let mut patients: Vec<Option<String>> = self.exams.iter().map(|e| crate::record::Patient::from(&e.patient).key()).collect();
        patients.sort();
        patients.dedup();
        vec![Effect::ReadRecords(patients)]
    }

    /// After a reading was saved: a reviewer may now see what others read of the exam.
    pub(super) fn seen_since(&mut self) -> Vec<Effect> {
        match self.onlooker() {
            Some(Onlooker { role: Role::Sonographer, .. }) | None => Vec::new(),
            Some(_) => self.see_anew(),
        }
    }
}

impl From<ReviewAction> for Action {
    fn from(action: ReviewAction) -> Self {
        Self::Review(action)
    }
}
