//! Laws of what travels, on whatever chance makes.

use journal::{
    BootId, DeviceId, Draft, EntryHash, Head, Heads, Incarnation, PersonId, PhotoHash, Range, Sealed, Signature, SigningKey, SiteId, Stamp,
    Subject, Value, Writer,
};
use proptest::prelude::*;
use sync::pairing::{Address, Code, Fingerprint, Invitation, qr_text};
use sync::server_side::{PhotoRule, photo_rule, pull_answer};
use sync::wire::{self, Unread, UnreadReply};
use sync::{CertifiedSeries, EntriesReceipt, PhotoReceipt};

/// A series of transactions of these sizes, each entry with so many bytes of text.
fn series(n: u8, sizes: &[(usize, usize)]) -> Vec<Sealed> {
    let key = SigningKey::from_seed([n; 32]);
    let mut writer = Writer::new(SiteId([0x51; 16]), DeviceId([n; 16]), Incarnation::of(&key.public()), None, 0);
    let stamp = Stamp { wall_ms: 0, boot: BootId([1; 16]), uptime_ms: 1, person: PersonId("ana-r".into()) };
    let mut all = Vec::new();
    let mut write = |drafts| {
        let tx = writer.transaction(&stamp, drafts, &key).expect("written");
        writer.advance(&tx);
        all.extend(tx);
    };
    write(vec![Draft::series_begin(DeviceId([n; 16]), &key, "K", "tablet")]);
    for (size, bytes) in sizes {
        let body = Value::Text("x".repeat(*bytes));
        let draft = Draft { kind: "note".into(), version: 1, subject: Subject("job/j/notes".into()), basis: vec![], body };
        write(vec![draft; *size]);
    }
    all
}

fn sizes() -> impl Strategy<Value = Vec<(usize, usize)>> {
    prop::collection::vec((1..5_usize, 0..100_000_usize), 0..12)
}

fn unread() -> impl Strategy<Value = Vec<Unread>> {
    let one = (prop::collection::vec(any::<u8>(), 0..60), any::<Option<[u8; 32]>>())
        .prop_map(|(bytes, sig)| Unread { bytes, sig: sig.map(|half| Signature([half, half].concat().try_into().expect("64"))) });
    prop::collection::vec(one, 0..6)
}

proptest! {
    #[test]
    fn a_push_is_read_as_it_was_sent(sizes in prop::collection::vec((1..4_usize, 0..300_usize), 0..6)) {
        let all = series(1, &sizes);
        let batch = wire::decode_push(&wire::encode_push(&all)).expect("sound");
        prop_assert_eq!(batch.entries, all);
        prop_assert!(batch.unreadable.is_empty());
    }

    #[test]
    fn a_message_takes_whole_transactions_and_as_many_as_fit(sizes in sizes()) {
        let all = series(1, &sizes);
        let n = wire::fit(&all);
        prop_assert!(wire::encode_push(&all[..n]).len() <= sync::MAX_BODY);
        prop_assert!(n > 0 && all[n - 1].entry.tx_left == 0);
        let next = all[n..].iter().position(|s| s.entry.tx_left == 0).map(|at| n + at + 1);
        prop_assert!(next.is_none_or(|next| all[..next].iter().map(wire::cost).sum::<usize>() > sync::MAX_BODY - 16));
    }

    #[test]
    fn pulls_one_after_the_other_bring_everything_once(a in sizes(), b in sizes()) {
        let books = [series(1, &a), series(2, &b)];
        let ours: Heads = books.iter().filter_map(|s| s.last()).map(|s| (s.entry.incarnation, Head { seq: s.entry.seq, hash: s.hash })).collect();
        let read = |series: &Incarnation, from: u64, max: usize| {
            let all = books.iter().find(|s| s[0].entry.incarnation == *series).expect("ours");
            let rest = &all[from as usize - 1..];
            let (mut bytes, mut whole) = (0, 0);
            for (n, sealed) in rest.iter().enumerate() {
                bytes += sealed.bytes.len();
                if bytes > max && whole > 0 { break }
                if sealed.entry.tx_left == 0 { whole = n + 1; }
            }
            Ok::<_, ()>(rest[..whole].to_vec())
        };
        let (mut theirs, mut got) = (Heads::default(), Vec::new());
        for _ in 0..40 {
            let wanted = ours.missing_from(&theirs);
            if wanted.is_empty() { break }
            let (entries, _) = pull_answer(&ours, &wanted, read).expect("readable");
            prop_assert!(!entries.is_empty() && wire::encode_pull(&entries, true).len() <= sync::MAX_BODY);
            for sealed in &entries {
                prop_assert_eq!(theirs.seq(&sealed.entry.incarnation) + 1, sealed.entry.seq);
                theirs.0.insert(sealed.entry.incarnation, Head { seq: sealed.entry.seq, hash: sealed.hash });
            }
            got.extend(entries);
        }
        prop_assert_eq!(theirs, ours);
        prop_assert_eq!(got.len(), books[0].len() + books[1].len());
    }

    #[test]
    fn ranges_and_names_are_read_as_they_were_sent(ranges in prop::collection::btree_map(any::<[u8; 16]>(), (1..1000_u64, 0..1000_u64), 0..20), names in prop::collection::vec(any::<[u8; 32]>(), 0..20)) {
        let ranges: Vec<_> = ranges.into_iter().map(|(s, (from, more))| (Incarnation(s), Range { from, to: from + more })).collect();
        prop_assert_eq!(wire::decode_ranges(&wire::encode_ranges(&ranges)), Ok(ranges));
        let names: Vec<_> = names.into_iter().map(EntryHash).collect();
        prop_assert_eq!(wire::decode_names(&wire::encode_names(&names)), Ok(names.clone()));
        let turned: Vec<_> = names.iter().rev().chain(&names).copied().collect();
        prop_assert_eq!(wire::unread_digest(&turned), wire::unread_digest(&names), "a set has one digest");
    }

    #[test]
    fn what_nobody_can_read_travels_as_it_came(entries in unread(), wanted in prop::collection::vec(any::<[u8; 32]>(), 0..6)) {
        let reply = UnreadReply { wanted: wanted.into_iter().map(EntryHash).collect(), entries: entries.clone() };
        prop_assert_eq!(wire::decode_unread(&wire::encode_unread(&reply)), Ok(reply));
        let batch = wire::decode_push(&wire::encode_push_unread(&entries)).expect("sound");
        let came: Vec<Unread> = batch.unreadable.into_iter().map(Into::into).collect();
        prop_assert_eq!(&came, &entries);
        for (a, b) in entries.iter().zip(entries.iter().skip(1)) {
            prop_assert_eq!(a.name() == b.name(), a == b);
        }
    }

    #[test]
    fn a_photo_gets_through_in_whatever_pieces(total in 1..400_u64, pieces in prop::collection::vec((0..400_u64, 1..120_usize), 0..40)) {
        let mut held = 0;
        // Pieces from anywhere, then honestly on from what is told.
        for (offset, len) in pieces {
            if let PhotoRule::Append { skip } = photo_rule(held, offset, len, total) {
                prop_assert_eq!(offset + skip as u64, held);
                held = offset + len as u64;
            }
            prop_assert!(held <= total);
        }
        let mut rounds = 0;
        while held < total {
            let len = 7.min((total - held) as usize);
            prop_assert_eq!(photo_rule(held, held, len, total), PhotoRule::Append { skip: 0 });
            held += len as u64;
            rounds += 1;
            prop_assert!(rounds <= 60);
        }
        prop_assert_eq!(photo_rule(held, held, 0, total), PhotoRule::Finish);
    }

    #[test]
    fn a_receipt_holds_for_what_it_says_and_for_no_other(seq in 1..u64::from(u32::MAX), hash in any::<[u8; 32]>(), at_ms in any::<i64>(), seed in any::<[u8; 32]>()) {
        let key = SigningKey::from_seed(seed);
        let server = key.public();
        let receipt = EntriesReceipt::sign(&key, Incarnation([4; 16]), Head { seq, hash: EntryHash(hash) }, at_ms);
        prop_assert!(receipt.verify(&server).is_ok());
        let text = serde_json::to_string(&receipt).expect("plain");
        prop_assert_eq!(serde_json::from_str::<EntriesReceipt>(&text).ok(), Some(receipt.clone()));
        for other in [
            EntriesReceipt { seq: seq + 1, ..receipt.clone() },
            EntriesReceipt { at_ms: at_ms.wrapping_add(1), ..receipt.clone() },
            EntriesReceipt { incarnation: Incarnation([5; 16]), ..receipt.clone() },
        ] {
            prop_assert!(other.verify(&server).is_err());
        }
        let photo = PhotoReceipt::sign(&key, PhotoHash(hash), seq, at_ms);
        prop_assert!(photo.verify(&server).is_ok());
        let (swapped, longer) = (PhotoReceipt { sig: receipt.sig, ..photo.clone() }, PhotoReceipt { bytes: seq + 1, ..photo });
        prop_assert!(swapped.verify(&server).is_err() && longer.verify(&server).is_err());
    }

    #[test]
    fn only_the_identity_key_certifies_a_series(identity in any::<[u8; 32]>(), series in any::<[u8; 32]>(), other in any::<[u8; 32]>()) {
        prop_assume!(identity != other && series != other);
        let (identity, other) = (SigningKey::from_seed(identity), SigningKey::from_seed(other));
        let good = CertifiedSeries::sign(&identity, SigningKey::from_seed(series).public());
        prop_assert!(good.verify(&identity.public()).is_ok() && good.verify(&other.public()).is_err());
        let swapped = CertifiedSeries { key: other.public(), ..good };
        prop_assert!(swapped.verify(&identity.public()).is_err());
    }

    #[test]
    fn every_square_is_read_as_it_is_shown(host in "[a-z0-9][a-z0-9.-]{0,40}", port in 1..=u16::MAX, random in any::<[u8; 10]>(), key in any::<[u8; 32]>()) {
        let address = Address::parse(&format!("{host}:{port}")).expect("a host and a port");
        let code = Code::from_random(random);
        prop_assert_eq!(Code::parse(&code.shown().to_lowercase()), Ok(code.clone()));
        let read = Invitation::parse(&qr_text(&address, &Fingerprint(key), &code)).expect("a square");
        prop_assert_eq!((read.address, read.fingerprint, read.code), (address, Some(Fingerprint(key)), code));
    }
}
