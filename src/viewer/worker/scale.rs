//! What scales in the window ask of the machine: checks of frames off the drawing thread, and the history on disk.

use std::path::Path;

use crate::error::Result;
use crate::files;
use crate::phantom;
use crate::scanners::{self, ScaleCheck};
use crate::viewer::action::Action;
use crate::viewer::session::{ScaleAction, ScaleEffect};

/// The history of a data folder.
pub(super) fn history(data_dir: &Path) -> Action {
    match scanners::load(&files::scale_checks_in(data_dir)) {
        Ok(history) => Action::Scale(ScaleAction::History(Box::new(history), files::today())),
        Err(e) => Action::Tell(format!("The history of scale checks cannot be read: {e}")),
    }
}

/// Carries out one effect.
pub(super) fn carry_out(effect: ScaleEffect, data_dir: &Path) -> Action {
    Action::Scale(match effect {
        ScaleEffect::Check(key, frame, geometry, definition) => {
            let check = phantom::check(&frame, &geometry, &definition);
            ScaleAction::Checked(key, definition.id.clone(), check.map(Box::new).map_err(|e| e.message()))
        }
        ScaleEffect::Keep(made, checks, definition) => {
            let kept = || -> Result<ScaleCheck> {
                let made = scanners::Made { made_at: files::now_exactly(), ..*made };
                let entry = ScaleCheck::new(made, &checks, &definition, &phantom::tolerance()?)?;
                let dir = files::scale_checks_in(data_dir);
                let history = scanners::load(&dir)?;
                Ok(scanners::save(&dir, &history, entry, &files::signing_seed(data_dir)?)?.0)
            };
            ScaleAction::Kept(kept().map(Box::new).map_err(|e| e.message()))
        }
    })
}
