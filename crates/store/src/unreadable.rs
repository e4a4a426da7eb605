//! Entries that this program cannot read, perhaps because a later one wrote them: kept as they came, forwarded and exported
//! untouched, and tried again by the next version of this program.

use crate::error::StoreError;
use crate::read::Reader;
use crate::store::Store;
use crate::sums;
use journal::{EntryHash, Sealed, Signature};
use rusqlite::{Connection, Transaction, params};

/// Room for what is kept apart, refused entries and unreadable ones each: 64 MiB. What comes beyond it is not taken in, so
/// that nobody can fill the disk with entries that no record needs.
pub const MOST: u64 = 64 << 20;

/// The program that tried last to read what it could not.
const TRIED: &str = "unreadable-tried";
/// Where earlier programs kept them.
const OLD_PREFIX: &str = "unreadable/";

/// An entry that came and cannot be read here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// Its place in the order of arrival here; 0 before it is stored.
    pub id: u64,
    /// BLAKE3 of its bytes.
    pub hash: EntryHash,
    /// The bytes as received.
    pub bytes: Vec<u8>,
    /// The signature as received.
    pub sig: Option<Signature>,
    /// Why it cannot be read, as a sentence.
    pub why: String,
}

impl Unreadable {
    /// An entry as it came.
    pub fn new(bytes: Vec<u8>, sig: Option<Signature>, why: String) -> Self {
        Self { id: 0, hash: EntryHash(*blake3::hash(&bytes).as_bytes()), bytes, sig, why }
    }

    fn sig_bytes(&self) -> &[u8] {
        self.sig.as_ref().map_or(&[], |sig| &sig.0)
    }
}

impl Store {
    /// Keeps entries that cannot be read here, durable on return; those that are kept already are left alone. Gives how many
    /// were new. All or none.
    ///
    /// # Errors
    /// [`StoreError::KeptFull`] where they would take more than [`MOST`]; otherwise as [`Store::append`].
    pub fn keep_unreadable(&mut self, entries: &[Unreadable]) -> Result<usize, StoreError> {
        if entries.is_empty() {
            return Ok(0);
        }
        self.change(|t, _| keep(t, entries))
    }

    /// Tries again what could not be read, where another version of this program tried last. Called when the store is opened.
    pub(crate) fn try_unreadable_again(&mut self) -> Result<(), StoreError> {
        self.bring_in_old_ones()?;
        let tried = self.setting(TRIED).or_else(|e| if matches!(e, StoreError::DamagedRecord(_)) { Ok(None) } else { Err(e) })?;
        if tried.as_deref() == Some(env!("CARGO_PKG_VERSION")) {
            return Ok(());
        }
        self.read_again()?;
        self.set_setting(TRIED, env!("CARGO_PKG_VERSION"))
    }

    /// Takes in what can be read by now. What still does not follow is asked for again by the next sync, and stays here
    /// until it has come.
    fn read_again(&mut self) -> Result<(), StoreError> {
        let mut from = 0;
        loop {
            let piece = self.unreadable(from, 1 << 20)?;
            let Some(last) = piece.last() else { break };
            from = last.id + 1;
            let readable: Vec<Sealed> = piece.into_iter().filter_map(|u| Sealed::open(u.bytes, u.sig).ok()).collect();
            match self.accept(readable) {
                Ok(_) | Err(StoreError::NoSite) => {}
                Err(e) => return Err(e),
            }
        }
        self.change(|t, _| {
            t.execute(
                "DELETE FROM unreadable WHERE EXISTS (SELECT 1 FROM entry e WHERE e.hash = unreadable.hash)
                 OR EXISTS (SELECT 1 FROM quarantine q WHERE q.hash = unreadable.hash AND q.sig = unreadable.sig)",
                [],
            )?;
            Ok(())
        })
    }

    fn bring_in_old_ones(&mut self) -> Result<(), StoreError> {
        let old = self.settings(OLD_PREFIX)?;
        if old.is_empty() {
            return Ok(());
        }
        let why = "kept by an earlier program, which could not read it";
        let entries: Vec<Unreadable> =
            old.iter().filter_map(|(_, text)| hex::decode(text).ok()).map(|bytes| Unreadable::new(bytes, None, why.into())).collect();
        self.change(|t, _| {
            keep(t, &entries)?;
            for (key, _) in &old {
                t.execute("DELETE FROM setting WHERE key = ?1", [key])?;
            }
            Ok(())
        })
    }
}

impl Reader {
    /// Entries that could not be read, by the order of arrival here, from place `from` on: about `max_bytes` of them, at
    /// least one if there is any. To be forwarded as they are.
    ///
    /// # Errors
    /// As [`Reader::site`]. Those whose stored bytes have changed are left out: they are never sent on.
    pub fn unreadable(&self, from: u64, max_bytes: usize) -> Result<Vec<Unreadable>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT id, hash, bytes, sig, why, sum FROM unreadable WHERE id >= ?1 ORDER BY id")?;
            let mut rows = statement.query([from.min(i64::MAX as u64)])?;
            let (mut out, mut used) = (Vec::new(), 0_usize);
            while let Some(row) = rows.next()? {
                let (id, hash, sig): (u64, [u8; 32], Vec<u8>) = (row.get(0)?, row.get(1)?, row.get(3)?);
                let kept = Unreadable { id, ..Unreadable::new(row.get(2)?, Signature::from_slice(&sig), row.get(4)?) };
                let sum: Vec<u8> = row.get(5)?;
                if kept.hash.0 != hash || sum != sums::refused(&kept.bytes, &sig, &kept.why) {
                    continue;
                }
                used = used.saturating_add(kept.bytes.len());
                if used > max_bytes && !out.is_empty() {
                    break;
                }
                out.push(kept);
            }
            Ok(out)
        })
    }
}

fn keep(t: &Transaction<'_>, entries: &[Unreadable]) -> Result<usize, StoreError> {
    let mut used = room(t, "unreadable")?;
    let mut known = t.prepare_cached("SELECT EXISTS (SELECT 1 FROM unreadable WHERE hash = ?1 AND sig = ?2)")?;
    let mut put = t.prepare_cached("INSERT INTO unreadable (hash, bytes, sig, why, sum) VALUES (?1, ?2, ?3, ?4, ?5)")?;
    let mut new = 0;
    for entry in entries {
        if known.query_row(params![entry.hash.0, entry.sig_bytes()], |row| row.get(0))? {
            continue;
        }
        used = used.saturating_add(entry.bytes.len() as u64);
        if used > MOST {
            return Err(StoreError::KeptFull { what: "Entries that this program cannot read" });
        }
        let sum = sums::refused(&entry.bytes, entry.sig_bytes(), &entry.why);
        put.execute(params![entry.hash.0, entry.bytes, entry.sig_bytes(), entry.why, sum])?;
        new += 1;
    }
    Ok(new)
}

/// Bytes of entries that a table of kept ones holds.
pub(crate) fn room(c: &Connection, table: &str) -> Result<u64, StoreError> {
    Ok(c.query_row(&format!("SELECT coalesce(sum(length(bytes)), 0) FROM {table}"), [], |row| row.get(0))?)
}
