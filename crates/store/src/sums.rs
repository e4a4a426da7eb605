//! Sums over the rows that nothing else proves: local state, receipts, refused entries, views. They guard against a disk
//! that changes bytes, not against a person who changes them.

use crate::error::StoreError;
use rusqlite::{Connection, Transaction, params};

/// A sum as stored.
pub(crate) type Sum = [u8; 16];

/// The first 16 bytes of BLAKE3 over the parts, each with its length before it.
pub(crate) fn sum(parts: &[&[u8]]) -> Sum {
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part);
    }
    let mut out = [0; 16];
    out.copy_from_slice(&hasher.finalize().as_bytes()[..16]);
    out
}

/// The sum of a setting.
pub(crate) fn setting(key: &str, value: &str) -> Sum {
    sum(&[key.as_bytes(), value.as_bytes()])
}

/// The sum of a receipt.
pub(crate) fn receipt(photo: &[u8], receipt_ms: i64) -> Sum {
    sum(&[photo, &receipt_ms.to_le_bytes()])
}

/// The sum of a refused entry.
pub(crate) fn refused(bytes: &[u8], sig: &[u8], reason: &str) -> Sum {
    sum(&[bytes, sig, reason.as_bytes()])
}

/// The sum of a series' head. The counter is not in it: the greatest of the entries' own is what it must be.
pub(crate) fn head(incarnation: &[u8], seq: u64, hash: &[u8], tail: &str) -> Sum {
    sum(&[incarnation, &seq.to_le_bytes(), hash, tail.as_bytes()])
}

/// The sum of a view.
pub(crate) fn view(job: &str, view: &str) -> Sum {
    sum(&[job.as_bytes(), view.as_bytes()])
}

/// Passes a setting on only as it was saved.
pub(crate) fn checked_setting(key: &str, value: String, kept: Option<Vec<u8>>) -> Result<String, StoreError> {
    if kept.as_deref() == Some(&setting(key, &value)) {
        return Ok(value);
    }
    Err(StoreError::DamagedRecord(format!("what this device keeps as `{key}` is not what was saved")))
}

/// Passes a view on only as it was made.
pub(crate) fn checked_view(job: &str, text: String, kept: Option<Vec<u8>>) -> Result<String, StoreError> {
    if kept.as_deref() == Some(&view(job, &text)) {
        return Ok(text);
    }
    Err(StoreError::DamagedRecord(format!("the view of job {job} is not what was made from its entries")))
}

/// Gives the rows of a store that had no sums their sums, in the migration that adds them.
pub(crate) fn fill(t: &Transaction<'_>) -> Result<(), StoreError> {
    fill_table(t, "SELECT incarnation, seq, hash, tail FROM series", "UPDATE series SET sum = ?2 WHERE incarnation = ?1", |row| {
        let (incarnation, hash, tail): (Vec<u8>, Vec<u8>, String) = (row.get(0)?, row.get(2)?, row.get(3)?);
        let sum = head(&incarnation, row.get(1)?, &hash, &tail);
        Ok((rusqlite::types::Value::Blob(incarnation), sum))
    })?;
    fill_table(t, "SELECT key, value FROM setting", "UPDATE setting SET sum = ?2 WHERE key = ?1", |row| {
        let (key, value): (String, String) = (row.get(0)?, row.get(1)?);
        Ok((rusqlite::types::Value::Text(key.clone()), setting(&key, &value)))
    })?;
    fill_table(t, "SELECT photo, receipt_ms FROM photo_receipt", "UPDATE photo_receipt SET sum = ?2 WHERE photo = ?1", |row| {
        let photo: Vec<u8> = row.get(0)?;
        let sum = receipt(&photo, row.get(1)?);
        Ok((rusqlite::types::Value::Blob(photo), sum))
    })?;
    fill_table(t, "SELECT id, bytes, sig, reason FROM quarantine", "UPDATE quarantine SET sum = ?2 WHERE id = ?1", |row| {
        let (bytes, sig, reason): (Vec<u8>, Vec<u8>, String) = (row.get(1)?, row.get(2)?, row.get(3)?);
        Ok((rusqlite::types::Value::Integer(row.get(0)?), refused(&bytes, &sig, &reason)))
    })?;
    fill_table(t, "SELECT job, view FROM p_job", "UPDATE p_job SET sum = ?2 WHERE job = ?1", |row| {
        let (job, text): (String, String) = (row.get(0)?, row.get(1)?);
        let sum = view(&job, &text);
        Ok((rusqlite::types::Value::Text(job), sum))
    })
}

fn fill_table(
    c: &Connection,
    read: &str,
    write: &str,
    of: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<(rusqlite::types::Value, Sum)>,
) -> Result<(), StoreError> {
    let mut statement = c.prepare(read)?;
    let all = statement.query_map([], |row| of(row))?.collect::<Result<Vec<_>, _>>()?;
    let mut put = c.prepare(write)?;
    for (key, sum) in all {
        put.execute(params![key, sum])?;
    }
    Ok(())
}
