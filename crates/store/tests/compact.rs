//! Compacting: smaller, the same store, and all of it there as before or after when it is cut.
#![allow(clippy::unwrap_used, missing_docs)]

use std::sync::Arc;
use store::disk::lying::{Fault, Lying};
use store::testkit::vfs::{FaultVfs, Keep};
use store::testkit::{Author, trailer, two_tablets};
use store::{Options, Store};
use tempfile::TempDir;

fn open(dir: &TempDir, vfs: &FaultVfs, disk: &Lying) -> Store {
    Store::open(dir.path(), Options { vfs: Some(vfs.name()), disk: Arc::new(disk.clone()), ..Options::default() }).unwrap()
}

fn filled(store: &mut Store) {
    store.accept(trailer().1).unwrap();
    store.accept(two_tablets().concat()).unwrap();
    for n in 0..40 {
        store.set_setting(&format!("draft/{n}"), &"x".repeat(4000)).unwrap();
    }
    for n in 0..40 {
        store.remove_setting(&format!("draft/{n}")).unwrap();
    }
}

#[test]
fn it_gets_smaller_and_stays_the_same() {
    let (dir, vfs, disk) = (TempDir::new().unwrap(), FaultVfs::new("compact-plain"), Lying::default());
    let mut store = open(&dir, &vfs, &disk);
    filled(&mut store);
    let stands = store.state_bytes().unwrap();
    let done = store.compact().unwrap();
    assert!(done.after < done.before, "{done:?}");
    assert_eq!(store.state_bytes().unwrap(), stands);
    let mut k7 = Author::new(7, "K7");
    store.append(&k7.begin()).unwrap();
    assert!(store.verify().unwrap().is_good());
    println!("{done:?}");
}

#[test]
fn a_cut_at_any_call_leaves_the_store_whole() {
    let (dir, vfs, disk) = (TempDir::new().unwrap(), FaultVfs::new("compact-count"), Lying::default());
    let mut store = open(&dir, &vfs, &disk);
    filled(&mut store);
    let (stands, before) = (store.state_bytes().unwrap(), vfs.calls());
    store.compact().unwrap();
    let calls = vfs.calls() - before;
    drop(store);
    let mut images = 0;
    for n in (1..=calls).step_by(17) {
        for (which, keep) in [Keep::Nothing, Keep::All, Keep::Some(n)].into_iter().enumerate() {
            let (dir, vfs, disk) = (TempDir::new().unwrap(), FaultVfs::new(&format!("compact-{n}-{which}")), Lying::default());
            let mut store = open(&dir, &vfs, &disk);
            filled(&mut store);
            vfs.fail_at(n, Fault::PowerCut);
            let cut = store.compact();
            assert!(cut.is_err() && store.is_stopped(), "call {n}: {cut:?}");
            drop(store);
            vfs.power_cut();
            vfs.power_on(keep);
            let mut store = open(&dir, &vfs, &disk);
            assert_eq!(store.state_bytes().unwrap(), stands, "call {n} {keep:?}");
            assert!(store.verify().unwrap().is_good(), "call {n} {keep:?}");
            images += 1;
        }
    }
    println!("{images} images of power cuts over the {calls} calls of a compaction: the same store each time");
    assert!(images > 10);
}
