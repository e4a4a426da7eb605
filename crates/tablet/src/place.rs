//! The place mark: what binds this tablet's key to this place, kept in a file beside the key and outside the database.
//!
//! A key must be used in one place by one database: two that sign under it, or one that was set back, would write two
//! different entries at the same place of a series. The mark holds which files, which machine and which last entry were seen,
//! so that the next start can tell. What it cannot tell (a whole disk copied bit by bit) the trailer sees at the next sync.
//!
//! The mark is a help and never a hindrance: where it cannot be read or written, nothing is refused. A mark that calls alarm
//! for nothing costs a new pairing and no record.

use crate::env::Env;
use crate::identity::{self, Identity};
use journal::{Head, Incarnation};
use serde::{Deserialize, Serialize};
use std::fs;
use std::path::Path;

const FILE: &str = "place.json";
const FORMAT: u32 = 1;

/// What names a file as long as it is neither copied nor replaced.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FileId {
    /// Number of the file in its file system (unix).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    inode: Option<u64>,
    /// When it was made, nanoseconds since 1970, where the file system keeps that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    born_ns: Option<u64>,
}

impl FileId {
    fn of(path: &Path) -> Self {
        let Ok(meta) = fs::metadata(path) else { return Self::default() };
        #[cfg(unix)]
        let inode = Some(std::os::unix::fs::MetadataExt::ino(&meta));
        #[cfg(not(unix))]
        let inode = None;
        // A Mac's copy keeps the original's date, so it tells nothing there.
        let born = if cfg!(target_vendor = "apple") { None } else { meta.created().ok() };
        let born_ns = born.and_then(|at| at.duration_since(std::time::UNIX_EPOCH).ok()).and_then(|d| u64::try_from(d.as_nanos()).ok());
        Self { inode, born_ns }
    }

    /// True where they are certainly two files. File systems without lasting numbers (FAT, some network disks) still keep
    /// the date; where neither tells, nothing is claimed.
    fn differs(self, now: Self) -> bool {
        let other = |a: Option<u64>, b: Option<u64>| a.zip(b).map(|(a, b)| a != b);
        match (other(self.inode, now.inode), other(self.born_ns, now.born_ns)) {
            (Some(inode), Some(born)) => inode && born,
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => false,
        }
    }
}

/// The name of the tablet: what it writes under, and what that was made from.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Name {
    /// E.g. `K4`, or `K4-7F2` after a new series.
    pub name: String,
    /// E.g. `K4`.
    pub base: String,
}

/// The file's content.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Mark {
    format: u32,
    /// A hash of the machine's own name, where it has one.
    #[serde(default)]
    machine: Option<String>,
    key_file: FileId,
    journal: FileId,
    /// The series of the key.
    pub series: Incarnation,
    /// Its last entry that was seen.
    #[serde(default)]
    pub head: Option<Head>,
    /// The tablet's name.
    #[serde(default)]
    pub name: Option<Name>,
}

/// What a mark says against going on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Moved {
    /// Another machine.
    Machine,
    /// The key file is a copy, or was put back.
    Key,
    /// The key is another one than the mark was made for.
    OtherKey,
    /// The database is a copy, or was put back.
    Journal,
}

impl Mark {
    /// What is so now.
    pub fn now(dir: &Path, env: &dyn Env, identity: &Identity, head: Option<Head>, name: Option<&Name>) -> Self {
        Self {
            format: FORMAT,
            machine: env.machine().map(hex::encode),
            key_file: FileId::of(&dir.join(identity::FILE)),
            journal: FileId::of(&dir.join("journal.sqlite")),
            series: identity.incarnation,
            head,
            name: name.cloned(),
        }
    }

    /// The mark of a folder; `None` where there is none, or none that this program can read.
    pub fn read(dir: &Path) -> Option<Self> {
        let mark: Self = serde_json::from_slice(&fs::read(dir.join(FILE)).ok()?).ok()?;
        (mark.format == FORMAT).then_some(mark)
    }

    /// Writes it. Best effort: without a mark only the trailer can tell.
    pub fn write(&self, dir: &Path) {
        if let Ok(bytes) = serde_json::to_vec_pretty(self) {
            let _ = identity::write_private(dir, FILE, &bytes);
        }
    }

    /// What is no longer as it was. Clocks and restarts have no part in it.
    pub fn moved(&self, now: &Self) -> Option<Moved> {
        let machine = self.machine.is_some() && now.machine.is_some() && self.machine != now.machine;
        match () {
            () if self.series != now.series => Some(Moved::OtherKey),
            () if machine => Some(Moved::Machine),
            () if self.key_file.differs(now.key_file) => Some(Moved::Key),
            () if self.journal.differs(now.journal) => Some(Moved::Journal),
            () => None,
        }
    }

    /// True where this certainly is the machine and the database that the mark was made for.
    pub fn same_place_but_key(&self, now: &Self) -> bool {
        (self.machine.is_none() || self.machine == now.machine) && !self.journal.differs(now.journal)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_is_another_file_and_a_rewritten_one_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let (a, b) = (dir.path().join("a"), dir.path().join("b"));
        fs::write(&a, "x").unwrap();
        let first = FileId::of(&a);
        fs::write(&a, "longer").unwrap();
        assert!(!first.differs(FileId::of(&a)), "written in place");
        fs::copy(&a, &b).unwrap();
        assert!(FileId::of(&a).differs(FileId::of(&b)), "a copy");
        fs::rename(&b, &a).unwrap();
        assert!(first.differs(FileId::of(&a)), "put in its place");
        assert!(!first.differs(FileId::of(&dir.path().join("gone"))), "what cannot be seen claims nothing");
    }

    #[test]
    fn one_of_number_and_date_that_stays_is_enough() {
        let id = |inode, born_ns| FileId { inode, born_ns };
        for (was, is, differs) in [
            (id(Some(1), Some(5)), id(Some(2), Some(5)), false),
            (id(Some(1), Some(5)), id(Some(1), Some(6)), false),
            (id(Some(1), Some(5)), id(Some(2), Some(6)), true),
            (id(Some(1), None), id(Some(2), Some(6)), true),
            (id(None, Some(5)), id(None, Some(6)), true),
            (id(None, None), id(Some(2), Some(6)), false),
        ] {
            assert_eq!(was.differs(is), differs, "{was:?} {is:?}");
        }
    }
}
