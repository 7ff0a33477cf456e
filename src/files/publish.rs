//! Putting a file in place whole, privately, and without ever replacing another.
//!
//! The order is: write a temporary file in the same folder, flush it, put it in place without replacing, flush the
//! folder. Before the last step a power cut can lose the new file, never half of it and never another one.
//!
//! Putting in place without replacing is one system call where the file system has it (`renameat2` with
//! `RENAME_NOREPLACE`), else a hard link. A share that has neither gets the third way, [`claim_and_rename`]: it excludes
//! other copies of this program, not other programs, and says so here.

use std::fs;
use std::io::{self, ErrorKind as IoKind, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

use crate::error::{Error, ErrorKind, Result};

/// How the names of temporary files begin. A crash may leave one behind; it is not a record and is safe to remove.
const WRITING: &str = ".writing-";

/// A temporary file older than this was left by a crash.
const LEFT_BEHIND: Duration = Duration::from_secs(7 * 24 * 3600);

/// Makes a folder (and those above it) that only this user may read. A folder that exists keeps its permissions.
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
    builder.create(dir).map_err(|e| explain("the folder cannot be made", dir, e))
}

/// Publishes `bytes` as a new file `name` in `dir`: whole or not at all, never over another file. Returns the path.
///
/// Only this user may read the file, unless the folder is shared with a group, which may then read it too.
///
/// # Errors
/// [`ErrorKind::Record`] when a file of that name exists; [`ErrorKind::Io`] for the rest. Nothing is left behind.
pub fn publish_new(dir: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf> {
    publish_by(dir, name, bytes, no_replace)
}

/// Replaces the file `name` in `dir` by `bytes`, whole or not at all. For settings, drafts and the like; records use
/// [`publish_new`].
///
/// # Errors
/// [`ErrorKind::Io`].
pub fn replace(dir: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf> {
    publish_by(dir, name, bytes, |temporary, path| temporary.persist(path).map(drop).map_err(|e| e.error))
}

/// The temporary files that a crash left in `dir`.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder cannot be listed.
pub fn unfinished(dir: &Path) -> Result<Vec<PathBuf>> {
    let fail = |e| explain("the folder cannot be listed", dir, e);
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).map_err(fail)? {
        let entry = entry.map_err(fail)?;
        if entry.file_name().to_string_lossy().starts_with(WRITING) {
            found.push(entry.path());
        }
    }
    Ok(found)
}

/// Removes temporary files in `dir` that a crash left more than a week ago; returns how many. No save takes a week, so none
/// that still runs can be hit, whatever clocks of other machines on a shared folder say.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder cannot be listed. A file that cannot be removed is left.
pub fn remove_leftovers(dir: &Path) -> Result<usize> {
    if !dir.exists() {
        return Ok(0);
    }
    let old = |path: &PathBuf| {
        let written = path.symlink_metadata().and_then(|m| m.modified()).ok();
        written.and_then(|t| t.elapsed().ok()).is_some_and(|age| age > LEFT_BEHIND)
    };
    Ok(unfinished(dir)?.into_iter().filter(old).filter(|path| fs::remove_file(path).is_ok()).count())
}

type PutInPlace = fn(NamedTempFile, &Path) -> io::Result<()>;

fn publish_by(dir: &Path, name: &str, bytes: &[u8], put_in_place: PutInPlace) -> Result<PathBuf> {
    create_private_dir(dir)?;
    let path = dir.join(name);
    let fail = |e| explain("the file cannot be written", &path, e);
    let mut temporary = temporary_in(dir).map_err(fail)?;
    temporary.write_all(bytes).map_err(fail)?;
    temporary.as_file().sync_all().map_err(fail)?;
    put_by(temporary, dir, name, put_in_place)
}

/// A temporary file in `dir`, readable as the file that it will be.
pub(super) fn temporary_in(dir: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(WRITING);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let shared = fs::metadata(dir)?.permissions().mode() & 0o040;
        builder.permissions(fs::Permissions::from_mode(0o600 | shared));
    }
    builder.tempfile_in(dir)
}

/// Puts a flushed temporary file in place under a name that is not taken.
pub(super) fn put_new(temporary: NamedTempFile, dir: &Path, name: &str) -> Result<PathBuf> {
    put_by(temporary, dir, name, no_replace)
}

fn put_by(temporary: NamedTempFile, dir: &Path, name: &str, put_in_place: PutInPlace) -> Result<PathBuf> {
    let path = dir.join(name);
    put_in_place(temporary, &path).map_err(|e| match e.kind() {
        IoKind::AlreadyExists => Error::new(ErrorKind::Record, "a file of this name exists and is never replaced").at(&path),
        _ => explain("the file cannot be put in place", &path, e),
    })?;
    sync_dir(dir)?;
    Ok(path)
}

fn no_replace(temporary: NamedTempFile, path: &Path) -> io::Result<()> {
    let Err(failed) = temporary.persist_noclobber(path) else { return Ok(()) };
    if lacks_links(&failed.error) { claim_and_rename(failed.file, path) } else { Err(failed.error) }
}

/// What file systems without hard links answer: EPERM (Linux on FAT), EOPNOTSUPP, ENOSYS.
fn lacks_links(e: &io::Error) -> bool {
    matches!(e.kind(), IoKind::Unsupported | IoKind::PermissionDenied) || e.raw_os_error() == Some(95)
}

/// The way for shares with neither a no-replace rename nor hard links. An exclusively made claim file keeps other copies
/// of this program away from the name while it is looked for and the file is renamed onto it.
fn claim_and_rename(temporary: NamedTempFile, path: &Path) -> io::Result<()> {
    let mut name = std::ffi::OsString::from(".claim-");
    name.push(path.file_name().unwrap_or_default());
    let shown = name.to_string_lossy().into_owned();
    let claim = path.with_file_name(name);
    let claimed = |e: io::Error| match e.kind() {
        IoKind::AlreadyExists => io::Error::other(format!("another program is saving the same name; if none is running, remove {shown}")),
        _ => e,
    };
    fs::OpenOptions::new().write(true).create_new(true).open(&claim).map_err(claimed)?;
    let placed = match path.symlink_metadata() {
        Ok(_) => Err(IoKind::AlreadyExists.into()),
        Err(e) if e.kind() == IoKind::NotFound => temporary.persist(path).map(drop).map_err(|e| e.error),
        Err(e) => Err(e),
    };
    // The name is decided by now. A claim that cannot be removed would only be in the way of the very same record.
    let _ = fs::remove_file(&claim);
    placed
}

/// Flushes a folder's entries, so that a published name survives a power cut.
fn sync_dir(dir: &Path) -> Result<()> {
    #[cfg(unix)]
    fs::File::open(dir).and_then(|d| d.sync_all()).map_err(|e| explain("the folder cannot be flushed", dir, e))?;
    #[cfg(not(unix))]
    let _ = dir; // Windows has no such call; NTFS journals the rename.
    Ok(())
}

/// The system's refusal with what the person can do about it.
pub(super) fn explain(what: &str, path: &Path, e: io::Error) -> Error {
    // The temporary file's library puts its path into the message, where none belongs.
    let e = if e.raw_os_error().is_none() && e.kind() != IoKind::Other { e.kind().into() } else { e };
    let remedy = match e.kind() {
        IoKind::StorageFull | IoKind::QuotaExceeded | IoKind::FileTooLarge => "Make room on this disk, or name another folder for records",
        IoKind::ReadOnlyFilesystem | IoKind::PermissionDenied => "Name another folder for records, one that you may write to",
        IoKind::NotFound => "See that the folder is still there and its disk or share connected",
        _ => return Error::io(what, path, e),
    };
    Error::io(what, path, e).remedy(remedy)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::files::read_text;

    const WAYS: [PutInPlace; 2] = [no_replace, claim_and_rename];

    #[test]
    fn publishing_never_replaces_and_leaves_nothing_behind() {
        for way in WAYS {
            let dir = tempfile::tempdir().unwrap();
            let sub = dir.path().join("records");
            let path = publish_by(&sub, "a.json", b"one", way).unwrap();
            let again = publish_by(&sub, "a.json", b"two", way);
            assert!(again.is_err_and(|e| e.kind() == ErrorKind::Record));
            assert_eq!(read_text(&path, 10).unwrap(), "one");
            assert_eq!(fs::read_dir(&sub).unwrap().count(), 1);
            assert!(read_text(&path, 2).is_err_and(|e| e.kind() == ErrorKind::Limit));
        }
    }

    #[test]
    fn of_many_that_want_one_name_one_gets_it_whole() {
        for way in WAYS {
            let dir = tempfile::tempdir().unwrap();
            let won: usize = std::thread::scope(|s| {
                let writers: Vec<_> = (0..16_u8)
                    .map(|i| {
                        let dir = dir.path();
                        s.spawn(move || usize::from(publish_by(dir, "a.json", &vec![b'a' + i; 50_000], way).is_ok()))
                    })
                    .collect();
                writers.into_iter().map(|w| w.join().unwrap()).sum()
            });
            assert_eq!(won, 1);
            let text = read_text(&dir.path().join("a.json"), 60_000).unwrap();
            assert!(text.len() == 50_000 && text.bytes().all(|b| b == text.as_bytes()[0]));
            assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        }
    }

    #[test]
    fn a_claim_left_by_a_crash_is_named() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(".claim-a.json"), "").unwrap();
        let e = publish_by(dir.path(), "a.json", b"one", claim_and_rename).unwrap_err();
        assert!(e.kind() == ErrorKind::Io && e.message().contains("remove") && e.message().contains(".claim-a.json"), "{e}");
    }

    #[test]
    fn what_a_crash_left_is_listed_and_is_not_a_record() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(".writing-abc"), "{").unwrap();
        fs::write(dir.path().join("a.json"), "{}").unwrap();
        assert_eq!(unfinished(dir.path()).unwrap(), [dir.path().join(".writing-abc")]);
        assert_eq!(remove_leftovers(dir.path()).unwrap(), 0, "it may still be written");
        let week_ago = std::time::SystemTime::now() - LEFT_BEHIND - Duration::from_secs(60);
        fs::File::options().write(true).open(dir.path().join(".writing-abc")).unwrap().set_modified(week_ago).unwrap();
        assert_eq!(remove_leftovers(dir.path()).unwrap(), 1);
        assert!(unfinished(dir.path()).unwrap().is_empty());
        assert_eq!(crate::files::list(dir.path(), "json").unwrap(), [dir.path().join("a.json")]);
    }

    #[cfg(unix)]
    #[test]
    fn folders_and_files_are_private_unless_the_folder_is_shared() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let mode = |p: &Path| fs::metadata(p).unwrap().permissions().mode() & 0o777;
        let path = publish_new(&dir.path().join("r/s"), "a.json", b"x").unwrap();
        assert_eq!(mode(&path), 0o600);
        assert!(path.ancestors().skip(1).take(2).all(|d| mode(d) == 0o700));
        let shared = dir.path().join("shared");
        fs::create_dir(&shared).unwrap();
        fs::set_permissions(&shared, fs::Permissions::from_mode(0o775)).unwrap();
        assert_eq!(mode(&publish_new(&shared, "a.json", b"x").unwrap()), 0o640);
        assert_eq!(mode(&replace(&shared, "a.json", b"y").unwrap()), 0o640);
    }
}
