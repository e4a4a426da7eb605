//! Backups of a whole store while it serves: a folder with one pool of photos and one folder a snapshot.
//!
//! ```text
//! ROOT/photos/ab/abcd...            photos by hash, shared by all snapshots
//! ROOT/<stamp>/journal.sqlite       a consistent copy of the database
//! ROOT/<stamp>/extra/<name>         keys and whatever else the program gave along
//! ROOT/<stamp>/manifest.json        written last: what belongs to it, with every file's BLAKE3
//! ```
//! A snapshot is made as `<stamp>.partial` and renamed once all of it is durable. A cut at any point leaves the earlier
//! snapshots whole and a `.partial` that the next backup sweeps. Photos are always copied, never linked: a link shares every
//! bit that the disk flips.

mod files;
mod manifest;
mod prune;
mod restore;

pub(crate) use manifest::heads;
pub use manifest::{FileSum, Manifest};
pub use prune::{Pruned, Snapshot, list, prune};
pub use restore::{Place, Restored, check, restore};

use crate::disk::{Disk, Real};
use crate::error::StoreError;
use crate::open;
use crate::photos::Size;
use crate::read::Reader;
use files::{JOURNAL, MANIFEST};
use journal::PhotoHash;
use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Ending of a snapshot that is not finished.
const PARTIAL: &str = ".partial";
/// Pages copied at a time: 1 MiB.
const PAGES: i32 = 256;

/// Where backups go, and over which disk.
#[derive(Clone, Debug)]
pub struct Target {
    /// The folder of all snapshots.
    pub root: PathBuf,
    /// The disk under its files.
    pub disk: Arc<dyn Disk>,
    /// Name of the SQLite VFS for the copy of the database, instead of the default one.
    pub vfs: Option<String>,
}

impl Target {
    /// A folder on the real disk.
    pub fn new(root: &Path) -> Self {
        Self { root: root.to_owned(), disk: Arc::new(Real), vfs: None }
    }

    fn snapshot(&self, stamp: &str) -> PathBuf {
        self.root.join(stamp)
    }
}

/// What a backup did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BackupReport {
    /// Name of the snapshot.
    pub stamp: String,
    /// Entries in it.
    pub entries: u64,
    /// Series in it.
    pub series: u64,
    /// Photos it names.
    pub photos: u64,
    /// Photos copied just now; the others were in the pool.
    pub photos_new: u64,
    /// Bytes written just now.
    pub bytes: u64,
    /// Photos that are damaged in the store and therefore not in this backup. An earlier snapshot may name a good copy.
    pub damaged: Vec<PhotoHash>,
    /// Snapshots that an earlier run left unfinished and that were removed.
    pub swept: Vec<String>,
}

impl Reader {
    /// Makes a consistent backup while the store serves. Give it a reader of its own ([`crate::Store::reader`]), on a thread
    /// of its own: the writer goes on meanwhile, and what it commits after the beginning is not in the backup.
    ///
    /// `stamp` names the snapshot: letters, digits and `-`, at most 64; names are sorted as text, so begin with the time,
    /// e.g. `2026-03-14-0300`. `extra` is kept beside the journal, each under a plain name or `folder/name`, readable only by
    /// the account that runs the program. Everything is durable on return.
    ///
    /// # Errors
    /// [`StoreError::BackupRefused`] for a bad or taken name, [`StoreError::InUse`] while another backup runs there,
    /// [`StoreError::DiskFull`], and whatever the disk says. The store and the earlier snapshots are untouched then; errors of
    /// the backup's disk do not stop the store.
    pub fn backup(&self, to: &Target, stamp: &str, extra: &[(&str, &[u8])]) -> Result<BackupReport, StoreError> {
        files::check_stamp(stamp)?;
        extra.iter().try_for_each(|(name, _)| files::check_name(name))?;
        self.check()?;
        to.disk.private_folder(&to.root)?;
        let _lock = files::lock(to)?;
        let mut report = BackupReport { stamp: stamp.to_owned(), swept: prune::sweep(to)?, ..BackupReport::default() };
        if to.disk.folders(&to.root)?.iter().any(|name| name == stamp) {
            return Err(StoreError::BackupRefused(format!("there is a snapshot named {stamp} already")));
        }
        let partial = to.root.join(format!("{stamp}{PARTIAL}"));
        let made = self.make(to, &partial, stamp, extra, &mut report);
        if made.is_err() {
            // Best effort: what stays is swept by the next one.
            let _ = files::remove_all(&*to.disk, &partial);
        }
        made?;
        to.disk.rename(&partial, &to.snapshot(stamp))?;
        to.disk.sync_folder(&to.root)?;
        Ok(report)
    }

    fn make(&self, to: &Target, partial: &Path, stamp: &str, extra: &[(&str, &[u8])], report: &mut BackupReport) -> Result<(), StoreError> {
        let disk = &*to.disk;
        disk.private_folder(partial)?;
        let mut manifest = self.in_one_view(|c| {
            copy_database(c, &partial.join(JOURNAL), to.vfs.as_deref())?;
            Manifest::of(c, stamp)
        })?;
        let (journal, bytes) = files::sum_of(disk, &partial.join(JOURNAL))?;
        manifest.files.insert(JOURNAL.to_owned(), FileSum { bytes, blake3: journal });
        report.bytes += bytes;
        for (name, content) in extra {
            manifest.files.insert(format!("extra/{name}"), files::put_extra(disk, partial, name, content)?);
            report.bytes += content.len() as u64;
        }
        self.copy_photos(to, &mut manifest, report)?;
        let text = manifest.to_text()?;
        files::put(disk, &partial.join(MANIFEST), text.as_bytes())?;
        disk.sync_folder(partial)?;
        (report.entries, report.series) = (manifest.entries, manifest.heads.0.len() as u64);
        report.photos = manifest.photos.len() as u64;
        Ok(())
    }

    /// Runs `read` over one unchanging view of the database, whatever is written meanwhile.
    pub(crate) fn in_one_view<T>(&self, read: impl FnOnce(&Connection) -> Result<T, StoreError>) -> Result<T, StoreError> {
        self.ask(|c| {
            c.execute_batch("BEGIN")?;
            let result = c.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(())).map_err(StoreError::from);
            let result = result.and_then(|()| read(c));
            let ended = c.execute_batch("ROLLBACK");
            let value = result?;
            ended?;
            Ok(value)
        })
    }

    /// Copies into the pool what is not there yet, checking each photo's hash on the way.
    fn copy_photos(&self, to: &Target, manifest: &mut Manifest, report: &mut BackupReport) -> Result<(), StoreError> {
        let pool = files::Pool::open(to)?;
        // Photos are durable before an entry names them, so all that the copied journal names are listed by now.
        for (photo, bytes) in self.photos().all()? {
            if pool.holds(&photo, bytes)? {
                manifest.photos.insert(photo, bytes);
                continue;
            }
            let from = self.photos().path(&photo, Size::Full);
            match pool.take(self.photos().disk(), &from, &photo)? {
                Some(copied) => {
                    manifest.photos.insert(photo, copied);
                    report.photos_new += 1;
                    report.bytes += copied;
                }
                None => report.damaged.push(photo),
            }
        }
        manifest.damaged.clone_from(&report.damaged);
        pool.settle()
    }
}

/// Copies the database as the open view of `from` shows it. The copy's own file is durable on return.
fn copy_database(from: &Connection, to: &Path, vfs: Option<&str>) -> Result<(), StoreError> {
    let mut copy = open::connect_plain(to, vfs).map_err(beside)?;
    {
        let backup = Backup::new(from, &mut copy).map_err(|e| beside(e.into()))?;
        loop {
            match backup.step(PAGES).map_err(|e| beside(e.into()))? {
                StepResult::Done => break,
                StepResult::More => {}
                _ => std::thread::sleep(std::time::Duration::from_millis(20)),
            }
        }
    }
    copy.close().map_err(|(_, e)| beside(e.into()))
}

/// An error of the backup's disk says nothing about the store's own.
fn beside(e: StoreError) -> StoreError {
    match e {
        StoreError::Stopped(why) | StoreError::Damaged(why) => {
            StoreError::BackupRefused(format!("the database could not be copied ({why}); check the store and the backup's disk"))
        }
        other => other,
    }
}

/// Photos of a manifest, for those who look for what nobody names.
type Named = BTreeMap<PhotoHash, u64>;
