//! Entries on the wire: canonical CBOR lists of `[bytes, signature or null]`, bounded and checked one by one.

use crate::MAX_BODY;
use journal::cbor::{CborError, Encoder, Reader};
use journal::{DecodeError, Sealed, Signature};

/// What one entry costs beside its bytes: a list of two, two byte heads, the signature.
const OVERHEAD: usize = 1 + 5 + 2 + 64;
/// Room for the heads around the entries.
const AROUND: usize = 16;

/// A body that is not a list of entries.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WireError {
    /// Not canonical.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// A signature of another length.
    #[error("a signature has the wrong length")]
    Signature,
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
    let wrong = CborError { at: 0, why: journal::cbor::Why::Type };
    let (2, more @ 0..=1) = (reader.array()?, reader.unsigned()?) else { return Err(wrong.into()) };
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
        out.array(2);
        out.bytes(&sealed.bytes);
        match &sealed.sig {
            Some(sig) => out.bytes(&sig.0),
            None => out.null(),
        }
    }
}

fn read_list(reader: &mut Reader<'_>) -> Result<(Vec<Sealed>, Vec<Unreadable>), WireError> {
    let (mut entries, mut unreadable) = (Vec::new(), Vec::new());
    for _ in 0..reader.array()? {
        if reader.array()? != 2 {
            return Err(CborError { at: reader.at(), why: journal::cbor::Why::Type }.into());
        }
        let bytes = reader.bytes()?.to_vec();
        let sig = match reader.null()? {
            true => None,
            false => Some(Signature::from_slice(reader.bytes()?).ok_or(WireError::Signature)?),
        };
        match Sealed::open(bytes.clone(), sig) {
            Ok(sealed) => entries.push(sealed),
            Err(why) => unreadable.push(Unreadable { bytes, sig, why }),
        }
    }
    Ok((entries, unreadable))
}
