//! What was promised to people, kept beside the simulated machines and never by them.

use journal::{EntryHash, Incarnation, PhotoHash};
use std::collections::{BTreeMap, BTreeSet};

/// A photo that somebody was told is saved.
#[derive(Clone, Debug)]
pub struct Photo {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Machines that said they hold it.
    pub at: BTreeSet<usize>,
}

/// All promises of one world.
#[derive(Clone, Debug, Default)]
pub struct Model {
    /// Every entry that a screen or a board said is saved, with its place in its series.
    pub acknowledged: BTreeMap<EntryHash, (Incarnation, u64)>,
    /// Those of them that were on no other disk when theirs was destroyed.
    pub lost: BTreeSet<EntryHash>,
    /// Every photo that a screen said is saved.
    pub photos: BTreeMap<PhotoHash, Photo>,
    /// Jobs in the order they were opened.
    pub jobs: Vec<String>,
    /// Series that a supervisor shut out, with the last entry that counts.
    pub shut_out: BTreeMap<Incarnation, u64>,
    /// Every series that a server ever wrote, with the server's name.
    pub servers: BTreeMap<Incarnation, String>,
    /// Series that were set back or copied: two versions of them may exist.
    pub doubtful: BTreeSet<Incarnation>,
}
