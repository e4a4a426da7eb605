//! An entry's canonical bytes: a CBOR map with small whole numbers as keys. `docs/protocol.md` shows them byte by byte.

use crate::cbor::{CborError, Encoder, Reader, TooDeep};
use crate::entry::{Entry, FORMAT, Sealed};
use crate::id::{EntryHash, PersonId, Signature, Subject};
use crate::limits::{MAX_BASIS, MAX_COUNT, MAX_ENTRY_BYTES, MAX_KIND_BYTES, MAX_PERSON_BYTES, MAX_SUBJECT_BYTES, MAX_TRANSACTION};

/// Keys of format 1 are 0 to 16. A reader of this format refuses other keys below this one, because a later format may
/// give them a meaning that must not be overlooked; it tolerates keys from here on and keeps them in the bytes.
pub const FIRST_TOLERATED_KEY: u64 = 32;
const KEYS: u64 = 17;

/// Why an entry is refused before it is written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EncodeError {
    /// A field breaks a rule of the format.
    #[error(transparent)]
    Rule(#[from] Broken),
    /// The body is nested too deeply.
    #[error("the entry cannot be written: {0}")]
    Depth(#[from] TooDeep),
    /// More bytes than an entry may have.
    #[error("the entry has {0} bytes; at most {MAX_ENTRY_BYTES} are allowed. Nothing was saved; shorten the text")]
    Size(usize),
}

/// Why bytes are not an entry.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// The bytes are not canonical.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// A field breaks a rule of the format.
    #[error(transparent)]
    Rule(#[from] Broken),
    /// More bytes than an entry may have.
    #[error("{0} bytes are too many for an entry; at most {MAX_ENTRY_BYTES} are allowed")]
    Size(usize),
    /// A format this program does not know.
    #[error("the entry is of format {0}; this program reads format {FORMAT}. It must be updated to read it")]
    Format(u64),
    /// A key is missing, out of order, or unknown and not to be overlooked.
    #[error("key {0} of the entry is missing, out of order or unknown")]
    Key(u64),
    /// An identifier has the wrong length.
    #[error("{0} has the wrong length")]
    Length(&'static str),
}

/// A rule of the format that a field breaks. Checked alike when writing and when reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Broken {
    /// Not a format this program writes.
    #[error("the entry's format is not {FORMAT}")]
    Format,
    /// The first entry of a series is 1.
    #[error("an entry's number in its series is 1 to {MAX_COUNT}")]
    Seq,
    /// Only the first entry has none before it.
    #[error("the first entry of a series names none before it, every other one does")]
    Prev,
    /// Counter or uptime beyond 63 bits.
    #[error("a counter is beyond {MAX_COUNT}")]
    Count,
    /// More entries in the transaction than allowed.
    #[error("a transaction has at most {MAX_TRANSACTION} entries")]
    Transaction,
    /// The person's identifier.
    #[error("a person's identifier is 1 to {MAX_PERSON_BYTES} of a-z, 0-9 and -")]
    Person,
    /// The kind.
    #[error("a kind's name is 1 to {MAX_KIND_BYTES} of a-z, 0-9 and -")]
    Kind,
    /// The version.
    #[error("a kind's version is a whole number from 1 to 4294967295")]
    Version,
    /// The subject.
    #[error("a subject is 1 to {MAX_SUBJECT_BYTES} bytes without control characters")]
    Subject,
    /// The basis.
    #[error("a basis is at most {MAX_BASIS} hashes, sorted, none twice")]
    Basis,
}

impl Entry {
    /// Encodes, hashes and seals the entry, without a signature.
    ///
    /// # Errors
    /// [`EncodeError`] where a field breaks a rule of the format, the body is too deep or the entry too large.
    pub fn seal(&self) -> Result<Sealed, EncodeError> {
        self.check()?;
        let bytes = self.encode()?;
        if bytes.len() > MAX_ENTRY_BYTES {
            return Err(EncodeError::Size(bytes.len()));
        }
        Ok(Sealed { hash: hash(&bytes), bytes, entry: self.clone(), sig: None })
    }

    fn encode(&self) -> Result<Vec<u8>, TooDeep> {
        let mut out = Encoder::default();
        out.map(17);
        let mut key = 0..KEYS;
        let mut next = |out: &mut Encoder| out.unsigned(key.next().unwrap_or(KEYS));
        next(&mut out);
        out.unsigned(u64::from(self.format));
        for id in [&self.site.0, &self.device.0, &self.incarnation.0] {
            next(&mut out);
            out.bytes(id);
        }
        next(&mut out);
        out.unsigned(self.seq);
        next(&mut out);
        match &self.prev {
            Some(hash) => out.bytes(&hash.0),
            None => out.null(),
        }
        next(&mut out);
        out.unsigned(u64::from(self.tx_left));
        next(&mut out);
        out.unsigned(self.counter);
        next(&mut out);
        out.int(self.wall_ms);
        next(&mut out);
        out.bytes(&self.boot.0);
        next(&mut out);
        out.unsigned(self.uptime_ms);
        next(&mut out);
        out.text(&self.person.0);
        next(&mut out);
        out.text(&self.kind);
        next(&mut out);
        out.unsigned(u64::from(self.version));
        next(&mut out);
        out.text(&self.subject.0);
        next(&mut out);
        out.array(self.basis.len());
        for hash in &self.basis {
            out.bytes(&hash.0);
        }
        next(&mut out);
        out.value(&self.body)?;
        Ok(out.into_bytes())
    }

    /// The rules that the types alone don't hold.
    fn check(&self) -> Result<(), Broken> {
        let rules = [
            (self.format == FORMAT, Broken::Format),
            (self.seq >= 1 && self.seq <= MAX_COUNT, Broken::Seq),
            ((self.seq == 1) == self.prev.is_none(), Broken::Prev),
            (self.counter <= MAX_COUNT && self.uptime_ms <= MAX_COUNT, Broken::Count),
            ((self.tx_left as usize) < MAX_TRANSACTION, Broken::Transaction),
            (is_name(&self.person.0, MAX_PERSON_BYTES), Broken::Person),
            (is_name(&self.kind, MAX_KIND_BYTES), Broken::Kind),
            (self.version >= 1, Broken::Version),
            (is_subject(&self.subject.0), Broken::Subject),
            (self.basis.len() <= MAX_BASIS && self.basis.is_sorted_by(|a, b| a < b), Broken::Basis),
        ];
        rules.into_iter().find(|(holds, _)| !holds).map_or(Ok(()), |(_, broken)| Err(broken))
    }
}

impl Sealed {
    /// Decodes and hashes bytes as received. The bytes are kept as they are; unknown keys stay in them.
    ///
    /// Says nothing about the chain or the signature: that is [`crate::chain::Tail`]'s work.
    ///
    /// # Errors
    /// [`DecodeError`] where the bytes are not exactly one canonical entry within the limits.
    pub fn open(bytes: Vec<u8>, sig: Option<Signature>) -> Result<Self, DecodeError> {
        if bytes.len() > MAX_ENTRY_BYTES {
            return Err(DecodeError::Size(bytes.len()));
        }
        let entry = decode(&bytes)?;
        entry.check()?;
        Ok(Self { hash: hash(&bytes), bytes, entry, sig })
    }
}

fn hash(bytes: &[u8]) -> EntryHash {
    EntryHash(*blake3::hash(bytes).as_bytes())
}

fn is_name(text: &str, max: usize) -> bool {
    (1..=max).contains(&text.len()) && text.bytes().all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-'))
}

fn is_subject(text: &str) -> bool {
    (1..=MAX_SUBJECT_BYTES).contains(&text.len()) && !text.chars().any(char::is_control)
}

fn decode(bytes: &[u8]) -> Result<Entry, DecodeError> {
    let mut reader = Reader::new(bytes);
    let pairs = reader.map()?;
    let mut fields = Fields { reader, left: pairs as u64, next: 0 };
    let format = fields.key()?.unsigned()?;
    if format != u64::from(FORMAT) {
        return Err(DecodeError::Format(format));
    }
    let entry = Entry {
        format: FORMAT,
        site: crate::SiteId(fields.id("the site")?),
        device: crate::DeviceId(fields.id("the device")?),
        incarnation: crate::Incarnation(fields.id("the series")?),
        seq: fields.key()?.unsigned()?,
        prev: fields.prev()?,
        tx_left: u32::try_from(fields.key()?.unsigned()?).map_err(|_| Broken::Transaction)?,
        counter: fields.key()?.unsigned()?,
        wall_ms: fields.key()?.int()?,
        boot: crate::BootId(fields.id("the boot")?),
        uptime_ms: fields.key()?.unsigned()?,
        person: PersonId(fields.key()?.text()?.to_owned()),
        kind: fields.key()?.text()?.to_owned(),
        version: u32::try_from(fields.key()?.unsigned()?).map_err(|_| Broken::Version)?,
        subject: Subject(fields.key()?.text()?.to_owned()),
        basis: fields.basis()?,
        body: fields.key()?.value()?,
    };
    fields.tolerate_rest()?;
    Ok(entry)
}

/// Reads the entry's map key by key.
struct Fields<'a> {
    reader: Reader<'a>,
    left: u64,
    next: u64,
}

impl<'a> Fields<'a> {
    /// Reads the next key, which must be exactly the next number.
    fn key(&mut self) -> Result<&mut Reader<'a>, DecodeError> {
        let wanted = self.next;
        if self.left == 0 || self.reader.unsigned()? != wanted {
            return Err(DecodeError::Key(wanted));
        }
        self.left -= 1;
        self.next += 1;
        Ok(&mut self.reader)
    }

    fn id<const N: usize>(&mut self, what: &'static str) -> Result<[u8; N], DecodeError> {
        self.key()?.bytes()?.try_into().map_err(|_| DecodeError::Length(what))
    }

    fn hash(&mut self, what: &'static str) -> Result<EntryHash, DecodeError> {
        EntryHash::from_slice(self.reader.bytes()?).ok_or(DecodeError::Length(what))
    }

    fn prev(&mut self) -> Result<Option<EntryHash>, DecodeError> {
        if self.key()?.null()? { Ok(None) } else { self.hash("the hash before").map(Some) }
    }

    fn basis(&mut self) -> Result<Vec<EntryHash>, DecodeError> {
        let len = self.key()?.array()?;
        if len > MAX_BASIS {
            return Err(Broken::Basis.into());
        }
        (0..len).map(|_| self.hash("a hash of the basis")).collect()
    }

    /// Keys of a later program: sorted, canonical, from [`FIRST_TOLERATED_KEY`] on.
    fn tolerate_rest(mut self) -> Result<(), DecodeError> {
        let mut last = FIRST_TOLERATED_KEY - 1;
        for _ in 0..self.left {
            let key = self.reader.unsigned()?;
            if key <= last {
                return Err(DecodeError::Key(key));
            }
            last = key;
            self.reader.value()?;
        }
        Ok(self.reader.finish()?)
    }
}
