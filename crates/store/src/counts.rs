//! What a server asks about series and about records that count for nothing, without reading their bytes.

use crate::error::StoreError;
use crate::read::{Quarantined, Reader};
use job::standing::Verdict;
use journal::{EntryHash, Incarnation};
use rusqlite::{OptionalExtension, params};
use std::collections::BTreeMap;

impl Reader {
    /// How a series stands; `None` where nobody who is believed spoke of it, or this store was never told whom to believe.
    /// Also for a series of which nothing is here.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn verdict(&self, series: &Incarnation) -> Result<Option<Verdict>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached("SELECT verdict FROM p_standing WHERE incarnation = ?1")?;
            let found: Option<String> = statement.query_row([series.0], |row| row.get(0)).optional()?;
            Ok(found.map(|text| serde_json::from_str(&text)).transpose()?)
        })
    }

    /// Bytes of entries that are kept apart because they do not count, by series. Looks at every entry of such series.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn apart_bytes(&self) -> Result<BTreeMap<Incarnation, u64>, StoreError> {
        if self.trust()?.is_none() {
            return Ok(BTreeMap::new());
        }
        self.ask(|c| {
            // Series by series, so that the many that count whole are never walked.
            let mut statement = c.prepare_cached(
                "SELECT s.incarnation, (SELECT coalesce(sum(length(e.bytes)), 0) FROM entry e
                                        WHERE e.incarnation = s.incarnation AND e.seq > coalesce(p.counts_to, 0))
                 FROM series s LEFT JOIN p_standing p ON p.incarnation = s.incarnation
                 WHERE p.incarnation IS NULL OR p.counts_to < s.seq",
            )?;
            let rows = statement.query_map([], |row| Ok((Incarnation(row.get(0)?), row.get(1)?)))?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// How many refused entries are kept of each series, less those that were taken in since.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn refused(&self) -> Result<BTreeMap<Incarnation, u64>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached(
                "SELECT incarnation, count(*) FROM quarantine q
                 WHERE NOT EXISTS (SELECT 1 FROM entry e WHERE e.hash = q.hash) GROUP BY incarnation",
            )?;
            let rows = statement.query_map([], |row| Ok((Incarnation(row.get(0)?), row.get(1)?)))?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// Refused entries of one series, oldest first, at most so many; those that were taken in since are left out.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn refused_of(&self, series: &Incarnation, most: usize) -> Result<Vec<Quarantined>, StoreError> {
        self.ask(|c| {
            let mut statement = c.prepare_cached(
                "SELECT hash, seq, reason, bytes FROM quarantine q
                 WHERE incarnation = ?1 AND NOT EXISTS (SELECT 1 FROM entry e WHERE e.hash = q.hash) ORDER BY id LIMIT ?2",
            )?;
            let rows = statement.query_map(params![series.0, most as i64], |row| {
                Ok(Quarantined {
                    hash: EntryHash(row.get(0)?),
                    incarnation: *series,
                    seq: row.get(1)?,
                    reason: row.get(2)?,
                    settled: false,
                    bytes: row.get(3)?,
                })
            })?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// How many entries are kept that this program cannot read.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn unreadable_count(&self) -> Result<u64, StoreError> {
        self.ask(|c| Ok(c.query_row("SELECT count(*) FROM unreadable", [], |row| row.get(0))?))
    }
}
