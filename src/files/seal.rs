//! Secrets sealed under a passphrase: Argon2id (RFC 9106) makes the key, ChaCha20-Poly1305 (RFC 8439) encrypts and
//! authenticates. A wrong passphrase and a changed file cannot be told apart.

use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead, KeyInit};
use chacha20poly1305::{ChaCha20Poly1305, Key, Nonce};
use serde::{Deserialize, Serialize};

use super::random_key;
use crate::digest::{from_hex, hex};
use crate::error::{Error, ErrorKind, Result};

const SCHEMA: &str = "osspan-sealed/1";
/// RFC 9106 section 4, second recommended option: 64 MiB, 3 passes, 4 lanes.
const MEMORY_KIB: u32 = 64 * 1024;
const PASSES: u32 = 3;
const LANES: u32 = 4;
/// Most memory that a sealed file may ask for, KiB.
const MOST_MEMORY_KIB: u32 = 1024 * 1024;
/// Most passes and lanes that it may ask for.
const MOST_PASSES: u32 = 16;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sealed {
    schema: String,
    memory_kib: u32,
    passes: u32,
    lanes: u32,
    salt: String,
    nonce: String,
    text: String,
}

/// Seals `secret` under `passphrase`; the text for a file.
///
/// # Errors
/// [`ErrorKind::Usage`] when the passphrase is empty, [`ErrorKind::Io`] when the system has no randomness.
pub fn seal(secret: &[u8], passphrase: &str) -> Result<String> {
    if passphrase.is_empty() {
        return Err(Error::new(ErrorKind::Usage, "nothing is sealed").expected("a passphrase").found("none"));
    }
    let (salt, nonce) = (random_key()?, random_key()?);
    let nonce = nonce.get(..12).unwrap_or_default();
    let key = key(passphrase, &salt, MEMORY_KIB, PASSES, LANES)?;
    let nonce_of = |bytes: &[u8]| Nonce::try_from(bytes).map_err(|_| broken("the length of the nonce"));
    let text = ChaCha20Poly1305::new(&key).encrypt(&nonce_of(nonce)?, secret).map_err(|_| broken("the secret's length"))?;
    let sealed = Sealed {
        schema: SCHEMA.into(),
        memory_kib: MEMORY_KIB,
        passes: PASSES,
        lanes: LANES,
        salt: hex(&salt),
        nonce: hex(nonce),
        text: hex(&text),
    };
    serde_json::to_string_pretty(&sealed).map(|t| t + "\n").map_err(|e| broken(&e.to_string()))
}

/// Opens what [`seal`] made.
///
/// # Errors
/// [`ErrorKind::Usage`] when the passphrase is not the one it was sealed under or the file was changed,
/// [`ErrorKind::Format`] when it is no sealed file or asks for more than is allowed.
pub fn unseal(text: &str, passphrase: &str) -> Result<Vec<u8>> {
    let sealed: Sealed = serde_json::from_str(text).map_err(|e| broken(&e.to_string()))?;
    if sealed.schema != SCHEMA {
        return Err(broken(&sealed.schema));
    }
    if sealed.memory_kib > MOST_MEMORY_KIB || sealed.passes > MOST_PASSES || sealed.lanes > MOST_PASSES {
        return Err(broken("one that asks for more memory or time than is allowed"));
    }
    let bytes = |t: &str| from_hex(t).ok_or_else(|| broken("digits that are no hexadecimal number"));
    let (salt, nonce, text) = (bytes(&sealed.salt)?, bytes(&sealed.nonce)?, bytes(&sealed.text)?);
    let key = key(passphrase, &salt, sealed.memory_kib, sealed.passes, sealed.lanes)?;
    let nonce = Nonce::try_from(nonce.as_slice()).map_err(|_| broken("a nonce of another length"))?;
    ChaCha20Poly1305::new(&key).decrypt(&nonce, text.as_slice()).map_err(|_| {
        Error::new(ErrorKind::Usage, "it cannot be opened")
            .expected("the passphrase that it was sealed under")
            .found("another one, or a changed file")
    })
}

fn key(passphrase: &str, salt: &[u8], memory_kib: u32, passes: u32, lanes: u32) -> Result<Key> {
    let params = Params::new(memory_kib, passes, lanes, Some(32)).map_err(|e| broken(&e.to_string()))?;
    let mut key = [0; 32];
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password_into(passphrase.as_bytes(), salt, &mut key)
        .map_err(|e| broken(&e.to_string()))?;
    Ok(Key::from(key))
}

fn broken(found: &str) -> Error {
    Error::new(ErrorKind::Format, "the sealed file cannot be used").expected(SCHEMA).found(found)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_secret_comes_back_under_its_own_passphrase_only() {
        let sealed = seal(b"thirty-two bytes of a secret key", "a long sentence").unwrap();
        assert!(!sealed.contains("secret key"));
        assert_eq!(unseal(&sealed, "a long sentence").unwrap(), b"thirty-two bytes of a secret key");
        assert_eq!(unseal(&sealed, "a long Sentence").unwrap_err().kind(), ErrorKind::Usage);
        let text: serde_json::Value = serde_json::from_str(&sealed).unwrap();
        let first = text["text"].as_str().unwrap().chars().next().unwrap();
        let other = if first == '0' { '1' } else { '0' };
        let changed = sealed.replace(&format!("\"text\": \"{first}"), &format!("\"text\": \"{other}"));
        assert!(changed != sealed && unseal(&changed, "a long sentence").is_err());
        assert!(seal(b"x", "").is_err());
        let greedy = sealed.replace("\"memory_kib\": 65536", "\"memory_kib\": 99999999");
        assert_eq!(unseal(&greedy, "a long sentence").unwrap_err().kind(), ErrorKind::Format);
    }
}
