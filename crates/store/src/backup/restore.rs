//! Checking a snapshot, and making a store of it again.

use super::files::{self, JOURNAL};
use super::{Manifest, Target};
use crate::disk::Disk;
use crate::error::StoreError;
use crate::open::{self, Options};
use crate::store::Store;
use crate::verify::Report;
use journal::PhotoHash;
use std::collections::BTreeSet;
use std::path::Path;

/// Is handed the name and the bytes of an extra file.
pub type Place<'a> = dyn FnMut(&str, &[u8]) -> Result<(), StoreError> + 'a;

/// What a restore did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Restored {
    /// What the snapshot holds.
    pub manifest: Manifest,
    /// Photos of it that are missing or damaged in the backup. They are asked for again from the tablets.
    pub photos_lost: Vec<PhotoHash>,
    /// The check of the restored store.
    pub report: Report,
}

impl Target {
    /// The backup folder and the snapshot's name of a path `ROOT/SNAPSHOT`.
    ///
    /// # Errors
    /// [`StoreError::BadBackup`] where the path has no such end.
    pub fn of_snapshot(path: &Path) -> Result<(Self, String), StoreError> {
        let stamp = path.file_name().map(|n| n.to_string_lossy().into_owned());
        match (path.parent(), stamp) {
            (Some(root), Some(stamp)) => Ok((Self::new(root), stamp)),
            _ => Err(StoreError::BadBackup(format!("{} is no snapshot", path.display()))),
        }
    }
}

/// Reads a whole snapshot and compares it with its manifest. Gives the manifest and the photos that are missing or damaged.
///
/// # Errors
/// [`StoreError::BadBackup`] where the manifest, the journal or one of the extra files is not what was written.
pub fn check(of: &Target, stamp: &str) -> Result<(Manifest, Vec<PhotoHash>), StoreError> {
    let bad = |why: String| StoreError::BadBackup(why);
    if stamp.ends_with(super::PARTIAL) {
        return Err(bad(format!("{stamp} was never finished")));
    }
    files::check_stamp(stamp).map_err(|_| bad(format!("{stamp:?} is no name of a snapshot")))?;
    let (disk, folder) = (&*of.disk, of.snapshot(stamp));
    let none = || bad(format!("there is no whole snapshot {stamp} in {}", of.root.display()));
    let manifest = match files::manifest_of(disk, &folder) {
        Err(StoreError::Io(e)) if e.kind() == std::io::ErrorKind::NotFound => return Err(none()),
        other => other?.ok_or_else(none)?,
    };
    if !manifest.files.contains_key(JOURNAL) {
        return Err(bad("its manifest names no journal".into()));
    }
    for (name, wanted) in &manifest.files {
        if name != JOURNAL && name.strip_prefix("extra/").is_none_or(|n| files::check_name(n).is_err()) {
            return Err(bad(format!("its manifest names a file {name:?} that cannot belong to it")));
        }
        let found = match files::sum_of(disk, &folder.join(name)) {
            Err(StoreError::Io(e)) if e.kind() == std::io::ErrorKind::NotFound => return Err(bad(format!("{name} is missing"))),
            other => other?,
        };
        if found != (wanted.blake3.clone(), wanted.bytes) {
            return Err(bad(format!("{name} is not what was written")));
        }
    }
    let pool = files::Pool::at(of);
    let mut lost = Vec::new();
    for (photo, bytes) in &manifest.photos {
        let whole = pool.holds(photo, *bytes)? && files::sum_of(disk, &pool.path(photo)).is_ok_and(|(sum, _)| sum == photo.to_hex());
        if !whole {
            lost.push(*photo);
        }
    }
    Ok((manifest, lost))
}

/// Makes a store of a snapshot in an empty folder and checks it. The snapshot is checked before and not changed.
///
/// `place` is handed every extra file before the restore counts as finished: it must have made them durable when it returns.
/// A restore that is cut leaves a folder that [`Store::open`] refuses with [`StoreError::HalfRestored`]; begin it again into
/// the same folder. Photos that the backup lost are left out and told; whoever still has them sends them again.
///
/// # Errors
/// [`StoreError::NotEmpty`], [`StoreError::BadBackup`], [`StoreError::InUse`], whatever `place` says, and what the disk says.
pub fn restore(from: &Target, stamp: &str, into: &Path, options: Options, place: &mut Place<'_>) -> Result<Restored, StoreError> {
    let (manifest, photos_lost) = check(from, stamp)?;
    let disk = options.disk.clone();
    disk.private_folder(into)?;
    must_be_empty(&*disk, into)?;
    {
        let _lock = open::lock(&*disk, into)?;
        clear(&*disk, into)?;
        let marker = into.join(open::MARKER);
        if disk.bytes(&marker)?.is_none() {
            files::put(&*disk, &marker, stamp.as_bytes())?;
            disk.sync_folder(into)?;
        }
        copy_in(from, stamp, into, &*disk, &manifest, &photos_lost)?;
    }
    let report = {
        let mut store = Store::open_restored(into, options)?;
        store.verify()?
    };
    for name in manifest.files.keys().filter_map(|name| name.strip_prefix("extra/")) {
        let most = manifest.files.get(&format!("extra/{name}")).map_or(0, |f| f.bytes);
        place(name, &files::read_all(&*from.disk, &from.snapshot(stamp).join("extra").join(name), most)?)?;
    }
    disk.remove(&into.join(open::MARKER))?;
    disk.sync_folder(into)?;
    Ok(Restored { manifest, photos_lost, report })
}

/// Empty, or what an earlier restore left, which says so.
fn must_be_empty(disk: &dyn Disk, into: &Path) -> Result<(), StoreError> {
    let files = disk.list(into)?;
    let begun = files.iter().any(|f| f.name == open::MARKER);
    let only_lock = files.iter().all(|f| f.name == "lock") && disk.folders(into)?.is_empty();
    if begun || only_lock { Ok(()) } else { Err(StoreError::NotEmpty(into.display().to_string())) }
}

/// Removes what an earlier restore left, except for the marker and the lock.
fn clear(disk: &dyn Disk, into: &Path) -> Result<(), StoreError> {
    for file in disk.list(into)? {
        if file.name != open::MARKER && file.name != "lock" {
            disk.remove(&into.join(file.name))?;
        }
    }
    for folder in disk.folders(into)? {
        files::remove_all(disk, &into.join(folder))?;
    }
    Ok(())
}

fn copy_in(from: &Target, stamp: &str, into: &Path, disk: &dyn Disk, manifest: &Manifest, lost: &[PhotoHash]) -> Result<(), StoreError> {
    let wanted = manifest.files.get(JOURNAL).map(|f| f.blake3.clone()).unwrap_or_default();
    copy(from, &from.snapshot(stamp).join(JOURNAL), disk, &into.join(JOURNAL), &wanted)?;
    disk.sync_folder(into)?;
    let pool = files::Pool::at(from);
    let lost: BTreeSet<_> = lost.iter().collect();
    let mut folders = BTreeSet::new();
    for photo in manifest.photos.keys().filter(|photo| !lost.contains(photo)) {
        let name = photo.to_hex();
        let folder = into.join("photos").join(&name[..2]);
        disk.private_folder(&folder)?;
        copy(from, &pool.path(photo), disk, &folder.join(&name), &name)?;
        folders.insert(folder);
    }
    folders.iter().try_for_each(|folder| Ok(disk.sync_folder(folder)?))
}

/// Copies a file, durable but for its name, and compares what was read with its hash.
fn copy(from: &Target, path: &Path, disk: &dyn Disk, to: &Path, blake3: &str) -> Result<(), StoreError> {
    let mut hasher = blake3::Hasher::new();
    let mut file = disk.create(to)?;
    files::each_piece(&*from.disk, path, u64::MAX, |piece| {
        hasher.update(piece);
        Ok(file.write_all(piece)?)
    })?;
    file.sync()?;
    if hasher.finalize().to_hex().as_str() == blake3 {
        return Ok(());
    }
    Err(StoreError::BadBackup(format!("{} changed while it was read", path.display())))
}
