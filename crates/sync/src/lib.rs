//! The exchange between a tablet and the trailer: a state machine without I/O, and its client.
//!
//! The machine ([`exchange::Exchange`]) knows no clock, disk or network: it asks a [`local::Local`] for what the tablet
//! has and says which [`exchange::Step`] to send next. Everything it needs follows from (journal, heads), so a cut at
//! any point is resumed by simply beginning again. [`client::Client`] drives it over TLS with the trailer's pinned key;
//! [`server_side`] holds the other end's rules as pure functions; [`pairing`] the two-sided proof of the one-time code.

pub mod client;
pub mod error;
pub mod exchange;
pub mod kept;
pub mod local;
pub mod message;
pub mod pairing;
pub mod receipt;
pub mod series;
pub mod server_side;
pub mod tls;
pub mod wire;

pub use client::Client;
pub use error::SyncError;
pub use exchange::{Clock, Exchange, Outcome, Phase, Progress, Reply, Step};
pub use local::{AcceptReport, Local};
pub use receipt::{EntriesReceipt, PhotoReceipt};
pub use series::CertifiedSeries;

/// Largest body of a push or a pull answer, in bytes.
pub const MAX_BODY: usize = 1024 * 1024;
/// Largest piece of a photo, in bytes.
pub const PHOTO_PIECE: usize = 256 * 1024;
/// Largest photo, in bytes.
pub const MAX_PHOTO: u64 = 64 * 1024 * 1024;
/// At most so many photos are named in one answer; the rest are asked for at the next sync.
pub const MAX_WANTED: usize = 1000;
/// At most so many entries that were kept apart are named in the answer to one push.
pub const MAX_NAMED: usize = 1000;
/// At most so many series of one trailer: it begins another only when it was restored from a backup.
pub const MAX_SERVER_SERIES: usize = 64;
/// At most so many ranges in one pull; what is left is asked for in the next.
pub const MAX_RANGES: usize = 1000;
/// At most so many unread entries are named in one message.
pub const MAX_UNREAD: usize = 10_000;
/// Largest hello, in bytes.
pub const MAX_HELLO: usize = 4 * 1024;
/// Largest body that carries neither entries nor heads nor a photo's piece, in bytes.
pub const MAX_SMALL: usize = 64 * 1024;
