//! Stored entries whose bytes no longer fit their hash: what they were about is not shown as if it were whole, everything
//! else goes on, and a good copy that comes in puts them right.

use crate::error::StoreError;
use crate::read::Reader;
use crate::rows;
use crate::sums;
use journal::{EntryHash, Incarnation, Sealed, SiteId, Tail, VerifyingKey};
use rusqlite::{Connection, OptionalExtension, Transaction, params};

/// A job that cannot be shown because a stored entry of it is damaged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// The job; empty where it is not known what the entry was about.
    pub job: String,
    /// The entry, by the hash it was stored under; `None` where it is the view itself that changed.
    pub entry: Option<EntryHash>,
    /// What is wrong, in words.
    pub why: String,
}

impl Reader {
    /// Jobs that cannot be shown because a stored entry of theirs, or their view, is damaged. Looks only at the views and at
    /// what was found when they were made; [`crate::Store::verify`] looks at everything.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn damage(&self) -> Result<Vec<Damage>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT job, hash, why FROM p_damage ORDER BY job, hash")?;
            let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get::<_, Vec<u8>>(1)?, row.get(2)?)))?;
            let mut all = Vec::new();
            for row in rows {
                let (job, hash, why) = row?;
                all.push(Damage { job, entry: EntryHash::from_slice(&hash), why });
            }
            let mut views = c.prepare_cached("SELECT job, view, sum FROM p_job ORDER BY job")?;
            let mut rows = views.query([])?;
            while let Some(row) = rows.next()? {
                let job: String = row.get(0)?;
                if let Err(e) = sums::checked_view(&job, row.get(1)?, row.get(2)?) {
                    all.push(Damage { job, entry: None, why: e.to_string() });
                }
            }
            Ok(all)
        })
    }
}

/// An error where a job cannot be shown because an entry of it is damaged.
pub(crate) fn check_job(c: &Connection, job: &str) -> Result<(), StoreError> {
    let mut statement = c.prepare_cached("SELECT why FROM p_damage WHERE job = ?1 LIMIT 1")?;
    let why: Option<String> = statement.query_row([job], |row| row.get(0)).optional()?;
    why.map_or(Ok(()), |why| Err(StoreError::DamagedRecord(format!("job {job} cannot be shown, because {why}"))))
}

/// The jobs that cannot be shown, with the entry of each.
pub(crate) fn all(c: &Connection) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
    let mut statement = c.prepare("SELECT job, hash FROM p_damage ORDER BY job, hash")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// True where any is known.
pub(crate) fn any(c: &Connection) -> Result<bool, StoreError> {
    Ok(c.query_row("SELECT EXISTS (SELECT 1 FROM p_damage)", [], |row| row.get(0))?)
}

/// Notes what is wrong with a job, or that nothing is any more.
pub(crate) fn note(t: &Transaction<'_>, job: &str, found: &[(Vec<u8>, String)]) -> Result<(), StoreError> {
    t.prepare_cached("DELETE FROM p_damage WHERE job = ?1")?.execute([job])?;
    for (hash, why) in found {
        t.prepare_cached("INSERT OR REPLACE INTO p_damage (job, hash, why) VALUES (?1, ?2, ?3)")?.execute(params![job, hash, why])?;
    }
    Ok(())
}

/// Puts a damaged row right from a good copy that came in: the same bytes, the same place. `key` is the series' key.
/// True where something was put right.
pub(crate) fn heal(t: &Transaction<'_>, sealed: &Sealed, key: Option<&VerifyingKey>) -> Result<bool, StoreError> {
    let mut statement = t.prepare_cached("SELECT received, hash, bytes, sig FROM entry WHERE incarnation = ?1 AND seq = ?2")?;
    let row = statement
        .query_row(params![sealed.entry.incarnation.0, sealed.entry.seq], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, Vec<u8>>(2)?, row.get::<_, Vec<u8>>(3)?))
        })
        .optional()?;
    let Some((received, hash, bytes, sig)) = row else { return Ok(false) };
    let fits = |s: &Sealed| match (&s.sig, s.entry.tx_left, key) {
        (Some(sig), 0, Some(key)) => key.verify(&s.hash, sig).is_ok(),
        (None, left, _) => left > 0,
        _ => false,
    };
    let same_name = hash == sealed.hash.0;
    let same_bytes = bytes == sealed.bytes;
    // One of the two still stands as it was saved, and proves which entry this was.
    if !(same_name || same_bytes) || !fits(sealed) || (same_name && same_bytes && sig == crate::store::sig_bytes(sealed)) {
        return Ok(false);
    }
    t.execute(
        "UPDATE entry SET hash = ?2, bytes = ?3, sig = ?4 WHERE received = ?1",
        params![received, sealed.hash.0, sealed.bytes, crate::store::sig_bytes(sealed)],
    )?;
    Ok(true)
}

/// Walks a series from its first entry: where it ends, if all of it is sound.
pub(crate) fn walk(c: &Connection, site: SiteId, incarnation: Incarnation) -> Result<Tail, StoreError> {
    let mut tail = Tail::new(site, incarnation);
    let mut statement = c.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE incarnation = ?1 ORDER BY seq")?;
    let mut rows = statement.query([incarnation.0])?;
    while let Some(row) = rows.next()? {
        let fault = |e: &dyn std::fmt::Display| StoreError::DamagedRecord(format!("series {incarnation}: {e}"));
        tail.accept(&rows::sealed(row)?).map_err(|e| fault(&e))?;
    }
    Ok(tail)
}

/// True where a view is not what was made.
pub(crate) fn any_view(c: &Connection) -> Result<bool, StoreError> {
    let mut views = c.prepare_cached("SELECT job, view, sum FROM p_job")?;
    let mut rows = views.query([])?;
    while let Some(row) = rows.next()? {
        let job: String = row.get(0)?;
        if sums::checked_view(&job, row.get(1)?, row.get(2)?).is_err() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Makes the heads of series anew from their entries where they are not what was saved. Called when the store is opened.
pub(crate) fn mend_heads(t: &Transaction<'_>) -> Result<(), StoreError> {
    let Some(site) = rows::site(t)? else { return Ok(()) };
    let mut statement = t.prepare("SELECT incarnation FROM series")?;
    let all = statement.query_map([], |row| row.get(0).map(Incarnation))?.collect::<Result<Vec<_>, _>>()?;
    for incarnation in all {
        if rows::tail(t, &incarnation).is_ok() {
            continue;
        }
        // Where an entry is damaged as well, the head stays unknown: it is told to nobody, and all of it is sent again.
        if let Ok(tail) = walk(t, site, incarnation) {
            crate::store::put_head(t, &tail, 0)?;
        }
    }
    Ok(())
}
