//! What the exchange needs of the tablet: its journal and its photos.

use crate::receipt::{EntriesReceipt, PhotoReceipt};
use crate::wire::Unread;
use job::Say;
use journal::{EntryHash, Heads, Incarnation, PhotoHash, Sealed, VerifyingKey};

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

    /// Series that were written here before the present one and of which the trailer has not signed for the end. They are
    /// sent whole, so that it says what it has of them.
    ///
    /// # Errors
    /// Where the journal can't be read.
    fn unsigned(&self) -> Result<Vec<Incarnation>, Say> {
        Ok(Vec::new())
    }

    /// Series that were given to the trailer whole in an earlier exchange and that it holds in another version: it keeps
    /// ours apart, and they are not sent again.
    ///
    /// # Errors
    /// Where the journal can't be read.
    fn given(&self) -> Result<Vec<Incarnation>, Say> {
        Ok(Vec::new())
    }

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

    /// The names ([`Unread::name`]) of the entries that are kept here without being readable, in any order.
    ///
    /// # Errors
    /// Where they can't be read.
    fn unread(&self) -> Result<Vec<EntryHash>, Say>;

    /// Those of these that are here, in any order: about `max_bytes` of them, at least one if there is any.
    ///
    /// # Errors
    /// Where they can't be read.
    fn read_unread(&self, names: &[EntryHash], max_bytes: usize) -> Result<Vec<Unread>, Say>;

    /// Keeps entries that can't be read here as they came, durable on return. Gives how many are new. Nothing vouches for
    /// them, so a side bounds how much of them it keeps.
    ///
    /// # Errors
    /// Where they can't be kept (disk full).
    fn keep_unread(&mut self, entries: Vec<Unread>) -> Result<u64, Say>;

    /// The series in which the trailer writes beside the one of its identity key, whose certificates have been checked: what
    /// it says there is believed from now on.
    ///
    /// # Errors
    /// Where that can't be kept.
    fn server_series(&mut self, keys: &[VerifyingKey]) -> Result<(), Say>;

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

    /// The trailer has every entry of a series (our own, or one of [`Local::unsigned`]) up to one that stands here, and signed for it. The signature has been checked, and
    /// that the hash is the one of the entry that stands here.
    ///
    /// # Errors
    /// Where the receipt can't be kept.
    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say>;
}
