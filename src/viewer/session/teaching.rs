//! A teaching set as it is made in the window: prepared from the exams that are open, looked at frame by frame, written.
//!
//! A frame is approved only while its own cleaned picture is shown, and the approval names the picture by its digest.

use std::path::PathBuf;
use std::sync::Arc;

use super::{Session, toggle};
use crate::frame::Frame;
use crate::interchange::teaching::{Blank, Decision, TeachingFrame, TeachingSet};
use crate::viewer::action::Effect;

/// What can happen to a teaching set.
#[derive(Clone, Debug)]
pub enum TeachingAction {
    /// Prepare a set from the exams that are open; with one in progress, ask first.
    Prepare,
    /// Prepare it although another is in progress.
    PrepareAnew,
    /// It is prepared; an error in words otherwise.
    Prepared(Result<Box<TeachingSet>, String>),
    /// A set that an earlier window left in progress.
    Left(Box<TeachingSet>),
    /// Go so many frames on or back.
    Step(i32),
    /// Go to the next frame that is not decided.
    NextOpen,
    /// The cleaned picture of a frame, in the state of the set of that number; an error in words otherwise.
    Picture(usize, u64, Result<Arc<Frame>, String>),
    /// The reader looked at the picture and found nothing in it that tells who was examined.
    Approve,
    /// Leave the frame out.
    LeaveOut,
    /// Leave out every frame of the same file that is not decided.
    LeaveOutFile,
    /// Blank a box of the picture.
    Blank(Blank),
    /// Take back the last box.
    TakeBackBlank,
    /// The field for the new folder was edited.
    TypeFolder(String),
    /// Write the set.
    Write,
    /// It was written, in words; an error in words otherwise.
    Written(Result<String, String>),
    /// Show or hide the question whether to forget the set.
    AskForget,
    /// Forget the set and the way back to the originals.
    Forget,
}

/// What a session asks of the world for a teaching set.
#[derive(Clone, Debug)]
pub enum TeachingEffect {
    /// Prepare a set from these files.
    Prepare(Vec<PathBuf>),
    /// Make the cleaned picture of a frame; the state of the set is of that number.
    Picture(Box<TeachingSet>, usize, u64),
    /// Keep the set as it is.
    Keep(Box<TeachingSet>),
    /// Forget what is kept.
    Forget,
    /// Write the set to a new folder.
    Write(Box<TeachingSet>, PathBuf),
}

/// The teaching set in the window.
#[derive(Clone, Debug, Default)]
pub struct Teaching {
    set: Option<TeachingSet>,
    place: usize,
    /// Goes up with every change of what a picture would show, so that none is taken for another: another set, another box.
    state: u64,
    picture: Option<(usize, u64, Arc<Frame>)>,
    picture_error: Option<String>,
    busy: Option<&'static str>,
    typed_folder: String,
    written: Option<String>,
    asks: bool,
}

impl Teaching {
    /// The set, once one is prepared.
    #[must_use]
    pub const fn set(&self) -> Option<&TeachingSet> {
        self.set.as_ref()
    }

    /// The frame that is shown, with its place counted from 0.
    #[must_use]
    pub fn frame(&self) -> Option<(usize, &TeachingFrame)> {
        Some((self.place, self.set.as_ref()?.frames().get(self.place)?))
    }

    /// Its cleaned picture as it would be written, once it is there.
    #[must_use]
    pub fn picture(&self) -> Option<&Arc<Frame>> {
        let (place, _) = self.frame()?;
        self.picture.as_ref().filter(|(i, state, _)| *i == place && *state == self.state).map(|(_, _, p)| p)
    }

    /// The number of the state that its picture is of.
    #[must_use]
    pub const fn state(&self) -> u64 {
        self.state
    }

    /// Why it cannot be shown.
    #[must_use]
    pub fn picture_error(&self) -> Option<&str> {
        self.picture_error.as_deref()
    }

    /// What is going on, in words.
    #[must_use]
    pub const fn busy(&self) -> Option<&'static str> {
        self.busy
    }

    /// How many frames are not decided, approved, left out.
    #[must_use]
    pub fn counts(&self) -> (usize, usize, usize) {
        let mut counts = (0, 0, 0);
        for frame in self.set.iter().flat_map(|s| s.frames()) {
            match frame.decision {
                Decision::Open => counts.0 += 1,
                Decision::Approved { .. } => counts.1 += 1,
                Decision::LeftOut => counts.2 += 1,
            }
        }
        counts
    }

    /// What stands in the field for the new folder.
    #[must_use]
    pub fn typed_folder(&self) -> &str {
        &self.typed_folder
    }

    /// What was written, in words.
    #[must_use]
    pub fn written(&self) -> Option<&str> {
        self.written.as_deref()
    }

    /// Whether the reader is being asked whether to forget the set.
    #[must_use]
    pub const fn asks(&self) -> bool {
        self.asks
    }

    fn ask_picture(&mut self) -> Vec<Effect> {
        self.picture_error = None;
        match (&self.set, self.picture()) {
            (Some(set), None) if self.frame().is_some() => {
                vec![Effect::Teaching(TeachingEffect::Picture(Box::new(set.clone()), self.place, self.state))]
            }
            _ => Vec::new(),
        }
    }

    fn go_to(&mut self, place: usize) -> Vec<Effect> {
        self.place = place;
        self.ask_picture()
    }

    fn next_open(&mut self) -> Vec<Effect> {
        let open = |f: &TeachingFrame| f.decision == Decision::Open;
        let Some(frames) = self.set.as_ref().map(TeachingSet::frames) else { return Vec::new() };
        let after = frames.iter().enumerate().skip(self.place + 1).find(|(_, f)| open(f));
        let next = after.or_else(|| frames.iter().enumerate().find(|(_, f)| open(f))).map(|(i, _)| i);
        next.map_or_else(Vec::new, |i| self.go_to(i))
    }

    /// The set has changed: it is kept, and the picture is asked for where it is another now.
    fn changed(&mut self) -> Vec<Effect> {
        self.written = None;
        let Some(set) = self.set.clone() else { return Vec::new() };
        let mut effects = vec![Effect::Teaching(TeachingEffect::Keep(Box::new(set)))];
        effects.extend(self.ask_picture());
        effects
    }
}

impl Session {
    /// The teaching set in the window.
    #[must_use]
    pub const fn teaching(&self) -> &Teaching {
        &self.teaching
    }

    pub(super) fn teach(&mut self, action: TeachingAction) -> Vec<Effect> {
        match action {
            TeachingAction::Prepare if self.teaching.set.is_some() => toggle(&mut self.teaching.asks),
            TeachingAction::Prepare | TeachingAction::PrepareAnew => self.prepare_teaching(),
            TeachingAction::Prepared(result) => self.teaching_prepared(result),
            TeachingAction::Left(set) => {
                if self.teaching.set.is_none() {
                    self.teaching.set = Some(*set);
                    self.teaching.state += 1;
                    return self.teaching.ask_picture();
                }
                Vec::new()
            }
            TeachingAction::Step(by) => {
                let count = self.teaching.set().map_or(0, |s| s.frames().len());
                let to = self.teaching.place.saturating_add_signed(by as isize).min(count.saturating_sub(1));
                self.teaching.go_to(to)
            }
            TeachingAction::NextOpen => self.teaching.next_open(),
            TeachingAction::Picture(place, state, result) => {
                // Answers come in their own time: one for a frame that is no longer shown must not take the place of the right one.
                let wanted = self.teaching.place == place && self.teaching.state == state;
                match result {
                    Ok(picture) if wanted => self.teaching.picture = Some((place, state, picture)),
                    Err(why) if wanted => self.teaching.picture_error = Some(why),
                    _ => {}
                }
                Vec::new()
            }
            TeachingAction::Approve => self.approve_teaching(),
            TeachingAction::LeaveOut => {
                let place = self.teaching.place;
                self.change_teaching(|set| set.leave_out(place), true)
            }
            TeachingAction::LeaveOutFile => self.leave_out_file(),
            TeachingAction::Blank(area) => {
                let place = self.teaching.place;
                self.teaching.state += 1;
                self.change_teaching(|set| set.blank(place, area), false)
            }
            TeachingAction::TakeBackBlank => {
                let place = self.teaching.place;
                self.teaching.state += 1;
                self.change_teaching(|set| set.take_back_blank(place), false)
            }
            TeachingAction::TypeFolder(text) => {
                self.teaching.typed_folder = text;
                Vec::new()
            }
            TeachingAction::Write => self.write_teaching(),
            TeachingAction::Written(result) => {
                self.teaching.busy = None;
                match result {
                    Ok(words) => self.teaching.written = Some(words),
                    Err(why) => self.tell(format!("The teaching set is not written: {why}")),
                }
                Vec::new()
            }
            TeachingAction::AskForget => toggle(&mut self.teaching.asks),
            TeachingAction::Forget => {
                self.teaching = Teaching { state: self.teaching.state + 1, ..Teaching::default() };
                vec![Effect::Teaching(TeachingEffect::Forget)]
            }
        }
    }

    fn prepare_teaching(&mut self) -> Vec<Effect> {
        let files: Vec<PathBuf> = self.exams.iter().flat_map(|e| e.files.iter().map(|f| f.path.clone())).collect();
        if files.is_empty() {
            self.tell("Open the exams first (F2, then F): a teaching set is made from what is open.");
            return Vec::new();
        }
        self.teaching.busy = Some("Listing the frames");
        vec![Effect::Teaching(TeachingEffect::Prepare(files))]
    }

    fn teaching_prepared(&mut self, result: Result<Box<TeachingSet>, String>) -> Vec<Effect> {
        self.teaching.busy = None;
        match result {
            Ok(set) => {
                self.teaching =
                    Teaching { set: Some(*set), typed_folder: std::mem::take(&mut self.teaching.typed_folder), ..Teaching::default() };
                self.teaching.changed()
            }
            Err(why) => {
                self.tell(format!("No teaching set is prepared: {why}"));
                Vec::new()
            }
        }
    }

    fn approve_teaching(&mut self) -> Vec<Effect> {
        if self.reader().trim().is_empty() {
            self.tell("An approval carries a name: name the reader first (F2, case sheet).");
            return Vec::new();
        }
        let (by, place) = (self.reader().trim().to_owned(), self.teaching.place);
        // Only what is on the screen can have been looked at.
        let Some(shown) = self.teaching.picture().cloned() else { return Vec::new() };
        self.change_teaching(|set| set.approve(place, &by, &shown), true)
    }

    fn leave_out_file(&mut self) -> Vec<Effect> {
        let Some((_, frame)) = self.teaching.frame() else { return Vec::new() };
        let source = frame.source.clone();
        let leave = |set: &mut TeachingSet| {
            let same = |f: &TeachingFrame| f.source == source && f.decision == Decision::Open;
            let all: Vec<usize> = set.frames().iter().enumerate().filter(|(_, f)| same(f)).map(|(i, _)| i).collect();
            all.into_iter().try_for_each(|i| set.leave_out(i))
        };
        self.change_teaching(leave, true)
    }

    fn change_teaching(&mut self, change: impl FnOnce(&mut TeachingSet) -> crate::error::Result<()>, go_on: bool) -> Vec<Effect> {
        let Some(set) = self.teaching.set.as_mut() else { return Vec::new() };
        if let Err(e) = change(set) {
            self.tell(e.message());
            return Vec::new();
        }
        let mut effects = self.teaching.changed();
        if go_on {
            effects.extend(self.teaching.next_open());
        }
        effects
    }

    fn write_teaching(&mut self) -> Vec<Effect> {
        let Some(set) = self.teaching.set.clone().filter(|_| self.teaching.busy.is_none()) else { return Vec::new() };
        let folder = self.teaching.typed_folder.trim();
        let why = match (self.teaching.counts(), folder.is_empty()) {
            ((0, 0, _), _) => Some("No frame is approved, so there is nothing to write.".to_owned()),
            ((0, ..), false) => None,
            ((0, ..), true) => Some("Type the path of a new folder for the teaching set first.".to_owned()),
            ((n, ..), _) => Some(format!("{n} frames are still to be looked at: approve each or leave it out.")),
        };
        if let Some(why) = why {
            self.tell(why);
            return Vec::new();
        }
        let to = PathBuf::from(folder);
        self.teaching.busy = Some("Writing the teaching set");
        self.teaching.written = None;
        vec![Effect::Teaching(TeachingEffect::Write(Box::new(set), to))]
    }
}
