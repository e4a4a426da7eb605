//! Every released layout opens for ever: `tests/compat/` holds stores as earlier programs wrote them. What an older program
//! does not understand it keeps, hashes and forwards untouched.
#![allow(clippy::unwrap_used, missing_docs)]

use job::view::{FieldState, GateState};
use journal::{EntryHash, Heads, Incarnation, Sealed, Signature, SigningKey};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use store::{Options, Size, Store};
use sync::wire;
use tempfile::TempDir;

const JOB: &str = "0193a0b0c0d0e0f00102030405060708";
const OTHER: &str = "0193a0b0c0d0e0f001020304050607ff";

fn frozen() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../compat/v1")
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for file in fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        let to = to.join(file.file_name());
        if file.path().is_dir() {
            copy(&file.path(), &to);
        } else {
            fs::copy(file.path(), to).unwrap();
        }
    }
}

fn opened() -> (TempDir, Store) {
    let dir = TempDir::new().unwrap();
    copy(&frozen().join("store"), dir.path());
    let store = Store::open(dir.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    (dir, store)
}

/// Lines of words, as the frozen lists hold them.
fn lines(name: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(frozen().join(name)).unwrap();
    text.lines().map(|l| l.split(' ').map(str::to_owned).collect()).collect()
}

fn series(store: &Store) -> BTreeMap<Incarnation, Vec<Sealed>> {
    store.heads().unwrap().0.keys().map(|i| (*i, store.read(i, 1, usize::MAX >> 1).unwrap())).collect()
}

#[test]
fn every_entry_of_the_frozen_store_is_there_byte_for_byte_and_it_verifies() {
    let (dir, mut store) = opened();
    let known = lines("entries.txt");
    for line in &known {
        let [series, seq, hash, sig] = line.as_slice() else { panic!("{line:?}") };
        let sealed = store.entry(&EntryHash::from_hex(hash).unwrap()).unwrap().unwrap_or_else(|| panic!("entry {seq} of {series} is lost"));
        assert_eq!(blake3::hash(&sealed.bytes).to_hex().as_str(), hash);
        assert_eq!((sealed.entry.incarnation.to_hex(), sealed.entry.seq.to_string()), (series.clone(), seq.clone()));
        assert_eq!(sealed.sig.map_or("-".to_owned(), Signature::to_hex), *sig);
    }
    assert_eq!((known.len() as u64, store.entries().unwrap()), (65, 65));
    let refused: Vec<Vec<String>> = store
        .quarantine()
        .unwrap()
        .iter()
        .map(|q| format!("{} {} {} {}", q.incarnation, q.seq, q.hash, q.reason))
        .map(|l| l.split(' ').map(str::to_owned).collect())
        .collect();
    assert_eq!(refused, lines("quarantine.txt"), "what was refused is told as it was then");
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{:?}", report.faults);
    assert_eq!((report.series, report.photos, report.photos_missing), (3, 2, 3));
    for (hash, length) in [
        ("38b91094b744e4d1f91bc840efad28fc732181ad7e3f2a02f60149d377c0c93c", 436),
        ("2744c3e56cb1608e5b293fc13865a0c197f2350ae6fb836276de1cabf926c9ed", 286),
    ] {
        let hash = journal::PhotoHash::from_hex(hash).unwrap();
        assert_eq!(store.photos().read(&hash, Size::Full).unwrap().map(|b| b.len()), Some(length));
        assert!(store.photos().read(&hash, Size::Small).unwrap().is_some() && store.photo_state(&hash).unwrap().here);
    }
    let stands = store.state_bytes().unwrap();
    store.rebuild().unwrap();
    assert_eq!(store.state_bytes().unwrap(), stands);
    drop(store);
    let again = Store::open(dir.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    assert_eq!(again.state_bytes().unwrap(), stands, "opened twice it is the same");
    println!("65 entries of 3 series, 3 refused, 2 photos: as they were written; {} bytes of state", stands.len());
}

#[test]
fn the_frozen_store_means_what_it_meant() {
    let (_dir, store) = opened();
    let view = store.job(JOB).unwrap().unwrap();
    assert_eq!((view.number.as_str(), view.entries), ("K4-001", 53));
    let state = |field: &str| view.fields[field].state;
    assert_eq!((state("gap/3"), state("gap/6"), state("gap/12")), (FieldState::TwoAnswers, FieldState::Agreed, FieldState::Agreed));
    assert!(view.fields["gap/6"].answers[0].settled.is_some(), "settled by a supervisor");
    let gates: BTreeMap<&str, (GateState, usize, usize)> =
        view.gates.iter().map(|g| (g.gate.as_str(), (g.state, g.signs.iter().filter(|s| s.good).count(), g.signs.len()))).collect();
    println!("{gates:?}");
    assert_eq!(gates["gap"], (GateState::Shut, 0, 2), "signed before a change: stale");
    for (gate, signs) in [("place", 2), ("before-work", 2), ("material", 1), ("fit-up", 2), ("visual", 1)] {
        assert_eq!(gates[gate], (GateState::Open, signs, signs), "{gate}");
    }
    assert!(view.lists["notes"].iter().any(|n| n.struck.is_some()));
    let plan = store.plan().unwrap().unwrap();
    assert_eq!((plan.silent_after_min, plan.people.len()), (120, 10), "the later plan stands");
    let guard =
        store.photo_state(&journal::PhotoHash::from_hex("38b91094b744e4d1f91bc840efad28fc732181ad7e3f2a02f60149d377c0c93c").unwrap());
    assert_eq!(guard.unwrap().receipt_ms, Some(1_790_160_000_000));
    let k4 = Incarnation::of(&SigningKey::from_seed([4; 32]).public());
    assert_eq!(store.setting(&format!("receipt/{k4}")).unwrap().as_deref(), Some("{\"at_ms\":1790150000000,\"seq\":12}"));
    let names: Vec<String> = store.device_list().unwrap().into_iter().map(|d| d.name).collect();
    assert_eq!(names, ["K2", "K4", "trailer"]);
}

/// An unknown kind, a later version of a known one, an unknown member: read-only, kept, sent on untouched to a store that
/// ends up with the same bytes.
#[test]
fn what_is_not_understood_is_kept_and_forwarded_untouched() {
    let (_dir, store) = opened();
    let view = store.job(OTHER).unwrap().unwrap();
    for field in ["rope-access", "gap/3"] {
        assert_eq!(view.fields[field].state, FieldState::NotUnderstood, "{field} is shown, and may not be answered over");
    }
    let kept = &view.fields["gap/12"];
    assert_eq!((kept.state, kept.answers[0].body["laser"].as_bool()), (FieldState::Agreed, Some(true)), "a further member is kept");
    let all = series(&store);
    let dir = TempDir::new().unwrap();
    let mut other = Store::open(dir.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    other.set_site(store.site().unwrap().unwrap()).unwrap();
    let mut sent = 0;
    for entries in all.values() {
        let body = wire::encode_push(entries);
        let batch = wire::decode_push(&body).unwrap();
        assert!(batch.unreadable.is_empty());
        sent += batch.entries.len();
        let got = other.accept(batch.entries).unwrap();
        assert!(got.quarantined.is_empty() && got.wanted.is_empty());
    }
    assert_eq!(other.state_bytes().unwrap(), store.state_bytes().unwrap(), "the same is shown there");
    for (incarnation, entries) in &all {
        let there = other.read(incarnation, 1, usize::MAX >> 1).unwrap();
        assert!(there.iter().zip(entries).all(|(a, b)| a.bytes == b.bytes && a.sig == b.sig) && there.len() == entries.len());
    }
    println!("{sent} entries forwarded, 4 of them not understood: the same bytes, hashes and signatures there");
}

/// An entry of a later format is not even an entry here: it travels as it came.
#[test]
fn an_entry_of_a_later_format_travels_as_it_came() {
    let (_dir, store) = opened();
    let last = series(&store).into_values().last().unwrap().pop().unwrap();
    let mut bytes = last.bytes.clone();
    bytes[2] = 2;
    let sig = Some(Signature([7; 64]));
    let body = wire::encode_push_unread(&[wire::Unread { bytes: bytes.clone(), sig }]);
    let batch = wire::decode_push(&body).unwrap();
    let [unread] = batch.unreadable.as_slice() else { panic!("{batch:?}") };
    println!("{}", unread.why);
    let again = wire::encode_push_unread(&[unread.clone().into()]);
    assert_eq!((again, &unread.bytes, unread.sig), (body, &bytes, sig));
}

/// Messages as the first program sent them. Lists of entries and receipts are the same for ever; the words of an exchange
/// may grow, and a program that no longer speaks them says so instead of guessing.
#[test]
fn the_frozen_messages_are_read_or_refused_in_words() {
    let read = |name: &str| fs::read(frozen().join("wire").join(name)).unwrap();
    let push = wire::decode_push(&read("push.cbor")).unwrap();
    assert_eq!((push.entries.len(), wire::encode_push(&push.entries)), (10, read("push.cbor")));
    let pull = wire::decode_pull(&read("pull.cbor")).unwrap();
    assert_eq!((pull.entries.len(), pull.more, wire::encode_pull(&pull.entries, true)), (4, true, read("pull.cbor")));
    let server = SigningKey::from_seed([9; 32]).public();
    let push: sync::message::PushReply = serde_json::from_slice(&read("push-reply.json")).unwrap();
    push.receipt.unwrap().verify(&server).unwrap();
    assert_eq!((push.stored, push.known, push.quarantined.len()), (3, 1, 1));
    let photo: sync::message::PhotoReply = serde_json::from_slice(&read("photo-reply.json")).unwrap();
    photo.receipt.unwrap().verify(&server).unwrap();
    let done: sync::message::Done = serde_json::from_slice(&read("done.json")).unwrap();
    assert_eq!((done.seq, done.photos_waiting), (40, 1));
    let heard: sync::message::DoneReply = serde_json::from_slice(&read("done-reply.json")).unwrap();
    assert_eq!(heard.heard_ms, 1_790_150_001_000);
    let square = String::from_utf8(read("qr.txt")).unwrap();
    assert_eq!(sync::pairing::Invitation::parse(&square).unwrap().code.shown(), "ABCDE-FGH23");
    // Before hello by digest, and before a tablet proved that it holds its key: refused by name of what is missing.
    for (name, wants) in [("hello.json", "boot"), ("hello-reply.json", "same"), ("pair-request.json", "key_sig")] {
        let why = match name {
            "hello.json" => serde_json::from_slice::<sync::message::Hello>(&read(name)).err(),
            "hello-reply.json" => serde_json::from_slice::<sync::message::HelloReply>(&read(name)).err(),
            _ => serde_json::from_slice::<sync::message::PairRequest>(&read(name)).err(),
        };
        let why = why.unwrap_or_else(|| panic!("{name} is read as if it were of today")).to_string();
        println!("{name}: {why}");
        assert!(why.contains(wants), "{why}");
    }
    assert!(Heads::decode(&[0xff]).is_err());
}
