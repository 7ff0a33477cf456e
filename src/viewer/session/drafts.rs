//! Unfinished readings: every change is kept as it is made, and what a crash left behind is offered when its frame is shown.
//!
//! An offer is a reader's own: another reader's unfinished work is neither shown nor counted.

use super::exam::{Form, FrameKey, FrameWork, SourceFile};
use super::{SaveState, Session};
use crate::record::Draft;
use crate::viewer::action::Effect;

/// What is kept on disk for this window, and what earlier windows left.
#[derive(Clone, Debug, Default)]
pub(super) struct Unfinished {
    /// Left by earlier windows, newest first.
    left: Vec<Draft>,
    /// What this window keeps now, by frame.
    kept: std::collections::BTreeMap<FrameKey, Draft>,
}

/// The draft of what was done on one frame.
fn draft_of(session: &Session, key: &FrameKey, file: &SourceFile) -> Option<Draft> {
    let frame = session.frame_ids.get(key)?;
    // Taken apart by name, so that a new kind of work cannot be left out of drafts.
    let FrameWork { os, edge, body, sinus, side, consent, scale, notes } = session.work.get(key).cloned().unwrap_or_default();
    let mut draft = Draft::of(frame.clone(), &file.path, String::new());
    draft.reader = session.reader().trim().to_owned();
    draft.table = session.table_id_of(key).map(str::to_owned);
    (draft.internal_os, draft.edge, draft.placental_body, draft.marginal_sinus) = (os, edge, body, sinus);
    (draft.side, draft.pixel_spacing_consent, draft.scale) = (side, consent, scale);
    draft.notes = notes;
    draft.context = session.exams.iter().find(|e| e.place_of(key).is_some())?.context.clone();
    Some(draft)
}

fn work_of(draft: &Draft) -> FrameWork {
    FrameWork {
        os: draft.internal_os,
        edge: draft.edge,
        body: draft.placental_body,
        sinus: draft.marginal_sinus,
        side: draft.side,
        consent: draft.pixel_spacing_consent.clone(),
        scale: draft.scale.clone(),
        notes: draft.notes.clone(),
    }
}

impl Session {
    /// What must be written or forgotten so that the drafts on disk are what is unsaved on the current frame.
    pub(super) fn keep_drafts(&mut self) -> Vec<Effect> {
        let mut effects = Vec::new();
        let Some(key) = self.current.clone().filter(|_| self.picture().is_some()) else { return effects };
        let wanted = if self.is_unfinished(&key) { self.file().and_then(|f| draft_of(self, &key, f)) } else { None };
        match (wanted, self.unfinished.kept.get(&key)) {
            (Some(new), old) if old != Some(&new) => {
                self.unfinished.kept.insert(key, new.clone());
                effects.push(Effect::KeepDraft(Box::new(new)));
            }
            (None, Some(_)) => {
                if let Some(old) = self.unfinished.kept.remove(&key) {
                    effects.push(Effect::DiscardDraft(Box::new(old)));
                }
            }
            _ => {}
        }
        effects
    }

    /// Whether something was done on a frame, or said of its exam, that no record holds.
    fn is_unfinished(&self, key: &FrameKey) -> bool {
        match self.save_state_of(key) {
            SaveState::NotSaved | SaveState::ChangedSinceSaved | SaveState::Saving => true,
            SaveState::Saved => false,
            SaveState::Nothing => self.exams.iter().find(|e| e.place_of(key).is_some()).is_some_and(|exam| {
                let saved = |(k, s): (&FrameKey, &super::saving::SavedState)| exam.place_of(k).is_some() && s.context == exam.context;
                exam.context_touched && !self.saved.iter().any(saved)
            }),
        }
    }

    pub(super) fn take_drafts(&mut self, drafts: Vec<Draft>, faults: &[String]) -> Vec<Effect> {
        self.unfinished.left = drafts;
        if let Some(fault) = faults.first() {
            self.tell(format!("An unfinished reading cannot be offered again: {fault}"));
        }
        Vec::new()
    }

    /// Unfinished readings that earlier windows left for this reader, newest first.
    pub fn left_unfinished(&self) -> impl Iterator<Item = &Draft> {
        let reader = self.reader().trim();
        self.unfinished.left.iter().filter(move |d| d.reader.is_empty() || d.reader == reader)
    }

    /// The newest of them for the frame that is shown.
    #[must_use]
    pub fn offered_draft(&self) -> Option<&Draft> {
        let id = self.current.as_ref().filter(|_| self.picture().is_some()).and_then(|k| self.frame_ids.get(k))?;
        self.left_unfinished().find(|d| d.frame.same_picture(id))
    }

    /// Takes up the offered draft: what it holds replaces what was done on the frame, and can be undone.
    pub(super) fn take_up_draft(&mut self) -> Vec<Effect> {
        let Some(draft) = self.offered_draft().cloned() else { return Vec::new() };
        let words = || "taking up the unfinished reading".to_owned();
        self.edit_exam(words(), false, |context, form| {
            *context = draft.context.clone();
            *form = Form::of(context);
        });
        self.edit_frame(words(), false, |work| *work = work_of(&draft));
        self.put_down();
        if let Some(table) = draft.table.as_deref().filter(|t| self.table().is_none_or(|now| now.id() != *t)) {
            let name = self.tables.iter().find(|t| t.id() == table).map_or(table, |t| t.name()).to_owned();
            self.tell(format!("The unfinished reading was made under {name}; another guideline is chosen now."));
        }
        // First kept under this window's name, then the old one is let go.
        let mut effects = self.keep_drafts();
        effects.extend(self.let_draft_go(&draft));
        effects
    }

    pub(super) fn let_offer_go(&mut self) -> Vec<Effect> {
        let offered = self.offered_draft().cloned();
        offered.map_or_else(Vec::new, |draft| self.let_draft_go(&draft))
    }

    fn let_draft_go(&mut self, draft: &Draft) -> Vec<Effect> {
        self.unfinished.left.retain(|d| d != draft);
        vec![Effect::DiscardDraft(Box::new(draft.clone()))]
    }
}
