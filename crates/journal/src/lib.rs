//! The journal: entries, their canonical bytes, the hash chain, signatures, and who has what.
//!
//! Pure: no clock, no disk, no network, no randomness. Whoever writes hands those in.
//! An entry is never changed and never deleted; its bytes are stored, hashed with BLAKE3 and never encoded again.

pub mod entry;
pub mod id;
pub mod value;

pub use entry::{Entry, Sealed};
pub use id::{BootId, DeviceId, EntryHash, Incarnation, PersonId, PhotoHash, Signature, SiteId, Subject};
pub use value::Value;
