//! What a later program wrote is kept as it came, given on untouched, and read as soon as it can be; both heaps have a limit.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::{Sealed, Signature};
use serde_json::json;
use std::sync::{Arc, OnceLock};
use store::disk::lying::Lying;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, draft, trailer};
use store::{MOST, Options, Store, StoreError, Unreadable};
use tempfile::TempDir;

/// A store whose syncs cost nothing.
fn open(dir: &TempDir) -> Store {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    let vfs = VFS.get_or_init(|| FaultVfs::new("quick-unreadable")).name();
    Store::open(dir.path(), Options { vfs: Some(vfs), disk: Arc::new(Lying::default()), ..Options::default() }).unwrap()
}

#[test]
fn kept_as_they_came_and_given_on() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let all: Vec<Unreadable> =
        (0..5_u8).map(|n| Unreadable::new(vec![n; 100], (n % 2 == 0).then_some(Signature([n; 64])), "format 2".into())).collect();
    assert_eq!(store.keep_unreadable(&all).unwrap(), 5);
    assert_eq!(store.keep_unreadable(&all).unwrap(), 0, "kept once each");
    drop(store);
    let store = open(&dir);
    let mut from = 0;
    let mut got = Vec::new();
    loop {
        let piece = store.unreadable(from, 150).unwrap();
        let Some(last) = piece.last() else { break };
        assert_eq!(piece.len(), 1, "bounded pieces");
        from = last.id + 1;
        got.extend(piece.into_iter().map(|u| Unreadable { id: 0, ..u }));
    }
    assert_eq!(got, all);
    println!("5 entries that cannot be read: kept, given on in pieces, the same bytes and signatures");
}

#[test]
fn the_next_program_reads_them() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    store.accept(trailer().1).unwrap();
    let mut k4 = Author::new(4, "K4");
    // Entries that this program can read stand for those that the next one can.
    let (begin, note) = (k4.begin(), k4.note("j1", "later"));
    let keep = |s: &Sealed| Unreadable::new(s.bytes.clone(), s.sig, "not read by the program before".into());
    let stays = Unreadable::new(vec![0xff; 10], None, "no entry at all".into());
    store.keep_unreadable(&[keep(&begin[0]), keep(&note[0]), stays.clone()]).unwrap();
    // What an earlier program kept among its local state.
    store.set_setting("unreadable/00", &hex::encode([0xfe; 12])).unwrap();
    drop(store);
    assert_eq!(open(&dir).unreadable(0, 9999).unwrap().len(), 4, "the same program does not try again");
    let mut store = open(&dir);
    store.set_setting("unreadable-tried", "0.0.0").unwrap();
    drop(store);
    let mut store = open(&dir);
    assert_eq!(store.heads().unwrap().seq(&k4.incarnation()), 2);
    let left = store.unreadable(0, 9999).unwrap();
    assert_eq!(left.iter().map(|u| &u.bytes[..]).collect::<Vec<_>>(), [&stays.bytes[..], &[0xfe; 12][..]]);
    assert!(store.settings("unreadable/").unwrap().is_empty());
    assert!(store.verify().unwrap().is_good());
    println!("after an update 2 of 4 were read and merged, the others are kept");
}

#[test]
fn the_heap_has_a_limit_and_nothing_else_suffers() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    store.accept(trailer().1).unwrap();
    let big = |n: u8| Unreadable::new(vec![n; 16 << 20], None, "big".into());
    for n in 0..4 {
        store.keep_unreadable(&[big(n)]).unwrap();
    }
    assert_eq!(4 * (16 << 20), MOST);
    let e = store.keep_unreadable(&[Unreadable::new(vec![1], None, "one more".into())]).unwrap_err();
    assert!(matches!(e, StoreError::KeptFull { .. }), "{e}");
    println!("{e}");
    let mut k4 = Author::new(4, "K4");
    store.append(&k4.begin()).unwrap();
    assert!(!store.is_stopped());
    // Refused entries have their own; one that does not fit keeps no good one back.
    let mut flood = Author::of_site(journal::SiteId([1; 16]), 5, "K5");
    let text = "x".repeat(200_000);
    let mut told = String::new();
    flood.begin();
    for n in 0..400 {
        let stray = flood.write(vec![draft("job/j/notes", "note", &json!({"text": format!("{n} {text}")}), &[])]);
        let good = k4.note("j1", "goes on");
        let got = store.accept([stray, good].concat()).unwrap();
        assert_eq!(got.stored, 1);
        told.clone_from(&got.quarantined[0].1);
        if told.contains("limit") {
            break;
        }
    }
    assert!(told.contains("were NOT taken in"), "{told}");
    let refused = store.quarantine().unwrap().len();
    println!("{refused} refused entries fill the room, good ones still come in: {told}");
}
