//! The page of the second reader: who waits, how two readings compare, what stands. Everything shown here comes from a store
//! that shows only what this reader may see.

use super::Session;
use crate::record::{Onlooker, Role};
use crate::review::{Awaiting, ExamReview, Order, Wish};
use crate::viewer::action::{Action, Effect};

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum ReviewAction {
    /// What waits and what may be seen, in answer to the question of that number; an error in words otherwise.
    Loaded(u64, Result<(Vec<Awaiting>, Vec<ExamReview>), String>),
    /// The reader is this in the department.
    SetRole(Role),
    /// Serve the queue in a drawn order, or by date.
    Draw(bool),
    /// Go to the images of a waiting exam.
    Read(String),
    /// Look at an exam's review.
    Choose(String),
    /// The reason field was edited.
    TypeReason(String),
    /// The passphrase field was edited.
    TypePassphrase(String),
    /// Take a step of the chosen exam.
    Take(Wish),
    /// It was taken, in words; an error in words otherwise.
    Taken(Result<String, String>),
}

/// What a session asks of the world for the page.
#[derive(Clone)]
pub enum ReviewEffect {
    /// Read what waits and what may be seen; the question's number.
    Load(u64, Order),
    /// Take a step: the exam's key, what, and the passphrase of the key where one is needed.
    Take(String, Wish, String),
}

impl std::fmt::Debug for ReviewEffect {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Load(number, order) => write!(f, "Load({number}, {order:?})"),
            Self::Take(exam, wish, _) => write!(f, "Take({exam}, {wish:?})"),
        }
    }
}

/// The page's own state.
#[derive(Clone, Default)]
pub struct Review {
    waiting: Vec<Awaiting>,
    exams: Vec<ExamReview>,
    chosen: Option<String>,
    drawn: Option<u64>,
    /// Number of the last question: answers to earlier ones may come late and say what is no longer so.
    asked: u64,
    reason: String,
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
        vec![Effect::Review(ReviewEffect::Load(self.review.asked, self.review.order()))]
    }

    pub(super) fn act_on_review(&mut self, action: ReviewAction) -> Vec<Effect> {
        match action {
            ReviewAction::Loaded(number, _) if number != self.review.asked => Vec::new(),
            ReviewAction::Loaded(_, result) => {
                match result {
                    Ok((waiting, exams)) => {
                        self.review.waiting = waiting;
                        self.review.exams = exams;
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
            ReviewAction::Read(exam) => self.read_waiting(&exam),
            ReviewAction::Choose(exam) => {
                self.review.said = None;
                self.review.chosen = Some(exam);
                Vec::new()
            }
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

    /// Goes to the images of a waiting exam, where they are open.
    fn read_waiting(&mut self, exam: &str) -> Vec<Effect> {
        let uid = self.review.waiting.iter().find(|w| w.exam == exam).and_then(|w| w.study_instance_uid.clone());
        self.go_to_study(uid.as_deref())
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
