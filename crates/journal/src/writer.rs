//! The writer of a series: builds the next transaction, signed, without a clock, a disk or randomness.

use crate::chain::{Head, SERIES_BEGIN};
use crate::codec::EncodeError;
use crate::entry::{Entry, FORMAT, Sealed};
use crate::id::{BootId, DeviceId, EntryHash, Incarnation, PersonId, SiteId, Subject};
use crate::limits::{MAX_TRANSACTION, MAX_TRANSACTION_BYTES};
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
    /// A writer that goes on after `head`, with the highest counter seen anywhere so far.
    pub const fn new(site: SiteId, device: DeviceId, incarnation: Incarnation, head: Option<Head>, counter: u64) -> Self {
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
        self.counter = self.counter.max(counter);
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
