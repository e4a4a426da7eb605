//! The bytes of one sealed transaction, frozen. If this test fails, the format has changed: that is never allowed.

mod common;

use common::*;
use journal::{Draft, Sealed, Signature, Subject, Value, content_root, limits};

/// Two entries: `series-begin`, then a gap that names a basis. Lines: bytes, hash, signature of each.
const GOLDEN: &str = include_str!("golden/entries.hex");

fn built() -> Vec<Sealed> {
    let (mut writer, mut all) = begun();
    let basis = vec![some_hash(2), some_hash(1), some_hash(2)];
    let body = map([
        ("gap", map([("num", Value::Int(195)), ("den", Value::Int(16)), ("unit", Value::Text("in".into()))])),
        ("read_twice", Value::Bool(false)),
        ("below", Value::Int(-25)),
        ("none", Value::Null),
        ("raw", Value::Bytes(vec![0xde, 0xad])),
        ("list", Value::Array(vec![Value::Int(24), Value::Int(65_536), Value::Int(i64::MIN)])),
    ]);
    let draft = Draft { kind: "gap".into(), version: 1, subject: Subject("job/j1/gap/12".into()), basis, body };
    let tx = writer.transaction(&stamp(), vec![draft], &key()).expect("written");
    writer.advance(&tx);
    all.extend(tx);
    all
}

fn lines(all: &[Sealed]) -> String {
    let line = |s: &Sealed| {
        let sig = s.sig.map(Signature::to_hex).unwrap_or_default();
        format!("{}\n{}\n{}\n", hex::encode(&s.bytes), s.hash, sig)
    };
    all.iter().map(line).collect()
}

#[test]
fn the_bytes_the_hash_and_the_signature_are_the_frozen_ones() {
    let built = lines(&built());
    println!("comparing {} lines of hexadecimal with tests/golden/entries.hex", GOLDEN.lines().count());
    assert_eq!(built.lines().collect::<Vec<_>>(), GOLDEN.lines().collect::<Vec<_>>());
}

#[test]
fn the_frozen_bytes_open_and_chain() {
    let lines: Vec<&str> = GOLDEN.lines().collect();
    let all: Vec<Sealed> =
        lines.chunks(3).map(|l| Sealed::open(hex::decode(l[0]).expect("hex"), Signature::from_hex(l[2])).expect("opens")).collect();
    for (sealed, line) in all.iter().zip(lines.chunks(3)) {
        assert_eq!(sealed.hash.to_hex(), line[1]);
    }
    assert_eq!(all, built());
    assert_eq!(tail().accept_all(&all), (2, None));
    println!("{} frozen entries open, hash and chain as when they were written", all.len());
}

/// Read by hand from RFC 8949: a check that doesn't go through our own encoder.
#[test]
fn the_frozen_bytes_begin_as_rfc_8949_says() {
    let bytes = hex::decode(GOLDEN.lines().next().expect("a line")).expect("hex");
    assert_eq!(bytes[..3], [0xb1, 0x00, 0x01], "map of 17 pairs, key 0, format 1");
    assert_eq!(bytes[3..6], [0x01, 0x50, 0x51], "key 1, 16 bytes, the site begins");
    let at = 3 + 3 * 18;
    assert_eq!(bytes[at..at + 4], [0x04, 0x01, 0x05, 0xf6], "key 4, seq 1, key 5, nothing before it");
    assert_eq!(bytes[at + 4..at + 8], [0x06, 0x00, 0x07, 0x01], "key 6, last of its transaction, key 7, counter 1");
    assert_eq!(
        bytes[at + 8..at + 18],
        [0x08, 0x1b, 0x00, 0x00, 0x01, 0x9e, 0x70, 0x44, 0x88, 0x00],
        "key 8, wall clock 1780000000000 ms in 8 bytes"
    );
}

/// The table in the document, row by row: offset and bytes, and no byte of the entry without a row.
#[test]
fn the_protocol_document_shows_the_frozen_bytes() {
    let document = include_str!("../../../docs/protocol.md");
    let bytes = hex::decode(GOLDEN.lines().nth(3).expect("the second entry")).expect("hex");
    let plain = |text: &str| hex::decode(text.replace(' ', "")).expect("hex in the document");
    let rows: Vec<(usize, &str)> = document
        .lines()
        .filter_map(|line| {
            let mut cells = line.trim_matches('|').split('|').map(str::trim);
            Some((cells.next()?.parse().ok()?, cells.next()?.trim_matches('`')))
        })
        .collect();
    let mut next = 0;
    for (index, (at, text)) in rows.iter().enumerate() {
        assert_eq!(*at, next, "row {index} begins where the last one ended");
        next = rows.get(index + 1).map_or(bytes.len(), |row| row.0);
        let row = &bytes[*at..next];
        match text.split_once('…') {
            None => assert_eq!(plain(text), row, "row {index}"),
            Some((start, end)) => {
                assert!(row.starts_with(&plain(start)) && row.ends_with(&plain(end)), "row {index}");
            }
        }
    }
    println!("{} rows of docs/protocol.md cover all {} bytes", rows.len(), bytes.len());
    assert_eq!(rows.len(), 18);
}

#[test]
fn the_content_root_is_frozen_and_covers_everything() {
    let (a, b) = (some_hash(1), some_hash(2));
    let root = |parts: &[(&str, &[journal::EntryHash])], words, lang, rules| hex::encode(content_root(parts, words, lang, rules));
    let good = root(&[("gap/12", &[a, b]), ("piece", &[])], "I measured it.", "en", "1");
    assert_eq!(good, include_str!("golden/root.hex").trim());
    assert_eq!(good, root(&[("piece", &[]), ("gap/12", &[b, a, a])], "I measured it.", "en", "1"), "order");
    let others = [
        root(&[("gap/12", &[a]), ("piece", &[])], "I measured it.", "en", "1"),
        root(&[("gap/12", &[a, b])], "I measured it.", "en", "1"),
        root(&[("gap/12", &[]), ("piece", &[a, b])], "I measured it.", "en", "1"),
        root(&[("gap/12", &[a, b]), ("piece", &[])], "I measured it", "en", "1"),
        root(&[("gap/12", &[a, b]), ("piece", &[])], "I measured it.", "pl", "1"),
        root(&[("gap/12", &[a, b]), ("piece", &[])], "I measured it.", "en", "2"),
    ];
    for other in &others {
        assert_ne!(&good, other);
    }
    println!("{} changes of what was on the screen each give another root", others.len());
}

#[test]
fn the_limits_are_the_documented_ones() {
    assert_eq!(limits::MAX_ENTRY_BYTES, 262_144);
    assert_eq!([limits::MAX_DEPTH, limits::MAX_SUBJECT_BYTES, limits::MAX_PERSON_BYTES, limits::MAX_BASIS], [16, 256, 64, 1024]);
    assert_eq!(limits::MAX_TRANSACTION, 1024);
}
