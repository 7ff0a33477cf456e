//! The one place for paths, private permissions, atomic publishing and settings.

mod settings;

pub use settings::Settings;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

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

/// Where saved readings go unless another folder is named.
///
/// # Errors
/// As [`data_dir`].
pub fn records_dir() -> Result<PathBuf> {
    Ok(data_dir()?.join("records"))
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

/// Makes a folder (and those above it) that only this user may read.
///
/// # Errors
/// [`ErrorKind::Io`] when it cannot be made.
pub fn create_private_dir(dir: &Path) -> Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(dir).map_err(|e| Error::io("the folder cannot be made", dir, e))
}

/// Publishes `bytes` as a new file `name` in `dir`: whole or not at all, never over another file.
///
/// Written to a private temporary file in the same folder, flushed to the disk, put in place without replacing, and the
/// folder flushed. Returns the path.
///
/// # Errors
/// [`ErrorKind::Record`] when a file of that name exists; [`ErrorKind::Io`] for the rest. Nothing is left behind.
pub fn publish_new(dir: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf> {
    let (path, temporary) = write_temporary(dir, name, bytes)?;
    temporary.persist_noclobber(&path).map_err(|e| {
        if e.error.kind() == std::io::ErrorKind::AlreadyExists {
            Error::new(ErrorKind::Record, "a record of this name exists and is never replaced").at(&path)
        } else {
            Error::io("the file cannot be put in place", &path, e.error)
        }
    })?;
    sync_dir(dir)?;
    Ok(path)
}

/// Replaces the file `name` in `dir` by `bytes`, whole or not at all. For settings only; records use [`publish_new`].
///
/// # Errors
/// [`ErrorKind::Io`].
pub fn replace(dir: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf> {
    let (path, temporary) = write_temporary(dir, name, bytes)?;
    temporary.persist(&path).map_err(|e| Error::io("the file cannot be put in place", &path, e.error))?;
    sync_dir(dir)?;
    Ok(path)
}

fn write_temporary(dir: &Path, name: &str, bytes: &[u8]) -> Result<(PathBuf, tempfile::NamedTempFile)> {
    create_private_dir(dir)?;
    let path = dir.join(name);
    let fail = |e| Error::io("the file cannot be written", &path, e);
    let mut temporary = tempfile::Builder::new().prefix(".writing-").tempfile_in(dir).map_err(fail)?;
    temporary.write_all(bytes).map_err(fail)?;
    temporary.as_file().sync_all().map_err(fail)?;
    Ok((path, temporary))
}

/// Flushes a folder's entries, so that a published name survives a power cut.
fn sync_dir(dir: &Path) -> Result<()> {
    #[cfg(unix)]
    fs::File::open(dir).and_then(|d| d.sync_all()).map_err(|e| Error::io("the folder cannot be flushed", dir, e))?;
    #[cfg(not(unix))]
    let _ = dir; // Windows has no such call; NTFS journals the rename.
    Ok(())
}

/// Reads a text file of at most `limit` bytes.
///
/// # Errors
/// [`ErrorKind::Io`], [`ErrorKind::Limit`] when it is longer, [`ErrorKind::Format`] when it is not UTF-8.
pub fn read_text(path: &Path, limit: u64) -> Result<String> {
    use std::io::Read;
    let file = fs::File::open(path).map_err(|e| Error::io("the file cannot be read", path, e))?;
    let mut bytes = Vec::new();
    file.take(limit + 1).read_to_end(&mut bytes).map_err(|e| Error::io("the file cannot be read", path, e))?;
    if bytes.len() as u64 > limit {
        return Err(Error::new(ErrorKind::Limit, "the file is too long").expected(format!("at most {limit} bytes")).found("more").at(path));
    }
    String::from_utf8(bytes)
        .map_err(|_| Error::new(ErrorKind::Format, "the file is not text").expected("UTF-8").found("other bytes").at(path))
}

/// The files of one folder whose name ends in `.ending`, sorted by name; an absent folder has none.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder exists but cannot be listed.
pub fn list(dir: &Path, ending: &str) -> Result<Vec<PathBuf>> {
    if !dir.exists() {
        return Ok(Vec::new());
    }
    let fail = |e| Error::io("the folder cannot be listed", dir, e);
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if !hidden && path.extension().is_some_and(|e| e == ending) {
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn publishing_never_replaces_and_leaves_nothing_behind() {
        let dir = tempfile::tempdir().unwrap();
        let sub = dir.path().join("records");
        let path = publish_new(&sub, "a.json", b"one").unwrap();
        let again = publish_new(&sub, "a.json", b"two");
        assert!(again.is_err_and(|e| e.kind() == ErrorKind::Record));
        assert_eq!(read_text(&path, 10).unwrap(), "one");
        assert_eq!(fs::read_dir(&sub).unwrap().count(), 1);
        assert!(read_text(&path, 2).is_err_and(|e| e.kind() == ErrorKind::Limit));
    }

    #[cfg(unix)]
    #[test]
    fn folders_and_files_are_private() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = publish_new(&dir.path().join("r"), "a.json", b"x").unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o077, 0);
        assert_eq!(fs::metadata(path.parent().unwrap()).unwrap().permissions().mode() & 0o077, 0);
    }
}
