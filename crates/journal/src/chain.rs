//! The chain of one series: what may follow, who signed it, and what is wrong with the rest.

use crate::entry::Sealed;
use crate::id::{DeviceId, EntryHash, Incarnation, SiteId};
use crate::limits::MAX_TRANSACTION;
use crate::sign::VerifyingKey;
use crate::value::Value;
use serde::{Deserialize, Serialize};

/// Kind of the first entry of every series. Its body carries the series' public key as `key`, in hexadecimal.
pub const SERIES_BEGIN: &str = "series-begin";

/// The last entry of a series.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Head {
    /// Its place, from 1.
    pub seq: u64,
    /// Its hash.
    pub hash: EntryHash,
}

/// Why an entry can't follow in its series. Nothing is dropped for it: whoever receives it keeps it in quarantine.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChainFault {
    /// Entries between are missing.
    #[error("entry {got} came, but entry {wanted} of the series must come first; ask for it again")]
    Gap {
        /// The seq that must come next.
        wanted: u64,
        /// The seq that came.
        got: u64,
    },
    /// The series is already past this entry; compare its hash with the stored one.
    #[error("entry {got} came again; the series already stands at {head}")]
    Behind {
        /// The seq that came.
        got: u64,
        /// The seq of the head.
        head: u64,
    },
    /// Two entries claim the same place: two journals use one identity.
    #[error(
        "two different entries claim place {seq} of one series ({ours} and {theirs}): the tablet was restored or copied. Both are kept; a supervisor must look"
    )]
    Fork {
        /// The place.
        seq: u64,
        /// What stands here.
        ours: EntryHash,
        /// What was claimed.
        theirs: EntryHash,
    },
    /// An entry of another site.
    #[error("the entry belongs to site {0}, not to this one; it is not merged")]
    WrongSite(SiteId),
    /// An entry of another series.
    #[error("the entry belongs to series {0}, not to this one")]
    WrongSeries(Incarnation),
    /// The device changes within the series.
    #[error("the entry names device {0}, but its series belongs to another")]
    WrongDevice(DeviceId),
    /// A series must begin with its key, and only once.
    #[error("a series must begin with one `{SERIES_BEGIN}` entry about its own device that carries its key")]
    BadBegin,
    /// The key in the first entry is not the one that the series is named after.
    #[error("the key in the first entry is not the key of the series")]
    BadKey,
    /// The signature at the end of a transaction does not fit.
    #[error("the signature on entry {0} does not fit; the transaction is not accepted")]
    BadSignature(u64),
    /// The last entry of a transaction has no signature.
    #[error("entry {0} ends a transaction but carries no signature")]
    NoSignature(u64),
    /// A signature stands on an entry that does not end its transaction.
    #[error("entry {0} carries a signature but does not end its transaction")]
    StraySignature(u64),
    /// The countdown within the transaction is broken.
    #[error("entry {seq} says {got} more entries follow in its transaction; {wanted} were due")]
    BadTransaction {
        /// The place.
        seq: u64,
        /// What `tx_left` had to be.
        wanted: u32,
        /// What it was.
        got: u32,
    },
    /// A transaction of more entries than allowed.
    #[error("entry {0} begins a transaction of more than {MAX_TRANSACTION} entries")]
    LongTransaction(u64),
    /// The entries end within a transaction; the begun part is not accepted.
    #[error("the transaction that ends with entry {0} is not all here yet; it is asked for again")]
    CutShort(u64),
}

/// The state of one series: enough to judge the next entry. Small, and kept by the store as it is (serde).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tail {
    site: SiteId,
    incarnation: Incarnation,
    begun: Option<Begun>,
}

/// What is known once the first entry is there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Begun {
    device: DeviceId,
    key: VerifyingKey,
    head: Head,
    /// `tx_left` of the head: 0 between transactions.
    tx_left: u32,
}

impl Tail {
    /// A series of which nothing is there yet.
    pub const fn new(site: SiteId, incarnation: Incarnation) -> Self {
        Self { site, incarnation, begun: None }
    }

    /// A series that stands at the end of a transaction, from parts kept elsewhere.
    pub const fn resume(site: SiteId, incarnation: Incarnation, device: DeviceId, key: VerifyingKey, head: Head) -> Self {
        Self { site, incarnation, begun: Some(Begun { device, key, head, tx_left: 0 }) }
    }

    /// The series.
    pub const fn incarnation(&self) -> Incarnation {
        self.incarnation
    }

    /// The site.
    pub const fn site(&self) -> SiteId {
        self.site
    }

    /// The last entry accepted.
    pub fn head(&self) -> Option<Head> {
        self.begun.as_ref().map(|begun| begun.head)
    }

    /// The key that signs the series, once its first entry is there.
    pub fn key(&self) -> Option<VerifyingKey> {
        self.begun.as_ref().map(|begun| begun.key)
    }

    /// The device that writes the series, once its first entry is there.
    pub fn device(&self) -> Option<DeviceId> {
        self.begun.as_ref().map(|begun| begun.device)
    }

    /// True between transactions, where everything accepted is covered by a signature.
    pub fn is_whole(&self) -> bool {
        self.begun.as_ref().is_none_or(|begun| begun.tx_left == 0)
    }

    /// Accepts the next entry. Until [`Tail::is_whole`], no signature covers it yet: store nothing before.
    ///
    /// # Errors
    /// [`ChainFault`] where it can't follow; the tail is unchanged then.
    pub fn accept(&mut self, sealed: &Sealed) -> Result<(), ChainFault> {
        let entry = &sealed.entry;
        if entry.incarnation != self.incarnation {
            return Err(ChainFault::WrongSeries(entry.incarnation));
        }
        if entry.site != self.site {
            return Err(ChainFault::WrongSite(entry.site));
        }
        let (device, key) = match &self.begun {
            Some(begun) => {
                begun.may_follow(sealed)?;
                (begun.device, begun.key)
            }
            None => (entry.device, self.first(sealed)?),
        };
        check_signature(sealed, &key)?;
        let head = Head { seq: entry.seq, hash: sealed.hash };
        self.begun = Some(Begun { device, key, head, tx_left: entry.tx_left });
        Ok(())
    }

    /// Accepts whole transactions from the front of `entries`, and stops at the first fault.
    ///
    /// Gives how many entries were accepted, always up to the end of a transaction, and what stopped it. A transaction
    /// of which only the beginning is here counts as [`ChainFault::CutShort`].
    pub fn accept_all(&mut self, entries: &[Sealed]) -> (usize, Option<ChainFault>) {
        let mut trial = self.clone();
        let mut accepted = 0;
        for (index, sealed) in entries.iter().enumerate() {
            if let Err(fault) = trial.accept(sealed) {
                return (accepted, Some(fault));
            }
            if trial.is_whole() {
                *self = trial.clone();
                accepted = index + 1;
            }
        }
        (accepted, trial.cut_short())
    }

    fn cut_short(&self) -> Option<ChainFault> {
        let begun = self.begun.as_ref().filter(|begun| begun.tx_left > 0)?;
        Some(ChainFault::CutShort(begun.head.seq.saturating_add(u64::from(begun.tx_left))))
    }

    /// The first entry carries the key that the series is named after.
    fn first(&self, sealed: &Sealed) -> Result<VerifyingKey, ChainFault> {
        let entry = &sealed.entry;
        if entry.seq != 1 {
            return Err(ChainFault::Gap { wanted: 1, got: entry.seq });
        }
        if entry.kind != SERIES_BEGIN || entry.subject.0 != format!("device/{}", entry.device) {
            return Err(ChainFault::BadBegin);
        }
        may_begin(entry)?;
        let key = key_of(&entry.body).ok_or(ChainFault::BadKey)?;
        if Incarnation::of(&key) == self.incarnation { Ok(key) } else { Err(ChainFault::BadKey) }
    }
}

impl Begun {
    fn may_follow(&self, sealed: &Sealed) -> Result<(), ChainFault> {
        let entry = &sealed.entry;
        let (head, wanted) = (self.head, self.head.seq.saturating_add(1));
        if entry.seq == head.seq && sealed.hash != head.hash {
            return Err(ChainFault::Fork { seq: head.seq, ours: head.hash, theirs: sealed.hash });
        }
        if entry.seq < wanted {
            return Err(ChainFault::Behind { got: entry.seq, head: head.seq });
        }
        if entry.seq > wanted {
            return Err(ChainFault::Gap { wanted, got: entry.seq });
        }
        match entry.prev {
            Some(prev) if prev == head.hash => {}
            Some(prev) => {
                return Err(ChainFault::Fork { seq: head.seq, ours: head.hash, theirs: prev });
            }
            None => return Err(ChainFault::BadBegin),
        }
        if entry.device != self.device {
            return Err(ChainFault::WrongDevice(entry.device));
        }
        if entry.kind == SERIES_BEGIN {
            return Err(ChainFault::BadBegin);
        }
        match self.tx_left {
            0 => may_begin(entry),
            left if entry.tx_left == left - 1 => Ok(()),
            left => Err(ChainFault::BadTransaction { seq: entry.seq, wanted: left - 1, got: entry.tx_left }),
        }
    }
}

fn may_begin(entry: &crate::Entry) -> Result<(), ChainFault> {
    if (entry.tx_left as usize) < MAX_TRANSACTION { Ok(()) } else { Err(ChainFault::LongTransaction(entry.seq)) }
}

fn check_signature(sealed: &Sealed, key: &VerifyingKey) -> Result<(), ChainFault> {
    let seq = sealed.entry.seq;
    match (sealed.entry.tx_left, &sealed.sig) {
        (0, Some(sig)) => key.verify(&sealed.hash, sig).map_err(|_| ChainFault::BadSignature(seq)),
        (0, None) => Err(ChainFault::NoSignature(seq)),
        (_, Some(_)) => Err(ChainFault::StraySignature(seq)),
        (_, None) => Ok(()),
    }
}

/// The public key in the body of a `series-begin` entry.
pub fn key_of(body: &Value) -> Option<VerifyingKey> {
    let Value::Map(map) = body else { return None };
    let Some(Value::Text(key)) = map.get("key") else {
        return None;
    };
    VerifyingKey::from_hex(key).ok()
}
