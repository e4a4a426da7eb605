//! Unread entries of a store that gives them by their order of arrival: their names, and those of given names.

use crate::wire::Unread;
use journal::EntryHash;
use std::collections::BTreeSet;

/// The names of all. `read` gives a piece from a place on, each with its own place, and nothing at the end.
///
/// # Errors
/// Whatever `read` fails with.
pub fn names<E>(read: impl FnMut(u64) -> Result<Vec<(u64, Unread)>, E>) -> Result<Vec<EntryHash>, E> {
    let mut names = Vec::new();
    walk(read, |entry| {
        names.push(entry.name());
        true
    })?;
    Ok(names)
}

/// Those of these names, about `max_bytes` of them, at least one if there is any. `read` as for [`names`].
///
/// # Errors
/// Whatever `read` fails with.
pub fn named<E>(wanted: &[EntryHash], max_bytes: usize, read: impl FnMut(u64) -> Result<Vec<(u64, Unread)>, E>) -> Result<Vec<Unread>, E> {
    let mut wanted: BTreeSet<EntryHash> = wanted.iter().copied().collect();
    let (mut out, mut used) = (Vec::new(), 0_usize);
    walk(read, |entry| {
        if wanted.remove(&entry.name()) {
            used = used.saturating_add(entry.bytes.len());
            if used > max_bytes && !out.is_empty() {
                return false;
            }
            out.push(entry);
        }
        !wanted.is_empty()
    })?;
    Ok(out)
}

/// Calls `see` with each entry until it says no.
fn walk<E>(mut read: impl FnMut(u64) -> Result<Vec<(u64, Unread)>, E>, mut see: impl FnMut(Unread) -> bool) -> Result<(), E> {
    let mut from = 0;
    loop {
        let piece = read(from)?;
        let Some((last, _)) = piece.last() else { return Ok(()) };
        from = last.saturating_add(1);
        for (_, entry) in piece {
            if !see(entry) {
                return Ok(());
            }
        }
    }
}
