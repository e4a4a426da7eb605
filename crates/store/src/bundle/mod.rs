//! A whole store in one file, to be carried where no network goes: made on a tablet or a server, brought in anywhere.
//!
//! The file is a tar archive; its members in this order:
//! ```text
//! contents.json            what the file should hold: heads of all series, photos
//! journal/<n>.cbor         entries in pieces: canonical CBOR lists of [bytes, signature or null], whole transactions
//! refused/<n>.cbor         entries in quarantine: lists of [bytes, signature or null, reason]
//! unreadable/<n>.cbor      entries the program could not read: the same
//! damaged/<n>.cbor         entries whose stored bytes had changed: lists of [hash, bytes, signature as stored]; evidence only
//! photos/<hash>            originals
//! manifest.json            last: length and BLAKE3 of every member; a file without it was cut
//! ```
//! Nothing in the file is believed: every entry is judged by its chain and signature, every photo by its hash. Local state
//! (keys, half-typed values, receipts) is never in it.

mod export;
mod import;
mod list;
mod source;

pub use export::ExportReport;
pub use import::{ImportReport, Missing};

use journal::{Heads, PhotoHash, SiteId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

const FORMAT: u32 = 1;
const CONTENTS: &str = "contents.json";
const MANIFEST: &str = "manifest.json";
const JOURNAL: &str = "journal/";
const REFUSED: &str = "refused/";
const UNREADABLE: &str = "unreadable/";
const DAMAGED: &str = "damaged/";
const PHOTOS: &str = "photos/";
/// Bytes of entries in one piece; a whole transaction is never cut.
const PIECE: usize = 1 << 20;
/// The longest member but for photos that is read; pieces are about [`PIECE`], lists of photos 70 bytes each.
const LONGEST: u64 = 64 << 20;
/// Members that are looked at; beyond it the file is not one of ours.
const MOST_MEMBERS: u64 = 4_000_000;

/// What a file should hold.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Contents {
    format: u32,
    program: String,
    site: Option<SiteId>,
    heads: Heads,
    /// With their length.
    photos: BTreeMap<PhotoHash, u64>,
}

/// A member as it was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Member {
    bytes: u64,
    blake3: String,
}

/// All members but the photos, which prove themselves.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Closing {
    format: u32,
    members: BTreeMap<String, Member>,
    photos: u64,
    /// Photos that could not be read when the file was made.
    photos_damaged: Vec<PhotoHash>,
}
