//! All state of the window and everything that changes it, without any drawing, file or clock.
//!
//! [`Session::apply`] is the only way to change a session. It returns what the world is asked to do; answers come back as
//! actions. What was marked on a frame is kept under that frame's own key, and the picture is shown only under the same
//! key, so landmarks of one frame cannot appear on another. The reading is made anew after every change that it follows
//! from, so a finding on screen is never older than its landmarks.

mod agreement;
mod archive;
mod change;
mod cine;
mod compare;
pub mod dates;
mod display;
mod drafts;
mod exam;
mod exam_values;
mod marks;
mod more;
mod notes;
mod opening;
mod outcome;
mod pace;
mod planning;
mod practice;
mod report;
mod review;
mod saving;
mod scale;
mod teaching;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

pub use agreement::{Agreement, AgreementAction, AgreementEffect, Chart, Kind, MadeStudy};
pub use archive::{ArchiveAction, ArchiveEffect, ArchiveState, Asked, SetUp};
pub use change::{Change, History};
pub use cine::{CineNow, FrameMark};
pub use compare::{Side as ShownSide, Sight};
pub use display::{Beside, Display, DisplayAction, ReadingSeen};
pub use exam::{ExamState, Form, FrameKey, FrameWork, SourceFile};
pub use exam_values::{ExamFrame, ExamNow};
pub use more::{MoreChange, MoreForm, Typed};
pub use notes::{Aside, NoteAction, StandingOffer};
pub use outcome::{Need, OtherReading, Outcome};
pub use pace::{Pace, PaceSource};
pub use planning::{Answer, DueList, PlanAction, PlanEffect, Planning, Telling};
pub use practice::{GivenCase, Known, Of, Practice, PracticeAction, PracticeCase, PracticeEffect, Summed, SummedCourse};
pub use report::{LANGUAGES, Paragraph, Preview, ReportAction, ReportEffect, ReportJob, ReportPage};
pub use review::{DeskNow, Review, ReviewAction, ReviewEffect};
pub use saving::{SaveJob, SaveState};
pub use scale::{CheckedNow, RulerNow, ScaleAction, ScaleEffect, ScaleState};
pub use teaching::{Teaching, TeachingAction, TeachingEffect};

use super::action::{Action, Effect, Mark};
use super::page::Page;
use super::screen_map::{View, Zoom};
use crate::files::Settings;
use crate::followup::Plan;
use crate::frame::{Frame, FrameId};
use crate::guideline::Table;
use crate::record::Stored;
use crate::units::PxPoint;

/// The most messages that are kept.
const MOST_MESSAGES: usize = 4;

/// All state of the window.
#[derive(Debug)]
pub struct Session {
    /// Every exam that was opened, by date.
    exams: Vec<ExamState>,
    /// Files that hold no frame, with the reason.
    not_frames: Vec<(String, String)>,
    current: Option<FrameKey>,
    picture: Option<(FrameKey, Arc<Frame>)>,
    /// Why the current frame cannot be shown.
    picture_error: Option<String>,
    frame_ids: BTreeMap<FrameKey, FrameId>,
    work: BTreeMap<FrameKey, FrameWork>,
    saved: BTreeMap<FrameKey, saving::SavedState>,
    saving: Option<FrameKey>,
    /// The frame after whose saving the next one is gone to.
    goes_on_after: Option<FrameKey>,
    records: Vec<Stored>,
    unfinished: drafts::Unfinished,
    history: History,
    tables: Vec<Table>,
    settings: Settings,
    aside: Aside,
    made: outcome::Made,
    outcome: Outcome,
    others: Vec<OtherReading>,
    plan: Option<Plan>,
    armed: Option<Mark>,
    selected: Option<Mark>,
    cross: Option<PxPoint>,
    /// How each file is looked at: all frames of a cine alike.
    views: BTreeMap<PathBuf, View>,
    cine: cine::Cine,
    display: Display,
    opening: Option<(usize, usize)>,
    messages: Vec<String>,
    typed_path: String,
    typed_reader: String,
    teaching: Teaching,
    review: Review,
    agreement: Agreement,
    practice: Practice,
    /// The practice case, where this session is its desk.
    case: Option<PracticeCase>,
    planning: Planning,
    report: ReportPage,
    scale: scale::ScaleState,
    archive: ArchiveState,
    page: Page,
    help: bool,
    about: bool,
    list: bool,
    why: bool,
    closing: bool,
}

impl Session {
    /// A session that knows these guideline tables and settings, and has nothing open.
    #[must_use]
    pub fn new(tables: Vec<Table>, settings: Settings) -> Self {
        Self {
            exams: Vec::new(),
            not_frames: Vec::new(),
            current: None,
            picture: None,
            picture_error: None,
            frame_ids: BTreeMap::new(),
            work: BTreeMap::new(),
            saved: BTreeMap::new(),
            saving: None,
            goes_on_after: None,
            records: Vec::new(),
            unfinished: drafts::Unfinished::default(),
            history: History::default(),
            tables,
            typed_reader: settings.reader.clone().unwrap_or_default(),
            settings,
            aside: Aside::default(),
            made: outcome::Made::default(),
            outcome: Outcome::Nothing,
            others: Vec::new(),
            plan: None,
            armed: None,
            selected: None,
            cross: None,
            views: BTreeMap::new(),
            cine: cine::Cine::default(),
            display: Display::default(),
            opening: None,
            messages: Vec::new(),
            typed_path: String::new(),
            teaching: Teaching::default(),
            review: Review::default(),
            agreement: Agreement::default(),
            practice: Practice::default(),
            case: None,
            planning: Planning::default(),
            report: ReportPage::default(),
            scale: scale::ScaleState::default(),
            archive: ArchiveState::default(),
            page: Page::Reading,
            help: false,
            about: false,
            list: false,
            why: false,
            closing: false,
        }
    }

    /// Takes in one action; returns what the world is asked to do, in order.
    #[must_use = "the effects are for the world to carry out"]
    pub fn apply(&mut self, action: Action) -> Vec<Effect> {
        let action = match self.at_desk(action) {
            Ok(effects) => return effects,
            Err(action) => action,
        };
        if self.pauses_instead(&action) {
            return Vec::new();
        }
        let mut effects = self.take_in(action);
        effects.extend(self.keep_drafts());
        effects
    }

    fn take_in(&mut self, action: Action) -> Vec<Effect> {
        match action {
            Action::Open(paths) => self.open(paths),
            Action::TypePath(text) => {
                self.typed_path = text;
                Vec::new()
            }
            Action::OpenTyped => self.open_typed(),
            Action::PickFiles => vec![Effect::PickFiles],
            Action::PickFolder => vec![Effect::PickFolder],
            Action::StopOpening => vec![Effect::StopOpening],
            Action::OpenProgress(done, found) => {
                if self.opening.is_some() {
                    self.opening = Some((done, found));
                }
                Vec::new()
            }
            Action::Opened(found) => self.opened(found),
            Action::Decoded(key, frame) => self.decoded(key, frame),
            Action::Records(records, faults) => self.take_records(records, faults),
            Action::Repeatability(in_use) => self.take_repeatability(*in_use),
            Action::Drafts(drafts, faults) => self.take_drafts(drafts, &faults),
            Action::TakeUpDraft => self.take_up_draft(),
            Action::LetDraftGo => self.let_offer_go(),
            Action::GoTo(key) => self.go_to(key),
            Action::StepFrame(by) => self.step_frame(by),
            Action::StepExam(by) => self.step_exam(by),
            Action::Scrub(_) | Action::StepCine(_) | Action::StepMarked(_) | Action::TogglePlay | Action::ToggleOnce | Action::Tick(_) => {
                self.act_on_cine(&action)
            }
            Action::Save => self.save(),
            Action::SaveAndGoOn => self.save_and_go_on(),
            Action::GoToField(field) => vec![Effect::Focus(field)],
            Action::Saved(job, result) => self.saved(&job, result),
            Action::Note(what) => self.note(what),
            Action::PlaceAtCross if self.offer().is_some() => self.note(NoteAction::AcceptOffer),
            Action::Undo => self.undo(),
            Action::Redo => self.redo(),
            Action::ChooseTable(id) => self.choose_table(&id),
            Action::TypeReader(text) => {
                self.typed_reader = text;
                Vec::new()
            }
            Action::NameReader => self.name_reader(),
            Action::Context(change) => self.change_context(change),
            Action::Consent(yes) => self.consent(yes),
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
            | Action::StateSide(_) => self.mark(action),
            Action::Look(_) | Action::Zoom(_) | Action::Fit | Action::OneToOne => {
                self.look(&action);
                Vec::new()
            }
            Action::Display(action) => self.act_on_display(action),
            Action::ToggleHelp => toggle(&mut self.help),
            Action::ToggleAbout => toggle(&mut self.about),
            Action::ToggleList => toggle(&mut self.list),
            Action::ToggleWhy => toggle(&mut self.why),
            Action::ShowPage(page) => self.show_page(page),
            Action::Teaching(action) => self.teach(action),
            Action::Review(action) => self.act_on_review(action),
            Action::Agreement(action) => self.act_on_agreement(action),
            Action::Practice(action) => self.act_on_practice(action),
            Action::Plan(action) => self.plan_for(action),
            Action::Report(action) => self.act_on_report(action),
            Action::Scale(action) => self.act_on_scale(action),
            Action::Archive(action) => self.act_on_archive(action),
            Action::ToggleTheme => {
                self.settings.light = !self.settings.light;
                vec![Effect::KeepSettings(self.settings.clone())]
            }
            Action::Tell(text) => {
                self.tell(text);
                Vec::new()
            }
            Action::DismissMessage => {
                self.messages.pop();
                Vec::new()
            }
            Action::Escape => self.escape(),
            Action::RequestClose => {
                if self.unsaved().is_empty() {
                    vec![Effect::Close]
                } else {
                    self.closing = true;
                    Vec::new()
                }
            }
            Action::CloseAnyway => vec![Effect::Close],
            Action::StayOpen => {
                self.closing = false;
                Vec::new()
            }
        }
    }

    fn escape(&mut self) -> Vec<Effect> {
        if self.closing {
            self.closing = false;
        } else if self.help || self.about {
            (self.help, self.about) = (false, false);
        } else if self.planning.telling().is_some() {
            return self.plan_for(PlanAction::PutAway);
        } else if self.page != Page::Reading && self.messages.is_empty() {
            return self.show_page(Page::Reading);
        } else if self.leave_aside() {
            // An open list of exceptions or a standing offer goes first.
        } else if self.armed.is_some() || self.scale.ruler().picking {
            self.put_down();
        } else if self.messages.pop().is_none() {
            self.selected = None;
        }
        Vec::new()
    }

    /// Goes to another page. A cine does not play on out of sight.
    fn show_page(&mut self, page: Page) -> Vec<Effect> {
        self.pause();
        self.put_down();
        self.page = page;
        self.turned_to(page)
    }

    fn look(&mut self, action: &Action) {
        let Some(key) = self.current.clone() else { return };
        let now = self.view();
        let next = match action {
            Action::Look(view) => *view,
            Action::Zoom(times) => View {
                zoom: match now.zoom {
                    Zoom::OfFit(of) => Zoom::OfFit(of * times),
                    Zoom::PointsPerPx(points) => Zoom::PointsPerPx(points * times),
                },
                centre: now.centre,
            },
            Action::OneToOne => View { zoom: Zoom::PointsPerPx(1.0 / self.display.density), centre: now.centre },
            _ => View::default(),
        };
        self.views.insert(key.path, next);
    }

    /// Adds a message for the reader, the newest last; the oldest give way.
    fn tell(&mut self, text: impl Into<String>) {
        let text = text.into();
        self.messages.retain(|m| *m != text);
        self.messages.push(text);
        if self.messages.len() > MOST_MESSAGES {
            self.messages.remove(0);
        }
    }

    /// Every exam that is open, by date.
    #[must_use]
    pub fn exams(&self) -> &[ExamState] {
        &self.exams
    }

    /// Files that hold no frame: file name and reason.
    #[must_use]
    pub fn not_frames(&self) -> &[(String, String)] {
        &self.not_frames
    }

    /// The frame that is being read.
    #[must_use]
    pub const fn current(&self) -> Option<&FrameKey> {
        self.current.as_ref()
    }

    /// The exam of the frame that is being read.
    #[must_use]
    pub fn exam(&self) -> Option<&ExamState> {
        self.exam_index().and_then(|i| self.exams.get(i))
    }

    fn exam_index(&self) -> Option<usize> {
        let key = self.current.as_ref()?;
        self.exams.iter().position(|e| e.place_of(key).is_some())
    }

    /// The place of the current exam among those of the same patient, from 1, and their number.
    #[must_use]
    pub fn exam_place(&self) -> Option<(usize, usize)> {
        let exam = self.exam()?;
        let same: Vec<&ExamState> = self.exams.iter().filter(|e| e.patient == exam.patient).collect();
        let place = same.iter().position(|e| e.key == exam.key)?;
        Some((place + 1, same.len()))
    }

    /// The file of the frame that is being read.
    #[must_use]
    pub fn file(&self) -> Option<&SourceFile> {
        let key = self.current.as_ref()?;
        self.source(key)
    }

    fn source(&self, key: &FrameKey) -> Option<&SourceFile> {
        self.exams.iter().flat_map(|e| &e.files).find(|f| f.path == key.path)
    }

    /// The decoded picture of the current frame, once it is there.
    #[must_use]
    pub fn picture(&self) -> Option<&Arc<Frame>> {
        self.picture.as_ref().filter(|(key, _)| Some(key) == self.current.as_ref()).map(|(_, f)| f)
    }

    /// Why the current frame cannot be shown.
    #[must_use]
    pub fn picture_error(&self) -> Option<&str> {
        self.picture_error.as_deref()
    }

    /// What was done on the current frame. Empty while its picture is not there.
    #[must_use]
    pub fn work(&self) -> FrameWork {
        if self.picture().is_none() {
            return FrameWork::default();
        }
        self.current.as_ref().and_then(|k| self.work.get(k)).cloned().unwrap_or_default()
    }

    /// The reading of the current frame as it stands, or what it lacks.
    #[must_use]
    pub const fn outcome(&self) -> &Outcome {
        &self.outcome
    }

    /// What now, for the reading as it stands.
    #[must_use]
    pub const fn plan(&self) -> Option<&Plan> {
        self.plan.as_ref()
    }

    /// Readings of other frames and earlier exams of the same patient, for the distance line.
    #[must_use]
    pub fn others(&self) -> &[OtherReading] {
        &self.others
    }

    /// The guideline tables to choose from.
    #[must_use]
    pub fn tables(&self) -> &[Table] {
        &self.tables
    }

    /// The chosen guideline table; there is none until one is chosen.
    #[must_use]
    pub fn table(&self) -> Option<&Table> {
        let id = self.table_id_of(self.current.as_ref()?)?;
        self.tables.iter().find(|t| t.id() == id)
    }

    /// Id of the table in use for a frame: the reader's choice, else the one that its exam names for itself.
    fn table_id_of(&self, key: &FrameKey) -> Option<&str> {
        let named = || self.exams.iter().find(|e| e.place_of(key).is_some()).and_then(|e| e.names_table.as_deref());
        self.settings.guideline.as_deref().or_else(named)
    }

    /// The table that the reader chose, whether or not a frame is open.
    #[must_use]
    pub fn chosen_table(&self) -> Option<&Table> {
        let id = self.settings.guideline.as_deref()?;
        self.tables.iter().find(|t| t.id() == id)
    }

    /// The text in the field for the reader's name.
    #[must_use]
    pub fn typed_reader(&self) -> &str {
        &self.typed_reader
    }

    /// The reader's name; empty until given.
    #[must_use]
    pub fn reader(&self) -> &str {
        self.settings.reader.as_deref().unwrap_or_default()
    }

    /// Whether light colours are in use.
    #[must_use]
    pub const fn light(&self) -> bool {
        self.settings.light
    }

    /// The landmark that was taken up to be placed.
    #[must_use]
    pub const fn armed(&self) -> Option<Mark> {
        self.armed
    }

    /// The placed landmark that arrows move.
    #[must_use]
    pub const fn selected(&self) -> Option<Mark> {
        self.selected
    }

    /// Where the keyboard cross is, once arrows were used while a landmark is taken up.
    #[must_use]
    pub const fn cross(&self) -> Option<PxPoint> {
        self.cross
    }

    /// How the current frame is looked at.
    #[must_use]
    pub fn view(&self) -> View {
        self.current.as_ref().and_then(|k| self.views.get(&k.path)).copied().unwrap_or_default()
    }

    /// Files looked at and found so far, while looking.
    #[must_use]
    pub const fn opening(&self) -> Option<(usize, usize)> {
        self.opening
    }

    /// Messages for the reader, the newest last.
    #[must_use]
    pub fn messages(&self) -> &[String] {
        &self.messages
    }

    /// What stands in the path field.
    #[must_use]
    pub fn typed_path(&self) -> &str {
        &self.typed_path
    }

    /// The page that is shown.
    #[must_use]
    pub const fn page(&self) -> Page {
        self.page
    }

    /// Whether the keys are shown.
    #[must_use]
    pub const fn help(&self) -> bool {
        self.help
    }

    /// Whether what the program says of itself is shown.
    #[must_use]
    pub const fn about(&self) -> bool {
        self.about
    }

    /// Whether the list of exams and frames is shown.
    #[must_use]
    pub const fn list(&self) -> bool {
        self.list
    }

    /// Whether the sources of the finding are shown.
    #[must_use]
    pub const fn why(&self) -> bool {
        self.why
    }

    /// Whether the reader is being asked about unsaved work before the window closes.
    #[must_use]
    pub const fn closing(&self) -> bool {
        self.closing
    }

    /// What undo would take back, in words.
    #[must_use]
    pub fn undo_words(&self) -> Option<&str> {
        self.history.undo_words()
    }

    /// What redo would do again, in words.
    #[must_use]
    pub fn redo_words(&self) -> Option<&str> {
        self.history.redo_words()
    }

    fn open(&mut self, paths: Vec<PathBuf>) -> Vec<Effect> {
        if paths.is_empty() {
            return Vec::new();
        }
        self.opening = Some((0, 0));
        vec![Effect::Open(paths)]
    }

    fn open_typed(&mut self) -> Vec<Effect> {
        let text = self.typed_path.trim();
        if text.is_empty() {
            self.tell("Type the path of a file or folder first.");
            return Vec::new();
        }
        let path = PathBuf::from(text);
        self.open(vec![path])
    }
}

fn toggle(flag: &mut bool) -> Vec<Effect> {
    *flag = !*flag;
    Vec::new()
}
