//! One machine with one disk that lies: the database layer and the photo disk of a store share one disk in memory, one
//! clock of calls and one power switch.
//!
//! A run is done once, while every operation is written down ([`Machine::record`]). From the log a [`Platter`] makes what a
//! power cut at any operation would have left, in any of the ways that a disk may forget or tear what was not synced; such
//! an image is put into a machine ([`Machine::load`]) and opened. So thousands of cuts cost one run and no real disk.
//!
//! The model: a sector is whole or not; a name is durable once its folder is synced, a rename perhaps before the data; a
//! write never harms bytes beside it (SQLite's "powersafe overwrite", its default); a failed sync forgets what it should
//! have written, and no later one writes it.

mod disk;
mod platter;
mod tree;
mod vfs;
mod world;

pub use platter::{Keep, Platter, spread};
pub use tree::{Id, Op, ROOT, Tree};
pub use world::{Fault, Kind, Lie};

use crate::disk::Disk;
use crate::open::Options;
use disk::Seen;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use world::World;

/// What a machine's layers share. It is never freed: SQLite keeps the layer's name until the process ends, so machines
/// are used again instead.
#[derive(Debug)]
struct Inner {
    name: String,
    world: Mutex<World>,
}

fn lock(inner: &Inner) -> MutexGuard<'_, World> {
    inner.world.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Machines that nobody uses now.
static IDLE: Mutex<Vec<&'static Inner>> = Mutex::new(Vec::new());

fn idle() -> MutexGuard<'static, Vec<&'static Inner>> {
    IDLE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The machine. Clones are the same machine.
#[derive(Clone, Debug)]
pub struct Machine(Arc<Own>);

#[derive(Debug)]
struct Own(&'static Inner);

impl std::ops::Deref for Own {
    type Target = Inner;
    fn deref(&self) -> &Inner {
        self.0
    }
}

impl Drop for Own {
    fn drop(&mut self) {
        let life = {
            let mut world = lock(self.0);
            world.end_programs();
            world.life
        };
        *lock(self.0) = World::begin(life);
        idle().push(self.0);
    }
}

impl Default for Machine {
    fn default() -> Self {
        let again = idle().pop();
        Self(Arc::new(Own(again.unwrap_or_else(vfs::register))))
    }
}

impl Machine {
    /// An empty machine.
    pub fn new() -> Self {
        Self::default()
    }

    /// A machine whose disk holds this.
    pub fn of(image: &Tree) -> Self {
        let machine = Self::new();
        machine.load(image);
        machine
    }

    fn world(&self) -> MutexGuard<'_, World> {
        lock(&self.0)
    }

    /// Its disk, for programs that begin now.
    pub fn disk(&self) -> Arc<dyn Disk> {
        Arc::new(Seen { machine: self.clone(), life: self.world().life })
    }

    /// How a store on this machine is opened; photos are taken in however little room there is.
    pub fn options(&self) -> Options {
        Options { vfs: Some(self.0.name.clone()), disk: self.disk(), photo_floor: 0 }
    }

    /// The name of its SQLite layer.
    pub fn vfs(&self) -> String {
        self.0.name.clone()
    }

    /// Ends all programs, mends everything, forgets the log, and puts this on the disk.
    pub fn load(&self, image: &Tree) {
        let mut world = self.world();
        world.end_programs();
        let life = world.life;
        *world = World::begin(life);
        world.tree = image.clone();
    }

    /// Ends all programs as `kill -9` does: the system goes on, and with it all that was written.
    pub fn kill(&self) {
        self.world().end_programs();
    }

    /// What the disk holds now, synced or not.
    pub fn image(&self) -> Tree {
        self.world().tree.clone()
    }

    /// Writes down every operation from now on.
    pub fn record(&self) {
        self.world().log = Some(Vec::new());
    }

    /// Stops writing down and gives the log.
    pub fn take_log(&self) -> Vec<Op> {
        self.world().log.take().unwrap_or_default()
    }

    /// Writes into the log that the `n`-th fact was acknowledged.
    pub fn ack(&self, n: usize) {
        let mut world = self.world();
        world.perform(Op::Ack(n));
    }

    /// Makes the n-th call from now (1 is the next) go wrong.
    pub fn fail(&self, nth: u64, fault: Fault) {
        self.world().fail(nth, fault);
    }

    /// No fault is pending any more, and there is room again.
    pub fn mend(&self) {
        self.world().mend();
    }

    /// From now on the disk lies.
    pub fn lie(&self, lie: Lie) {
        self.world().lie(lie);
    }

    /// From now on the disk tells the truth.
    pub fn honest(&self) {
        self.world().honest();
    }

    /// Calls so far, reads among them.
    pub fn calls(&self) -> u64 {
        self.world().calls
    }

    /// Syncs so far, of files and folders.
    pub fn syncs(&self) -> u64 {
        self.world().syncs
    }

    /// The call that a fault struck.
    pub fn struck(&self) -> Option<(Kind, PathBuf)> {
        self.world().struck.clone()
    }

    /// Sets the free bytes that the disk tells.
    pub fn set_free(&self, bytes: u64) {
        self.world().free = bytes;
    }
}
