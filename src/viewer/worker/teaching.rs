//! What a teaching set in the window asks of files: listing, cleaned pictures, keeping, writing.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::cli::profile;
use crate::error::Result;
use crate::files;
use crate::interchange::teaching::TeachingSet;
use crate::load::StoredFile;
use crate::record::Store;
use crate::viewer::action::Action;
use crate::viewer::session::{TeachingAction, TeachingEffect};

/// The set in progress, in a private folder of the user's data.
const DIR: &str = "teaching";
const FILE: &str = "set.json";
/// Longest set that is read, bytes.
const LONGEST: u64 = 64 * 1024 * 1024;

/// The set that an earlier window left, if there is one; an error in words when it cannot be read.
pub(super) fn left(data_dir: &Path) -> Option<Action> {
    let path = data_dir.join(DIR).join(FILE);
    if !path.exists() {
        return None;
    }
    Some(match files::read_text(&path, LONGEST).and_then(|t| TeachingSet::from_json(&t)) {
        Ok(set) => Action::Teaching(TeachingAction::Left(Box::new(set))),
        Err(e) => Action::Tell(format!("The teaching set in progress cannot be gone on with: {}", e.message())),
    })
}

/// Carries out one effect; `None` where there is nothing to answer.
pub(super) fn carry_out(effect: TeachingEffect, data_dir: &Path, records: &Path) -> Option<Action> {
    let failed = |e: crate::error::Error| e.message();
    let answer = match effect {
        TeachingEffect::Prepare(paths) => TeachingAction::Prepared(prepare(&paths).map(Box::new).map_err(failed)),
        TeachingEffect::Picture(set, index, state) => {
            TeachingAction::Picture(index, state, set.picture(index).map(Arc::new).map_err(failed))
        }
        TeachingEffect::Keep(set) => {
            let kept = set.to_json().and_then(|t| files::replace(&data_dir.join(DIR), FILE, t.as_bytes()));
            return kept.err().map(|e| Action::Tell(format!("The teaching set in progress is not kept: {}", e.message())));
        }
        TeachingEffect::Forget => {
            let gone = files::remove(&data_dir.join(DIR).join(FILE));
            return gone.err().map(|e| Action::Tell(format!("The teaching set is not forgotten: {}", e.message())));
        }
        TeachingEffect::Write(set, to) => {
            TeachingAction::Written(profile::store_in(data_dir, records).and_then(|store| write(&set, &to, &store)).map_err(failed))
        }
    };
    Some(Action::Teaching(answer))
}

fn prepare(paths: &[PathBuf]) -> Result<TeachingSet> {
    let files: Vec<StoredFile> = paths.iter().map(|p| StoredFile::open(p)).collect::<Result<_>>()?;
    Ok(TeachingSet::prepare(&files, &files::random_key()?))
}

fn write(set: &TeachingSet, to: &Path, store: &Store) -> Result<String> {
    let (records, damaged) = store.load()?;
    let records: Vec<_> = records.into_iter().map(|s| s.record).collect();
    let written = set.write(to, &records)?;
    let mut words = format!("{} frames and {} readings written to {}.", written.frames.len(), written.records.len(), to.display());
    for reason in &written.left_out {
        words.push_str(&format!(" Left out: {reason}."));
    }
    for fault in &damaged {
        words.push_str(&format!(" Not a record: {fault}."));
    }
    Ok(words)
}
