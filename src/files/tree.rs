//! The files under a folder, with what tells at a glance whether one has changed.

use std::fs;
use std::io::ErrorKind as IoKind;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// Deepest folder below the one named.
const DEEPEST: usize = 32;

/// Length and times of change of a file. A file whose stamp is the same has, but for a forger with rights over the
/// clock, the same content; `verify` does not rely on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    length: u64,
    modified_ns: i64,
    /// When the entry itself last changed; a program cannot set it. 0 where the system has no such time.
    changed_ns: i64,
}

impl Stamp {
    fn of(meta: &fs::Metadata) -> Self {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            let ns = |s: i64, n: i64| s.wrapping_mul(1_000_000_000).wrapping_add(n);
            Self { length: meta.len(), modified_ns: ns(meta.mtime(), meta.mtime_nsec()), changed_ns: ns(meta.ctime(), meta.ctime_nsec()) }
        }
        #[cfg(not(unix))]
        {
            let since = meta.modified().ok().and_then(|t| t.duration_since(std::time::UNIX_EPOCH).ok());
            Self { length: meta.len(), modified_ns: since.map_or(0, |d| d.as_nanos() as i64), changed_ns: 0 }
        }
    }
}

/// The files under `dir` whose name ends in `.ending`, sorted; hidden files and folders are left out and links to folders
/// not followed. An absent folder has none.
///
/// # Errors
/// [`ErrorKind::Io`] when a folder cannot be listed, [`ErrorKind::Limit`] when folders lie deeper than 32.
pub fn tree(dir: &Path, ending: &str) -> Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    if is_there(dir)? {
        walk(dir, ending, DEEPEST, &mut found)?;
        // By bytes: comparing paths part by part takes longer than reading the folder.
        found.sort_unstable_by(|a, b| a.as_os_str().cmp(b.as_os_str()));
    }
    Ok(found)
}

/// As [`tree`], each path relative to `dir` and with its stamp. A file that goes while it is looked at is left out. One that is
/// there and cannot be looked at has the stamp of no file, so that whoever remembers stamps reads it and is told why.
///
/// # Errors
/// As [`tree`].
pub fn tree_with_stamps(dir: &Path, ending: &str) -> Result<Vec<(PathBuf, Stamp)>> {
    let found = tree(dir, ending)?;
    Ok(found
        .into_par_iter()
        .filter_map(|path| {
            let stamp = match fs::metadata(&path) {
                Ok(meta) => Stamp::of(&meta),
                Err(e) if e.kind() == IoKind::NotFound && fs::symlink_metadata(&path).is_err() => return None,
                Err(_) => Stamp { length: 0, modified_ns: 0, changed_ns: 0 },
            };
            Some((path.strip_prefix(dir).ok()?.to_path_buf(), stamp))
        })
        .collect())
}

/// Whether a file's name ends in `.ending`, in capitals or not: what a disk without small letters made of a name is no other file.
pub(super) fn ends_in(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending))
}

/// Whether there is such a file or folder. That it cannot be told, because a folder above may not be entered or a share does not
/// answer, is no answer: nothing is taken for absent that may be there.
///
/// # Errors
/// [`ErrorKind::Io`].
pub(super) fn is_there(path: &Path) -> Result<bool> {
    path.try_exists().map_err(|e| Error::io("it cannot be told whether this is there", path, e))
}

fn walk(dir: &Path, ending: &str, deeper: usize, found: &mut Vec<PathBuf>) -> Result<()> {
    let fail = |e| Error::io("the folder cannot be listed", dir, e);
    for entry in fs::read_dir(dir).map_err(fail)? {
        let entry = entry.map_err(fail)?;
        if entry.file_name().as_encoded_bytes().starts_with(b".") {
            continue;
        }
        let path = entry.path();
        if entry.file_type().map_err(fail)?.is_dir() {
            if deeper == 0 {
                return Err(Error::new(ErrorKind::Limit, "the folders lie too deep").expected(format!("at most {DEEPEST}")).at(dir));
            }
            walk(&path, ending, deeper - 1, found)?;
        } else if ends_in(&path, ending) {
            found.push(path);
        }
    }
    Ok(())
}
