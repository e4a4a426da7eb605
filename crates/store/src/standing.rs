//! Which entries count: the verdicts on series as a projection, and what changes when one does.
//!
//! The tables of entries, devices, photos and clocks hold what counts and nothing else, so no reader has to ask.

use crate::error::StoreError;
use crate::project::Touched;
use crate::read::Reader;
use crate::rows;
use crate::store::{self, Store};
use job::standing::{self, ALL, Statement, Trust, Verdict};
use journal::{DeviceId, EntryHash, Incarnation, Sealed, Value};
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::collections::{BTreeMap, BTreeSet};

const TRUST: &str = "trust";

/// A series as this store knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeriesState {
    /// The series.
    pub incarnation: Incarnation,
    /// The device that says it wrote it.
    pub device: DeviceId,
    /// Name: as a server said, else as the series claims.
    pub name: String,
    /// Role: as a server said, else as the series claims.
    pub role: String,
    /// Place of its last entry here.
    pub head: u64,
    /// Entries 1 to this one count; [`ALL`] where all do and will.
    pub counts_to: u64,
    /// True where a server that is believed spoke of it, or it is a root or our own.
    pub known: bool,
    /// Why it was cut off, where it was.
    pub reason: String,
    /// The statements that stand.
    pub said: Vec<EntryHash>,
}

impl SeriesState {
    /// How many of its entries here are kept apart.
    pub const fn apart(&self) -> u64 {
        self.head.saturating_sub(self.counts_to)
    }
}

impl Reader {
    /// What this store believes to begin with; `None` where it was never told: then every series counts.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn trust(&self) -> Result<Option<Trust>, StoreError> {
        self.ask(trust)
    }

    /// Every series that is here, by name.
    ///
    /// # Errors
    /// As [`Reader::site`].
    pub fn series_states(&self) -> Result<Vec<SeriesState>, StoreError> {
        self.ask(|c| {
            let believed = trust(c)?.is_some();
            let verdicts = verdicts(c)?;
            let mut statement = c.prepare_cached(
                "SELECT e.hash, e.bytes, e.sig, s.seq, s.incarnation FROM series s
                 JOIN entry e ON e.incarnation = s.incarnation AND e.seq = 1",
            )?;
            let mut rows = statement.query([])?;
            let mut all = Vec::new();
            while let Some(row) = rows.next()? {
                let (head, incarnation) = (row.get(3)?, Incarnation(row.get(4)?));
                // A damaged first entry hides the claim, not the series.
                let claim = rows::sealed(row).ok();
                all.push(state(incarnation, head, claim.as_ref(), verdicts.get(&incarnation), believed));
            }
            all.sort_by(|a, b| (&a.name, a.incarnation).cmp(&(&b.name, b.incarnation)));
            Ok(all)
        })
    }

    /// Entries of a series that do not count, from `from_seq` on: about `max_bytes` of them, whole transactions.
    ///
    /// # Errors
    /// As [`Reader::read`].
    pub fn kept_apart(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, StoreError> {
        let counts = self.ask(|c| limit(c, incarnation))?;
        if counts == ALL {
            return Ok(Vec::new());
        }
        self.read(incarnation, from_seq.max(counts + 1), max_bytes)
    }
}

impl Store {
    /// Says which series are believed to begin with, and which are our own; judges everything anew where that changes.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn set_trust(&mut self, new: &Trust) -> Result<(), StoreError> {
        if self.trust()?.as_ref() == Some(new) {
            return Ok(());
        }
        self.change(|t, _| {
            let (before, names) = (Limits::of(t)?, rows::devices(t)?);
            store::put_setting(t, TRUST, &serde_json::to_string(new)?)?;
            let touched = judge(t, &before)?;
            crate::project::after_standing(t, touched, &names)
        })
    }
}

fn state(incarnation: Incarnation, head: u64, first: Option<&Sealed>, verdict: Option<&Verdict>, believed: bool) -> SeriesState {
    let claim = |name: &str| {
        first
            .and_then(|s| match &s.entry.body {
                Value::Map(body) => body.get(name),
                _ => None,
            })
            .and_then(|v| if let Value::Text(text) = v { Some(text.clone()) } else { None })
            .unwrap_or_default()
    };
    let said = verdict.filter(|v| !v.name.is_empty());
    SeriesState {
        incarnation,
        device: first.map_or(DeviceId([0; 16]), |s| s.entry.device),
        name: said.map_or_else(|| claim("name"), |v| v.name.clone()),
        role: verdict.map_or_else(|| claim("role"), |v| v.role.code().to_owned()),
        head,
        counts_to: verdict.map_or(if believed { 0 } else { ALL }, |v| v.counts_to),
        known: verdict.is_some() || !believed,
        reason: verdict.map(|v| v.reason.clone()).unwrap_or_default(),
        said: verdict.map(|v| v.said.clone()).unwrap_or_default(),
    }
}

/// How far every series counts, at one moment.
pub(crate) struct Limits {
    /// `None` where nobody was ever told whom to believe: all count.
    verdicts: Option<BTreeMap<Incarnation, Verdict>>,
}

impl Limits {
    pub fn of(c: &Connection) -> Result<Self, StoreError> {
        Ok(Self { verdicts: if trust(c)?.is_some() { Some(verdicts(c)?) } else { None } })
    }

    /// As if nobody had been told whom to believe.
    pub const fn everything() -> Self {
        Self { verdicts: None }
    }

    pub fn of_series(&self, incarnation: &Incarnation) -> u64 {
        self.verdicts.as_ref().map_or(ALL, |all| all.get(incarnation).map_or(0, |v| v.counts_to))
    }
}

/// How far one series counts.
pub(crate) fn limit(c: &Connection, incarnation: &Incarnation) -> Result<u64, StoreError> {
    if trust(c)?.is_none() {
        return Ok(ALL);
    }
    let mut statement = c.prepare_cached("SELECT counts_to FROM p_standing WHERE incarnation = ?1")?;
    let found: Option<Option<u64>> = statement.query_row([incarnation.0], |row| row.get(0)).optional()?;
    Ok(found.map_or(0, |to| to.unwrap_or(ALL)))
}

fn trust(c: &Connection) -> Result<Option<Trust>, StoreError> {
    Ok(rows::setting(c, TRUST)?.map(|text| serde_json::from_str(&text)).transpose()?)
}

fn verdicts(c: &Connection) -> Result<BTreeMap<Incarnation, Verdict>, StoreError> {
    let mut statement = c.prepare_cached("SELECT incarnation, verdict FROM p_standing")?;
    let mut rows = statement.query([])?;
    let mut all = BTreeMap::new();
    while let Some(row) = rows.next()? {
        all.insert(Incarnation(row.get(0)?), serde_json::from_str(row.get_ref(1)?.as_str().map_err(rusqlite::Error::from)?)?);
    }
    Ok(all)
}

/// The series whose plan is believed.
pub(crate) fn servers(c: &Connection) -> Result<BTreeSet<Incarnation>, StoreError> {
    let sql = if trust(c)?.is_some() {
        "SELECT incarnation FROM p_standing WHERE role = 'server'"
    } else {
        "SELECT incarnation FROM p_device WHERE role = 'server'"
    };
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| row.get(0).map(Incarnation))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Judges all series by all statements, and takes entries into the projections or out of them where a limit moved since
/// `before`. Gives what that touched.
pub(crate) fn judge(t: &Transaction<'_>, before: &Limits) -> Result<Touched, StoreError> {
    let mut touched = Touched::default();
    let Some(trust) = trust(t)? else { return Ok(touched) };
    let verdicts = standing::judge(&trust, &statements(t)?);
    if before.verdicts.as_ref() == Some(&verdicts) {
        return Ok(touched);
    }
    let servers_before = servers(t)?;
    t.execute("DELETE FROM p_standing", [])?;
    let mut put = t.prepare_cached("INSERT INTO p_standing (incarnation, counts_to, role, verdict) VALUES (?1, ?2, ?3, ?4)")?;
    for (incarnation, verdict) in &verdicts {
        let to = (verdict.counts_to != ALL).then_some(verdict.counts_to.min(i64::MAX as u64));
        put.execute(params![incarnation.0, to, verdict.role.code(), serde_json::to_string(verdict)?])?;
    }
    touched.standing = true;
    // Whose clocks are believed is decided when a job is folded.
    touched.all = servers(t)? != servers_before;
    let after = Limits { verdicts: Some(verdicts) };
    let mut series = t.prepare_cached("SELECT incarnation FROM series")?;
    let series = series.query_map([], |row| row.get(0).map(Incarnation))?.collect::<Result<Vec<_>, _>>()?;
    for incarnation in series {
        let (was, is) = (before.of_series(&incarnation), after.of_series(&incarnation));
        if is < was {
            crate::project::leave_out(t, &incarnation, is, &mut touched)?;
        } else if is > was {
            crate::project::let_in(t, &incarnation, was, is, &mut touched)?;
        }
    }
    Ok(touched)
}

fn statements(t: &Transaction<'_>) -> Result<Vec<Statement>, StoreError> {
    let mut statement =
        t.prepare_cached("SELECT e.hash, e.bytes, e.sig FROM p_statement p JOIN entry e ON e.hash = p.hash ORDER BY p.hash")?;
    let mut rows = statement.query([])?;
    // A damaged one is told by `damage` and `verify`; it must not keep the others from being heard.
    Ok(rows::sound(&mut rows)?.0.iter().filter_map(standing::statement).collect())
}
