//! The state of one machine: its files, its clock of calls, its faults, its memory shared between connections.

use super::tree::{Id, Op, Tree};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// What a program asks of the disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Opening, making or looking for a file or folder.
    Open,
    /// Reading bytes, a length or a list.
    Read,
    /// Writing bytes over others, or making a file or folder without any.
    Write,
    /// Writing bytes beyond a file's end.
    Grow,
    /// Cutting a file.
    Truncate,
    /// Making a file's bytes durable.
    Sync,
    /// Making a folder's names durable.
    SyncFolder,
    /// Renaming.
    Rename,
    /// Removing.
    Remove,
    /// Memory shared between connections.
    Shared,
}

impl Kind {
    const fn needs_room(self) -> bool {
        matches!(self, Self::Grow)
    }
}

/// What goes wrong at a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It fails with an I/O error; later ones work.
    Once,
    /// It and every later one fail.
    FromThenOn,
    /// Half of it is done, then it fails; a read or write of a photo does half and says so, as it may.
    Half,
    /// There is no room from then on.
    Full,
}

/// What a disk pretends to have done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lie {
    /// Every sync is said to be good and does nothing.
    EverySync,
    /// Syncs of files whose path holds this text.
    SyncOf(&'static str),
    /// Syncs of files whose path ends in this text.
    SyncOfEnding(&'static str),
    /// Syncs of folders whose path holds this text.
    FolderOf(&'static str),
    /// A file in a folder of this name is synced only after it was renamed, whatever was asked for.
    SyncAfterRename(&'static str),
}

/// What went wrong at a call, as the layers above say it in their own words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wrong {
    Broken,
    /// Half of it is to be done first.
    Half,
    Full,
    /// The program that opened this has ended.
    Ended,
}

pub(super) type Regions = Arc<Mutex<Vec<Box<[u64]>>>>;

/// Locks on a database file, and on the memory its connections share.
#[derive(Debug, Default)]
pub(super) struct Shared {
    pub shared: u32,
    pub reserved: bool,
    pub pending: bool,
    pub exclusive: bool,
    pub regions: Regions,
    /// For each of the eight locks: how many share it, and whether one has it alone.
    pub slots: [(u32, bool); 8],
    /// Connections that look at the memory.
    pub mapped: u32,
}

#[derive(Debug, Default)]
pub(super) struct World {
    pub tree: Tree,
    pub log: Option<Vec<Op>>,
    /// Goes up whenever the programs on the machine end; what they had open is dead.
    pub life: u64,
    pub calls: u64,
    pub syncs: u64,
    fault: Option<(u64, Fault)>,
    /// The call that went wrong, for telling.
    pub struck: Option<(Kind, PathBuf)>,
    lies: Vec<Lie>,
    /// Files whose sync a lie put off until they are renamed.
    late: BTreeSet<Id>,
    always: Option<Wrong>,
    pub free: u64,
    pub locked: BTreeSet<PathBuf>,
    pub shared: BTreeMap<Id, Shared>,
}

impl World {
    pub fn begin(life: u64) -> Self {
        Self { life, free: 1 << 40, ..Self::default() }
    }

    /// Every call comes through here, so that each can be counted and made to fail.
    pub fn call(&mut self, life: u64, kind: Kind, path: &Path) -> Result<(), Wrong> {
        if life != self.life {
            return Err(Wrong::Ended);
        }
        self.calls += 1;
        if let Some((_, fault)) = self.fault.filter(|(at, _)| *at == self.calls) {
            self.struck = Some((kind, path.to_owned()));
            match fault {
                Fault::Once => return Err(Wrong::Broken),
                Fault::Half => return Err(Wrong::Half),
                Fault::FromThenOn => self.always = Some(Wrong::Broken),
                Fault::Full => self.always = Some(Wrong::Full),
            }
        }
        match self.always {
            Some(Wrong::Full) if !kind.needs_room() => Ok(()),
            Some(wrong) => Err(wrong),
            None => Ok(()),
        }
    }

    /// What writing so many bytes there is.
    pub fn writing(&self, file: Id, at: usize, len: usize) -> Kind {
        if at + len > self.tree.bytes(file).map_or(0, |b| b.len()) { Kind::Grow } else { Kind::Write }
    }

    /// True where nothing has room any more.
    pub fn is_full(&self) -> bool {
        self.always == Some(Wrong::Full)
    }

    /// Does it, and writes it down.
    pub fn perform(&mut self, op: Op) {
        self.tree.apply(&op);
        if let Some(log) = &mut self.log {
            log.push(op);
        }
    }

    pub fn fail(&mut self, nth: u64, fault: Fault) {
        self.fault = Some((self.calls + nth, fault));
        self.struck = None;
    }

    /// No fault is pending, and there is room.
    pub fn mend(&mut self) {
        (self.fault, self.always) = (None, None);
    }

    pub fn lie(&mut self, lie: Lie) {
        self.lies.push(lie);
    }

    pub fn honest(&mut self) {
        self.lies.clear();
        self.late.clear();
    }

    /// All programs end: what they had open, locked and shared is gone; the files are as they are.
    pub fn end_programs(&mut self) {
        self.life += 1;
        self.locked.clear();
        self.shared.clear();
        self.late.clear();
    }

    pub fn sync(&mut self, life: u64, file: Id, path: &Path) -> Result<(), Wrong> {
        if let Err(wrong) = self.call(life, Kind::Sync, path) {
            if wrong != Wrong::Ended {
                self.perform(Op::SyncFailed { file });
            }
            return Err(wrong);
        }
        self.syncs += 1;
        let text = path.to_string_lossy();
        let mut done = true;
        for lie in &self.lies {
            match lie {
                Lie::EverySync => done = false,
                Lie::SyncOf(part) if text.contains(part) => done = false,
                Lie::SyncOfEnding(end) if text.ends_with(end) => done = false,
                Lie::SyncAfterRename(folder) if path.parent().is_some_and(|p| p.ends_with(folder)) => {
                    self.late.insert(file);
                    done = false;
                }
                _ => {}
            }
        }
        if done {
            self.perform(Op::Sync { file });
        }
        Ok(())
    }

    pub fn sync_folder(&mut self, life: u64, folder: Id, path: &Path) -> Result<(), Wrong> {
        self.call(life, Kind::SyncFolder, path)?;
        self.syncs += 1;
        let text = path.to_string_lossy();
        let lied = self.lies.iter().any(|lie| match lie {
            Lie::EverySync => true,
            Lie::FolderOf(part) => text.contains(part),
            _ => false,
        });
        if !lied {
            self.perform(Op::SyncFolder { folder });
        }
        Ok(())
    }

    /// Makes a file or folder under a name in a folder that is there.
    pub fn make(&mut self, path: &Path, is_folder: bool) -> Option<Id> {
        let (folder, name) = self.tree.place(path)?;
        let node = self.tree.next();
        self.perform(Op::Link { folder, name: name.to_owned(), node, is_folder });
        Some(node)
    }

    /// Renames what is there.
    pub fn rename(&mut self, from: &Path, to: &Path) -> Option<()> {
        let node = self.tree.find(from)?;
        let (from, to) = (self.tree.place(from)?, self.tree.place(to)?);
        let op = Op::Rename { from: (from.0, from.1.to_owned()), to: (to.0, to.1.to_owned()), node };
        self.perform(op);
        if self.late.remove(&node) {
            self.perform(Op::Sync { file: node });
        }
        Some(())
    }

    pub fn remove(&mut self, path: &Path) {
        if let (Some(_), Some((folder, name))) = (self.tree.find(path), self.tree.place(path)) {
            self.perform(Op::Unlink { folder, name: name.to_owned() });
        }
    }
}
