//! What the page of the second reader asks of files.

use std::path::Path;

use crate::cli::profile;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::record::Store;
use crate::review::{Desk, ExamReview, Order, Wish};
use crate::viewer::action::Action;
use crate::viewer::session::{DeskNow, ReviewAction, ReviewEffect};

/// Carries out one effect.
pub(super) fn carry_out(effect: ReviewEffect, data_dir: &Path, records: &Path) -> Action {
    Action::Review(match effect {
        ReviewEffect::Load(number, order, same_frames) => {
            ReviewAction::Loaded(number, load(order, same_frames, data_dir, records).map_err(|e| e.message()))
        }
        ReviewEffect::Take(exam, wish, passphrase) => {
            ReviewAction::Taken(take(&exam, &wish, &passphrase, data_dir, records).map_err(|e| e.message()))
        }
    })
}

fn load(order: Order, same_frames: bool, data_dir: &Path, records: &Path) -> Result<Box<DeskNow>> {
    let Some(who) = profile::onlooker(data_dir)?.filter(|_| records.is_dir()) else { return Ok(Box::default()) };
    let desk = Desk::open(&Store::at(records), who)?;
    Ok(Box::new(DeskNow {
        waiting: desk.waiting(order, same_frames, true),
        standings: desk.seen().map(ExamReview::standing).collect(),
        exams: desk.seen().cloned().collect(),
        faults: desk.faults().iter().map(ToString::to_string).collect(),
    }))
}

fn take(exam: &str, wish: &Wish, passphrase: &str, data_dir: &Path, records: &Path) -> Result<String> {
    let nobody = || Error::new(ErrorKind::Usage, "the step cannot be recorded").expected("a reader").found("none named");
    let who = profile::onlooker(data_dir)?.ok_or_else(nobody)?;
    let store = Store::at(records);
    let desk = Desk::open(&store, who.clone())?;
    let found = desk.seen().find(|e| e.exam == exam).ok_or_else(|| {
        Error::new(ErrorKind::Usage, "the step cannot be recorded").found("the exam is not there any more, or not yours to see yet")
    })?;
    let asked =
        || if passphrase.is_empty() { Err(profile::sealed("Type its passphrase beside the button")) } else { Ok(passphrase.to_owned()) };
    let seed = if *wish == Wish::Sign { Some(profile::reader_seed(data_dir, &who.reader, asked)?) } else { None };
    let record = found.step(wish, &who.reader, who.role, files::now_exactly(), seed.as_ref())?;
    store.save_review(&record)?;
    Ok(format!("Recorded: {} by {}.", record.step.words(), record.by))
}
