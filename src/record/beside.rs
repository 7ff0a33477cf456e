//! What the records beside readings share: how their files are named, written and read.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::verify::content_digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// The name of the file of a record of this kind: no identity in it.
pub(super) fn file_name(prefix: &str, id: &str) -> String {
    format!("{prefix}{}.json", id.get(..20).unwrap_or(id))
}

/// Whether a file's name is that of a record of this kind.
pub(super) fn is_of(prefix: &str, path: &Path) -> bool {
    path.file_name().is_some_and(|n| n.as_encoded_bytes().starts_with(prefix.as_bytes()))
}

/// A record as text for its file.
pub(super) fn to_json(record: &impl serde::Serialize) -> Result<String> {
    serde_json::to_string_pretty(record).map(|t| t + "\n").map_err(unwritable)
}

pub(super) fn unwritable(e: serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the record cannot be written").caused_by(e)
}

/// The error for a file whose content is not what it was saved with.
pub(super) fn changed() -> Error {
    Error::new(ErrorKind::Record, "the record was changed after it was saved")
        .expected("content that matches its digest")
        .found("other content")
        .remedy("Put back a copy of the file from before; osspan verify says what differs")
}

/// The records of one kind among `paths`, each once, with an error for each file that holds none. `id` is the digest that a
/// record names.
pub(super) fn load<R>(
    paths: &[PathBuf],
    prefix: &str,
    longest: u64,
    parse: impl Fn(&str) -> Result<R>,
    id: impl Fn(&R) -> &str,
) -> (Vec<(PathBuf, R)>, Vec<Error>) {
    let mut found = (Vec::new(), Vec::new());
    let mut ids = HashSet::new();
    for path in paths.iter().filter(|p| is_of(prefix, p)) {
        let read = files::read_text(path, longest).and_then(|text| {
            let record = parse(&text)?;
            if content_digest(&text)? == id(&record) { Ok(record) } else { Err(changed()) }
        });
        match read {
            // A file that was copied is the same record again.
            Ok(record) if ids.insert(id(&record).to_owned()) => found.0.push((path.clone(), record)),
            Ok(_) => {}
            Err(e) => found.1.push(e.at(path)),
        }
    }
    found
}
