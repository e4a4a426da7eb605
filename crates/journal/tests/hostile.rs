//! Bytes from a stranger: every flipped bit shows, every cut shows, nothing panics.

mod common;

use common::*;
use journal::codec::{Broken, DecodeError};
use journal::{BootId, Entry, PersonId, Sealed, Signature, Subject, Value, cbor, limits};
use proptest::prelude::*;

type Change = Box<dyn Fn(&mut Entry)>;

fn entry() -> Entry {
    series(&[1]).pop().expect("two entries").entry
}

#[test]
fn every_flipped_bit_is_refused_or_gives_another_hash() {
    let sealed = series(&[2]).pop().expect("entries");
    let (mut refused, mut other) = (0, 0);
    for at in 0..sealed.bytes.len() {
        for bit in 0..8 {
            let mut bytes = sealed.bytes.clone();
            bytes[at] ^= 1 << bit;
            match Sealed::open(bytes, sealed.sig) {
                Err(_) => refused += 1,
                Ok(changed) => {
                    assert_ne!(changed.hash, sealed.hash, "byte {at}, bit {bit}");
                    other += 1;
                }
            }
        }
    }
    println!("{} bits flipped: {refused} refused, {other} read with another hash, 0 overlooked", refused + other);
    assert_eq!(refused + other, sealed.bytes.len() * 8);
    assert!(refused > 0 && other > 0);
}

#[test]
fn no_flipped_bit_of_a_series_passes_the_chain() {
    let all = series(&[2]);
    let mut tried = 0;
    for (index, sealed) in all.iter().enumerate() {
        for at in 0..sealed.bytes.len() {
            let mut bytes = sealed.bytes.clone();
            bytes[at] ^= 1;
            let Ok(changed) = Sealed::open(bytes, sealed.sig) else { continue };
            let mut with = all.clone();
            with[index] = changed;
            let (accepted, fault) = tail().accept_all(&with);
            assert!(accepted < all.len() && fault.is_some(), "entry {index}, byte {at}");
            tried += 1;
        }
        for at in sealed.sig.iter().flat_map(|_| 0..64) {
            let mut with = all.clone();
            if let Some(sig) = &mut with[index].sig {
                sig.0[at] ^= 1;
            }
            assert!(tail().accept_all(&with).1.is_some(), "entry {index}, signature byte {at}");
            tried += 1;
        }
    }
    println!("{tried} forged entries and signatures, each refused by the chain");
}

#[test]
fn every_cut_is_refused() {
    let sealed = entry().seal().expect("sealed");
    for cut in 0..sealed.bytes.len() {
        assert!(Sealed::open(sealed.bytes[..cut].to_vec(), None).is_err(), "cut at {cut}");
    }
    let mut longer = sealed.bytes.clone();
    longer.push(0);
    assert!(Sealed::open(longer, None).is_err());
    println!("{} cuts refused", sealed.bytes.len());
}

#[test]
fn rules_hold_alike_for_writing_and_reading() {
    let hash = some_hash;
    let changes: Vec<(&str, Broken, Change)> = vec![
        ("seq 0", Broken::Seq, Box::new(|e| e.seq = 0)),
        ("seq beyond 63 bits", Broken::Seq, Box::new(|e| e.seq = u64::MAX)),
        ("no hash before it", Broken::Prev, Box::new(|e| e.prev = None)),
        ("first with a hash before it", Broken::Prev, Box::new(|e| e.seq = 1)),
        ("counter", Broken::Count, Box::new(|e| e.counter = 1 << 63)),
        ("uptime", Broken::Count, Box::new(|e| e.uptime_ms = 1 << 63)),
        ("transaction", Broken::Transaction, Box::new(|e| e.tx_left = 1024)),
        ("nobody", Broken::Person, Box::new(|e| e.person = PersonId(String::new()))),
        ("capital", Broken::Person, Box::new(|e| e.person = PersonId("Ana".into()))),
        ("long person", Broken::Person, Box::new(|e| e.person = PersonId("a".repeat(65)))),
        ("no kind", Broken::Kind, Box::new(|e| e.kind.clear())),
        ("version 0", Broken::Version, Box::new(|e| e.version = 0)),
        ("no subject", Broken::Subject, Box::new(|e| e.subject = Subject(String::new()))),
        ("long subject", Broken::Subject, Box::new(|e| e.subject = Subject("a".repeat(257)))),
        ("line end in the subject", Broken::Subject, Box::new(|e| e.subject = Subject("a\nb".into()))),
        ("basis twice", Broken::Basis, Box::new(move |e| e.basis = vec![hash(1), hash(1)])),
        ("basis not sorted", Broken::Basis, Box::new(move |e| e.basis = vec![hash(2), hash(1)])),
        ("long basis", Broken::Basis, Box::new(|e| e.basis = (0..1025_u32).map(hash32).collect())),
    ];
    println!("{} broken rules, each refused by the writer", changes.len());
    for (what, broken, change) in &changes {
        let mut entry = entry();
        change(&mut entry);
        let refused = entry.seal().expect_err(what);
        assert_eq!(refused, journal::EncodeError::Rule(*broken), "{what}");
    }
    let mut largest = entry();
    largest.basis = (0..1024_u32).map(hash32).collect();
    largest.subject = Subject("s".repeat(256));
    largest.person = PersonId("p".repeat(64));
    largest.tx_left = 1023;
    let sealed = largest.seal().expect("all limits reached, none passed");
    assert_eq!(Sealed::open(sealed.bytes.clone(), None).expect("opens"), sealed);
}

fn hash32(n: u32) -> journal::EntryHash {
    let mut hash = [0; 32];
    hash[..4].copy_from_slice(&n.to_be_bytes());
    journal::EntryHash(hash)
}

/// The reader must refuse by itself what our writer would never write.
#[test]
fn the_reader_does_not_trust_the_writer() {
    let good = entry().seal().expect("sealed").bytes;
    let replace = |from: &[u8], to: &[u8]| {
        let at = good.windows(from.len()).position(|w| w == from).expect("found");
        [&good[..at], to, &good[at + from.len()..]].concat()
    };
    let open = |bytes| Sealed::open(bytes, None).expect_err("refused");
    assert_eq!(open(replace(b"\x0b\x65ana-r", b"\x0b\x65Ana-r")), DecodeError::Rule(Broken::Person));
    assert_eq!(open(replace(b"\x00\x01\x01\x50", b"\x00\x02\x01\x50")), DecodeError::Format(2));
    assert_eq!(open(replace(b"\x01\x50", b"\x02\x50")), DecodeError::Key(1));
    assert_eq!(open(replace(b"\x04\x02\x05", b"\x04\x00\x05")), DecodeError::Rule(Broken::Seq));
    assert_eq!(open(vec![0xa0]), DecodeError::Key(0));
    assert_eq!(open(vec![0; limits::MAX_ENTRY_BYTES + 1]), DecodeError::Size(limits::MAX_ENTRY_BYTES + 1));
}

#[test]
fn an_entry_has_a_largest_size() {
    let mut entry = entry();
    entry.body = Value::Bytes(vec![0; limits::MAX_ENTRY_BYTES]);
    let refused = entry.seal().expect_err("too large");
    println!("{refused}");
    assert!(matches!(refused, journal::EncodeError::Size(_)));
    entry.body = Value::Null;
    let rest = entry.seal().expect("small").bytes.len() - 1;
    entry.body = Value::Bytes(vec![0; limits::MAX_ENTRY_BYTES - rest - 5]);
    let largest = entry.seal().expect("exactly the limit");
    assert_eq!(largest.bytes.len(), limits::MAX_ENTRY_BYTES);
    assert!(Sealed::open(largest.bytes, None).is_ok());
}

/// A later program may add keys from 32 on: this one keeps them, hashes them and does not lose them.
#[test]
fn keys_of_a_later_program_are_kept_in_the_bytes() {
    let good = entry().seal().expect("sealed");
    let with = |pairs: &[(&[u8], &Value)]| {
        let mut bytes = good.bytes.clone();
        bytes[0] += pairs.len() as u8;
        for (key, value) in pairs {
            bytes.extend_from_slice(key);
            bytes.extend(cbor::encode(value).expect("not deep"));
        }
        bytes
    };
    let more = map([("lux", Value::Int(3))]);
    let later = with(&[(&[0x18, 32], &more), (&[0x18, 99], &Value::Null)]);
    let opened = Sealed::open(later.clone(), good.sig).expect("tolerated");
    assert_eq!((&opened.entry, &opened.bytes), (&good.entry, &later));
    assert_ne!(opened.hash, good.hash, "what is not understood is hashed all the same");
    let refused: [(&str, Vec<u8>); 5] = [
        ("key 17 may change the meaning", with(&[(&[17], &more)])),
        ("key 31 too", with(&[(&[0x18, 31], &more)])),
        ("not sorted", with(&[(&[0x18, 40], &more), (&[0x18, 39], &more)])),
        ("twice", with(&[(&[0x18, 40], &more), (&[0x18, 40], &more)])),
        ("key by name", with(&[(&[0x61, b'a'], &more)])),
    ];
    println!("keys 32 and 99 kept; {} other forms refused", refused.len());
    for (what, bytes) in refused {
        assert!(Sealed::open(bytes, None).is_err(), "{what}");
    }
}

fn any_entry() -> impl Strategy<Value = Entry> {
    let ids = (any::<[u8; 16]>(), any::<[u8; 16]>(), any::<[u8; 16]>(), any::<[u8; 16]>());
    let numbers = (2..=limits::MAX_COUNT, 0_u32..1024, 0..=limits::MAX_COUNT, any::<i64>(), 0..=limits::MAX_COUNT);
    let words = ("[a-z0-9-]{1,64}", "[a-z0-9-]{1,64}", 1..=u32::MAX, "[a-z0-9/ äöł]{1,100}");
    let basis = prop::collection::btree_set(any::<[u8; 32]>(), 0..5);
    (ids, numbers, words, basis, any::<[u8; 32]>(), "\\PC{0,200}").prop_map(|(ids, numbers, words, basis, prev, body)| Entry {
        format: 1,
        site: journal::SiteId(ids.0),
        device: journal::DeviceId(ids.1),
        incarnation: journal::Incarnation(ids.2),
        seq: numbers.0,
        prev: Some(journal::EntryHash(prev)),
        tx_left: numbers.1,
        counter: numbers.2,
        wall_ms: numbers.3,
        boot: BootId(ids.3),
        uptime_ms: numbers.4,
        person: PersonId(words.0),
        kind: words.1,
        version: words.2,
        subject: Subject(words.3),
        basis: basis.into_iter().map(journal::EntryHash).collect(),
        body: map([("text", Value::Text(body))]),
    })
}

proptest! {
    #[test]
    fn open_undoes_seal(entry in any_entry()) {
        let sealed = entry.seal().expect("within the rules");
        prop_assert_eq!(Sealed::open(sealed.bytes.clone(), None).expect("opens"), sealed);
    }

    #[test]
    fn no_panic_on_arbitrary_bytes(bytes in prop::collection::vec(any::<u8>(), 0..2000), sig in any::<Option<[u8; 32]>>()) {
        let sig = sig.map(|half| { let mut s = [0; 64]; s[..32].copy_from_slice(&half); Signature(s) });
        prop_assert!(Sealed::open(bytes, sig).is_err());
    }

    /// Arbitrary bytes hardly ever get past the first key: change good ones too.
    #[test]
    fn no_panic_on_changed_entries(entry in any_entry(), at in any::<prop::sample::Index>(), new in any::<[u8; 3]>()) {
        let sealed = entry.seal().expect("within the rules");
        let mut bytes = sealed.bytes.clone();
        let at = at.index(bytes.len());
        for (to, from) in bytes[at..].iter_mut().zip(new) { *to = from; }
        if let Ok(opened) = Sealed::open(bytes.clone(), None) {
            prop_assert_eq!(opened.entry.seal().expect("what opens can be sealed").bytes, bytes);
        }
    }
}
