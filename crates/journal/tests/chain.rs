//! Each way in which a series can be wrong is told apart; only whole, signed transactions are accepted.

mod common;

use common::*;
use journal::chain::{ChainFault, Head, Tail};
use journal::{DeviceId, Draft, EntryHash, Heads, Incarnation, Range, Sealed, SigningKey, SiteId, Subject, Value, VerifyingKey, Writer};
use proptest::prelude::*;

/// Seals a changed entry anew, signed where a signature is due.
fn changed(sealed: &Sealed, change: impl Fn(&mut journal::Entry)) -> Sealed {
    let mut entry = sealed.entry.clone();
    change(&mut entry);
    let mut out = entry.seal().expect("within the rules");
    out.sig = (entry.tx_left == 0).then(|| key().sign(&out.hash));
    out
}

/// A tail that has accepted `all`.
fn after(all: &[Sealed]) -> Tail {
    let mut tail = tail();
    assert_eq!(tail.accept_all(all), (all.len(), None));
    tail
}

#[test]
fn a_good_series_is_accepted_entry_by_entry_and_all_at_once() {
    let all = series(&[1, 3, 1024]);
    let mut one_by_one = tail();
    for sealed in &all {
        one_by_one.accept(sealed).expect("good");
    }
    let at_once = after(&all);
    assert_eq!(one_by_one, at_once);
    assert_eq!(at_once.head().map(|h| h.seq), Some(all.len() as u64));
    assert_eq!(at_once.key(), Some(key().public()));
    println!("{} entries in 4 transactions accepted", all.len());
}

#[test]
fn each_fault_of_the_chain_is_told_apart() {
    let all = series(&[1, 3]);
    let begun = after(&all[..1]);
    let [two, three, four, five] = [&all[1], &all[2], &all[3], &all[4]];
    let other_hash = changed(two, |e| e.body = Value::Null);
    let mut in_tx = after(&all[..2]);
    in_tx.accept(three).expect("begins a transaction");
    let unsigned = Sealed { sig: None, ..two.clone() };
    let other_sig = Sealed { sig: five.sig, ..two.clone() };
    let stray = Sealed { sig: Some(key().sign(&three.hash)), ..three.clone() };
    let wrong_count = changed(four, |e| e.tx_left = 0);
    let foreign = Sealed { sig: Some(SigningKey::from_seed([8; 32]).sign(&two.hash)), ..two.clone() };
    let site = SiteId([9; 16]);
    let (at_end, at_two) = (after(&all), after(&all[..2]));
    let cases: Vec<(&str, &Tail, Sealed, ChainFault)> = vec![
        ("an entry left out", &begun, three.clone(), ChainFault::Gap { wanted: 2, got: 3 }),
        ("one that came before", &at_end, two.clone(), ChainFault::Behind { got: 2, head: 5 }),
        ("the head again", &begun, all[0].clone(), ChainFault::Behind { got: 1, head: 1 }),
        ("the site", &begun, changed(two, |e| e.site = site), ChainFault::WrongSite(site)),
        ("the series", &begun, changed(two, |e| e.incarnation = Incarnation([1; 16])), ChainFault::WrongSeries(Incarnation([1; 16]))),
        ("the device", &begun, changed(two, |e| e.device = DeviceId([1; 16])), ChainFault::WrongDevice(DeviceId([1; 16]))),
        ("unsigned", &begun, unsigned, ChainFault::NoSignature(2)),
        ("signature of another entry", &begun, other_sig, ChainFault::BadSignature(2)),
        ("signature of another key", &begun, foreign, ChainFault::BadSignature(2)),
        ("signature within a transaction", &at_two, stray, ChainFault::StraySignature(3)),
        ("countdown", &in_tx, wrong_count, ChainFault::BadTransaction { seq: 4, wanted: 1, got: 0 }),
        ("a second beginning", &begun, changed(two, |e| e.kind = "series-begin".into()), ChainFault::BadBegin),
    ];
    for (what, tail, sealed, wanted) in cases {
        let mut tail = tail.clone();
        let before = tail.clone();
        let fault = tail.accept(&sealed).expect_err(what);
        println!("{what}: {fault}");
        assert_eq!(fault, wanted, "{what}");
        assert_eq!(tail, before, "{what}: a refused entry leaves the tail as it was");
    }
    let mut tail = after(&all[..2]);
    let fork = ChainFault::Fork { seq: 2, ours: two.hash, theirs: other_hash.hash };
    assert_eq!(tail.accept(&other_hash), Err(fork.clone()), "the same place, another entry");
    let on_fork = changed(three, |e| e.prev = Some(other_hash.hash));
    assert_eq!(tail.accept(&on_fork), Err(fork), "an entry that builds on the other branch");
}

#[test]
fn a_series_must_begin_with_its_own_key() {
    let (writer, begin) = begun();
    let begin = &begin[0];
    let other = SigningKey::from_seed([8; 32]).public().to_hex();
    let with_key = |key: &str| {
        let key = Value::Text(key.to_owned());
        changed(begin, move |e| e.body = map([("key", key.clone())]))
    };
    let not_begin = Writer::new(SITE, DEVICE, writer.incarnation(), None, 0)
        .transaction(&stamp(), vec![draft("job/j1/gap/12", 1)], &key())
        .expect("written");
    let cases = [
        ("no beginning", not_begin[0].clone(), ChainFault::BadBegin),
        ("about another device", changed(begin, |e| e.subject = Subject("device/x".into())), ChainFault::BadBegin),
        ("another key", with_key(&other), ChainFault::BadKey),
        ("no key", changed(begin, |e| e.body = Value::Null), ChainFault::BadKey),
        ("not a key", with_key(&"z".repeat(64)), ChainFault::BadKey),
        ("a key of small order", with_key(&format!("01{}", "0".repeat(62))), ChainFault::BadKey),
        (
            "not the first",
            changed(begin, |e| {
                e.seq = 2;
                e.prev = Some(some_hash(1));
            }),
            ChainFault::Gap { wanted: 1, got: 2 },
        ),
    ];
    for (what, sealed, wanted) in cases {
        assert_eq!(tail().accept(&sealed), Err(wanted), "{what}");
    }
    assert_eq!(tail().accept(begin), Ok(()));
}

/// RFC 8032 leaves these to the library: a key under which one signature fits every text must not be a key here.
#[test]
fn keys_of_small_order_are_refused() {
    let neutral = {
        let mut k = [0; 32];
        k[0] = 1;
        k
    };
    let order_2 = {
        let mut k = [0xff; 32];
        k[0] = 0xec;
        k[31] = 0x7f;
        k
    };
    // The points of order 4 have y = 0.
    let order_4 = [0; 32];
    let order_8 = hex8("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05");
    for key in [neutral, order_2, order_4, order_8] {
        assert!(VerifyingKey::from_bytes(key).is_err(), "{}", hex::encode(key));
    }
    assert!(VerifyingKey::from_bytes(key().public().to_bytes()).is_ok());
    println!("keys of order 1, 2, 4 and 8 refused (points from memory)");
}

fn hex8(text: &str) -> [u8; 32] {
    let mut out = [0; 32];
    hex::decode_to_slice(text, &mut out).expect("hex");
    out
}

#[test]
fn a_signature_for_one_use_does_not_fit_another() {
    let hash = some_hash(3);
    let sig = key().sign_bytes("tubewright 2026 receipt", &hash.0);
    assert!(key().public().verify(&hash, &sig).is_err());
    assert!(key().public().verify_bytes("tubewright 2026 receipt", &hash.0, &sig).is_ok());
    assert!(!format!("{:?}", key()).contains(&hex::encode([7_u8; 8])), "a secret is never shown");
}

#[test]
fn of_a_transaction_cut_short_nothing_is_accepted() {
    let all = series(&[2, 3]);
    for cut in 0..=all.len() {
        let mut tail = tail();
        let (accepted, fault) = tail.accept_all(&all[..cut]);
        let whole = [0, 1, 1, 3, 3, 3, 6][cut];
        let wanted = (whole != cut).then_some(ChainFault::CutShort(if cut < 3 { 3 } else { 6 }));
        assert_eq!((accepted, fault), (whole, wanted), "cut after {cut}");
        assert_eq!(tail.head().map_or(0, |h| h.seq), whole as u64);
        assert_eq!(tail.accept_all(&all[whole..]), (all.len() - whole, None), "it goes on after cut {cut}");
    }
    println!("{} cuts, each ending at a whole transaction", all.len() + 1);
}

#[test]
fn a_tail_is_kept_and_resumed() {
    let all = series(&[2, 3]);
    let tail = after(&all[..3]);
    let kept = serde_json::to_string(&tail).expect("json");
    println!("a kept tail has {} bytes", kept.len());
    let mut read: Tail = serde_json::from_str(&kept).expect("json");
    assert_eq!(read, tail);
    assert_eq!(read.accept_all(&all[3..]), (3, None));
    let head = Head { seq: 3, hash: all[2].hash };
    assert_eq!(Tail::resume(SITE, incarnation(), DEVICE, key().public(), head), tail);
}

#[test]
fn the_writer_moves_only_when_told() {
    let (mut writer, _) = begun();
    let first = writer.transaction(&stamp(), vec![draft("job/j1/piece", 1)], &key()).expect("written");
    let again = writer.transaction(&stamp(), vec![draft("job/j1/piece", 1)], &key()).expect("written");
    assert_eq!(first, again, "a failed write leaves no hole");
    writer.observe(50);
    writer.observe(40);
    writer.advance(&first);
    let next = writer.transaction(&stamp(), vec![draft("job/j1/piece", 2)], &key()).expect("written");
    assert_eq!((next[0].entry.seq, next[0].entry.counter), (3, 51));
    assert!(writer.transaction(&stamp(), vec![], &key()).is_err());
    assert!(writer.transaction(&stamp(), vec![draft("s", 1); 1025], &key()).is_err());
    assert!(writer.transaction(&stamp(), vec![draft("s", 1)], &SigningKey::from_seed([8; 32])).is_err());
    assert!(writer.transaction(&stamp(), vec![Draft { version: 0, ..draft("s", 1) }], &key()).is_err());
}

#[test]
fn heads_say_what_is_missing() {
    let head = |seq, n| Head { seq, hash: some_hash(n) };
    let id = |n| Incarnation([n; 16]);
    let ours: Heads = [(id(1), head(5, 1)), (id(2), head(3, 2)), (id(3), head(9, 3))].into_iter().collect();
    let theirs: Heads = [(id(1), head(2, 9)), (id(2), head(3, 8)), (id(4), head(1, 4))].into_iter().collect();
    assert_eq!(ours.missing_from(&theirs), [(id(1), Range { from: 3, to: 5 }), (id(3), Range { from: 1, to: 9 })]);
    assert_eq!(theirs.missing_from(&ours), [(id(4), Range { from: 1, to: 1 })]);
    assert_eq!(ours.count_missing_from(&theirs), 12);
    assert_eq!(ours.forks(&theirs), [id(2)]);
    let json = serde_json::to_string(&ours).expect("json");
    assert_eq!(serde_json::from_str::<Heads>(&json).expect("json"), ours);
}

proptest! {
    /// Whatever order entries arrive in, only whole transactions from the front are accepted, and nothing panics.
    #[test]
    fn shuffled_series(mut order in Just((0..8_usize).collect::<Vec<_>>()).prop_shuffle(), cut in 0..9_usize) {
        let all = series(&[1, 3, 3]);
        order.truncate(cut);
        let entries: Vec<Sealed> = order.iter().map(|i| all[*i].clone()).collect();
        let mut tail = tail();
        let (accepted, fault) = tail.accept_all(&entries);
        prop_assert!([0, 1, 2, 5, 8].contains(&accepted));
        prop_assert_eq!(&order[..accepted], &(0..accepted).collect::<Vec<_>>()[..]);
        prop_assert_eq!(fault.is_none(), accepted == entries.len());
        let head = accepted.checked_sub(1).map(|last| Head { seq: accepted as u64, hash: all[last].hash });
        prop_assert_eq!(tail.head(), head);
    }
}

#[test]
fn every_fault_is_a_sentence() {
    let hash = EntryHash([1; 32]);
    let faults = [ChainFault::Gap { wanted: 1, got: 3 }, ChainFault::Fork { seq: 1, ours: hash, theirs: hash }, ChainFault::CutShort(9)];
    for fault in faults {
        let words = fault.to_string();
        println!("{words}");
        assert!(words.len() > 30 && words.contains(' '));
    }
}
