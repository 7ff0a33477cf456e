//! Landmarks, side, consent and context: what a reader does to a reading.

use super::{FrameKey, Session, dates};
use crate::calibrate::header::PixelSpacingConsent;
use crate::context::{Dating, Limits};
use crate::units::{PxPoint, PxVec};
use crate::viewer::action::{Action, ContextChange, Effect, Mark};

impl Session {
    pub(super) fn mark(&mut self, action: Action) -> Vec<Effect> {
        if self.picture().is_none() {
            return Vec::new();
        }
        match action {
            Action::Arm(mark) => {
                self.history.close();
                self.aside.drop_offer();
                self.scale.stop_picking();
                self.armed = Some(mark);
                self.selected = None;
                self.cross = self.cross.or_else(|| self.work().get(mark));
            }
            Action::PutDown => self.put_down(),
            Action::Place(at) => self.place(at),
            Action::PlaceAtCross => match self.cross {
                Some(at) => self.place(at),
                None => self.cross = Some(self.start_of_cross()),
            },
            Action::Drag(mark, to) if self.work().get(mark).is_some() => {
                self.selected = Some(mark);
                let to = self.on_frame(to);
                self.edit_frame(format!("moving the {}", mark.words()), true, |w| w.put(mark, to));
            }
            Action::LetGo => self.history.close(),
            Action::Select(mark) => {
                self.history.close();
                self.selected = self.work().get(mark).map(|_| mark);
            }
            Action::Nudge(step) => self.nudge(step),
            Action::Remove(mark) => self.remove(mark),
            Action::RemoveSelected => {
                if let Some(mark) = self.selected {
                    self.remove(mark);
                }
            }
            Action::StateSide(side) => {
                self.edit_frame(format!("stating \"{}\"", side.words()), false, |w| w.side = Some(side));
            }
            _ => {}
        }
        Vec::new()
    }

    pub(super) fn put_down(&mut self) {
        self.armed = None;
        self.cross = None;
        self.scale.stop_picking();
    }

    fn place(&mut self, at: PxPoint) {
        let Some(mark) = self.armed else { return };
        if !at.is_finite() {
            return;
        }
        let at = self.on_frame(at);
        self.aside.drop_offer();
        let mark = super::notes::numbered(&self.work().notes.more, mark);
        self.edit_frame(format!("placing the {}", mark.words()), false, |w| w.put(mark, at));
        // By keyboard the next mark starts from this one.
        let from = self.cross.map(|_| at);
        self.put_down();
        self.selected = Some(mark);
        // The usual order leads on by itself: os, edge, body.
        let work = self.work();
        self.armed = match mark {
            Mark::InternalOs if work.edge.is_none() => Some(Mark::PlacentalEdge),
            Mark::PlacentalEdge if work.body.is_none() => Some(Mark::PlacentalBody),
            _ => super::notes::leads_to(&work.notes.more, mark),
        };
        if self.armed.is_some() {
            self.selected = None;
            self.cross = from;
        }
    }

    fn nudge(&mut self, step: PxVec) {
        if self.armed.is_some() {
            let from = self.cross.unwrap_or_else(|| self.start_of_cross());
            self.cross = Some(self.on_frame(from + step));
        } else if let Some((mark, at)) = self.selected.and_then(|m| self.work().get(m).map(|at| (m, at))) {
            let to = self.on_frame(at + step);
            self.edit_frame(format!("nudging the {}", mark.words()), false, |w| w.put(mark, to));
        }
    }

    fn remove(&mut self, mark: Mark) {
        self.edit_frame(format!("removing the {}", mark.words()), false, |w| w.remove(mark));
        if self.selected == Some(mark) {
            self.selected = None;
        }
    }

    /// Where the keyboard cross first appears: at the middle of the view, else of the frame.
    fn start_of_cross(&self) -> PxPoint {
        let middle = self.picture().map_or(PxPoint::new(0.0, 0.0), |f| PxPoint::new(f64::from(f.width) / 2.0, f64::from(f.height) / 2.0));
        self.view().centre.map_or(middle, |c| self.on_frame(c))
    }

    /// The nearest place on the frame.
    fn on_frame(&self, at: PxPoint) -> PxPoint {
        let (w, h) = self.picture().map_or((0.0, 0.0), |f| (f64::from(f.width), f64::from(f.height)));
        PxPoint::new(at.x.clamp(0.0, w), at.y.clamp(0.0, h))
    }

    pub(super) fn consent(&mut self, yes: bool) -> Vec<Effect> {
        let by = self.reader().trim().to_owned();
        if yes && by.is_empty() {
            self.tell("Consent to Pixel Spacing carries a name: name the reader first.");
            return Vec::new();
        }
        let words = if yes { "accepting Pixel Spacing" } else { "withdrawing Pixel Spacing" };
        self.edit_frame(words.into(), false, |w| w.consent = yes.then_some(PixelSpacingConsent { by }));
        Vec::new()
    }

    pub(super) fn name_reader(&mut self) -> Vec<Effect> {
        let name = Some(self.typed_reader.trim().to_owned()).filter(|n| !n.is_empty());
        if self.settings.reader == name {
            return Vec::new();
        }
        self.settings.reader = name;
        // What another reader saved goes out of sight: the next reading is made without it.
        let other: Vec<FrameKey> = self
            .saved
            .iter()
            .filter(|(k, s)| s.reader != self.reader() && self.work.get(*k) == Some(&s.work))
            .map(|(k, _)| k.clone())
            .collect();
        for key in other {
            self.work.remove(&key);
            self.saved.remove(&key);
            self.history.forget(&key);
        }
        let mut effects = vec![Effect::KeepSettings(self.settings.clone())];
        effects.extend(self.see_anew());
        // Another reader's practice: their cases, and what their placement widens.
        self.practice = super::Practice::default();
        self.find_repeatability();
        effects.extend(self.load_practice());
        effects
    }

    pub(super) fn change_context(&mut self, change: ContextChange) -> Vec<Effect> {
        let words = |what: &str| format!("stating the {what}");
        match change {
            ContextChange::More(more) => self.change_more(more),
            ContextChange::ExamDate(text) => self.edit_exam(words("exam date"), true, |c, f| {
                c.exam_date = dates::parse(&text).unwrap_or_default();
                f.exam_date = text;
            }),
            ContextChange::DatingIsLastPeriod(yes) => self.edit_exam(words("dating"), false, |c, f| {
                f.is_last_period = yes;
                c.dating = dating(&f.dating, yes);
            }),
            ContextChange::DatingDate(text) => self.edit_exam(words("dating date"), true, |c, f| {
                c.dating = dating(&text, f.is_last_period);
                f.dating = text;
            }),
            ContextChange::Caesareans(text) => self.edit_exam(words("previous caesareans"), true, |c, f| {
                c.previous_caesareans = Limits::CAESAREANS.count(&text).unwrap_or_default();
                f.caesareans = text;
            }),
            ContextChange::Route(v) => self.edit_exam(words("route"), false, |c, _| c.route = v),
            ContextChange::Bladder(v) => self.edit_exam(words("bladder"), false, |c, _| c.bladder = v),
            ContextChange::Contraction(v) => self.edit_exam(words("contraction"), false, |c, _| c.contraction = v),
            ContextChange::Bleeding(v) => self.edit_exam(words("bleeding"), false, |c, _| c.bleeding = v),
            ContextChange::Pain(v) => self.edit_exam(words("pain or contractions"), false, |c, _| c.pain_or_contractions = v),
            ContextChange::Position(v) => self.edit_exam(words("placental position"), false, |c, _| c.placental_position = v),
            ContextChange::OtherSurgery(v) => self.edit_exam(words("other surgery"), false, |c, _| c.other_uterine_surgery = v),
            ContextChange::Doppler(v) => self.edit_exam(words("Doppler"), false, |c, _| c.doppler_over_os = v),
            ContextChange::EarlierLow(v) => self.edit_exam(words("earlier low placenta"), false, |c, _| c.earlier_low_placenta = v),
        }
        self.checklist_follows();
        Vec::new()
    }
}

fn dating(text: &str, is_last_period: bool) -> Option<Dating> {
    let date = dates::parse(text).unwrap_or_default()?;
    Some(if is_last_period { Dating::LastPeriod(date) } else { Dating::DueDate(date) })
}
