//! The database on a disk that fails at every call, loses, tears and reorders unsynced writes: what was acknowledged is
//! there after opening again, whole transactions only, and every projection is what the entries say.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::Sealed;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use store::disk::lying::{Fault, Lying};
use store::testkit::vfs::{FaultVfs, Keep};
use store::testkit::{Author, draft, trailer};
use store::{Options, Store, StoreError};
use tempfile::TempDir;

/// Every how many-th call is tried in an ordinary run; `TUBEWRIGHT_ALL_CRASHES` in the environment tries them all.
fn stride() -> usize {
    if std::env::var_os("TUBEWRIGHT_ALL_CRASHES").is_some() { 1 } else { 19 }
}

fn open(dir: &Path, vfs: &FaultVfs, disk: &Lying) -> Result<Store, StoreError> {
    Store::open(dir, Options { vfs: Some(vfs.name()), disk: Arc::new(disk.clone()), ..Options::default() })
}

/// What the script does, one durable step each.
enum Step {
    Accept(Vec<Sealed>),
    Append(Vec<Sealed>),
    Setting(&'static str),
    Receipt,
    Checkpoint,
}

fn script() -> Vec<Step> {
    let (mut k2, mut k4) = (Author::new(2, "K2"), Author::new(4, "K4"));
    let many = (0..5).map(|i| draft("job/j1/notes", "note", &json!({"text": format!("{i} {}", "x".repeat(3000))}), &[])).collect();
    let foreign = [k2.begin(), k2.gap("j1", "6", 21, &[]), k2.note("j1", "from the other side")].concat();
    vec![
        Step::Accept(trailer().1),
        Step::Append(k4.begin()),
        Step::Append(k4.open_job("j1", "K4-001", 47)),
        Step::Setting("20 1/"),
        Step::Append(k4.gap("j1", "6", 20, &[])),
        Step::Append(k4.write(many)),
        Step::Checkpoint,
        Step::Accept(foreign),
        Step::Receipt,
        Step::Append(k4.note("j1", "last")),
        Step::Setting("20 1/2"),
    ]
}

/// What was acknowledged, for judging afterwards.
#[derive(Default)]
struct Acked {
    entries: Vec<Sealed>,
    setting: Option<&'static str>,
    steps: usize,
}

fn play(dir: &Path, vfs: &FaultVfs, disk: &Lying, acked: &mut Acked) -> Result<(), StoreError> {
    let mut store = open(dir, vfs, disk)?;
    for step in script() {
        match step {
            Step::Accept(entries) => {
                let got = store.accept(entries.clone())?;
                assert_eq!(got.stored, entries.len());
                acked.entries.extend(entries);
            }
            Step::Append(entries) => {
                store.append(&entries)?;
                acked.entries.extend(entries);
            }
            Step::Setting(value) => {
                store.set_setting("draft/j1/gap", value)?;
                acked.setting = Some(value);
            }
            Step::Receipt => store.set_photo_receipt(&journal::PhotoHash([7; 32]), 5)?,
            Step::Checkpoint => store.checkpoint()?,
        }
        acked.steps += 1;
    }
    Ok(())
}

fn judge(store: &mut Store, acked: &Acked, what: &str) {
    for sealed in &acked.entries {
        let found = store.entry(&sealed.hash).unwrap();
        assert_eq!(found.as_ref(), Some(sealed), "{what}: an acknowledged entry is lost");
    }
    let setting = store.setting("draft/j1/gap").unwrap();
    match acked.setting {
        None => assert!(setting.is_none_or(|s| s == "20 1/"), "{what}"),
        Some("20 1/") => assert!(setting.is_some_and(|s| s.starts_with("20 1/")), "{what}"),
        Some(value) => assert_eq!(setting.as_deref(), Some(value), "{what}"),
    }
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{what}: {:?}", report.faults);
}

/// Calls of the whole script without a fault.
fn calls_of_script() -> u64 {
    let (dir, vfs, disk) = (TempDir::new().unwrap(), FaultVfs::new("fault-count"), Lying::default());
    let mut acked = Acked::default();
    play(dir.path(), &vfs, &disk, &mut acked).unwrap();
    assert_eq!(acked.steps, script().len());
    vfs.calls()
}

#[test]
fn power_cuts_at_any_call_lose_nothing_acknowledged() {
    let calls = calls_of_script();
    let mut steps: BTreeMap<usize, usize> = BTreeMap::new();
    let mut images = 0;
    for n in (1..=calls + 1).step_by(stride()) {
        for (which, keep) in [Keep::Nothing, Keep::All, Keep::Some(n), Keep::Some(n ^ 0x9e37_79b9)].into_iter().enumerate() {
            let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
            let vfs = FaultVfs::new(&format!("fault-cut-{n}-{which}"));
            let what = format!("power cut at call {n} of {calls}, {keep:?}");
            vfs.fail_at(n, Fault::PowerCut);
            let mut acked = Acked::default();
            // The store is dropped with the power off, as in life.
            let _ = play(dir.path(), &vfs, &disk, &mut acked);
            vfs.power_cut();
            vfs.power_on(keep);
            let mut store = open(dir.path(), &vfs, &disk).unwrap_or_else(|e| panic!("{what}: {e}"));
            judge(&mut store, &acked, &what);
            *steps.entry(acked.steps).or_default() += 1;
            images += 1;
        }
    }
    println!(
        "{images} images of power cuts over {calls} calls of a script of {} steps: nothing acknowledged lost, every store sound",
        script().len()
    );
    println!("cut after so many acknowledged steps: {steps:?}");
    assert!(steps.len() >= script().len() / 2, "the cuts reach all through the script");
}

#[test]
fn an_error_at_any_call_stops_the_store_and_loses_nothing() {
    let calls = calls_of_script();
    let mut codes: BTreeMap<&str, usize> = BTreeMap::new();
    for n in (1..=calls).step_by(stride()) {
        let (dir, disk, vfs) = (TempDir::new().unwrap(), Lying::default(), FaultVfs::new(&format!("fault-error-{n}")));
        vfs.fail_at(n, Fault::Error);
        let mut acked = Acked::default();
        let result = play(dir.path(), &vfs, &disk, &mut acked);
        let code = result.as_ref().err().map_or("went on", StoreError::code);
        assert!(matches!(code, "store-stopped" | "went on" | "database-error"), "call {n}: {result:?}");
        *codes.entry(code).or_default() += 1;
        let mut store = open(dir.path(), &vfs, &disk).unwrap();
        judge(&mut store, &acked, &format!("error at call {n}"));
    }
    println!("one I/O error at each of {calls} calls (every {}th tried): {codes:?}; nothing acknowledged lost", stride());
    assert!(codes["store-stopped"] > 0);
}

#[test]
fn after_an_error_nothing_is_tried_again() {
    let (dir, disk, vfs) = (TempDir::new().unwrap(), Lying::default(), FaultVfs::new("fault-stop"));
    let mut store = open(dir.path(), &vfs, &disk).unwrap();
    let mut k4 = Author::new(4, "K4");
    store.append(&k4.begin()).unwrap();
    let (tx, start) = (k4.note("j1", "x"), vfs.calls());
    // Find the commit's sync: the last call of an append.
    store.append(&tx).unwrap();
    let length = vfs.calls() - start;
    let next = k4.note("j1", "y");
    vfs.fail_at(length, Fault::Error);
    let syncs = vfs.syncs();
    let e = store.append(&next).unwrap_err();
    assert!(matches!(e, StoreError::Stopped(_)), "{e}");
    assert!(store.is_stopped());
    for _ in 0..3 {
        assert!(matches!(store.append(&next), Err(StoreError::Stopped(_))));
        assert!(matches!(store.set_setting("a", "b"), Err(StoreError::Stopped(_))));
        assert!(matches!(store.jobs(), Err(StoreError::Stopped(_))));
        assert!(matches!(store.photo_begin(), Err(StoreError::Stopped(_))));
    }
    assert_eq!(vfs.syncs(), syncs, "no sync was tried again");
    println!("{e}");
}

#[test]
fn a_full_disk_is_an_ordinary_state() {
    let calls = calls_of_script();
    let mut full = 0;
    for n in (1..=calls).step_by(stride()) {
        let (dir, disk, vfs) = (TempDir::new().unwrap(), Lying::default(), FaultVfs::new(&format!("fault-full-{n}")));
        vfs.fail_at(n, Fault::Full);
        let mut acked = Acked::default();
        match play(dir.path(), &vfs, &disk, &mut acked) {
            Ok(()) => {}
            Err(StoreError::DiskFull) => full += 1,
            Err(e) => panic!("full at call {n}: {e:?}"),
        }
        vfs.make_room();
        let mut store = open(dir.path(), &vfs, &disk).unwrap();
        judge(&mut store, &acked, &format!("full at call {n}"));
    }
    // And with the same store, once there is room again.
    let (dir, disk, vfs) = (TempDir::new().unwrap(), Lying::default(), FaultVfs::new("fault-full-same"));
    let mut store = open(dir.path(), &vfs, &disk).unwrap();
    let mut k4 = Author::new(4, "K4");
    store.append(&k4.begin()).unwrap();
    let tx = k4.note("j1", "x");
    vfs.fail_at(1, Fault::Full);
    let e = store.append(&tx).unwrap_err();
    assert!(e.is_disk_full() && !store.is_stopped(), "{e:?}");
    assert_eq!(store.entries().unwrap(), 1, "still readable");
    vfs.make_room();
    store.append(&tx).unwrap();
    println!("the disk full from each of {calls} calls on (every {}th tried): {full} said so; {e}", stride());
    assert!(full > 0);
}
