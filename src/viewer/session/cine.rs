//! Going through a cine: by step, along its time line, and played at its stored pace.
//!
//! Frames around the current one are asked for ahead of need, more of them in the direction of travel, and kept within
//! the budget of a [`FrameCache`]. A frame that is not there yet shows no picture; while playing, the frame before it
//! stays with its own number until it is. Time comes in as a value, by [`Action::Tick`].

use super::pace::Pace;
use super::{FrameKey, FrameWork, SaveState, Session};
use crate::viewer::action::{Action, Effect, Mark};
use crate::viewer::frame_cache::FrameCache;

/// The most frames that are asked for ahead of need.
const MOST_AHEAD: usize = 48;
/// A frame that lies behind is wanted as much as one so many times as far ahead.
const BEHIND: u64 = 3;
/// A tick so much before its time counts, s: screens are drawn at times of their own.
const EARLY: f64 = 0.004;
/// Further behind its time than this, playing goes on from where it is instead of making up for it, s.
const MOST_LATE: f64 = 0.5;

/// What a session keeps for going through cines.
#[derive(Debug, Default)]
pub(super) struct Cine {
    pub(super) cache: FrameCache,
    /// Whether the last step within the file went back.
    back: bool,
    playing: Option<Playing>,
    /// Whether playing stops at the last frame instead of going on from the first.
    once: bool,
}

#[derive(Debug, Default)]
struct Playing {
    /// When the frame on screen was due; not known before the first tick.
    since: Option<f64>,
    /// The frame that is due and not decoded yet.
    waits_for: Option<FrameKey>,
}

/// What is known of a frame on the time line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameMark {
    /// It has a reading by this reader.
    Reading,
    /// It has landmarks that no record holds as they are.
    Unsaved,
}

impl FrameMark {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Reading => "has a reading",
            Self::Unsaved => "has landmarks not saved",
        }
    }
}

/// The cine that is open, as its time line shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CineNow<'a> {
    /// The current frame, from 1.
    pub number: u32,
    /// The number of frames, at least 2.
    pub count: u32,
    /// The pace at which it is played.
    pub pace: Pace<'a>,
    /// Whether it is being played.
    pub playing: bool,
    /// Whether playing stops at the last frame.
    pub once: bool,
    /// Whether the current frame is still being decoded.
    pub decoding: bool,
}

impl Session {
    /// The cine of the current frame; `None` for a still.
    #[must_use]
    pub fn cine(&self) -> Option<CineNow<'_>> {
        let (key, file) = (self.current()?, self.file()?);
        let count = file.frame_count;
        (count > 1).then(|| CineNow {
            number: key.number,
            count,
            pace: Pace::of(&file.facts, count),
            playing: self.cine.playing.is_some(),
            once: self.cine.once,
            decoding: self.picture().is_none() && self.picture_error().is_none(),
        })
    }

    /// The frames of the current cine that have a reading by this reader or landmarks not saved, by number.
    ///
    /// Other readers' readings are not among them: which frame they chose would be no secret any more.
    #[must_use]
    pub fn frame_marks(&self) -> Vec<(u32, FrameMark)> {
        let (Some(current), Some(file)) = (self.current(), self.file()) else { return Vec::new() };
        let key = |number| FrameKey { path: current.path.clone(), number };
        let mut marks = std::collections::BTreeMap::new();
        let reader = self.reader().trim();
        if let Some(uid) = file.facts.sop_instance_uid.as_deref().filter(|_| !reader.is_empty()) {
            for record in self.records.iter().map(|s| &s.record) {
                let frame = &record.frame;
                let number = frame.frame_number;
                let here = record.reader == reader && frame.sop_instance_uid.as_deref() == Some(uid) && number <= file.frame_count;
                // Once the frame was decoded its bytes tell whether it is the one that was read.
                if here && self.frame_ids.get(&key(number)).is_none_or(|id| id.sha256 == frame.sha256) {
                    marks.insert(number, FrameMark::Reading);
                }
            }
        }
        for key in self.work.range(key(0)..=key(u32::MAX)).map(|(k, _)| k) {
            match self.save_state_of(key) {
                SaveState::NotSaved | SaveState::ChangedSinceSaved | SaveState::Saving => {
                    marks.insert(key.number, FrameMark::Unsaved);
                }
                SaveState::Saved => {
                    marks.insert(key.number, FrameMark::Reading);
                }
                SaveState::Nothing => {}
            }
        }
        marks.into_iter().collect()
    }

    /// When the next [`Action::Tick`] is due, in the clock of the ticks before; `None` while nothing moves.
    #[must_use]
    pub fn next_tick(&self) -> Option<f64> {
        let playing = self.cine.playing.as_ref().filter(|p| p.waits_for.is_none())?;
        let now = self.cine().filter(|_| self.picture().is_some())?;
        Some(playing.since.map_or(0.0, |since| since + now.pace.seconds_after(now.number) - EARLY))
    }

    /// Bytes of decoded frames that are kept at hand, and their budget.
    #[must_use]
    pub const fn kept_bytes(&self) -> (usize, usize) {
        (self.cine.cache.bytes(), self.cine.cache.budget())
    }

    pub(super) fn act_on_cine(&mut self, action: &Action) -> Vec<Effect> {
        let Some((number, count, playing)) = self.cine().map(|c| (c.number, c.count, c.playing)) else { return Vec::new() };
        match action {
            Action::Scrub(to) => self.go_to_number((*to).clamp(1, count)),
            Action::StepCine(by) => self.go_to_number(number.saturating_add_signed(*by).clamp(1, count)),
            Action::StepMarked(forward) => {
                let marks = self.frame_marks();
                let mut numbers = marks.iter().map(|m| m.0);
                let next = if *forward { numbers.find(|n| *n > number) } else { numbers.rfind(|n| *n < number) };
                match next {
                    Some(n) => self.go_to_number(n),
                    None => {
                        self.tell(format!("No frame {} this one has a reading or landmarks.", if *forward { "after" } else { "before" }));
                        Vec::new()
                    }
                }
            }
            Action::TogglePlay if playing => {
                self.pause();
                Vec::new()
            }
            Action::TogglePlay => self.play(number, count),
            Action::ToggleOnce => {
                self.cine.once = !self.cine.once;
                self.plan_ahead().into_iter().collect()
            }
            Action::Tick(now) => self.tick(*now, number, count),
            _ => Vec::new(),
        }
    }

    fn number_key(&self, number: u32) -> Option<FrameKey> {
        self.current().map(|k| FrameKey { path: k.path.clone(), number })
    }

    fn go_to_number(&mut self, number: u32) -> Vec<Effect> {
        self.number_key(number).map_or_else(Vec::new, |key| self.go_to(key))
    }

    fn play(&mut self, number: u32, count: u32) -> Vec<Effect> {
        // Nothing can be placed on a frame that is about to go.
        self.history.close();
        self.put_down();
        self.selected = None;
        self.cine.back = false;
        self.cine.playing = Some(Playing::default());
        if self.cine.once && number == count {
            return self.number_key(1).map_or_else(Vec::new, |key| self.move_to(key));
        }
        self.plan_ahead().into_iter().collect()
    }

    /// Stops playing; an untouched frame asks for its first landmark again.
    pub(super) fn pause(&mut self) {
        if self.cine.playing.take().is_some() {
            self.arm_if_untouched();
        }
    }

    /// On a frame on which nothing was done, the internal os is taken up: it comes first. Not while playing.
    pub(super) fn arm_if_untouched(&mut self) {
        let untouched = self.current.as_ref().is_some_and(|k| self.work.get(k).is_none_or(FrameWork::is_empty));
        if untouched && self.picture().is_some() && self.cine.playing.is_none() {
            self.armed = Some(Mark::InternalOs);
        }
    }

    /// Whether an action must wait because the cine is playing: what was meant for the frame seen must not fall on the
    /// one after it. The cine is paused; taking up or choosing a landmark then goes on, all else is asked for again.
    pub(super) fn pauses_instead(&mut self, action: &Action) -> bool {
        if self.cine.playing.is_none() {
            return false;
        }
        match action {
            Action::Arm(_) | Action::Select(_) => {
                self.pause();
                false
            }
            Action::Place(_)
            | Action::PlaceAtCross
            | Action::Drag(..)
            | Action::Nudge(_)
            | Action::Remove(_)
            | Action::RemoveSelected
            | Action::StateSide(_)
            | Action::Consent(_)
            | Action::Save
            | Action::SaveAndGoOn => {
                self.pause();
                self.tell("Paused. Nothing was changed: look at this frame, then do it again.");
                true
            }
            _ => false,
        }
    }

    fn tick(&mut self, now: f64, number: u32, count: u32) -> Vec<Effect> {
        let Some(due) = self.next_tick() else { return Vec::new() };
        let since = self.cine.playing.as_ref().and_then(|p| p.since);
        let (Some(mut at), true) = (since, now >= due) else {
            if let Some(playing) = self.cine.playing.as_mut().filter(|p| p.since.is_none()) {
                playing.since = Some(now);
            }
            return Vec::new();
        };
        let (mut to, mut missing, mut ended) = (number, None, false);
        for _ in 0..count {
            let wait = self.cine().map_or(f64::INFINITY, |c| c.pace.seconds_after(to));
            if now < at + wait - EARLY {
                break;
            }
            if to == count && self.cine.once {
                ended = true;
                break;
            }
            let next = if to == count { 1 } else { to + 1 };
            if now > at + wait + MOST_LATE {
                at = now - wait;
            }
            match self.number_key(next) {
                Some(key) if !self.cine.cache.contains(&key) => {
                    // It is shown as soon as it is there, and the clock goes on from then.
                    at = now - wait;
                    missing = Some(key);
                    break;
                }
                _ => (to, at) = (next, at + wait),
            }
        }
        let mut effects = Vec::new();
        if to != number
            && let Some(key) = self.number_key(to)
        {
            effects.extend(self.move_to(key));
        }
        if ended {
            self.pause();
        } else if let Some(playing) = &mut self.cine.playing {
            playing.since = Some(at);
            playing.waits_for.clone_from(&missing);
            effects.extend(missing.map(Effect::Decode));
        }
        effects
    }

    /// Notes which way a step within one file goes, and forgets the frames of another file.
    pub(super) fn note_step(&mut self, to: &FrameKey) {
        match &self.current {
            Some(from) if from.path == to.path => {
                if self.cine.playing.is_none() {
                    self.cine.back = to.number < from.number;
                }
            }
            _ => {
                self.cine.back = false;
                self.cine.cache.only(&to.path);
            }
        }
    }

    /// How little a frame is wanted: 0 for the current one, more the further off, most for those of other files.
    fn rank(&self, key: &FrameKey) -> u64 {
        let Some((current, count)) = self.current.as_ref().zip(self.file().map(|f| f.frame_count)) else { return u64::MAX };
        if key.path != current.path {
            return u64::MAX;
        }
        let (from, to, count) = (u64::from(current.number), u64::from(key.number), u64::from(count));
        let (ahead, behind) = if to >= from { (Some(to - from), None) } else { (None, Some(from - to)) };
        let (ahead, behind) = if self.cine.back { (behind, ahead) } else { (ahead, behind) };
        let round = self.cine.playing.is_some() && !self.cine.once;
        let ahead = ahead.or_else(|| behind.filter(|_| round).map(|b| count - b.min(count)));
        let behind = behind.map(|b| b * BEHIND);
        ahead.into_iter().chain(behind).min().unwrap_or(0)
    }

    /// What to decode ahead of need around the current frame, the most wanted first. `None` for a still.
    pub(super) fn plan_ahead(&self) -> Option<Effect> {
        let (current, file) = (self.current.as_ref()?, self.file().filter(|f| f.frame_count > 1)?);
        // Before the first frame is there, three bytes a pixel: the most that any sort of frame takes.
        let most = (file.geometry.rows as usize).saturating_mul(file.geometry.columns as usize).saturating_mul(3);
        let each = self.cine.cache.frame_bytes(current).unwrap_or(most).max(1);
        let room = (self.cine.cache.budget() / each).saturating_sub(1).min(MOST_AHEAD);
        let mut near: Vec<(u64, u32)> = Vec::new();
        let reach = u32::try_from(MOST_AHEAD).unwrap_or(u32::MAX);
        for step in 1..=reach.min(file.frame_count - 1) {
            let wrapped = (current.number - 1 + step) % file.frame_count + 1;
            let both = [current.number.checked_sub(step).filter(|n| *n >= 1), Some(wrapped)];
            near.extend(both.into_iter().flatten().map(|n| (self.rank(&FrameKey { path: current.path.clone(), number: n }), n)));
        }
        near.sort_unstable();
        near.dedup();
        let wanted = near.into_iter().take(room).map(|(_, number)| FrameKey { path: current.path.clone(), number });
        Some(Effect::DecodeAhead(wanted.filter(|k| !self.cine.cache.contains(k)).collect()))
    }

    /// Keeps a decoded frame at hand when it is of the cine that is open.
    pub(super) fn keep_frame(&mut self, key: &FrameKey, frame: &std::sync::Arc<crate::frame::Frame>) {
        if self.current.as_ref().is_some_and(|c| c.path == key.path) && self.cine().is_some() {
            let mut cache = std::mem::take(&mut self.cine.cache);
            cache.keep(key.clone(), frame.clone(), |k| self.rank(k));
            self.cine.cache = cache;
        }
        if let Some(playing) = &mut self.cine.playing
            && playing.waits_for.as_ref() == Some(key)
        {
            playing.waits_for = None;
        }
    }

    /// The frame that playing waits for cannot be decoded: playing ends, and says why.
    pub(super) fn stop_for(&mut self, key: &FrameKey, why: &str) {
        if self.cine.playing.as_ref().is_some_and(|p| p.waits_for.as_ref() == Some(key)) {
            self.pause();
            self.tell(format!("Paused: frame {} cannot be shown. {why}", key.number));
        }
    }
}
