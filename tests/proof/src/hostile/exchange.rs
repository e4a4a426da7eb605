//! What travels in an exchange: lists of entries, heads, ranges and names.

use journal::{Incarnation, Sealed, SiteId, Tail, VerifyingKey};
use std::collections::BTreeMap;
use sync::wire;

/// A push, and the chain behind it.
pub fn push(body: &[u8]) {
    let Ok(batch) = wire::decode_push(body) else { return };
    let carried: usize = batch.entries.iter().map(|s| s.bytes.len()).chain(batch.unreadable.iter().map(|u| u.bytes.len())).sum();
    assert!(carried <= body.len() && body.len() <= sync::MAX_BODY, "nothing is made of nothing");
    for unread in &batch.unreadable {
        assert!(Sealed::open(unread.bytes.clone(), unread.sig).is_err());
    }
    if batch.unreadable.is_empty() {
        assert_eq!(wire::encode_push(&batch.entries), body, "one meaning has one form");
    }
    let fits = wire::fit(&batch.entries);
    assert!(fits <= batch.entries.len() && batch.entries[..fits].last().is_none_or(|s| s.entry.tx_left == 0));
    let mut series: BTreeMap<(SiteId, Incarnation), Vec<Sealed>> = BTreeMap::new();
    for sealed in batch.entries {
        series.entry((sealed.entry.site, sealed.entry.incarnation)).or_default().push(sealed);
    }
    for ((site, incarnation), entries) in series {
        let mut tail = Tail::new(site, incarnation);
        let (accepted, fault) = tail.accept_all(&entries);
        assert!(accepted == entries.len() || fault.is_some(), "what is left out is left out for a reason");
        assert_eq!(tail.head().map_or(0, |head| head.seq), accepted as u64);
        assert!(tail.is_whole());
        covered(incarnation, &entries[..accepted]);
    }
}

/// A second reading of the rules of the chain, straight from the document: what was accepted is signed to its last byte by
/// the key that the series is named after.
fn covered(incarnation: Incarnation, entries: &[Sealed]) {
    let Some(first) = entries.first() else { return };
    let json = first.entry.body.to_json();
    let key = json["key"].as_str().and_then(|hex| VerifyingKey::from_hex(hex).ok()).expect("a series begins with its key");
    let named = blake3::derive_key("tubewright 2026 incarnation", &key.to_bytes());
    assert_eq!(named[..16], incarnation.0, "a series is named after its key");
    let mut before: Option<[u8; 32]> = None;
    let mut left = 0;
    for (place, sealed) in (1_u64..).zip(entries) {
        let entry = &sealed.entry;
        assert_eq!((entry.seq, entry.prev.map(|p| p.0)), (place, before), "no gap, no other before it");
        assert_eq!((entry.site, entry.device, entry.incarnation), (first.entry.site, first.entry.device, incarnation));
        assert_eq!(entry.kind == "series-begin", place == 1);
        assert!(left == 0 || entry.tx_left + 1 == left, "the countdown of a transaction");
        left = entry.tx_left;
        match &sealed.sig {
            Some(sig) => {
                assert_eq!(left, 0);
                let text = [b"tubewright 2026 transaction\0".as_slice(), blake3::hash(&sealed.bytes).as_bytes()].concat();
                let zebra = ed25519_zebra::VerificationKey::try_from(key.to_bytes()).expect("a key");
                zebra.verify(&sig.0.into(), &text).expect("an entry was accepted with a signature that does not fit");
            }
            None => assert_ne!(left, 0, "an entry was accepted without a signature"),
        }
        before = Some(*blake3::hash(&sealed.bytes).as_bytes());
    }
    assert_eq!(left, 0, "a transaction is whole");
}

/// The other lists: the first byte chooses which.
pub fn pull(bytes: &[u8]) {
    let Some((which, body)) = bytes.split_first() else { return };
    match which % 5 {
        0 => {
            let Ok(batch) = wire::decode_pull(body) else { return };
            if batch.unreadable.is_empty() {
                assert_eq!(wire::encode_pull(&batch.entries, batch.more), body);
            }
        }
        1 => {
            let Ok(ranges) = wire::decode_ranges(body) else { return };
            assert!(ranges.len() <= sync::MAX_RANGES && ranges.iter().all(|(_, r)| r.from >= 1 && r.from <= r.to && r.count() >= 1));
            assert_eq!(wire::encode_ranges(&ranges), body);
        }
        2 => {
            let Ok(heads) = wire::decode_heads(body) else { return };
            assert_eq!(heads.encode(), body);
            assert!(heads.forks(&heads).is_empty() && heads.missing_from(&heads).is_empty());
        }
        3 => {
            let Ok(names) = wire::decode_names(body) else { return };
            assert!(names.len() <= sync::MAX_UNREAD);
            assert_eq!(wire::encode_names(&names), body);
            assert_eq!(wire::unread_digest(&names).is_none(), names.is_empty());
        }
        _ => {
            let Ok(reply) = wire::decode_unread(body) else { return };
            assert_eq!(wire::encode_unread(&reply), body);
        }
    }
}
