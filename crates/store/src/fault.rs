//! What is wrong with a store, where exactly, what is safe all the same, and what to do.

use journal::{EntryHash, Incarnation, PhotoHash};
use std::fmt;

/// Where something is wrong.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// The database's own structure.
    Database,
    /// The write-ahead log.
    Log,
    /// One stored entry.
    Entry {
        /// Its series.
        series: Incarnation,
        /// Its place in the series.
        seq: u64,
        /// The hash it was stored under.
        hash: Option<EntryHash>,
    },
    /// A whole series: its chain or where it ends.
    Series(Incarnation),
    /// The view of a job.
    Job(String),
    /// The views as a whole.
    Views,
    /// A photo.
    Photo(PhotoHash),
    /// The trailer's word for a photo.
    Receipt(String),
    /// A refused entry, by its number.
    Refused(i64),
    /// An entry that cannot be read here, by its number.
    Unreadable(i64),
    /// A piece of local state, by its key.
    Setting(String),
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Where.
    pub place: Place,
    /// What is wrong, as a sentence.
    pub what: String,
    /// What is safe all the same.
    pub safe: &'static str,
    /// What to do.
    pub do_next: &'static str,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}. {} {}", self.what.trim_end_matches('.'), self.safe, self.do_next)
    }
}

const TAKE_BACK: &str = "Keep this folder as it is. Bring in an export of another device, or restore a backup beside it and bring in an export of that: a good copy puts the damaged one right.";
const RESTORE: &str = "Stop using this folder and keep it as it is. Restore the newest backup into a new folder, then sync every tablet: what they hold comes again.";

impl Fault {
    /// Says what is wrong at a place; what is safe and what to do follow from the place.
    pub fn new(place: Place, what: impl Into<String>) -> Self {
        let (safe, do_next) = match &place {
            Place::Database => {
                ("What the trailer gave receipts for is safe there; entries that can still be read here prove themselves.", RESTORE)
            }
            Place::Log => (
                "Everything before it is safe, and so is what the trailer gave receipts for.",
                "Look at the last entries of this device and record again what is missing. Sync before anything else is recorded; if the trailer says that this tablet was set back, pair it again.",
            ),
            Place::Entry { .. } => ("It is not shown and not sent on; all other entries are safe.", TAKE_BACK),
            Place::Series(_) => ("Entries that can be read prove themselves and are safe; nothing false is sent on.", TAKE_BACK),
            Place::Job(_) => {
                ("The job is not shown rather than shown without a part; its other entries and all other jobs are safe.", TAKE_BACK)
            }
            Place::Views => {
                ("Views are only made from the entries, which are safe.", "Close the program and open it again: the views are made anew.")
            }
            Place::Photo(_) => (
                "It is not shown as the photo it was and not sent on; all others are safe.",
                "Do not take the photo's tablet out of service before it has synced. Restore the photo from a backup or an export that holds it.",
            ),
            Place::Receipt(_) => (
                "Entries and photos are safe; only the word that the trailer holds a photo cannot be believed.",
                "Sync: the photo is offered again.",
            ),
            Place::Refused(_) => (
                "It was never merged; all records are safe.",
                "Nothing has to be done for the records. Keep this folder if the refused entry matters as evidence.",
            ),
            Place::Unreadable(_) => (
                "It was never merged; all records are safe. It is not sent on.",
                "Sync or bring in an export again: it comes once more from where it came.",
            ),
            Place::Setting(_) => (
                "The records are safe; this concerns only what this device keeps for itself.",
                "Enter it again where it is a half-typed value; pair the tablet again where it is its pairing.",
            ),
        };
        Self { place, what: what.into(), safe, do_next }
    }
}
