//! The projections: tables made from the entries alone, in the commit that adds the entries, or all anew.

use crate::error::StoreError;
use crate::rows;
use crate::store;
use job::fold::split_subject;
use job::{Devices, JobFold, SitePlan};
use journal::{EntryHash, PhotoHash, Sealed, Value};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::collections::BTreeSet;
use std::fmt::Write;

/// Raise it whenever views are folded otherwise than before: a store that holds older ones makes them anew when opened.
const VERSION: u32 = 3;
const VERSION_KEY: &str = "projections";
const PLAN: &str = "site/plan";
const PLAN_KIND: &str = "site-plan";

/// What indexing entries touched.
#[derive(Default)]
struct Touched {
    jobs: BTreeSet<String>,
    plan: bool,
    device: bool,
}

/// Adds stored entries to the projections. Gives the jobs whose view was folded anew: those touched, or all where the
/// plan or a device's name is not what it was.
pub(crate) fn add(t: &Transaction<'_>, entries: &[Sealed]) -> Result<BTreeSet<String>, StoreError> {
    if entries.is_empty() {
        return Ok(BTreeSet::new());
    }
    let before = rows::devices(t)?;
    let touched = index(t, entries)?;
    // A server's series and its plan may arrive in either order, so a new series can make a plan count.
    let new_plan = (touched.plan || touched.device) && choose_plan(t)?;
    let devices = rows::devices(t)?;
    let jobs = if new_plan || devices != before { all_jobs(t)? } else { touched.jobs };
    fold(t, &jobs, &devices)?;
    Ok(jobs)
}

/// Makes all projections anew.
pub(crate) fn rebuild(t: &Transaction<'_>) -> Result<(), StoreError> {
    t.execute_batch("DELETE FROM p_entry; DELETE FROM p_job; DELETE FROM p_plan; DELETE FROM p_device; DELETE FROM p_photo;")?;
    let mut statement = t.prepare("SELECT hash, bytes, sig FROM entry ORDER BY received")?;
    let mut rows = statement.query([])?;
    // In pieces, so that the memory needed does not grow with the journal.
    let mut piece = Vec::new();
    while let Some(row) = rows.next()? {
        piece.push(rows::sealed(row)?);
        if piece.len() == 1000 {
            index(t, &piece)?;
            piece.clear();
        }
    }
    index(t, &piece)?;
    choose_plan(t)?;
    fold(t, &all_jobs(t)?, &rows::devices(t)?)
}

/// Makes all projections anew where they were made by another version of this program.
pub(crate) fn bring_up_to_date(t: &Transaction<'_>) -> Result<(), StoreError> {
    let made_by = format!("{}/{VERSION}", env!("CARGO_PKG_VERSION"));
    if rows::setting(t, VERSION_KEY)?.as_deref() == Some(&made_by) {
        return Ok(());
    }
    rebuild(t)?;
    store::put_setting(t, VERSION_KEY, &made_by)
}

/// Everything about single entries; views and the plan are left to the caller.
fn index(t: &Transaction<'_>, entries: &[Sealed]) -> Result<Touched, StoreError> {
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

/// Which plan stands. Only a server's series may write one; of the entries that no other names as its basis, the one with
/// the highest counter, then hash, so that every machine chooses alike. Gives whether that changed.
fn choose_plan(t: &Transaction<'_>) -> Result<bool, StoreError> {
    let mut statement = t.prepare_cached(
        "SELECT e.hash, e.bytes, e.sig FROM p_entry p JOIN entry e ON e.hash = p.hash
         JOIN p_device d ON d.incarnation = e.incarnation AND d.role = 'server'
         WHERE p.job = '' AND p.subject = ?1",
    )?;
    let mut rows = statement.query([PLAN])?;
    let mut plans = rows::all(&mut rows)?;
    plans.retain(|s| s.entry.kind == PLAN_KIND);
    let replaced: BTreeSet<EntryHash> = plans.iter().flat_map(|s| s.entry.basis.iter().copied()).collect();
    plans.sort_by_key(|s| std::cmp::Reverse((!replaced.contains(&s.hash), s.entry.counter, s.hash)));
    let read = |s: &Sealed| {
        let plan = serde_json::from_value::<SitePlan>(s.entry.body.to_json()).ok()?;
        (s.entry.version == 1).then_some((s.hash, plan))
    };
    let chosen = plans.iter().find_map(read);
    let had: Option<(EntryHash, bool)> =
        t.query_row("SELECT hash, newer FROM p_plan", [], |row| Ok((EntryHash(row.get(0)?), row.get(1)?))).optional()?;
    let Some((hash, plan)) = chosen else { return Ok(false) };
    let newer = plans.first().is_some_and(|first| first.hash != hash);
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
    let Some(plan) = rows::plan(t)? else { return Ok(()) };
    let mut entries = t.prepare_cached("SELECT e.hash, e.bytes, e.sig FROM p_entry p JOIN entry e ON e.hash = p.hash WHERE p.job = ?1")?;
    let mut put = t.prepare_cached("INSERT OR REPLACE INTO p_job (job, view) VALUES (?1, ?2)")?;
    for job in jobs {
        let mut fold = JobFold::new(job.as_str());
        let mut rows = entries.query([job])?;
        while let Some(row) = rows.next()? {
            fold.insert(&rows::sealed(row)?);
        }
        if let Some(view) = fold.view(&plan, devices) {
            put.execute([job, &serde_json::to_string(&view)?])?;
        }
    }
    Ok(())
}

/// Heads and every projection, row by row in the order of their keys.
pub(crate) fn state_bytes(c: &Connection) -> Result<Vec<u8>, StoreError> {
    let mut out = String::new();
    for sql in [
        "SELECT 'series', incarnation, seq, hash, counter FROM series ORDER BY incarnation",
        "SELECT 'entry', job, subject, hash FROM p_entry ORDER BY job, subject, hash",
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
