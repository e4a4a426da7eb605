//! A flow being played on a machine, and what was acknowledged in it.

use super::flows::Flow;
use journal::{EntryHash, Incarnation, PhotoHash, Sealed};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use store::backup::Target;
use store::testkit::Author;
use store::testkit::machine::{Machine, Tree, spread};
use store::{Options, Size, Store, StoreError};

/// Where the store of a flow lies on its machine.
pub const FOLDER: &str = "/data/store";

/// Where a flow plays: a lying machine, or the real disk.
pub trait Stage {
    /// How its store is opened.
    fn options(&self) -> Options;
    /// The folder that all of it lies in.
    fn root(&self) -> PathBuf;
    /// The `n`-th fact was acknowledged.
    fn ack(&self, n: usize, fact: &Fact);
    /// Ends the programs that run there, where that can be done from within.
    fn kill(&self);
    /// Puts these files there.
    fn put(&self, files: &Tree);
    /// A file's bytes.
    fn read(&self, path: &Path) -> Option<Vec<u8>>;
}

impl Stage for Machine {
    fn options(&self) -> Options {
        Self::options(self)
    }
    fn root(&self) -> PathBuf {
        PathBuf::from("/data")
    }
    fn ack(&self, n: usize, _fact: &Fact) {
        Self::ack(self, n);
    }
    fn kill(&self) {
        Self::kill(self);
    }
    fn put(&self, files: &Tree) {
        self.load(files);
    }
    fn read(&self, path: &Path) -> Option<Vec<u8>> {
        self.image().read(path).map(|bytes| bytes.to_vec())
    }
}

/// A check of what lies there beside the open store.
pub type Check = Arc<dyn Fn(&dyn Stage) -> Result<(), String> + Send + Sync>;

/// Something that a person or a peer was told is safe.
#[derive(Clone)]
pub enum Fact {
    /// This entry, byte for byte.
    Entry(Box<Sealed>),
    /// This photo, whole.
    Photo(PhotoHash),
    /// This local state, or what was written over it next.
    Setting(&'static str, String),
    /// The trailer's word on a photo is kept.
    Receipt(PhotoHash),
    /// Anything else.
    Holds(&'static str, Check),
}

/// A flow on its way.
pub struct Play<'a> {
    /// Where it plays.
    pub stage: &'a dyn Stage,
    /// What was acknowledged so far, in order.
    pub facts: Vec<Fact>,
    /// A planted bug: says that it is saved before it is.
    pub hasty: bool,
    chance: u64,
}

impl<'a> Play<'a> {
    /// A flow of this seed.
    pub const fn new(stage: &'a dyn Stage, seed: u64) -> Self {
        Self { stage, facts: Vec::new(), hasty: false, chance: seed }
    }

    /// A path below the folder of the stage.
    pub fn at(&self, rest: &str) -> PathBuf {
        self.stage.root().join(rest)
    }

    /// Where backups go.
    pub fn backups(&self) -> Target {
        backups(self.stage)
    }

    /// A number below `below`, drawn from the seed.
    pub fn draw(&mut self, below: usize) -> usize {
        self.chance = spread(self.chance);
        (self.chance >> 17) as usize % below
    }

    /// Bytes drawn from the seed.
    pub fn bytes(&mut self, len: usize) -> Vec<u8> {
        let mut out = vec![0; len];
        self.chance = spread(self.chance);
        blake3::Hasher::new().update(&self.chance.to_le_bytes()).finalize_xof().fill(&mut out);
        out
    }

    /// Opens the store of the flow.
    pub fn open(&self) -> Result<Store, StoreError> {
        self.open_at("store")
    }

    /// Opens another store of the stage.
    pub fn open_at(&self, name: &str) -> Result<Store, StoreError> {
        Store::open(&self.at(name), self.stage.options())
    }

    /// Says that it is safe.
    pub fn ack(&mut self, fact: Fact) {
        self.stage.ack(self.facts.len() + 1, &fact);
        self.facts.push(fact);
    }

    /// Saves a transaction of this device and says so.
    pub fn save(&mut self, store: &mut Store, tx: &[Sealed]) -> Result<(), StoreError> {
        if self.hasty {
            self.ack_all(tx);
            return store.append(tx);
        }
        store.append(tx)?;
        self.ack_all(tx);
        Ok(())
    }

    fn ack_all(&mut self, entries: &[Sealed]) {
        for sealed in entries {
            self.ack(Fact::Entry(Box::new(sealed.clone())));
        }
    }

    /// Keeps local state and says so.
    pub fn set(&mut self, store: &mut Store, key: &'static str, value: String) -> Result<(), StoreError> {
        store.set_setting(key, &value)?;
        self.ack(Fact::Setting(key, value));
        Ok(())
    }
}

/// Where the backups of a stage go.
pub fn backups(stage: &dyn Stage) -> Target {
    let options = stage.options();
    Target { root: stage.root().join("backup"), disk: options.disk, vfs: options.vfs }
}

/// A device, standing where the store stands, and its beginning where it has not begun there.
pub fn author(store: &Store, n: u8, name: &str) -> Result<(Author, Vec<Sealed>), StoreError> {
    let mut author = Author::new(n, name);
    author.resume(store)?;
    let begun = store.tail(&author.incarnation())?.is_some();
    let first = if begun { Vec::new() } else { author.begin() };
    Ok((author, first))
}

/// K4, standing where the store stands.
pub fn k4(store: &Store) -> Result<Author, StoreError> {
    Ok(author(store, 4, "K4")?.0)
}

/// What stands in a field of a job.
pub fn standing(store: &Store, subject: &str) -> Result<Vec<EntryHash>, StoreError> {
    Ok(store.subject(subject)?.iter().map(|s| s.hash).collect())
}

/// All entries of a store.
pub fn all_entries(store: &Store) -> Result<Vec<Sealed>, StoreError> {
    let heads = store.heads()?;
    let series: Vec<Incarnation> = heads.0.keys().copied().collect();
    let mut all = Vec::new();
    for incarnation in series {
        all.extend(store.read(&incarnation, 1, usize::MAX)?);
    }
    Ok(all)
}

/// Judges an open store: everything of `facts` up to the `acked`-th is there, and all that is there is sound.
pub fn judge(machine: &Machine, store: &mut Store, facts: &[Fact], acked: usize, tablet: bool) -> Result<(), String> {
    let say = |e: StoreError| format!("the store fails after opening: {e}");
    for (n, fact) in facts[..acked].iter().enumerate() {
        match fact {
            Fact::Entry(sealed) => match store.entry(&sealed.hash).map_err(say)? {
                Some(found) if found == **sealed => {}
                Some(_) => return Err(format!("acknowledged entry {} is not what was saved", sealed.hash)),
                None => return Err(format!("acknowledged entry {} ({}) is LOST", sealed.hash, sealed.entry.subject.0)),
            },
            Fact::Photo(hash) => {
                if store.photos().read(hash, Size::Full).map_err(say)?.is_none() {
                    return Err(format!("acknowledged photo {hash} is LOST"));
                }
            }
            Fact::Setting(key, value) => setting(store, key, value, &facts[n + 1..], acked - n - 1)?,
            Fact::Receipt(photo) => {
                if store.photo_state(photo).map_err(say)?.receipt_ms.is_none() {
                    return Err(format!("the acknowledged receipt of photo {photo} is LOST"));
                }
            }
            Fact::Holds(what, check) => check(machine).map_err(|e| format!("{what}: {e}"))?,
        }
    }
    let report = store.verify().map_err(say)?;
    if let Some(fault) = report.faults.first() {
        return Err(format!("verify: {fault}"));
    }
    if tablet && report.photos_missing > 0 {
        return Err("an entry names a photo that is not whole here".into());
    }
    half_photos(&machine.image())
}

/// The last acknowledged value of a key stands, or the one that was being written over it.
fn setting(store: &Store, key: &str, value: &str, later: &[Fact], acked: usize) -> Result<(), String> {
    let of = |fact: &&Fact| matches!(fact, Fact::Setting(k, _) if *k == key);
    if later[..acked].iter().any(|f| of(&f)) {
        return Ok(());
    }
    let found = store.setting(key).map_err(|e| e.to_string())?;
    let next = later.iter().find(of).and_then(|f| if let Fact::Setting(_, v) = f { Some(v.as_str()) } else { None });
    match found.as_deref() {
        Some(found) if found == value || Some(found) == next => Ok(()),
        other => Err(format!("local state {key} is {other:?}, acknowledged was {value:?}")),
    }
}

/// No file under a photo's name that is not that photo, and nothing half taken in.
fn half_photos(image: &Tree) -> Result<(), String> {
    for (path, bytes) in image.files() {
        let above = path.parent().and_then(Path::file_name).unwrap_or_default().to_string_lossy().into_owned();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        // What a cut backup leaves in its own place is swept by the next one.
        if above == "tmp" && path.starts_with(FOLDER) {
            return Err(format!("{} is left half done", path.display()));
        }
        if above.len() == 2
            && let Some(hash) = PhotoHash::from_hex(&name)
            && blake3::hash(&bytes).as_bytes() != &hash.0
        {
            return Err(format!("{} is half a photo", path.display()));
        }
    }
    Ok(())
}

/// Does with a machine what a person does after a cut, and opens the store.
pub fn reopen(machine: &Machine, flow: &Flow) -> Result<Store, String> {
    if let Some(first) = flow.first_aid {
        first(machine).map_err(|e| format!("what is to be done after a cut fails: {e}"))?;
    }
    Store::open(Path::new(FOLDER), machine.options()).map_err(|e| format!("the store does not open: {e}"))
}

/// Opens the store on `image` and judges it.
pub fn open_and_judge(machine: &Machine, image: &Tree, facts: &[Fact], acked: usize, flow: &Flow) -> Result<Store, String> {
    machine.load(image);
    let mut store = reopen(machine, flow)?;
    judge(machine, &mut store, facts, acked, flow.tablet)?;
    Ok(store)
}
