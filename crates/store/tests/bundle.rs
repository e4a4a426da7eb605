//! A whole store in one file: brought in anywhere, again and again, cut or damaged at any byte; nothing in it is believed.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::{PhotoHash, SiteId};
use std::path::Path;
use std::sync::{Arc, OnceLock};
use store::disk::lying::Lying;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, trailer, two_tablets};
use store::{ImportReport, Options, Size, Store, StoreError, Unreadable};
use tempfile::TempDir;

/// A store whose syncs cost nothing, so that many can be tried.
fn open(dir: &Path) -> Store {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    let vfs = VFS.get_or_init(|| FaultVfs::new("quick-bundle")).name();
    Store::open(dir, Options { vfs: Some(vfs), disk: Arc::new(Lying::default()), ..Options::default() }).unwrap()
}

fn picture(n: u8) -> Vec<u8> {
    (0..900_usize).map(|i| (i * 37 + usize::from(n)) as u8).collect()
}

fn filled(dir: &Path) -> (Store, Vec<PhotoHash>) {
    let mut store = open(dir);
    store.accept(trailer().1).unwrap();
    let mut k7 = Author::new(7, "K7");
    store.append(&k7.begin()).unwrap();
    store.append(&k7.open_job("c3", "K7-001", 12)).unwrap();
    let mut photos = Vec::new();
    for n in 0..2 {
        let photo = store.photos().put(&picture(n)).unwrap();
        store.append(&k7.photo("c3", &photo, 900)).unwrap();
        photos.push(photo);
    }
    for tx in two_tablets() {
        store.accept(tx.into_iter().filter(|s| s.entry.kind != "photo").collect()).unwrap();
    }
    let stray = Author::of_site(SiteId([1; 16]), 5, "K5").begin();
    store.accept(stray).unwrap();
    store.keep_unreadable(&[Unreadable::new(vec![0xa1; 60], None, "of a later format".into())]).unwrap();
    store.set_setting("secret", "never in an export").unwrap();
    (store, photos)
}

fn export(store: &Store) -> Vec<u8> {
    let mut out = Vec::new();
    let report = store.export(&mut out).unwrap();
    assert_eq!(report.bytes, out.len() as u64);
    out
}

fn import(store: &mut Store, bytes: &[u8]) -> Result<ImportReport, StoreError> {
    store.import_from(bytes)
}

#[test]
fn all_of_a_store_comes_over_and_again_changes_nothing() {
    let (from, to) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (store, photos) = filled(from.path());
    let bytes = export(&store);
    assert_eq!(bytes, export(&store), "the same store gives the same bytes");
    let secret = b"never in an export";
    assert!(!bytes.windows(secret.len()).any(|w| w == secret), "local state stays here");
    let mut other = open(to.path());
    let report = import(&mut other, &bytes).unwrap();
    assert!(report.is_complete(), "{report:?}");
    assert_eq!(other.state_bytes().unwrap(), store.state_bytes().unwrap());
    assert_eq!(other.quarantine().unwrap().len(), 1);
    assert_eq!(other.unreadable(0, 9999).unwrap()[0].bytes, store.unreadable(0, 9999).unwrap()[0].bytes);
    for photo in &photos {
        assert_eq!(other.photos().read(photo, Size::Full).unwrap(), store.photos().read(photo, Size::Full).unwrap());
    }
    assert!(other.verify().unwrap().is_good());
    let again = import(&mut other, &bytes).unwrap();
    assert!(again.is_complete() && again.stored == 0 && again.photos_new == 0 && again.unreadable == 0, "{again:?}");
    assert_eq!(other.quarantine().unwrap().len(), 1);
    assert_eq!(other.state_bytes().unwrap(), store.state_bytes().unwrap());
    println!("{} bytes: {report}\nagain: {again}", bytes.len());
}

#[test]
fn a_file_cut_at_any_byte_gives_what_verifies_and_says_what_is_missing() {
    let from = TempDir::new().unwrap();
    let (store, _) = filled(from.path());
    let bytes = export(&store);
    let to = TempDir::new().unwrap();
    let mut other = open(to.path());
    let (mut cut, mut refused) = (0, 0);
    // One store all along, as somebody would do it who gets a longer piece of the file each time.
    for at in (0..bytes.len()).step_by(211) {
        match import(&mut other, &bytes[..at]) {
            Ok(report) => {
                // The last members are zeros that only tar wants.
                if report.is_complete() {
                    assert!(at + 2048 > bytes.len(), "complete at {at} of {}", bytes.len());
                } else {
                    assert!(!report.whole || report.contents_unknown);
                    assert!(report.to_string().contains("make the export again"));
                }
                cut += 1;
            }
            Err(StoreError::NoBundle(_)) => refused += 1,
            Err(e) => panic!("cut at {at}: {e}"),
        }
    }
    assert!(other.verify().unwrap().is_good());
    let report = import(&mut other, &bytes).unwrap();
    assert!(report.is_complete(), "{report}");
    assert_eq!(other.state_bytes().unwrap(), store.state_bytes().unwrap());
    // One that was cut before its second photo says exactly that.
    let fresh = TempDir::new().unwrap();
    let mut other = open(fresh.path());
    let end = bytes.windows(13).rposition(|w| w == b"manifest.json").unwrap();
    let report = import(&mut other, &bytes[..end - 200]).unwrap();
    assert_eq!((report.photos_missing.len(), report.missing.len()), (1, 0), "{report:?}");
    println!("{cut} cuts taken in as far as they go, {refused} too short to be an export; then whole: {report}");
}

#[test]
fn a_file_damaged_at_any_byte_gives_only_what_verifies() {
    let from = TempDir::new().unwrap();
    let (store, photos) = filled(from.path());
    let (stands, whole) = (store.state_bytes().unwrap(), export(&store));
    let (mut told, mut harmless) = (0, 0);
    for (n, at) in (0..whole.len()).step_by(367).enumerate() {
        let mut bytes = whole.clone();
        bytes[at] ^= if n % 2 == 0 { 0xff } else { 1 << (n / 2 % 8) };
        let to = TempDir::new().unwrap();
        let mut other = open(to.path());
        let report = match import(&mut other, &bytes) {
            Ok(report) => report,
            Err(e) => panic!("byte {at}: {e}"),
        };
        for photo in &photos {
            assert!(other.photos().read(photo, Size::Full).is_ok(), "byte {at}: a photo that does not fit its name");
        }
        let same = other.state_bytes().unwrap() == stands && photos.iter().all(|p| other.photos().bytes(p, Size::Full).unwrap().is_some());
        if report.is_complete() {
            assert!(same, "byte {at}: said to be complete, and is not");
            harmless += 1;
        } else {
            told += 1;
        }
        // A good copy of the file brings the rest.
        let report = import(&mut other, &whole).unwrap();
        assert!(report.is_complete(), "byte {at}: {report:?}");
        assert!(other.verify().unwrap().is_good(), "byte {at}");
    }
    println!("{told} damaged files told, {harmless} with a byte changed that says nothing (padding, owner): complete all the same");
    assert!(told > 50);
}

fn tar(members: &[(&str, tar::EntryType, &[u8])]) -> Vec<u8> {
    let mut builder = tar::Builder::new(Vec::new());
    for (name, kind, bytes) in members {
        let mut header = tar::Header::new_ustar();
        header.as_mut_bytes()[..name.len()].copy_from_slice(name.as_bytes());
        header.set_entry_type(*kind);
        header.set_size(bytes.len() as u64);
        header.set_mode(0o644);
        header.set_cksum();
        builder.append(&header, *bytes).unwrap();
    }
    builder.into_inner().unwrap()
}

#[test]
fn names_lengths_and_claims_in_a_file_are_not_believed() {
    use tar::EntryType as Kind;
    let dir = TempDir::new().unwrap();
    let folder = dir.path().join("data");
    let mut store = open(&folder);
    let good = PhotoHash(*blake3::hash(b"a photo").as_bytes());
    let other = PhotoHash([9; 32]);
    let names: Vec<String> = vec![
        "../escape".into(),
        "/tmp/escape".into(),
        "photos/../../escape".into(),
        format!("photos/{good}/x"),
        format!("photos/{}", good.to_hex().to_uppercase()),
        "journal/../../escape".into(),
        "photos/".into(),
        "\u{1b}[2Jname".into(),
    ];
    let mut members: Vec<(&str, Kind, &[u8])> = names.iter().map(|n| (n.as_str(), Kind::Regular, &b"a photo"[..])).collect();
    let (good_name, bad_name) = (format!("photos/{good}"), format!("photos/{other}"));
    members.extend([(good_name.as_str(), Kind::Regular, &b"a photo"[..]), (bad_name.as_str(), Kind::Regular, &b"a photo"[..])]);
    for kind in [Kind::Symlink, Kind::Link, Kind::Directory, Kind::GNULongName, Kind::XHeader, Kind::GNUSparse, Kind::Fifo] {
        members.push(("photos/x", kind, b"../../escape"));
    }
    let report = import(&mut store, &tar(&members)).unwrap();
    assert_eq!((report.photos_new, report.whole, report.contents_unknown), (1, false, true), "{report:?}");
    assert!(store.photos().bytes(&other, Size::Full).unwrap().is_none());
    assert!(!dir.path().join("escape").exists() && !Path::new("/tmp/escape").exists());
    assert!(report.faults.iter().all(|f| !f.chars().any(char::is_control)), "{:?}", report.faults);
    // A length that no photo may have, and one far beyond the file.
    let mut huge = tar(&[(&bad_name, Kind::Regular, b"x")]);
    let mut header = tar::Header::new_ustar();
    header.as_mut_bytes().copy_from_slice(&huge[..512]);
    for size in [65 << 20, 1 << 40, u64::MAX >> 1] {
        header.set_size(size);
        header.set_cksum();
        huge[..512].copy_from_slice(header.as_bytes());
        match import(&mut store, &huge) {
            Ok(report) => assert!(!report.whole),
            Err(e) => assert!(matches!(e, StoreError::NoBundle(_)), "{e}"),
        }
    }
    for nothing in [&b""[..], b"not a tar file at all", &[0; 4096]] {
        assert!(matches!(import(&mut store, nothing), Err(StoreError::NoBundle(_))));
    }
    println!(
        "{} members that lie about names, kinds and lengths: one photo under its own hash taken in; {:?}",
        members.len(),
        report.faults
    );
}

#[test]
fn another_sites_file_is_not_taken_in() {
    let (from, to) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let mut theirs = open(from.path());
    theirs.accept(Author::of_site(SiteId([1; 16]), 5, "K5").begin()).unwrap();
    let (mut ours, _) = filled(to.path());
    let before = ours.quarantine().unwrap().len();
    let e = import(&mut ours, &export(&theirs)).unwrap_err();
    assert!(matches!(e, StoreError::OtherSite), "{e}");
    assert_eq!(ours.quarantine().unwrap().len(), before);
    println!("{e}");
}

#[test]
fn a_damaged_entry_goes_along_as_evidence_and_a_good_copy_puts_it_right() {
    let (from, to) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let (store, _) = filled(from.path());
    let (good, stands) = (export(&store), store.state_bytes().unwrap());
    drop(store);
    let raw = rusqlite::Connection::open(from.path().join("journal.sqlite")).unwrap();
    let changed = "UPDATE entry SET bytes = CAST(substr(bytes, 1, length(bytes) - 1) || 'x' AS BLOB) WHERE seq = 3";
    let n = raw.execute(changed, []).unwrap();
    drop(raw);
    let mut store = open(from.path());
    assert!(!store.verify().unwrap().is_good());
    let mut out = Vec::new();
    let report = store.export(&mut out).unwrap();
    assert_eq!(report.damaged, n as u64);
    // Brought in elsewhere: all that verifies, and exactly what is missing.
    let mut other = open(to.path());
    let got = import(&mut other, &out).unwrap();
    assert!(!got.is_complete() && !got.missing.is_empty(), "{got:?}");
    assert!(other.verify().unwrap().is_good());
    println!("{n} damaged entries: {got}");
    // Brought into the damaged store: right again.
    let healed = import(&mut store, &good).unwrap();
    assert_eq!(healed.healed, n as u64, "{healed:?}");
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{:?}", report.faults);
    assert!(store.state_bytes().unwrap() == stands && store.damage().unwrap().is_empty());
    assert!(import(&mut other, &good).unwrap().is_complete());
}

#[test]
fn an_export_takes_its_name_only_when_it_is_whole() {
    let (from, to, out) = (TempDir::new().unwrap(), TempDir::new().unwrap(), TempDir::new().unwrap());
    let mut store = Store::open(from.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    store.accept(trailer().1).unwrap();
    let path = out.path().join("tablet.tubewright");
    let report = store.export_file(&path).unwrap();
    assert_eq!(std::fs::metadata(&path).unwrap().len(), report.bytes);
    assert_eq!(std::fs::read_dir(out.path()).unwrap().count(), 1, "nothing else is left");
    let mut other = Store::open(to.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    assert!(other.import(&path).unwrap().is_complete());
    let nowhere = out.path().join("no/such/folder/x");
    assert!(matches!(store.export_file(&nowhere), Err(StoreError::Io(_))));
    println!("{report:?}");
}
