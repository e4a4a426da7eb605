//! Rows to values: the few reads that writer, reader and projections share.

use crate::error::StoreError;
use job::{Devices, SitePlan};
use journal::{DeviceId, Incarnation, PhotoHash, Sealed, Signature, SiteId, Tail};
use rusqlite::{Connection, OptionalExtension, Row, Rows};
use std::collections::BTreeMap;

/// Key of the setting that holds the site.
pub(crate) const SITE: &str = "site";

pub(crate) fn setting(c: &Connection, key: &str) -> Result<Option<String>, StoreError> {
    let mut statement = c.prepare_cached("SELECT value FROM setting WHERE key = ?1")?;
    Ok(statement.query_row([key], |row| row.get(0)).optional()?)
}

pub(crate) fn site(c: &Connection) -> Result<Option<SiteId>, StoreError> {
    let Some(text) = setting(c, SITE)? else { return Ok(None) };
    SiteId::from_hex(&text).map(Some).ok_or_else(|| StoreError::Damaged("the stored site is not one".into()))
}

pub(crate) fn tail(c: &Connection, incarnation: &Incarnation) -> Result<Option<Tail>, StoreError> {
    let mut statement = c.prepare_cached("SELECT tail FROM series WHERE incarnation = ?1")?;
    let text: Option<String> = statement.query_row([incarnation.0], |row| row.get(0)).optional()?;
    text.map(|t| serde_json::from_str(&t).map_err(|e| StoreError::Damaged(format!("series {incarnation}: {e}")))).transpose()
}

/// An entry from the columns hash, bytes, sig. The bytes are hashed again: a flipped bit on disk must not travel on.
pub(crate) fn sealed(row: &Row<'_>) -> Result<Sealed, StoreError> {
    let hash: [u8; 32] = row.get(0)?;
    let sig: Vec<u8> = row.get(2)?;
    let sealed = Sealed::open(row.get(1)?, Signature::from_slice(&sig))
        .map_err(|e| StoreError::Damaged(format!("a stored entry cannot be read: {e}")))?;
    if sealed.hash.0 == hash {
        Ok(sealed)
    } else {
        Err(StoreError::Damaged(format!("stored entry {} of series {} has changed", sealed.entry.seq, sealed.entry.incarnation)))
    }
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

/// The name with the highest counter stands, then the one with the higher hash: the same on every machine.
pub(crate) fn devices(c: &Connection) -> Result<Devices, StoreError> {
    let mut statement = c.prepare_cached("SELECT device, name FROM p_device ORDER BY counter, hash")?;
    let mut rows = statement.query([])?;
    let mut devices = Devices::default();
    while let Some(row) = rows.next()? {
        devices.set(DeviceId(row.get(0)?), row.get(1)?);
    }
    Ok(devices)
}

/// Photos noted as being on this disk, with their length.
pub(crate) fn photos_here(c: &Connection) -> Result<BTreeMap<PhotoHash, u64>, StoreError> {
    let mut statement = c.prepare_cached("SELECT photo, bytes FROM photo_here")?;
    let rows = statement.query_map([], |row| Ok((PhotoHash(row.get(0)?), row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}
