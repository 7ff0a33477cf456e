//! Scales in the window: the history of phantom checks and the ticks of each file behind a reading, a ruler being picked, a
//! decision being typed, and the page on which a scanner is checked.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use super::{ExamState, FrameKey, FrameWork, Outcome, Session, SourceFile};
use crate::calibrate::hand::{Aspect, HandScale, Ruler, Unit, find_ruler, parse_distance};
use crate::calibrate::ticks::{TickRow, find_ticks};
use crate::calibrate::{Resolution, ScaleFacts};
use crate::frame::{Frame, Geometry};
use crate::phantom::{self, Check, Definition, Together, Tolerance};
use crate::scanners::{self, History, Made, ScaleCheck, ScannerKey};
use crate::units::PxPoint;
use crate::viewer::action::Effect;

/// What can happen to scales.
#[derive(Clone, Debug)]
pub enum ScaleAction {
    /// The history was read; on which day.
    History(Box<History>, jiff::civil::Date),
    /// The field for the reason of a decision was edited.
    TypeReason(String),
    /// The file's scale is right, for the reason typed.
    Resolve,
    /// Take the decision back.
    Unresolve,
    /// Begin to pick a ruler on the picture.
    PickRuler,
    /// One end of it.
    RulerAt(PxPoint),
    /// Leave off picking.
    PutRulerDown,
    /// The field for the distance was edited.
    TypeDistance(String),
    /// State that pixels are square, or take that back.
    SquarePixels(bool),
    /// Confirm a field of view beyond the plausible, or take that back.
    ConfirmField(bool),
    /// Set the scale from the ruler and the distance.
    SetByHand,
    /// Remove the scale set by hand.
    RemoveHand,
    /// Take over the scale set on another frame of the same size and source.
    TakeOver(FrameKey),
    /// Choose the phantom by its id.
    ChoosePhantom(String),
    /// Check the frame that is shown.
    CheckFrame,
    /// It was checked on the phantom of that id; an error in words otherwise.
    Checked(FrameKey, String, Result<Box<Check>, String>),
    /// Take a frame out of the check.
    DropFrame(usize),
    /// Add the check to the history.
    Keep,
    /// It was added; an error in words otherwise.
    Kept(Result<Box<ScaleCheck>, String>),
}

/// What a session asks of the world for scales.
#[derive(Clone, Debug)]
pub enum ScaleEffect {
    /// Check a frame of a phantom.
    Check(FrameKey, Arc<Frame>, Box<Geometry>, Box<Definition>),
    /// Add checks of a phantom to the history; when it was made is for the world to say.
    Keep(Box<Made>, Vec<Check>, Box<Definition>),
}

/// A frame that was checked.
#[derive(Clone, Debug)]
pub struct CheckedNow {
    /// Which.
    pub key: FrameKey,
    /// What came of it.
    pub check: Check,
    /// Its scanner, where the file names it.
    pub scanner: Option<ScannerKey>,
    /// Its preset.
    pub preset: Option<String>,
    /// Its day.
    pub day: Option<jiff::civil::Date>,
}

/// A ruler as it is being made.
#[derive(Clone, Debug, Default)]
pub struct RulerNow {
    /// Whether clicks pick its ends.
    pub picking: bool,
    /// Its first end, once picked.
    pub first: Option<PxPoint>,
    /// The ruler, once both ends are picked and ticks were found.
    pub found: Option<Ruler>,
    /// The distance as typed.
    pub distance: String,
    /// Whether pixels are stated to be square.
    pub square: bool,
    /// Whether an implausible field of view is confirmed.
    pub confirmed: bool,
    /// The field of view that was asked about, mm.
    pub asked_mm: Option<f64>,
}

/// Everything about scales in a session.
#[derive(Clone, Debug)]
pub struct ScaleState {
    history: History,
    today: Option<jiff::civil::Date>,
    ticks: BTreeMap<PathBuf, Vec<TickRow>>,
    reason: String,
    ruler: RulerNow,
    phantoms: Vec<Definition>,
    tolerance: Option<Tolerance>,
    chosen: Option<String>,
    checked: Vec<CheckedNow>,
    fault: Option<String>,
    busy: bool,
    kept: Option<String>,
}

impl Default for ScaleState {
    fn default() -> Self {
        Self {
            // The bundled data is ruled faulty by tests; without it there is simply none.
            history: History::new(scanners::sample_checks().unwrap_or_default()),
            today: None,
            ticks: BTreeMap::new(),
            reason: String::new(),
            ruler: RulerNow::default(),
            phantoms: phantom::phantoms().unwrap_or_default(),
            tolerance: phantom::tolerance().ok(),
            chosen: None,
            checked: Vec::new(),
            fault: None,
            busy: false,
            kept: None,
        }
    }
}

impl ScaleState {
    /// What was picked on a frame, and typed about it, does not go to another one.
    pub(super) fn leave_frame(&mut self) {
        self.ruler = RulerNow::default();
        self.reason.clear();
    }

    /// Ends picking a ruler; one that was found stays.
    pub(super) fn stop_picking(&mut self) {
        if self.ruler.picking {
            (self.ruler.picking, self.ruler.first) = (false, None);
        }
    }

    /// The history of every scanner.
    #[must_use]
    pub const fn history(&self) -> &History {
        &self.history
    }

    /// The present day, once the world has said it.
    #[must_use]
    pub const fn today(&self) -> Option<jiff::civil::Date> {
        self.today
    }

    /// The ruler being made.
    #[must_use]
    pub const fn ruler(&self) -> &RulerNow {
        &self.ruler
    }

    /// The reason as typed.
    #[must_use]
    pub fn reason(&self) -> &str {
        &self.reason
    }

    /// The phantoms to choose from.
    #[must_use]
    pub fn phantoms(&self) -> &[Definition] {
        &self.phantoms
    }

    /// The phantom chosen.
    #[must_use]
    pub fn phantom(&self) -> Option<&Definition> {
        self.phantoms.iter().find(|d| Some(&d.id) == self.chosen.as_ref())
    }

    /// The tolerances in use.
    #[must_use]
    pub const fn tolerance(&self) -> Option<&Tolerance> {
        self.tolerance.as_ref()
    }

    /// The frames checked so far.
    #[must_use]
    pub fn checked(&self) -> &[CheckedNow] {
        &self.checked
    }

    /// What they come to together.
    #[must_use]
    pub fn together(&self) -> Option<Together> {
        let checks: Vec<Check> = self.checked.iter().map(|c| c.check.clone()).collect();
        phantom::together(&checks, self.phantom()?, self.tolerance()?)
    }

    /// Why the last frame could not be checked.
    #[must_use]
    pub fn fault(&self) -> Option<&str> {
        self.fault.as_deref()
    }

    /// Whether a frame is being checked.
    #[must_use]
    pub const fn busy(&self) -> bool {
        self.busy
    }

    /// What was added to the history, in words.
    #[must_use]
    pub fn kept(&self) -> Option<&str> {
        self.kept.as_deref()
    }
}

impl Session {
    /// Scales.
    #[must_use]
    pub const fn scale(&self) -> &ScaleState {
        &self.scale
    }

    /// What the scale of a frame of this file rests on besides the header.
    pub(super) fn scale_facts(&self, exam: &ExamState, file: &SourceFile, work: &FrameWork) -> ScaleFacts {
        let ticks = self.scale.ticks.get(&file.path).cloned();
        let looked = ticks.is_some();
        let facts = scanners::scale_facts(ticks.unwrap_or_default(), &file.facts, exam.context.exam_date, &self.scale.history);
        ScaleFacts { ticks: facts.ticks.filter(|_| looked), hand: work.scale.hand.clone(), resolved: work.scale.resolved.clone(), ..facts }
    }

    /// Looks for ticks in the first picture of a file that is shown: they are burned into all of its frames alike.
    pub(super) fn look_for_ticks(&mut self, key: &FrameKey, frame: &Frame) {
        self.scale.ticks.entry(key.path.clone()).or_insert_with(|| find_ticks(frame));
    }

    /// Frames with a scale set by hand whose picture has the size and source of the current one: same scanner where the
    /// files name it, else the same folder.
    #[must_use]
    pub fn hand_scales_to_take_over(&self) -> Vec<FrameKey> {
        let (Some(now), Some(file)) = (self.current.as_ref(), self.file()) else { return Vec::new() };
        let source = |f: &SourceFile| {
            let scanner = ScannerKey::of(&f.facts);
            let folder = f.path.parent().filter(|_| scanner.is_none()).map(std::path::Path::to_path_buf);
            (f.geometry.columns, f.geometry.rows, f.facts.kind, scanner, folder)
        };
        let of = |k: &FrameKey| self.exams.iter().flat_map(|e| &e.files).find(|f| f.path == k.path);
        self.work
            .iter()
            .filter(|(k, w)| *k != now && w.scale.hand.is_some() && of(k).is_some_and(|f| source(f) == source(file)))
            .map(|(k, _)| k.clone())
            .collect()
    }

    pub(super) fn act_on_scale(&mut self, action: ScaleAction) -> Vec<Effect> {
        match action {
            ScaleAction::History(history, today) => {
                self.scale.today = Some(today);
                if let Some(first) = history.damaged.first() {
                    self.tell(format!("A scale check cannot be trusted and is left out: {first}"));
                }
                self.scale.history = *history;
                self.refresh();
            }
            ScaleAction::TypeReason(text) => self.scale.reason = text,
            ScaleAction::Resolve => self.resolve_scale(),
            ScaleAction::Unresolve => self.edit_frame("taking back a decision about the scale".into(), false, |w| w.scale.resolved = None),
            ScaleAction::PickRuler => {
                self.put_down();
                let old = std::mem::take(&mut self.scale.ruler);
                self.scale.ruler = RulerNow { picking: true, distance: old.distance, square: old.square, ..RulerNow::default() };
            }
            ScaleAction::RulerAt(at) => self.pick_ruler(at),
            ScaleAction::PutRulerDown => self.scale.ruler = RulerNow::default(),
            ScaleAction::TypeDistance(text) => {
                self.scale.ruler.distance = text;
                (self.scale.ruler.confirmed, self.scale.ruler.asked_mm) = (false, None);
            }
            ScaleAction::SquarePixels(yes) => self.scale.ruler.square = yes,
            ScaleAction::ConfirmField(yes) => self.scale.ruler.confirmed = yes,
            ScaleAction::SetByHand => self.set_by_hand(),
            ScaleAction::RemoveHand => self.edit_frame("removing the scale set by hand".into(), false, |w| w.scale.hand = None),
            ScaleAction::TakeOver(key) => self.take_over(&key),
            ScaleAction::ChoosePhantom(id) => {
                if self.scale.chosen.as_ref() != Some(&id) {
                    self.scale.checked.clear();
                    (self.scale.chosen, self.scale.fault, self.scale.kept) = (Some(id), None, None);
                }
            }
            ScaleAction::CheckFrame => return self.check_frame(),
            ScaleAction::Checked(key, phantom, result) => self.checked(key, &phantom, result),
            ScaleAction::DropFrame(i) => {
                if i < self.scale.checked.len() {
                    self.scale.checked.remove(i);
                }
            }
            ScaleAction::Keep => return self.keep_check(),
            ScaleAction::Kept(result) => {
                self.scale.busy = false;
                match result {
                    Ok(check) => {
                        self.scale.kept = Some(format!("Added to the history. The next check is due {}.", check.next_due));
                        self.scale.history.add(*check);
                        self.scale.checked.clear();
                        self.refresh();
                    }
                    Err(why) => self.tell(format!("The check was not added: {why}")),
                }
            }
        }
        Vec::new()
    }

    fn resolve_scale(&mut self) {
        let (by, reason) = (self.reader().trim().to_owned(), self.scale.reason.trim().to_owned());
        if by.is_empty() || reason.is_empty() {
            let lacks = if by.is_empty() { "name the reader" } else { "give the reason" };
            self.tell(format!("A decision about the scale carries a name and a reason: {lacks} first."));
            return;
        }
        let checks = match &self.outcome {
            Outcome::Read(r) => r.unresolved.clone(),
            _ => Vec::new(),
        };
        if checks.is_empty() {
            self.tell("There is nothing to decide about this scale: complete the landmarks first.");
            return;
        }
        self.edit_frame("deciding about the scale".into(), false, |w| w.scale.resolved = Some(Resolution { checks, reason, by }));
        self.scale.reason.clear();
    }

    fn pick_ruler(&mut self, at: PxPoint) {
        let Some(first) = self.scale.ruler.first else {
            self.scale.ruler.first = Some(at);
            return;
        };
        let found = self.picture().map(|frame| find_ruler(frame, first, at));
        match found {
            Some(Ok(ruler)) => (self.scale.ruler.found, self.scale.ruler.picking) = (Some(ruler), false),
            Some(Err(e)) => {
                self.tell(e.message());
                self.scale.ruler.first = None;
            }
            None => {}
        }
    }

    fn set_by_hand(&mut self) {
        let by = self.reader().trim().to_owned();
        let (Some(ruler), Some(geometry)) = (self.scale.ruler.found.clone(), self.file().map(|f| f.geometry.clone())) else { return };
        if by.is_empty() {
            self.tell("A scale set by hand carries a name: name the reader first.");
            return;
        }
        let (distance, unit): (f64, Unit) = match parse_distance(&self.scale.ruler.distance) {
            Ok(d) => d,
            Err(e) => return self.tell(e.message()),
        };
        let aspect = match geometry.pixel_aspect_vertical_horizontal {
            Some([vertical, horizontal]) => Aspect::FromFile { vertical, horizontal },
            None if self.scale.ruler.square => Aspect::StatedSquare,
            None => return self.tell("The file does not say what shape its pixels are: state that they are square, where it is so."),
        };
        let hand = HandScale {
            ruler,
            distance,
            unit,
            aspect,
            by,
            field_confirmed: self.scale.ruler.confirmed,
            size: [geometry.columns, geometry.rows],
            taken_from: None,
        };
        if let Err(e) = hand.calibration(&geometry) {
            self.scale.ruler.asked_mm = hand.field_mm().filter(|_| !hand.field_confirmed);
            return self.tell(e.message());
        }
        self.scale.ruler = RulerNow::default();
        self.edit_frame("setting the scale by hand".into(), false, |w| w.scale.hand = Some(hand));
    }

    fn take_over(&mut self, key: &FrameKey) {
        let by = self.reader().trim().to_owned();
        if by.is_empty() {
            return self.tell("A scale taken over carries a name: name the reader first.");
        }
        let from = self.frame_ids.get(key).map(|id| id.sha256.clone());
        let hand = self.work.get(key).and_then(|w| w.scale.hand.clone()).filter(|_| self.hand_scales_to_take_over().contains(key));
        let (Some(hand), Some(from)) = (hand, from) else { return };
        self.edit_frame("taking over a scale set by hand".into(), false, |w| {
            w.scale.hand = Some(HandScale { by, taken_from: Some(from), ..hand });
        });
    }

    fn check_frame(&mut self) -> Vec<Effect> {
        let Some(definition) = self.scale.phantom().cloned() else {
            self.tell("Choose the phantom that was scanned first.");
            return Vec::new();
        };
        let (Some(key), Some(frame), Some(file)) = (self.current.clone(), self.picture().cloned(), self.file()) else {
            self.tell("Open a frame of the phantom first.");
            return Vec::new();
        };
        let geometry = Box::new(file.geometry.clone());
        (self.scale.busy, self.scale.fault, self.scale.kept) = (true, None, None);
        vec![Effect::Scale(ScaleEffect::Check(key, frame, geometry, Box::new(definition)))]
    }

    fn checked(&mut self, key: FrameKey, phantom: &str, result: Result<Box<Check>, String>) {
        self.scale.busy = false;
        // Another phantom was chosen while this one was looked for: its pins say nothing of the other's grid.
        if self.scale.chosen.as_deref() != Some(phantom) {
            return;
        }
        let check = match result {
            Ok(check) => *check,
            Err(why) => {
                self.scale.fault = Some(why);
                return;
            }
        };
        let Some(facts) = self.source(&key).map(|f| f.facts.clone()) else { return };
        let now = CheckedNow { scanner: ScannerKey::of(&facts), preset: facts.preset.clone(), day: facts.exam_date, key, check };
        if self.scale.checked.first().is_some_and(|c| (&c.scanner, &c.preset, &c.day) != (&now.scanner, &now.preset, &now.day)) {
            self.scale.fault =
                Some("This frame is of another scanner, probe, preset or day than those checked before: check each by itself.".into());
            return;
        }
        self.scale.checked.retain(|c| c.key != now.key);
        self.scale.checked.push(now);
    }

    fn keep_check(&mut self) -> Vec<Effect> {
        let by = self.reader().trim().to_owned();
        let (Some(first), Some(definition), false) = (self.scale.checked.first().cloned(), self.scale.phantom().cloned(), self.scale.busy)
        else {
            return Vec::new();
        };
        let lacks = if by.is_empty() {
            Some("name yourself first (in the case sheet of the reading)")
        } else if first.scanner.is_none() {
            Some("the file does not name its scanner")
        } else if first.day.is_none() {
            Some("the file does not say its day")
        } else {
            None
        };
        let (Some(scanner), Some(checked_on), None) = (first.scanner, first.day, lacks) else {
            self.tell(format!("The check was not added: {}.", lacks.unwrap_or_default()));
            return Vec::new();
        };
        let made = Made { checked_on, made_at: String::new(), by, scanner, preset: first.preset };
        // A second press must not keep it twice.
        self.scale.busy = true;
        let checks = self.scale.checked.iter().map(|c| c.check.clone()).collect();
        vec![Effect::Scale(ScaleEffect::Keep(Box::new(made), checks, Box::new(definition)))]
    }
}
