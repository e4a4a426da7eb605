//! One entry's bytes.

use job::{Devices, JobFold};
use journal::{Sealed, Tail, Value, cbor};

/// The bytes of one entry, without a signature.
pub fn check(bytes: &[u8]) {
    let Ok(sealed) = Sealed::open(bytes.to_vec(), None) else { return };
    assert_eq!(sealed.bytes, bytes, "the bytes are kept as they came");
    assert_eq!(sealed.hash.0, *blake3::hash(bytes).as_bytes(), "the hash is over the bytes as they came");
    assert!(bytes.len() <= journal::limits::MAX_ENTRY_BYTES);
    one_form(&sealed);
    unsigned(&sealed);
    body(&sealed.entry.body);
    folded(&sealed);
}

/// What can be read can be written, and gives the same bytes; members that only a later program knows come after ours.
fn one_form(sealed: &Sealed) {
    let again = sealed.entry.seal().expect("what opens keeps every rule of the writer");
    // A map head of 17 pairs is one byte; more than 23 pairs take two.
    let (head, ours) = (if sealed.bytes[0] & 31 < 24 { 1 } else { 2 }, &again.bytes[1..]);
    assert!(sealed.bytes[head..].starts_with(ours), "one meaning has one form");
    assert_eq!(sealed.bytes[0] == again.bytes[0], sealed.bytes == again.bytes, "further members are the only difference");
}

/// Without a signature nothing is ever whole.
fn unsigned(sealed: &Sealed) {
    let mut tail = Tail::new(sealed.entry.site, sealed.entry.incarnation);
    if tail.accept(sealed).is_ok() {
        assert!(!tail.is_whole(), "an entry without a signature was accepted");
    }
    let (accepted, _) = Tail::new(sealed.entry.site, sealed.entry.incarnation).accept_all(std::slice::from_ref(sealed));
    assert_eq!(accepted, 0, "an entry without a signature was accepted");
}

fn body(value: &Value) {
    let bytes = cbor::encode(value).expect("what was read is not too deep");
    assert_eq!(cbor::decode(&bytes).as_ref(), Ok(value));
    let json = value.to_json();
    let back = Value::from_json(&json).expect("a body holds no floats");
    assert_eq!(back.to_json(), json);
}

/// Whoever wrote it: it is shown, or shown as not understood.
fn folded(sealed: &Sealed) {
    let Some((job, field)) = job::fold::split_subject(&sealed.entry.subject.0) else { return };
    let mut devices = Devices::default();
    devices.insert(sealed);
    let mut fold = JobFold::new(job);
    fold.insert(sealed);
    assert_eq!(fold.len(), 1);
    drop(fold.view(&super::folds::PLAN, &devices));
    assert!(job::fold::spec(field).is_none_or(|s| s.step <= 12));
}
