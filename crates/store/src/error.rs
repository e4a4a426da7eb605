//! What can go wrong on disk, in words that say what is safe and what to do.

use journal::{ChainFault, DecodeError, PhotoHash};
use std::io;

/// Why the store did not do what was asked. Nothing that was acknowledged before is lost by any of these.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The disk failed once; nothing more is written or read until the store is opened again.
    #[error(
        "The disk reported an error ({0}). What was shown as saved before is safe; the last tap may not be saved. Close the app and open it again, then check the last entry."
    )]
    Stopped(String),
    /// No room.
    #[error(
        "The disk is full. This was NOT saved; what was shown as saved before is safe. Sync in the trailer, make room, then save again."
    )]
    DiskFull,
    /// Little room left: photos are refused so that records still fit.
    #[error("The disk is nearly full ({} MB left). The photo was NOT saved; records still are. Sync in the trailer and make room.", .free >> 20)]
    NearlyFull {
        /// Bytes left.
        free: u64,
    },
    /// Another program has the folder open.
    #[error("Another Tubewright program has this data folder open. Nothing is lost. Close the other one first.")]
    InUse,
    /// The SQLite in this program is one that can lose committed writes.
    #[error(
        "This program was built with SQLite {0}, which can lose saved entries; 3.51.3 or newer is needed. Nothing was opened. Install a sound build."
    )]
    OldSqlite(String),
    /// A setting SQLite did not take.
    #[error("The database does not keep to {setting} (wanted {wanted}, found {found}). Nothing was opened, nothing is lost. Report this.")]
    Pragma {
        /// Name of the setting.
        setting: &'static str,
        /// What was asked for.
        wanted: String,
        /// What it is.
        found: String,
    },
    /// The file belongs to something else.
    #[error("The file journal.sqlite in this folder is not a Tubewright journal. It was not touched. Choose another data folder.")]
    NotOurs,
    /// Written by a newer program.
    #[error(
        "This data folder was written by a newer Tubewright (layout {found}; this program knows {known}). It was not touched. Update this program."
    )]
    Newer {
        /// Layout found.
        found: i64,
        /// Newest layout known here.
        known: i64,
    },
    /// Stored bytes are not what they were.
    #[error("Stored data are damaged: {0}. Do not sync. Keep the folder as it is and restore from the trailer or a backup.")]
    Damaged(String),
    /// One stored record is not what it was; everything else can still be used.
    #[error(
        "One stored record is damaged: {0}. It is not shown and not sent on; all others are safe. Keep this folder as it is and take the record back from the trailer, an export or a backup."
    )]
    DamagedRecord(String),
    /// A restore into this folder was cut short.
    #[error(
        "A restore into this folder was not finished, so what is in it is not whole. The backup it came from was not changed. Run the restore again into the same folder."
    )]
    HalfRestored,
    /// A restore needs an empty folder.
    #[error("The folder {0} is not empty. Nothing was changed. Restore into a new, empty folder.")]
    NotEmpty(String),
    /// A backup that cannot be used.
    #[error("This backup cannot be used: {0}. Nothing was changed. Take an older snapshot of the same backup folder.")]
    BadBackup(String),
    /// A backup could not be begun.
    #[error("The backup was NOT made: {0}. The records and the earlier backups are safe. Correct it and begin the backup again.")]
    BackupRefused(String),
    /// A file that is no export.
    #[error("This file cannot be brought in: {0}. Nothing was changed. Choose a file that was made by an export.")]
    NoBundle(String),
    /// What is kept apart has reached its limit.
    #[error(
        "{what} take {} MB here, which is the limit. These entries were NOT taken in and stay where they are; nothing else is lost. Export this store, and ask who sends them.",
        crate::unreadable::MOST >> 20
    )]
    KeptFull {
        /// What: refused entries, or entries that cannot be read.
        what: &'static str,
    },
    /// An own transaction does not follow.
    #[error("The entry was NOT saved: {0}")]
    Chain(#[from] ChainFault),
    /// Bytes that are no entry.
    #[error("The entry was NOT saved: {0}")]
    Decode(#[from] DecodeError),
    /// No site is known yet, so nothing can be judged.
    #[error("This device does not belong to a site yet, and what came names more than one. Nothing was taken in. Pair it first.")]
    NoSite,
    /// The store already belongs to another site.
    #[error("This data folder belongs to another site. Nothing was changed. Use a folder of its own for each site.")]
    OtherSite,
    /// An own entry names a photo that is not on disk.
    #[error("The entry was NOT saved: the photo it names ({0}) is not on this disk. Take the photo again.")]
    PhotoMissing(PhotoHash),
    /// A photo beyond the limit.
    #[error("The photo is larger than {} MB. It was NOT saved; nothing else is lost. Take it again at a lower resolution.", .most >> 20)]
    PhotoTooLong {
        /// Limit in bytes.
        most: u64,
    },
    /// A piece of an upload does not continue what is here.
    #[error("The upload stands at byte {have}; send on from there.")]
    UploadOffset {
        /// Bytes already durable here.
        have: u64,
    },
    /// The uploaded bytes are not the photo they should be.
    #[error(
        "The photo arrived damaged (its hash does not fit) and was thrown away here. It is still on the tablet. Send it again from the start."
    )]
    UploadHash,
    /// A file operation failed; nothing was acknowledged.
    #[error(
        "A file could not be used ({0}). This was NOT saved; what was shown as saved before is safe. Try again; if it comes back, close the app and open it again."
    )]
    Io(io::Error),
    /// SQLite refused.
    #[error("The database refused ({0}). This was NOT saved; what was shown as saved before is safe. Close the app and open it again.")]
    Sql(rusqlite::Error),
    /// A view could not be written as JSON, or a stored one not read.
    #[error("A stored view could not be read ({0}). The entries are safe. Rebuild the views.")]
    Json(#[from] serde_json::Error),
}

impl StoreError {
    /// Stable code for the screens.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Stopped(_) => "store-stopped",
            Self::DiskFull => "disk-full",
            Self::NearlyFull { .. } => "disk-nearly-full",
            Self::InUse => "store-in-use",
            Self::OldSqlite(_) => "sqlite-old",
            Self::Pragma { .. } => "store-setting",
            Self::NotOurs => "store-not-ours",
            Self::Newer { .. } => "store-newer",
            Self::Damaged(_) => "store-damaged",
            Self::DamagedRecord(_) => "record-damaged",
            Self::HalfRestored => "half-restored",
            Self::NotEmpty(_) => "folder-not-empty",
            Self::BadBackup(_) => "backup-unusable",
            Self::BackupRefused(_) => "backup-refused",
            Self::NoBundle(_) => "export-unusable",
            Self::KeptFull { .. } => "kept-full",
            Self::Chain(_) | Self::Decode(_) => "entry-refused",
            Self::NoSite => "no-site",
            Self::OtherSite => "other-site",
            Self::PhotoMissing(_) => "photo-missing",
            Self::PhotoTooLong { .. } => "photo-too-long",
            Self::UploadOffset { .. } => "upload-offset",
            Self::UploadHash => "upload-hash",
            Self::Io(_) => "file-error",
            Self::Sql(_) => "database-error",
            Self::Json(_) => "view-error",
        }
    }

    /// True where there was no room.
    pub const fn is_disk_full(&self) -> bool {
        matches!(self, Self::DiskFull | Self::NearlyFull { .. })
    }
}

impl From<io::Error> for StoreError {
    fn from(e: io::Error) -> Self {
        match e.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull,
            io::ErrorKind::FileTooLarge => Self::PhotoTooLong { most: crate::photos::MAX_PHOTO },
            _ => Self::Io(e),
        }
    }
}

impl From<rusqlite::Error> for StoreError {
    fn from(e: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        match e.sqlite_error_code() {
            Some(Code::DiskFull) => Self::DiskFull,
            // The memory that connections share lies in a file too, and no room for it is told as an I/O error.
            Some(Code::SystemIoFailure) if e.sqlite_error().is_some_and(|e| e.extended_code == rusqlite::ffi::SQLITE_IOERR_SHMSIZE) => {
                Self::DiskFull
            }
            // A log that cannot be made is told as a file that cannot be opened.
            Some(Code::SystemIoFailure | Code::CannotOpen) => Self::Stopped(e.to_string()),
            Some(Code::DatabaseCorrupt | Code::NotADatabase) => Self::Damaged(e.to_string()),
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::InUse,
            _ => Self::Sql(e),
        }
    }
}
