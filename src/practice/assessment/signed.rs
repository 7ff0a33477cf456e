//! What the parts of an assessment share: each is a signed record, which names who made it and when.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// A signed part (Ed25519, RFC 8032). The signature covers everything but itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signed<T> {
    /// Its shape and version.
    pub schema: String,
    /// What is signed.
    pub content: T,
    /// Who signed.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// Name and version of the program.
    pub software: String,
    /// Public key, hex.
    pub key: String,
    /// Signature of the compact JSON with this field empty, hex.
    pub signature: String,
}

/// What a part of an assessment is called in its file.
pub trait Part: Serialize + DeserializeOwned + Clone {
    /// Its shape and version.
    const SCHEMA: &'static str;
}

impl<T: Part> Signed<T> {
    /// Signs.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when nobody is named.
    pub fn new(content: T, by: &str, at: &str, seed: &[u8; 32]) -> Result<Self> {
        if by.trim().is_empty() {
            return Err(Error::new(ErrorKind::Invalid, "nothing is signed").expected("who signs").found("no name"));
        }
        let mut made = Self {
            schema: T::SCHEMA.into(),
            content,
            by: by.trim().to_owned(),
            at: at.to_owned(),
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            key: files::public_key(seed),
            signature: String::new(),
        };
        made.signature = files::sign(seed, &made.signed_bytes()?);
        Ok(made)
    }

    fn signed_bytes(&self) -> Result<Vec<u8>> {
        serde_json::to_vec(&Self { signature: String::new(), ..self.clone() }).map_err(|e| unwritable(&e))
    }

    /// SHA-256 (hex) of the whole part: how other parts name it.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it cannot be written as JSON.
    pub fn id(&self) -> Result<String> {
        Ok(digest::sha256_hex(serde_json::to_vec(self).map_err(|e| unwritable(&e))?))
    }

    /// The text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map(|t| t + "\n").map_err(|e| unwritable(&e))
    }

    /// Reads one, whose signature must be that of its content.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it is damaged, of another version, or was changed after it was signed.
    pub fn from_json(text: &str) -> Result<Self> {
        let fail =
            |found: String| Error::new(ErrorKind::Record, "the part of the assessment cannot be read").expected(T::SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| fail(e.to_string()))?;
        if read.schema != T::SCHEMA {
            return Err(fail(read.schema));
        }
        if files::is_signed(&read.key, &read.signature, &read.signed_bytes()?) {
            Ok(read)
        } else {
            Err(fail("one that was changed after it was signed".into()))
        }
    }
}

fn unwritable(e: &serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the part of the assessment cannot be written").found(e.to_string())
}
