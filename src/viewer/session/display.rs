//! How frames are shown: grey scale, enlarging, a millimetre grid, the marks of all saved readings, a second frame beside.
//!
//! Nothing here is part of a reading. What is changed is said under the frame until it is put back.

use std::sync::Arc;

use super::{FrameKey, Session};
use crate::calibrate::{Calibration, judge};
use crate::frame::Frame;
use crate::record::{Onlooker, Role, unseen};
use crate::units::PxPoint;
use crate::viewer::action::{Effect, Mark};
use crate::viewer::tones::{MOST_STEPS, Tones};

/// What can happen to the way frames are shown.
#[derive(Clone, Debug, PartialEq)]
pub enum DisplayAction {
    /// So many steps of gamma.
    Gamma(i8),
    /// So many steps of the window's middle.
    Level(i8),
    /// So many steps of contrast.
    Window(i8),
    /// Dark and bright change places.
    Invert,
    /// Single pixels, or smoothed.
    SinglePixels,
    /// The millimetre grid.
    Grid,
    /// The marks of every saved reading of the frame that this reader may see.
    AllReadings,
    /// A second frame beside this one, or none.
    Beside,
    /// The next frame to be put beside.
    NextBeside,
    /// This frame beside, where it is one of the same person.
    PutBeside(FrameKey),
    /// Which place of the frame beside is in the middle.
    LookBeside(PxPoint),
    /// So many screen pixels a point.
    Density(f64),
    /// Letters of so many per cent.
    Letters(u16),
    /// Everything as stored, and nothing beside or over it.
    Reset,
}

/// How frames are shown now.
#[derive(Clone, Debug)]
pub struct Display {
    /// Grey scale.
    pub tones: Tones,
    /// Pixels as squares when enlarged.
    pub single_pixels: bool,
    /// The millimetre grid.
    pub grid: bool,
    /// The marks of every saved reading.
    pub all_readings: bool,
    /// Screen pixels a point.
    pub density: f64,
    beside: Option<Beside>,
}

impl Default for Display {
    fn default() -> Self {
        Self { tones: Tones::AS_STORED, single_pixels: false, grid: false, all_readings: false, density: 1.0, beside: None }
    }
}

/// The frame beside the one that is read.
#[derive(Clone, Debug)]
pub struct Beside {
    /// Which frame.
    pub key: FrameKey,
    /// Its picture, once it is there.
    pub picture: Option<Arc<Frame>>,
    /// Why it cannot be shown.
    pub error: Option<String>,
    /// The place in the middle of its view.
    pub centre: Option<PxPoint>,
}

/// A saved reading of the frame on screen, with its marks.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingSeen {
    /// Who read.
    pub reader: String,
    /// When it was saved, as in the record.
    pub saved_at: String,
    /// Its result in words.
    pub headline: String,
    /// Whether a later one follows it.
    pub followed: bool,
    /// Its marks.
    pub marks: Vec<(Mark, PxPoint)>,
}

fn step(now: i8, by: i8) -> i8 {
    now.saturating_add(by).clamp(-MOST_STEPS, MOST_STEPS)
}

impl Session {
    /// How frames are shown.
    #[must_use]
    pub const fn display(&self) -> &Display {
        &self.display
    }

    /// The frame beside the one that is read.
    #[must_use]
    pub const fn beside(&self) -> Option<&Beside> {
        self.display.beside.as_ref()
    }

    /// Size of letters, per cent of the usual.
    #[must_use]
    pub const fn letters_percent(&self) -> u16 {
        self.settings.letters_percent
    }

    /// What is shown otherwise than as stored, in words; empty when nothing is.
    #[must_use]
    pub fn display_words(&self) -> Vec<String> {
        let d = &self.display;
        let mut out = d.tones.words();
        for (on, words) in [(d.single_pixels, "single pixels"), (d.grid, "grid"), (d.all_readings, "all readings")] {
            if on {
                out.push(words.into());
            }
        }
        out
    }

    pub(super) fn act_on_display(&mut self, action: DisplayAction) -> Vec<Effect> {
        let tones = &mut self.display.tones;
        match action {
            DisplayAction::Gamma(by) => tones.gamma = step(tones.gamma, by),
            DisplayAction::Level(by) => tones.level = step(tones.level, by),
            DisplayAction::Window(by) => tones.window = step(tones.window, by),
            DisplayAction::Invert => tones.invert = !tones.invert,
            DisplayAction::SinglePixels => self.display.single_pixels = !self.display.single_pixels,
            DisplayAction::Grid if self.display.grid => self.display.grid = false,
            DisplayAction::Grid => match self.scale_here() {
                Ok(_) => self.display.grid = true,
                Err(why) => self.tell(format!("No millimetre grid: {why}")),
            },
            DisplayAction::AllReadings if self.display.all_readings => self.display.all_readings = false,
            DisplayAction::AllReadings => match self.readings_seen() {
                Ok(_) => self.display.all_readings = true,
                Err(why) => self.tell(why),
            },
            DisplayAction::Beside if self.display.beside.is_some() => self.display.beside = None,
            DisplayAction::Beside | DisplayAction::NextBeside => return self.next_beside(),
            DisplayAction::PutBeside(key) => {
                if self.candidates().contains(&key) {
                    return self.put_beside(key);
                }
            }
            DisplayAction::LookBeside(centre) => {
                if let Some(beside) = &mut self.display.beside {
                    beside.centre = Some(centre).filter(|c| c.is_finite());
                }
            }
            DisplayAction::Density(density) => {
                if density.is_finite() && density > 0.0 {
                    self.display.density = density;
                }
            }
            DisplayAction::Letters(percent) => {
                self.settings.letters_percent = percent;
                return vec![Effect::KeepSettings(self.settings.clone())];
            }
            DisplayAction::Reset => self.display = Display { density: self.display.density, ..Display::default() },
        }
        Vec::new()
    }

    /// The frames that may be put beside the current one: of the same person, exam by exam, one of each file but of cines
    /// those that were worked on too. Another person's never.
    #[must_use]
    pub fn candidates(&self) -> Vec<FrameKey> {
        let (Some(exam), Some(current)) = (self.exam(), self.current.as_ref()) else { return Vec::new() };
        let of_her = self.exams.iter().filter(|e| e.key == exam.key || (e.patient == exam.patient && e.patient.number.is_some()));
        let mut all: Vec<FrameKey> = of_her
            .flat_map(|e| &e.files)
            .flat_map(|f| {
                let first = FrameKey { path: f.path.clone(), number: 1 };
                let range = first.clone()..=FrameKey { path: f.path.clone(), number: u32::MAX };
                let worked_on = self.work.range(range).filter(|(k, w)| k.number > 1 && !w.is_empty()).map(|(k, _)| k.clone());
                std::iter::once(first).chain(worked_on)
            })
            .collect();
        all.retain(|k| k != current);
        all
    }

    /// Puts the next candidate beside: at first the one before the current frame, which is of the exam before or this exam.
    fn next_beside(&mut self) -> Vec<Effect> {
        let all = self.candidates();
        let now = self.display.beside.as_ref().and_then(|b| all.iter().position(|k| *k == b.key));
        let exam_of = |k: &FrameKey| self.exams.iter().position(|e| e.place_of(k).is_some());
        let here = self.exam_index();
        let first = || all.iter().rposition(|k| exam_of(k) < here).or_else(|| (!all.is_empty()).then_some(0));
        let next = now.map(|i| (i + 1) % all.len().max(1)).or_else(first);
        let Some(key) = next.and_then(|i| all.get(i)).cloned() else {
            self.tell("There is no other frame of this person to put beside: open more of her frames (F).");
            return Vec::new();
        };
        self.put_beside(key)
    }

    fn put_beside(&mut self, key: FrameKey) -> Vec<Effect> {
        let picture = self.cine.cache.get(&key).cloned();
        let effects = if picture.is_some() { Vec::new() } else { vec![Effect::Decode(key.clone())] };
        self.display.beside = Some(Beside { key, picture, error: None, centre: None });
        effects
    }

    /// The frame beside must be another one, of the same person.
    pub(super) fn check_beside(&mut self) {
        let fits = self.display.beside.as_ref().is_none_or(|b| self.candidates().contains(&b.key));
        if !fits {
            self.display.beside = None;
        }
    }

    /// A decoded frame goes beside where it was asked for.
    pub(super) fn decoded_beside(&mut self, key: &FrameKey, frame: &Result<Arc<Frame>, String>) {
        if let Some(beside) = self.display.beside.as_mut().filter(|b| b.key == *key) {
            match frame {
                Ok(frame) => (beside.picture, beside.error) = (Some(frame.clone()), None),
                Err(why) => beside.error = Some(why.clone()),
            }
        }
    }

    /// Which frame of which exam, in words: the day, the age, and its place among the exam's frames.
    #[must_use]
    pub fn frame_words(&self, key: &FrameKey) -> String {
        let Some(exam) = self.exams.iter().find(|e| e.place_of(key).is_some()) else { return String::new() };
        let place = exam.place_of(key).map_or(1, |p| p + 1);
        let day = exam.context.exam_date.map_or_else(|| "no date".to_owned(), super::dates::show);
        let age = exam.context.gestational_age().map_or_else(|_| "age not known".to_owned(), |a| a.to_string());
        format!("{day} · {age} · frame {place} of {}", exam.frame_count())
    }

    /// What this reader has marked on the frame beside.
    #[must_use]
    pub fn work_beside(&self) -> super::FrameWork {
        self.beside().and_then(|b| self.work.get(&b.key)).cloned().unwrap_or_default()
    }

    /// The scale of a frame, under its os or else its middle.
    ///
    /// # Errors
    /// Why there is none, in words.
    pub fn scale_of(&self, key: &FrameKey) -> Result<(Calibration, PxPoint), String> {
        let none = || "no frame is open".to_owned();
        let exam = self.exams.iter().find(|e| e.place_of(key).is_some()).ok_or_else(none)?;
        let file = exam.files.iter().find(|f| f.path == key.path).ok_or_else(none)?;
        let work = self.work.get(key).cloned().unwrap_or_default();
        let middle = PxPoint::new(f64::from(file.geometry.columns) / 2.0, f64::from(file.geometry.rows) / 2.0);
        let at = work.os.unwrap_or(middle);
        let facts = self.scale_facts(exam, file, &work);
        let judged = judge(&file.geometry, &[at], work.consent.as_ref(), &facts, exam.context.exam_date);
        judged.scale.map(|(scale, _)| (scale, at)).map_err(|e| e.message())
    }

    /// The scale of the current frame.
    ///
    /// # Errors
    /// As [`Session::scale_of`].
    pub fn scale_here(&self) -> Result<(Calibration, PxPoint), String> {
        self.scale_of(self.current.as_ref().ok_or_else(|| "no frame is open".to_owned())?)
    }

    /// Every saved reading of the current frame that this reader may see, oldest first. A sonographer sees their own: another's
    /// stay out of sight, so that a second reading can still be made unseen. Others see those that [`unseen`] opens to them.
    ///
    /// # Errors
    /// Why none can be shown, in words.
    pub fn readings_seen(&self) -> Result<Vec<ReadingSeen>, String> {
        let key = self.current.as_ref().filter(|_| self.picture().is_some()).ok_or("No frame is shown.")?;
        let who = self.onlooker().ok_or("Name the reader first: whose readings may be seen depends on who looks.")?;
        let exams: Vec<(String, &str)> = self.records.iter().map(|s| (s.record.exam_key(), s.record.reader.as_str())).collect();
        let hidden = unseen(&who, self.records.iter().map(|s| s.record.saved()));
        let Onlooker { reader, role } = &who;
        let may = |exam: &str, by: &str| by == reader || (*role != Role::Sonographer && !hidden.contains(exam));
        let of_frame: Vec<_> = self
            .records
            .iter()
            .map(|s| &s.record)
            .zip(&exams)
            .filter(|(r, (exam, by))| self.is_of(r, key) && may(exam, by))
            .map(|(r, _)| r)
            .collect();
        if of_frame.is_empty() {
            return Err(
                "No saved reading of this frame can be shown: there is none, or others' stay out of sight until you have read the exam."
                    .into(),
            );
        }
        let seen = |r: &&crate::record::ReadingRecord| ReadingSeen {
            reader: r.reader.clone(),
            saved_at: r.saved_at.clone(),
            headline: r.headline.clone(),
            followed: of_frame.iter().any(|o| o.follows.iter().any(|f| f == r.id())),
            marks: super::opening::work_of(r).placed().collect(),
        };
        Ok(of_frame.iter().map(seen).collect())
    }
}
