//! Foreign entries: any order, any number of times; gaps wanted again; forks and forgeries kept apart.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::{Incarnation, Sealed, Signature, SiteId};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};
use serde_json::json;
use std::sync::{Arc, OnceLock};
use store::disk::lying::Lying;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, draft, trailer, two_tablets};
use store::{Options, Store, StoreError};
use tempfile::TempDir;

/// A database layer whose syncs cost nothing, so that many stores can be tried.
fn quick() -> Option<String> {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    Some(VFS.get_or_init(|| FaultVfs::new("quick")).name())
}

fn open(dir: &TempDir) -> Store {
    Store::open(dir.path(), Options { vfs: quick(), disk: Arc::new(Lying::default()), ..Options::default() }).unwrap()
}

fn transactions() -> Vec<Vec<Sealed>> {
    let mut all: Vec<Vec<Sealed>> = trailer().1.into_iter().map(|s| vec![s]).collect();
    all.extend(two_tablets());
    all
}

fn in_order() -> &'static [u8] {
    static STATE: OnceLock<Vec<u8>> = OnceLock::new();
    STATE.get_or_init(|| {
        let dir = TempDir::new().unwrap();
        let mut store = open(&dir);
        store.accept(transactions().concat()).unwrap();
        store.state_bytes().unwrap()
    })
}

/// Sends batches as a peer would: again and again until nothing is wanted. Gives how often entries were wanted.
fn send(store: &mut Store, batches: &[Vec<Sealed>]) -> usize {
    let all: Vec<Sealed> = batches.concat();
    store.set_site(all[0].entry.site).unwrap();
    let mut wanted = 0;
    for batch in batches {
        let got = store.accept(batch.clone()).unwrap();
        assert!(got.quarantined.is_empty(), "{:?}", got.quarantined);
        wanted += got.wanted.len();
    }
    for _ in 0..all.len() {
        let heads = store.heads().unwrap();
        let rest: Vec<Sealed> = all.iter().filter(|s| s.entry.seq > heads.seq(&s.entry.incarnation)).cloned().collect();
        if rest.is_empty() {
            return wanted;
        }
        store.accept(rest).unwrap();
    }
    panic!("entries are still missing");
}

proptest! {
    #![proptest_config(Config { cases: 16, rng_seed: RngSeed::Fixed(20_260_302), failure_persistence: None, ..Config::default() })]

    #[test]
    fn any_order_and_repetition_gives_the_same_state(
        order in Just((0..40_usize).collect::<Vec<_>>()).prop_shuffle(),
        repeats in prop::collection::vec(0..40_usize, 0..20),
        cuts in prop::collection::vec(1..6_usize, 1..30),
    ) {
        let entries = transactions().concat();
        let pick = |i: &usize| entries.get(*i).cloned();
        let shuffled: Vec<Sealed> = order.iter().chain(&repeats).filter_map(pick).collect();
        let mut batches = Vec::new();
        let mut rest = shuffled.as_slice();
        let mut cut = cuts.iter().cycle();
        while !rest.is_empty() {
            let (now, later) = rest.split_at((*cut.next().unwrap()).min(rest.len()));
            batches.push(now.to_vec());
            rest = later;
        }
        let dir = TempDir::new().unwrap();
        let mut store = open(&dir);
        let wanted = send(&mut store, &batches);
        prop_assert_eq!(store.state_bytes().unwrap(), in_order());
        prop_assert!(store.verify().unwrap().is_good());
        println!("{} entries in {} batches, wanted again {} times: same state", shuffled.len(), batches.len(), wanted);
    }
}

#[test]
fn a_transaction_is_stored_whole_or_not_at_all() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let mut k2 = Author::new(2, "K2");
    let begin = k2.begin();
    let tx = k2.write((0..4).map(|i| draft("job/j/notes", "note", &json!({"text": i.to_string()}), &[])).collect());
    store.accept(begin).unwrap();
    for cut in 1..tx.len() {
        let got = store.accept(tx[..cut].to_vec()).unwrap();
        assert_eq!((got.stored, got.wanted.as_slice(), got.quarantined.len()), (0, &[(k2.incarnation(), 2)][..], 0), "the first {cut}");
        let got = store.accept(tx[cut..].to_vec()).unwrap();
        assert_eq!((got.stored, got.wanted.len()), (0, 1), "without the first {cut}");
    }
    assert_eq!(store.accept(tx.clone()).unwrap().stored, 4);
    let again = store.accept([tx.clone(), tx.clone()].concat()).unwrap();
    assert_eq!((again.stored, again.known), (0, 8));
    println!("3 cuts of a transaction of 4: nothing stored, wanted from entry 2; whole: 4 stored; twice more: 8 known");
}

/// A tablet that was cloned after its second transaction: both write on.
fn forked() -> (Author, Vec<Sealed>, Vec<Sealed>, Vec<Sealed>) {
    let (mut ours, mut theirs) = (Author::new(3, "K3"), Author::new(3, "K3"));
    let common = [ours.begin(), ours.note("j", "before")].concat();
    theirs.begin();
    theirs.note("j", "before");
    let left = [ours.note("j", "on the one"), ours.note("j", "on the one again")].concat();
    let right = [theirs.note("j", "on the other"), theirs.note("j", "on the other again"), theirs.note("j", "and more")].concat();
    (ours, common, left, right)
}

#[test]
fn a_fork_is_kept_apart_and_both_stay() {
    let (author, common, left, right) = forked();
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    store.accept([common, left.clone()].concat()).unwrap();
    let stands = store.state_bytes().unwrap();
    let got = store.accept(right.clone()).unwrap();
    assert_eq!((got.stored, got.quarantined.len(), got.wanted.len()), (0, 3, 0), "{got:?}");
    assert!(got.quarantined[0].1.contains("two different entries claim place 3"), "{:?}", got.quarantined);
    // The same again, one at a time, and a later one that builds on them.
    for one in &right {
        store.accept(vec![one.clone()]).unwrap();
    }
    assert_eq!(store.state_bytes().unwrap(), stands, "the fork changed nothing");
    let kept = store.quarantine().unwrap();
    assert_eq!(kept.len(), 3, "kept once each");
    assert_eq!(kept.iter().map(|q| &q.bytes).collect::<Vec<_>>(), right.iter().map(|s| &s.bytes).collect::<Vec<_>>());
    assert_eq!(store.read(&author.incarnation(), 3, usize::MAX).unwrap(), left, "what stood first still stands");
    for q in &kept {
        println!("entry {}: {}", q.seq, q.reason);
    }
    // Both branches in one batch: one stands, the other is kept.
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let (_, common, left, right) = forked();
    let got = store.accept([common, right, left].concat()).unwrap();
    let mut places: Vec<u64> = store.read(&author.incarnation(), 1, usize::MAX).unwrap().iter().map(|s| s.entry.seq).collect();
    places.extend(store.quarantine().unwrap().iter().map(|q| q.seq));
    places.sort_unstable();
    assert_eq!(places, [1, 2, 3, 3, 4, 4, 5], "all of both branches are here: {got:?}");
    assert!(store.verify().unwrap().is_good());
}

#[test]
fn forged_entries_go_to_quarantine_and_good_ones_still_come_in() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let mut k2 = Author::new(2, "K2");
    let mut k4 = Author::new(4, "K4");
    store.accept([k2.begin(), k4.begin()].concat()).unwrap();
    let two = vec![draft("job/j/notes", "note", &json!({"text": "a"}), &[]), draft("job/j/notes", "note", &json!({"text": "b"}), &[])];
    let tx = k2.write(two);
    let next = k2.note("j", "c");
    let with = |sig: Option<Signature>| {
        let mut forged = tx.clone();
        forged[1].sig = sig;
        forged
    };
    let stranger = Author::new(66, "stranger").key().sign(&tx[1].hash);
    for (name, forged) in [("zeros", with(Some(Signature([0; 64])))), ("a stranger's key", with(Some(stranger))), ("none", with(None))] {
        let got = store.accept(forged).unwrap();
        assert_eq!(got.stored, 0, "{name}");
        assert!(got.quarantined.iter().any(|(hash, _)| *hash == tx[1].hash), "{name}: {got:?}");
        println!("signature {name}: {}", got.quarantined[0].1);
    }
    let mut stray = tx.clone();
    stray[0].sig = tx[1].sig;
    assert_eq!(store.accept(stray).unwrap().stored, 0);
    // A good copy beside a forged one, and what follows it.
    let got = store.accept([with(Some(stranger)), tx.clone(), next.clone()].concat()).unwrap();
    assert_eq!(got.stored, 3, "{got:?}");
    assert!(store.quarantine().unwrap().iter().all(|q| q.settled), "the same entries are in by now");
    // A known entry under another signature changes nothing.
    let before = store.read(&k2.incarnation(), 1, usize::MAX).unwrap();
    assert_eq!(store.accept(with(Some(stranger))).unwrap().stored, 0);
    assert_eq!(store.read(&k2.incarnation(), 1, usize::MAX).unwrap(), before);
    assert!(store.verify().unwrap().is_good());
}

#[test]
fn strangers_and_other_sites_are_kept_out() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    store.accept(trailer().1).unwrap();
    let mut elsewhere = Author::of_site(SiteId([1; 16]), 5, "K5");
    let got = store.accept(elsewhere.begin()).unwrap();
    assert_eq!((got.stored, got.quarantined.len()), (0, 1));
    println!("{}", got.quarantined[0].1);
    // A series that does not begin with its key.
    let mut k6 = Author::new(6, "K6");
    let got = store.accept([k6.note("j", "first"), k6.note("j", "second")].concat()).unwrap();
    assert_eq!((got.stored, got.quarantined.len(), got.wanted.len()), (0, 2, 0), "{got:?}");
    println!("{}", got.quarantined[0].1);
    // Entries under another series' name.
    let mut k7 = Author::new(7, "K7");
    let mut begin = k7.begin();
    let mut entry = begin.remove(0).entry;
    entry.incarnation = Incarnation([9; 16]);
    let mut forged = entry.seal().unwrap();
    forged.sig = Some(k7.key().sign(&forged.hash));
    assert_eq!(store.accept(vec![forged]).unwrap().quarantined.len(), 1);
    // A store without a site takes a site only where all agree.
    let dir = TempDir::new().unwrap();
    let mut empty = open(&dir);
    let mut other = Author::of_site(SiteId([1; 16]), 5, "K5");
    let mixed = [trailer().1, other.begin()].concat();
    assert!(matches!(empty.accept(mixed), Err(StoreError::NoSite)));
    assert_eq!(empty.site().unwrap(), None);
    assert!(matches!(empty.accept(vec![]), Ok(got) if got.stored == 0));
    empty.accept(trailer().1).unwrap();
    assert!(empty.site().unwrap().is_some());
}

#[test]
fn own_entries_come_back_after_a_restore() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let mut k2 = Author::new(2, "K2");
    let all = [k2.begin(), k2.note("j", "one"), k2.note("j", "two")];
    store.append(&all[0]).unwrap();
    let got = store.accept(all.concat()).unwrap();
    assert_eq!((got.stored, got.known), (2, 1));
    let mut resumed = Author::new(2, "K2");
    resumed.resume(&store).unwrap();
    store.append(&resumed.note("j", "three")).unwrap();
    assert_eq!(store.heads().unwrap().seq(&k2.incarnation()), 4);
    println!("an older store took its own two later entries back and went on with entry 4");
}
