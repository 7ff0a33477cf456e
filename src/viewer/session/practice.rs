//! The page of practice: the course, and one case on a desk of its own.
//!
//! The desk is a session by itself: the reader marks, states and looks exactly as in the clinic, but nothing that the desk asks of
//! the world is carried out, and the clinical session is not touched. What leaves a desk is the answer, and that alone.

use std::path::PathBuf;
use std::sync::Arc;

use super::exam::{ExamState, Form};
use super::{Outcome, Session};
use crate::context::{Dating, ExamContext, Route};
use crate::frame::Frame;
use crate::guideline::Table;
use crate::load::Identity;
use crate::plot::learning_curve::{Case, LearningCurve};
use crate::practice::competence::{RATES, chart_lines, charts};
use crate::practice::placement::Placement;
use crate::practice::{Answer, AnswerKey, Attempt, LEVELS, Level, Marked, Reason, WITHIN_MM, score, score_lines};
use crate::viewer::action::{Action, Effect, Found};
use crate::viewer::page::Page;
use crate::viewer::session::{DisplayAction, PlanAction};

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum PracticeAction {
    /// What a reader's practice holds; an error in words otherwise.
    Loaded(String, Result<Box<Known>, String>),
    /// Choose a level.
    ChooseLevel(Level),
    /// The next case of the chosen level, or the open one.
    Next,
    /// The next own case.
    NextOwn,
    /// A case was given; an error in words otherwise.
    Given(Result<Box<GivenCase>, String>),
    /// Put the case away; it stays open.
    PutAway,
    /// Show or hide the reasons for not reading the frame.
    ToggleReasons,
    /// The frame is not to be read.
    Reject(Reason),
    /// An answer was marked; an error in words otherwise.
    Marked(Result<Box<(Attempt, AnswerKey)>, String>),
    /// Let own placement widen clinical readings, or no longer.
    Consent(bool),
    /// The field for an assessment's folder was edited.
    TypeSet(String),
    /// Take the assessment in that folder, or go on with it.
    TakeSet,
    /// All cases of the assessment are answered; the folder and what it is called. An error in words otherwise.
    AllAnswered(Result<(PathBuf, String), String>),
    /// The passphrase field was edited.
    TypePassphrase(String),
    /// Sign the answers and hand them in.
    HandIn,
    /// They were handed in, in words; an error in words otherwise.
    HandedIn(Result<String, String>),
}

/// What a session asks of the world for the page; each names the reader.
#[derive(Clone)]
pub enum PracticeEffect {
    /// Read what is there.
    Load(String),
    /// Give the next case: of a level, or an own one.
    Next(String, Option<Level>),
    /// Mark an answer to the case of that identifier.
    Submit(String, String, Answer, Box<Table>),
    /// Keep consent or its withdrawal.
    Consent(String, bool),
    /// Give the case whose turn it is in the assessment of that folder.
    Turn(String, PathBuf),
    /// Take an answer to the case of that identifier, and give the next.
    AnswerTurn(String, PathBuf, String, Answer),
    /// Sign and hand in; with the passphrase of the key, where one is needed.
    HandIn(String, PathBuf, String),
}

impl std::fmt::Debug for PracticeEffect {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let name = match self {
            Self::Load(_) => "Load",
            Self::Next(..) => "Next",
            Self::Submit(..) => "Submit",
            Self::Consent(..) => "Consent",
            Self::Turn(..) => "Turn",
            Self::AnswerTurn(..) => "AnswerTurn",
            Self::HandIn(..) => "HandIn",
        };
        f.write_str(name)
    }
}

/// What a reader's practice holds.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// The answered cases, in order.
    pub attempts: Vec<Attempt>,
    /// What they say of the reader's placement.
    pub placement: Placement,
    /// Whether a case is open.
    pub open: bool,
    /// Own cases that are not answered yet.
    pub own_left: usize,
    /// What is wrong with files there.
    pub faults: Vec<String>,
}

/// What the page says of the answered cases: exact intervals and charts, made once for many pictures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summed {
    /// The levels of the course, each with how many cases are answered and how many of them done well.
    pub levels: Vec<(Level, u32, u32)>,
    /// The course as a whole, from its first answered case on.
    pub course: Option<SummedCourse>,
    /// The scores of own cases; none before the first.
    pub own: Vec<String>,
}

/// What is said of the course as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct SummedCourse {
    /// The learning curve.
    pub curve: LearningCurve,
    /// What the competence charts say.
    pub charts: Vec<String>,
    /// The scores.
    pub scores: Vec<String>,
}

impl Summed {
    fn of(attempts: &[Attempt]) -> Self {
        let marked = |counts: &dyn Fn(&Attempt) -> bool| -> Vec<(&Marked, Option<f64>)> {
            attempts.iter().filter(|a| counts(a)).map(|a| (&a.marked, a.taken.seconds())).collect()
        };
        let level = |level| {
            let s = score(marked(&|a| a.level() == Some(level)));
            (level, s.cases, s.well.events)
        };
        let own = marked(&|a| a.level().is_none());
        Self {
            levels: LEVELS.map(level).into(),
            course: SummedCourse::of(marked(&|a| a.level().is_some())),
            own: if own.is_empty() { Vec::new() } else { score_lines(&score(own), true) },
        }
    }
}

impl SummedCourse {
    fn of(course: Vec<(&Marked, Option<f64>)>) -> Option<Self> {
        if course.is_empty() {
            return None;
        }
        let failures: Vec<bool> = course.iter().map(|(m, _)| !m.well).collect();
        let sums = charts(&failures, &RATES);
        let lines = chart_lines(&sums);
        let curve = LearningCurve {
            cases: course.iter().map(|(m, _)| Case { error_mm: m.counted_error(), well: m.well }).collect(),
            learning: sums.learning,
            monitoring: sums.monitoring,
            limit: RATES.limit,
            within_mm: WITHIN_MM,
        };
        Some(Self { curve, charts: lines, scores: score_lines(&score(course), false) })
    }
}

/// Where a case comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Of {
    /// The course.
    Level(Level),
    /// The department's own.
    Own,
    /// An assessment in this folder: its number and of how many.
    Assessment(PathBuf, usize, usize),
}

/// A case with its frame.
#[derive(Clone, Debug)]
pub struct GivenCase {
    /// Its identifier.
    pub id: String,
    /// Where it comes from.
    pub of: Of,
    /// The sonographer's line.
    pub note: String,
    /// Its file as an exam.
    pub exam: ExamState,
    /// Its frame.
    pub frame: Arc<Frame>,
}

/// What is known of the case on a desk besides its picture.
#[derive(Clone, Debug)]
pub struct PracticeCase {
    /// Its identifier.
    pub id: String,
    /// Where it comes from.
    pub of: Of,
    /// The sonographer's line.
    pub note: String,
    /// Whether the reasons for not reading it are shown.
    pub reasons: bool,
    /// Whether its answer is being marked.
    pub busy: bool,
    /// What came of it, once answered; never of an assessment's.
    pub shown: Option<Arc<(Attempt, AnswerKey)>>,
}

impl PracticeCase {
    /// What it is, for the strip.
    #[must_use]
    pub fn title(&self) -> String {
        match &self.of {
            Of::Level(level) => format!("level {}, {}", level.number(), level.words()),
            Of::Own => "own case".to_owned(),
            Of::Assessment(_, number, of) => format!("assessment, case {number} of {of}"),
        }
    }
}

/// The page's own state.
#[derive(Debug)]
pub struct Practice {
    known: Known,
    summed: Summed,
    level: Level,
    desk: Option<Box<Session>>,
    busy: bool,
    typed_set: String,
    passphrase: String,
    /// The assessment whose cases are all answered, and what it is called.
    to_hand_in: Option<(PathBuf, String)>,
    said: Option<String>,
}

impl Default for Practice {
    fn default() -> Self {
        Self {
            known: Known::default(),
            summed: Summed::of(&[]),
            level: Level::ClearPictures,
            desk: None,
            busy: false,
            typed_set: String::new(),
            passphrase: String::new(),
            to_hand_in: None,
            said: None,
        }
    }
}

impl Practice {
    /// What the reader's practice holds.
    #[must_use]
    pub const fn known(&self) -> &Known {
        &self.known
    }

    /// What the page says of the answered cases.
    #[must_use]
    pub const fn summed(&self) -> &Summed {
        &self.summed
    }

    /// The chosen level.
    #[must_use]
    pub const fn level(&self) -> Level {
        self.level
    }

    /// The desk with the case that is being read.
    #[must_use]
    pub fn desk(&self) -> Option<&Session> {
        self.desk.as_deref()
    }

    /// Whether a case is being made or marked.
    #[must_use]
    pub const fn busy(&self) -> bool {
        self.busy
    }

    /// What stands in the field for an assessment's folder.
    #[must_use]
    pub fn typed_set(&self) -> &str {
        &self.typed_set
    }

    /// What stands in the passphrase field.
    #[must_use]
    pub fn passphrase(&self) -> &str {
        &self.passphrase
    }

    /// The assessment that is to be handed in.
    #[must_use]
    pub fn to_hand_in(&self) -> Option<&str> {
        self.to_hand_in.as_ref().map(|(_, name)| name.as_str())
    }

    /// What the last step came to.
    #[must_use]
    pub fn said(&self) -> Option<&str> {
        self.said.as_deref()
    }
}

impl Session {
    /// The page of practice.
    #[must_use]
    pub const fn practice(&self) -> &Practice {
        &self.practice
    }

    /// The case on this desk, where this is one.
    #[must_use]
    pub const fn practice_case(&self) -> Option<&PracticeCase> {
        self.case.as_ref()
    }

    /// The session whose frame is on the screen: a practice desk on its page, else this one.
    #[must_use]
    pub fn on_screen(&self) -> &Self {
        match &self.practice.desk {
            Some(desk) if self.page == Page::Practice => desk,
            _ => self,
        }
    }

    fn practise(&self, effect: impl FnOnce(String) -> PracticeEffect) -> Vec<Effect> {
        match self.reader().trim() {
            "" => Vec::new(),
            name => vec![Effect::Practice(effect(name.to_owned()))],
        }
    }

    /// Reads what is there anew.
    pub(super) fn load_practice(&self) -> Vec<Effect> {
        self.practise(PracticeEffect::Load)
    }

    /// What happens while a case is on its desk: taken by the desk, or given back for the window.
    pub(super) fn at_desk(&mut self, action: Action) -> Result<Vec<Effect>, Action> {
        // What lies over the page takes its own keys first.
        let over = self.closing || ((self.help || self.about) && matches!(action, Action::Escape));
        if self.page != Page::Practice || over {
            return Err(action);
        }
        let Some(desk) = &mut self.practice.desk else { return Err(action) };
        let Some(case) = &mut desk.case else { return Err(action) };
        let (shown, busy) = (case.shown.is_some(), case.busy);
        match action {
            Action::Save | Action::SaveAndGoOn => Ok(self.submit()),
            Action::StepFrame(1) if shown => Ok(self.next_case()),
            Action::Escape => {
                if case.reasons {
                    case.reasons = false;
                } else if desk.armed.is_some() || desk.selected.is_some() || !desk.messages.is_empty() || desk.offer().is_some() {
                    drop(desk.apply(Action::Escape));
                } else if self.messages.pop().is_none() {
                    self.practice.desk = None;
                    return Ok(self.load_practice());
                }
                Ok(Vec::new())
            }
            // How dense the screen is and how large its letters are holds for the clinic too.
            Action::Display(DisplayAction::Density(_) | DisplayAction::Letters(_)) => {
                drop(desk.apply(action.clone()));
                Err(action)
            }
            // What is looked at may change at any time; what was answered may not.
            Action::Display(_)
            | Action::Look(_)
            | Action::Zoom(_)
            | Action::Fit
            | Action::OneToOne
            | Action::ToggleWhy
            | Action::DismissMessage => {
                // What a desk asks of the world is not carried out: nothing of practice reaches records, drafts or settings.
                drop(desk.apply(action));
                Ok(Vec::new())
            }
            Action::Arm(_)
            | Action::PutDown
            | Action::Place(_)
            | Action::Drag(..)
            | Action::LetGo
            | Action::Select(_)
            | Action::Nudge(_)
            | Action::PlaceAtCross
            | Action::Remove(_)
            | Action::RemoveSelected
            | Action::StateSide(_)
            | Action::Note(_)
            | Action::Undo
            | Action::Redo
            | Action::Plan(PlanAction::ToggleMore) => {
                if !shown && !busy {
                    drop(desk.apply(action));
                }
                Ok(Vec::new())
            }
            // Everything else that a reader may do to a clinical reading has no meaning here. Answers of the world go on to the clinic.
            Action::Context(_)
            | Action::Consent(_)
            | Action::GoTo(_)
            | Action::GoToField(_)
            | Action::StepFrame(_)
            | Action::StepExam(_)
            | Action::Scrub(_)
            | Action::StepCine(_)
            | Action::StepMarked(_)
            | Action::TogglePlay
            | Action::ToggleOnce
            | Action::TakeUpDraft
            | Action::LetDraftGo
            | Action::ToggleList => Ok(Vec::new()),
            other => Err(other),
        }
    }

    pub(super) fn act_on_practice(&mut self, action: PracticeAction) -> Vec<Effect> {
        match action {
            PracticeAction::Loaded(reader, result) => {
                if reader == self.reader().trim() {
                    match result {
                        Ok(known) => {
                            if let Some(fault) = known.faults.first() {
                                self.tell(format!("An answered practice case cannot be read and is left out: {fault}"));
                            }
                            self.practice.summed = Summed::of(&known.attempts);
                            self.practice.known = *known;
                            // Own placement may widen what clinical readings are made with.
                            self.find_repeatability();
                            self.refresh();
                        }
                        Err(why) => self.tell(format!("Practice cannot be read: {why}")),
                    }
                }
                Vec::new()
            }
            PracticeAction::ChooseLevel(level) => {
                self.practice.level = level;
                Vec::new()
            }
            PracticeAction::Next => self.next_case(),
            PracticeAction::NextOwn => self.ask_for_case(|reader| PracticeEffect::Next(reader, None)),
            PracticeAction::Given(result) => self.given(result),
            PracticeAction::PutAway => {
                self.practice.desk = None;
                self.load_practice()
            }
            PracticeAction::ToggleReasons => {
                if let Some(case) = self.open_on_desk() {
                    case.reasons = !case.reasons;
                }
                Vec::new()
            }
            PracticeAction::Reject(reason) => self.send(Answer::Reject { reason }),
            PracticeAction::Marked(result) => self.marked(result),
            PracticeAction::Consent(yes) => self.practise(|reader| PracticeEffect::Consent(reader, yes)),
            PracticeAction::TypeSet(text) => {
                self.practice.typed_set = text;
                Vec::new()
            }
            PracticeAction::TakeSet => {
                let folder = PathBuf::from(self.practice.typed_set.trim());
                if folder.as_os_str().is_empty() {
                    self.tell("Type the folder of the assessment first: the one that holds set.json.");
                    return Vec::new();
                }
                self.ask_for_case(|reader| PracticeEffect::Turn(reader, folder))
            }
            PracticeAction::AllAnswered(result) => {
                (self.practice.busy, self.practice.desk) = (false, None);
                match result {
                    Ok(set) => self.practice.to_hand_in = Some(set),
                    Err(why) => self.tell(why),
                }
                Vec::new()
            }
            PracticeAction::TypePassphrase(text) => {
                self.practice.passphrase = text;
                Vec::new()
            }
            PracticeAction::HandIn => {
                let Some((folder, _)) = self.practice.to_hand_in.clone().filter(|_| !self.practice.busy) else { return Vec::new() };
                self.practice.busy = true;
                let passphrase = std::mem::take(&mut self.practice.passphrase);
                self.practise(|reader| PracticeEffect::HandIn(reader, folder, passphrase))
            }
            PracticeAction::HandedIn(result) => {
                self.practice.busy = false;
                match result {
                    Ok(words) => (self.practice.said, self.practice.to_hand_in) = (Some(words), None),
                    Err(why) => self.tell(why),
                }
                Vec::new()
            }
        }
    }

    /// The next case of where the last one came from.
    fn next_case(&mut self) -> Vec<Effect> {
        let own = self.practice.desk.as_ref().and_then(|d| d.case.as_ref()).is_some_and(|c| c.of == Of::Own);
        let level = (!own).then_some(self.practice.level);
        self.ask_for_case(|reader| PracticeEffect::Next(reader, level))
    }

    fn ask_for_case(&mut self, effect: impl FnOnce(String) -> PracticeEffect) -> Vec<Effect> {
        if self.practice.busy {
            return Vec::new();
        }
        if self.reader().trim().is_empty() {
            self.tell("Name yourself first: practice is kept under a name.");
            return Vec::new();
        }
        if self.chosen_table().is_none() {
            self.tell("Choose a guideline first: findings are marked under it.");
            return Vec::new();
        }
        (self.practice.busy, self.practice.said) = (true, None);
        self.practise(effect)
    }

    /// Puts a case on a desk of its own.
    fn given(&mut self, result: Result<Box<GivenCase>, String>) -> Vec<Effect> {
        self.practice.busy = false;
        let given = match result {
            Ok(given) => *given,
            Err(why) => {
                self.tell(why);
                return Vec::new();
            }
        };
        let mut exam = given.exam;
        // No patient: nobody was scanned, or nobody is to be told who was.
        exam.patient = Identity::default();
        exam.context = invented_context(exam.file_date);
        exam.form = Form::of(&exam.context);
        let key = exam.frame_at(0);
        let mut desk = Self::new(self.tables.clone(), self.settings.clone());
        desk.display.density = self.display.density;
        drop(desk.apply(Action::Opened(Ok(Found { exams: vec![exam], ..Found::default() }))));
        if let Some(key) = key {
            drop(desk.apply(Action::Decoded(key, Ok(given.frame))));
        }
        desk.case = Some(PracticeCase { id: given.id, of: given.of, note: given.note, reasons: false, busy: false, shown: None });
        self.practice.desk = Some(Box::new(desk));
        Vec::new()
    }

    /// The case on the desk, while it can be answered.
    fn open_on_desk(&mut self) -> Option<&mut PracticeCase> {
        self.practice.desk.as_mut()?.case.as_mut().filter(|c| c.shown.is_none() && !c.busy)
    }

    /// Sends the reading on the desk as the answer.
    fn submit(&mut self) -> Vec<Effect> {
        let Some(desk) = &self.practice.desk else { return Vec::new() };
        let work = desk.work();
        let answer = match (&desk.outcome, work.landmarks(), work.side) {
            (Outcome::Refused(why), ..) => Err(format!("Not submitted: {why}")),
            (Outcome::Read(r), ..) if !r.blocks.is_empty() => Err(format!("Not submitted. {}", r.blocks.join(" "))),
            (_, Some(landmarks), Some(side)) => Ok(Answer::Read { landmarks, side }),
            (Outcome::Lacks(needs), ..) => {
                let list: Vec<&str> = needs.iter().map(|n| n.words()).collect();
                Err(format!("Not submitted yet. Still to do: {}.", list.join("; ")))
            }
            _ => Err("Not submitted yet: mark the os and the edge, and state the side.".to_owned()),
        };
        match answer {
            Ok(answer) => self.send(answer),
            Err(why) => {
                if let Some(desk) = &mut self.practice.desk {
                    desk.tell(why);
                }
                Vec::new()
            }
        }
    }

    fn send(&mut self, answer: Answer) -> Vec<Effect> {
        let Some(table) = self.chosen_table().cloned() else { return Vec::new() };
        let Some(case) = self.open_on_desk() else { return Vec::new() };
        (case.busy, case.reasons) = (true, false);
        let (id, of) = (case.id.clone(), case.of.clone());
        match of {
            Of::Assessment(folder, ..) => self.practise(|reader| PracticeEffect::AnswerTurn(reader, folder, id, answer)),
            _ => self.practise(|reader| PracticeEffect::Submit(reader, id, answer, Box::new(table))),
        }
    }

    /// Shows what came of an answer.
    fn marked(&mut self, result: Result<Box<(Attempt, AnswerKey)>, String>) -> Vec<Effect> {
        let Some(desk) = &mut self.practice.desk else { return self.load_practice() };
        let Some(case) = &mut desk.case else { return Vec::new() };
        case.busy = false;
        match result {
            Ok(shown) => {
                // An answer that came late is not that of the case on the desk.
                if shown.0.case.id == case.id {
                    case.shown = Some(Arc::from(shown));
                    drop(desk.apply(Action::PutDown));
                    desk.selected = None;
                }
                self.load_practice()
            }
            Err(why) => {
                desk.tell(why);
                Vec::new()
            }
        }
    }
}

/// What is said of every practice case, so that a finding can be made of it: 33 weeks, transvaginal. Bladder and contraction are
/// the reader's to judge.
fn invented_context(file_date: Option<jiff::civil::Date>) -> ExamContext {
    let on = file_date.unwrap_or(jiff::civil::date(2025, 1, 1));
    // 33w0d is 231 of 280 days.
    let due = on.checked_add(jiff::Span::new().days(49)).ok();
    ExamContext { exam_date: Some(on), dating: due.map(Dating::DueDate), route: Route::Transvaginal, ..ExamContext::default() }
}

impl From<PracticeAction> for Action {
    fn from(action: PracticeAction) -> Self {
        Self::Practice(action)
    }
}
