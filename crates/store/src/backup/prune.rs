//! Which snapshots there are, and letting go of the oldest.

use super::{Named, PARTIAL, Target, files};
use crate::error::StoreError;
use std::path::PathBuf;

/// A whole snapshot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// Its name.
    pub stamp: String,
    /// Its folder.
    pub folder: PathBuf,
    /// What belongs to it, or why that cannot be read.
    pub manifest: Result<super::Manifest, String>,
}

/// What a clean-up did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Snapshots removed, oldest first.
    pub removed: Vec<String>,
    /// Photos removed from the pool because no snapshot names them any more.
    pub photos: u64,
    /// Snapshots whose manifest cannot be read. They are kept, do not count as whole, and no photo is removed while there
    /// is one, because it may name it.
    pub damaged: Vec<String>,
}

/// The whole snapshots of a backup folder, oldest first.
///
/// # Errors
/// As the disk says.
pub fn list(of: &Target) -> Result<Vec<Snapshot>, StoreError> {
    let mut all = Vec::new();
    for stamp in of.disk.folders(&of.root)? {
        if files::check_stamp(&stamp).is_err() {
            continue;
        }
        let folder = of.root.join(&stamp);
        match files::manifest_of(&*of.disk, &folder) {
            Ok(None) => {}
            Ok(Some(manifest)) => all.push(Snapshot { stamp, folder, manifest: Ok(manifest) }),
            Err(e @ StoreError::BadBackup(_)) => all.push(Snapshot { stamp, folder, manifest: Err(e.to_string()) }),
            Err(e) => return Err(e),
        }
    }
    Ok(all)
}

/// Removes all but the newest `keep` whole snapshots (at least one stays), and the photos that none of those left names.
///
/// # Errors
/// As the disk says; [`StoreError::BackupRefused`] while a backup runs. The snapshots to keep are untouched then.
pub fn prune(of: &Target, keep: usize) -> Result<Pruned, StoreError> {
    let _lock = files::lock(of)?;
    sweep(of)?;
    let all = list(of)?;
    let (good, bad): (Vec<_>, Vec<_>) = all.into_iter().partition(|s| s.manifest.is_ok());
    let mut pruned = Pruned { damaged: bad.into_iter().map(|s| s.stamp).collect(), ..Pruned::default() };
    let (old, kept) = good.split_at(good.len().saturating_sub(keep.max(1)));
    for snapshot in old {
        let partial = of.root.join(format!("{}{PARTIAL}", snapshot.stamp));
        of.disk.rename(&snapshot.folder, &partial)?;
        of.disk.sync_folder(&of.root)?;
        files::remove_all(&*of.disk, &partial)?;
        pruned.removed.push(snapshot.stamp.clone());
    }
    of.disk.sync_folder(&of.root)?;
    // A snapshot with a manifest that cannot be read may name any of them.
    if pruned.damaged.is_empty() && !kept.is_empty() {
        let named: Named = kept.iter().filter_map(|s| s.manifest.as_ref().ok()).flat_map(|m| m.photos.clone()).collect();
        pruned.photos = files::Pool::open(of)?.keep_only(&named)?;
    }
    Ok(pruned)
}

/// Removes what an earlier run left unfinished. The caller holds the lock.
pub(super) fn sweep(of: &Target) -> Result<Vec<String>, StoreError> {
    let mut swept = Vec::new();
    for name in of.disk.folders(&of.root)? {
        if name.strip_suffix(PARTIAL).is_some_and(|stamp| files::check_stamp(stamp).is_ok()) {
            files::remove_all(&*of.disk, &of.root.join(&name))?;
            swept.push(name);
        }
    }
    Ok(swept)
}
