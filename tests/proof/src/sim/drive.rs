//! The disk of one simulated machine, and what a power cut leaves of it.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use store::testkit::machine::{Fault, Keep, Machine, Platter, Tree};
use store::{Store, StoreError};

const FOLDER: &str = "/data";
const SECTOR: usize = 512;

/// A disk. What is durable of it is followed call by call.
#[derive(Debug)]
pub struct Drive {
    machine: Machine,
    platter: Platter,
}

/// What an empty store looks like: made once, so that a thousand worlds need not make its folders and tables.
fn empty() -> &'static Tree {
    static EMPTY: OnceLock<Tree> = OnceLock::new();
    EMPTY.get_or_init(|| {
        let machine = Machine::new();
        let store = Store::open(Path::new(FOLDER), machine.options()).expect("an empty store");
        drop(store);
        machine.image()
    })
}

impl Drive {
    /// A disk with an empty store.
    pub fn fresh() -> Self {
        Self::of(empty().clone())
    }

    /// A disk that holds this, all of it durable.
    pub fn of(image: Tree) -> Self {
        let machine = Machine::of(&image);
        machine.record();
        Self { machine, platter: Platter::new(image, SECTOR) }
    }

    /// Opens the store on it.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open(&self) -> Result<Store, StoreError> {
        Store::open(Path::new(FOLDER), self.machine.options())
    }

    /// Follows what was done since it was last asked.
    pub fn follow(&mut self) {
        for op in self.machine.take_log() {
            self.platter.play(&op);
        }
        self.machine.record();
    }

    /// Ends the programs on it; what was written stays.
    pub fn kill(&mut self) {
        self.machine.kill();
        self.machine.mend();
        self.follow();
    }

    /// The power goes: of what was not synced, chance keeps some.
    pub fn cut(&mut self, chance: u64) {
        self.follow();
        let unsynced = self.platter.unsynced();
        let keep = match chance % 7 {
            0 => Keep::Nothing,
            1 => Keep::All,
            2 => Keep::Names,
            3 if unsynced > 0 => Keep::Torn(chance as usize / 7 % unsynced, 1 + chance as usize / 7 % (SECTOR - 1)),
            4 if unsynced > 0 => Keep::First(chance as usize / 7 % unsynced),
            _ => Keep::Some(chance),
        };
        let left = self.platter.image(keep);
        self.put(left);
    }

    /// Puts another content on it, all of it durable.
    pub fn put(&mut self, image: Tree) {
        self.machine.load(&image);
        self.machine.record();
        self.platter = Platter::new(image, SECTOR);
    }

    /// All that is on it.
    pub fn image(&self) -> Tree {
        self.machine.image()
    }

    /// A call from now goes wrong.
    pub fn fail(&self, nth: u64, fault: Fault) {
        self.machine.fail(nth, fault);
    }

    /// Syncs do nothing from now on, and say that they did.
    pub fn lie(&self) {
        self.machine.lie(store::testkit::machine::Lie::EverySync);
    }

    /// No fault is pending, and there is room.
    pub fn mend(&self) {
        self.machine.mend();
    }

    /// The bytes of a file as they lie there.
    pub fn read(&self, path: &Path) -> Option<Vec<u8>> {
        self.machine.image().read(path).map(|bytes| bytes.to_vec())
    }

    /// Turns a bit of a file over, while no program runs. Gives false where there is no such byte.
    pub fn flip(&mut self, path: &Path, at: usize, bit: u8) -> bool {
        let mut image = self.image();
        let Some(mut bytes) = image.read(path).map(|b| b.to_vec()).filter(|b| at < b.len()) else { return false };
        bytes[at] ^= 1 << (bit % 8);
        image.put(path, bytes);
        self.put(image);
        true
    }

    /// The database's files that are there.
    pub fn database(&self) -> Vec<(PathBuf, usize)> {
        let files = ["journal.sqlite", "journal.sqlite-wal"].map(|name| Path::new(FOLDER).join(name));
        files.into_iter().filter_map(|p| self.image().read(&p).map(|b| (p, b.len()))).filter(|(_, n)| *n > 0).collect()
    }
}
