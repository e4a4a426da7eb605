//! What belongs to a snapshot, written last. It carries its own sum, so that a changed one is noticed.

use crate::error::StoreError;
use crate::rows;
use journal::{Head, Heads, Incarnation, PhotoHash, SiteId};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The layout written today.
const FORMAT: u32 = 1;
/// The longest manifest that is read: 256 MiB, for about two million photos.
pub(super) const LONGEST: u64 = 256 << 20;

/// A file of a snapshot.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileSum {
    /// Length.
    pub bytes: u64,
    /// BLAKE3, hexadecimal.
    pub blake3: String,
}

/// What belongs to a snapshot.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// Layout of the snapshot.
    pub format: u32,
    /// Version of the program that made it.
    pub program: String,
    /// Name of the snapshot.
    pub stamp: String,
    /// The site, where the store knows it.
    pub site: Option<SiteId>,
    /// Where every series ends.
    pub heads: Heads,
    /// Entries in all series.
    pub entries: u64,
    /// Refused entries kept.
    pub quarantined: u64,
    /// Entries kept that the program could not read.
    pub unreadable: u64,
    /// Every file beside the manifest, by its name.
    pub files: BTreeMap<String, FileSum>,
    /// Photos in the pool that belong to it, with their length.
    pub photos: BTreeMap<PhotoHash, u64>,
    /// Photos that were damaged in the store and could not be copied.
    pub damaged: Vec<PhotoHash>,
}

#[derive(Serialize, Deserialize)]
struct Sealed {
    manifest: Manifest,
    /// BLAKE3 of `manifest` as compact JSON.
    blake3: String,
}

impl Manifest {
    /// What the database holds; files and photos are added by the caller.
    pub(super) fn of(c: &Connection, stamp: &str) -> Result<Self, StoreError> {
        let count = |sql: &str| c.query_row(sql, [], |row| row.get::<_, u64>(0));
        Ok(Self {
            format: FORMAT,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            stamp: stamp.to_owned(),
            site: rows::site(c)?,
            heads: heads(c)?,
            entries: count("SELECT count(*) FROM entry")?,
            quarantined: count("SELECT count(*) FROM quarantine")?,
            unreadable: count("SELECT count(*) FROM unreadable")?,
            files: BTreeMap::new(),
            photos: BTreeMap::new(),
            damaged: Vec::new(),
        })
    }

    pub(super) fn to_text(&self) -> Result<String, StoreError> {
        let blake3 = blake3::hash(&serde_json::to_vec(self)?).to_hex().to_string();
        Ok(serde_json::to_string_pretty(&Sealed { manifest: self.clone(), blake3 })?)
    }

    /// Reads a manifest, which is not believed where its sum does not fit.
    pub(super) fn from_text(text: &[u8]) -> Result<Self, StoreError> {
        let bad = |why: &str| StoreError::BadBackup(format!("its manifest {why}"));
        let sealed: Sealed = serde_json::from_slice(text).map_err(|e| bad(&format!("cannot be read ({e})")))?;
        let sum = blake3::hash(&serde_json::to_vec(&sealed.manifest)?).to_hex().to_string();
        if sum != sealed.blake3 {
            return Err(bad("is not what was written"));
        }
        if sealed.manifest.format > FORMAT {
            return Err(bad("was written by a newer program; update this one"));
        }
        Ok(sealed.manifest)
    }
}

/// The heads that are what was saved.
pub(crate) fn heads(c: &Connection) -> Result<Heads, StoreError> {
    let mut statement = c.prepare("SELECT seq, hash, tail, sum, incarnation FROM series")?;
    let mut rows = statement.query([])?;
    let mut heads = BTreeMap::<Incarnation, Head>::new();
    while let Some(row) = rows.next()? {
        let incarnation = Incarnation(row.get(4)?);
        match rows::checked_head(&incarnation, row) {
            Ok(head) => drop(heads.insert(incarnation, head)),
            Err(StoreError::DamagedRecord(_)) => {}
            Err(e) => return Err(e),
        }
    }
    Ok(Heads(heads))
}
