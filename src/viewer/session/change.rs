//! Changes that can be taken back and done again: every one that a reading follows from.

use super::exam::{Form, FrameKey, FrameWork};
use super::{ExamState, Session};
use crate::context::ExamContext;
use crate::load::ExamKey;
use crate::viewer::action::Effect;

/// The most steps that are remembered.
const MOST_STEPS: usize = 1000;

/// One change, with what was there before and after.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// Landmarks, side or consent of one frame.
    Frame(FrameKey, Box<FrameWork>, Box<FrameWork>),
    /// What is known of one exam, with what was typed.
    Exam(ExamKey, Box<(ExamContext, Form)>, Box<(ExamContext, Form)>),
    /// The chosen guideline table.
    Table(Option<String>, Option<String>),
}

#[derive(Clone, Debug)]
struct Step {
    words: String,
    change: Change,
    /// While set, a further change under the same words joins this step.
    open: bool,
}

/// What was done, and what was taken back.
#[derive(Clone, Debug, Default)]
pub struct History {
    done: Vec<Step>,
    undone: Vec<Step>,
}

impl History {
    pub(super) fn undo_words(&self) -> Option<&str> {
        self.done.last().map(|s| s.words.as_str())
    }

    pub(super) fn redo_words(&self) -> Option<&str> {
        self.undone.last().map(|s| s.words.as_str())
    }

    /// Forgets every change of one frame.
    pub(super) fn forget(&mut self, key: &FrameKey) {
        let other = |s: &Step| !matches!(&s.change, Change::Frame(k, ..) if k == key);
        self.done.retain(other);
        self.undone.retain(other);
    }

    /// No later change joins the last step.
    pub(super) fn close(&mut self) {
        if let Some(last) = self.done.last_mut() {
            last.open = false;
        }
    }

    /// Remembers a change. With `join`, it and a following one under the same words are one step.
    pub(super) fn remember(&mut self, words: String, change: Change, join: bool) {
        self.undone.clear();
        if let Some(last) = self.done.last_mut().filter(|l| join && l.open && l.words == words)
            && let Some(joined) = joined(&last.change, &change)
        {
            last.change = joined;
            return;
        }
        self.close();
        self.done.push(Step { words, change, open: join });
        if self.done.len() > MOST_STEPS {
            self.done.remove(0);
        }
    }
}

/// The change from the start of `a` to the end of `b`, when both are of the same thing.
fn joined(a: &Change, b: &Change) -> Option<Change> {
    match (a, b) {
        (Change::Frame(k, before, _), Change::Frame(l, _, after)) if k == l => {
            Some(Change::Frame(k.clone(), before.clone(), after.clone()))
        }
        (Change::Exam(k, before, _), Change::Exam(l, _, after)) if k == l => Some(Change::Exam(k.clone(), before.clone(), after.clone())),
        _ => None,
    }
}

impl Session {
    /// Changes the current frame's work, remembers it, and makes the reading anew. Does nothing before the picture is there.
    pub(super) fn edit_frame(&mut self, words: String, join: bool, edit: impl FnOnce(&mut FrameWork)) {
        let Some(key) = self.current.clone().filter(|_| self.picture().is_some()) else { return };
        let before = self.work.get(&key).cloned().unwrap_or_default();
        let mut after = before.clone();
        edit(&mut after);
        if after != before {
            self.history.remember(words, Change::Frame(key.clone(), Box::new(before), Box::new(after.clone())), join);
            self.work.insert(key, after);
            self.refresh();
        }
    }

    /// Changes what is known of the current exam, remembers it, and makes the reading anew.
    pub(super) fn edit_exam(&mut self, words: String, join: bool, edit: impl FnOnce(&mut ExamContext, &mut Form)) {
        let Some(exam) = self.exam_index().and_then(|i| self.exams.get_mut(i)) else { return };
        let before = (exam.context.clone(), exam.form.clone());
        edit(&mut exam.context, &mut exam.form);
        let after = (exam.context.clone(), exam.form.clone());
        if after != before {
            exam.context_touched = true;
            let change = Change::Exam(exam.key.clone(), Box::new(before), Box::new(after));
            self.history.remember(words, change, join);
            self.refresh();
        }
    }

    pub(super) fn choose_table(&mut self, id: &str) -> Vec<Effect> {
        if self.settings.guideline.as_deref() == Some(id) || !self.tables.iter().any(|t| t.id() == id) {
            return Vec::new();
        }
        let change = Change::Table(self.settings.guideline.clone(), Some(id.to_owned()));
        self.history.remember("choosing the guideline".into(), change, false);
        self.settings.guideline = Some(id.to_owned());
        self.refresh();
        vec![Effect::KeepSettings(self.settings.clone())]
    }

    pub(super) fn undo(&mut self) -> Vec<Effect> {
        let Some(step) = self.history.done.pop() else { return Vec::new() };
        let effects = self.put_back(&step.change, true);
        self.history.undone.push(Step { open: false, ..step });
        effects
    }

    pub(super) fn redo(&mut self) -> Vec<Effect> {
        let Some(step) = self.history.undone.pop() else { return Vec::new() };
        let effects = self.put_back(&step.change, false);
        self.history.done.push(step);
        effects
    }

    /// Puts back one side of a change, and goes to where it can be seen.
    fn put_back(&mut self, change: &Change, before: bool) -> Vec<Effect> {
        let mut effects = Vec::new();
        match change {
            Change::Frame(key, b, a) => {
                self.work.insert(key.clone(), if before { (**b).clone() } else { (**a).clone() });
                effects.extend(self.go_to(key.clone()));
            }
            Change::Exam(key, b, a) => {
                let (context, form) = if before { (**b).clone() } else { (**a).clone() };
                if let Some(exam) = self.exams.iter_mut().find(|e| e.key == *key) {
                    (exam.context, exam.form) = (context, form);
                }
                let elsewhere = self.exam().is_none_or(|e| e.key != *key);
                if let Some(first) = self.exams.iter().find(|e| elsewhere && e.key == *key).and_then(|e: &ExamState| e.frame_at(0)) {
                    effects.extend(self.go_to(first));
                }
            }
            Change::Table(b, a) => {
                self.settings.guideline = if before { b.clone() } else { a.clone() };
                effects.push(Effect::KeepSettings(self.settings.clone()));
            }
        }
        self.refresh();
        effects
    }
}
