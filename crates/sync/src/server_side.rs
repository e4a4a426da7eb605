//! The trailer's end as pure functions: what to answer, within which bounds. The server adds HTTP, a clock and a store.

use crate::local::AcceptReport;
use crate::message::{Hello, HelloReply, PushReply, Quarantined};
use crate::receipt::EntriesReceipt;
use crate::series::CertifiedSeries;
use crate::wire::{Unread, UnreadReply, Unreadable, cost, fit_within, unread_digest, unread_fit_within};
use crate::{MAX_BODY, MAX_NAMED, MAX_PHOTO, MAX_SERVER_SERIES, MAX_UNREAD, MAX_WANTED, PHOTO_PIECE};
use journal::{EntryHash, Head, Heads, Incarnation, PhotoHash, Range, Sealed, SigningKey};
use std::collections::BTreeSet;

pub use crate::wire::{Batch, decode_heads, decode_names, decode_push, decode_ranges, encode_pull, encode_unread};

/// What the trailer holds and wants when a tablet greets.
#[derive(Clone, Debug, Default)]
pub struct Holds {
    /// Its heads.
    pub heads: Heads,
    /// Names of the entries that it keeps unread.
    pub unread: Vec<EntryHash>,
    /// Photos it lacks.
    pub photos_wanted: Vec<PhotoHash>,
    /// The series it writes in, certified; empty where it is the identity key's own.
    pub series: Vec<CertifiedSeries>,
}

/// How many entries of its own series the tablet has that the trailer lacks.
pub fn entries_waiting(hello: &Hello, ours: &Heads) -> u64 {
    hello.seq.saturating_sub(ours.seq(&hello.incarnation))
}

/// The answer to a hello. The receipt repeats what the trailer holds of the tablet's own series, in case the last one was
/// lost. `key` is the identity key; `now_ms` the trailer's clock.
pub fn hello_reply(hello: &Hello, holds: Holds, key: &SigningKey, now_ms: i64) -> HelloReply {
    let Holds { heads, unread, mut photos_wanted, series: mut server_series } = holds;
    photos_wanted.truncate(MAX_WANTED);
    // The newest are the last.
    server_series.drain(..server_series.len().saturating_sub(MAX_SERVER_SERIES));
    let receipt = heads.0.get(&hello.incarnation).map(|head| EntriesReceipt::sign(key, hello.incarnation, *head, now_ms));
    HelloReply {
        same: heads.digest() == hello.digest.0,
        unread: unread_digest(&unread) != hello.unread,
        now_ms,
        photos_wanted,
        receipt,
        server_series,
    }
}

/// Longest reason in an answer, in characters.
const LONGEST_WHY: usize = 400;

/// The answer to a push, once `report` is durable and `unreadable` is kept. `incarnation` is the pushed series, `None` where
/// no entry could be read; `head` is the trailer's head of the pushed series now.
pub fn push_reply(
    incarnation: Option<Incarnation>,
    head: Option<Head>,
    report: AcceptReport,
    unreadable: &[Unreadable],
    key: &SigningKey,
    now_ms: i64,
) -> PushReply {
    let all = report.quarantined.into_iter().take(MAX_NAMED);
    let quarantined: Vec<Quarantined> =
        all.map(|(entry, why)| Quarantined { entry, why: why.chars().take(LONGEST_WHY).collect() }).collect();
    PushReply {
        receipt: incarnation.zip(head).map(|(incarnation, head)| EntriesReceipt::sign(key, incarnation, head, now_ms)),
        stored: report.stored,
        known: report.known,
        quarantined,
        unread: unreadable.len() as u64,
    }
}

/// The answer to a pull: what `ours` has of the wanted ranges, series by series, whole transactions, within [`MAX_BODY`].
/// `read` gives entries of a series from a seq on, as [`crate::Local::read`] does. Gives the entries and whether more is there.
///
/// # Errors
/// Whatever `read` fails with.
pub fn pull_answer<E>(
    ours: &Heads,
    wanted: &[(Incarnation, Range)],
    mut read: impl FnMut(&Incarnation, u64, usize) -> Result<Vec<Sealed>, E>,
) -> Result<(Vec<Sealed>, bool), E> {
    let mut room = MAX_BODY - 64;
    let mut out = Vec::new();
    for (incarnation, range) in wanted {
        let (mut next, to) = (range.from, range.to.min(ours.seq(incarnation)));
        while next <= to {
            let mut piece = read(incarnation, next, room)?;
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

/// What each side lacks of the entries kept unread. `read` gives those of the names handed in, about as many bytes as said,
/// as [`crate::Local::read_unread`] does.
///
/// # Errors
/// Whatever `read` fails with.
pub fn unread_answer<E>(
    ours: &[EntryHash],
    theirs: &[EntryHash],
    read: impl FnOnce(&[EntryHash], usize) -> Result<Vec<Unread>, E>,
) -> Result<UnreadReply, E> {
    let (here, there): (BTreeSet<_>, BTreeSet<_>) = (ours.iter().copied().collect(), theirs.iter().copied().collect());
    let wanted: Vec<EntryHash> = there.difference(&here).copied().take(MAX_UNREAD).collect();
    let lacking: Vec<EntryHash> = here.difference(&there).copied().collect();
    let room = MAX_BODY - 64 - wanted.len() * 34;
    let mut entries = if lacking.is_empty() { Vec::new() } else { read(&lacking, room)? };
    entries.truncate(unread_fit_within(&entries, room));
    Ok(UnreadReply { wanted, entries })
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
