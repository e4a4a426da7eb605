//! Laws of series, heads, identifiers and signatures, on whatever chance makes.

mod common;

use common::*;
use journal::chain::Head;
use journal::writer::{LEAP, counter_to_follow};
use journal::{
    EntryHash, Heads, Incarnation, PhotoHash, Sealed, Signature, SigningKey, SiteId, Tail, Value, VerifyingKey, Writer, content_root,
};
use proptest::prelude::*;

fn any_heads() -> impl Strategy<Value = Heads> {
    let head = (1..=journal::limits::MAX_COUNT, any::<[u8; 32]>()).prop_map(|(seq, hash)| Head { seq, hash: EntryHash(hash) });
    prop::collection::btree_map((0..12_u8).prop_map(|n| Incarnation([n; 16])), head, 0..12).prop_map(Heads)
}

fn any_json() -> impl Strategy<Value = serde_json::Value> {
    let leaf = prop_oneof![
        Just(serde_json::Value::Null),
        any::<bool>().prop_map(Into::into),
        any::<i64>().prop_map(Into::into),
        ".{0,20}".prop_map(Into::into)
    ];
    leaf.prop_recursive(4, 30, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(Into::into),
            prop::collection::btree_map(".{0,8}", inner, 0..6).prop_map(|m| m.into_iter().collect::<serde_json::Map<_, _>>().into())
        ]
    })
}

proptest! {
    #[test]
    fn heads_have_one_form_and_are_read_again(heads in any_heads()) {
        prop_assert_eq!(Heads::decode(&heads.encode()), Ok(heads));
    }

    #[test]
    fn the_digest_tells_heads_apart_and_nothing_else(a in any_heads(), b in any_heads()) {
        prop_assert_eq!(a.digest() == b.digest(), a == b);
        prop_assert_eq!(a.clone().digest(), a.digest());
    }

    #[test]
    fn what_is_missing_is_exactly_what_the_other_lacks(a in any_heads(), b in any_heads()) {
        let missing = a.missing_from(&b);
        for (series, range) in &missing {
            prop_assert_eq!((range.from, range.to), (b.seq(series) + 1, a.seq(series)));
        }
        let not = a.0.keys().filter(|s| !missing.iter().any(|(m, _)| m == *s));
        prop_assert!(not.into_iter().all(|s| b.seq(s) >= a.seq(s)));
        let sum = missing.iter().fold(0_u64, |sum, (_, r)| sum.saturating_add(r.count()));
        prop_assert_eq!(a.count_missing_from(&b), sum);
    }

    #[test]
    fn a_fork_is_seen_from_both_sides(a in any_heads(), b in any_heads()) {
        prop_assert_eq!(a.forks(&b), b.forks(&a));
        prop_assert!(a.forks(&a).is_empty());
    }

    #[test]
    fn a_series_taken_in_pieces_ends_where_the_whole_does(sizes in prop::collection::vec(1..5_usize, 1..6), cut in any::<prop::sample::Index>()) {
        let all = series(&sizes);
        let at = cut.index(all.len() + 1);
        let (mut once, mut twice) = (tail(), tail());
        prop_assert_eq!(once.accept_all(&all), (all.len(), None));
        // The part of a transaction that a cut leaves is asked for again.
        let (first, _) = twice.accept_all(&all[..at]);
        prop_assert!(first <= at);
        prop_assert_eq!(twice.accept_all(&all[first..]), (all.len() - first, None));
        prop_assert_eq!(once, twice);
    }

    #[test]
    fn no_other_order_is_accepted_beyond_where_it_differs(sizes in prop::collection::vec(1..4_usize, 1..5), order in any::<u64>()) {
        let all = series(&sizes);
        let mut other: Vec<Sealed> = all.clone();
        let mut n = order;
        for at in (1..other.len()).rev() {
            n = n.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            other.swap(at, (n >> 33) as usize % (at + 1));
        }
        let same = other.iter().zip(&all).take_while(|(a, b)| a == b).count();
        let (accepted, fault) = tail().accept_all(&other);
        prop_assert!(accepted <= same);
        prop_assert_eq!(fault.is_none(), same == all.len());
    }

    #[test]
    fn a_tail_is_kept_as_text_and_goes_on(sizes in prop::collection::vec(1..4_usize, 1..5), cut in any::<prop::sample::Index>()) {
        let all = series(&sizes);
        let mut before = tail();
        let (at, _) = before.accept_all(&all[..cut.index(all.len() + 1)]);
        let text = serde_json::to_string(&before).expect("plain");
        let mut after: Tail = serde_json::from_str(&text).expect("as written");
        prop_assert_eq!(&after, &before);
        prop_assert_eq!(after.accept_all(&all[at..]), (all.len() - at, None));
    }

    #[test]
    fn a_writer_counts_up_and_chains_whatever_it_hears(sizes in prop::collection::vec(1..6_usize, 1..6), heard in prop::collection::vec(any::<u64>(), 6)) {
        let (mut writer, mut all) = begun();
        for (size, heard) in sizes.iter().zip(heard) {
            writer.observe(heard);
            let drafts = (0..*size).map(|n| draft("job/j/notes", n as i64)).collect();
            let tx = writer.transaction(&stamp(), drafts, &key()).expect("a writer is never kept from writing");
            writer.advance(&tx);
            all.extend(tx);
        }
        // Near the end of the numbers the counter stands still; it orders the display and decides nothing.
        let counts = |w: &[Sealed]| w[0].entry.counter < w[1].entry.counter || w[1].entry.counter > 1 << 62;
        prop_assert!(all.windows(2).all(|w| counts(w) && w[0].entry.seq + 1 == w[1].entry.seq));
        prop_assert_eq!(tail().accept_all(&all), (all.len(), None));
    }

    #[test]
    fn nobody_pushes_the_counter_further_than_a_leap(heads in prop::collection::vec((1..1_000_000_u64, any::<u64>()), 0..20)) {
        let entries: u64 = heads.iter().map(|(seq, _)| seq).sum();
        let follow = counter_to_follow(heads.iter().copied());
        prop_assert!(follow <= entries + LEAP);
        prop_assert!(heads.iter().all(|(_, c)| *c > entries + LEAP || *c <= follow));
    }

    #[test]
    fn a_failed_transaction_moves_nothing(n in 0..3_usize) {
        let (writer, _) = begun();
        let bad = match n {
            0 => vec![],
            1 => vec![draft("job/j/notes", 1); journal::limits::MAX_TRANSACTION + 1],
            _ => vec![draft("", 1)],
        };
        let before = (writer.head(), writer.counter());
        prop_assert!(writer.transaction(&stamp(), bad, &key()).is_err());
        prop_assert_eq!((writer.head(), writer.counter()), before);
    }

    #[test]
    fn a_signature_fits_its_key_its_use_and_its_text_only(seed in any::<[u8; 32]>(), text in prop::collection::vec(any::<u8>(), 0..80), at in any::<prop::sample::Index>(), bit in 0..8) {
        let key = SigningKey::from_seed(seed);
        let sig = key.sign_bytes("one use", &text);
        let public = key.public();
        prop_assert!(public.verify_bytes("one use", &text, &sig).is_ok());
        prop_assert!(public.verify_bytes("another use", &text, &sig).is_err());
        prop_assert!(SigningKey::from_seed([99; 32]).public().verify_bytes("one use", &text, &sig).is_err() || seed == [99; 32]);
        let mut other = sig;
        other.0[at.index(64)] ^= 1_u8 << bit;
        prop_assert!(public.verify_bytes("one use", &text, &other).is_err());
        let mut longer = text.clone();
        longer.push(0);
        prop_assert!(public.verify_bytes("one use", &longer, &sig).is_err());
    }

    #[test]
    fn keys_and_names_are_read_as_they_are_shown(bytes in any::<[u8; 32]>(), sig in prop::collection::vec(any::<u8>(), 64)) {
        let key = SigningKey::from_seed(bytes).public();
        prop_assert_eq!(VerifyingKey::from_hex(&key.to_hex()), Ok(key));
        let (hash, sig) = (PhotoHash(bytes), Signature::from_slice(&sig).expect("64"));
        prop_assert_eq!(PhotoHash::from_hex(&hash.to_hex().to_uppercase()), Some(hash));
        prop_assert_eq!(Signature::from_hex(&sig.to_hex()), Some(sig));
        prop_assert_eq!(PhotoHash::from_hex(&hash.to_hex()[1..]), None);
        prop_assert_eq!(SiteId::from_slice(&bytes), None);
    }

    #[test]
    fn a_content_root_is_of_the_set_and_of_all_of_it(hashes in prop::collection::vec(any::<[u8; 32]>(), 1..8), at in any::<prop::sample::Index>()) {
        let hashes: Vec<EntryHash> = hashes.into_iter().map(EntryHash).collect();
        let root = |h: &[EntryHash]| content_root(&[("gap/6", h), ("piece", &[])], "I measured it.", "en", "1");
        let mut turned: Vec<EntryHash> = hashes.iter().rev().copied().collect();
        turned.push(hashes[0]);
        prop_assert_eq!(root(&turned), root(&hashes), "order and repetition");
        let mut other = hashes.clone();
        other[at.index(hashes.len())].0[0] ^= 1;
        prop_assert_ne!(root(&other), root(&hashes));
    }

    #[test]
    fn json_without_floats_is_kept_exactly(json in any_json()) {
        let value = Value::from_json(&json).expect("whole numbers only");
        prop_assert_eq!(value.to_json(), json);
        if let Ok(bytes) = journal::cbor::encode(&value) {
            prop_assert_eq!(journal::cbor::decode(&bytes), Ok(value));
        }
    }

    #[test]
    fn a_number_that_is_not_whole_is_refused(n in any::<f64>().prop_filter("finite", |n| n.is_finite())) {
        let json = serde_json::json!({"deep": [n]});
        prop_assert!(Value::from_json(&json).is_err());
    }
}

#[test]
fn another_key_writes_no_entry_of_a_series() {
    let writer: Writer = writer();
    let other = SigningKey::from_seed([8; 32]);
    assert!(writer.transaction(&stamp(), vec![draft("job/j/notes", 1)], &other).is_err());
    println!("a key that is not the series' own is refused before it writes");
}
