//! What the exchange needs of the tablet: its journal and its photos.

use crate::receipt::{EntriesReceipt, PhotoReceipt};
use job::Say;
use journal::{EntryHash, Heads, Incarnation, PhotoHash, Sealed};

/// What became of entries handed in. Nothing is dropped: what can't be merged is kept in quarantine.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AcceptReport {
    /// New and merged.
    pub stored: u64,
    /// Already there.
    pub known: u64,
    /// Kept apart, each with the reason as a sentence.
    pub quarantined: Vec<(EntryHash, String)>,
}

/// The tablet's side of the exchange. Errors are sentences for people and end the exchange.
pub trait Local {
    /// The head of every series that is here, at the end of a whole transaction.
    ///
    /// # Errors
    /// Where the journal can't be read.
    fn heads(&self) -> Result<Heads, Say>;

    /// This tablet's own series and the seq of its last entry (0 where it has none).
    ///
    /// # Errors
    /// Where the journal can't be read.
    fn own(&self) -> Result<(Incarnation, u64), Say>;

    /// Entries of one series from `from_seq` on: at most about `max_bytes` of canonical bytes, but always at least the
    /// whole first transaction.
    ///
    /// # Errors
    /// Where the journal can't be read.
    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say>;

    /// Verifies and keeps foreign entries, durable on return.
    ///
    /// # Errors
    /// Where they can't be kept (disk full).
    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say>;

    /// Photos that have no receipt yet, with their length in bytes.
    ///
    /// # Errors
    /// Where the list can't be read.
    fn photos_waiting(&self) -> Result<Vec<(PhotoHash, u64)>, Say>;

    /// The length of a photo whose bytes are here, receipt or not.
    ///
    /// # Errors
    /// Where the list can't be read.
    fn photo_len(&self, photo: &PhotoHash) -> Result<Option<u64>, Say>;

    /// A piece of a photo's original bytes: exactly `len` bytes, or fewer only at its end.
    ///
    /// # Errors
    /// Where the file can't be read; the exchange goes on with the next photo then.
    fn photo_piece(&self, photo: &PhotoHash, offset: u64, len: usize) -> Result<Vec<u8>, Say>;

    /// The trailer has the whole photo and signed for it. The signature has been checked.
    ///
    /// # Errors
    /// Where the receipt can't be kept.
    fn photo_received(&mut self, receipt: PhotoReceipt) -> Result<(), Say>;

    /// The trailer has every entry of a series up to one of ours, and signed for it. The signature has been checked, and
    /// that the hash is the one of the entry that stands here.
    ///
    /// # Errors
    /// Where the receipt can't be kept.
    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say>;
}
