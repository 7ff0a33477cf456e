//! The one place for paths, private permissions, atomic publishing and settings.

mod keys;
mod publish;
mod seal;
mod settings;
mod sign;
mod tree;
mod writing;

pub use keys::{ReaderKey, practice_secret, random_key, reader_key, seal_reader_key, signing_seed};
pub use publish::{create_private_dir, publish_new, remove_leftovers, replace, unfinished};
pub use seal::{seal, unseal};
pub use settings::Settings;
pub use sign::{is_signed, public_key, sign};
pub use tree::{Stamp, tree, tree_with_stamps};
use tree::{ends_in, is_there};
pub use writing::{FolderLock, Writing, is_full, lock_folder};

use std::fs;
use std::path::{Path, PathBuf};

use crate::digest::sha256_hex;
use crate::error::{Error, ErrorKind, Result};

/// Environment variable that names another folder for records and settings (tests, shared folders).
pub const DATA_ENV: &str = "OSSPAN_DATA";

/// The user's data folder: [`DATA_ENV`] where set, else the platform's place for application data.
///
/// # Errors
/// [`ErrorKind::Io`] when the platform names no home folder.
pub fn data_dir() -> Result<PathBuf> {
    if let Some(dir) = std::env::var_os(DATA_ENV).filter(|d| !d.is_empty()) {
        return Ok(PathBuf::from(dir));
    }
    directories::ProjectDirs::from("", "", "osspan").map(|d| d.data_dir().to_path_buf()).ok_or_else(|| {
        Error::new(ErrorKind::Io, "no folder for records")
            .expected("a home folder")
            .found("none")
            .remedy(format!("Name one in the environment variable {DATA_ENV}"))
    })
}

/// Environment variable that names a folder for records alone, such as one that a department's workstations share, each with
/// settings and keys of its own.
pub const RECORDS_ENV: &str = "OSSPAN_RECORDS";

/// Where saved readings go unless another folder is named.
///
/// # Errors
/// As [`data_dir`].
pub fn records_dir() -> Result<PathBuf> {
    Ok(records_in(&data_dir()?))
}

/// Where saved readings go for a data folder: [`RECORDS_ENV`] where set, else a folder in it.
#[must_use]
pub fn records_in(data_dir: &Path) -> PathBuf {
    if let Some(dir) = std::env::var_os(RECORDS_ENV).filter(|d| !d.is_empty()) {
        return PathBuf::from(dir);
    }
    data_dir.join("records")
}

/// Checks that the folder of records is there where [`RECORDS_ENV`] names it: a share that is not connected must not be taken for one
/// without records. A folder that is named otherwise may still be to be made.
///
/// # Errors
/// [`ErrorKind::Io`].
pub fn check_records(dir: &Path) -> Result<()> {
    let named = std::env::var_os(RECORDS_ENV).is_some_and(|d| !d.is_empty() && Path::new(&d) == dir);
    if !named || is_there(dir)? {
        return Ok(());
    }
    Err(Error::new(ErrorKind::Io, "the folder of records is not there")
        .expected(format!("the folder that {RECORDS_ENV} names"))
        .found("none")
        .remedy("Connect the share that it is on; if it is a new one, make the folder first")
        .at(dir))
}

/// Where a department puts its own guideline tables.
///
/// # Errors
/// As [`data_dir`].
pub fn tables_dir() -> Result<PathBuf> {
    Ok(data_dir()?.join("tables"))
}

/// Where unfinished readings are kept in a data folder.
#[must_use]
pub fn drafts_in(data_dir: &Path) -> PathBuf {
    data_dir.join("drafts")
}

/// Where practice is kept in a data folder, apart from clinical records.
#[must_use]
pub fn practice_in(data_dir: &Path) -> PathBuf {
    data_dir.join("practice")
}

/// Where reports are written unless another place is named.
#[must_use]
pub fn reports_in(data_dir: &Path) -> PathBuf {
    data_dir.join("reports")
}

/// Where this user's history of scale checks is kept.
///
/// # Errors
/// As [`data_dir`].
pub fn scale_checks_dir() -> Result<PathBuf> {
    Ok(scale_checks_in(&data_dir()?))
}

/// Where the history of scale checks is kept in a data folder.
#[must_use]
pub fn scale_checks_in(data_dir: &Path) -> PathBuf {
    data_dir.join("scale-checks")
}

/// The settings of the archive link in a data folder.
#[must_use]
pub fn archive_settings_in(data_dir: &Path) -> PathBuf {
    data_dir.join("archive.toml")
}

/// Where objects wait for an archive to say that it has them, in a data folder.
#[must_use]
pub fn outbox_in(data_dir: &Path) -> PathBuf {
    data_dir.join("outbox")
}

/// Where objects go that were received or fetched, in a data folder.
#[must_use]
pub fn received_in(data_dir: &Path) -> PathBuf {
    data_dir.join("received")
}

/// The file that keeps the index of the records in `dir`. It lies with this user's data, since `dir` may be shared or
/// read-only.
///
/// # Errors
/// As [`data_dir`].
pub fn index_file(dir: &Path) -> Result<PathBuf> {
    Ok(index_in(&data_dir()?, dir))
}

/// As [`index_file`], in a data folder that is known.
#[must_use]
pub fn index_in(data_dir: &Path, dir: &Path) -> PathBuf {
    let whole = fs::canonicalize(dir).unwrap_or_else(|_| dir.to_path_buf());
    let name: String = sha256_hex(whole.as_os_str().as_encoded_bytes()).chars().take(20).collect();
    data_dir.join("index").join(name)
}

/// The bundled sample exam: beside the sources when run from a checkout, else beside the program.
#[must_use]
pub fn sample_exam_dir() -> Option<PathBuf> {
    let mut starts: Vec<PathBuf> = Vec::new();
    starts.extend(std::env::var_os("CARGO_MANIFEST_DIR").map(PathBuf::from));
    starts.extend(std::env::current_exe().ok());
    starts.extend(std::env::current_dir().ok());
    starts.iter().flat_map(|s| s.ancestors()).map(|a| a.join("sample-images")).find(|d| d.join("landmarks.json").is_file())
}

/// The folder that a path's file is in: "." where it names none.
#[must_use]
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."))
}

/// Reads a file of at most `limit` bytes.
///
/// # Errors
/// [`ErrorKind::Io`], [`ErrorKind::Limit`] when it is longer.
pub fn read_bytes(path: &Path, limit: u64) -> Result<Vec<u8>> {
    use std::io::Read;
    let fail = |e| Error::io("the file cannot be read", path, e);
    let file = fs::File::open(path).map_err(fail)?;
    let mut bytes = Vec::new();
    file.take(limit + 1).read_to_end(&mut bytes).map_err(fail)?;
    if bytes.len() as u64 > limit {
        return Err(Error::new(ErrorKind::Limit, "the file is too long").expected(format!("at most {limit} bytes")).found("more").at(path));
    }
    Ok(bytes)
}

/// Reads a text file of at most `limit` bytes.
///
/// # Errors
/// As [`read_bytes`], and [`ErrorKind::Format`] when it is not UTF-8.
pub fn read_text(path: &Path, limit: u64) -> Result<String> {
    String::from_utf8(read_bytes(path, limit)?)
        .map_err(|_| Error::new(ErrorKind::Format, "the file is not text").expected("UTF-8").found("other bytes").at(path))
}

/// As [`read_text`]; `None` when there is no such file.
///
/// # Errors
/// As [`read_text`].
pub fn read_text_if_there(path: &Path, limit: u64) -> Result<Option<String>> {
    if is_there(path)? { read_text(path, limit).map(Some) } else { Ok(None) }
}

/// Removes a file; one that is not there is no error.
///
/// # Errors
/// [`ErrorKind::Io`].
pub fn remove(path: &Path) -> Result<()> {
    match fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Error::io("the file cannot be removed", path, e)),
        _ => Ok(()),
    }
}

/// The files of one folder whose name ends in `.ending`, sorted by name; an absent folder has none.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder exists but cannot be listed.
pub fn list(dir: &Path, ending: &str) -> Result<Vec<PathBuf>> {
    if !is_there(dir)? {
        return Ok(Vec::new());
    }
    let fail = |e| Error::io("the folder cannot be listed", dir, e);
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if !hidden && ends_in(&path, ending) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

/// The present moment as RFC 3339 with its offset from UTC, to the second: `2031-03-14T09:26:53+01:00`.
#[must_use]
pub fn now() -> String {
    jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// The present moment as [`now`], to the millisecond: `2031-03-14T09:26:53.042+01:00`. Records are timed by it, so that who was
/// first is told within a second too.
#[must_use]
pub fn now_exactly() -> String {
    jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string()
}

/// A saved moment, to be put in order whatever offset it was written with and however finely; one that is none comes first, by
/// its text.
#[must_use]
pub fn instant(text: &str) -> (Option<jiff::Timestamp>, &str) {
    let at = text.parse().ok();
    (at, if at.is_some() { "" } else { text })
}

/// The present day here.
#[must_use]
pub fn today() -> jiff::civil::Date {
    jiff::ZonedDateTime::now().date()
}
