//! The writer of a series: builds the next transaction, signed, without a clock, a disk or randomness.

use crate::chain::{Head, SERIES_BEGIN};
use crate::codec::EncodeError;
use crate::entry::{Entry, FORMAT, Sealed};
use crate::id::{BootId, DeviceId, EntryHash, Incarnation, PersonId, SiteId, Subject};
use crate::limits::{MAX_COUNT, MAX_TRANSACTION, MAX_TRANSACTION_BYTES};
use crate::sign::SigningKey;
use crate::value::Value;
use std::collections::BTreeMap;

/// When and by whom a transaction was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// Wall clock, milliseconds since 1970 UTC, as the device believes it.
    pub wall_ms: i64,
    /// The run of the device.
    pub boot: BootId,
    /// Milliseconds since that run began.
    pub uptime_ms: u64,
    /// Who is signed in.
    pub person: PersonId,
}

/// One entry to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Draft {
    /// Kind, e.g. `gap`.
    pub kind: String,
    /// Version of the kind.
    pub version: u32,
    /// What it is about.
    pub subject: Subject,
    /// The entries on screen that it builds on, in any order.
    pub basis: Vec<EntryHash>,
    /// The content.
    pub body: Value,
}

impl Draft {
    /// The first entry of the series that `key` signs. `role` is `tablet` or `server`.
    pub fn series_begin(device: DeviceId, key: &SigningKey, name: &str, role: &str) -> Self {
        let text = |t: &str| Value::Text(t.to_owned());
        let body = [("key", text(&key.public().to_hex())), ("name", text(name)), ("role", text(role))];
        Self {
            kind: SERIES_BEGIN.to_owned(),
            version: 1,
            subject: Subject(format!("device/{device}")),
            basis: Vec::new(),
            body: Value::Map(body.map(|(k, v)| (k.to_owned(), v)).into_iter().collect::<BTreeMap<_, _>>()),
        }
    }
}

/// Why a transaction can't be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WriteError {
    /// No entries.
    #[error("there is nothing to write")]
    Empty,
    /// More entries than allowed.
    #[error("{0} entries are too many for one transaction; at most {MAX_TRANSACTION} are allowed. Nothing was saved")]
    TooMany(usize),
    /// More bytes than allowed.
    #[error(
        "{0} bytes are too many for one transaction; at most {MAX_TRANSACTION_BYTES} are allowed. Nothing was saved; save in two parts"
    )]
    TooLarge(usize),
    /// The key is not the one of the series.
    #[error("the key does not belong to this series. Nothing was saved; the tablet's identity must be looked at")]
    OtherKey,
    /// An entry can't be encoded.
    #[error(transparent)]
    Encode(#[from] EncodeError),
}

/// How far a counter may stand beyond the number of entries known here and still be followed: 2^20.
pub const LEAP: u64 = 1 << 20;

/// The counter that a writer goes on from, of all series known here as `(seq, counter)` of their heads: the highest that
/// is not further than [`LEAP`] beyond the number of their entries.
///
/// An honest counter is at most the number of entries in existence, because each adds one to the highest that its author
/// had seen. So a higher one is a mistake or malice, and following it would push everybody's counter, at worst to the end
/// of the numbers. [`LEAP`] leaves room for entries that exist and have not come here yet. An entry with such a counter is
/// kept like any other and shown last: the counter orders the display and decides nothing.
///
/// Whoever follows this rule stays within the number of entries plus [`LEAP`] himself, whatever others write, and it needs
/// nothing but the heads, so everyone who has the same entries gives the same answer.
pub fn counter_to_follow(series: impl IntoIterator<Item = (u64, u64)>) -> u64 {
    let all: Vec<(u64, u64)> = series.into_iter().collect();
    let entries = all.iter().fold(0_u64, |sum, (seq, _)| sum.saturating_add(*seq));
    let most = entries.saturating_add(LEAP).min(LAST);
    all.iter().map(|(_, counter)| *counter).filter(|counter| *counter <= most).max().unwrap_or(0)
}

/// After this counter a whole transaction still has numbers: no counter seen anywhere can keep a writer from writing.
const LAST: u64 = MAX_COUNT - MAX_TRANSACTION as u64;

/// Builds the transactions of one series.
///
/// Building does not move the writer: call [`Writer::advance`] once the transaction is durable, so that a failed write
/// leaves no hole in the series.
#[derive(Clone, Debug)]
pub struct Writer {
    site: SiteId,
    device: DeviceId,
    incarnation: Incarnation,
    head: Option<Head>,
    counter: u64,
}

impl Writer {
    /// A writer that goes on after `head`, with the counter to follow ([`counter_to_follow`]).
    pub const fn new(site: SiteId, device: DeviceId, incarnation: Incarnation, head: Option<Head>, counter: u64) -> Self {
        let counter = if counter > LAST { LAST } else { counter };
        Self { site, device, incarnation, head, counter }
    }

    /// The last durable entry.
    pub const fn head(&self) -> Option<Head> {
        self.head
    }

    /// The series.
    pub const fn incarnation(&self) -> Incarnation {
        self.incarnation
    }

    /// The highest counter seen.
    pub const fn counter(&self) -> u64 {
        self.counter
    }

    /// Takes note of a counter seen in a foreign entry (Lamport).
    pub fn observe(&mut self, counter: u64) {
        self.counter = self.counter.max(counter.min(LAST));
    }

    /// Builds the next transaction: consecutive entries, the last one signed.
    ///
    /// # Errors
    /// [`WriteError`]; nothing is changed then.
    pub fn transaction(&self, stamp: &Stamp, drafts: Vec<Draft>, key: &SigningKey) -> Result<Vec<Sealed>, WriteError> {
        if Incarnation::of(&key.public()) != self.incarnation {
            return Err(WriteError::OtherKey);
        }
        let count = drafts.len();
        if count > MAX_TRANSACTION {
            return Err(WriteError::TooMany(count));
        }
        let mut head = self.head;
        let mut out = Vec::with_capacity(count);
        for (index, draft) in drafts.into_iter().enumerate() {
            let left = (count - 1 - index) as u32;
            let sealed = self.entry(stamp, draft, head, index as u64, left).seal()?;
            head = Some(Head { seq: sealed.entry.seq, hash: sealed.hash });
            out.push(sealed);
        }
        let bytes = out.iter().map(|sealed| sealed.bytes.len()).sum();
        if bytes > MAX_TRANSACTION_BYTES {
            return Err(WriteError::TooLarge(bytes));
        }
        let last = out.last_mut().ok_or(WriteError::Empty)?;
        last.sig = Some(key.sign(&last.hash));
        Ok(out)
    }

    /// Moves on after a transaction of this writer is durable.
    pub fn advance(&mut self, transaction: &[Sealed]) {
        if let Some(last) = transaction.last() {
            self.head = Some(Head { seq: last.entry.seq, hash: last.hash });
            self.observe(last.entry.counter);
        }
    }

    fn entry(&self, stamp: &Stamp, draft: Draft, head: Option<Head>, index: u64, tx_left: u32) -> Entry {
        let mut basis = draft.basis;
        basis.sort_unstable();
        basis.dedup();
        Entry {
            format: FORMAT,
            site: self.site,
            device: self.device,
            incarnation: self.incarnation,
            seq: head.map_or(1, |head| head.seq.saturating_add(1)),
            prev: head.map(|head| head.hash),
            tx_left,
            counter: self.counter.saturating_add(1).saturating_add(index),
            wall_ms: stamp.wall_ms,
            boot: stamp.boot,
            uptime_ms: stamp.uptime_ms,
            person: stamp.person.clone(),
            kind: draft.kind,
            version: draft.version,
            subject: draft.subject,
            basis,
            body: draft.body,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn writer(n: u8, counter: u64) -> (Writer, SigningKey) {
        let key = SigningKey::from_seed([n; 32]);
        (Writer::new(SiteId([1; 16]), DeviceId([n; 16]), Incarnation::of(&key.public()), None, counter), key)
    }

    fn stamp() -> Stamp {
        Stamp { wall_ms: 0, boot: BootId([1; 16]), uptime_ms: 0, person: PersonId("ana-r".into()) }
    }

    #[test]
    fn a_wild_counter_is_not_followed_and_a_likely_one_is() {
        type Case = (&'static [(u64, u64)], u64, &'static str);
        let cases: [Case; 8] = [
            (&[], 0, "nothing is known"),
            (&[(3, 3), (5, 8)], 8, "two honest series"),
            (&[(3, 3), (5, 8 + LEAP)], 8 + LEAP, "as far ahead as entries that have not come may put it"),
            (&[(3, 3), (5, 9 + LEAP)], 3, "one further"),
            (&[(3, 3), (1, MAX_COUNT)], 3, "the largest that can be written"),
            (&[(3, 3), (1, u64::MAX)], 3, "beyond what can be written"),
            (&[(u64::MAX, 7), (u64::MAX, 9)], 9, "heads that would wrap"),
            (&[(1, MAX_COUNT), (1, MAX_COUNT)], 0, "nobody is honest"),
        ];
        for (series, follow, what) in cases {
            assert_eq!(counter_to_follow(series.iter().copied()), follow, "{what}");
            println!("{what}: {follow}");
        }
    }

    /// A hostile device writes the highest counter it may, again and again: the honest ones stay within the number of
    /// entries and one leap, and in order among themselves.
    #[test]
    fn honest_counters_stay_near_the_number_of_entries() {
        let mut heads = [(0_u64, 0_u64); 3];
        for round in 0..10_000_u64 {
            let entries: u64 = heads.iter().map(|(seq, _)| seq).sum();
            let hostile = if round % 2 == 0 { entries + LEAP + 1 } else { MAX_COUNT };
            heads[0] = (heads[0].0 + 1, hostile);
            for at in 1..3 {
                let next = counter_to_follow(heads) + 1;
                assert!(next > heads[at].1, "its own entries stay in order");
                heads[at] = (heads[at].0 + 1, next);
            }
            let entries: u64 = heads.iter().map(|(seq, _)| seq).sum();
            assert!(heads[1].1.max(heads[2].1) <= entries + LEAP);
        }
        println!("30,000 entries, a third of them hostile: honest counters {} and {}", heads[1].1, heads[2].1);
    }

    #[test]
    fn no_counter_keeps_a_writer_from_writing() {
        for counter in [0, LAST - 1, LAST, MAX_COUNT, u64::MAX] {
            for observed in [0, LAST, u64::MAX] {
                let (mut writer, key) = writer(1, counter);
                writer.observe(observed);
                let mut drafts = vec![Draft::series_begin(DeviceId([1; 16]), &key, "K1", "tablet")];
                let note = Draft { kind: "note".into(), version: 1, subject: Subject("job/j".into()), basis: vec![], body: Value::Null };
                drafts.resize(MAX_TRANSACTION, note);
                let all = writer.transaction(&stamp(), drafts, &key).unwrap();
                assert!(all.iter().all(|s| s.entry.counter <= MAX_COUNT && Sealed::open(s.bytes.clone(), s.sig).is_ok()));
            }
        }
    }
}
