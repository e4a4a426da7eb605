//! The check of a whole store names every fault with its place and goes on; older layouts are brought up; photos that nothing
//! names are let go of in time.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::PhotoHash;
use rusqlite::Connection;
use std::path::Path;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, SystemTime};
use store::disk::lying::{Fault as Trouble, Lying};
use store::testkit::vfs::{FaultVfs, Keep};
use store::testkit::{Author, trailer, two_tablets};
use store::{Options, Place, Size, Store, StoreError};
use tempfile::TempDir;

fn options() -> Options {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    let vfs = VFS.get_or_init(|| FaultVfs::new("quick-verify")).name();
    Options { vfs: Some(vfs), photo_floor: 0, ..Options::default() }
}

fn filled(dir: &Path) -> Store {
    let mut store = Store::open(dir, options()).unwrap();
    store.accept(trailer().1).unwrap();
    store.accept(two_tablets().concat()).unwrap();
    store.set_setting("draft/a1", "20 1/2").unwrap();
    store
}

fn change(dir: &Path, sql: &str) {
    let raw = Connection::open(dir.join("journal.sqlite")).unwrap();
    raw.pragma_update(None, "foreign_keys", "OFF").unwrap();
    raw.execute_batch(sql).unwrap();
}

const SPOIL: &str = "CAST(substr(bytes, 1, length(bytes) - 1) || 'x' AS BLOB)";

#[test]
fn every_fault_is_named_with_its_place_and_none_ends_the_check() {
    let dir = TempDir::new().unwrap();
    let store = filled(dir.path());
    let (k2, k4) = (Author::new(2, "K2").incarnation(), Author::new(4, "K4").incarnation());
    let photo = store.photos().put(b"a photo").unwrap();
    let path = store.photos().path(&photo, Size::Full);
    drop(store);
    change(
        dir.path(),
        &format!(
            "UPDATE entry SET bytes = {SPOIL} WHERE incarnation = x'{k2}' AND seq IN (3, 5);
             UPDATE entry SET bytes = {SPOIL} WHERE incarnation = x'{k4}' AND seq = 4;
             UPDATE setting SET value = '21 1/2' WHERE key = 'draft/a1';"
        ),
    );
    std::fs::write(&path, b"another").unwrap();
    let mut store = Store::open(dir.path(), options()).unwrap();
    let report = store.verify().unwrap();
    report.faults.iter().for_each(|f| println!("{:?}: {f}", f.place));
    let entry =
        |series, seq| report.faults.iter().any(|f| matches!(f.place, Place::Entry { series: s, seq: n, .. } if s == series && n == seq));
    assert!(entry(k2, 3) && entry(k2, 5) && entry(k4, 4), "each of the three entries");
    assert!(!entry(k2, 4) && !entry(k4, 5), "and no other");
    let has = |place: &Place| report.faults.iter().any(|f| f.place == *place);
    assert!(has(&Place::Photo(photo)) && has(&Place::Setting("draft/a1".into())));
    assert!(has(&Place::Job("a1".into())), "the job that has a damaged entry");
    assert!(report.faults.iter().all(|f| !f.safe.is_empty() && !f.do_next.is_empty()));
    // Reads of the others go on; the damaged ones are told, and never given.
    assert!(!store.is_stopped());
    assert_eq!(store.read(&k2, 1, usize::MAX).unwrap().last().unwrap().entry.seq, 1, "up to the transaction before");
    assert!(matches!(store.read(&k2, 3, usize::MAX), Err(StoreError::DamagedRecord(_))));
    assert!(matches!(store.setting("draft/a1"), Err(StoreError::DamagedRecord(_))));
    // Work goes on: a new entry in the damaged job is saved, and the job is told, not shown without a part.
    let mut k4 = Author::new(4, "K4");
    k4.resume(&store).unwrap();
    store.append(&k4.note("a1", "goes on")).unwrap();
    assert!(matches!(store.job("a1"), Err(StoreError::DamagedRecord(_))));
    assert!(store.damage().unwrap().iter().any(|d| d.job == "a1"));
    // So it is after all views are made anew.
    store.rebuild().unwrap();
    assert!(matches!(store.job("a1"), Err(StoreError::DamagedRecord(_))), "what the damaged entry was about is not forgotten");
    // The same entries come again: right.
    let healed = store.accept([trailer().1, two_tablets().concat()].concat()).unwrap();
    assert_eq!(healed.healed, 3, "{healed:?}");
    store.set_setting("draft/a1", "20 1/2").unwrap();
    std::fs::write(&path, b"a photo").unwrap();
    assert!(store.job("a1").unwrap().is_some());
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{:?}", report.faults);
    println!("7 faults named, 3 entries put right by good copies; then all is as it was saved");
}

#[test]
fn a_changed_signature_is_never_sent_on() {
    let dir = TempDir::new().unwrap();
    drop(filled(dir.path()));
    let k2 = Author::new(2, "K2").incarnation();
    change(dir.path(), &format!("UPDATE entry SET sig = zeroblob(64) WHERE incarnation = x'{k2}' AND seq = 4"));
    let mut store = Store::open(dir.path(), options()).unwrap();
    assert_eq!(store.read(&k2, 1, usize::MAX).unwrap().last().unwrap().entry.seq, 3);
    assert!(matches!(store.read(&k2, 4, usize::MAX), Err(StoreError::DamagedRecord(_))));
    assert!(!store.verify().unwrap().is_good());
    // The entry's bytes are good, so its job is shown; the signature comes back with a good copy, from an export, which compares all.
    assert!(store.job("a1").unwrap().is_some());
    let mut out = Vec::new();
    let other = TempDir::new().unwrap();
    filled(other.path()).export(&mut out).unwrap();
    assert_eq!(store.import_from(&out[..]).unwrap().healed, 1);
    assert!(store.verify().unwrap().is_good());
    println!("a changed signature: told, not sent on, and put right by an export");
}

#[test]
fn a_damaged_head_or_view_is_made_anew_when_the_store_is_opened() {
    let dir = TempDir::new().unwrap();
    let stands = filled(dir.path()).state_bytes().unwrap();
    for sql in [
        "UPDATE series SET seq = seq + 1",
        "UPDATE series SET tail = replace(tail, '\"seq\":', '\"seq\":1')",
        "UPDATE p_job SET view = replace(view, '20', '21')",
        "UPDATE setting SET value = '9.9.9/9' WHERE key = 'projections'",
    ] {
        change(dir.path(), sql);
        let mut store = Store::open(dir.path(), options()).unwrap();
        assert_eq!(store.state_bytes().unwrap(), stands, "{sql}");
        assert!(store.verify().unwrap().is_good(), "{sql}");
    }
    assert!(Store::open(dir.path(), options()).unwrap().quick_check().unwrap().is_empty());
    println!("heads and views that were changed on disk are made anew from the entries");
}

/// A store as the first released layout had it: two migrations.
fn old_store(dir: &Path) {
    let file = dir.join("journal.sqlite");
    let c = Connection::open(&file).unwrap();
    c.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;").unwrap();
    for sql in [include_str!("../migrations/0001_journal.sql"), include_str!("../migrations/0002_projections.sql")] {
        c.execute_batch(sql).unwrap();
    }
    c.pragma_update(None, "application_id", 0x5455_4257).unwrap();
    c.pragma_update(None, "user_version", 2).unwrap();
    // Entries and heads as that layout kept them.
    let source = TempDir::new().unwrap();
    drop(filled(source.path()));
    c.execute("ATTACH ?1 AS s", [source.path().join("journal.sqlite").to_string_lossy()]).unwrap();
    c.execute_batch(
        "INSERT INTO entry (hash, incarnation, seq, bytes, sig) SELECT hash, incarnation, seq, bytes, sig FROM s.entry ORDER BY received;
         INSERT INTO series SELECT incarnation, seq, hash, counter, tail FROM s.series;
         INSERT INTO setting SELECT key, value FROM s.setting WHERE key <> 'projections'; DETACH s;",
    )
    .unwrap();
}

#[test]
fn an_older_layout_is_brought_up_and_a_cut_at_any_call_leaves_one_or_the_other() {
    let reference = TempDir::new().unwrap();
    let stands = filled(reference.path()).state_bytes().unwrap();
    let up = |dir: &Path, vfs: &FaultVfs, disk: &Lying| {
        Store::open(dir, Options { vfs: Some(vfs.name()), disk: Arc::new(disk.clone()), ..Options::default() })
    };
    let (dir, vfs) = (TempDir::new().unwrap(), FaultVfs::new("migrate-count"));
    old_store(dir.path());
    let before = vfs.calls();
    let mut store = up(dir.path(), &vfs, &Lying::default()).unwrap();
    assert_eq!(store.state_bytes().unwrap(), stands);
    assert_eq!(store.setting("draft/a1").unwrap().as_deref(), Some("20 1/2"));
    assert!(store.verify().unwrap().is_good());
    drop(store);
    let (calls, mut images) = (vfs.calls() - before, 0);
    for n in (1..=calls).step_by(if std::env::var_os("TUBEWRIGHT_ALL_CRASHES").is_some() { 1 } else { 97 }) {
        for (which, keep) in [Keep::Nothing, Keep::All, Keep::Some(n)].into_iter().enumerate() {
            let (dir, vfs) = (TempDir::new().unwrap(), FaultVfs::new(&format!("migrate-{n}-{which}")));
            old_store(dir.path());
            vfs.fail_at(n, Trouble::PowerCut);
            let _ = up(dir.path(), &vfs, &Lying::default());
            vfs.power_cut();
            vfs.power_on(keep);
            let mut store = up(dir.path(), &vfs, &Lying::default()).unwrap_or_else(|e| panic!("call {n} {keep:?}: {e}"));
            assert_eq!(store.state_bytes().unwrap(), stands, "call {n} {keep:?}");
            assert!(store.verify().unwrap().is_good(), "call {n} {keep:?}");
            images += 1;
        }
    }
    println!("a store of layout 2 brought up; {images} images of power cuts over {calls} calls of it: the same state each time");
}

#[test]
fn photos_that_nothing_names_go_after_a_day_and_never_before() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(dir.path());
    let mut k7 = Author::new(7, "K7");
    store.append(&k7.begin()).unwrap();
    let put = |store: &Store, n: u8| store.photos().put(&[n; 100]).unwrap();
    let all: Vec<PhotoHash> = (0..7).map(|n| put(&store, n)).collect();
    let [named, refused, unreadable, drafted, young, old, future] = all[..] else { panic!("seven photos") };
    store.append(&k7.photo("a1", &named, 100)).unwrap();
    let mut stray = Author::of_site(journal::SiteId([1; 16]), 5, "K5");
    stray.begin();
    store.accept(stray.photo("x", &refused, 100)).unwrap();
    let later = [b"later format ".to_vec(), unreadable.to_hex().into_bytes(), b" end".to_vec()].concat();
    store.keep_unreadable(&[store::Unreadable::new(later, None, "format 2".into())]).unwrap();
    store.set_setting("draft/photo", &format!("f{drafted}")).unwrap();
    let paths: Vec<_> = all.iter().map(|p| store.photos().path(p, Size::Full)).collect();
    drop(store);
    let hours = |n: u64| SystemTime::now() - Duration::from_secs(n * 3600);
    for (photo, path) in all.iter().zip(&paths) {
        let when = match photo {
            p if *p == young => hours(23),
            p if *p == future => SystemTime::now() + Duration::from_secs(10 * 365 * 24 * 3600),
            _ => hours(25),
        };
        std::fs::File::options().append(true).open(path).unwrap().set_modified(when).unwrap();
    }
    let store = Store::open(dir.path(), options()).unwrap();
    let here = |photo: &PhotoHash| store.photos().bytes(photo, Size::Full).unwrap().is_some();
    assert!(!here(&old), "a day old, named by nothing");
    for (what, photo) in [
        ("named", named),
        ("named by a refused entry", refused),
        ("named by an unreadable one", unreadable),
        ("named by local state", drafted),
        ("23 hours old", young),
        ("from the future", future),
    ] {
        assert!(here(&photo), "{what}");
    }
    drop(store);
    // A clock that says ten years have gone by is not believed.
    let put = Store::open(dir.path(), options()).unwrap().photos().put(b"ten years").unwrap();
    let path = Store::open(dir.path(), options()).unwrap().photos().path(&put, Size::Full);
    std::fs::File::options().append(true).open(path).unwrap().set_modified(hours(10 * 365 * 24)).unwrap();
    assert!(Store::open(dir.path(), options()).unwrap().photos().bytes(&put, Size::Full).unwrap().is_some());
    println!("of 8 photos that could go, the one that is a day old and that nothing names went");
}
