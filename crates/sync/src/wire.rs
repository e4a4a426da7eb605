//! Entries, heads and ranges on the wire: canonical CBOR, bounded and checked one by one.

use crate::{MAX_BODY, MAX_RANGES, MAX_UNREAD};
use journal::cbor::{CborError, Encoder, Reader, Why};
use journal::limits::{MAX_COUNT, MAX_ENTRY_BYTES};
use journal::{DecodeError, EntryHash, Heads, HeadsError, Incarnation, Range, Sealed, Signature};

/// What one entry costs beside its bytes: a list of two, two byte heads, the signature.
const OVERHEAD: usize = 1 + 5 + 2 + 64;
/// Room for the heads around the entries.
const AROUND: usize = 16;
const UNREAD: &str = "tubewright 2026 unread entry";
const UNREAD_SET: &str = "tubewright 2026 unread entries";

/// A body that is not a list of entries.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WireError {
    /// Not canonical.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// A signature of another length.
    #[error("a signature has the wrong length")]
    Signature,
    /// Not a list of heads.
    #[error(transparent)]
    Heads(#[from] HeadsError),
    /// More of something than allowed.
    #[error("{0} items are too many for one message; at most {1} are allowed")]
    Items(usize, usize),
    /// A range that ends before it begins, begins at 0, or stands out of order.
    #[error("a range of entries cannot be: {0} to {1}")]
    Range(u64, u64),
    /// Larger than allowed.
    #[error("{0} bytes are too many for one message; at most {MAX_BODY} are allowed")]
    Size(usize),
}

/// An entry that came but can't be read, perhaps because a later program wrote it. Its bytes are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// The bytes as received.
    pub bytes: Vec<u8>,
    /// The signature as received.
    pub sig: Option<Signature>,
    /// Why.
    pub why: DecodeError,
}

/// An entry as it came, of which nothing is known but its bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unread {
    /// The bytes as received.
    pub bytes: Vec<u8>,
    /// The signature as received.
    pub sig: Option<Signature>,
}

impl Unread {
    /// BLAKE3 in derive-key mode over its form on the wire. The signature is part of it: the same bytes with a forged one
    /// must not keep the true one out.
    pub fn name(&self) -> EntryHash {
        let mut out = Encoder::default();
        item(&mut out, &self.bytes, self.sig.as_ref());
        EntryHash(blake3::derive_key(UNREAD, &out.into_bytes()))
    }
}

impl From<Unreadable> for Unread {
    fn from(entry: Unreadable) -> Self {
        Self { bytes: entry.bytes, sig: entry.sig }
    }
}

/// What each side lacks of the entries that are kept unread.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnreadReply {
    /// Names of those that the trailer lacks.
    pub wanted: Vec<EntryHash>,
    /// Those that the tablet lacks, as many as fit.
    pub entries: Vec<Unread>,
}

/// The entries of one message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Batch {
    /// Those that can be read, in the order received.
    pub entries: Vec<Sealed>,
    /// Those that can't.
    pub unreadable: Vec<Unreadable>,
    /// More is there to be fetched (answers to a pull only).
    pub more: bool,
}

/// Encodes a push: the list alone.
pub fn encode_push(entries: &[Sealed]) -> Vec<u8> {
    let mut out = Encoder::default();
    list(&mut out, entries);
    out.into_bytes()
}

/// Decodes a push.
///
/// # Errors
/// [`WireError`] where the body as a whole can't be read; a single entry that can't is in [`Batch::unreadable`].
pub fn decode_push(body: &[u8]) -> Result<Batch, WireError> {
    bounded(body)?;
    let mut reader = Reader::new(body);
    let (entries, unreadable) = read_list(&mut reader)?;
    reader.finish()?;
    Ok(Batch { entries, unreadable, more: false })
}

/// Encodes the answer to a pull: whether more is there (1 or 0), and the list.
pub fn encode_pull(entries: &[Sealed], more: bool) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(2);
    out.unsigned(u64::from(more));
    list(&mut out, entries);
    out.into_bytes()
}

/// Decodes the answer to a pull.
///
/// # Errors
/// [`WireError`] where the body as a whole can't be read; a single entry that can't is in [`Batch::unreadable`].
pub fn decode_pull(body: &[u8]) -> Result<Batch, WireError> {
    bounded(body)?;
    let mut reader = Reader::new(body);
    let (2, more @ 0..=1) = (reader.array()?, reader.unsigned()?) else { return Err(wrong(0)) };
    let (entries, unreadable) = read_list(&mut reader)?;
    reader.finish()?;
    Ok(Batch { entries, unreadable, more: more == 1 })
}

/// How many entries from the front make one message: whole transactions within [`MAX_BODY`]. At least one transaction
/// if there is a whole one at all; the writer bounds a transaction so that it always fits.
pub fn fit(entries: &[Sealed]) -> usize {
    fit_within(entries, MAX_BODY - AROUND)
}

/// Like [`fit`], within what is left of a message.
pub fn fit_within(entries: &[Sealed], room: usize) -> usize {
    let (mut used, mut whole) = (0_usize, 0);
    for (index, sealed) in entries.iter().enumerate() {
        used = used.saturating_add(cost(sealed));
        if used > room {
            break;
        }
        if sealed.entry.tx_left == 0 {
            whole = index + 1;
        }
    }
    whole
}

/// What an entry takes in a message, at most.
pub fn cost(sealed: &Sealed) -> usize {
    sealed.bytes.len().saturating_add(OVERHEAD)
}

fn bounded(body: &[u8]) -> Result<(), WireError> {
    if body.len() > MAX_BODY { Err(WireError::Size(body.len())) } else { Ok(()) }
}

fn list(out: &mut Encoder, entries: &[Sealed]) {
    out.array(entries.len());
    for sealed in entries {
        item(out, &sealed.bytes, sealed.sig.as_ref());
    }
}

fn item(out: &mut Encoder, bytes: &[u8], sig: Option<&Signature>) {
    out.array(2);
    out.bytes(bytes);
    match sig {
        Some(sig) => out.bytes(&sig.0),
        None => out.null(),
    }
}

fn read_list(reader: &mut Reader<'_>) -> Result<(Vec<Sealed>, Vec<Unreadable>), WireError> {
    let (mut entries, mut unreadable) = (Vec::new(), Vec::new());
    for _ in 0..reader.array()? {
        let Unread { bytes, sig } = read_item(reader)?;
        match Sealed::open(bytes.clone(), sig) {
            Ok(sealed) => entries.push(sealed),
            Err(why) => unreadable.push(Unreadable { bytes, sig, why }),
        }
    }
    Ok((entries, unreadable))
}

fn read_item(reader: &mut Reader<'_>) -> Result<Unread, WireError> {
    if reader.array()? != 2 {
        return Err(wrong(reader.at()));
    }
    let bytes = reader.bytes()?.to_vec();
    let sig = match reader.null()? {
        true => None,
        false => Some(Signature::from_slice(reader.bytes()?).ok_or(WireError::Signature)?),
    };
    Ok(Unread { bytes, sig })
}

/// Encodes a pull: a list of `[incarnation, from, to]`, in the order of the incarnations.
pub fn encode_ranges(ranges: &[(Incarnation, Range)]) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(ranges.len());
    for (incarnation, range) in ranges {
        out.array(3);
        out.bytes(&incarnation.0);
        out.unsigned(range.from);
        out.unsigned(range.to);
    }
    out.into_bytes()
}

/// Decodes a pull.
///
/// # Errors
/// [`WireError`] for more than [`MAX_RANGES`], for a range that cannot be, and for a series named twice.
pub fn decode_ranges(body: &[u8]) -> Result<Vec<(Incarnation, Range)>, WireError> {
    bounded(body)?;
    let mut reader = Reader::new(body);
    let count = few(reader.array()?, MAX_RANGES)?;
    let mut ranges: Vec<(Incarnation, Range)> = Vec::with_capacity(count);
    for _ in 0..count {
        if reader.array()? != 3 {
            return Err(wrong(reader.at()));
        }
        let incarnation = Incarnation::from_slice(reader.bytes()?).ok_or_else(|| wrong(reader.at()))?;
        let range = Range { from: reader.unsigned()?, to: reader.unsigned()? };
        let in_order = ranges.last().is_none_or(|(last, _)| *last < incarnation);
        if range.from == 0 || range.to < range.from || range.to > MAX_COUNT || !in_order {
            return Err(WireError::Range(range.from, range.to));
        }
        ranges.push((incarnation, range));
    }
    reader.finish()?;
    Ok(ranges)
}

/// Decodes heads ([`Heads::encode`]).
///
/// # Errors
/// [`WireError`] where they can't be read or are more than allowed.
pub fn decode_heads(body: &[u8]) -> Result<Heads, WireError> {
    bounded(body)?;
    Ok(Heads::decode(body)?)
}

/// Digest of a set of names of unread entries, in any order; `None` for the empty one.
pub fn unread_digest(names: &[EntryHash]) -> Option<crate::message::Digest> {
    let mut names: Vec<[u8; 32]> = names.iter().map(|n| n.0).collect();
    names.sort_unstable();
    names.dedup();
    (!names.is_empty()).then(|| crate::message::Digest(blake3::derive_key(UNREAD_SET, &names.concat())))
}

/// How many unread entries from the front make one message.
pub fn unread_fit(entries: &[Unread]) -> usize {
    unread_fit_within(entries, MAX_BODY - AROUND)
}

/// Like [`unread_fit`], within what is left of a message.
pub fn unread_fit_within(entries: &[Unread], room: usize) -> usize {
    let mut used = 0_usize;
    let fits = |e: &&Unread| {
        used = used.saturating_add(e.bytes.len()).saturating_add(OVERHEAD);
        used <= room
    };
    entries.iter().take_while(fits).count()
}

/// Encodes unread entries as a push: they travel like all others.
pub fn encode_push_unread(entries: &[Unread]) -> Vec<u8> {
    let mut out = Encoder::default();
    unread_list(&mut out, entries);
    out.into_bytes()
}

fn unread_list(out: &mut Encoder, entries: &[Unread]) {
    out.array(entries.len());
    for entry in entries {
        item(out, &entry.bytes, entry.sig.as_ref());
    }
}

/// Encodes the names of unread entries.
pub fn encode_names(names: &[EntryHash]) -> Vec<u8> {
    let mut out = Encoder::default();
    name_list(&mut out, names);
    out.into_bytes()
}

fn name_list(out: &mut Encoder, names: &[EntryHash]) {
    out.array(names.len());
    for name in names {
        out.bytes(&name.0);
    }
}

/// Decodes the names of unread entries.
///
/// # Errors
/// [`WireError`] where they can't be read or are more than [`MAX_UNREAD`].
pub fn decode_names(body: &[u8]) -> Result<Vec<EntryHash>, WireError> {
    bounded(body)?;
    let mut reader = Reader::new(body);
    let names = read_names(&mut reader)?;
    reader.finish()?;
    Ok(names)
}

fn read_names(reader: &mut Reader<'_>) -> Result<Vec<EntryHash>, WireError> {
    let count = few(reader.array()?, MAX_UNREAD)?;
    (0..count).map(|_| EntryHash::from_slice(reader.bytes()?).ok_or_else(|| wrong(reader.at()))).collect()
}

/// Encodes what each side lacks: `[names, entries]`.
pub fn encode_unread(reply: &UnreadReply) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(2);
    name_list(&mut out, &reply.wanted);
    unread_list(&mut out, &reply.entries);
    out.into_bytes()
}

/// Decodes what each side lacks.
///
/// # Errors
/// [`WireError`] where it can't be read, or carries an entry longer than any can be.
pub fn decode_unread(body: &[u8]) -> Result<UnreadReply, WireError> {
    bounded(body)?;
    let mut reader = Reader::new(body);
    if reader.array()? != 2 {
        return Err(wrong(reader.at()));
    }
    let wanted = read_names(&mut reader)?;
    let count = few(reader.array()?, MAX_UNREAD)?;
    let entries = (0..count).map(|_| read_item(&mut reader)).collect::<Result<Vec<_>, _>>()?;
    reader.finish()?;
    match entries.iter().map(|e| e.bytes.len()).find(|len| *len > MAX_ENTRY_BYTES) {
        Some(len) => Err(WireError::Size(len)),
        None => Ok(UnreadReply { wanted, entries }),
    }
}

const fn wrong(at: usize) -> WireError {
    WireError::Cbor(CborError { at, why: Why::Type })
}

const fn few(count: usize, most: usize) -> Result<usize, WireError> {
    if count > most { Err(WireError::Items(count, most)) } else { Ok(count) }
}
