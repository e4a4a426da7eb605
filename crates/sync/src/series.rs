//! The series in which the trailer writes, certified by the key that tablets learned at pairing.
//!
//! A trailer that was restored from a backup must not go on in its old series: entries after the backup would be written
//! twice with different content. It begins a new one with a new key, and its identity key, which every tablet knows, says so.

use journal::{Signature, SigningKey, VerifyingKey};
use serde::{Deserialize, Serialize};

const CONTEXT: &str = "tubewright 2026 server series";

/// The certificate is not of the trailer this tablet was paired with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the trailer's new series is not certified by the key learned at pairing")]
pub struct NotCertified;

/// "The series of this key is mine", signed with the trailer's identity key.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertifiedSeries {
    /// The public key of the series; its incarnation follows from it.
    pub key: VerifyingKey,
    /// The identity key's signature over the 32 bytes of `key`.
    pub sig: Signature,
}

impl CertifiedSeries {
    /// Certifies a series' key with the trailer's identity key.
    pub fn sign(identity: &SigningKey, key: VerifyingKey) -> Self {
        Self { key, sig: identity.sign_bytes(CONTEXT, &key.to_bytes()) }
    }

    /// Checks the certificate against the identity key learned at pairing.
    ///
    /// # Errors
    /// [`NotCertified`] where another key made it; the series is not to be believed then.
    pub fn verify(&self, identity: &VerifyingKey) -> Result<(), NotCertified> {
        identity.verify_bytes(CONTEXT, &self.key.to_bytes(), &self.sig).map_err(|_| NotCertified)
    }
}
