//! The one table of keys: it drives what keys do and what the key help says.

use egui::{Key, Modifiers};

use super::action::{Action, ContextChange, Field, Mark};
use super::page::Page;
use super::session::{AgreementAction, DisplayAction, NoteAction, PlanAction, PracticeAction, ReportAction, ReviewAction, TeachingAction};
use crate::context::{Answer, Bladder, Bleeding, Contraction, Route};
use crate::exam::Item;
use crate::measure::Side;
use crate::practice::{LEVELS, Reason};
use crate::review::Wish;
use crate::units::PxVec;

/// What a key is for; the help groups keys by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// Landmarks.
    Landmarks,
    /// Further landmarks, the checklist and the edge assist.
    More,
    /// The stated side.
    Side,
    /// The commonest answers about the exam.
    Context,
    /// Moving by a step.
    Move,
    /// The reading as a whole.
    Reading,
    /// Going from frame to frame.
    Frames,
    /// Going through a cine.
    Cine,
    /// Looking at a frame.
    Look,
    /// The page of the teaching set.
    TeachingSet,
    /// The page of the report.
    Report,
    /// The page of the second reader.
    SecondReading,
    /// The page of the agreement study.
    Agreement,
    /// The page of practice.
    Practice,
    /// The window.
    Window,
}

impl Group {
    /// Every group in the order of the help.
    pub const ALL: [Self; 15] = [
        Self::Landmarks,
        Self::More,
        Self::Side,
        Self::Context,
        Self::Move,
        Self::Cine,
        Self::Reading,
        Self::Frames,
        Self::Look,
        Self::TeachingSet,
        Self::Report,
        Self::SecondReading,
        Self::Agreement,
        Self::Practice,
        Self::Window,
    ];

    /// Whether its keys do something on a page.
    #[must_use]
    pub fn belongs_to(self, page: Page) -> bool {
        match self {
            Self::Window => true,
            Self::TeachingSet => page == Page::TeachingSet,
            Self::Report => page == Page::Report,
            Self::SecondReading => page == Page::SecondReading,
            Self::Agreement => page == Page::Agreement,
            Self::Practice => page == Page::Practice,
            _ => page == Page::Reading,
        }
    }

    /// Its heading.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Landmarks => "Landmarks",
            Self::More => "More of the frame",
            Self::Side => "The side, as you state it",
            Self::Context => "The commonest answers",
            Self::Move => "Moving by steps",
            Self::Reading => "Reading",
            Self::Frames => "Exams and frames",
            Self::Cine => "Cine",
            Self::Look => "Looking",
            Self::TeachingSet => "Page: teaching set",
            Self::Report => "Page: report",
            Self::SecondReading => "Page: second reading",
            Self::Agreement => "Page: agreement study",
            Self::Practice => "Page: practice",
            Self::Window => "Window",
        }
    }
}

/// One key and what it does.
#[derive(Clone, Debug)]
pub struct Binding {
    /// The key.
    pub key: Key,
    /// Which of Ctrl (Cmd on a Mac), Shift and Alt go with it.
    pub with: Modifiers,
    /// The key as the help shows it; empty for a second way of saying the same.
    pub shown: &'static str,
    /// What it does, as the help says it.
    pub words: String,
    /// Where it stands in the help.
    pub group: Group,
    /// What it does.
    pub action: Action,
    /// Whether holding the key down repeats it.
    pub repeats: bool,
}

/// A plain step of the arrow keys, px.
const STEP: f64 = 1.0;
/// A fine step, px.
const FINE: f64 = 0.2;
/// A wide step, px.
const WIDE: f64 = 10.0;

/// The commonest keys in one line: the first that has room is shown, whole.
pub const IN_A_LINE: [&str; 4] = [
    "Keys:  O os   E edge   B body   ·   N not covering   R reaches   C covers   ·   arrows nudge   S save   Shift + S save and go on",
    "O os   E edge   B body   ·   N not covering   R reaches   C covers   ·   S save   Shift + S save, next",
    "O os   E edge   B body   ·   N, R, C side   ·   S save",
    "O, E, B   ·   N, R, C   ·   S",
];

/// The key of a mark, as shown.
#[must_use]
pub const fn letter(mark: Mark) -> &'static str {
    match mark {
        Mark::InternalOs => "O",
        Mark::PlacentalEdge => "E",
        Mark::PlacentalBody => "B",
        Mark::LastPlacenta => "L",
        Mark::EndOfWall => "W",
        Mark::MarginalSinus => "M",
        Mark::ExternalOs => "X",
        Mark::Canal(_) => "K",
        Mark::PlatesMeet => "A",
        Mark::BasalPlate => "Shift + B",
        Mark::ChorionicPlate => "Shift + C",
        Mark::Vessel => "H",
        Mark::Wall(_) => "G",
        Mark::OsEnd => "D",
        Mark::OsOtherEnd => "Shift + D",
    }
}

/// The key of a mark and what goes with it.
const fn key_of(mark: Mark) -> (Key, Modifiers) {
    match mark {
        Mark::InternalOs => (Key::O, Modifiers::NONE),
        Mark::PlacentalEdge => (Key::E, Modifiers::NONE),
        Mark::PlacentalBody => (Key::B, Modifiers::NONE),
        Mark::LastPlacenta => (Key::L, Modifiers::NONE),
        Mark::EndOfWall => (Key::W, Modifiers::NONE),
        Mark::MarginalSinus => (Key::M, Modifiers::NONE),
        Mark::ExternalOs => (Key::X, Modifiers::NONE),
        Mark::Canal(_) => (Key::K, Modifiers::NONE),
        Mark::PlatesMeet => (Key::A, Modifiers::NONE),
        Mark::BasalPlate => (Key::B, Modifiers::SHIFT),
        Mark::ChorionicPlate => (Key::C, Modifiers::SHIFT),
        Mark::Vessel => (Key::H, Modifiers::NONE),
        Mark::Wall(_) => (Key::G, Modifiers::NONE),
        Mark::OsEnd => (Key::D, Modifiers::NONE),
        Mark::OsOtherEnd => (Key::D, Modifiers::SHIFT),
    }
}

/// The key of a side, as shown.
#[must_use]
pub const fn side_letter(side: Side) -> &'static str {
    match side {
        Side::NotCovering => "N",
        Side::Reaches => "R",
        Side::Covers => "C",
    }
}

/// Every key.
#[must_use]
pub fn bindings() -> Vec<Binding> {
    let mut all = Vec::new();
    let mut put = |key, with, shown, words: String, group, action, repeats| {
        all.push(Binding { key, with, shown, words, group, action, repeats });
    };
    let none = Modifiers::NONE;
    for (mark, group) in Mark::ALL.map(|m| (m, Group::Landmarks)).into_iter().chain(Mark::MORE.map(|m| (m, Group::More))) {
        let (key, with) = key_of(mark);
        put(key, with, letter(mark), format!("{}: {}", mark.words(), mark.hint()), group, Action::Arm(mark), false);
    }
    let shift = Modifiers::SHIFT;
    for (key, with, shown, words, what) in [
        (Key::H, shift, "Shift + H", "vessel: fetal rate on pulsed Doppler, yes, no, not stated", NoteAction::FetalRate),
        (Key::L, shift, "Shift + L", "vessel: loop of cord excluded, yes, no, not stated", NoteAction::CordLoopExcluded),
        (Key::Z, none, "Z", "edge assist: offer a refined place of the chosen landmark; Enter accepts, Esc declines", NoteAction::Refine),
        (Key::Q, none, "Q", "the frame is adequate: all of its checklist that was not answered holds", NoteAction::AttestAll),
        (Key::Q, shift, "Shift + Q", "what of the checklist fails: then the letters, Esc when done", NoteAction::NameExceptions),
        (Key::O, shift, "Shift + O", "anterior is on the left of the picture, on the right, not stated", NoteAction::Anterior),
        (Key::N, shift, "Shift + N", "the frame is of the next set, a rescan after 20 to 60 minutes", NoteAction::NextSet),
    ] {
        put(key, with, shown, words.into(), Group::More, Action::Note(what), false);
    }
    put(Key::Enter, none, "Enter", "place the landmark at the cross".into(), Group::Landmarks, Action::PlaceAtCross, false);
    put(Key::Delete, none, "Delete", "remove the chosen landmark".into(), Group::Landmarks, Action::RemoveSelected, false);
    put(Key::Backspace, none, "", String::new(), Group::Landmarks, Action::RemoveSelected, false);
    for (key, side) in [(Key::N, Side::NotCovering), (Key::R, Side::Reaches), (Key::C, Side::Covers)] {
        let words = match side {
            Side::NotCovering => "not covering",
            Side::Reaches => "reaches or partly covers the os",
            Side::Covers => "covers",
        };
        put(key, none, side_letter(side), words.into(), Group::Side, Action::StateSide(side), false);
    }
    for (key, with, shown, words, change) in [
        (Key::V, none, "V", "transvaginal route", ContextChange::Route(Route::Transvaginal)),
        (Key::U, none, "U", "bladder empty", ContextChange::Bladder(Bladder::Empty)),
        (Key::I, none, "I", "no contraction in the frame", ContextChange::Contraction(Contraction::Absent)),
        (Key::V, shift, "Shift + V", "no vaginal bleeding", ContextChange::Bleeding(Bleeding::None)),
        (Key::T, shift, "Shift + T", "no pain or contractions felt", ContextChange::Pain(Answer::No)),
    ] {
        put(key, with, shown, words.into(), Group::Context, Action::Context(change), false);
    }
    put(
        Key::E,
        shift,
        "Shift + E",
        "to the due date or last period; Enter when it is typed".into(),
        Group::Context,
        Action::GoToField(Field::Dating),
        false,
    );
    put(
        Key::U,
        Modifiers::SHIFT,
        "Shift + U",
        "more questions about the exam".into(),
        Group::Context,
        Action::Plan(PlanAction::ToggleMore),
        false,
    );
    for (with, size, shown, words) in [
        (none, STEP, "arrows", "1 pixel"),
        (Modifiers::SHIFT, FINE, "Shift + arrows", "a fifth of a pixel"),
        (Modifiers::ALT, WIDE, "Alt + arrows", "10 pixels"),
    ] {
        let ways = [(Key::ArrowLeft, -1.0, 0.0), (Key::ArrowRight, 1.0, 0.0), (Key::ArrowUp, 0.0, -1.0), (Key::ArrowDown, 0.0, 1.0)];
        for (i, (key, x, y)) in ways.into_iter().enumerate() {
            let first = i == 0;
            let step = Action::Nudge(PxVec { x: x * size, y: y * size });
            put(key, with, if first { shown } else { "" }, if first { words.into() } else { String::new() }, Group::Move, step, true);
        }
    }
    let ctrl = Modifiers::COMMAND;
    let ctrl_shift = Modifiers::COMMAND | Modifiers::SHIFT;
    put(Key::S, none, "S", "save the reading (Ctrl + S too)".into(), Group::Reading, Action::Save, false);
    put(Key::S, ctrl, "", String::new(), Group::Reading, Action::Save, false);
    put(Key::S, shift, "Shift + S", "save, and go to the next frame or exam".into(), Group::Reading, Action::SaveAndGoOn, false);
    put(Key::Z, ctrl, "Ctrl + Z", "undo".into(), Group::Reading, Action::Undo, true);
    put(Key::Z, ctrl_shift, "Ctrl + Shift + Z", "redo (Ctrl + Y too)".into(), Group::Reading, Action::Redo, true);
    put(Key::Y, ctrl, "", String::new(), Group::Reading, Action::Redo, true);
    put(Key::D, ctrl, "Ctrl + D", "take up the unfinished reading that is offered".into(), Group::Reading, Action::TakeUpDraft, false);
    put(Key::Y, none, "Y", "why this finding".into(), Group::Reading, Action::ToggleWhy, false);
    put(Key::PageDown, none, "Page Down", "next frame".into(), Group::Frames, Action::StepFrame(1), true);
    put(Key::PageUp, none, "Page Up", "frame before".into(), Group::Frames, Action::StepFrame(-1), true);
    put(Key::PageDown, ctrl, "Ctrl + Page Down", "next exam".into(), Group::Frames, Action::StepExam(1), false);
    put(Key::PageUp, ctrl, "Ctrl + Page Up", "exam before".into(), Group::Frames, Action::StepExam(-1), false);
    put(Key::F, none, "F", "list of exams and frames".into(), Group::Frames, Action::ToggleList, false);
    put(Key::O, ctrl, "Ctrl + O", "open files".into(), Group::Frames, Action::PickFiles, false);
    put(Key::O, ctrl_shift, "Ctrl + Shift + O", "open a folder".into(), Group::Frames, Action::PickFolder, false);
    put(Key::P, none, "P", "play or pause (space bar too)".into(), Group::Cine, Action::TogglePlay, false);
    put(Key::Space, none, "", String::new(), Group::Cine, Action::TogglePlay, false);
    put(Key::P, shift, "Shift + P", "round and round, or once".into(), Group::Cine, Action::ToggleOnce, false);
    put(Key::Period, none, ". and ,", "one frame on or back".into(), Group::Cine, Action::StepCine(1), true);
    put(Key::Comma, none, "", String::new(), Group::Cine, Action::StepCine(-1), true);
    put(Key::PageDown, shift, "Shift + Page Down", "ten frames on".into(), Group::Cine, Action::StepCine(10), true);
    put(Key::PageUp, shift, "Shift + Page Up", "ten frames back".into(), Group::Cine, Action::StepCine(-10), true);
    put(Key::Home, none, "Home and End", "first or last frame".into(), Group::Cine, Action::Scrub(1), false);
    put(Key::End, none, "", String::new(), Group::Cine, Action::Scrub(u32::MAX), false);
    put(Key::J, none, "J", "next frame with a reading or landmarks".into(), Group::Cine, Action::StepMarked(true), false);
    put(Key::J, shift, "Shift + J", "the one before".into(), Group::Cine, Action::StepMarked(false), false);
    put(Key::Plus, none, "+", "larger (wheel too)".into(), Group::Look, Action::Zoom(1.25), true);
    put(Key::Equals, none, "", String::new(), Group::Look, Action::Zoom(1.25), true);
    put(Key::Minus, none, "−", "smaller".into(), Group::Look, Action::Zoom(0.8), true);
    put(Key::Num0, none, "0", "the whole frame".into(), Group::Look, Action::Fit, false);
    put(Key::Num1, none, "1", "one pixel of the screen a pixel".into(), Group::Look, Action::OneToOne, false);
    for (key, with, shown, words, what, repeats) in [
        (Key::Num2, none, "2", "a frame beside, at the same scale", DisplayAction::Beside, false),
        (Key::Num3, none, "3", "another frame beside: the next of the list there", DisplayAction::NextBeside, false),
        (Key::Num4, none, "4 and 5", "gamma: the dark darker or brighter", DisplayAction::Gamma(-1), true),
        (Key::Num5, none, "", "", DisplayAction::Gamma(1), true),
        (Key::Num6, none, "6 and 7", "level: all darker or brighter", DisplayAction::Level(1), true),
        (Key::Num7, none, "", "", DisplayAction::Level(-1), true),
        (Key::Num8, none, "8 and 9", "contrast: softer or harder", DisplayAction::Window(-1), true),
        (Key::Num9, none, "", "", DisplayAction::Window(1), true),
        (Key::I, shift, "Shift + I", "dark and bright change places", DisplayAction::Invert, false),
        (Key::M, shift, "Shift + M", "single pixels, or smoothed", DisplayAction::SinglePixels, false),
        (Key::G, shift, "Shift + G", "millimetre grid", DisplayAction::Grid, false),
        (Key::A, shift, "Shift + A", "marks of all saved readings of the frame", DisplayAction::AllReadings, false),
        (Key::R, shift, "Shift + R", "as stored, nothing over or beside it", DisplayAction::Reset, false),
    ] {
        put(key, with, shown, words.into(), Group::Look, Action::Display(what), repeats);
    }
    for (key, shown, words, what, repeats) in [
        (Key::P, "P", "prepare a set from what is open", TeachingAction::Prepare, false),
        (Key::A, "A", "approve the frame as it is shown", TeachingAction::Approve, false),
        (Key::X, "X", "leave the frame out", TeachingAction::LeaveOut, false),
        (Key::W, "W", "write the set", TeachingAction::Write, false),
        (Key::Backspace, "Backspace", "take back the last box", TeachingAction::TakeBackBlank, false),
        (Key::PageDown, "Page Down", "frame after", TeachingAction::Step(1), true),
        (Key::PageUp, "Page Up", "frame before", TeachingAction::Step(-1), true),
        (Key::J, "J", "next frame that is not decided", TeachingAction::NextOpen, false),
    ] {
        put(key, none, shown, words.into(), Group::TeachingSet, Action::Teaching(what), repeats);
    }
    for (key, shown, words, what) in [
        (Key::R, "R", "the next form: report or patient's page, PDF, HTML, text, paragraph", ReportAction::NextForm),
        (Key::P, "P", "the other paper, A4 or Letter", ReportAction::TurnPaper),
        (Key::I, "I", "name, number and date of birth, or not", ReportAction::ToggleIdentity),
        (Key::D, "D", "marked as a draft, or not", ReportAction::ToggleDraft),
        (Key::U, "U", "other tables, windows of birth and groups of women too, or not", ReportAction::ToggleFull),
        (Key::L, "L", "language of the patient's page", ReportAction::NextLanguage),
        (Key::V, "V", "pages as they print, or words", ReportAction::TogglePages),
        (Key::W, "W", "write it to the file", ReportAction::Write),
    ] {
        put(key, none, shown, words.into(), Group::Report, Action::Report(what), false);
    }
    put(
        Key::Insert,
        none,
        "Insert",
        "copy the paragraph for the record system, of this exam's saved readings".into(),
        Group::Window,
        Action::Report(ReportAction::Copy),
        false,
    );
    for (key, with, shown, words, what, repeats) in [
        (Key::ArrowRight, none, "arrows", "from point to point, by means", AgreementAction::Step(1), true),
        (Key::ArrowLeft, none, "", "", AgreementAction::Step(-1), true),
        (Key::Enter, none, "Enter", "go to the exam of the chosen point", AgreementAction::OpenExam, false),
        (Key::Plus, none, "+", "nearer (wheel too)", AgreementAction::Zoom(1.25), true),
        (Key::Equals, none, "", "", AgreementAction::Zoom(1.25), true),
        (Key::Minus, none, "−", "farther", AgreementAction::Zoom(0.8), true),
        (Key::Num0, none, "0", "the whole plot", AgreementAction::Whole, false),
        (Key::ArrowRight, shift, "Shift + arrows", "move the plot (drag too)", AgreementAction::Move(1.0, 0.0), true),
        (Key::ArrowLeft, shift, "", "", AgreementAction::Move(-1.0, 0.0), true),
        (Key::ArrowUp, shift, "", "", AgreementAction::Move(0.0, 1.0), true),
        (Key::ArrowDown, shift, "", "", AgreementAction::Move(0.0, -1.0), true),
    ] {
        put(key, with, shown, words.into(), Group::Agreement, Action::Agreement(what), repeats);
    }
    for (key, with, shown, words, what) in [
        (Key::Enter, none, "Enter", "read the first exam that waits", ReviewAction::ReadFirst),
        (Key::PageDown, none, "Page Down", "exam after", ReviewAction::StepExam(1)),
        (Key::PageUp, none, "Page Up", "exam before", ReviewAction::StepExam(-1)),
        (Key::L, none, "L", "landmarks from near, or the whole frame", ReviewAction::Near),
        (Key::A, none, "A", "agree: the first stands", ReviewAction::Take(Wish::Agree)),
        (Key::R, none, "R", "write the reason (Enter when done)", ReviewAction::WriteReason),
        (Key::Num1, none, "1 and 2", "settled together: the first or the second stands", ReviewAction::SettleOn(0)),
        (Key::Num2, none, "", "", ReviewAction::SettleOn(1)),
        (Key::Enter, ctrl, "Ctrl + Enter", "sign what stands", ReviewAction::Take(Wish::Sign)),
    ] {
        put(key, with, shown, words.into(), Group::SecondReading, Action::Review(what), false);
    }
    let levels = [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5, Key::Num6];
    for (i, (key, level)) in levels.into_iter().zip(LEVELS).enumerate() {
        let (shown, words) = if i == 0 { ("1 to 6", "choose the level of the course".to_owned()) } else { ("", String::new()) };
        put(key, none, shown, words, Group::Practice, PracticeAction::ChooseLevel(level).into(), false);
    }
    for (key, with, shown, words, what) in [
        (Key::PageDown, none, "Page Down", "the next case; it is read by the usual keys, and S submits", PracticeAction::Next),
        (
            Key::X,
            shift,
            "Shift + X",
            "the frame is not to be read: then 1 to 5 for the reason, Esc when it is",
            PracticeAction::ToggleReasons,
        ),
    ] {
        put(key, with, shown, words.into(), Group::Practice, what.into(), false);
    }
    let pages = [
        (Key::F2, Page::Reading),
        (Key::F3, Page::TeachingSet),
        (Key::F4, Page::Answer),
        (Key::F5, Page::Due),
        (Key::F6, Page::SecondReading),
        (Key::F7, Page::Tables),
        (Key::F8, Page::ScaleChecks),
        (Key::F9, Page::Archive),
        (Key::F10, Page::Practice),
        (Key::F11, Page::Report),
        (Key::F12, Page::Agreement),
    ];
    for (key, page) in pages {
        put(key, none, page.key(), format!("page: {}", page.words()), Group::Window, Action::ShowPage(page), false);
    }
    put(Key::T, none, "T", "light or dark".into(), Group::Window, Action::ToggleTheme, false);
    put(Key::Questionmark, none, "?", "these keys (F1 too)".into(), Group::Window, Action::ToggleHelp, false);
    put(Key::F1, none, "", String::new(), Group::Window, Action::ToggleHelp, false);
    put(Key::F1, shift, "Shift + F1", "about the program: cautions, version, licences".into(), Group::Window, Action::ToggleAbout, false);
    put(Key::Escape, none, "Esc", "put down, close, or take a message away".into(), Group::Window, Action::Escape, false);
    all
}

/// What the library of the window does by itself, for the help.
pub const BY_ITSELF: [(&str, &str); 4] = [
    ("Tab", "from landmark to landmark, and on to the case sheet"),
    ("Ctrl + plus or minus", "larger or smaller letters"),
    ("right drag", "move the frame"),
    ("Page Down, Page Up", "on the page of the report: up and down its pages"),
];

/// The exception of the checklist that a key names while exceptions are named.
#[must_use]
pub fn exception_for(key: Key, with: Modifiers) -> Option<Action> {
    let mut letters = key.name().chars();
    let letter = letters.next().filter(|_| letters.next().is_none() && with == Modifiers::NONE)?;
    Some(Action::Note(NoteAction::Exception(Item::of_letter(letter)?)))
}

/// The reason for not reading a practice frame that a key names while reasons are shown.
#[must_use]
pub fn reason_for(key: Key, with: Modifiers) -> Option<Action> {
    let keys = [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5];
    let place = keys.iter().position(|k| *k == key && with == Modifiers::NONE)?;
    Reason::ALL.get(place).map(|r| PracticeAction::Reject(*r).into())
}

/// The action of one key press on a page, if it has one there.
#[must_use]
pub fn action_for(all: &[Binding], page: Page, key: Key, with: Modifiers, repeat: bool) -> Option<Action> {
    // "?" and "+" are typed with Shift on most keyboards; there Shift is part of the key.
    let shift_is_part = matches!(key, Key::Questionmark | Key::Plus);
    let with = if shift_is_part { Modifiers { shift: false, ..with } } else { with };
    let same = |b: &Binding| {
        b.group.belongs_to(page)
            && b.key == key
            && b.with.shift == with.shift
            && b.with.alt == with.alt
            && b.with.command == (with.command || with.ctrl)
    };
    all.iter().find(|b| same(b)).filter(|b| b.repeats || !repeat).map(|b| b.action.clone())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;

    #[test]
    fn no_key_does_two_things() {
        let all = bindings();
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                let together = Page::ALL.into_iter().any(|p| a.group.belongs_to(p) && b.group.belongs_to(p));
                let same = together && a.key == b.key && a.with == b.with;
                assert!(!same, "{:?} with {:?}", a.key, a.with);
            }
        }
    }

    #[test]
    fn every_key_is_in_the_help_or_repeats_one_that_is() {
        for b in bindings() {
            assert_eq!(b.shown.is_empty(), b.words.is_empty(), "{:?}", b.key);
            if b.shown.is_empty() {
                let said = bindings().iter().any(|o| !o.shown.is_empty() && o.group == b.group);
                assert!(said, "{:?}", b.key);
            }
        }
    }

    #[test]
    fn every_page_has_the_key_that_it_names() {
        let all = bindings();
        for page in Page::ALL {
            let leads = |b: &Binding| matches!(b.action, Action::ShowPage(p) if p == page) && b.shown == page.key();
            assert!(all.iter().any(leads), "{page:?}");
        }
    }

    #[test]
    fn keys_find_their_actions() {
        let all = bindings();
        let find = |key, with| action_for(&all, Page::Reading, key, with, false);
        assert!(matches!(find(Key::O, Modifiers::NONE), Some(Action::Arm(Mark::InternalOs))));
        assert!(matches!(find(Key::O, Modifiers::CTRL), Some(Action::PickFiles)));
        assert!(matches!(find(Key::Questionmark, Modifiers::SHIFT), Some(Action::ToggleHelp)));
        assert!(matches!(find(Key::Z, Modifiers::CTRL | Modifiers::SHIFT), Some(Action::Redo)));
        let Some(Action::Nudge(step)) = find(Key::ArrowUp, Modifiers::SHIFT) else { panic!("no nudge") };
        assert!((step.y + 0.2).abs() < 1e-12 && step.x.abs() < 1e-12);
        assert!(find(Key::O, Modifiers::ALT).is_none());
        assert!(action_for(&all, Page::Reading, Key::C, Modifiers::NONE, true).is_none());
        assert!(action_for(&all, Page::TeachingSet, Key::S, Modifiers::NONE, false).is_none(), "nothing is saved out of sight");
    }
}
