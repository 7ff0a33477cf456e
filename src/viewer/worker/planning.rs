//! Who is due and who was told, read from and written to the records.

use std::collections::BTreeMap;
use std::path::Path;

use crate::caseload::{Caseload, Unread, due_rows, keep_unseen};
use crate::cli::due::gather;
use crate::cli::profile::{onlooker, store_in};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::followup::{Standing, Told};
use crate::guideline::Shelf;
use crate::record::{Query, Store, StoredTold, ToldRecord};
use crate::viewer::action::Action;
use crate::viewer::session::{DueList, PlanAction, PlanEffect};

/// The records of who was told, of every reading.
pub(super) fn told(data_dir: &Path, records: &Path) -> Action {
    match store_in(data_dir, records).and_then(|store| store.told()) {
        Ok((told, _)) => Action::Plan(PlanAction::ToldRecords(told)),
        Err(e) => Action::Tell(format!("Who was told of urgent matters cannot be read: {e}")),
    }
}

pub(super) fn carry_out(effect: PlanEffect, data_dir: &Path, records: &Path) -> Action {
    match effect {
        PlanEffect::List(asked) => {
            let (unread, shelf) = *asked;
            Action::Plan(PlanAction::Listed(list(data_dir, records, &unread, &shelf).map(Box::new).map_err(|e| e.to_string())))
        }
        PlanEffect::SaveTold(asked) => {
            let (reading, told, shelf) = *asked;
            Action::Plan(PlanAction::ToldSaved(
                store_in(data_dir, records).and_then(|store| save(&store, &reading, told, &shelf)).map(Box::new).map_err(|e| e.to_string()),
            ))
        }
    }
}

fn list(data_dir: &Path, records: &Path, unread: &[Unread], shelf: &Shelf) -> Result<DueList> {
    let today = files::today();
    // Made from every reader's readings, so that nobody is missed; what this one may not see yet is taken out below.
    let all = Store::at(records).with_index(files::index_in(data_dir, records));
    let found = gather(&all, onlooker(data_dir)?.as_ref(), today, false)?;
    let mut left_out: Vec<String> = found.faults.iter().map(|e| format!("Not a record: {e}")).collect();
    left_out.extend(found.long_ago_words());
    let studies: BTreeMap<String, String> =
        found.records.iter().filter_map(|r| Some((r.id().to_owned(), r.study_instance_uid.clone()?))).collect();
    // Records may hold what this window has not read.
    let unread: Vec<Unread> = unread.iter().filter(|u| !found.exams.contains(&u.exam)).cloned().collect();
    let cases = Caseload::reviewed(found.records, &found.told, &found.not_standing);
    let mut rows = due_rows(&cases, &unread, &found.signed, shelf, today)?;
    keep_unseen(&mut rows, &found.unseen);
    rows.retain(|r| !matches!(r.listed.standing.as_slice(), [Standing::Nothing | Standing::Past]));
    let mut names: BTreeMap<_, _> = cases.women.into_iter().map(|w| (w.key, w.patient)).collect();
    names.extend(unread.into_iter().map(|u| (u.patient.key().unwrap_or(u.key), u.patient)));
    let studies = rows.iter().filter_map(|r| r.reading.as_ref()).filter_map(|id| Some((id.clone(), studies.get(id)?.clone()))).collect();
    Ok(DueList { today, rows, names, studies, left_out })
}

fn save(store: &Store, reading: &str, told: Told, shelf: &Shelf) -> Result<StoredTold> {
    let index = store.index()?;
    let found = index.find(&Query { id: Some(reading.to_owned()), ..Query::default() });
    let entry =
        found.first().ok_or_else(|| Error::new(ErrorKind::Record, "the reading is not among the records").found(reading.to_owned()))?;
    let record = store.open(entry)?.record;
    let now = files::now();
    let at = if told.at.is_empty() { now.clone() } else { told.at.clone() };
    let made = ToldRecord::new(&record, Told { at, ..told }, now, shelf)?;
    let path = store.save_told(&made)?;
    Ok(StoredTold { path, record: made })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_list_says_which_files_are_not_in_it() {
        let home = tempfile::tempdir().unwrap();
        let records = home.path().join("records");
        std::fs::create_dir(&records).unwrap();
        std::fs::write(records.join("reading-half.json"), "{").unwrap();
        let made = list(home.path(), &records, &[], &Shelf::bundled()).unwrap();
        assert!(made.rows.is_empty() && made.left_out.len() == 1, "{:?}", made.left_out);
        let said = made.left_out.first().unwrap();
        assert!(said.starts_with("Not a record") && said.contains("reading-half.json"), "{said}");
    }
}
