//! The journal: entries, their canonical bytes, the hash chain, signatures, and who has what.
//!
//! Pure: no clock, no disk, no network, no randomness. Whoever writes hands those in.
//! An entry is never changed and never deleted; its bytes are stored, hashed with BLAKE3 and never encoded again.

pub mod cbor;
pub mod chain;
pub mod codec;
pub mod entry;
pub mod heads;
pub mod id;
pub mod limits;
pub mod root;
pub mod sign;
pub mod value;
pub mod writer;

pub use chain::{ChainFault, Head, Tail};
pub use codec::{DecodeError, EncodeError};
pub use entry::{Entry, Sealed};
pub use heads::{Heads, HeadsError, Range};
pub use id::{BootId, DeviceId, EntryHash, Incarnation, PersonId, PhotoHash, Signature, SiteId, Subject};
pub use root::content_root;
pub use sign::{SigningKey, VerifyingKey};
pub use value::Value;
pub use writer::{Draft, Stamp, Writer};
