//! One entry and its sealed form.

use crate::id::{BootId, DeviceId, EntryHash, Incarnation, PersonId, Signature, SiteId, Subject};
use crate::value::Value;

/// The format number of the entries written today.
pub const FORMAT: u32 = 1;

/// One entry, decoded. Written once by its author; never changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Format of the bytes, [`FORMAT`].
    pub format: u32,
    /// The site it belongs to.
    pub site: SiteId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// The series it stands in.
    pub incarnation: Incarnation,
    /// Its place in the series, from 1 without gaps.
    pub seq: u64,
    /// Hash of the entry before it in the series; `None` for the first.
    pub prev: Option<EntryHash>,
    /// Entries of the same transaction still to come. The last one (0) carries the signature over the whole transaction.
    pub tx_left: u32,
    /// Lamport counter: orders the display, decides nothing.
    pub counter: u64,
    /// Wall clock in milliseconds since 1970 UTC as the device believed it. Evidence, never order.
    pub wall_ms: i64,
    /// The run of the device.
    pub boot: BootId,
    /// Milliseconds since that run began.
    pub uptime_ms: u64,
    /// Who was signed in.
    pub person: PersonId,
    /// What kind of entry, e.g. `gap`.
    pub kind: String,
    /// Version of the kind.
    pub version: u32,
    /// What it is about.
    pub subject: Subject,
    /// The entries of the same subject that the author had on screen and builds on, sorted.
    pub basis: Vec<EntryHash>,
    /// The content.
    pub body: Value,
}

/// An entry with the exact bytes it was sealed as, its hash and, on the last of a transaction, the signature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// BLAKE3 of `bytes`.
    pub hash: EntryHash,
    /// Canonical bytes, as received or as first encoded.
    pub bytes: Vec<u8>,
    /// The decoded entry.
    pub entry: Entry,
    /// The signature where `entry.tx_left == 0`.
    pub sig: Option<Signature>,
}
