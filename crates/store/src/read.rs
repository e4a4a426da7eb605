//! What can be asked of a store. A reader is a query-only connection of its own; it never waits for the writer.

use crate::damage;
use crate::error::StoreError;
use crate::photos::{PhotoSink, Photos, Size};
use crate::rows;
use crate::stop::Stop;
use crate::sums;
use crate::uploads::Upload;
use job::{Devices, JobView, SitePlan};
use journal::{DeviceId, EntryHash, Heads, Incarnation, PhotoHash, Sealed, SiteId, Tail};
use rusqlite::{Connection, OptionalExtension, params};
use std::path::PathBuf;

/// Reads the store.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    photos: Photos,
    stop: Stop,
}

/// A device as its series' first entry names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Device {
    /// The device.
    pub device: DeviceId,
    /// The series.
    pub incarnation: Incarnation,
    /// Its name, e.g. `K4`.
    pub name: String,
    /// `tablet` or `server`.
    pub role: String,
    /// The series' public key, hexadecimal.
    pub key: String,
}

/// An entry that was refused and kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// Its hash.
    pub hash: EntryHash,
    /// The series it claims.
    pub incarnation: Incarnation,
    /// The place it claims.
    pub seq: u64,
    /// Why it was refused.
    pub reason: String,
    /// True where the same entry was later taken in with a good signature.
    pub settled: bool,
    /// The bytes as received.
    pub bytes: Vec<u8>,
}

/// A photo as far as this store knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhotoState {
    /// True where the original is on this disk.
    pub here: bool,
    /// Its length in bytes; as named by an entry where it is not here, 0 where nothing is known.
    pub bytes: u64,
    /// When the trailer said it holds it whole, ms since 1970 by the trailer's clock.
    pub receipt_ms: Option<i64>,
}

impl Reader {
    pub(crate) const fn new(connection: Connection, photos: Photos, stop: Stop) -> Self {
        Self { connection, photos, stop }
    }

    pub(crate) fn connection(&self) -> Result<&Connection, StoreError> {
        self.stop.check()?;
        Ok(&self.connection)
    }

    pub(crate) const fn stop(&self) -> &Stop {
        &self.stop
    }

    /// Runs a read and stops the store where the disk fails under it.
    pub(crate) fn ask<T>(&self, read: impl FnOnce(&Connection) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.stop.watch(read(self.connection()?))
    }

    /// True once the disk has failed: the store must be opened again.
    pub fn is_stopped(&self) -> bool {
        self.stop.is_stopped()
    }

    /// An error once the disk has failed; see [`StoreError::Stopped`].
    ///
    /// # Errors
    /// [`StoreError::Stopped`].
    pub fn check(&self) -> Result<(), StoreError> {
        self.stop.check()
    }

    /// The photo files; cheap to clone, and usable without holding the store.
    pub const fn photos(&self) -> &Photos {
        &self.photos
    }

    /// Where a picture (`full`, `1600`, `256`) lies, or `None` where it is not here.
    ///
    /// # Errors
    /// Where the disk cannot tell.
    pub fn photo_path(&self, photo: &PhotoHash, size: &str) -> Result<Option<PathBuf>, StoreError> {
        let Some(size) = Size::parse(size) else { return Ok(None) };
        Ok(self.photos.bytes(photo, size)?.map(|_| self.photos.path(photo, size)))
    }

    /// Begins taking in a photo; see [`Photos::begin`].
    ///
    /// # Errors
    /// As [`Photos::begin`].
    pub fn photo_begin(&self) -> Result<PhotoSink, StoreError> {
        self.photos.begin()
    }

    /// Keeps a made picture (`1600` or `256`) beside the original; see [`Photos::put_made`].
    ///
    /// # Errors
    /// As [`Photos::put_made`].
    pub fn photo_put_small(&self, photo: &PhotoHash, size: &str, jpeg: &[u8]) -> Result<(), StoreError> {
        self.photos.put_made(photo, Size::parse(size).unwrap_or(Size::Full), jpeg)
    }

    /// How far the upload of a photo is; see [`Photos::upload_offset`].
    ///
    /// # Errors
    /// As [`Photos::upload_offset`].
    pub fn upload_offset(&self, photo: &PhotoHash) -> Result<Upload, StoreError> {
        self.photos.upload_offset(photo)
    }

    /// Adds a piece to an upload; see [`Photos::upload_append`].
    ///
    /// # Errors
    /// As [`Photos::upload_append`].
    pub fn upload_append(&self, photo: &PhotoHash, offset: u64, bytes: &[u8]) -> Result<Upload, StoreError> {
        self.photos.upload_append(photo, offset, bytes)
    }

    /// The site this store belongs to, once known.
    ///
    /// # Errors
    /// Where the database cannot be read, as for all calls here.
    pub fn site(&self) -> Result<Option<SiteId>, StoreError> {
        self.ask(rows::site)
    }

    /// The head of every series.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn heads(&self) -> Result<Heads, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT seq, hash, tail, sum, incarnation FROM series")?;
            let mut rows = statement.query([])?;
            let mut heads = Heads::default();
            while let Some(row) = rows.next()? {
                let incarnation = Incarnation(row.get(4)?);
                // A head that is not what was saved is told to nobody: the series is sent again, and that puts it right.
                match rows::checked_head(&incarnation, row) {
                    Ok(head) => drop(heads.0.insert(incarnation, head)),
                    Err(StoreError::DamagedRecord(_)) => {}
                    Err(e) => return Err(e),
                }
            }
            Ok(heads)
        })
    }

    /// The chain state of a series, or `None` where nothing of it is here.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn tail(&self, incarnation: &Incarnation) -> Result<Option<Tail>, StoreError> {
        self.ask(|c| rows::tail(c, incarnation))
    }

    /// The Lamport counter that a writer goes on from ([`journal::writer::counter_to_follow`]).
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn counter(&self) -> Result<u64, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT seq, counter FROM series")?;
            let heads = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<Vec<_>, _>>()?;
            Ok(journal::writer::counter_to_follow(heads))
        })
    }

    /// Entries of a series from `from_seq` on: whole transactions, about `max_bytes` of entries, but at least one
    /// transaction if there is any.
    ///
    /// # Errors
    /// As [`Reader::site`]; [`StoreError::DamagedRecord`] where the first transaction's stored bytes no longer fit their
    /// hash. A damaged entry is never given: what stands before it is, and nothing after it.
    pub fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, StoreError> {
        self.ask(|c| {
            // What is read here is sent on: a signature that changed on this disk would make the entry a forgery elsewhere.
            let key = rows::tail(c, incarnation).ok().flatten().and_then(|tail| tail.key());
            let mut statement = c.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE incarnation = ?1 AND seq >= ?2 ORDER BY seq")?;
            let mut rows = statement.query(params![incarnation.0, from_seq.min(i64::MAX as u64)])?;
            let (mut out, mut whole, mut bytes) = (Vec::new(), 0, 0);
            while let Some(row) = rows.next()? {
                let sealed = match rows::sealed(row).and_then(|sealed| rows::signed(sealed, key.as_ref())) {
                    Ok(sealed) => sealed,
                    // What stands before the damaged one is sound, and may go on.
                    Err(StoreError::DamagedRecord(_)) if whole > 0 => break,
                    Err(e) => return Err(e),
                };
                bytes += sealed.bytes.len();
                if bytes > max_bytes && whole > 0 {
                    break;
                }
                let ends = sealed.entry.tx_left == 0;
                out.push(sealed);
                if ends {
                    whole = out.len();
                }
            }
            out.truncate(whole);
            Ok(out)
        })
    }

    /// One entry by its hash.
    ///
    /// # Errors
    /// As [`Reader::read`].
    pub fn entry(&self, hash: &EntryHash) -> Result<Option<Sealed>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE hash = ?1")?;
            let mut rows = statement.query([hash.0])?;
            rows.next()?.map(rows::sealed).transpose()
        })
    }

    /// All entries of one subject, by hash.
    ///
    /// # Errors
    /// As [`Reader::read`].
    pub fn subject(&self, subject: &str) -> Result<Vec<Sealed>, StoreError> {
        let job = job::fold::split_subject(subject).map_or("", |(job, _)| job);
        self.ask(|c| {
            let mut statement = c.prepare_cached(
                "SELECT e.hash, e.bytes, e.sig FROM p_entry p JOIN entry e ON e.hash = p.hash
                 WHERE p.job = ?1 AND p.subject = ?2 ORDER BY p.hash",
            )?;
            let mut rows = statement.query([job, subject])?;
            rows::all(&mut rows)
        })
    }

    /// How many entries are here.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn entries(&self) -> Result<u64, StoreError> {
        // Series have no gaps, so their heads add up to the count.
        self.ask(|c| Ok(c.query_row("SELECT coalesce(sum(seq), 0) FROM series", [], |row| row.get(0))?))
    }

    /// The plan that stands: the newest one written by a server's series that this program can read.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn plan(&self) -> Result<Option<SitePlan>, StoreError> {
        self.ask(rows::plan)
    }

    /// True where a newer plan has come that this program cannot read: it works with the one before and must be updated.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn plan_needs_update(&self) -> Result<bool, StoreError> {
        self.ask(|c| Ok(c.query_row("SELECT newer FROM p_plan", [], |row| row.get(0)).optional()?.unwrap_or(false)))
    }

    /// Names of the devices.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn devices(&self) -> Result<Devices, StoreError> {
        self.ask(rows::devices)
    }

    /// Every series' device, by name.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn device_list(&self) -> Result<Vec<Device>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT device, incarnation, name, role, key FROM p_device ORDER BY name, incarnation")?;
            let rows = statement.query_map([], |row| {
                Ok(Device {
                    device: DeviceId(row.get(0)?),
                    incarnation: Incarnation(row.get(1)?),
                    name: row.get(2)?,
                    role: row.get(3)?,
                    key: row.get(4)?,
                })
            })?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// Every job that can be shown, by identifier; those that cannot are told by [`Reader::damage`].
    ///
    /// # Errors
    /// As [`Reader::site`]; [`StoreError::Json`] where a stored view is of another version (rebuild then).
    pub fn jobs(&self) -> Result<Vec<JobView>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT job, view, sum FROM p_job ORDER BY job")?;
            let mut rows = statement.query([])?;
            let mut out = Vec::new();
            while let Some(row) = rows.next()? {
                let job: String = row.get(0)?;
                match sums::checked_view(&job, row.get(1)?, row.get(2)?) {
                    Ok(view) => out.push(serde_json::from_str(&view)?),
                    // Told by `damage`; the others go on.
                    Err(StoreError::DamagedRecord(_)) => {}
                    Err(e) => return Err(e),
                }
            }
            Ok(out)
        })
    }

    /// One job.
    ///
    /// # Errors
    /// As [`Reader::jobs`].
    pub fn job(&self, id: &str) -> Result<Option<JobView>, StoreError> {
        let view = self.job_json(id)?;
        Ok(view.map(|text| serde_json::from_str(&text)).transpose()?)
    }

    /// One job as the JSON text it is kept as.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn job_json(&self, id: &str) -> Result<Option<String>, StoreError> {
        self.ask(|c| {
            damage::check_job(c, id)?;
            let mut statement = c.prepare_cached("SELECT view, sum FROM p_job WHERE job = ?1")?;
            let found: Option<(String, Option<Vec<u8>>)> = statement.query_row([id], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
            found.map(|(view, sum)| sums::checked_view(id, view, sum)).transpose()
        })
    }

    /// A piece of local state.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn setting(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.ask(|c| rows::setting(c, key))
    }

    /// All local state whose key begins with `prefix`, by key.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn settings(&self, prefix: &str) -> Result<Vec<(String, String)>, StoreError> {
        self.ask(|c| {
            let mut statement =
                c.prepare_cached("SELECT key, value, sum FROM setting WHERE substr(key, 1, length(?1)) = ?1 ORDER BY key")?;
            let mut rows = statement.query([prefix])?;
            let mut out = Vec::new();
            while let Some(row) = rows.next()? {
                let key: String = row.get(0)?;
                let value = sums::checked_setting(&key, row.get(1)?, row.get(2)?)?;
                out.push((key, value));
            }
            Ok(out)
        })
    }

    /// Entries that were refused, oldest first.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn quarantine(&self) -> Result<Vec<Quarantined>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached(
                "SELECT q.hash, q.incarnation, q.seq, q.reason, e.hash IS NOT NULL, q.bytes
                 FROM quarantine q LEFT JOIN entry e ON e.hash = q.hash ORDER BY q.id",
            )?;
            let rows = statement.query_map([], |row| {
                Ok(Quarantined {
                    hash: EntryHash(row.get(0)?),
                    incarnation: Incarnation(row.get(1)?),
                    seq: row.get(2)?,
                    reason: row.get(3)?,
                    settled: row.get(4)?,
                    bytes: row.get(5)?,
                })
            })?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// What is known of a photo. Looks at the file itself.
    ///
    /// # Errors
    /// As [`Reader::site`], or where the disk cannot tell.
    pub fn photo_state(&self, photo: &PhotoHash) -> Result<PhotoState, StoreError> {
        let on_disk = self.photos.bytes(photo, Size::Full)?;
        self.ask(|c| {
            let mut receipt = c.prepare_cached("SELECT receipt_ms FROM photo_receipt WHERE photo = ?1")?;
            let receipt_ms = receipt.query_row([photo.0], |row| row.get(0)).optional()?;
            let mut named = c.prepare_cached("SELECT coalesce(max(bytes), 0) FROM p_photo WHERE photo = ?1")?;
            let named = named.query_row([photo.0], |row| row.get(0))?;
            Ok(PhotoState { here: on_disk.is_some(), bytes: on_disk.unwrap_or(named), receipt_ms })
        })
    }

    /// Photos that are here, are named by an entry, and for which the trailer has given no receipt.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn photos_without_receipt(&self) -> Result<Vec<PhotoHash>, StoreError> {
        self.photo_list(
            "SELECT DISTINCT p.photo FROM p_photo p JOIN photo_here h ON h.photo = p.photo
             WHERE NOT EXISTS (SELECT 1 FROM photo_receipt r WHERE r.photo = p.photo) ORDER BY p.photo LIMIT ?1",
            i64::MAX as u64,
        )
    }

    /// Photos that an entry names and that are not here; at most `limit`.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn photos_wanted(&self, limit: u64) -> Result<Vec<PhotoHash>, StoreError> {
        self.photo_list(
            "SELECT DISTINCT p.photo FROM p_photo p
             WHERE NOT EXISTS (SELECT 1 FROM photo_here h WHERE h.photo = p.photo) ORDER BY p.photo LIMIT ?1",
            limit,
        )
    }

    fn photo_list(&self, sql: &str, limit: u64) -> Result<Vec<PhotoHash>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached(sql)?;
            let rows = statement.query_map([limit.min(i64::MAX as u64)], |row| row.get(0).map(PhotoHash))?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }
}
