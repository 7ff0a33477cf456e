//! A checkpoint: a signed list of the newest records of a folder, to be kept somewhere else.
//!
//! Each record names those it follows, so the graph itself shows when an earlier record is gone. Only the newest are named
//! by nobody; a checkpoint names them. The signature (Ed25519, RFC 8032) shows that the list was not changed since.

use serde::{Deserialize, Serialize};

use super::followed;
use super::index::Index;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Version of the checkpoint's shape.
const SCHEMA: &str = "osspan-checkpoint/1";
/// Longest checkpoint that is read, bytes: the heads of about a million frames.
pub const LONGEST_CHECKPOINT: u64 = 80 * 1024 * 1024;

/// What a folder held at one moment.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Checkpoint {
    schema: String,
    /// When it was made, RFC 3339.
    pub made_at: String,
    /// Records in the folder then.
    pub records: u64,
    /// Ids of the records that no other one followed, sorted.
    pub heads: Vec<String>,
    /// Public key of the signature, hex.
    pub key: String,
    /// Signature of the compact JSON with this field empty, hex.
    signature: String,
}

impl Checkpoint {
    /// Makes the checkpoint of an indexed folder; `seed` is the user's private signing seed.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when a file of the folder holds no record (verify and mend it first).
    pub fn of(index: &Index, made_at: String, seed: &[u8; 32]) -> Result<Self> {
        if let Some(e) = index.unreadable().first() {
            let count = index.unreadable().len();
            return Err(Error::new(ErrorKind::Record, "no checkpoint is made of a damaged folder")
                .expected("only records")
                .found(format!("{count} file(s) that hold none"))
                .remedy("Run verify on the folder")
                .at(e.path().unwrap_or_else(|| std::path::Path::new(""))));
        }
        // Nothing follows a record of who was told, so each is among the newest.
        let mut heads = index.heads(None);
        heads.extend(index.told().iter().map(|t| t.record.id().to_owned()));
        let followed = followed(index.reviews().iter().map(|r| &r.record.follows));
        heads.extend(index.reviews().iter().map(|r| r.record.id()).filter(|id| !followed.contains(id)).map(str::to_owned));
        heads.sort();
        let mut made = Self {
            schema: SCHEMA.into(),
            made_at,
            records: (index.entries().len() + index.told().len() + index.reviews().len()) as u64,
            heads,
            key: files::public_key(seed),
            signature: String::new(),
        };
        made.signature = files::sign(seed, &made.signed_bytes()?);
        Ok(made)
    }

    /// The checkpoint as text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map(|t| t + "\n").map_err(unwritable)
    }

    /// Reads a checkpoint and checks its signature.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it is damaged, of another version, or was changed after it was signed.
    pub fn from_json(text: &str) -> Result<Self> {
        let fault = |found: String| Error::new(ErrorKind::Record, "the checkpoint cannot be used").expected(SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| fault(e.to_string()))?;
        if read.schema != SCHEMA {
            return Err(fault(read.schema));
        }
        if !files::is_signed(&read.key, &read.signature, &read.signed_bytes()?) {
            return Err(fault("one that was changed after it was signed".into()));
        }
        Ok(read)
    }

    /// The public key that belongs to `seed`, as it stands in [`Checkpoint::key`].
    #[must_use]
    pub fn public_key(seed: &[u8; 32]) -> String {
        files::public_key(seed)
    }

    fn signed_bytes(&self) -> Result<Vec<u8>> {
        serde_json::to_vec(&Self { signature: String::new(), ..self.clone() }).map_err(unwritable)
    }
}

fn unwritable(e: serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the checkpoint cannot be written").caused_by(e)
}
