//! The journal on disk: SQLite, projections, photos by content hash.
//!
//! The only crate with SQL. The journal is the truth; every table whose name begins with `p_` is a projection that
//! [`Store::rebuild`] makes again byte for byte. What [`Store::append`] and [`Store::accept`] return `Ok` for is durable. A
//! photo's bytes are durable before [`PhotoSink::finish`] gives the hash that an entry may name.
//!
//! Knows no network, no window and no clock.

mod accept;
pub mod backup;
mod beside;
pub mod bundle;
mod compact;
mod counts;
mod damage;
pub mod disk;
mod error;
mod fault;
mod open;
mod photos;
mod project;
mod read;
mod rows;
mod standing;
mod stop;
mod store;
mod sums;
#[cfg(feature = "testkit")]
pub mod testkit;
mod unfinished;
mod unreadable;
mod uploads;
mod verify;
mod wal;

pub use accept::Accepted;
pub use bundle::{ExportReport, ImportReport, Missing};
pub use compact::Compacted;
pub use damage::Damage;
pub use error::StoreError;
pub use fault::{Fault, Place};
pub use open::Options;
pub use photos::{MAX_PHOTO, PHOTO_FLOOR, PhotoSink, Photos, Size};
pub use read::{Device, PhotoState, Quarantined, Reader};
pub use standing::SeriesState;
pub use store::Store;
pub use unreadable::{MOST, Unreadable};
pub use uploads::Upload;
pub use verify::Report;
pub use wal::LogState;
