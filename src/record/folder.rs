//! Verification of a whole folder: every record by itself, then the graph that they make.
//!
//! Records are read, checked and let go in batches over all cores. What is kept of each is 32 bytes of id and of each id
//! that it follows, so memory hardly grows with the folder.

use std::collections::{BTreeSet, HashSet};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::index::from_hex;
use super::review::{self, Signer, is_review};
use super::second::check_mark;
use super::store::is_beside;
use super::store::{read_record_text, reading_beside};
use super::told::{self, is_told};
use super::{Check, Difference, ImageSource, Store, verify_text_with};
use crate::digest::hex;
use crate::error::{Error, Result};
use crate::files;
use crate::guideline::Shelf;

/// Records in work at one time.
const BATCH: usize = 512;

/// What came of one file of a folder.
#[derive(Debug)]
pub struct Verified {
    /// The file.
    pub path: PathBuf,
    /// What its check found, or why it holds no record.
    pub check: Result<Check>,
}

/// What came of a folder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Files looked at.
    pub files: usize,
    /// Files that hold no record, or whose record differs.
    pub bad: usize,
    /// Temporary files of saves that never finished; no records.
    pub unfinished: usize,
    ids: HashSet<[u8; 32]>,
}

impl Totals {
    /// Whether a record of this id was among the files.
    #[must_use]
    pub fn holds(&self, id: &str) -> bool {
        from_hex(id).is_ok_and(|id| self.ids.contains(&id))
    }
}

impl Store {
    /// Checks every record under this folder. `each` is told of every file in order of path; then once more of each
    /// record that follows one which is not there.
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io) when the folder cannot be listed, and whatever `each` returns.
    pub fn verify(&self, images: Option<&(dyn ImageSource + Sync)>, each: &mut dyn FnMut(&Verified) -> Result<()>) -> Result<Totals> {
        let paths = files::tree(self.dir(), "json")?;
        // A save that a crash cut short may lie in any folder that holds records.
        let folders: BTreeSet<&Path> = paths.iter().filter_map(|p| p.parent()).chain([self.dir()]).collect();
        let unfinished = folders.into_iter().map(|dir| files::unfinished(dir).map(|found| found.len())).sum::<Result<usize>>()?;
        let mut totals = Totals { files: paths.len(), unfinished, ..Totals::default() };
        let mut follows: Vec<([u8; 32], u32)> = Vec::new();
        let mut differs: HashSet<u32> = HashSet::new();
        let mut number = 0_u32;
        for batch in paths.chunks(BATCH) {
            let checked: Vec<(Verified, Option<Links>)> =
                batch.par_iter().map(|path| check_file(path, images, self.shelf(), self.signers())).collect();
            for (verified, links) in checked {
                if verified.check.as_ref().map_or(true, |c| !c.differences.is_empty()) {
                    differs.insert(number);
                }
                if let Some(links) = links {
                    totals.ids.insert(links.id);
                    follows.extend(links.follows.into_iter().map(|f| (f, number)));
                }
                each(&verified)?;
                number += 1;
            }
        }
        for (id, by) in follows {
            if !totals.ids.contains(&id)
                && let Some(path) = paths.get(by as usize)
            {
                differs.insert(by);
                let missing = Difference {
                    what: if is_beside(path) { "a record that it belongs to" } else { "an earlier record that this one follows" }.into(),
                    expected: format!("record {} in this folder", hex(&id)),
                    found: "none: it was removed or changed".into(),
                };
                let check = Check { differences: vec![missing], unchecked: Vec::new() };
                each(&Verified { path: path.clone(), check: Ok(check) })?;
            }
        }
        totals.bad = differs.len();
        Ok(totals)
    }
}

struct Links {
    id: [u8; 32],
    follows: Vec<[u8; 32]>,
}

fn check_file(path: &PathBuf, images: Option<&(dyn ImageSource + Sync)>, shelf: &Shelf, signers: &[Signer]) -> (Verified, Option<Links>) {
    let read = || -> Result<(Check, Links)> {
        if is_told(path) {
            // Its reading usually lies in the same folder, under its id.
            let (record, check) = told::check(&read_record_text(path)?, |id| reading_beside(path, id), shelf)?;
            return Ok((check, Links { id: from_hex(record.id())?, follows: vec![from_hex(&record.reading)?] }));
        }
        if is_review(path) {
            let (record, check) = review::check(&read_record_text(path)?, |id| reading_beside(path, id), signers)?;
            let about = record.step.readings().into_iter().chain(record.follows.iter().map(String::as_str));
            let follows = about.map(from_hex).collect::<Result<_>>()?;
            return Ok((check, Links { id: from_hex(record.id())?, follows }));
        }
        let (record, mut check) = verify_text_with(&read_record_text(path)?, images.map(|i| i as &dyn ImageSource), shelf)?;
        check_mark(&record, |id| reading_beside(path, id), &mut check);
        // The readings that a mark names may have stayed in another folder; those that it follows may not be missing.
        let follows = record.follows.iter().map(|f| from_hex(f)).collect::<Result<_>>()?;
        let links = Links { id: from_hex(record.id())?, follows };
        Ok((check, links))
    };
    match read() {
        Ok((check, links)) => (Verified { path: path.clone(), check: Ok(check) }, Some(links)),
        Err(e) => (Verified { path: path.clone(), check: Err(Error::at(e, path)) }, None),
    }
}
