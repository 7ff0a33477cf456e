//! What the page of the second reader asks of files.

use std::path::Path;

use crate::cli::profile;
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, ReaderKey};
use crate::record::{ReadingRecord, ReviewRecord, Signer, Store};
use crate::review::{Awaiting, ExamReview, Order, Wish, exams, queue};
use crate::viewer::action::Action;
use crate::viewer::session::{ReviewAction, ReviewEffect};

/// Carries out one effect.
pub(super) fn carry_out(effect: ReviewEffect, data_dir: &Path, records: &Path) -> Action {
    Action::Review(match effect {
        ReviewEffect::Load(number, order) => ReviewAction::Loaded(number, load(order, data_dir, records).map_err(|e| e.message())),
        ReviewEffect::Take(exam, wish, passphrase) => {
            ReviewAction::Taken(take(&exam, &wish, &passphrase, data_dir, records).map_err(|e| e.message()))
        }
    })
}

fn of(store: &Store) -> Result<Vec<ExamReview>> {
    let records: Vec<ReadingRecord> = store.load()?.0.into_iter().map(|s| s.record).collect();
    let steps: Vec<ReviewRecord> = store.reviews()?.0.into_iter().map(|s| s.record).collect();
    Ok(exams(&records, &steps))
}

fn load(order: Order, data_dir: &Path, records: &Path) -> Result<(Vec<Awaiting>, Vec<ExamReview>)> {
    let Some(who) = profile::onlooker(data_dir)? else { return Ok((Vec::new(), Vec::new())) };
    if !records.is_dir() {
        return Ok((Vec::new(), Vec::new()));
    }
    // The queue is made from everything and says nothing of any reading.
    let waiting = queue(&of(&Store::at(records))?, &who.reader, order, false, true);
    Ok((waiting, of(&profile::store_in(data_dir, records)?)?))
}

fn take(exam: &str, wish: &Wish, passphrase: &str, data_dir: &Path, records: &Path) -> Result<String> {
    let nobody = || Error::new(ErrorKind::Usage, "the step cannot be recorded").expected("a reader").found("none named");
    let who = profile::onlooker(data_dir)?.ok_or_else(nobody)?;
    let store = profile::store_in(data_dir, records)?;
    let all = of(&store)?;
    let found = all.iter().find(|e| e.exam == exam).ok_or_else(|| {
        Error::new(ErrorKind::Usage, "the step cannot be recorded").found("the exam is not there any more, or not yours to see yet")
    })?;
    let seed = if *wish == Wish::Sign { Some(seed(&who.reader, passphrase, data_dir)?) } else { None };
    if let Some(seed) = &seed {
        profile::keep_signer(data_dir, Signer { name: who.reader.clone(), key: files::public_key(seed) })?;
    }
    let record = found.step(wish, &who.reader, who.role, files::now(), seed.as_ref())?;
    store.save_review(&record)?;
    Ok(format!("Recorded: {} by {}.", record.step.words(), record.by))
}

fn seed(reader: &str, passphrase: &str, data_dir: &Path) -> Result<[u8; 32]> {
    match files::reader_key(data_dir, reader)? {
        ReaderKey::Open(seed) => Ok(seed),
        ReaderKey::Sealed(_) if passphrase.is_empty() => {
            Err(Error::new(ErrorKind::Usage, "the key is sealed").remedy("Type its passphrase beside the button"))
        }
        ReaderKey::Sealed(text) => files::unseal(&text, passphrase)?
            .try_into()
            .map_err(|_| Error::new(ErrorKind::Format, "the sealed key cannot be used").expected("32 bytes").found("another length")),
    }
}
