//! Own entries: durable, chained, folded, read back; and stores that must not be opened.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::{Incarnation, PhotoHash};
use rusqlite::Connection;
use serde_json::json;
use store::testkit::{Author, draft, plan_json, trailer, two_tablets};
use store::{Options, Store, StoreError};
use tempfile::TempDir;

fn open(dir: &TempDir) -> Store {
    Store::open(dir.path(), Options::default()).unwrap()
}

fn filled(dir: &TempDir) -> Store {
    let mut store = open(dir);
    store.accept(trailer().1).unwrap();
    store.accept(two_tablets().concat()).unwrap();
    store
}

#[test]
fn saved_entries_are_there_after_opening_again() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    store.accept(trailer().1).unwrap();
    let mut k4 = Author::new(4, "K4");
    let mut made = Vec::new();
    for tx in [k4.begin(), k4.open_job("j1", "K4-001", 47), k4.gap("j1", "6", 20, &[]), k4.note("j1", "wet")] {
        store.append(&tx).unwrap();
        made.extend(tx);
    }
    drop(store);
    let store = open(&dir);
    let head = store.heads().unwrap().0[&k4.incarnation()];
    assert_eq!((head.seq, head.hash), (5, made[4].hash));
    assert_eq!(store.read(&k4.incarnation(), 1, usize::MAX).unwrap(), made, "same bytes, same signatures");
    assert_eq!(store.tail(&k4.incarnation()).unwrap().unwrap().head().unwrap().seq, 5);
    assert_eq!(store.entries().unwrap(), 7);
    assert_eq!(store.counter().unwrap(), made[4].entry.counter);
    let job = store.job("j1").unwrap().unwrap();
    assert_eq!((job.number.as_str(), job.tube, job.entries), ("K4-001", Some(47), 4));
    assert_eq!(job.opened.tablet, "K4");
    assert_eq!(store.entry(&made[2].hash).unwrap().as_ref(), Some(&made[2]));
    assert_eq!(store.subject("job/j1/gap/6").unwrap(), vec![made[3].clone()]);
    println!("5 entries of K4 read back byte for byte; job folded: {} at step {}", job.number, job.stands_at);
}

#[test]
fn what_does_not_follow_is_refused_and_leaves_nothing() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let before = store.state_bytes().unwrap();
    let mut k4 = Author::new(5, "K5");
    let begin = k4.begin();
    let first = k4.note("a1", "one");
    let second = k4.note("a1", "two");
    let mut forged = first.clone();
    forged[0].sig = second[0].sig;
    for (name, tx) in [("a gap", &first), ("a later one", &second)] {
        assert!(matches!(store.append(tx), Err(StoreError::Chain(_))), "{name}");
    }
    assert_eq!(store.state_bytes().unwrap(), before);
    store.append(&begin).unwrap();
    assert!(matches!(store.append(&forged), Err(StoreError::Chain(_))));
    assert!(matches!(store.append(&begin), Err(StoreError::Chain(_))), "the same again is not an append");
    store.append(&first).unwrap();
    let mut other = Author::of_site(journal::SiteId([1; 16]), 6, "K6");
    assert!(matches!(store.append(&other.begin()), Err(StoreError::OtherSite)));
    let with_photo = k4.photo("a1", &PhotoHash([8; 32]), 10);
    assert!(matches!(store.append(&second[..0]), Ok(())), "nothing to save is fine");
    store.append(&second).unwrap();
    let e = store.append(&with_photo).unwrap_err();
    assert!(matches!(e, StoreError::PhotoMissing(_)), "{e}");
    println!("gap, forged signature, repetition, other site, missing photo: refused. {e}");
}

#[test]
fn projections_come_out_the_same_byte_for_byte() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let stands = store.state_bytes().unwrap();
    store.rebuild().unwrap();
    assert_eq!(store.state_bytes().unwrap(), stands);
    // And from nothing, in the opposite order of arrival of the series.
    let other_dir = TempDir::new().unwrap();
    let mut other = open(&other_dir);
    for tx in two_tablets() {
        other.accept(tx).unwrap();
    }
    assert!(other.jobs().unwrap().is_empty(), "no plan, no views");
    let late = other.accept(trailer().1).unwrap();
    assert_eq!(late.jobs.len(), 2, "the plan's arrival folds every job");
    assert_eq!(other.state_bytes().unwrap(), stands);
    println!("{} bytes of projections: the same after a rebuild and with the plan last", stands.len());
}

#[test]
fn views_of_another_version_are_made_anew() {
    let dir = TempDir::new().unwrap();
    let store = filled(&dir);
    let stands = store.state_bytes().unwrap();
    drop(store);
    let raw = Connection::open(dir.path().join("journal.sqlite")).unwrap();
    raw.execute_batch("UPDATE setting SET value = '0.0.1/1' WHERE key = 'projections'; UPDATE p_job SET view = '{\"of\": \"old\"}';")
        .unwrap();
    drop(raw);
    let store = open(&dir);
    assert_eq!(store.state_bytes().unwrap(), stands);
    assert_eq!(store.jobs().unwrap().len(), 2);
    println!("views that an older program made were folded anew when the store was opened");
}

#[test]
fn a_new_plan_or_device_name_folds_all_jobs_anew() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let (mut server, all) = trailer();
    let mut plan = plan_json();
    plan["people"][0]["name"] = json!("Renamed R.");
    let person = plan["people"][0]["id"].as_str().unwrap().to_owned();
    let renamed = server.write_plan(&plan, &[all[1].hash]);
    assert_eq!(store.accept(renamed).unwrap().jobs.len(), 2);
    assert_eq!(store.plan().unwrap().unwrap().people[0].name, "Renamed R.");
    if person == "ana-r" {
        assert_eq!(store.job("a1").unwrap().unwrap().opened.name, "Renamed R.");
    }
    // K2 comes back from a restore with another name.
    let mut k2 = Author::new(2, "K2");
    k2.saw(&all);
    for tx in two_tablets() {
        k2.saw(&tx);
    }
    let mut again = k2.again(22, "K2b");
    assert_eq!(store.accept(again.begin()).unwrap().jobs.len(), 2);
    assert_eq!(store.job("a1").unwrap().unwrap().opened.tablet, "K2", "what was written keeps the name that stood on the tablet");
    store.accept(again.note("a1", "under the new name")).unwrap();
    let notes = store.job("a1").unwrap().unwrap().lists["notes"].clone();
    assert!(notes.iter().any(|n| n.by.tablet == "K2b"), "{notes:?}");
    assert_eq!(store.device_list().unwrap().len(), 4);
    let stands = store.state_bytes().unwrap();
    store.rebuild().unwrap();
    assert_eq!(store.state_bytes().unwrap(), stands);
    println!("new plan and new device name: both jobs folded anew, the same after a rebuild");
}

#[test]
fn only_a_servers_series_writes_the_plan() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let mut plan = plan_json();
    plan["plant"] = json!("Somebody else's");
    let mut tablet = Author::new(7, "K7");
    store.accept([tablet.begin(), tablet.write_plan(&plan, &[])].concat()).unwrap();
    assert_ne!(store.plan().unwrap().unwrap().plant, "Somebody else's");
    // A newer plan that this program cannot read leaves the readable one standing, and says so.
    let (mut server, all) = trailer();
    store.accept(server.write_plan(&json!({"shape": "of another day"}), &[all[1].hash])).unwrap();
    assert!(store.plan().unwrap().is_some() && store.plan_needs_update().unwrap());
    println!("a tablet's plan is stored and does not count; an unreadable newer plan is noticed");
}

#[test]
fn unknown_kinds_are_kept_and_forwarded_untouched() {
    let (one, two) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let mut store = filled(&one);
    let mut k5 = Author::new(5, "K5");
    let mut odd = draft("valve/9/colour", "not-yet-thought-of", &json!({"a": null, "b": [true, "x", -7]}), &[]);
    odd.version = 41;
    let tx = [k5.begin(), k5.write(vec![odd])].concat();
    store.accept(tx.clone()).unwrap();
    let out = store.read(&k5.incarnation(), 1, usize::MAX).unwrap();
    assert_eq!(out, tx);
    let mut next = filled(&two);
    assert_eq!(next.accept(out).unwrap().stored, 2);
    assert_eq!(next.read(&k5.incarnation(), 2, usize::MAX).unwrap()[0].bytes, tx[1].bytes);
    println!("an entry of an unknown kind went through two stores untouched");
}

#[test]
fn reads_come_in_whole_transactions() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let mut k2 = Author::new(2, "K2");
    store.append(&k2.begin()).unwrap();
    for n in 0..5 {
        let drafts = (0..3).map(|i| draft("job/j/notes", "note", &json!({"text": format!("{n} {i}")}), &[])).collect();
        store.append(&k2.write(drafts)).unwrap();
    }
    let inc = k2.incarnation();
    let seqs = |from, max| store.read(&inc, from, max).unwrap().iter().map(|s| s.entry.seq).collect::<Vec<_>>();
    assert_eq!(seqs(1, 1), [1], "at least one transaction");
    assert_eq!(seqs(2, 1), [2, 3, 4]);
    assert_eq!(seqs(17, 1000), Vec::<u64>::new());
    assert_eq!(seqs(u64::MAX, 1000), Vec::<u64>::new());
    assert_eq!(store.read(&Incarnation([0; 16]), 1, 1000).unwrap(), vec![]);
    let (mut from, mut all) = (1, Vec::new());
    loop {
        let some = seqs(from, 1500);
        let Some(last) = some.last() else { break };
        assert_eq!(last % 3, 1, "ends with a transaction: {some:?}");
        from = last + 1;
        all.extend(some);
    }
    assert_eq!(all, (1..=16).collect::<Vec<_>>());
    println!("16 entries read in pieces of whole transactions");
}

#[test]
fn settings_and_photo_receipts_last() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    store.set_settings(&[("draft/j1/gap", "20 1/"), ("draft/j1/note", "wet ä"), ("pin/ana-r", "{\"misses\":2}")]).unwrap();
    store.set_setting("draft/j1/gap", "20 1/2").unwrap();
    let photo = PhotoHash([7; 32]);
    assert_eq!(store.photos_wanted(9).unwrap(), [photo], "named by K2, not here");
    assert_eq!(store.photo_state(&photo).unwrap().bytes, 1234);
    assert!(!store.photo_state(&photo).unwrap().here);
    store.set_photo_receipt(&photo, 1_790_000_000_123).unwrap();
    drop(store);
    let mut store = open(&dir);
    assert_eq!(store.setting("draft/j1/gap").unwrap().as_deref(), Some("20 1/2"));
    assert_eq!(store.settings("draft/j1/").unwrap().len(), 2);
    assert_eq!(store.photo_state(&photo).unwrap().receipt_ms, Some(1_790_000_000_123));
    store.remove_setting("draft/j1/gap").unwrap();
    store.remove_photo_receipt(&photo).unwrap();
    assert_eq!(store.setting("draft/j1/gap").unwrap(), None);
    assert_eq!(store.photo_state(&photo).unwrap().receipt_ms, None);
    println!("half-typed values, PIN state and receipts are there after opening again");
}

#[test]
fn a_folder_is_opened_once_and_readers_change_nothing() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let e = Store::open(dir.path(), Options::default()).unwrap_err();
    assert!(matches!(e, StoreError::InUse), "{e}");
    let reader = store.reader().unwrap();
    let mut k5 = Author::new(5, "K5");
    store.append(&k5.begin()).unwrap();
    assert_eq!(std::thread::spawn(move || reader.heads().unwrap().0.len()).join().unwrap(), 4);
    println!("second open: {e}");
}

#[test]
fn foreign_and_newer_files_are_left_alone() {
    let dir = TempDir::new().unwrap();
    let file = dir.path().join("journal.sqlite");
    let foreign = Connection::open(&file).unwrap();
    foreign.execute_batch("CREATE TABLE mine (x)").unwrap();
    drop(foreign);
    let before = std::fs::read(&file).unwrap();
    assert!(matches!(Store::open(dir.path(), Options::default()), Err(StoreError::NotOurs)));
    std::fs::write(&file, b"not a database at all, but long enough to look at").unwrap();
    assert!(matches!(Store::open(dir.path(), Options::default()), Err(StoreError::NotOurs)));
    std::fs::write(&file, &before).unwrap();
    assert!(matches!(Store::open(dir.path(), Options::default()), Err(StoreError::NotOurs)));
    assert_eq!(std::fs::read(&file).unwrap(), before);

    let dir = TempDir::new().unwrap();
    drop(filled(&dir));
    let raw = Connection::open(dir.path().join("journal.sqlite")).unwrap();
    raw.pragma_update(None, "user_version", 99).unwrap();
    drop(raw);
    let e = Store::open(dir.path(), Options::default()).unwrap_err();
    assert!(matches!(e, StoreError::Newer { found: 99, .. }), "{e}");
    println!("a foreign database, a text file and a newer layout are refused and not touched: {e}");
}

#[test]
fn changed_bytes_are_noticed() {
    let dir = TempDir::new().unwrap();
    let mut store = filled(&dir);
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{report:?}");
    let entries = report.entries;
    drop(store);
    let raw = |sql: &str| {
        let raw = Connection::open(dir.path().join("journal.sqlite")).unwrap();
        assert!(raw.execute(sql, []).unwrap() > 0, "{sql}");
    };
    let k2 = hex::encode(Author::new(2, "K2").incarnation().0);
    let flip = format!(
        "UPDATE entry SET bytes = CAST(substr(bytes, 1, length(bytes) - 1) || 'x' AS BLOB) WHERE hex(incarnation) = upper('{k2}') AND seq = 3"
    );
    raw(&flip);
    let mut store = open(&dir);
    let k2 = Author::new(2, "K2").incarnation();
    assert_eq!(store.read(&k2, 1, usize::MAX).unwrap().len(), 1, "what stands before the damaged transaction is given");
    let e = store.read(&k2, 2, usize::MAX).unwrap_err();
    assert!(matches!(e, StoreError::DamagedRecord(_)));
    assert!(!store.is_stopped(), "one damaged entry does not stop the store");
    let k4 = store.read(&Author::new(4, "K4").incarnation(), 1, usize::MAX).unwrap();
    assert!(!k4.is_empty(), "other series go on");
    let report = store.verify().unwrap();
    assert!(!report.is_good());
    println!("one changed byte among {entries} entries: {e} / {:?}", report.faults);
    drop(store);

    for (what, sql) in [
        ("a view", "UPDATE p_job SET view = replace(view, 'K2-001', 'K2-002')"),
        ("a head", "UPDATE series SET tail = replace(tail, '\"seq\":', '\"seq\":1')"),
        ("a lost index row", "DELETE FROM p_entry WHERE rowid IN (SELECT rowid FROM p_entry LIMIT 1)"),
    ] {
        let dir = TempDir::new().unwrap();
        let stands = filled(&dir).state_bytes().unwrap();
        let raw = Connection::open(dir.path().join("journal.sqlite")).unwrap();
        let sql = if sql.contains("rowid") { "DELETE FROM p_entry WHERE job = 'a1' AND subject = 'job/a1/place'" } else { sql };
        assert!(raw.execute(sql, []).unwrap() > 0);
        drop(raw);
        let mut store = open(&dir);
        let report = store.verify().unwrap();
        // A view or a head that is not what was saved is made anew from the entries at opening; anything else is told.
        let mended = store.state_bytes().unwrap() == stands;
        assert_eq!(report.is_good(), mended, "{what}");
        assert_eq!(mended, what != "a lost index row", "{what}");
        println!("{what} changed: made anew {mended}, {:?}", report.faults);
    }
}
