//! The projections: tables made from the entries alone, in the commit that adds the entries, or all anew.

use crate::damage;
use crate::error::StoreError;
use crate::rows;
use crate::standing::{self, Limits};
use crate::store;
use crate::sums;
use job::fold::split_subject;
use job::{Devices, JobFold, SitePlan};
use journal::{EntryHash, Incarnation, PhotoHash, Sealed, Value};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// Raise it whenever views are folded otherwise than before: a store that holds older ones makes them anew when opened.
const VERSION: u32 = 7;
const VERSION_KEY: &str = "projections";
const PLAN: &str = "site/plan";
const PLAN_KIND: &str = "site-plan";

/// What indexing entries touched.
#[derive(Default)]
pub(crate) struct Touched {
    pub jobs: BTreeSet<String>,
    pub plan: bool,
    pub device: bool,
    /// A series counts otherwise than before.
    pub standing: bool,
    /// Every view may have changed.
    pub all: bool,
}

impl Touched {
    fn join(&mut self, other: Self) {
        self.jobs.extend(other.jobs);
        self.plan |= other.plan;
        self.device |= other.device;
        self.standing |= other.standing;
        self.all |= other.all;
    }
}

/// Adds stored entries to the projections, as far as they count. Gives the jobs whose view was folded anew: those touched,
/// or all where the plan or a device's name is not what it was.
pub(crate) fn add(t: &Transaction<'_>, entries: &[Sealed]) -> Result<BTreeSet<String>, StoreError> {
    if entries.is_empty() {
        return Ok(BTreeSet::new());
    }
    let statement = |s: &&Sealed| s.entry.kind == job::standing::STANDING;
    // An ordinary save begins no series and says nothing of one: it asks how far its own counts, and nothing else.
    let spoken = entries.iter().any(|s| statement(&s));
    let begun = entries.iter().any(|s| s.entry.kind == journal::chain::SERIES_BEGIN);
    let names = if spoken || begun { Some(rows::devices(t)?) } else { None };
    let before = if spoken { Some(Limits::of(t)?) } else { None };
    let mut limits: BTreeMap<Incarnation, u64> = BTreeMap::new();
    for sealed in entries {
        if let Entry::Vacant(new) = limits.entry(sealed.entry.incarnation) {
            let limit = standing::limit(t, new.key())?;
            new.insert(limit);
        }
    }
    let counts = |s: &&Sealed| limits.get(&s.entry.incarnation).is_some_and(|limit| s.entry.seq <= *limit);
    let mut touched = index(t, entries.iter().filter(counts))?;
    entries.iter().filter(statement).try_for_each(|s| add_statement(t, s))?;
    if let Some(before) = before {
        touched.join(standing::judge(t, &before)?);
    }
    settle(t, touched, names.as_ref())
}

/// After series came to count otherwise: the plan, the names and the views.
pub(crate) fn after_standing(t: &Transaction<'_>, touched: Touched, names: &Devices) -> Result<(), StoreError> {
    settle(t, touched, Some(names)).map(drop)
}

/// Chooses the plan and folds what was touched. `names` as they were before, where they may have changed.
fn settle(t: &Transaction<'_>, touched: Touched, names: Option<&Devices>) -> Result<BTreeSet<String>, StoreError> {
    // A server's series and its plan may arrive in either order, so a new series can make a plan count.
    let new_plan = (touched.plan || touched.device || touched.standing) && choose_plan(t)?;
    let devices = rows::devices(t)?;
    let mut jobs = touched.jobs;
    if touched.all || new_plan || names.is_some_and(|names| devices != *names) {
        // Those touched stay among them: a job of which nothing counts any more loses its view.
        jobs.append(&mut all_jobs(t)?);
    }
    fold(t, &jobs, &devices)?;
    Ok(jobs)
}

/// Makes all projections anew.
pub(crate) fn rebuild(t: &Transaction<'_>) -> Result<(), StoreError> {
    t.execute_batch(
        "DELETE FROM p_job; DELETE FROM p_plan; DELETE FROM p_damage;
         DELETE FROM p_clock; DELETE FROM p_statement; DELETE FROM p_standing;",
    )?;
    forget_sound(t)?;
    let mut statement = t.prepare("SELECT hash, bytes, sig FROM entry ORDER BY received")?;
    let mut rows = statement.query([])?;
    // In pieces, so that the memory needed does not grow with the journal.
    let mut piece = Vec::new();
    while let Some(row) = rows.next()? {
        match rows::sealed(row) {
            Ok(sealed) => piece.push(sealed),
            Err(StoreError::DamagedRecord(_)) => continue,
            Err(e) => return Err(e),
        }
        if piece.len() == 1000 {
            index_all(t, &piece)?;
            piece.clear();
        }
    }
    index_all(t, &piece)?;
    // Everything is in; what does not count goes out again.
    standing::judge(t, &Limits::everything())?;
    choose_plan(t)?;
    fold(t, &all_jobs(t)?, &rows::devices(t)?)
}

/// Empties the tables by entry, except for what they say of damaged entries: what such a one was about cannot be read from
/// it any more, and must not be forgotten, or its job would look whole without it.
fn forget_sound(t: &Transaction<'_>) -> Result<(), StoreError> {
    let mut statement = t.prepare("SELECT hash, bytes, sig FROM entry")?;
    let mut rows = statement.query([])?;
    let mut damaged: Vec<Vec<u8>> = Vec::new();
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        match rows::sealed(row) {
            Ok(_) => {}
            Err(StoreError::DamagedRecord(why)) => {
                damaged.push(row.get(0)?);
                found.push((row.get(0)?, why));
            }
            Err(e) => return Err(e),
        }
    }
    damage::note(t, "", &found)?;
    let names: Vec<String> = damaged.iter().map(|hash| format!("x'{}'", hex::encode(hash))).collect();
    let sound = format!("hash IN (SELECT hash FROM entry) AND hash NOT IN ({})", names.join(","));
    for table in ["p_entry", "p_photo", "p_device"] {
        t.execute(&format!("DELETE FROM {table} WHERE {sound}"), [])?;
    }
    Ok(())
}

fn index_all(t: &Transaction<'_>, entries: &[Sealed]) -> Result<(), StoreError> {
    index(t, entries.iter())?;
    entries.iter().filter(|s| s.entry.kind == job::standing::STANDING).try_for_each(|s| add_statement(t, s))
}

fn add_statement(t: &Transaction<'_>, sealed: &Sealed) -> Result<(), StoreError> {
    t.prepare_cached("INSERT OR IGNORE INTO p_statement (hash) VALUES (?1)")?.execute([sealed.hash.0])?;
    Ok(())
}

/// Takes the entries of a series after place `was` up to `is` into the projections: they count from now on.
pub(crate) fn let_in(t: &Transaction<'_>, series: &Incarnation, was: u64, is: u64, touched: &mut Touched) -> Result<(), StoreError> {
    let mut statement =
        t.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE incarnation = ?1 AND seq > ?2 AND seq <= ?3 ORDER BY seq")?;
    let mut rows = statement.query(params![series.0, was, is.min(i64::MAX as u64)])?;
    while let Some(row) = rows.next()? {
        touched.join(index(t, std::iter::once(&rows::sealed(row)?))?);
    }
    Ok(())
}

/// Takes the entries of a series after place `is` out of the projections: they are kept apart from now on.
pub(crate) fn leave_out(t: &Transaction<'_>, series: &Incarnation, is: u64, touched: &mut Touched) -> Result<(), StoreError> {
    const ENTRIES: &str = "(SELECT hash FROM entry WHERE incarnation = ?1 AND seq > ?2)";
    let at = params![series.0, is.min(i64::MAX as u64)];
    let mut jobs = t.prepare(&format!("SELECT DISTINCT job FROM p_entry WHERE job <> '' AND hash IN {ENTRIES}"))?;
    let jobs = jobs.query_map(at, |row| row.get::<_, String>(0))?.collect::<Result<Vec<_>, _>>()?;
    let mut clocks = t.prepare(&format!("SELECT DISTINCT about FROM p_clock WHERE hash IN {ENTRIES}"))?;
    let clocks = clocks.query_map(at, |row| row.get(0).map(Incarnation))?.collect::<Result<Vec<_>, _>>()?;
    touched.jobs.extend(jobs);
    for about in clocks {
        touched.jobs.extend(jobs_of(t, &about)?);
    }
    for table in ["p_entry", "p_photo", "p_device", "p_clock"] {
        t.execute(&format!("DELETE FROM {table} WHERE hash IN {ENTRIES}"), at)?;
    }
    // Whatever of it was a plan or a name: both are looked at again.
    (touched.plan, touched.device) = (true, true);
    Ok(())
}

/// The jobs in which a series has a part.
fn jobs_of(t: &Transaction<'_>, series: &Incarnation) -> Result<Vec<String>, StoreError> {
    let mut statement =
        t.prepare_cached("SELECT DISTINCT p.job FROM entry e JOIN p_entry p ON p.hash = e.hash WHERE e.incarnation = ?1 AND p.job <> ''")?;
    let rows = statement.query_map([series.0], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Makes all projections anew where they were made by another version of this program.
pub(crate) fn bring_up_to_date(t: &Transaction<'_>) -> Result<(), StoreError> {
    let made_by = format!("{}/{VERSION}", env!("CARGO_PKG_VERSION"));
    let kept = match rows::setting(t, VERSION_KEY) {
        Err(StoreError::DamagedRecord(_)) => None,
        other => other?,
    };
    if kept.as_deref() == Some(&made_by) && !damage::any_view(t)? {
        return Ok(());
    }
    rebuild(t)?;
    store::put_setting(t, VERSION_KEY, &made_by)
}

/// Everything about single entries; views and the plan are left to the caller.
fn index<'a>(t: &Transaction<'_>, entries: impl Iterator<Item = &'a Sealed>) -> Result<Touched, StoreError> {
    let mut touched = Touched::default();
    for sealed in entries {
        let subject = sealed.entry.subject.0.as_str();
        let job = split_subject(subject).map_or("", |(job, _)| job);
        t.prepare_cached("INSERT OR IGNORE INTO p_entry (job, subject, hash) VALUES (?1, ?2, ?3)")?.execute(params![
            job,
            subject,
            sealed.hash.0
        ])?;
        if !job.is_empty() {
            touched.jobs.insert(job.to_owned());
        }
        if let Some((photo, bytes)) = photo(sealed) {
            t.prepare_cached("INSERT OR IGNORE INTO p_photo (photo, hash, bytes) VALUES (?1, ?2, ?3)")?.execute(params![
                photo.0,
                sealed.hash.0,
                bytes
            ])?;
        }
        if sealed.entry.kind == journal::chain::SERIES_BEGIN {
            add_device(t, sealed)?;
            touched.device = true;
        }
        if let Some((about, clock)) = job::standing::clock(sealed) {
            t.prepare_cached("INSERT OR IGNORE INTO p_clock (about, hash, clock) VALUES (?1, ?2, ?3)")?.execute(params![
                about.0,
                sealed.hash.0,
                serde_json::to_string(&clock)?
            ])?;
            touched.jobs.extend(jobs_of(t, &about)?);
        }
        touched.plan |= subject == PLAN;
    }
    Ok(touched)
}

/// The photo that an entry names, with its length.
pub(crate) fn photo(sealed: &Sealed) -> Option<(PhotoHash, u64)> {
    let entry = &sealed.entry;
    let Value::Map(body) = &entry.body else { return None };
    if entry.kind != "photo" {
        return None;
    }
    let Some(Value::Text(hash)) = body.get("hash") else { return None };
    let bytes = match body.get("bytes") {
        Some(Value::Int(bytes)) => u64::try_from(*bytes).unwrap_or(0),
        _ => 0,
    };
    Some((PhotoHash::from_hex(hash)?, bytes))
}

fn add_device(t: &Transaction<'_>, sealed: &Sealed) -> Result<(), StoreError> {
    let entry = &sealed.entry;
    let text = |name: &str| match &entry.body {
        Value::Map(body) => match body.get(name) {
            Some(Value::Text(text)) => text.clone(),
            _ => String::new(),
        },
        _ => String::new(),
    };
    t.prepare_cached(
        "INSERT OR REPLACE INTO p_device (incarnation, hash, device, name, role, key, counter) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![entry.incarnation.0, sealed.hash.0, entry.device.0, text("name"), text("role"), text("key"), entry.counter])?;
    Ok(())
}

/// Which plan stands. Only a server's series that is believed may write one; of the entries that no other names as its basis, the one with
/// the highest counter, then hash, so that every machine chooses alike. Gives whether that changed.
fn choose_plan(t: &Transaction<'_>) -> Result<bool, StoreError> {
    let mut statement = t.prepare_cached(
        "SELECT e.hash, e.bytes, e.sig FROM p_entry p JOIN entry e ON e.hash = p.hash WHERE p.job = '' AND p.subject = ?1",
    )?;
    let mut rows = statement.query([PLAN])?;
    let servers = standing::servers(t)?;
    let (mut plans, damaged) = rows::sound(&mut rows)?;
    plans.retain(|s| s.entry.kind == PLAN_KIND && servers.contains(&s.entry.incarnation));
    let replaced: BTreeSet<EntryHash> = plans.iter().flat_map(|s| s.entry.basis.iter().copied()).collect();
    plans.sort_by_key(|s| std::cmp::Reverse((!replaced.contains(&s.hash), s.entry.counter, s.hash)));
    let read = |s: &Sealed| {
        let plan = serde_json::from_value::<SitePlan>(s.entry.body.to_json()).ok()?;
        (s.entry.version == 1).then_some((s.hash, plan))
    };
    let chosen = plans.iter().find_map(read);
    let had: Option<(EntryHash, bool)> =
        t.query_row("SELECT hash, newer FROM p_plan", [], |row| Ok((EntryHash(row.get(0)?), row.get(1)?))).optional()?;
    if damaged && had.is_some_and(|(hash, _)| !plans.iter().any(|s| s.hash == hash)) {
        // The one that stood is the damaged one: what was read of it is right, and an older one must not take its place.
        return Ok(false);
    }
    let Some((hash, plan)) = chosen else {
        // None that is believed is left: nothing can be judged by the one before.
        return Ok(t.execute("DELETE FROM p_plan", [])? > 0);
    };
    let newer = damaged || plans.first().is_some_and(|first| first.hash != hash);
    if had == Some((hash, newer)) {
        return Ok(false);
    }
    t.execute(
        "INSERT OR REPLACE INTO p_plan (one, hash, newer, plan) VALUES (1, ?1, ?2, ?3)",
        params![hash.0, newer, serde_json::to_string(&plan)?],
    )?;
    Ok(true)
}

fn all_jobs(t: &Transaction<'_>) -> Result<BTreeSet<String>, StoreError> {
    let mut statement = t.prepare_cached("SELECT DISTINCT job FROM p_entry WHERE job <> ''")?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Folds these jobs. Without a plan nothing can be judged, so there are no views yet; the plan's arrival folds all.
fn fold(t: &Transaction<'_>, jobs: &BTreeSet<String>, devices: &Devices) -> Result<(), StoreError> {
    let Some(plan) = rows::plan(t)? else {
        t.execute("DELETE FROM p_job", [])?;
        return Ok(());
    };
    let mut devices = devices.clone();
    // A left join: an entry that is not there under its hash any more must be missed.
    let mut entries =
        t.prepare_cached("SELECT e.hash, e.bytes, e.sig, p.hash FROM p_entry p LEFT JOIN entry e ON e.hash = p.hash WHERE p.job = ?1")?;
    let mut put = t.prepare_cached("INSERT OR REPLACE INTO p_job (job, view, sum) VALUES (?1, ?2, ?3)")?;
    let mut gone = t.prepare_cached("DELETE FROM p_job WHERE job = ?1")?;
    for job in jobs {
        let mut fold = JobFold::new(job.as_str());
        let mut rows = entries.query([job])?;
        let mut damaged = Vec::new();
        while let Some(row) = rows.next()? {
            match rows::sealed_if_here(row) {
                Ok(sealed) => fold.insert(&sealed),
                Err(StoreError::DamagedRecord(why)) => damaged.push((row.get(3)?, why)),
                Err(e) => return Err(e),
            }
        }
        damage::note(t, job, &damaged)?;
        if !damaged.is_empty() {
            // A view without the damaged entry would look more certain than it is.
            gone.execute([job])?;
            continue;
        }
        for series in fold.series() {
            rows::clocks(t, &series)?.into_iter().for_each(|clock| devices.compare(series, clock));
        }
        match fold.view(&plan, &devices) {
            Some(view) => {
                let text = serde_json::to_string(&view)?;
                put.execute(params![job, text, sums::view(job, &text)])?
            }
            None => gone.execute([job])?,
        };
    }
    Ok(())
}

/// Heads and every projection, row by row in the order of their keys.
pub(crate) fn state_bytes(c: &Connection) -> Result<Vec<u8>, StoreError> {
    let mut out = String::new();
    for sql in [
        "SELECT 'series', incarnation, seq, hash, counter FROM series ORDER BY incarnation",
        "SELECT 'entry', job, subject, hash FROM p_entry ORDER BY job, subject, hash",
        "SELECT 'standing', incarnation, counts_to, role, verdict FROM p_standing ORDER BY incarnation",
        "SELECT 'clock', about, hash, clock FROM p_clock ORDER BY about, hash",
        "SELECT 'device', incarnation, hash, device, name, role, key, counter FROM p_device ORDER BY incarnation",
        "SELECT 'photo', photo, hash, bytes FROM p_photo ORDER BY photo, hash",
        "SELECT 'plan', hash, newer, plan FROM p_plan",
        "SELECT 'job', job, view FROM p_job ORDER BY job",
    ] {
        let mut statement = c.prepare(sql)?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            for column in 0..columns {
                out.push(if column == 0 { '\n' } else { '\t' });
                push(&mut out, row.get_ref(column)?);
            }
        }
    }
    Ok(out.into_bytes())
}

/// Text as a JSON string, so that no value can look like two.
fn push(out: &mut String, value: ValueRef<'_>) {
    match value {
        ValueRef::Null => out.push('-'),
        // Writing to a string cannot fail.
        ValueRef::Integer(n) => drop(write!(out, "{n}")),
        ValueRef::Real(n) => drop(write!(out, "{n}")),
        ValueRef::Text(text) => out.push_str(&serde_json::Value::from(String::from_utf8_lossy(text)).to_string()),
        ValueRef::Blob(bytes) => out.push_str(&hex::encode(bytes)),
    }
}
