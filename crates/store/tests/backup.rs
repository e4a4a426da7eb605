//! Backups of a store that serves: consistent, swept after a cut, pruned, and restored to the same store.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::PhotoHash;
use std::collections::BTreeMap;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};
use store::backup::{self, Target};
use store::disk::{Disk, DiskFile, Listed, Lock, Real};
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, trailer, two_tablets};
use store::{Options, Size, Store, StoreError};
use tempfile::TempDir;

fn open(folder: &Path) -> Store {
    Store::open(folder, options()).unwrap()
}

/// Over a database layer and a disk whose syncs cost nothing.
fn options() -> Options {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    let vfs = VFS.get_or_init(|| FaultVfs::new("quick-backup")).name();
    Options { vfs: Some(vfs), disk: Arc::new(Failing::at(u64::MAX)), photo_floor: 0 }
}

fn target(root: &Path) -> Target {
    Target { disk: Arc::new(Failing::at(u64::MAX)), ..Target::new(root) }
}

/// A store with jobs, photos, local state and something refused.
fn filled(folder: &Path) -> (Store, Author, Vec<PhotoHash>) {
    let mut store = open(folder);
    store.accept(trailer().1).unwrap();
    store.accept(two_tablets().concat()).unwrap();
    let mut k7 = Author::new(7, "K7");
    store.append(&k7.begin()).unwrap();
    store.append(&k7.open_job("c3", "K7-001", 12)).unwrap();
    let photos = (0..3_u8)
        .map(|n| {
            let bytes = vec![n; 3000 + usize::from(n)];
            let photo = store.photos().put(&bytes).unwrap();
            store.append(&k7.photo("c3", &photo, bytes.len())).unwrap();
            photo
        })
        .collect();
    let stray = Author::of_site(journal::SiteId([1; 16]), 5, "K5").begin();
    assert_eq!(store.accept(stray).unwrap().quarantined.len(), 1);
    store.set_setting("draft/c3", "20 1/2").unwrap();
    (store, k7, photos)
}

const EXTRA: &[(&str, &[u8])] = &[("server.key", b"secret"), ("tls/cert.pem", b"certificate")];

fn restore(to: &Target, stamp: &str, into: &Path) -> Result<(backup::Restored, BTreeMap<String, Vec<u8>>), StoreError> {
    let mut placed = BTreeMap::new();
    let mut place = |name: &str, bytes: &[u8]| {
        placed.insert(name.to_owned(), bytes.to_vec());
        Ok(())
    };
    let restored = backup::restore(to, stamp, into, options(), &mut place)?;
    Ok((restored, placed))
}

#[test]
fn a_restored_store_is_the_store_that_was_backed_up() {
    let (dir, root, new) = (TempDir::new().unwrap(), TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut store, mut k7, photos) = filled(dir.path());
    let to = target(root.path());
    let reader = store.reader().unwrap();
    let stands = store.state_bytes().unwrap();
    let report = reader.backup(&to, "2026-03-14-0300", EXTRA).unwrap();
    assert_eq!((report.photos, report.photos_new, report.damaged.len()), (3, 3, 0));
    // Later work is in the next snapshot, and copies no photo again.
    store.append(&k7.note("c3", "later")).unwrap();
    let second = reader.backup(&to, "2026-03-14-0900", EXTRA).unwrap();
    assert_eq!((second.entries, second.photos_new), (report.entries + 1, 0));
    assert!(matches!(reader.backup(&to, "2026-03-14-0900", EXTRA), Err(StoreError::BackupRefused(_))), "the name is taken");
    for bad in ["", "..", "a/b", "photos", "x.partial", "a b"] {
        assert!(matches!(reader.backup(&to, bad, EXTRA), Err(StoreError::BackupRefused(_))), "{bad:?}");
    }
    for bad in ["../x", "a/b/c", "/etc/x", "a//b", ".hidden", ""] {
        assert!(matches!(reader.backup(&to, "ok", &[(bad, b"x")]), Err(StoreError::BackupRefused(_))), "{bad:?}");
    }
    let into = new.path().join("store");
    let (restored, placed) = restore(&to, "2026-03-14-0300", &into).unwrap();
    assert!(restored.report.is_good(), "{:?}", restored.report);
    assert_eq!(placed.len(), 2);
    assert!(EXTRA.iter().all(|(name, bytes)| placed[*name] == *bytes));
    let again = open(&into);
    assert_eq!(again.state_bytes().unwrap(), stands);
    assert_eq!(again.setting("draft/c3").unwrap().as_deref(), Some("20 1/2"));
    assert_eq!(again.quarantine().unwrap(), store.quarantine().unwrap());
    for photo in &photos {
        assert!(again.photos().read(photo, Size::Full).unwrap().is_some());
    }
    println!(
        "{} entries, {} photos, 2 extra files: restored to the same bytes of state; {:?}",
        report.entries, report.photos, restored.report
    );
}

#[cfg(unix)]
#[test]
fn only_the_account_that_runs_the_program_may_look_at_keys() {
    use std::os::unix::fs::PermissionsExt;
    let (dir, root) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (store, _, _) = filled(dir.path());
    let root = root.path().join("backups");
    store.reader().unwrap().backup(&Target::new(&root), "one", EXTRA).unwrap();
    let mode = |path: PathBuf| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(root.join("one/extra/server.key")), 0o600);
    assert_eq!((mode(root.clone()), mode(root.join("one"))), (0o700, 0o700));
    println!("keys in a backup: 0600, its folders: 0700");
}

#[test]
fn what_is_not_a_whole_snapshot_is_not_restored() {
    let (dir, root, new) = (TempDir::new().unwrap(), TempDir::new().unwrap(), TempDir::new().unwrap());
    let (store, _, photos) = filled(dir.path());
    let to = target(root.path());
    let reader = store.reader().unwrap();
    reader.backup(&to, "one", EXTRA).unwrap();
    // A folder that is not empty.
    std::fs::write(new.path().join("letter.txt"), "mine").unwrap();
    let e = restore(&to, "one", new.path()).unwrap_err();
    assert!(matches!(e, StoreError::NotEmpty(_)), "{e}");
    assert_eq!(std::fs::read_dir(new.path()).unwrap().count(), 1, "nothing was changed");
    println!("{e}");
    // Each file changed at each of some places.
    let into = new.path().join("into");
    let mut refused = 0;
    for name in ["journal.sqlite", "manifest.json", "extra/server.key", "extra/tls/cert.pem"] {
        let path = root.path().join("one").join(name);
        let whole = std::fs::read(&path).unwrap();
        for at in (0..whole.len()).step_by(whole.len() / 40 + 1) {
            let mut bytes = whole.clone();
            bytes[at] ^= 0x01;
            std::fs::write(&path, &bytes).unwrap();
            match restore(&to, "one", &into) {
                Err(StoreError::BadBackup(_)) => refused += 1,
                other => panic!("{name} at {at}: {other:?}"),
            }
        }
        std::fs::remove_file(&path).unwrap();
        let e = restore(&to, "one", &into).unwrap_err();
        assert!(matches!(e, StoreError::BadBackup(_)), "{e}");
        assert!(!into.exists(), "nothing was begun");
        std::fs::write(&path, &whole).unwrap();
    }
    assert!(matches!(restore(&to, "two", &into), Err(StoreError::BadBackup(_))));
    assert!(matches!(restore(&to, "../one", &into), Err(StoreError::BadBackup(_))));
    // A photo that is lost in the pool: the rest comes back, and it is told.
    let lost = photos[1].to_hex();
    let path = root.path().join("photos").join(&lost[..2]).join(&lost);
    std::fs::write(&path, b"something else").unwrap();
    let (restored, _) = restore(&to, "one", &into).unwrap();
    assert_eq!(restored.photos_lost, [photos[1]]);
    let again = open(&into);
    assert!(again.photos_wanted(9).unwrap().contains(&photos[1]), "it is asked for again");
    println!("{refused} changed files refused before anything was begun; one lost photo told and wanted again");
}

#[test]
fn a_restore_that_was_cut_says_so_and_can_be_begun_again() {
    let (dir, root, new) = (TempDir::new().unwrap(), TempDir::new().unwrap(), TempDir::new().unwrap());
    let (store, _, _) = filled(dir.path());
    let to = target(root.path());
    store.reader().unwrap().backup(&to, "one", EXTRA).unwrap();
    let (mut cut, mut untouched, mut whole) = (0, 0, 0);
    // Every fourth call in an ordinary run; `TUBEWRIGHT_ALL_CRASHES` in the environment tries them all.
    let stride = if std::env::var_os("TUBEWRIGHT_ALL_CRASHES").is_some() { 1 } else { 4 };
    for n in (1..).step_by(stride) {
        let into = new.path().join(n.to_string());
        let disk = Failing::at(n);
        let options = Options { disk: Arc::new(disk.clone()), ..options() };
        let result = backup::restore(&to, "one", &into, options, &mut |_, _| Ok(()));
        if disk.calls() < n {
            assert!(result.is_ok(), "{result:?}");
            break;
        }
        assert!(result.is_err(), "call {n} failed and nobody said so");
        match Store::open(&into, self::options()) {
            Err(StoreError::HalfRestored) => cut += 1,
            // Nothing was begun, or only the last sync failed.
            Ok(store) if store.entries().unwrap() == 0 => {
                untouched += 1;
                drop(store);
                std::fs::remove_dir_all(&into).unwrap();
            }
            Ok(_) => {
                whole += 1;
                continue;
            }
            Err(e) => panic!("call {n}: {e}"),
        }
        let (restored, _) = restore(&to, "one", &into).unwrap();
        assert!(restored.report.is_good());
    }
    println!("restores cut at every call: {cut} folders said so and took the next restore, {untouched} not begun, {whole} whole already");
    assert!(cut > 5);
}

#[test]
fn a_backup_cut_at_any_call_leaves_the_earlier_ones_whole() {
    let (dir, root) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut store, mut k7, _) = filled(dir.path());
    let good = target(root.path());
    let reader = store.reader().unwrap();
    reader.backup(&good, "0000", EXTRA).unwrap();
    let (mut cuts, mut last) = (0, 0);
    for n in 1.. {
        let photo = store.photos().put(format!("photo {n}").as_bytes()).unwrap();
        store.append(&k7.photo("c3", &photo, 7)).unwrap();
        let disk = Failing::at(n);
        let target = Target { disk: Arc::new(disk.clone()), ..good.clone() };
        let stamp = format!("{n:04}");
        let result = reader.backup(&target, &stamp, EXTRA);
        if disk.calls() < n {
            result.unwrap();
            last = n;
            break;
        }
        cuts += 1;
        assert!(result.is_err());
        assert!(!store.is_stopped(), "the backup's disk is not the store's");
        for snapshot in backup::list(&good).unwrap() {
            let (_, lost) = backup::check(&good, &snapshot.stamp).unwrap_or_else(|e| panic!("call {n}: {}: {e}", snapshot.stamp));
            assert!(lost.is_empty());
        }
    }
    let names: Vec<String> = Real.folders(root.path()).unwrap();
    assert!(names.iter().all(|name| !name.ends_with(".partial")), "swept: {names:?}");
    println!("backups cut at each of {cuts} calls: every snapshot listed is whole; the {last}th was made; folders {names:?}");
    assert!(cuts > 20);
}

#[test]
fn the_oldest_go_and_shared_photos_stay() {
    let (dir, root) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut store, mut k7, _) = filled(dir.path());
    let to = target(root.path());
    let reader = store.reader().unwrap();
    for n in 0..5 {
        let photo = store.photos().put(&[n; 5000]).unwrap();
        store.append(&k7.photo("c3", &photo, 5000)).unwrap();
        reader.backup(&to, &format!("2026-03-1{n}"), EXTRA).unwrap();
    }
    let pruned = backup::prune(&to, 2).unwrap();
    assert_eq!(pruned.removed, ["2026-03-10", "2026-03-11", "2026-03-12"]);
    assert_eq!(pruned.photos, 0, "all of them are still named");
    // A photo that only an old snapshot named.
    let stray = PhotoHash([0xaa; 32]).to_hex();
    let folder = root.path().join("photos/aa");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(&stray), "x").unwrap();
    // While a manifest cannot be read, nothing of the pool goes.
    let manifest = root.path().join("2026-03-13/manifest.json");
    let whole = std::fs::read(&manifest).unwrap();
    std::fs::write(&manifest, b"{}").unwrap();
    let pruned = backup::prune(&to, 1).unwrap();
    assert_eq!((pruned.damaged.len(), pruned.photos, pruned.removed.len()), (1, 0, 0));
    std::fs::write(&manifest, whole).unwrap();
    let pruned = backup::prune(&to, 0).unwrap();
    assert_eq!((pruned.removed.len(), pruned.photos), (1, 1), "one always stays");
    let left = backup::list(&to).unwrap();
    assert_eq!(left.len(), 1);
    assert!(backup::check(&to, &left[0].stamp).unwrap().1.is_empty());
    println!("5 snapshots, kept 2, then 1: {} photos in the last, all there", left[0].manifest.as_ref().unwrap().photos.len());
}

#[test]
fn a_damaged_photo_or_a_writer_at_work_does_not_stop_a_backup() {
    let (dir, root) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut store, mut k7, photos) = filled(dir.path());
    std::fs::write(store.photos().path(&photos[0], Size::Full), b"flipped").unwrap();
    let to = target(root.path());
    let reader = store.reader().unwrap();
    let (report, written) = std::thread::scope(|scope| {
        let backup = scope.spawn({
            let to = to.clone();
            move || reader.backup(&to, "one", EXTRA)
        });
        let mut written = 0;
        while !backup.is_finished() || written < 20 {
            store.append(&k7.note("c3", "while the backup runs")).unwrap();
            written += 1;
        }
        (backup.join().unwrap().unwrap(), written)
    });
    assert_eq!(report.damaged, [photos[0]]);
    let into = dir.path().join("again");
    let (restored, _) = restore(&to, "one", &into).unwrap();
    assert!(restored.report.is_good(), "{:?}", restored.report);
    assert_eq!(restored.report.entries, report.entries);
    println!("{written} saves while a backup ran: it holds {} entries, all sound; 1 damaged photo told", report.entries);
}

/// The real disk, on which the n-th call that changes something fails, and every one after it. Its syncs only count, so
/// that many stores can be tried.
#[derive(Clone, Debug)]
struct Failing(Arc<(AtomicU64, u64)>);

impl Failing {
    fn at(n: u64) -> Self {
        Self(Arc::new((AtomicU64::new(0), n)))
    }

    fn calls(&self) -> u64 {
        self.0.0.load(Ordering::SeqCst)
    }

    fn call(&self) -> io::Result<()> {
        let n = self.0.0.fetch_add(1, Ordering::SeqCst) + 1;
        if n >= self.0.1 { Err(io::Error::other("made-up disk error")) } else { Ok(()) }
    }
}

#[derive(Debug)]
struct FailingFile(Failing, Box<dyn DiskFile>);

impl Write for FailingFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.call()?;
        self.1.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.1.flush()
    }
}

impl DiskFile for FailingFile {
    fn sync(&mut self) -> io::Result<()> {
        self.0.call()
    }
}

impl Disk for Failing {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        Real.create_folder(path)
    }
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.call()?;
        Ok(Box::new(FailingFile(self.clone(), Real.create(path)?)))
    }
    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.call()?;
        Ok(Box::new(FailingFile(self.clone(), Real.append(path)?)))
    }
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        Real.open(path)
    }
    fn bytes(&self, path: &Path) -> io::Result<Option<u64>> {
        Real.bytes(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.call()?;
        Real.rename(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.call()?;
        Real.remove(path)
    }
    fn sync_folder(&self, _path: &Path) -> io::Result<()> {
        self.call()
    }
    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        Real.list(path)
    }
    fn free(&self, path: &Path) -> io::Result<u64> {
        Real.free(path)
    }
    fn folders(&self, path: &Path) -> io::Result<Vec<String>> {
        Real.folders(path)
    }
    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        self.call()?;
        Real.remove_folder(path)
    }
    fn private_folder(&self, path: &Path) -> io::Result<()> {
        self.call()?;
        std::fs::create_dir_all(path)
    }
    fn lock(&self, path: &Path) -> io::Result<Box<dyn Lock>> {
        Real.lock(path)
    }
}
