//! SHA-256 digests (FIPS 180-4), and bytes as hexadecimal digits.

use std::fmt::Write;

use sha2::{Digest, Sha256};

/// Bytes as lower-case hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(2 * bytes.len());
    for b in bytes {
        let _ = write!(out, "{b:02x}");
    }
    out
}

/// The SHA-256 digest of bytes, as 64 lower-case hexadecimal digits.
#[must_use]
pub fn sha256_hex(bytes: impl AsRef<[u8]>) -> String {
    hex(&Sha256::digest(bytes))
}

/// The bytes of hexadecimal digits, two each; `None` for anything else.
#[must_use]
pub fn from_hex(text: &str) -> Option<Vec<u8>> {
    // A sign before a digit is none, though numbers may have one.
    if !text.len().is_multiple_of(2) || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    (0..text.len() / 2).map(|i| u8::from_str_radix(text.get(2 * i..2 * i + 2)?, 16).ok()).collect()
}

/// The 32 bytes of 64 hexadecimal digits.
#[must_use]
pub fn bytes_of(text: &str) -> Option<[u8; 32]> {
    from_hex(text)?.try_into().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_hexadecimal_digits_and_nothing_else_is() {
        // Source: FIPS 180-4 example, SHA-256 of "abc".
        assert_eq!(sha256_hex("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(from_hex("0f1E"), Some(vec![15, 30]));
        for other in ["+f", "0f+1", "f", "0g", "é0"] {
            assert_eq!(from_hex(other), None, "{other}");
        }
    }
}
