//! What makes cases: a secret of this data folder. Identifiers and seeds are digests under it, so that a case's name tells
//! nothing of the case to whoever lacks the secret.

use sha2::{Digest, Sha256};

use crate::digest;

/// 32 secret random bytes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Secret([u8; 32]);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(kept back)")
    }
}

impl Secret {
    /// The secret of these bytes.
    #[must_use]
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Its bytes, to be sealed.
    #[must_use]
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// SHA-256 of the secret and of what is named, each part with its length, so that no two lists of parts give one text.
    fn digest(&self, what: &str, parts: &[&str]) -> [u8; 32] {
        let mut sha = Sha256::new();
        sha.update(self.0);
        for part in std::iter::once(&what).chain(parts) {
            sha.update((part.len() as u64).to_le_bytes());
            sha.update(part.as_bytes());
        }
        sha.finalize().into()
    }

    /// The identifier of a case: 20 hexadecimal digits.
    #[must_use]
    pub fn id(&self, parts: &[&str]) -> String {
        digest::hex(&self.digest("identifier", parts)[..10])
    }

    /// The seed of a case.
    #[must_use]
    pub fn seed(&self, parts: &[&str]) -> u64 {
        let digest = self.digest("seed", parts);
        digest.iter().take(8).fold(0, |all, b| all << 8 | u64::from(*b))
    }

    /// A passphrase for what is sealed on this machine.
    #[must_use]
    pub fn passphrase(&self, parts: &[&str]) -> String {
        digest::hex(&self.digest("passphrase", parts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_and_secrets_are_told_apart() {
        let (a, b) = (Secret::new([1; 32]), Secret::new([2; 32]));
        assert_eq!(a.id(&["x", "y"]), a.id(&["x", "y"]));
        assert_ne!(a.id(&["x", "y"]), a.id(&["xy"]));
        assert_ne!(a.id(&["x", "y"]), b.id(&["x", "y"]));
        assert_ne!(a.seed(&["1"]), a.seed(&["2"]));
        assert_eq!(a.id(&["x"]).len(), 20);
        assert!(!format!("{a:?}").contains('1'));
    }
}
