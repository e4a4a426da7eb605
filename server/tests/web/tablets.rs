//! Pairing and syncing over real TLS.

use crate::crew::{self, code, job_with_gap, pair, pair_with};
use crate::fixture::{As, Fixture};
use journal::PhotoHash;
use serde_json::json;
use sync::message::{PhotoReply, PushReply};
use sync::{MAX_PHOTO, PHOTO_PIECE};

#[test]
fn a_code_pairs_one_tablet_and_each_refusal_has_its_own_sentence() {
    let fixture = Fixture::new();
    let good = code(&fixture);
    let got = pair_with(&fixture, &good, 1, "K1");
    assert_eq!(got.status, 200);
    let token = got.json()["token"].as_str().unwrap().to_owned();
    assert_eq!(token.len(), 64);
    let used = pair_with(&fixture, &good, 2, "K2");
    let old = code(&fixture);
    fixture.app().codes().withdraw_all();
    let expired = pair_with(&fixture, &old, 3, "K3");
    let invented = sync::pairing::Code::parse("AAAAA-BBBBB").unwrap();
    let wrong = pair_with(&fixture, &invented, 4, "K4");
    for (got, expected) in [(used, "code-used"), (expired, "code-expired"), (wrong, "code-wrong")] {
        println!("{}", got.json()["words"]);
        assert_eq!((got.status, got.code().as_str()), (403, expected));
    }
    assert!(fixture.app().with_now(|t| Ok(t.tablets().states().len())).unwrap() == 1, "nobody else got in");
    let kept = std::fs::read_dir(fixture.dir.path().join("trailer/store")).unwrap().filter_map(|f| std::fs::read(f.unwrap().path()).ok());
    for bytes in kept {
        assert!(!bytes.windows(64).any(|w| w == token.as_bytes()), "the token itself is kept nowhere");
    }
}

#[test]
fn guessing_codes_is_slowed_and_a_taken_name_leaves_the_code_good() {
    let fixture = Fixture::new();
    pair(&fixture, 1, "K1");
    let good = code(&fixture);
    let taken = pair_with(&fixture, &good, 2, "k1");
    assert_eq!((taken.status, taken.code().as_str()), (409, "tablet-name-taken"));
    let invented = sync::pairing::Code::parse("AAAAA-BBBBB").unwrap();
    let mut last = None;
    for _ in 0..6 {
        last = Some(pair_with(&fixture, &invented, 3, "K3"));
    }
    let slowed = last.unwrap();
    println!("{}", slowed.json()["words"]);
    assert_eq!((slowed.status, slowed.code().as_str()), (429, "code-slow-down"));
    assert!(slowed.header("retry-after").unwrap().parse::<u64>().unwrap() > 0);
    let fresh = code(&fixture);
    assert_eq!(pair_with(&fixture, &fresh, 2, "K2").status, 200, "a new code at the board ends the wait");
}

#[test]
fn the_same_push_twice_is_stored_once_and_receipted_twice() {
    let fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let mut entries = job_with_gap(&mut k1, "20 1/2");
    entries
        .extend(k1.write("ana-r", vec![("from-next-year", format!("job/{}/new-thing", crew::JOB), vec![], json!({ "colour": "ember" }))]));
    let first: PushReply = serde_json::from_slice(&k1.push(&fixture, &entries).body).unwrap();
    let second: PushReply = serde_json::from_slice(&k1.push(&fixture, &entries).body).unwrap();
    println!("first {} stored, {} known; second {} stored, {} known", first.stored, first.known, second.stored, second.known);
    let n = entries.len() as u64;
    assert_eq!((first.stored, first.known, second.stored, second.known), (n, 0, 0, n));
    for reply in [first, second] {
        let receipt = reply.receipt.unwrap();
        receipt.verify(&k1.server).unwrap();
        assert_eq!((receipt.seq, receipt.hash), (n, entries.last().unwrap().hash));
        assert!(reply.quarantined.is_empty());
    }
    let k2 = pair(&fixture, 2, "K2");
    let got = k2.pull(&fixture);
    for sent in &entries {
        assert!(got.iter().any(|g| g.bytes == sent.bytes), "{} reaches the other tablet as it was written", sent.entry.kind);
    }
    assert!(got.iter().any(|g| g.entry.kind == "site-plan"), "and so does the plan");
    let plans: Vec<_> = got.iter().filter(|g| g.entry.kind == "site-plan").collect();
    assert!(!format!("{:?}", plans[0].entry.body).contains("481516"), "without a plain PIN");
}

#[test]
fn what_cannot_be_read_or_trusted_is_refused_or_kept_apart() {
    let fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let got = fixture.send(k1.who(), "POST", "/api/sync/push", "application/cbor", b"no entries at all");
    assert_eq!((got.status, got.code().as_str()), (400, "not-entries"));
    let mut forged = job_with_gap(&mut k1, "20 1/2");
    let last = forged.last_mut().unwrap();
    last.sig = Some(journal::Signature([7; 64]));
    let reply: PushReply = serde_json::from_slice(&k1.push(&fixture, &forged).body).unwrap();
    println!("{:?}", reply.quarantined);
    assert!(!reply.quarantined.is_empty(), "a forged signature is kept apart");
    assert_eq!(reply.receipt.unwrap().seq, 3, "and the receipt reaches only as far as what is good");
    let long = vec![0_u8; sync::MAX_BODY + 1];
    let got = fixture.send(k1.who(), "POST", "/api/sync/push", "application/cbor", &long);
    assert_eq!((got.status, got.code().as_str()), (413, "too-large"));
}

fn put(fixture: &Fixture, tablet: &crew::Tablet, hash: &PhotoHash, offset: u64, total: u64, bytes: &[u8]) -> crate::client::Answer {
    let path = format!("/api/sync/photo/{hash}?offset={offset}&total={total}");
    fixture.send(tablet.who(), "PUT", &path, "application/octet-stream", bytes)
}

fn photo(seed: u8, len: usize) -> (Vec<u8>, PhotoHash) {
    let bytes: Vec<u8> = (0..len).map(|i| (i as u8).wrapping_mul(31).wrapping_add(seed)).collect();
    let hash = PhotoHash(*blake3::hash(&bytes).as_bytes());
    (bytes, hash)
}

#[test]
fn an_upload_cut_in_the_middle_goes_on_over_a_restart() {
    let mut fixture = Fixture::new();
    let k1 = pair(&fixture, 1, "K1");
    let (bytes, hash) = photo(1, PHOTO_PIECE + 5000);
    let total = bytes.len() as u64;
    let first: PhotoReply = serde_json::from_slice(&put(&fixture, &k1, &hash, 0, total, &bytes[..PHOTO_PIECE]).body).unwrap();
    assert_eq!((first.offset, first.complete), (PHOTO_PIECE as u64, false));
    fixture.stop();
    fixture.start();
    let state: PhotoReply = serde_json::from_slice(&fixture.get(k1.who(), &format!("/api/sync/photo/{hash}")).body).unwrap();
    println!("after the restart: {state:?}");
    assert_eq!((state.offset, state.complete), (PHOTO_PIECE as u64, false), "the token and the upload outlive the restart");
    let again: PhotoReply = serde_json::from_slice(&put(&fixture, &k1, &hash, 0, total, &bytes[..PHOTO_PIECE]).body).unwrap();
    assert_eq!(again.offset, PHOTO_PIECE as u64, "a piece that came before changes nothing");
    let last: PhotoReply =
        serde_json::from_slice(&put(&fixture, &k1, &hash, PHOTO_PIECE as u64, total, &bytes[PHOTO_PIECE..]).body).unwrap();
    let receipt = last.receipt.unwrap();
    receipt.verify(&k1.server).unwrap();
    assert!(last.complete && receipt.photo == hash && receipt.bytes == total);
    let twice: PhotoReply = serde_json::from_slice(&put(&fixture, &k1, &hash, 0, total, &bytes[..PHOTO_PIECE]).body).unwrap();
    assert!(twice.complete, "the same upload again is fine");
    let stored = fixture.app().with_now(|t| Ok(t.store.photos().read(&hash, store::Size::Full).unwrap().unwrap())).unwrap();
    assert!(stored == bytes, "the original, byte for byte");
}

#[test]
fn an_upload_that_is_not_that_photo_begins_anew() {
    let fixture = Fixture::new();
    let k1 = pair(&fixture, 1, "K1");
    let (bytes, hash) = photo(2, 1000);
    let mut bent = bytes.clone();
    bent[500] ^= 1;
    let reply: PhotoReply = serde_json::from_slice(&put(&fixture, &k1, &hash, 0, 1000, &bent).body).unwrap();
    assert_eq!((reply.offset, reply.complete, reply.receipt.is_none()), (0, false, true), "one flipped bit is found");
    let reply: PhotoReply = serde_json::from_slice(&put(&fixture, &k1, &hash, 0, 1000, &bytes).body).unwrap();
    assert!(reply.complete);
}

#[test]
fn uploads_beyond_the_limits_are_refused() {
    let fixture = Fixture::new();
    let k1 = pair(&fixture, 1, "K1");
    let (bytes, hash) = photo(3, PHOTO_PIECE + 1);
    for (offset, total, piece, status, code) in [
        (0, MAX_PHOTO + 1, &bytes[..10], 413, "photo-too-long"),
        (MAX_PHOTO + 1, MAX_PHOTO, &bytes[..10], 413, "photo-too-long"),
        (0, MAX_PHOTO, &bytes[..], 413, "too-large"),
        (0, 5, &bytes[..10], 400, "bad-piece"),
        (0, 0, &bytes[..0], 400, "bad-piece"),
    ] {
        let got = put(&fixture, &k1, &hash, offset, total, piece);
        println!("offset {offset}, total {total}, piece {}: {} {}", piece.len(), got.status, got.json()["words"]);
        assert_eq!((got.status, got.code().as_str()), (status, code));
    }
    let held: PhotoReply = serde_json::from_slice(&fixture.get(k1.who(), &format!("/api/sync/photo/{hash}")).body).unwrap();
    assert_eq!(held.offset, 0, "nothing of it was stored");
    let got = fixture.get(As { token: Some(&k1.token), ..As::default() }, "/api/sync/photo/not-a-hash");
    assert_eq!(got.status, 404);
}

/// A tablet that greets again with nothing new is heard, and nothing is written for it.
#[test]
fn a_greeting_with_nothing_new_writes_nothing() {
    let fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    k1.push(&fixture, &entries);
    let written = || fixture.app().with_now(|t| Ok(t.store.setting("server/tablets").unwrap())).unwrap();
    let known = || fixture.app().with_now(|t| Ok(t.tablets().states()[0].heard_ms)).unwrap();
    k1.hello(&fixture, 0);
    let (first, heard) = (written(), known());
    std::thread::sleep(std::time::Duration::from_millis(5));
    let answer = k1.hello(&fixture, 0);
    assert_eq!(written(), first, "nothing is written");
    assert!(known() > heard, "and it is heard all the same");
    k1.hello(&fixture, 3);
    assert_ne!(written(), first, "something new is written at once");
    println!("{answer}");
    // Another series of the same tablet must be paired first.
    let mut other = k1.says(0, journal::BootId([1; 16]), 1_790_000_000_000);
    other["incarnation"] = json!(journal::Incarnation([9; 16]));
    let other = fixture.post(k1.who(), "/api/sync/hello", &other);
    assert_eq!((other.status, other.code().as_str()), (409, "pair-again"));
}

/// Entries of a later format alone: kept and forwarded, no fault.
#[test]
fn what_only_a_later_program_can_read_is_kept_and_given_to_others() {
    let fixture = Fixture::new();
    let (mut k1, k2) = (pair(&fixture, 1, "K1"), pair(&fixture, 2, "K2"));
    let entries = job_with_gap(&mut k1, "20 1/2");
    let mut bytes = entries[0].bytes.clone();
    bytes[2] = 2;
    let later = sync::wire::Unread { bytes, sig: entries[0].sig };
    let body = sync::wire::encode_push_unread(std::slice::from_ref(&later));
    for _ in 0..2 {
        let got = fixture.send(k1.who(), "POST", "/api/sync/push", "application/cbor", &body);
        let reply: PushReply = serde_json::from_slice(&got.body).unwrap();
        assert_eq!((got.status, reply.unread, reply.stored, reply.receipt), (200, 1, 0, None));
    }
    let got = fixture.send(k2.who(), "POST", "/api/sync/unread", "application/cbor", &sync::wire::encode_names(&[]));
    let reply = sync::wire::decode_unread(&got.body).unwrap();
    assert_eq!((reply.entries, reply.wanted.len()), (vec![later.clone()], 0), "once, byte for byte");
    let names = [later.name(), journal::EntryHash([3; 32])];
    let got = fixture.send(k2.who(), "POST", "/api/sync/unread", "application/cbor", &sync::wire::encode_names(&names));
    let reply = sync::wire::decode_unread(&got.body).unwrap();
    assert_eq!((reply.entries.len(), reply.wanted), (0, vec![names[1]]), "only what each lacks");
    assert_eq!(k2.hello(&fixture, 0)["unread"], json!(true));
}
