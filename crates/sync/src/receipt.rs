//! Receipts: the trailer's word, signed with its device key, that it holds something durably.

use journal::cbor::Encoder;
use journal::{EntryHash, Head, Incarnation, PhotoHash, Signature, SigningKey, VerifyingKey};
use serde::{Deserialize, Serialize};

const ENTRIES: &str = "tubewright 2026 receipt entries";
const PHOTO: &str = "tubewright 2026 receipt photo";

/// The receipt is not signed by the trailer this tablet was paired with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the receipt is not signed by the trailer this tablet was paired with")]
pub struct BadReceipt;

/// "Every entry of this series up to `seq`, whose hash is `hash`, is on the trailer's disk."
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EntriesReceipt {
    /// The series.
    pub incarnation: Incarnation,
    /// The last entry held.
    pub seq: u64,
    /// Its hash; the chain covers those before it.
    pub hash: EntryHash,
    /// The trailer's clock, milliseconds since 1970 UTC. Evidence, never order.
    pub at_ms: i64,
    /// The trailer's signature over the four values.
    pub sig: Signature,
}

/// "The whole photo with this hash is on the trailer's disk."
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PhotoReceipt {
    /// BLAKE3 of the original bytes.
    pub photo: PhotoHash,
    /// Their count.
    pub bytes: u64,
    /// The trailer's clock, milliseconds since 1970 UTC. Evidence, never order.
    pub at_ms: i64,
    /// The trailer's signature over the three values.
    pub sig: Signature,
}

impl EntriesReceipt {
    /// Signs for a series up to its head. Call it only when that is durable.
    pub fn sign(key: &SigningKey, incarnation: Incarnation, head: Head, at_ms: i64) -> Self {
        let mut receipt = Self { incarnation, seq: head.seq, hash: head.hash, at_ms, sig: Signature([0; 64]) };
        receipt.sig = key.sign_bytes(ENTRIES, &receipt.signed());
        receipt
    }

    /// Checks the signature.
    ///
    /// # Errors
    /// [`BadReceipt`] where it isn't the trailer's.
    pub fn verify(&self, server: &VerifyingKey) -> Result<(), BadReceipt> {
        server.verify_bytes(ENTRIES, &self.signed(), &self.sig).map_err(|_| BadReceipt)
    }

    fn signed(&self) -> Vec<u8> {
        let mut out = Encoder::default();
        out.array(4);
        out.bytes(&self.incarnation.0);
        out.unsigned(self.seq);
        out.bytes(&self.hash.0);
        out.int(self.at_ms);
        out.into_bytes()
    }
}

impl PhotoReceipt {
    /// Signs for a photo. Call it only when all its bytes are durable and their hash was checked.
    pub fn sign(key: &SigningKey, photo: PhotoHash, bytes: u64, at_ms: i64) -> Self {
        let mut receipt = Self { photo, bytes, at_ms, sig: Signature([0; 64]) };
        receipt.sig = key.sign_bytes(PHOTO, &receipt.signed());
        receipt
    }

    /// Checks the signature.
    ///
    /// # Errors
    /// [`BadReceipt`] where it isn't the trailer's.
    pub fn verify(&self, server: &VerifyingKey) -> Result<(), BadReceipt> {
        server.verify_bytes(PHOTO, &self.signed(), &self.sig).map_err(|_| BadReceipt)
    }

    fn signed(&self) -> Vec<u8> {
        let mut out = Encoder::default();
        out.array(3);
        out.bytes(&self.photo.0);
        out.unsigned(self.bytes);
        out.int(self.at_ms);
        out.into_bytes()
    }
}
