//! Secrets of this user: made once, kept private, never shown.

use std::path::{Path, PathBuf};

use super::{publish_new, read_bytes};
use crate::error::{Error, ErrorKind, Result};

const DIR: &str = "keys";
const SIGNING: &str = "checkpoint.seed";
const PRACTICE: &str = "practice.seed";

/// 32 bytes from the system's source of randomness.
///
/// # Errors
/// [`ErrorKind::Io`] when the system has none to give.
pub fn random_key() -> Result<[u8; 32]> {
    let mut key = [0; 32];
    getrandom::fill(&mut key)
        .map_err(|e| Error::new(ErrorKind::Io, "no key can be made").expected("random bytes from the system").found(e.to_string()))?;
    Ok(key)
}

/// The seed of this user's signing key in a data folder; made on first use, readable by this user alone.
///
/// # Errors
/// [`ErrorKind::Io`], [`ErrorKind::Format`] when the file is not a seed.
pub fn signing_seed(data_dir: &Path) -> Result<[u8; 32]> {
    seed_in(&data_dir.join(DIR), SIGNING)
}

/// The secret that the practice cases of a data folder are made from; made on first use, readable by this user alone.
///
/// # Errors
/// As [`signing_seed`].
pub fn practice_secret(data_dir: &Path) -> Result<[u8; 32]> {
    seed_in(&data_dir.join(DIR), PRACTICE)
}

fn seed_in(dir: &Path, name: &str) -> Result<[u8; 32]> {
    let path = dir.join(name);
    if !path.exists() {
        match publish_new(dir, name, &random_key()?) {
            // Another window made it in this moment: that one stands.
            Err(e) if e.kind() != ErrorKind::Record => return Err(e),
            _ => {}
        }
    }
    read_bytes(&path, 64)?.try_into().map_err(|_| {
        Error::new(ErrorKind::Format, "the signing key cannot be used")
            .expected("32 bytes")
            .found("another length")
            .remedy("Move the file away; a new key is then made")
            .at(&path)
    })
}

/// This reader's key for signing readings, as it lies in a data folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ReaderKey {
    /// Its seed.
    Open([u8; 32]),
    /// Sealed under a passphrase: the text to [`unseal`](super::unseal).
    Sealed(String),
}

/// A reader's key; made on first use, readable by this user alone. Readers who share a workstation have one each, and it is
/// another one than that of checkpoints. The file's name is a digest: it names nobody.
///
/// # Errors
/// As [`signing_seed`].
pub fn reader_key(data_dir: &Path, reader: &str) -> Result<ReaderKey> {
    let (dir, open, sealed) = names(data_dir, reader);
    if dir.join(&sealed).exists() {
        return super::read_text(&dir.join(&sealed), 64 * 1024).map(ReaderKey::Sealed);
    }
    seed_in(&dir, &open).map(ReaderKey::Open)
}

/// Seals this reader's key under a passphrase, in place of the open one.
///
/// # Errors
/// As [`reader_key`] and [`seal`](super::seal); [`ErrorKind::Usage`] when it is sealed already.
pub fn seal_reader_key(data_dir: &Path, reader: &str, passphrase: &str) -> Result<()> {
    let ReaderKey::Open(seed) = reader_key(data_dir, reader)? else {
        return Err(Error::new(ErrorKind::Usage, "the key is sealed already")
            .remedy("A forgotten passphrase cannot be recovered: move the key away and a new one is made"));
    };
    let (dir, open, sealed) = names(data_dir, reader);
    super::replace(&dir, &sealed, super::seal(&seed, passphrase)?.as_bytes())?;
    super::remove(&dir.join(open))
}

fn names(data_dir: &Path, reader: &str) -> (PathBuf, String, String) {
    let digest = crate::digest::sha256_hex(reader.trim());
    let start = digest.get(..16).unwrap_or_default();
    (data_dir.join(DIR), format!("reader-{start}.seed"), format!("reader-{start}.sealed.json"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_seed_is_made_once_and_is_private() {
        let dir = tempfile::tempdir().unwrap();
        let seed = signing_seed(dir.path()).unwrap();
        assert_eq!(signing_seed(dir.path()).unwrap(), seed);
        assert_ne!(random_key().unwrap(), random_key().unwrap());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = std::fs::metadata(dir.path().join(DIR).join(SIGNING)).unwrap().permissions().mode();
            assert_eq!(mode & 0o077, 0);
        }
        std::fs::write(dir.path().join(DIR).join(SIGNING), "short").unwrap();
        assert!(signing_seed(dir.path()).is_err_and(|e| e.kind() == ErrorKind::Format));
    }
}
