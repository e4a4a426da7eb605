//! The writer: everything that changes the store goes through here, one transaction at a time.

use crate::damage;
use crate::disk::Lock;
use crate::error::StoreError;
use crate::photos::Size;
use crate::project;
use crate::read::Reader;
use crate::rows;
use crate::sums;
use crate::uploads::Upload;
use crate::wal::LogState;
use journal::{EntryHash, Incarnation, PhotoHash, Sealed, SiteId, Tail};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::ops::Deref;
use std::path::{Path, PathBuf};

/// The journal on disk with its projections and photos. All reads of [`Reader`] can be asked of it directly.
#[derive(Debug)]
pub struct Store {
    writer: Connection,
    reader: Reader,
    file: PathBuf,
    vfs: Option<String>,
    log: LogState,
    _lock: Box<dyn Lock>,
}

impl Deref for Store {
    type Target = Reader;
    fn deref(&self) -> &Reader {
        &self.reader
    }
}

impl Store {
    pub(crate) fn new(writer: Connection, reader: Reader, lock: Box<dyn Lock>, file: PathBuf, vfs: Option<String>, log: LogState) -> Self {
        Self { writer, reader, file, vfs, log, _lock: lock }
    }

    pub(crate) const fn writer(&self) -> &Connection {
        &self.writer
    }

    /// What the write-ahead log was like when the store was opened. [`LogState::Damaged`]: entries that were shown as saved
    /// may be gone from this device. Say so, and begin a new series before anything is written: the trailer may hold them.
    pub const fn log_state(&self) -> &LogState {
        &self.log
    }

    pub(crate) fn file(&self) -> &Path {
        &self.file
    }

    pub(crate) fn vfs(&self) -> Option<&str> {
        self.vfs.as_deref()
    }

    /// Runs `change` in one transaction: all of it is durable when this returns, or none of it is there.
    pub(crate) fn change<T>(&mut self, change: impl FnOnce(&Transaction<'_>, &Reader) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.reader.check()?;
        let (writer, reader) = (&mut self.writer, &self.reader);
        let result = (|| {
            let transaction = writer.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = change(&transaction, reader)?;
            transaction.commit()?;
            Ok(value)
        })();
        reader.stop().watch(result)
    }

    /// Runs `read` in a transaction that is rolled back.
    pub(crate) fn try_out<T>(&mut self, read: impl FnOnce(&Transaction<'_>) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.reader.check()?;
        let (writer, reader) = (&mut self.writer, &self.reader);
        let result = (|| {
            let transaction = writer.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = read(&transaction)?;
            transaction.rollback()?;
            Ok(value)
        })();
        reader.stop().watch(result)
    }

    /// Says which site this store belongs to. Saying it again is fine.
    ///
    /// # Errors
    /// [`StoreError::OtherSite`] where it already belongs to another.
    pub fn set_site(&mut self, site: SiteId) -> Result<(), StoreError> {
        self.change(|t, _| own_site(t, site).map(drop))
    }

    /// Saves a transaction of this device: entries, head and projections in one commit, durable on return.
    ///
    /// The first one says which site the store belongs to. A photo that an entry names must be on disk before.
    ///
    /// # Errors
    /// [`StoreError::Chain`] where it does not follow its series; [`StoreError::PhotoMissing`]; [`StoreError::DiskFull`];
    /// [`StoreError::Stopped`]. Nothing of it is stored then.
    pub fn append(&mut self, tx: &[Sealed]) -> Result<(), StoreError> {
        let Some(first) = tx.first() else { return Ok(()) };
        let incarnation = first.entry.incarnation;
        self.change(|t, reader| {
            own_site(t, first.entry.site)?;
            let mut tail = rows::tail(t, &incarnation)?.unwrap_or_else(|| Tail::new(first.entry.site, incarnation));
            if let (_, Some(fault)) = tail.accept_all(tx) {
                return Err(fault.into());
            }
            for (photo, _) in tx.iter().filter_map(project::photo) {
                let bytes = reader.photos().bytes(&photo, Size::Full)?.ok_or(StoreError::PhotoMissing(photo))?;
                photo_here(t, &photo, bytes)?;
            }
            insert(t, tx, &tail)?;
            project::add(t, tx)?;
            Ok(())
        })
    }

    /// Drops every projection and makes it again from the entries.
    ///
    /// # Errors
    /// As the database says; [`StoreError::Damaged`] where an entry cannot be read.
    pub fn rebuild(&mut self) -> Result<(), StoreError> {
        self.change(|t, _| project::rebuild(t))
    }

    /// All projections as text, the same for the same entries whatever the order they came in.
    ///
    /// # Errors
    /// As the database says.
    pub fn state_bytes(&self) -> Result<Vec<u8>, StoreError> {
        project::state_bytes(self.reader.connection()?)
    }

    /// Keeps a piece of local state (identity, receipts, PIN guard, half-typed values), durable on return.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn set_setting(&mut self, key: &str, value: &str) -> Result<(), StoreError> {
        self.change(|t, _| put_setting(t, key, value))
    }

    /// Keeps several pieces of local state at once, or none of them.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn set_settings(&mut self, settings: &[(&str, &str)]) -> Result<(), StoreError> {
        self.change(|t, _| settings.iter().try_for_each(|(key, value)| put_setting(t, key, value)))
    }

    /// Forgets a piece of local state.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn remove_setting(&mut self, key: &str) -> Result<(), StoreError> {
        self.change(|t, _| {
            t.prepare_cached("DELETE FROM setting WHERE key = ?1")?.execute([key])?;
            Ok(())
        })
    }

    /// Notes that the trailer holds a photo whole.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn set_photo_receipt(&mut self, photo: &PhotoHash, receipt_ms: i64) -> Result<(), StoreError> {
        self.change(|t, _| {
            let sum = sums::receipt(&photo.0, receipt_ms);
            t.prepare_cached("INSERT OR REPLACE INTO photo_receipt (photo, receipt_ms, sum) VALUES (?1, ?2, ?3)")?
                .execute(params![photo.0, receipt_ms, sum])?;
            Ok(())
        })
    }

    /// Takes the word back, e.g. where the trailer's disk was lost: the photo is to be sent again.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn remove_photo_receipt(&mut self, photo: &PhotoHash) -> Result<(), StoreError> {
        self.change(|t, _| {
            t.prepare_cached("DELETE FROM photo_receipt WHERE photo = ?1")?.execute([photo.0])?;
            Ok(())
        })
    }

    /// Takes every such word back, where it was another trailer's, or one's that was set back: all photos are offered again,
    /// and those it still holds are signed for again without being sent.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn remove_photo_receipts(&mut self) -> Result<(), StoreError> {
        self.change(|t, _| {
            t.execute("DELETE FROM photo_receipt", [])?;
            Ok(())
        })
    }

    /// Checks the hash over a whole upload and makes it a photo, durable on return. Doing it again is fine.
    ///
    /// # Errors
    /// [`StoreError::UploadHash`] where the bytes are not that photo: they are thrown away and the upload stands at 0.
    /// [`StoreError::UploadOffset`] where nothing has arrived.
    pub fn upload_finish(&mut self, photo: &PhotoHash) -> Result<(), StoreError> {
        let bytes = self.reader.photos().upload_finish(photo)?;
        self.change(|t, _| photo_here(t, photo, bytes))
    }

    /// How much of a photo is here, for an answer that may be a receipt: what is complete also stands in the list of photos, and
    /// its name is synced, on return. A disk that was full in the middle of [`Store::upload_finish`] may have left it out.
    ///
    /// # Errors
    /// As [`Store::append`]; then no receipt may be given.
    pub fn upload_state(&mut self, photo: &PhotoHash) -> Result<Upload, StoreError> {
        let held = self.reader.photos().upload_offset(photo)?;
        if held.complete && !rows::is_photo_here(self.reader.connection()?, photo)? {
            self.reader.photos().sync_names([photo].into_iter())?;
            self.change(|t, _| photo_here(t, photo, held.offset))?;
        }
        Ok(held)
    }

    /// Brings the list of photos in line with the files. Called when the store is opened; writes only what differs.
    pub(crate) fn note_photos(&mut self) -> Result<(), StoreError> {
        let found: BTreeMap<PhotoHash, u64> = self.reader.photos().all()?.into_iter().collect();
        let noted = rows::photos_here(self.reader.connection()?)?;
        if found == noted {
            return Ok(());
        }
        // A run may have been killed after it renamed a photo and before it synced the name: what is seen here must not be
        // gone after a power cut, for the peer is told that it is complete.
        self.reader.photos().sync_names(found.keys().filter(|photo| !noted.contains_key(photo)))?;
        self.change(|t, _| {
            for photo in noted.keys().filter(|photo| !found.contains_key(photo)) {
                t.prepare_cached("DELETE FROM photo_here WHERE photo = ?1")?.execute([photo.0])?;
            }
            found.iter().filter(|(p, n)| noted.get(p) != Some(n)).try_for_each(|(p, n)| photo_here(t, p, *n))
        })
    }

    /// Removes photos that nothing names and that are older than a day, but not older than a year: such an age is rather a
    /// wrong clock's. Younger ones stay: their entry may still be on its way. Called when the store is opened.
    ///
    /// Such a photo was taken in, and the program ended before its entry was saved; nobody was told that it is safe. For
    /// this no projection is believed: entries, refused and unreadable ones, and local state are all searched.
    pub(crate) fn sweep_photos(&mut self) -> Result<(), StoreError> {
        let candidates = self.reader.photos().all()?.into_iter().map(|(photo, _)| photo);
        let mut old = rows::not_named(self.reader.connection()?, candidates)?;
        old.retain(|photo| self.reader.photos().is_stale(photo));
        if old.is_empty() || damage::any(self.reader.connection()?)? {
            return Ok(());
        }
        rows::drop_mentioned(self.reader.connection()?, &mut old)?;
        for photo in &old {
            self.reader.photos().remove(photo)?;
        }
        self.change(|t, _| {
            let mut gone = t.prepare_cached("DELETE FROM photo_here WHERE photo = ?1")?;
            old.iter().try_for_each(|photo| gone.execute([photo.0]).map(drop).map_err(StoreError::from))
        })
    }

    /// Makes the projections anew where another version of this program made them. Called when the store is opened.
    pub(crate) fn bring_up_to_date(&mut self) -> Result<(), StoreError> {
        self.change(|t, _| {
            damage::mend_heads(t)?;
            project::bring_up_to_date(t)
        })
    }

    /// Moves what the write-ahead log holds into the database file. Only to keep the log short; nothing depends on it.
    ///
    /// # Errors
    /// As the database says.
    pub fn checkpoint(&mut self) -> Result<(), StoreError> {
        self.reader.check()?;
        let result = self.writer.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()));
        self.reader.stop().watch(result.map_err(StoreError::from))
    }
}

pub(crate) fn own_site(t: &Transaction<'_>, site: SiteId) -> Result<SiteId, StoreError> {
    match rows::site(t)? {
        None => put_setting(t, rows::SITE, &site.to_hex())?,
        Some(known) if known == site => {}
        Some(_) => return Err(StoreError::OtherSite),
    }
    Ok(site)
}

pub(crate) fn put_setting(t: &Transaction<'_>, key: &str, value: &str) -> Result<(), StoreError> {
    let sum = sums::setting(key, value);
    t.prepare_cached("INSERT OR REPLACE INTO setting (key, value, sum) VALUES (?1, ?2, ?3)")?.execute(params![key, value, sum])?;
    Ok(())
}

pub(crate) fn photo_here(t: &Transaction<'_>, photo: &PhotoHash, bytes: u64) -> Result<(), StoreError> {
    t.prepare_cached("INSERT OR REPLACE INTO photo_here (photo, bytes) VALUES (?1, ?2)")?.execute(params![photo.0, bytes])?;
    Ok(())
}

/// The signature as stored: empty within a transaction.
pub(crate) fn sig_bytes(sealed: &Sealed) -> &[u8] {
    sealed.sig.as_ref().map_or(&[], |sig| &sig.0)
}

/// Stores judged entries of one series and its new head.
pub(crate) fn insert(t: &Transaction<'_>, entries: &[Sealed], tail: &Tail) -> Result<(), StoreError> {
    if entries.is_empty() {
        return Ok(());
    }
    let mut statement = t.prepare_cached("INSERT INTO entry (hash, incarnation, seq, bytes, sig) VALUES (?1, ?2, ?3, ?4, ?5)")?;
    for s in entries {
        statement.execute(params![s.hash.0, s.entry.incarnation.0, s.entry.seq, s.bytes, sig_bytes(s)])?;
    }
    put_head(t, tail, entries.iter().map(|s| s.entry.counter).max().unwrap_or(0))
}

/// Keeps where a series stands; its counter only ever rises.
pub(crate) fn put_head(t: &Transaction<'_>, tail: &Tail, counter: u64) -> Result<(), StoreError> {
    let Some(head) = tail.head() else { return Ok(()) };
    let (incarnation, text) = (tail.incarnation(), serde_json::to_string(tail)?);
    let sum = sums::head(&incarnation.0, head.seq, &head.hash.0, &text);
    t.prepare_cached(
        "INSERT INTO series (incarnation, seq, hash, counter, tail, sum) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT (incarnation) DO UPDATE SET
            seq = excluded.seq, hash = excluded.hash, counter = max(counter, excluded.counter), tail = excluded.tail, sum = excluded.sum",
    )?
    .execute(params![incarnation.0, head.seq, head.hash.0, counter, text, sum])?;
    Ok(())
}

/// The hash stored at a place of a series.
pub(crate) fn at(t: &Transaction<'_>, incarnation: &Incarnation, seq: u64) -> Result<Option<EntryHash>, StoreError> {
    use rusqlite::OptionalExtension;
    let mut statement = t.prepare_cached("SELECT hash FROM entry WHERE incarnation = ?1 AND seq = ?2")?;
    Ok(statement.query_row(params![incarnation.0, seq], |row| row.get(0).map(EntryHash)).optional()?)
}
