//! Signatures: Ed25519 over ed25519-zebra, one at a time.
//!
//! Why this library and single verification: ed25519-dalek 2.2's *batch* verification was measured to accept crafted
//! low-order signatures that its own *single* verification refuses, so two devices could judge the same entry
//! differently. ed25519-zebra follows ZIP 215, where single and batch agree by definition. ZIP 215 also admits keys of
//! small order, under which one signature fits every text; [`VerifyingKey::from_bytes`] refuses those.

use crate::id::{EntryHash, Incarnation, Signature};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Every signed text begins with what it is for, so that a signature made for one use never fits another.
const TRANSACTION: &str = "tubewright 2026 transaction";
const INCARNATION: &str = "tubewright 2026 incarnation";

/// The signature does not belong to this key and these bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the signature does not fit the key and what was signed")]
pub struct BadSignature;

/// The bytes are not a key that can be trusted to sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not a usable Ed25519 public key")]
pub struct NotAKey;

/// A device's secret key. Shown nowhere: its `Debug` gives the public half only.
#[derive(Clone)]
pub struct SigningKey(ed25519_zebra::SigningKey);

impl SigningKey {
    /// From 32 secret random bytes, which the caller draws and keeps.
    pub fn from_seed(seed: [u8; 32]) -> Self {
        Self(ed25519_zebra::SigningKey::from(seed))
    }

    /// The public half.
    pub fn public(&self) -> VerifyingKey {
        VerifyingKey(ed25519_zebra::VerificationKey::from(&self.0))
    }

    /// Signs a transaction by the hash of its last entry.
    pub fn sign(&self, last: &EntryHash) -> Signature {
        self.sign_bytes(TRANSACTION, &last.0)
    }

    /// Signs bytes for one named use; the name is part of what is signed.
    pub fn sign_bytes(&self, context: &str, bytes: &[u8]) -> Signature {
        Signature(self.0.sign(&message(context, bytes)).to_bytes())
    }
}

impl fmt::Debug for SigningKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SigningKey(of {:?})", self.public())
    }
}

/// A device's public key.
#[derive(Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct VerifyingKey(ed25519_zebra::VerificationKey);

impl VerifyingKey {
    /// From its 32 bytes.
    ///
    /// # Errors
    /// [`NotAKey`] where they are no point of the curve, or one of small order.
    pub fn from_bytes(bytes: [u8; 32]) -> Result<Self, NotAKey> {
        let key = Self(ed25519_zebra::VerificationKey::try_from(bytes).map_err(|_| NotAKey)?);
        // R = the neutral point, s = 0 fits a text only if the key's order divides 8.
        let mut trivial = [0_u8; 64];
        trivial[0] = 1;
        match key.verify_bytes("tubewright 2026 small order", &[], &Signature(trivial)) {
            Ok(()) => Err(NotAKey),
            Err(BadSignature) => Ok(key),
        }
    }

    /// Its 32 bytes.
    pub fn to_bytes(self) -> [u8; 32] {
        self.0.into()
    }

    /// Lower-case hexadecimal.
    pub fn to_hex(self) -> String {
        hex::encode(self.to_bytes())
    }

    /// From 64 hexadecimal digits.
    ///
    /// # Errors
    /// [`NotAKey`] for anything else.
    pub fn from_hex(text: &str) -> Result<Self, NotAKey> {
        let mut bytes = [0_u8; 32];
        hex::decode_to_slice(text, &mut bytes).map_err(|_| NotAKey)?;
        Self::from_bytes(bytes)
    }

    /// Checks the signature of a transaction whose last entry has this hash.
    ///
    /// # Errors
    /// [`BadSignature`] where it does not fit.
    pub fn verify(&self, last: &EntryHash, sig: &Signature) -> Result<(), BadSignature> {
        self.verify_bytes(TRANSACTION, &last.0, sig)
    }

    /// Checks a signature made by [`SigningKey::sign_bytes`] for the same use.
    ///
    /// # Errors
    /// [`BadSignature`] where it does not fit.
    pub fn verify_bytes(&self, context: &str, bytes: &[u8], sig: &Signature) -> Result<(), BadSignature> {
        let sig = ed25519_zebra::Signature::from(sig.0);
        self.0.verify(&sig, &message(context, bytes)).map_err(|_| BadSignature)
    }
}

impl fmt::Debug for VerifyingKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "VerifyingKey({})", &self.to_hex()[..8])
    }
}

impl TryFrom<String> for VerifyingKey {
    type Error = NotAKey;
    fn try_from(text: String) -> Result<Self, NotAKey> {
        Self::from_hex(&text)
    }
}

impl From<VerifyingKey> for String {
    fn from(key: VerifyingKey) -> Self {
        key.to_hex()
    }
}

impl Incarnation {
    /// The series that this key signs: the first 16 bytes of BLAKE3 in derive-key mode over the key.
    pub fn of(key: &VerifyingKey) -> Self {
        let digest = blake3::derive_key(INCARNATION, &key.to_bytes());
        let mut id = [0_u8; 16];
        id.copy_from_slice(&digest[..16]);
        Self(id)
    }
}

/// `context`, a zero byte, `bytes`.
fn message(context: &str, bytes: &[u8]) -> Vec<u8> {
    [context.as_bytes(), &[0], bytes].concat()
}
