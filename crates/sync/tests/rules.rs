//! Small rules: pairing texts, proofs, receipts, wire, photo offsets.

mod common;

use common::*;
use journal::{DeviceId, Head, PhotoHash};
use proptest::prelude::*;
use sync::message::PairReply;
use sync::pairing::{Address, Code, Fingerprint, Invitation, PairText, TabletSaw, proof_fits, qr_text, reply, reply_fits, request};
use sync::server_side::{PhotoRule, photo_rule, pull_answer};
use sync::{EntriesReceipt, PhotoReceipt, wire};

#[test]
fn codes_are_read_as_people_type_them() {
    let code = Code::parse("abcde-fgh23").expect("a code");
    assert_eq!((code.as_str(), code.shown().as_str()), ("ABCDEFGH23", "ABCDE-FGH23"));
    assert_eq!(Code::parse(" ABCDE FGH23 "), Ok(code.clone()));
    for bad in ["", "ABCDEFGH2", "ABCDEFGH234", "ABCDEFGH20", "OBCDEFGH23", "IBCDEFGH23", "1BCDEFGH23", "ÄBCDEFGH23"] {
        assert_eq!(Code::parse(bad), Err(PairText::Code), "{bad:?}");
    }
    assert_eq!(format!("{code:?}"), "Code(..)", "a code is never logged");
    assert_eq!(Code::from_random([0, 31, 32, 255, 8, 9, 10, 11, 12, 13]).as_str(), "A9A9JKLMNP");
}

#[test]
fn the_square_reads_back_and_everything_else_is_told_apart() {
    let (address, pin) = (Address::parse("192.168.4.2:8443").expect("an address"), Fingerprint([0xab; 32]));
    let code = Code::from_random([3; 10]);
    let text = qr_text(&address, &pin, &code);
    println!("{text}");
    let read = Invitation::parse(&text).expect("a square");
    assert_eq!((read.address, read.fingerprint, read.code), (address, Some(pin), code));
    assert!(Invitation::parse(&format!("{text}&later=1")).is_ok(), "a later program may add to it");
    let cases = [
        ("https://example.invalid", PairText::NotOurs),
        ("tubewright:pair?f=00&c=AAAAAAAAAA", PairText::Address),
        ("tubewright:pair?a=h:1&f=00&c=AAAAAAAAAA", PairText::Fingerprint),
        ("tubewright:pair?a=h:1", PairText::Fingerprint),
    ];
    for (text, why) in cases {
        assert_eq!(Invitation::parse(text), Err(why), "{text}");
    }
}

#[test]
fn an_address_is_a_host_and_a_port_and_nothing_else() {
    for (text, read) in [
        ("192.168.4.2:8443", "192.168.4.2:8443"),
        (" https://trailer.local/ ", "trailer.local:8443"),
        ("trailer", "trailer:8443"),
        ("[fe80::1]", "[fe80::1]:8443"),
        ("[fe80::1]:99", "[fe80::1]:99"),
    ] {
        assert_eq!(Address::parse(text).expect(text).as_str(), read);
    }
    for bad in
        ["", ":1", "a:", "a:0", "a:70000", "a:1/x", "user@a:1", "a b:1", "a:1?x", "a:1#x", "fe80::1", "[zz]:1", "-a:1", "a:+1", "a\\b"]
    {
        assert_eq!(Address::parse(bad), Err(PairText::Address), "{bad:?}");
    }
}

#[test]
fn each_value_is_under_the_proofs() {
    let (code, key, own) = (Code::from_random([7; 10]), key(1).public(), Fingerprint([5; 32]));
    let saw = TabletSaw { fingerprint: own, key: &key, device: DeviceId([1; 16]), name: "K4", nonce: [9; 32] };
    let asked = request(&code, &saw, &common::key(1));
    assert!(proof_fits(&code, &own, &asked));
    let other = common::key(2).public();
    let mut changed = vec![asked.clone(); 8];
    // The code is known, the key is not: signed by another, and not signed at all.
    changed[6] = request(&code, &TabletSaw { key: &other, ..saw.clone() }, &common::key(1));
    changed[7].key_sig = journal::Signature([0; 64]);
    changed[0].key = other;
    changed[1].device = DeviceId([2; 16]);
    changed[2].name = "K5".into();
    changed[3].nonce = "00".repeat(32);
    changed[4].nonce = "zz".into();
    changed[5].code_proof = "00".repeat(32);
    for change in &changed {
        assert!(!proof_fits(&code, &own, change), "{change:?}");
    }
    assert!(!proof_fits(&code, &Fingerprint([6; 32]), &asked) && !proof_fits(&Code::from_random([8; 10]), &own, &asked));
    let gives = PairReply { token: "t".into(), site: SITE, name: "Millrace".into(), server_key: other, proof: String::new() };
    assert!(reply(&code, &own, &changed[4], gives.clone()).is_none());
    let good = reply(&code, &own, &asked, gives).expect("well formed");
    assert!(reply_fits(&code, &saw, &good));
    let mut changed = vec![good.clone(); 5];
    changed[0].token = "u".into();
    changed[1].site = journal::SiteId([0; 16]);
    changed[2].name = "Other".into();
    changed[3].server_key = key;
    changed[4].proof = asked.code_proof.clone();
    for change in &changed {
        assert!(!reply_fits(&code, &saw, change), "{change:?}");
    }
    assert!(!reply_fits(&code, &TabletSaw { nonce: [8; 32], ..saw.clone() }, &good), "an old answer does not fit a new attempt");
    println!("15 changes of what was proved, each noticed");
}

#[test]
fn each_value_is_under_the_receipts() {
    let trailer = key(200);
    let head = Head { seq: 5, hash: journal::EntryHash([1; 32]) };
    let receipt = EntriesReceipt::sign(&trailer, journal::Incarnation([1; 16]), head, NOW);
    assert!(receipt.verify(&trailer.public()).is_ok() && receipt.verify(&key(1).public()).is_err());
    let mut changed = vec![receipt.clone(); 4];
    changed[0].incarnation.0[0] ^= 1;
    changed[1].seq += 1;
    changed[2].hash.0[0] ^= 1;
    changed[3].at_ms += 1;
    assert!(changed.iter().all(|r| r.verify(&trailer.public()).is_err()));
    let photo = PhotoReceipt::sign(&trailer, PhotoHash([1; 32]), 5, NOW);
    let mut changed = vec![photo.clone(); 3];
    changed[0].photo.0[0] ^= 1;
    changed[1].bytes += 1;
    changed[2].at_ms += 1;
    assert!(photo.verify(&trailer.public()).is_ok() && changed.iter().all(|r| r.verify(&trailer.public()).is_err()));
    let json = serde_json::to_string(&receipt).expect("json");
    assert_eq!(serde_json::from_str::<EntriesReceipt>(&json).expect("json"), receipt);
}

#[test]
fn a_photo_goes_on_where_it_stands() {
    let cases = [
        ((0, 0, 100, 300), PhotoRule::Append { skip: 0 }, "the first piece"),
        ((100, 100, 100, 300), PhotoRule::Append { skip: 0 }, "the next piece"),
        ((50, 0, 100, 300), PhotoRule::Append { skip: 50 }, "half of it came before"),
        ((100, 0, 100, 300), PhotoRule::Resync, "all of it came before"),
        ((100, 200, 100, 300), PhotoRule::Resync, "a piece between is missing"),
        ((0, 0, 0, 300), PhotoRule::Resync, "an empty piece"),
        ((300, 200, 100, 300), PhotoRule::Finish, "the last piece again"),
        ((300, 300, 0, 300), PhotoRule::Finish, "nothing left to send"),
        ((0, 250, 100, 300), PhotoRule::Refuse, "beyond the end"),
        ((0, 400, 0, 300), PhotoRule::Refuse, "begins beyond the end"),
        ((0, 0, 0, 0), PhotoRule::Refuse, "an empty photo"),
        ((0, 0, sync::PHOTO_PIECE + 1, 1 << 20), PhotoRule::Refuse, "too large a piece"),
        ((0, 0, 1, sync::MAX_PHOTO + 1), PhotoRule::Refuse, "too large a photo"),
        ((0, u64::MAX, 1, u64::MAX), PhotoRule::Refuse, "numbers that would wrap"),
    ];
    for ((held, offset, len, total), rule, what) in cases {
        assert_eq!(photo_rule(held, offset, len, total), rule, "{what}");
    }
}

#[test]
fn a_pull_is_bounded_and_says_if_more_is_there() {
    let mut tablets = [Tablet::new(1), Tablet::new(2)];
    let mut books = Books::default();
    for tablet in &mut tablets {
        (0..5).for_each(|_| tablet.write(2, 120_000));
        books.accept(tablet.books.read(&tablet.incarnation(), 1, usize::MAX));
    }
    let (mut theirs, mut pulls) = (Books::default(), 0);
    loop {
        let read = |inc: &journal::Incarnation, from, max| Ok::<_, ()>(books.read(inc, from, max));
        let (entries, more) = pull_answer(&books.heads(), &books.heads().missing_from(&theirs.heads()), read).expect("read");
        assert!(wire::encode_pull(&entries, more).len() <= sync::MAX_BODY);
        assert!(theirs.accept(entries).quarantined.is_empty());
        pulls += 1;
        if !more {
            break;
        }
    }
    assert_eq!(theirs.heads(), books.heads());
    println!("2.4 MB in {pulls} bounded pulls");
    assert!(pulls >= 3);
}

/// A hostile tablet's transaction that fits no message must not keep the other crews' records back.
#[test]
fn a_transaction_too_large_for_a_message_holds_up_nobody_else() {
    let (mut tablets, mut books) = ([Tablet::new(1), Tablet::new(2)], Books::default());
    tablets.sort_by_key(Tablet::incarnation);
    for tablet in &mut tablets {
        tablet.write(1, 10);
        books.accept(tablet.books.read(&tablet.incarnation(), 1, usize::MAX));
    }
    let [first, second] = tablets.map(|t| t.incarnation());
    let read = |inc: &journal::Incarnation, from, max| {
        let mut piece = books.read(inc, from, max);
        if *inc == first {
            piece.iter_mut().for_each(|s| s.bytes.resize(sync::MAX_BODY, 0));
        }
        Ok::<_, ()>(piece)
    };
    let (entries, more) = pull_answer(&books.heads(), &books.heads().missing_from(&journal::Heads::default()), read).expect("read");
    println!("{} entries of the other series given", entries.len());
    assert!(!more && entries.len() == 2 && entries.iter().all(|s| s.entry.incarnation == second));
}

/// An entry of a later format among good ones: the good ones are read, the other's bytes are kept.
#[test]
fn an_unreadable_entry_does_not_spoil_the_others() {
    let tablet = Tablet::new(1);
    let good = tablet.books.read(&tablet.incarnation(), 1, 1).remove(0);
    let mut later = good.clone();
    later.bytes[2] = 2;
    let batch = wire::decode_push(&wire::encode_push(&[good.clone(), later.clone()])).expect("a push");
    assert_eq!(batch.entries, [good]);
    assert_eq!((batch.unreadable.len(), &batch.unreadable[0].bytes), (1, &later.bytes));
    println!("{}", batch.unreadable[0].why);
}

proptest! {
    #[test]
    fn no_panic_on_arbitrary_bodies(body in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = wire::decode_push(&body);
        let _ = wire::decode_pull(&body);
    }

    #[test]
    fn no_panic_on_changed_bodies(at in any::<prop::sample::Index>(), new in any::<[u8; 2]>(), cut in any::<prop::sample::Index>()) {
        let tablet = Tablet::new(1);
        let mut body = wire::encode_pull(&tablet.books.read(&tablet.incarnation(), 1, 1), true);
        prop_assert!(wire::decode_pull(&body[..cut.index(body.len())]).is_err());
        let at = at.index(body.len());
        for (to, from) in body[at..].iter_mut().zip(new) { *to = from; }
        let _ = wire::decode_pull(&body);
    }

    #[test]
    fn no_panic_on_arbitrary_texts(text in "\\PC{0,120}") {
        let _ = Invitation::parse(&text);
        let _ = Invitation::parse(&format!("tubewright:pair?{text}"));
        let _ = Invitation::by_hand(&text, &text);
    }

    #[test]
    fn a_photo_rule_never_leaves_the_file(held in 0..400_u64, offset in 0..400_u64, len in 0..400_usize, total in 0..400_u64) {
        if let PhotoRule::Append { skip } = photo_rule(held, offset, len, total) {
            prop_assert!(skip < len && offset + skip as u64 == held && offset + len as u64 <= total);
        }
    }
}
