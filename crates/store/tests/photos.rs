//! Photo files on a disk that fails at every call: never half a photo, never an entry without its photo.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::PhotoHash;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::sync::{Arc, OnceLock};
use store::disk::lying::{Fault, Keep, Lying};
use store::testkit::machine::{self, Machine};
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, trailer};
use store::{MAX_PHOTO, Options, Size, Store, StoreError, Upload};
use tempfile::TempDir;

/// A database layer whose syncs cost nothing, so that many stores can be tried.
fn quick() -> Option<String> {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    Some(VFS.get_or_init(|| FaultVfs::new("quick")).name())
}

fn hash(bytes: &[u8]) -> PhotoHash {
    PhotoHash(*blake3::hash(bytes).as_bytes())
}

fn picture(n: u8, len: usize) -> Vec<u8> {
    (0..len).map(|i| (i * 31 + usize::from(n) * 7 + i / 251) as u8).collect()
}

fn options(disk: &Lying) -> Options {
    Options { vfs: quick(), disk: Arc::new(disk.clone()), ..Options::default() }
}

fn open_on(dir: &Path, disk: &Lying) -> Store {
    Store::open(dir, options(disk)).unwrap()
}

/// Takes in a photo in pieces, makes a small one, and then the entry. Gives what was acknowledged.
fn import(store: &mut Store, k4: &mut Author, bytes: &[u8]) -> Result<(), StoreError> {
    let mut sink = store.photo_begin()?;
    for piece in bytes.chunks(bytes.len() / 3 + 1) {
        sink.write_all(piece)?;
    }
    let photo = sink.finish()?;
    assert_eq!(photo, hash(bytes));
    store.photo_put_small(&photo, "256", b"small")?;
    store.append(&k4.photo("j1", &photo, bytes.len()))
}

/// Every file in the photo folders is whole, and every photo that an entry names is here.
fn judge(store: &Store, disk: &Lying, what: &str) -> usize {
    let mut photos = 0;
    for (path, bytes) in disk.files() {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        assert_ne!(path.parent().unwrap().file_name().unwrap(), "tmp", "{what}: {name} left in tmp");
        if let Some(named) = PhotoHash::from_hex(&name).filter(|_| path.parent().unwrap().file_name().unwrap() != "part") {
            assert_eq!(hash(&bytes), named, "{what}: half a photo");
            photos += 1;
        }
    }
    for job in store.jobs().unwrap() {
        for item in job.lists.get("photos").into_iter().flatten() {
            let photo = PhotoHash::from_hex(item.body["hash"].as_str().unwrap()).unwrap();
            assert!(store.photos().read(&photo, Size::Full).unwrap().is_some(), "{what}: an entry without its photo");
        }
    }
    assert!(store.photos_wanted(10).unwrap().is_empty(), "{what}");
    photos
}

#[test]
fn an_import_cut_at_any_call_leaves_no_half_photo() {
    let bytes = picture(1, 10_000);
    let (mut cases, mut tally) = (0, BTreeMap::new());
    for (fault, keep) in [
        (Fault::Error, Keep::All),
        (Fault::Full, Keep::All),
        (Fault::PowerCut, Keep::Nothing),
        (Fault::PowerCut, Keep::All),
        (Fault::PowerCut, Keep::Torn),
    ] {
        for n in 1.. {
            let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
            let mut store = open_on(dir.path(), &disk);
            let mut k4 = Author::new(4, "K4");
            store.accept(trailer().1).unwrap();
            store.append(&k4.begin()).unwrap();
            store.append(&k4.open_job("j1", "K4-001", 47)).unwrap();
            let calls = disk.calls();
            disk.fail_at(n, fault);
            let result = import(&mut store, &mut k4, &bytes);
            let reached = disk.calls() - calls >= n;
            let what = format!("{fault:?} {keep:?} at call {n} ({:?})", disk.log().last());
            match &result {
                Err(StoreError::Stopped(_)) => assert!(store.is_stopped()),
                Err(_) => assert!(!store.is_stopped(), "{what}"),
                Ok(()) => {}
            }
            drop(store);
            if fault == Fault::PowerCut {
                disk.power_cut(keep);
            }
            disk.power_on();
            let store = open_on(dir.path(), &disk);
            judge(&store, &disk, &what);
            let named = store.job("j1").unwrap().unwrap().lists.get("photos").map_or(0, Vec::len);
            if result.is_ok() {
                assert_eq!(named, 1, "{what}: acknowledged and lost");
                assert_eq!(store.photos().read(&hash(&bytes), Size::Full).unwrap().unwrap(), bytes, "{what}");
            }
            let why = result.err().map_or("saved", |e| e.code());
            *tally.entry(why).or_insert(0) += 1;
            cases += 1;
            if !reached {
                break;
            }
        }
    }
    println!("{cases} imports, each failing at another call: {tally:?}; no half photo, no entry without its photo");
    assert!(tally["saved"] >= 5 && tally["store-stopped"] > 0 && tally["disk-full"] > 0);
}

#[test]
fn a_failed_sync_stops_the_store_for_good() {
    let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
    let mut store = open_on(dir.path(), &disk);
    let mut k4 = Author::new(4, "K4");
    store.append(&k4.begin()).unwrap();
    let mut sink = store.photo_begin().unwrap();
    sink.write_all(b"a photo").unwrap();
    disk.fail_at(1, Fault::Error);
    let e = sink.finish().unwrap_err();
    assert!(matches!(e, StoreError::Stopped(_)));
    let syncs = disk.log().iter().filter(|l| l.starts_with("sync")).count();
    for _ in 0..3 {
        assert!(matches!(store.photo_begin(), Err(StoreError::Stopped(_))));
        assert!(matches!(store.append(&k4.note("j", "x")), Err(StoreError::Stopped(_))));
        assert!(matches!(store.heads(), Err(StoreError::Stopped(_))));
        assert!(matches!(store.upload_append(&hash(b"x"), 0, b"x"), Err(StoreError::Stopped(_))));
    }
    assert_eq!(disk.log().iter().filter(|l| l.starts_with("sync")).count(), syncs, "the sync was not tried again");
    drop(store);
    let mut store = open_on(dir.path(), &disk);
    k4.resume(&store).unwrap();
    store.append(&k4.note("j", "x")).unwrap();
    println!("{e}");
}

#[test]
fn little_room_refuses_photos_and_keeps_records() {
    let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
    let mut store = open_on(dir.path(), &disk);
    let mut k4 = Author::new(4, "K4");
    disk.set_free((500 << 20) - 1);
    let e = store.photo_begin().unwrap_err();
    assert!(matches!(e, StoreError::NearlyFull { .. }) && e.is_disk_full());
    assert!(matches!(store.upload_append(&hash(b"x"), 0, b"x"), Err(StoreError::NearlyFull { .. })));
    store.append(&k4.begin()).unwrap();
    disk.set_free(500 << 20);
    store.photos().put(b"x").unwrap();
    println!("{e}");
}

#[test]
fn a_photo_is_kept_once_and_a_longer_one_than_64_mib_never() {
    let dir = TempDir::new().unwrap();
    let mut store = Store::open(dir.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    let bytes = picture(3, 3_000_000);
    let photo = store.photos().put(&bytes).unwrap();
    assert_eq!(store.photos().put(&bytes).unwrap(), photo);
    assert_eq!(std::fs::read(store.photo_path(&photo, "full").unwrap().unwrap()).unwrap(), bytes);
    assert_eq!(store.photo_path(&photo, "1600").unwrap(), None);
    store.photo_put_small(&photo, "1600", b"jpeg").unwrap();
    assert_eq!(std::fs::read(store.photo_path(&photo, "1600").unwrap().unwrap()).unwrap(), b"jpeg");
    assert!(store.photo_put_small(&photo, "full", b"jpeg").is_err());
    assert_eq!(store.photo_path(&photo, "../../journal.sqlite").unwrap(), None);

    let mut sink = store.photo_begin().unwrap();
    for _ in 0..64 {
        sink.write_all(&vec![1; 1 << 20]).unwrap();
    }
    assert!(matches!(sink.take_in(&[1]), Err(StoreError::PhotoTooLong { .. })));
    drop(sink);
    assert_eq!(std::fs::read_dir(dir.path().join("photos/tmp")).unwrap().count(), 0, "nothing is left of it");

    // A flipped bit in the original is noticed, and taking the photo in again heals it.
    let path = store.photo_path(&photo, "full").unwrap().unwrap();
    let mut bad = bytes.clone();
    bad[1_234_567] ^= 1;
    std::fs::write(&path, &bad).unwrap();
    assert!(matches!(store.photos().read(&photo, Size::Full), Err(StoreError::DamagedRecord(_))));
    assert_eq!(store.verify().unwrap().faults.len(), 1);
    store.photos().put(&bytes).unwrap();
    assert!(store.verify().unwrap().is_good());
    println!("64 MiB and one byte refused; a flipped bit noticed and healed");
}

fn upload(store: &mut Store, photo: &PhotoHash, bytes: &[u8], piece: usize) -> Result<(), StoreError> {
    loop {
        let Upload { offset, complete } = store.upload_offset(photo)?;
        if complete {
            return Ok(());
        }
        let rest = &bytes[(offset as usize).min(bytes.len())..];
        if rest.is_empty() {
            return store.upload_finish(photo);
        }
        store.upload_append(photo, offset, &rest[..rest.len().min(piece)])?;
    }
}

#[test]
fn an_upload_cut_at_any_call_goes_on_where_it_stood() {
    let bytes = picture(5, 9_000);
    let photo = hash(&bytes);
    let (mut cases, mut resumed) = (0, 0);
    for keep in [Keep::Nothing, Keep::All, Keep::Torn] {
        for piece in [700, 1_111, 4_096, 9_000] {
            for n in 1.. {
                let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
                let mut store = open_on(dir.path(), &disk);
                let calls = disk.calls();
                disk.fail_at(n, Fault::PowerCut);
                let first = upload(&mut store, &photo, &bytes, piece);
                let reached = disk.calls() - calls >= n;
                drop(store);
                disk.power_cut(keep);
                disk.power_on();
                let mut store = open_on(dir.path(), &disk);
                let stood = store.upload_offset(&photo).unwrap();
                if first.is_ok() {
                    assert!(stood.complete, "acknowledged and lost");
                }
                resumed += usize::from(stood.offset > 0 && !stood.complete);
                // A torn file is told by its hash only: then once more from the start.
                match upload(&mut store, &photo, &bytes, piece) {
                    Err(StoreError::UploadHash) => {
                        assert_eq!(store.upload_offset(&photo).unwrap(), Upload { offset: 0, complete: false });
                        upload(&mut store, &photo, &bytes, piece).unwrap();
                    }
                    other => other.unwrap(),
                }
                assert_eq!(store.photos().read(&photo, Size::Full).unwrap().unwrap(), bytes);
                assert!(store.photo_state(&photo).unwrap().here);
                cases += 1;
                if !reached {
                    break;
                }
            }
        }
    }
    println!("{cases} uploads cut at another call each: all arrive whole, {resumed} went on from the middle");
    assert!(resumed > 20);
}

#[test]
fn an_upload_resumes_from_every_offset() {
    let bytes = picture(6, 600);
    let photo = hash(&bytes);
    let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
    let mut store = open_on(dir.path(), &disk);
    for cut in 0..=bytes.len() {
        if cut > 0 {
            store.upload_append(&photo, 0, &bytes[..cut]).unwrap();
        }
        assert_eq!(store.upload_offset(&photo).unwrap(), Upload { offset: cut as u64, complete: false });
        for wrong in [0, cut as u64 + 1, u64::MAX] {
            if wrong != cut as u64 {
                let e = store.upload_append(&photo, wrong, b"z").unwrap_err();
                assert!(matches!(e, StoreError::UploadOffset { have } if have == cut as u64));
            }
        }
        upload(&mut store, &photo, &bytes, 250).unwrap();
        store.upload_finish(&photo).unwrap();
        assert_eq!(store.upload_append(&photo, 0, b"again").unwrap(), Upload { offset: 600, complete: true });
        assert_eq!(store.photos().read(&photo, Size::Full).unwrap().unwrap(), bytes);
        std::fs::create_dir_all(dir.path().join("x")).unwrap();
        // Away with it, for the next offset.
        store::disk::Disk::remove(&disk, &store.photos().path(&photo, Size::Full)).unwrap();
    }
    println!("{} cuts of an upload of 600 bytes: each goes on from its byte; wrong offsets refused", bytes.len() + 1);
}

#[test]
fn wrong_bytes_are_thrown_away_and_said_so() {
    let (dir, disk) = (TempDir::new().unwrap(), Lying::default());
    let mut store = open_on(dir.path(), &disk);
    let bytes = picture(8, 5_000);
    let photo = hash(&bytes);
    let mut bad = bytes.clone();
    bad[4_000] ^= 1;
    store.upload_append(&photo, 0, &bad).unwrap();
    let e = store.upload_finish(&photo).unwrap_err();
    assert!(matches!(e, StoreError::UploadHash));
    assert_eq!(store.upload_offset(&photo).unwrap(), Upload { offset: 0, complete: false });
    assert!(disk.files().is_empty(), "nothing is left of it");
    assert!(matches!(store.upload_finish(&photo), Err(StoreError::UploadOffset { have: 0 })));
    // Too short, then the rest; then the same once more.
    store.upload_append(&photo, 0, &bytes[..10]).unwrap();
    assert!(matches!(store.upload_finish(&photo), Err(StoreError::UploadHash)));
    upload(&mut store, &photo, &bytes, 4_000).unwrap();
    upload(&mut store, &photo, &bytes, 4_000).unwrap();
    let zero = store.upload_append(&hash(b"other"), 0, &[]).unwrap();
    assert_eq!(zero.offset, 0);
    let long = hash(b"long");
    let e2 = store.upload_append(&long, 0, &vec![0; MAX_PHOTO as usize + 1]).unwrap_err();
    assert!(matches!(e2, StoreError::PhotoTooLong { .. }));
    assert_eq!(store.upload_offset(&long).unwrap().offset, 0);
    println!("{e}\n{e2}");
}

#[test]
fn photos_are_wanted_until_they_are_here_and_waiting_until_received() {
    let (tablet_dir, server_dir) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (mut tablet, mut server) = (open_on(tablet_dir.path(), &Lying::default()), open_on(server_dir.path(), &Lying::default()));
    let mut k4 = Author::new(4, "K4");
    let begin = [trailer().1, k4.begin(), k4.open_job("j1", "K4-001", 47)].concat();
    tablet.accept(begin.clone()).unwrap();
    server.accept(begin).unwrap();
    let pictures: Vec<Vec<u8>> = (10..15).map(|n| picture(n, 2_000)).collect();
    for bytes in &pictures {
        import(&mut tablet, &mut k4, bytes).unwrap();
    }
    server.accept(tablet.read(&k4.incarnation(), 1, usize::MAX).unwrap()).unwrap();
    assert_eq!(tablet.photos_without_receipt().unwrap().len(), 5);
    assert_eq!(server.photos_wanted(3).unwrap().len(), 3);
    assert_eq!(server.verify().unwrap().photos_missing, 5);
    for (left, photo) in (0..5).rev().zip(server.photos_wanted(99).unwrap()) {
        let bytes = tablet.photos().read(&photo, Size::Full).unwrap().unwrap();
        upload(&mut server, &photo, &bytes, 512).unwrap();
        tablet.set_photo_receipt(&photo, 1).unwrap();
        assert_eq!((server.photos_wanted(99).unwrap().len(), tablet.photos_without_receipt().unwrap().len()), (left, left));
    }
    assert!(server.verify().unwrap().is_good());
    println!("5 photos: wanted by the server until here, waiting on the tablet until received");
}

#[test]
fn a_photo_that_is_told_to_be_whole_stands_in_the_list_of_photos() {
    let bytes = picture(3, 5_000);
    let photo = hash(&bytes);
    let mut left_out = 0;
    for n in 1.. {
        let machine = Machine::new();
        let mut store = Store::open(Path::new("/data"), machine.options()).unwrap();
        let mut k4 = Author::new(4, "K4");
        let named = [k4.begin(), k4.open_job("j1", "K4-001", 47), k4.photo("j1", &photo, bytes.len())].concat();
        store.accept([trailer().1, named].concat()).unwrap();
        store.upload_append(&photo, 0, &bytes).unwrap();
        let calls = machine.calls();
        machine.fail(n, machine::Fault::Full);
        let finished = store.upload_finish(&photo);
        let reached = machine.calls() - calls >= n;
        // The disk has room again, and the program has gone on: nothing was opened anew.
        machine.mend();
        let on_disk = store.upload_offset(&photo).unwrap().complete;
        left_out += u32::from(on_disk && !store.photos_wanted(10).unwrap().is_empty());
        let told = store.upload_state(&photo).unwrap();
        assert_eq!(told.complete, store.photos_wanted(10).unwrap().is_empty(), "call {n}: {finished:?}, told {told:?}");
        assert_eq!(told.complete, on_disk);
        if !reached {
            assert!(finished.is_ok() && told.complete);
            break;
        }
    }
    println!("{left_out} places at which a full disk left a whole photo out of the list; each was put right before it was told");
    assert!(left_out > 0);
}
