//! A file that is written piece by piece before it is put in place whole: for objects that come over a network and may be
//! larger than memory. And a lock, so that one program at a time works through a folder.

use std::fs;
use std::io::{self, ErrorKind as IoKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::publish::{self, explain};
use crate::error::{Error, Result};

/// A new file that is not there yet. Dropped before [`Writing::publish`], it leaves nothing.
#[derive(Debug)]
pub struct Writing {
    dir: PathBuf,
    temporary: NamedTempFile,
}

impl Writing {
    /// Begins a file in `dir`, which is made if need be.
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io).
    pub fn begin(dir: &Path) -> Result<Self> {
        publish::create_private_dir(dir)?;
        Ok(Self {
            dir: dir.to_path_buf(),
            temporary: publish::temporary_in(dir).map_err(|e| explain("the file cannot be written", dir, e))?,
        })
    }

    /// Puts the file in place as `name` in `dir`, a folder on the same disk as the one it was begun in, whole or not at all
    /// and never over another. Returns the path.
    ///
    /// # Errors
    /// As [`publish_new`](super::publish_new).
    pub fn publish(self, dir: &Path, name: &str) -> Result<PathBuf> {
        publish::create_private_dir(dir)?;
        let path = dir.join(name);
        self.temporary.as_file().sync_all().map_err(|e| explain("the file cannot be written", &path, e))?;
        publish::put_new(self.temporary, dir, name)
    }

    /// The folder it was begun in.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }
}

impl Write for Writing {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.temporary.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.temporary.flush()
    }
}

impl Read for Writing {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.temporary.read(into)
    }
}

impl Seek for Writing {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.temporary.seek(to)
    }
}

/// Holds a folder for this program until it is dropped or the program ends, however it ends.
#[derive(Debug)]
pub struct FolderLock {
    _file: fs::File,
}

/// Takes the folder `dir` for this program; `None` when another holds it.
///
/// # Errors
/// [`ErrorKind::Io`](crate::ErrorKind::Io) when there can be no lock there.
pub fn lock_folder(dir: &Path) -> Result<Option<FolderLock>> {
    publish::create_private_dir(dir)?;
    let path = dir.join(".lock");
    let fail = |e: io::Error| Error::io("the folder cannot be held for one program", &path, e);
    let file = fs::File::options().create(true).truncate(false).write(true).open(&path).map_err(fail)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(FolderLock { _file: file })),
        Err(fs::TryLockError::WouldBlock) => Ok(None),
        Err(fs::TryLockError::Error(e)) => Err(fail(e)),
    }
}

/// Whether a failure of writing is for want of room.
#[must_use]
pub fn is_full(e: &Error) -> bool {
    let io = std::error::Error::source(e).and_then(|s| s.downcast_ref::<io::Error>());
    io.is_some_and(|e| matches!(e.kind(), IoKind::StorageFull | IoKind::QuotaExceeded | IoKind::FileTooLarge))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::error::ErrorKind;

    #[test]
    fn a_file_written_in_pieces_is_there_whole_or_not_at_all() {
        let home = tempfile::tempdir().unwrap();
        let (dir, place) = (home.path().join("coming"), home.path().join("exam"));
        let begin = |text: &[u8]| {
            let mut w = Writing::begin(&dir).unwrap();
            w.write_all(text).unwrap();
            w
        };
        drop(begin(b"left off"));
        assert_eq!(fs::read_dir(&dir).unwrap().count(), 0);
        let mut one = begin(b"one");
        one.seek(SeekFrom::Start(0)).unwrap();
        let mut text = String::new();
        one.read_to_string(&mut text).unwrap();
        let path = one.publish(&place, "a").unwrap();
        assert_eq!((text.as_str(), fs::read(&path).unwrap().as_slice()), ("one", b"one".as_slice()));
        assert!(begin(b"two").publish(&place, "a").is_err_and(|e| e.kind() == ErrorKind::Record));
        assert_eq!((fs::read(&path).unwrap().as_slice(), fs::read_dir(&dir).unwrap().count()), (b"one".as_slice(), 0));
    }

    #[test]
    fn one_at_a_time_holds_a_folder() {
        let dir = tempfile::tempdir().unwrap();
        let held = lock_folder(dir.path()).unwrap();
        assert!(held.is_some() && lock_folder(dir.path()).unwrap().is_none());
        drop(held);
        assert!(lock_folder(dir.path()).unwrap().is_some());
    }
}
