//! Signatures (Ed25519, RFC 8032) with this user's key, as hexadecimal text.

use ed25519_dalek::{Signature, Signer, SigningKey, Verifier, VerifyingKey};

use crate::digest::{bytes_of, hex};

/// The public key that belongs to a seed.
#[must_use]
pub fn public_key(seed: &[u8; 32]) -> String {
    hex(SigningKey::from_bytes(seed).verifying_key().as_bytes())
}

/// The signature of `bytes`.
#[must_use]
pub fn sign(seed: &[u8; 32], bytes: &[u8]) -> String {
    hex(&SigningKey::from_bytes(seed).sign(bytes).to_bytes())
}

/// Whether `signature` is that of `bytes` by `key`.
#[must_use]
pub fn is_signed(key: &str, signature: &str, bytes: &[u8]) -> bool {
    let Some((r, s)) = signature.split_at_checked(64) else { return false };
    let (Some(r), Some(s), Some(key)) = (bytes_of(r), bytes_of(s), bytes_of(key)) else { return false };
    VerifyingKey::from_bytes(&key).is_ok_and(|k| k.verify(bytes, &Signature::from_components(r, s)).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signature_holds_for_its_bytes_and_key_only() {
        let (seed, other) = ([7; 32], [8; 32]);
        let s = sign(&seed, b"text");
        assert!(is_signed(&public_key(&seed), &s, b"text"));
        assert!(!is_signed(&public_key(&seed), &s, b"texts") && !is_signed(&public_key(&other), &s, b"text"));
        assert!(!is_signed("", "", b"text") && !is_signed(&public_key(&seed), &s[1..], b"text"));
    }
}
