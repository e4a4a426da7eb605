//! A small series to test with: everything in it is invented.
#![allow(dead_code)]

use journal::{BootId, DeviceId, Draft, EntryHash, Incarnation, PersonId, Sealed, SigningKey, SiteId, Stamp, Subject, Tail, Value, Writer};

pub const SITE: SiteId = SiteId([0x51; 16]);
pub const DEVICE: DeviceId = DeviceId([0xd0; 16]);

pub fn key() -> SigningKey {
    SigningKey::from_seed([7; 32])
}

pub fn incarnation() -> Incarnation {
    Incarnation::of(&key().public())
}

pub fn stamp() -> Stamp {
    Stamp { wall_ms: 1_780_000_000_000, boot: BootId([0xb0; 16]), uptime_ms: 65_536, person: PersonId("ana-r".into()) }
}

pub fn draft(subject: &str, mm: i64) -> Draft {
    Draft {
        kind: "gap".into(),
        version: 1,
        subject: Subject(subject.into()),
        basis: vec![],
        body: map([("num", Value::Int(mm)), ("den", Value::Int(1))]),
    }
}

pub fn map<const N: usize>(pairs: [(&str, Value); N]) -> Value {
    Value::Map(pairs.into_iter().map(|(k, v)| (k.to_owned(), v)).collect())
}

pub fn writer() -> Writer {
    Writer::new(SITE, DEVICE, incarnation(), None, 0)
}

/// A writer whose series holds `series-begin`, and that entry.
pub fn begun() -> (Writer, Vec<Sealed>) {
    let mut writer = writer();
    let begin = writer.transaction(&stamp(), vec![Draft::series_begin(DEVICE, &key(), "K4", "tablet")], &key()).expect("a series begins");
    writer.advance(&begin);
    (writer, begin)
}

/// `series-begin`, then transactions of the given sizes.
pub fn series(sizes: &[usize]) -> Vec<Sealed> {
    let (mut writer, mut all) = begun();
    for size in sizes {
        let drafts = (0..*size).map(|n| draft("job/j1/gap/12", n as i64)).collect();
        let tx = writer.transaction(&stamp(), drafts, &key()).expect("written");
        writer.advance(&tx);
        all.extend(tx);
    }
    all
}

pub fn tail() -> Tail {
    Tail::new(SITE, incarnation())
}

pub fn some_hash(n: u8) -> EntryHash {
    EntryHash([n; 32])
}
