//! The machine as the disk under the photo files.

use super::tree::{Id, Op};
use super::world::{Kind, World, Wrong};
use super::{Machine, lock};
use crate::disk::{Disk, DiskFile, Listed, Lock};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

impl From<Wrong> for io::Error {
    fn from(wrong: Wrong) -> Self {
        match wrong {
            Wrong::Full => io::ErrorKind::StorageFull.into(),
            Wrong::Broken | Wrong::Half => Self::other("made-up disk error"),
            Wrong::Ended => Self::other("the program has ended"),
        }
    }
}

fn missing() -> io::Error {
    io::ErrorKind::NotFound.into()
}

/// One program's view of the disk: dead once the machine's programs were ended.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub machine: Machine,
    pub life: u64,
}

#[derive(Debug)]
struct Open {
    seen: Seen,
    id: Id,
    path: PathBuf,
    at: usize,
}

impl Write for Open {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut world = lock(&self.seen.machine.0);
        let bytes = match world.call(self.seen.life, Kind::Grow, &self.path) {
            Ok(()) => bytes,
            // As a system may: fewer bytes than asked for, and it says so.
            Err(Wrong::Half) if bytes.len() > 1 => &bytes[..bytes.len() / 2],
            Err(wrong) => return Err(wrong.into()),
        };
        let at = world.tree.bytes(self.id).map_or(0, |b| b.len());
        world.perform(Op::Write { file: self.id, at, bytes: Arc::new(bytes.to_vec()) });
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Read for Open {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let mut world = lock(&self.seen.machine.0);
        let most = match world.call(self.seen.life, Kind::Read, &self.path) {
            Ok(()) => into.len(),
            Err(Wrong::Half) => into.len().div_ceil(2),
            Err(wrong) => return Err(wrong.into()),
        };
        let bytes = world.tree.bytes(self.id).ok_or_else(missing)?;
        let rest = bytes.get(self.at..).unwrap_or_default();
        let n = rest.len().min(most);
        into[..n].copy_from_slice(&rest[..n]);
        self.at += n;
        Ok(n)
    }
}

impl DiskFile for Open {
    fn sync(&mut self) -> io::Result<()> {
        Ok(lock(&self.seen.machine.0).sync(self.seen.life, self.id, &self.path)?)
    }
}

#[derive(Debug)]
struct Locked {
    seen: Seen,
    path: PathBuf,
}

impl Lock for Locked {}

impl Drop for Locked {
    fn drop(&mut self) {
        let mut world = lock(&self.seen.machine.0);
        if world.life == self.seen.life {
            world.locked.remove(&self.path);
        }
    }
}

impl Seen {
    /// The world, after a call was let through.
    fn call(&self, kind: Kind, path: &Path) -> io::Result<std::sync::MutexGuard<'_, World>> {
        let mut world = lock(&self.machine.0);
        world.call(self.life, kind, path)?;
        Ok(world)
    }

    fn handle(&self, id: Id, path: &Path) -> Open {
        Open { seen: self.clone(), id, path: path.to_owned(), at: 0 }
    }
}

impl Disk for Seen {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        if lock(&self.machine.0).tree.find(path).is_some() {
            return Ok(());
        }
        let above: Vec<&Path> = path.ancestors().collect();
        for folder in above.into_iter().rev() {
            let mut world = lock(&self.machine.0);
            if world.tree.find(folder).is_none() {
                world.call(self.life, Kind::Write, folder)?;
                world.make(folder, true).ok_or_else(missing)?;
            }
        }
        Ok(())
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut world = self.call(Kind::Write, path)?;
        if world.tree.find(path).is_some() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let id = world.make(path, false).ok_or_else(missing)?;
        Ok(Box::new(self.handle(id, path)))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let there = lock(&self.machine.0).tree.find(path);
        let mut world = self.call(if there.is_some() { Kind::Open } else { Kind::Write }, path)?;
        let id = there.or_else(|| world.make(path, false)).ok_or_else(missing)?;
        Ok(Box::new(self.handle(id, path)))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        let world = self.call(Kind::Open, path)?;
        let id = world.tree.find(path).filter(|id| world.tree.bytes(*id).is_some()).ok_or_else(missing)?;
        Ok(Box::new(self.handle(id, path)))
    }

    fn bytes(&self, path: &Path) -> io::Result<Option<u64>> {
        let world = self.call(Kind::Read, path)?;
        Ok(world.tree.find(path).and_then(|id| world.tree.bytes(id)).map(|b| b.len() as u64))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.call(Kind::Rename, to)?.rename(from, to).ok_or_else(missing)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.call(Kind::Remove, path)?.remove(path);
        Ok(())
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut world = lock(&self.machine.0);
        let folder = world.tree.find(path).ok_or_else(missing)?;
        Ok(world.sync_folder(self.life, folder, path)?)
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let world = self.call(Kind::Read, path)?;
        let children = world.tree.find(path).and_then(|id| world.tree.children(id)).ok_or_else(missing)?;
        let listed = children.iter().filter_map(|(name, id)| {
            let bytes = world.tree.bytes(*id)?.len() as u64;
            Some(Listed { name: name.clone(), bytes })
        });
        Ok(listed.collect())
    }

    fn free(&self, path: &Path) -> io::Result<u64> {
        Ok(self.call(Kind::Read, path)?.free)
    }

    fn folders(&self, path: &Path) -> io::Result<Vec<String>> {
        let world = self.call(Kind::Read, path)?;
        let children = world.tree.find(path).and_then(|id| world.tree.children(id)).ok_or_else(missing)?;
        Ok(children.iter().filter(|(_, id)| world.tree.children(**id).is_some()).map(|(name, _)| name.clone()).collect())
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        let mut world = self.call(Kind::Remove, path)?;
        match world.tree.find(path).and_then(|id| world.tree.children(id)) {
            Some(children) if !children.is_empty() => Err(io::ErrorKind::DirectoryNotEmpty.into()),
            _ => {
                world.remove(path);
                Ok(())
            }
        }
    }

    fn private_folder(&self, path: &Path) -> io::Result<()> {
        let made: Vec<&Path> = path.ancestors().take_while(|p| lock(&self.machine.0).tree.find(p).is_none()).collect();
        if made.is_empty() {
            return Ok(());
        }
        self.create_folder(path)?;
        made.iter().rev().filter_map(|p| p.parent()).try_for_each(|above| self.sync_folder(above))
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn Lock>> {
        let there = lock(&self.machine.0).tree.find(path);
        let mut world = self.call(if there.is_some() { Kind::Open } else { Kind::Write }, path)?;
        there.or_else(|| world.make(path, false)).ok_or_else(missing)?;
        if !world.locked.insert(path.to_owned()) {
            return Err(io::ErrorKind::WouldBlock.into());
        }
        Ok(Box::new(Locked { seen: self.clone(), path: path.to_owned() }))
    }
}
