//! Photo files, named by the hash of their bytes: `photos/ab/abcd...`, with `.1600.jpg` and `.256.jpg` beside it.
//!
//! A photo is streamed to `photos/tmp` while it is hashed, synced, renamed, and its folder synced. Only then does the
//! caller hold its hash, and only then can an entry name it. Whatever lies in `photos/tmp` when the store is opened belongs
//! to nobody: the store's lock keeps other programs out.

use crate::disk::{Disk, DiskFile};
use crate::error::StoreError;
use crate::stop::Stop;
use journal::PhotoHash;
use std::collections::BTreeSet;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A photo's longest file: 64 MiB.
pub const MAX_PHOTO: u64 = 64 << 20;
/// With less room than this, photos are refused so that records still fit: 500 MiB.
pub const PHOTO_FLOOR: u64 = 500 << 20;

/// Which picture of a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Size {
    /// The untouched original.
    Full,
    /// Longest side 1600 px, JPEG, upright.
    Large,
    /// Longest side 256 px, JPEG, upright.
    Small,
}

impl Size {
    /// `full`, `1600` or `256`.
    pub fn parse(text: &str) -> Option<Self> {
        match text {
            "full" => Some(Self::Full),
            "1600" => Some(Self::Large),
            "256" => Some(Self::Small),
            _ => None,
        }
    }

    const fn ending(self) -> &'static str {
        match self {
            Self::Full => "",
            Self::Large => ".1600.jpg",
            Self::Small => ".256.jpg",
        }
    }
}

/// The photo files of one store. Cheap to share: uploads and imports need not hold the database.
#[derive(Clone, Debug)]
pub struct Photos(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    root: PathBuf,
    disk: Arc<dyn Disk>,
    stop: Stop,
    floor: u64,
    next: AtomicU64,
    /// One upload piece at a time, so that a piece and the look at the length before it are one.
    uploads: Mutex<()>,
}

impl Photos {
    /// Makes the folders and sweeps what an earlier run left half done.
    pub(crate) fn open(root: PathBuf, disk: Arc<dyn Disk>, stop: Stop, floor: u64) -> Result<Self, StoreError> {
        let photos = Self(Arc::new(Inner { root, disk, stop, floor, next: AtomicU64::new(0), uploads: Mutex::new(()) }));
        let disk = photos.disk();
        disk.create_folder(&photos.tmp())?;
        disk.create_folder(&photos.parts())?;
        // All at once, so that a photo's folder is always durable before the photo.
        for byte in 0..=255_u8 {
            disk.create_folder(&photos.0.root.join(hex::encode([byte])))?;
        }
        disk.sync_folder(&photos.0.root)?;
        if let Some(parent) = photos.0.root.parent() {
            disk.sync_folder(parent)?;
        }
        for left in disk.list(&photos.tmp())? {
            disk.remove(&photos.tmp().join(left.name))?;
        }
        Ok(photos)
    }

    /// The photos of a store that another program has open: nothing is made and nothing swept.
    pub(crate) fn beside(root: PathBuf, disk: Arc<dyn Disk>, stop: Stop) -> Self {
        Self(Arc::new(Inner { root, disk, stop, floor: u64::MAX, next: AtomicU64::new(0), uploads: Mutex::new(()) }))
    }

    pub(crate) fn disk(&self) -> &dyn Disk {
        &*self.0.disk
    }

    pub(crate) fn stop(&self) -> &Stop {
        &self.0.stop
    }

    pub(crate) fn upload_lock(&self) -> &Mutex<()> {
        &self.0.uploads
    }

    fn tmp(&self) -> PathBuf {
        self.0.root.join("tmp")
    }

    pub(crate) fn parts(&self) -> PathBuf {
        self.0.root.join("part")
    }

    fn folder(&self, hash: &PhotoHash) -> PathBuf {
        self.0.root.join(&hash.to_hex()[..2])
    }

    /// Where a picture lies or would lie.
    pub fn path(&self, hash: &PhotoHash, size: Size) -> PathBuf {
        self.folder(hash).join(format!("{hash}{}", size.ending()))
    }

    /// Its length, or `None` where it is not here.
    ///
    /// # Errors
    /// Where the disk cannot tell.
    pub fn bytes(&self, hash: &PhotoHash, size: Size) -> Result<Option<u64>, StoreError> {
        Ok(self.disk().bytes(&self.path(hash, size))?)
    }

    /// Reads a picture whole, or `None` where it is not here.
    ///
    /// # Errors
    /// Where it cannot be read; [`StoreError::DamagedRecord`] where an original's bytes no longer fit its name.
    pub fn read(&self, hash: &PhotoHash, size: Size) -> Result<Option<Vec<u8>>, StoreError> {
        let path = self.path(hash, size);
        if self.disk().bytes(&path)?.is_none() {
            return Ok(None);
        }
        let mut bytes = Vec::new();
        self.disk().open(&path)?.take(MAX_PHOTO + 1).read_to_end(&mut bytes)?;
        if size == Size::Full && blake3::hash(&bytes).as_bytes() != &hash.0 {
            return Err(StoreError::DamagedRecord(format!("photo {hash} on this disk is not what was saved")));
        }
        Ok(Some(bytes))
    }

    /// Bytes free on the disk that holds the photos.
    ///
    /// # Errors
    /// Where the disk cannot tell.
    pub fn free(&self) -> Result<u64, StoreError> {
        Ok(self.disk().free(&self.0.root)?)
    }

    pub(crate) fn check_room(&self) -> Result<(), StoreError> {
        let free = self.free()?;
        if free < self.0.floor { Err(StoreError::NearlyFull { free }) } else { Ok(()) }
    }

    /// Begins taking in a photo.
    ///
    /// # Errors
    /// [`StoreError::NearlyFull`] where little room is left, [`StoreError::Stopped`] after a disk error.
    pub fn begin(&self) -> Result<PhotoSink, StoreError> {
        self.stop().check()?;
        self.check_room()?;
        self.sink()
    }

    fn sink(&self) -> Result<PhotoSink, StoreError> {
        self.stop().check()?;
        let path = self.tmp().join(format!("in-{}", self.0.next.fetch_add(1, Ordering::Relaxed)));
        let file = self.disk().create(&path)?;
        Ok(PhotoSink { photos: self.clone(), file: Some(file), path, hasher: blake3::Hasher::new(), bytes: 0 })
    }

    /// [`Photos::begin`], all bytes at once, [`PhotoSink::finish`].
    ///
    /// # Errors
    /// As those.
    pub fn put(&self, bytes: &[u8]) -> Result<PhotoHash, StoreError> {
        let mut sink = self.begin()?;
        sink.take_in(bytes)?;
        sink.finish()
    }

    /// Keeps a made picture beside the original. It can be made again, so it carries no proof. It is small, and its
    /// original was let in: the room left is not asked for again.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`], [`StoreError::Stopped`], [`StoreError::Io`].
    pub fn put_made(&self, hash: &PhotoHash, size: Size, jpeg: &[u8]) -> Result<(), StoreError> {
        if size == Size::Full {
            return Err(StoreError::Io(io::Error::other("an original is only taken in by its own hash")));
        }
        let mut sink = self.sink()?;
        sink.take_in(jpeg)?;
        sink.place(&self.path(hash, size))
    }

    /// Moves a synced file to its place and makes the name durable. The folder is synced even where the file is there
    /// already: another import may have renamed it and not yet synced.
    pub(crate) fn settle(&self, from: &Path, to: &Path) -> Result<(), StoreError> {
        self.disk().rename(from, to)?;
        let folder = to.parent().unwrap_or(&self.0.root);
        self.stop().trip(self.disk().sync_folder(folder))
    }

    /// True where an original is here and its bytes fit its name.
    pub(crate) fn is_sound(&self, photo: &PhotoHash) -> bool {
        self.hash_of(&self.path(photo, Size::Full)).is_ok_and(|hash| hash == *photo)
    }

    /// True where an original was last written more than a day and less than a year ago.
    pub(crate) fn is_stale(&self, photo: &PhotoHash) -> bool {
        const DAY: Duration = Duration::from_hours(24);
        let age = self.disk().age(&self.path(photo, Size::Full)).ok().flatten();
        age.is_some_and(|age| age > DAY && age < DAY * 365)
    }

    /// Removes a photo with its small pictures, the small ones first.
    pub(crate) fn remove(&self, photo: &PhotoHash) -> Result<(), StoreError> {
        for size in [Size::Small, Size::Large, Size::Full] {
            self.disk().remove(&self.path(photo, size))?;
        }
        Ok(())
    }

    /// Makes the names of these photos durable.
    pub(crate) fn sync_names<'a>(&self, photos: impl Iterator<Item = &'a PhotoHash>) -> Result<(), StoreError> {
        let folders: BTreeSet<PathBuf> = photos.map(|photo| self.folder(photo)).collect();
        folders.iter().try_for_each(|folder| self.stop().trip(self.disk().sync_folder(folder)))
    }

    /// Every original on disk with its length, by hash.
    pub(crate) fn all(&self) -> Result<Vec<(PhotoHash, u64)>, StoreError> {
        let mut found = Vec::new();
        for byte in 0..=255_u8 {
            let listed = self.disk().list(&self.0.root.join(hex::encode([byte])))?;
            found.extend(listed.into_iter().filter_map(|f| Some((PhotoHash::from_hex(&f.name)?, f.bytes))));
        }
        Ok(found)
    }

    /// Hashes a file piece by piece.
    pub(crate) fn hash_of(&self, path: &Path) -> Result<PhotoHash, StoreError> {
        let mut hasher = blake3::Hasher::new();
        let mut file = self.disk().open(path)?;
        let mut piece = vec![0; 256 << 10];
        loop {
            match file.read(&mut piece)? {
                0 => return Ok(PhotoHash(*hasher.finalize().as_bytes())),
                n => hasher.update(&piece[..n]),
            };
        }
    }
}

/// A photo on its way in. Dropped unfinished, it leaves nothing.
#[derive(Debug)]
pub struct PhotoSink {
    photos: Photos,
    file: Option<Box<dyn DiskFile>>,
    path: PathBuf,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl PhotoSink {
    /// Takes in the next bytes.
    ///
    /// # Errors
    /// [`StoreError::PhotoTooLong`] beyond [`MAX_PHOTO`], [`StoreError::DiskFull`], [`StoreError::Io`].
    pub fn take_in(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        self.bytes += bytes.len() as u64;
        if self.bytes > MAX_PHOTO {
            return Err(StoreError::PhotoTooLong { most: MAX_PHOTO });
        }
        self.hasher.update(bytes);
        let file = self.file.as_mut().ok_or_else(|| io::Error::other("the photo is already finished"))?;
        Ok(file.write_all(bytes)?)
    }

    /// The hash of what was taken in so far.
    pub fn hash(&self) -> PhotoHash {
        PhotoHash(*self.hasher.finalize().as_bytes())
    }

    /// Bytes taken in so far.
    pub const fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Makes the photo durable under its hash and gives the hash. From here on an entry may name it.
    ///
    /// # Errors
    /// [`StoreError::Stopped`] where a sync fails, [`StoreError::Io`]; nothing is kept then.
    pub fn finish(self) -> Result<PhotoHash, StoreError> {
        let hash = self.hash();
        let to = self.photos.path(&hash, Size::Full);
        self.place(&to)?;
        Ok(hash)
    }

    fn place(mut self, to: &Path) -> Result<(), StoreError> {
        self.photos.stop().check()?;
        let mut file = self.file.take().ok_or_else(|| io::Error::other("the photo is already finished"))?;
        file.flush()?;
        self.photos.stop().trip(file.sync())?;
        drop(file);
        self.photos.settle(&self.path, to)
    }
}

impl Write for PhotoSink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.take_in(bytes) {
            Ok(()) => Ok(bytes.len()),
            Err(StoreError::Io(e)) => Err(e),
            Err(e @ StoreError::DiskFull) => Err(io::Error::new(io::ErrorKind::StorageFull, e)),
            Err(e @ StoreError::PhotoTooLong { .. }) => Err(io::Error::new(io::ErrorKind::FileTooLarge, e)),
            Err(e) => Err(io::Error::other(e)),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Drop for PhotoSink {
    fn drop(&mut self) {
        self.file = None;
        // Best effort: after a rename there is nothing to remove, and what stays is swept when the store is next opened.
        let _ = self.photos.disk().remove(&self.path);
    }
}
