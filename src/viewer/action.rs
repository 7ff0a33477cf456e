//! What can happen to a session, and what a session asks of the world. Nothing here draws or touches a file.

use std::path::PathBuf;
use std::sync::Arc;

use super::page::Page;
use super::screen_map::View;
use super::session::{
    AgreementAction, AgreementEffect, ArchiveAction, ArchiveEffect, DisplayAction, ExamState, FrameKey, MoreChange, NoteAction, PlanAction,
    PlanEffect, PracticeAction, PracticeEffect, ReportAction, ReportEffect, ReviewAction, ReviewEffect, SaveJob, ScaleAction, ScaleEffect,
    TeachingAction, TeachingEffect,
};
use crate::agree::own::InUse;
use crate::context::{Answer, Bladder, Bleeding, Contraction, DopplerOverOs, PlacentalPosition, Route};
use crate::files::Settings;
use crate::frame::Frame;
use crate::measure::Side;
use crate::record::{Draft, Stored};
use crate::units::{PxPoint, PxVec};

/// What can be marked on a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Mark {
    /// Centre of the internal os.
    InternalOs,
    /// Leading placental edge.
    PlacentalEdge,
    /// A point on the placental body near its edge.
    PlacentalBody,
    /// Last placenta seen beyond a covered os.
    LastPlacenta,
    /// End of the wall in view, without placenta.
    EndOfWall,
    /// Edge of a marginal sinus.
    MarginalSinus,
    /// External os.
    ExternalOs,
    /// A point of the trace along the cervical canal, from the external os on; from 0, [`Mark::NEXT`] for one more.
    Canal(usize),
    /// Where basal and chorionic plate meet.
    PlatesMeet,
    /// On the basal plate.
    BasalPlate,
    /// On the chorionic plate.
    ChorionicPlate,
    /// Nearest wall of a vessel outside the placenta.
    Vessel,
    /// A point of the trace along the wall, from the os on; from 0, [`Mark::NEXT`] for one more.
    Wall(usize),
    /// One end of the os.
    OsEnd,
    /// The other end of the os.
    OsOtherEnd,
}

impl Mark {
    /// Every mark, in the order in which they are listed and stepped through.
    pub const ALL: [Self; 6] =
        [Self::InternalOs, Self::PlacentalEdge, Self::PlacentalBody, Self::LastPlacenta, Self::EndOfWall, Self::MarginalSinus];

    /// One more point of a trace.
    pub const NEXT: usize = usize::MAX;

    /// The further marks, by the length that they belong to.
    pub const MORE: [Self; 9] = [
        Self::OsEnd,
        Self::OsOtherEnd,
        Self::Wall(Self::NEXT),
        Self::ExternalOs,
        Self::Canal(Self::NEXT),
        Self::PlatesMeet,
        Self::BasalPlate,
        Self::ChorionicPlate,
        Self::Vessel,
    ];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::InternalOs => "internal os",
            Self::PlacentalEdge => "placental edge",
            Self::PlacentalBody => "placental body",
            Self::LastPlacenta => "last placenta seen",
            Self::EndOfWall => "end of the wall in view",
            Self::MarginalSinus => "marginal sinus",
            Self::ExternalOs => "external os",
            Self::Canal(_) => "canal trace",
            Self::PlatesMeet => "meeting of the plates",
            Self::BasalPlate => "basal plate",
            Self::ChorionicPlate => "chorionic plate",
            Self::Vessel => "vessel",
            Self::Wall(_) => "wall trace",
            Self::OsEnd => "end of the os",
            Self::OsOtherEnd => "other end of the os",
        }
    }

    /// When to use it, in a few words.
    #[must_use]
    pub const fn hint(self) -> &'static str {
        match self {
            Self::InternalOs => "centre of the internal os",
            Self::PlacentalEdge => "the nearest edge of any lobe",
            Self::PlacentalBody => "any point on the placenta near its edge; it checks the side",
            Self::LastPlacenta => "os covered, edge out of view: the last placenta seen",
            Self::EndOfWall => "no placenta in view: the end of the wall that is seen",
            Self::MarginalSinus => "edge of a marginal sinus; marked apart, never decides",
            Self::ExternalOs => "with the internal os it gives the cervical length",
            Self::Canal(_) => "points on the canal from the external os on, Esc when done",
            Self::PlatesMeet => "where basal and chorionic plate meet, for the edge's thickness and angle",
            Self::BasalPlate => "on the basal plate, within 10 mm of there",
            Self::ChorionicPlate => "on the chorionic plate opposite",
            Self::Vessel => "nearest wall of a vessel outside the placenta",
            Self::Wall(_) => "points along the wall from the os on, Esc when done; the straight line decides",
            Self::OsEnd => "one end of the os, for its width",
            Self::OsOtherEnd => "the end opposite, for its width",
        }
    }
}

/// One thing that a reader says about the exam.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ContextChange {
    /// The exam date, as typed.
    ExamDate(String),
    /// Whether the dating date is a last period; otherwise a due date.
    DatingIsLastPeriod(bool),
    /// The due date or last period, as typed.
    DatingDate(String),
    /// Scan route.
    Route(Route),
    /// Bladder.
    Bladder(Bladder),
    /// Contraction in the frame.
    Contraction(Contraction),
    /// Bleeding.
    Bleeding(Bleeding),
    /// Pain or contractions that she feels.
    Pain(Answer),
    /// Where the bulk of the placenta lies.
    Position(PlacentalPosition),
    /// Number of previous caesareans, as typed.
    Caesareans(String),
    /// Other surgery on the uterus.
    OtherSurgery(Answer),
    /// Doppler over the os.
    Doppler(DopplerOverOs),
    /// Low-lying placenta or previa earlier in this pregnancy.
    EarlierLow(Answer),
    /// An answer to a less common question.
    More(MoreChange),
}

/// A field of the case sheet that a key goes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Field {
    /// The due date or last period.
    Dating,
    /// The reader's name.
    Reader,
}

/// What files were found to hold.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// The exams.
    pub exams: Vec<ExamState>,
    /// File name and reason of each file that holds no frame.
    pub not_frames: Vec<(String, String)>,
    /// Whether the reader stopped it before its end.
    pub stopped: bool,
}

/// Everything that can happen to a session: [`Session::apply`](super::session::Session::apply) is the only way to change
/// one.
#[derive(Clone, Debug)]
pub enum Action {
    /// Look through these files and folders.
    Open(Vec<PathBuf>),
    /// Look through the path in the path field.
    OpenTyped,
    /// The path field was edited.
    TypePath(String),
    /// Ask for files by the platform's dialog.
    PickFiles,
    /// Ask for a folder by the platform's dialog.
    PickFolder,
    /// Stop looking.
    StopOpening,
    /// How far looking has come: files looked at, files found.
    OpenProgress(usize, usize),
    /// What was found; an error in words otherwise.
    Opened(Result<Found, String>),
    /// A frame was decoded; an error in words otherwise.
    Decoded(FrameKey, Result<Arc<Frame>, String>),
    /// Records of the patients whose exams are opened, by when they were saved, and what is wrong with others.
    Records(Vec<Stored>, Vec<String>),
    /// The repeatability for new readings, from every saved reading of the folder.
    Repeatability(Box<InUse>),
    /// Unfinished readings that earlier windows left, and what is wrong with others.
    Drafts(Vec<Draft>, Vec<String>),
    /// Take up the unfinished reading that is offered for the frame.
    TakeUpDraft,
    /// Let it go.
    LetDraftGo,
    /// Go to a frame.
    GoTo(FrameKey),
    /// Go so many frames on or back within the exam.
    StepFrame(i32),
    /// Go so many exams on or back.
    StepExam(i32),
    /// Go to a frame of the current cine, from 1; past its ends, to the end.
    Scrub(u32),
    /// Go so many frames on or back within the current cine; past its ends, to the end.
    StepCine(i32),
    /// Go to the next frame of the cine (with `false`, the one before) that has a reading or landmarks.
    StepMarked(bool),
    /// Play the cine, or pause it.
    TogglePlay,
    /// Play the cine round and round, or stop at its last frame.
    ToggleOnce,
    /// The clock while playing, s; its zero may lie anywhere.
    Tick(f64),
    /// Take up a landmark to place it.
    Arm(Mark),
    /// Put down what was taken up.
    PutDown,
    /// Place the landmark that was taken up.
    Place(PxPoint),
    /// Move a landmark to a place; calls while it is held are one step for undo.
    Drag(Mark, PxPoint),
    /// The landmark that was moved is let go.
    LetGo,
    /// Choose a placed landmark for nudging.
    Select(Mark),
    /// Move the chosen landmark, or the keyboard cross while one is taken up, by a step.
    Nudge(PxVec),
    /// Place the landmark that was taken up at the keyboard cross.
    PlaceAtCross,
    /// Remove a landmark.
    Remove(Mark),
    /// Remove the chosen landmark.
    RemoveSelected,
    /// State the side.
    StateSide(Side),
    /// Say something of the frame besides, or ask for a refined place.
    Note(NoteAction),
    /// Say something about the exam.
    Context(ContextChange),
    /// Accept Pixel Spacing alone for this frame, or withdraw that.
    Consent(bool),
    /// Choose a guideline table by its id.
    ChooseTable(String),
    /// The field for the reader's name was edited.
    TypeReader(String),
    /// The name in the field is the reader's.
    NameReader,
    /// Take back the last change.
    Undo,
    /// Do it again.
    Redo,
    /// Save the reading of this frame.
    Save,
    /// Save the reading of this frame, then go to the next frame or exam.
    SaveAndGoOn,
    /// A save ended: the saved record, or an error in words.
    Saved(Box<SaveJob>, Result<Box<Stored>, String>),
    /// Look at the frame in another way.
    Look(View),
    /// Show the frame so many times larger about the middle of the view.
    Zoom(f64),
    /// Show the whole frame.
    Fit,
    /// One pixel of the screen for a pixel of the frame.
    OneToOne,
    /// Something about the way frames are shown.
    Display(DisplayAction),
    /// Go to a field of the case sheet.
    GoToField(Field),
    /// Show or hide the keys.
    ToggleHelp,
    /// Show or hide what the program says of itself.
    ToggleAbout,
    /// Show or hide the list of exams and frames.
    ToggleList,
    /// Show or hide why the finding is what it is.
    ToggleWhy,
    /// Go to another page.
    ShowPage(Page),
    /// Something about the teaching set.
    Teaching(TeachingAction),
    /// Something on the page of the second reader.
    Review(ReviewAction),
    /// Something on the page of the agreement study.
    Agreement(AgreementAction),
    /// Something on the page of practice.
    Practice(PracticeAction),
    /// Something about what the distance means beyond the case sheet.
    Plan(PlanAction),
    /// Something about the report of the exam.
    Report(ReportAction),
    /// Something about scales: a check on a phantom, a scale set by hand, a decision.
    Scale(ScaleAction),
    /// Something on the page of the archive.
    Archive(ArchiveAction),
    /// Light or dark colours.
    ToggleTheme,
    /// Something to tell the reader: what happened and what to do.
    Tell(String),
    /// Take away the newest message.
    DismissMessage,
    /// Escape: the topmost of help, message, taken-up landmark.
    Escape,
    /// The window is asked to close.
    RequestClose,
    /// Close it although work is not saved.
    CloseAnyway,
    /// Stay.
    StayOpen,
}

/// What a session asks of the world; the answers come back as actions.
#[derive(Clone, Debug)]
pub enum Effect {
    /// Look through files and folders; answered by [`Action::OpenProgress`] and [`Action::Opened`].
    Open(Vec<PathBuf>),
    /// Stop looking through files.
    StopOpening,
    /// Ask for files; answered by [`Action::Open`].
    PickFiles,
    /// Ask for a folder; answered by [`Action::Open`].
    PickFolder,
    /// Decode a frame before all others; answered by [`Action::Decoded`].
    Decode(FrameKey),
    /// Decode these frames after that, in this order; what was to be decoded before and is not begun is dropped. Answered
    /// by [`Action::Decoded`] for each.
    DecodeAhead(Vec<FrameKey>),
    /// Save a reading; answered by [`Action::Saved`].
    Save(Box<SaveJob>),
    /// Keep an unfinished reading.
    KeepDraft(Box<Draft>),
    /// Forget an unfinished reading.
    DiscardDraft(Box<Draft>),
    /// Read the records of these patients, by their keys; answered by [`Action::Records`].
    ReadRecords(Vec<Option<String>>),
    /// Something for the page of practice; answered by [`Action::Practice`].
    Practice(PracticeEffect),
    /// Something for the page of the second reader; answered by [`Action::Review`].
    Review(ReviewEffect),
    /// Something for the page of the agreement study; answered by [`Action::Agreement`].
    Agreement(AgreementEffect),
    /// Something for the teaching set; answered by [`Action::Teaching`].
    Teaching(TeachingEffect),
    /// Something for the pages of the plan; answered by [`Action::Plan`].
    Plan(PlanEffect),
    /// Something for the page of the report; answered by [`Action::Report`].
    Report(ReportEffect),
    /// Put a text on the clipboard.
    Copy(String),
    /// Something for scales; answered by [`Action::Scale`].
    Scale(ScaleEffect),
    /// Something for the page of the archive; answered by [`Action::Archive`].
    Archive(ArchiveEffect),
    /// Give the keyboard to a field.
    Focus(Field),
    /// Remember the settings.
    KeepSettings(Settings),
    /// Close the window.
    Close,
}
