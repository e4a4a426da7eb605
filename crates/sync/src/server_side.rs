//! The trailer's end as pure functions: what to answer, within which bounds. The server adds HTTP, a clock and a store.

use crate::local::AcceptReport;
use crate::message::{Hello, HelloReply, PushReply, Quarantined};
use crate::receipt::EntriesReceipt;
use crate::wire::{Unreadable, cost, fit_within};
use crate::{MAX_BODY, MAX_PHOTO, MAX_WANTED, PHOTO_PIECE};
use journal::{Head, Heads, Incarnation, PhotoHash, Sealed, SigningKey};

pub use crate::wire::{Batch, decode_push, encode_pull};

/// How many entries of its own series the tablet has that the trailer lacks.
pub fn entries_waiting(hello: &Hello, ours: &Heads) -> u64 {
    hello.seq.saturating_sub(ours.seq(&hello.incarnation))
}

/// The answer to a hello. The receipt repeats what the trailer holds of the tablet's own series, in case the last one was lost.
pub fn hello_reply(hello: &Hello, ours: Heads, mut photos_wanted: Vec<PhotoHash>, key: &SigningKey, now_ms: i64) -> HelloReply {
    photos_wanted.truncate(MAX_WANTED);
    let receipt = ours.0.get(&hello.incarnation).map(|head| EntriesReceipt::sign(key, hello.incarnation, *head, now_ms));
    HelloReply { heads: ours, now_ms, photos_wanted, receipt }
}

/// The answer to a push, once `report` is durable. `head` is the trailer's head of the pushed series now.
pub fn push_reply(
    incarnation: Incarnation,
    head: Option<Head>,
    report: AcceptReport,
    unreadable: &[Unreadable],
    key: &SigningKey,
    now_ms: i64,
) -> PushReply {
    let mut quarantined: Vec<Quarantined> = report.quarantined.into_iter().map(|(entry, why)| Quarantined { entry, why }).collect();
    let name = |bytes: &[u8]| journal::EntryHash(*blake3::hash(bytes).as_bytes());
    quarantined.extend(unreadable.iter().map(|u| Quarantined { entry: name(&u.bytes), why: u.why.to_string() }));
    PushReply {
        receipt: head.map(|head| EntriesReceipt::sign(key, incarnation, head, now_ms)),
        stored: report.stored,
        known: report.known,
        quarantined,
    }
}

/// The answer to a pull: what `ours` has and `theirs` lacks, series by series, whole transactions, within [`MAX_BODY`].
/// `read` gives entries of a series from a seq on, as [`crate::Local::read`] does. Gives the entries and whether more is there.
///
/// # Errors
/// Whatever `read` fails with.
pub fn pull_answer<E>(
    ours: &Heads,
    theirs: &Heads,
    mut read: impl FnMut(&Incarnation, u64, usize) -> Result<Vec<Sealed>, E>,
) -> Result<(Vec<Sealed>, bool), E> {
    let mut room = MAX_BODY - 64;
    let mut out = Vec::new();
    for (incarnation, range) in ours.missing_from(theirs) {
        let mut next = range.from;
        while next <= range.to {
            let mut piece = read(&incarnation, next, room)?;
            piece.truncate(fit_within(&piece, room));
            let Some(last) = piece.last() else {
                if out.is_empty() {
                    // Fits no message at all: none of our writers makes such a transaction. It must not hold up the other series.
                    break;
                }
                return Ok((out, true));
            };
            next = last.entry.seq.saturating_add(1);
            room -= piece.iter().map(cost).sum::<usize>().min(room);
            out.append(&mut piece);
        }
    }
    Ok((out, false))
}

/// What to do with a piece of a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PhotoRule {
    /// Append the piece from this byte of it on; what stands before is there already.
    Append {
        /// Bytes of the piece to leave out.
        skip: usize,
    },
    /// All bytes are there already: check the hash and answer with the receipt.
    Finish,
    /// Write nothing; answer with the offset held. The tablet goes on from there.
    Resync,
    /// Write nothing; the request breaks a limit.
    Refuse,
}

/// The rule for a piece of `len` bytes at `offset` of a photo of `total` bytes, of which `held` bytes are on disk.
/// Where an append brings `held` to `total`, the hash is checked; if it fails, all held bytes go and the tablet begins anew.
pub const fn photo_rule(held: u64, offset: u64, len: usize, total: u64) -> PhotoRule {
    if len > PHOTO_PIECE || total > MAX_PHOTO || total == 0 || offset > total || len as u64 > total - offset {
        return PhotoRule::Refuse;
    }
    let end = offset + len as u64;
    if held == total && end == total {
        return PhotoRule::Finish;
    }
    if offset > held || end <= held {
        return PhotoRule::Resync;
    }
    PhotoRule::Append { skip: (held - offset) as usize }
}
