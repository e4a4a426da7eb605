//! One flipped byte at a time, in every place of a small store and of a photo: what does the store say, and what does it show?

use journal::{PhotoHash, Sealed};
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, trailer};
use store::{Options, Size, Store, Unreadable};
use tempfile::TempDir;

/// Which file a byte is flipped in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    /// The database of a store that was closed.
    Database,
    /// The write-ahead log of a store that was killed.
    Log,
    /// A photo.
    Photo,
}

/// What the store made of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// It could not be opened or checked, and says why.
    Refused,
    /// The check names what is wrong.
    Reported,
    /// The check says that something may be missing.
    Noticed,
    /// Nothing that the store holds is other than before.
    Harmless,
}

/// Everything a store shows.
#[derive(Debug, PartialEq, Eq)]
struct Shown {
    state: Vec<u8>,
    entries: BTreeMap<[u8; 32], Sealed>,
    jobs: BTreeMap<String, String>,
    settings: Vec<(String, String)>,
    quarantine: Vec<(Vec<u8>, String)>,
    unreadable: Vec<Unreadable>,
    receipts: Vec<Option<i64>>,
    photo: Option<Vec<u8>>,
}

/// A small store, laid out on disk anew for every flip.
pub struct Bench {
    dir: TempDir,
    photo: PhotoHash,
    photo_bytes: Vec<u8>,
    database: Vec<u8>,
    /// A database with a log that holds its last saves.
    logged: (Vec<u8>, Vec<u8>),
    shown: Shown,
    shown_logged: Shown,
}

fn options() -> Options {
    static VFS: OnceLock<FaultVfs> = OnceLock::new();
    let vfs = VFS.get_or_init(|| FaultVfs::new("quick-flips")).name();
    Options { vfs: Some(vfs), photo_floor: 0, ..Options::default() }
}

fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

fn show(store: &Store, photo: &PhotoHash) -> Result<Shown, String> {
    let words = |e: store::StoreError| e.to_string();
    let mut entries = BTreeMap::new();
    for incarnation in store.heads().map_err(words)?.0.keys() {
        let all = store.read(incarnation, 1, usize::MAX).map_err(words)?;
        entries.extend(all.into_iter().map(|s| (s.hash.0, s)));
    }
    let mut jobs = BTreeMap::new();
    for job in store.jobs().map_err(words)? {
        jobs.extend(store.job_json(&job.job).map_err(words)?.map(|json| (job.job.clone(), json)));
    }
    Ok(Shown {
        state: store.state_bytes().map_err(words)?,
        entries,
        jobs,
        settings: store.settings("").map_err(words)?,
        quarantine: store.quarantine().map_err(words)?.into_iter().map(|q| (q.bytes, q.reason)).collect(),
        unreadable: store.unreadable(0, usize::MAX).map_err(words)?,
        receipts: vec![store.photo_state(photo).map_err(words)?.receipt_ms],
        photo: store.photos().read(photo, Size::Full).map_err(words)?,
    })
}

impl Bench {
    /// Makes the store: two series, a job, a disagreement, a photo, something refused, something unreadable, local state.
    pub fn new() -> Self {
        let dir = TempDir::new().unwrap();
        let photo_bytes: Vec<u8> = (0..700_u32).map(|n| (n * 31 % 251) as u8).collect();
        let mut store = Store::open(dir.path(), options()).unwrap();
        let (mut k4, mut k2) = (Author::new(4, "K4"), Author::new(2, "K2"));
        store.accept(trailer().1).unwrap();
        store.append(&k4.begin()).unwrap();
        store.append(&k4.open_job("j1", "K4-001", 47)).unwrap();
        store.append(&k4.gap("j1", "6", 20, &[])).unwrap();
        store.accept([k2.begin(), k2.gap("j1", "6", 21, &[])].concat()).unwrap();
        let photo = store.photos().put(&photo_bytes).unwrap();
        store.append(&k4.photo("j1", &photo, photo_bytes.len())).unwrap();
        store.set_photo_receipt(&photo, 1_790_000_000_000).unwrap();
        store.set_setting("draft/j1", "20 1/2").unwrap();
        let stray = Author::of_site(journal::SiteId([1; 16]), 5, "K5").begin();
        assert_eq!(store.accept(stray).unwrap().quarantined.len(), 1);
        store.keep_unreadable(&[Unreadable::new(vec![0xa1; 60], None, "of a later format".into())]).unwrap();
        drop(store);
        let file = dir.path().join("journal.sqlite");
        let database = std::fs::read(&file).unwrap();
        let store = Store::open(dir.path(), options()).unwrap();
        let shown = show(&store, &photo).unwrap();
        drop(store);
        assert_eq!(std::fs::read(&file).unwrap(), database, "opening a sound store changes nothing");
        let mut store = Store::open(dir.path(), options()).unwrap();
        for text in ["wet", "cleaned", "ground"] {
            store.append(&k4.note("j1", text)).unwrap();
        }
        // As a kill leaves them.
        let logged = (std::fs::read(&file).unwrap(), std::fs::read(beside(&file, "-wal")).unwrap());
        let shown_logged = show(&store, &photo).unwrap();
        drop(store);
        Self { dir, photo, photo_bytes, database, logged, shown, shown_logged }
    }

    /// Length of a file.
    pub fn len(&self, which: Which) -> usize {
        match which {
            Which::Database => self.database.len(),
            Which::Log => self.logged.1.len(),
            Which::Photo => self.photo_bytes.len(),
        }
    }

    fn photo_path(&self) -> PathBuf {
        let name = self.photo.to_hex();
        self.dir.path().join("photos").join(&name[..2]).join(&name)
    }

    fn lay(&self, which: Which, at: usize, mask: u8) {
        let file = self.dir.path().join("journal.sqlite");
        for ending in ["-wal", "-shm", "-journal"] {
            let _ = std::fs::remove_file(beside(&file, ending));
        }
        let _ = std::fs::remove_file(self.dir.path().join("damaged-log"));
        let flipped = |bytes: &[u8], here: bool| {
            let mut bytes = bytes.to_vec();
            if here {
                bytes[at] ^= mask;
            }
            bytes
        };
        let (database, log) = if which == Which::Log { (&self.logged.0, Some(&self.logged.1)) } else { (&self.database, None) };
        std::fs::write(&file, flipped(database, which == Which::Database)).unwrap();
        if let Some(log) = log {
            std::fs::write(beside(&file, "-wal"), flipped(log, true)).unwrap();
        }
        std::fs::write(self.photo_path(), flipped(&self.photo_bytes, which == Which::Photo)).unwrap();
    }

    /// Flips one byte of a file by `mask` and judges what the store says and shows. An error names what is wrong with that.
    pub fn flip(&self, which: Which, at: usize, mask: u8) -> Result<Outcome, String> {
        self.lay(which, at, mask);
        let judged = catch_unwind(AssertUnwindSafe(|| self.judge(which)));
        let place = format!("{which:?} byte {at} xor {mask:#04x}");
        judged.unwrap_or_else(|_| Err("it panicked".into())).map_err(|why| format!("{place}: {why}"))
    }

    fn judge(&self, which: Which) -> Result<Outcome, String> {
        let right = if which == Which::Log { &self.shown_logged } else { &self.shown };
        let Ok(mut store) = Store::open(self.dir.path(), options()) else { return Ok(Outcome::Refused) };
        // What is shown before anybody has asked for a check: right, or told as wrong or missing, but never another value.
        self.nothing_false(&store, right)?;
        let Ok(report) = store.verify() else { return Ok(Outcome::Refused) };
        if !report.is_good() {
            for fault in &report.faults {
                let words = fault.to_string();
                if fault.safe.is_empty() || fault.do_next.is_empty() || words.len() < 40 {
                    return Err(format!("a fault without words: {words}"));
                }
            }
            return Ok(Outcome::Reported);
        }
        if !report.notices.is_empty() {
            return Ok(Outcome::Noticed);
        }
        let shown = show(&store, &self.photo).map_err(|e| format!("the check found nothing, and yet: {e}"))?;
        if shown == *right { Ok(Outcome::Harmless) } else { Err("the check found nothing, and something is other than it was".into()) }
    }

    fn nothing_false(&self, store: &Store, right: &Shown) -> Result<(), String> {
        for (hash, sealed) in &right.entries {
            // A signature alone proves nothing to whoever reads one entry; `read`, which sync sends from, checks it below.
            if let Ok(Some(found)) = store.entry(&journal::EntryHash(*hash))
                && found.bytes != sealed.bytes
            {
                return Err(format!("entry {} is shown otherwise than it was", sealed.hash));
            }
        }
        for incarnation in right.entries.values().map(|s| s.entry.incarnation).collect::<BTreeSet<_>>() {
            let given = store.read(&incarnation, 1, usize::MAX).unwrap_or_default();
            if given.iter().any(|s| right.entries.get(&s.hash.0) != Some(s)) {
                return Err(format!("an entry of series {incarnation} would be sent on otherwise than it was"));
            }
        }
        for (job, json) in &right.jobs {
            if let Ok(Some(found)) = store.job_json(job) {
                // The log's last saves may be gone, and are told; but what the view says must then be an earlier view.
                let earlier = self.shown.jobs.get(job);
                if found != *json && Some(&found) != earlier && !is_between(&found, json) {
                    return Err(format!("job {job} is shown otherwise than it was"));
                }
            }
        }
        for (key, value) in &right.settings {
            if let Ok(Some(found)) = store.setting(key)
                && found != *value
            {
                return Err(format!("`{key}` is shown as {found:?}, and it was {value:?}"));
            }
        }
        match store.photos().read(&self.photo, Size::Full) {
            Ok(Some(bytes)) if bytes != self.photo_bytes => Err("the photo is shown otherwise than it was".into()),
            _ => Ok(()),
        }
    }
}

/// A view after some of the last notes: it has fewer entries, and nothing else that a reading could take for another value.
fn is_between(found: &str, last: &str) -> bool {
    let notes = |text: &str| -> Option<(serde_json::Value, usize)> {
        let mut json: serde_json::Value = serde_json::from_str(text).ok()?;
        let map = json.as_object_mut()?;
        map.remove("entries");
        let lists = map.get_mut("lists").and_then(|l| l.as_object_mut());
        let n = lists.and_then(|l| l.remove("notes")).and_then(|n| n.as_array().map(Vec::len)).unwrap_or(0);
        Some((json, n))
    };
    match (notes(found), notes(last)) {
        (Some((a, n)), Some((b, m))) => a == b && n < m,
        _ => false,
    }
}
