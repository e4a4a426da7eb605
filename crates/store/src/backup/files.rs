//! The files of a backup: names, sums, the pool of photos.

use super::{FileSum, Manifest, Named, Target, manifest};
use crate::disk::{Disk, Lock};
use crate::error::StoreError;
use crate::photos::MAX_PHOTO;
use journal::PhotoHash;
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};

pub(super) const JOURNAL: &str = "journal.sqlite";
pub(super) const MANIFEST: &str = "manifest.json";
const PIECE: usize = 256 << 10;

/// A name that is only a name: nothing in it leads anywhere else, on any system.
fn is_plain(name: &str, longest: usize) -> bool {
    (1..=longest).contains(&name.len())
        && !name.starts_with('.')
        && !name.ends_with('.')
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.'))
}

pub(super) fn check_stamp(stamp: &str) -> Result<(), StoreError> {
    let good = is_plain(stamp, 64) && !stamp.contains('.') && stamp != "photos" && stamp != "lock";
    if good { Ok(()) } else { Err(StoreError::BackupRefused(format!("{stamp:?} is no name for a snapshot; letters, digits and - only"))) }
}

pub(super) fn check_name(name: &str) -> Result<(), StoreError> {
    let mut parts = name.split('/');
    let plain = parts.by_ref().take(2).all(|part| is_plain(part, 100)) && parts.next().is_none();
    if plain { Ok(()) } else { Err(StoreError::BackupRefused(format!("{name:?} is no name for a file in a backup"))) }
}

/// One backup or clean-up at a time.
pub(super) fn lock(to: &Target) -> Result<Box<dyn Lock>, StoreError> {
    to.disk.lock(&to.root.join("lock")).map_err(|e| match e.kind() {
        std::io::ErrorKind::WouldBlock => {
            StoreError::BackupRefused("another backup into this folder is running; it goes on, and this one is not needed".into())
        }
        _ => e.into(),
    })
}

/// Writes a file and makes its bytes durable; its name is durable once the folder is synced.
pub(super) fn put(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let mut file = disk.create(path)?;
    for piece in bytes.chunks(PIECE) {
        file.write_all(piece)?;
    }
    Ok(file.sync()?)
}

pub(super) fn put_extra(disk: &dyn Disk, folder: &Path, name: &str, bytes: &[u8]) -> Result<FileSum, StoreError> {
    let path = folder.join("extra").join(name);
    if let Some(parent) = path.parent() {
        disk.private_folder(parent)?;
        put(disk, &path, bytes)?;
        disk.sync_folder(parent)?;
    }
    Ok(FileSum { bytes: bytes.len() as u64, blake3: blake3::hash(bytes).to_hex().to_string() })
}

/// BLAKE3 and length of a file, read piece by piece.
pub(super) fn sum_of(disk: &dyn Disk, path: &Path) -> Result<(String, u64), StoreError> {
    let mut hasher = blake3::Hasher::new();
    let bytes = each_piece(disk, path, u64::MAX, |piece| {
        hasher.update(piece);
        Ok(())
    })?;
    Ok((hasher.finalize().to_hex().to_string(), bytes))
}

pub(super) fn each_piece(
    disk: &dyn Disk,
    path: &Path,
    most: u64,
    mut take: impl FnMut(&[u8]) -> Result<(), StoreError>,
) -> Result<u64, StoreError> {
    let mut file = disk.open(path)?.take(most);
    let (mut piece, mut bytes) = (vec![0; PIECE], 0_u64);
    loop {
        let n = file.read(&mut piece)?;
        if n == 0 {
            return Ok(bytes);
        }
        take(piece.get(..n).unwrap_or_default())?;
        bytes += n as u64;
    }
}

/// Reads a file of known length, whole; an error where it is longer.
pub(super) fn read_all(disk: &dyn Disk, path: &Path, most: u64) -> Result<Vec<u8>, StoreError> {
    let mut out = Vec::new();
    disk.open(path)?.take(most.saturating_add(1)).read_to_end(&mut out)?;
    if out.len() as u64 > most {
        return Err(StoreError::BadBackup(format!("{} is longer than it can be", path.display())));
    }
    Ok(out)
}

/// The manifest of a snapshot, or `None` where there is none.
pub(super) fn manifest_of(disk: &dyn Disk, snapshot: &Path) -> Result<Option<Manifest>, StoreError> {
    let path = snapshot.join(MANIFEST);
    match disk.bytes(&path)? {
        None => Ok(None),
        Some(_) => Manifest::from_text(&read_all(disk, &path, manifest::LONGEST)?).map(Some),
    }
}

/// Removes a folder with everything in it, the manifest first: what is half removed is no snapshot.
pub(super) fn remove_all(disk: &dyn Disk, folder: &Path) -> Result<(), StoreError> {
    let there = match disk.list(folder) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        other => other?,
    };
    disk.remove(&folder.join(MANIFEST))?;
    for file in there {
        disk.remove(&folder.join(file.name))?;
    }
    for inner in disk.folders(folder)? {
        remove_all(disk, &folder.join(inner))?;
    }
    Ok(disk.remove_folder(folder)?)
}

/// The photos that all snapshots share.
pub(super) struct Pool<'a> {
    to: &'a Target,
    root: PathBuf,
    /// Folders with names that are not durable yet.
    touched: RefCell<BTreeSet<PathBuf>>,
}

impl<'a> Pool<'a> {
    pub fn open(to: &'a Target) -> Result<Self, StoreError> {
        let pool = Self::at(to);
        let tmp = pool.root.join("tmp");
        to.disk.private_folder(&tmp)?;
        // The lock keeps other backups out: what lies here was left by a cut one.
        for left in to.disk.list(&tmp)? {
            to.disk.remove(&tmp.join(left.name))?;
        }
        Ok(pool)
    }

    /// For reading only.
    pub fn at(to: &'a Target) -> Self {
        Self { to, root: to.root.join("photos"), touched: RefCell::default() }
    }

    pub fn path(&self, photo: &PhotoHash) -> PathBuf {
        self.root.join(&photo.to_hex()[..2]).join(photo.to_hex())
    }

    /// True where it is there with its whole length. Its bytes are looked at by [`super::check`].
    pub fn holds(&self, photo: &PhotoHash, bytes: u64) -> Result<bool, StoreError> {
        let found = match self.to.disk.bytes(&self.path(photo)) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
            other => other?,
        };
        Ok(found == Some(bytes))
    }

    /// Copies a photo in, hashing it on the way; gives its length, or `None` where the bytes are not that photo.
    pub fn take(&self, disk: &dyn Disk, from: &Path, photo: &PhotoHash) -> Result<Option<u64>, StoreError> {
        let mine = &*self.to.disk;
        let tmp = self.root.join("tmp").join(photo.to_hex());
        let mut hasher = blake3::Hasher::new();
        let mut file = mine.create(&tmp)?;
        let mut written = Ok(());
        let read = each_piece(disk, from, MAX_PHOTO + 1, |piece| {
            hasher.update(piece);
            written = file.write_all(piece);
            if written.is_ok() { Ok(()) } else { Err(std::io::Error::other("not written").into()) }
        });
        written?;
        // A photo that cannot be read must not keep the others out of the backup.
        let Ok(bytes) = read else {
            drop(file);
            mine.remove(&tmp)?;
            return Ok(None);
        };
        if hasher.finalize().as_bytes() != &photo.0 {
            drop(file);
            mine.remove(&tmp)?;
            return Ok(None);
        }
        file.sync()?;
        drop(file);
        let to = self.path(photo);
        let folder = to.parent().unwrap_or(&self.root).to_owned();
        mine.private_folder(&folder)?;
        mine.rename(&tmp, &to)?;
        self.touched.borrow_mut().insert(folder);
        Ok(Some(bytes))
    }

    /// Makes the names of all photos copied durable.
    pub fn settle(&self) -> Result<(), StoreError> {
        for folder in self.touched.borrow().iter() {
            self.to.disk.sync_folder(folder)?;
        }
        Ok(self.to.disk.sync_folder(&self.root)?)
    }

    /// Removes photos that are not `named`. Gives how many.
    pub fn keep_only(&self, named: &Named) -> Result<u64, StoreError> {
        let (disk, mut gone) = (&*self.to.disk, 0);
        for folder in disk.folders(&self.root)? {
            let folder = self.root.join(folder);
            for file in disk.list(&folder)? {
                if PhotoHash::from_hex(&file.name).is_some_and(|photo| !named.contains_key(&photo)) {
                    disk.remove(&folder.join(file.name))?;
                    gone += 1;
                }
            }
        }
        Ok(gone)
    }
}
