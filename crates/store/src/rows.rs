//! Rows to values: the few reads that writer, reader and projections share.

use crate::error::StoreError;
use crate::sums;
use job::standing::Clock;
use job::{Devices, SitePlan};
use journal::{EntryHash, Head, Incarnation, PhotoHash, Sealed, Signature, SiteId, Tail, VerifyingKey};
use rusqlite::{Connection, OptionalExtension, Row, Rows};
use std::collections::{BTreeMap, BTreeSet};

/// Key of the setting that holds the site.
pub(crate) const SITE: &str = "site";

pub(crate) fn setting(c: &Connection, key: &str) -> Result<Option<String>, StoreError> {
    let mut statement = c.prepare_cached("SELECT value, sum FROM setting WHERE key = ?1")?;
    let found: Option<(String, Option<Vec<u8>>)> = statement.query_row([key], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    found.map(|(value, sum)| sums::checked_setting(key, value, sum)).transpose()
}

pub(crate) fn site(c: &Connection) -> Result<Option<SiteId>, StoreError> {
    let Some(text) = setting(c, SITE)? else { return Ok(None) };
    SiteId::from_hex(&text).map(Some).ok_or_else(|| StoreError::DamagedRecord("the stored site is not one".into()))
}

pub(crate) fn tail(c: &Connection, incarnation: &Incarnation) -> Result<Option<Tail>, StoreError> {
    let mut statement = c.prepare_cached("SELECT seq, hash, tail, sum FROM series WHERE incarnation = ?1")?;
    let mut rows = statement.query([incarnation.0])?;
    let Some(row) = rows.next()? else { return Ok(None) };
    checked_head(incarnation, row)?;
    let text: String = row.get(2)?;
    serde_json::from_str(&text).map(Some).map_err(|e| StoreError::DamagedRecord(format!("series {incarnation}: {e}")))
}

/// A series' head from the columns seq, hash, tail, sum; passed on only as it was saved.
pub(crate) fn checked_head(incarnation: &Incarnation, row: &Row<'_>) -> Result<Head, StoreError> {
    let (seq, hash): (u64, [u8; 32]) = (row.get(0)?, row.get(1)?);
    let kept: Option<Vec<u8>> = row.get(3)?;
    let sum = sums::head(&incarnation.0, seq, &hash, row.get_ref(2)?.as_str().map_err(rusqlite::Error::from)?);
    if kept.as_deref() == Some(&sum) {
        return Ok(Head { seq, hash: EntryHash(hash) });
    }
    Err(StoreError::DamagedRecord(format!("where series {incarnation} ends is not what was saved")))
}

/// An entry from the columns hash, bytes, sig. The bytes are hashed again: a flipped bit on disk must not travel on.
pub(crate) fn sealed(row: &Row<'_>) -> Result<Sealed, StoreError> {
    let hash: [u8; 32] = row.get(0)?;
    let sig: Vec<u8> = row.get(2)?;
    let sealed = Sealed::open(row.get(1)?, Signature::from_slice(&sig))
        .map_err(|e| StoreError::DamagedRecord(format!("a stored entry cannot be read: {e}")))?;
    if sealed.hash.0 == hash {
        Ok(sealed)
    } else {
        Err(StoreError::DamagedRecord(format!("stored entry {} of series {} has changed", sealed.entry.seq, sealed.entry.incarnation)))
    }
}

/// Passes an entry on only with the signature its series' key made.
pub(crate) fn signed(sealed: Sealed, key: Option<&VerifyingKey>) -> Result<Sealed, StoreError> {
    let fits = match (&sealed.sig, key) {
        (Some(sig), Some(key)) => key.verify(&sealed.hash, sig).is_ok(),
        (sig, _) => sig.is_some() == (sealed.entry.tx_left == 0),
    };
    if fits {
        return Ok(sealed);
    }
    Err(StoreError::DamagedRecord(format!(
        "the signature kept with entry {} of series {} has changed",
        sealed.entry.seq, sealed.entry.incarnation
    )))
}

/// [`sealed`], where the row may be one of a left join that found nothing.
pub(crate) fn sealed_if_here(row: &Row<'_>) -> Result<Sealed, StoreError> {
    if row.get_ref(0)? == rusqlite::types::ValueRef::Null {
        return Err(StoreError::DamagedRecord("a stored entry is not there under its hash any more".into()));
    }
    sealed(row)
}

/// The sound ones of several, and whether any was damaged.
pub(crate) fn sound(rows: &mut Rows<'_>) -> Result<(Vec<Sealed>, bool), StoreError> {
    let (mut out, mut damaged) = (Vec::new(), false);
    while let Some(row) = rows.next()? {
        match sealed(row) {
            Ok(sealed) => out.push(sealed),
            Err(StoreError::DamagedRecord(_)) => damaged = true,
            Err(e) => return Err(e),
        }
    }
    Ok((out, damaged))
}

pub(crate) fn all(rows: &mut Rows<'_>) -> Result<Vec<Sealed>, StoreError> {
    let mut out = Vec::new();
    while let Some(row) = rows.next()? {
        out.push(sealed(row)?);
    }
    Ok(out)
}

pub(crate) fn plan(c: &Connection) -> Result<Option<SitePlan>, StoreError> {
    let text: Option<String> = c.prepare_cached("SELECT plan FROM p_plan")?.query_row([], |row| row.get(0)).optional()?;
    Ok(text.map(|t| serde_json::from_str(&t)).transpose()?)
}

/// The name each series was begun under.
pub(crate) fn devices(c: &Connection) -> Result<Devices, StoreError> {
    let mut statement = c.prepare_cached("SELECT incarnation, name FROM p_device")?;
    let mut rows = statement.query([])?;
    let mut devices = Devices::default();
    while let Some(row) = rows.next()? {
        devices.set(Incarnation(row.get(0)?), row.get(1)?);
    }
    Ok(devices)
}

/// The comparisons of a series' clock that a believed server made.
pub(crate) fn clocks(c: &Connection, series: &Incarnation) -> Result<Vec<Clock>, StoreError> {
    let mut statement = c.prepare_cached(
        "SELECT p.clock FROM p_clock p JOIN entry e ON e.hash = p.hash
         WHERE p.about = ?1 AND (e.incarnation IN (SELECT incarnation FROM p_standing WHERE role = 'server')
            OR NOT EXISTS (SELECT 1 FROM setting WHERE key = 'trust')) ORDER BY p.hash",
    )?;
    let mut rows = statement.query([series.0])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.push(serde_json::from_str(row.get_ref(0)?.as_str().map_err(rusqlite::Error::from)?)?);
    }
    Ok(all)
}

/// Those photos that the projection of photos does not name.
pub(crate) fn not_named(c: &Connection, photos: impl Iterator<Item = PhotoHash>) -> Result<BTreeSet<PhotoHash>, StoreError> {
    let mut statement = c.prepare_cached("SELECT DISTINCT photo FROM p_photo")?;
    let named = statement.query_map([], |row| row.get(0).map(PhotoHash))?.collect::<Result<BTreeSet<_>, _>>()?;
    Ok(photos.filter(|photo| !named.contains(photo)).collect())
}

/// Leaves of `photos` those whose name stands nowhere: in no entry, whatever its kind and whether it counts or can be read,
/// and in no local state.
pub(crate) fn drop_mentioned(c: &Connection, photos: &mut BTreeSet<PhotoHash>) -> Result<(), StoreError> {
    for sql in ["SELECT bytes FROM entry", "SELECT bytes FROM quarantine", "SELECT bytes FROM unreadable", "SELECT value FROM setting"] {
        let mut statement = c.prepare(sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            if photos.is_empty() {
                return Ok(());
            }
            let bytes = row.get_ref(0)?.as_bytes().map_err(rusqlite::Error::from)?;
            for run in bytes.split(|b| !b.is_ascii_hexdigit()).filter(|run| run.len() >= 64) {
                // A name may touch other hexadecimal text: every place is tried.
                for window in run.windows(64) {
                    if let Some(photo) = std::str::from_utf8(window).ok().and_then(PhotoHash::from_hex) {
                        photos.remove(&photo);
                    }
                }
            }
        }
    }
    Ok(())
}

/// True for a photo noted as being on this disk.
pub(crate) fn is_photo_here(c: &Connection, photo: &PhotoHash) -> Result<bool, StoreError> {
    Ok(c.prepare_cached("SELECT 1 FROM photo_here WHERE photo = ?1")?.exists([photo.0])?)
}

/// Photos noted as being on this disk, with their length.
pub(crate) fn photos_here(c: &Connection) -> Result<BTreeMap<PhotoHash, u64>, StoreError> {
    let mut statement = c.prepare_cached("SELECT photo, bytes FROM photo_here")?;
    let rows = statement.query_map([], |row| Ok((PhotoHash(row.get(0)?), row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}
