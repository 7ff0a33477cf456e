//! The repeatability for new readings, from the whole folder of records and not from the open patients' alone.

use std::path::Path;

use crate::agree::own::{InUse, in_use};
use crate::agree::study::MOST_RECORDS;
use crate::cli::profile::store_in;
use crate::error::Result;
use crate::viewer::action::Action;

/// Looks through the folder; `None` where it holds no record, or cannot be read, which is said where its records are asked for.
pub(super) fn of_folder(data_dir: &Path, records: &Path) -> Option<Action> {
    found(data_dir, records).ok().flatten().map(|in_use| Action::Repeatability(Box::new(in_use)))
}

fn found(data_dir: &Path, records: &Path) -> Result<Option<InUse>> {
    let store = store_in(data_dir, records)?;
    if store.index()?.entries().len() > MOST_RECORDS {
        return Ok(Some(InUse::assumed("There are more records than are looked through.")));
    }
    let (found, _) = store.load()?;
    Ok((!found.is_empty()).then(|| in_use(found.iter().map(|s| &s.record))))
}
