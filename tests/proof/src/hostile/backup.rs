//! A whole store in one file, brought in: cut, changed, or made by somebody else.

use journal::{EntryHash, PhotoHash, Sealed};
use std::cell::RefCell;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use store::disk::lying::Lying;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, trailer, two_tablets};
use store::{Options, Store};
use tempfile::TempDir;

/// What a file is brought into, and what stood there.
struct Here {
    store: Store,
    stood: Vec<u8>,
    _folder: TempDir,
}

thread_local! {
    static HERE: RefCell<Option<Here>> = const { RefCell::new(None) };
    static VFS: FaultVfs = {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        FaultVfs::new(&format!("bundle-{}", NEXT.fetch_add(1, Ordering::Relaxed)))
    };
}

fn open() -> (TempDir, Store) {
    let folder = TempDir::new().expect("a folder");
    let options = Options { vfs: Some(VFS.with(FaultVfs::name)), disk: Arc::new(Lying::default()), photo_floor: 0 };
    let store = Store::open(folder.path(), options).expect("a store");
    (folder, store)
}

/// How many entries stand before a file comes: the beginnings of three series and two opened jobs.
const STOOD: usize = 7;

/// A small journal without the plan, which is long: the trailer's beginning and two tablets.
fn journal() -> Vec<Sealed> {
    [vec![trailer().1[..1].to_vec()], two_tablets()].concat().concat()
}

fn here() -> Here {
    let (folder, mut store) = open();
    // Less than the files hold, so that there is something to bring in.
    store.accept(journal()[..STOOD].to_vec()).expect("sound entries");
    let stood = store.state_bytes().expect("readable");
    Here { store, stood, _folder: folder }
}

/// Any file.
pub fn check(bytes: &[u8]) {
    HERE.with_borrow_mut(|held| {
        let mut now = held.take().unwrap_or_else(here);
        let unchanged = brought_in(&mut now, bytes);
        // A store that took something in is made anew, so that every file meets the same one.
        *held = unchanged.then_some(now);
    });
}

/// True where nothing of it was taken in.
fn brought_in(now: &mut Here, bytes: &[u8]) -> bool {
    let before = now.store.entries().expect("readable");
    let Ok(report) = now.store.import_from(bytes) else {
        assert_eq!(now.store.state_bytes().expect("readable"), now.stood, "a file that was refused changed what stands");
        return true;
    };
    assert!(!report.to_string().is_empty());
    assert!(!report.is_complete() || report.whole);
    assert_eq!(now.store.entries().expect("readable"), before + report.stored, "as many as it says");
    for sealed in journal().iter().take(STOOD) {
        let stands = now.store.entry(&sealed.hash).expect("readable").expect("what stood is not lost");
        assert_eq!(stands.bytes, sealed.bytes);
    }
    let changed = report.stored + report.healed + report.photos_new + report.refused + report.unreadable > 0;
    if report.stored + report.healed == 0 {
        assert_eq!(now.store.state_bytes().expect("readable"), now.stood, "nothing came, and yet something changed");
    } else {
        let checked = now.store.verify().expect("checkable");
        assert!(checked.is_good(), "what was taken in does not verify: {:?}", checked.faults);
    }
    !changed
}

/// Exports: of the journal with a photo, of what it already has, cut, and with a refused entry.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let (_folder, mut store) = open();
    let mut all = journal();
    store.accept(all.clone()).expect("sound entries");
    let photo = store.photos().put(b"not a picture, but bytes with a name").expect("kept");
    assert_ne!(photo, PhotoHash([0; 32]));
    let mut whole = Vec::new();
    store.export(&mut whole).expect("exported");
    let mut copy = Author::new(2, "K2");
    copy.begin();
    all = copy.note("a1", "from a copy");
    assert_ne!(all[0].hash, EntryHash([0; 32]));
    store.accept(all).expect("a fork is kept");
    let mut refused = Vec::new();
    store.export(&mut refused).expect("exported");
    let (_folder, mut small) = open();
    small.accept(journal()[..STOOD].to_vec()).expect("sound entries");
    let mut known = Vec::new();
    small.export(&mut known).expect("exported");
    let cut = whole[..whole.len() * 2 / 3].to_vec();
    [("whole", whole), ("refused", refused), ("known", known), ("cut", cut)].map(|(name, bytes)| (name.to_owned(), bytes)).to_vec()
}
