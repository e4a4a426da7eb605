//! A disk in memory that can lie: it forgets what was not made durable when the power is cut, fails the n-th call, and
//! can be full. For tests only.

use super::{Disk, DiskFile, Listed};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What of the unsynced writes a power cut leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// Nothing: the worst that a well-behaved disk may do.
    Nothing,
    /// Everything: the disk happened to be quick.
    All,
    /// Names, but the data after the last sync only by half, and the rest as zeros.
    Torn,
}

/// What goes wrong at a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// This call fails with an I/O error; later ones work.
    Error,
    /// The power goes: this and every later call fails until [`Lying::power_on`].
    PowerCut,
    /// The disk is full from this call on, for whatever needs room.
    Full,
}

#[derive(Clone, Debug, Default)]
struct Content {
    now: Vec<u8>,
    durable: Vec<u8>,
}

#[derive(Debug, Default)]
struct State {
    files: BTreeMap<u64, Content>,
    next: u64,
    names: BTreeMap<PathBuf, u64>,
    durable_names: BTreeMap<PathBuf, u64>,
    folders: BTreeSet<PathBuf>,
    durable_folders: BTreeSet<PathBuf>,
    calls: u64,
    fault: Option<(u64, Fault)>,
    dead: bool,
    full: bool,
    free: u64,
    log: Vec<String>,
}

/// The disk. Clones share one state.
#[derive(Clone, Debug)]
pub struct Lying(Arc<Mutex<State>>);

impl Default for Lying {
    fn default() -> Self {
        Self(Arc::new(Mutex::new(State { free: 1 << 40, ..State::default() })))
    }
}

fn broken(what: &str) -> io::Error {
    io::Error::other(format!("made-up disk error at {what}"))
}

fn missing() -> io::Error {
    io::ErrorKind::NotFound.into()
}

impl State {
    /// Every changing call comes through here, so that each can be counted and made to fail.
    fn call(&mut self, what: &str, path: &Path, needs_room: bool) -> io::Result<()> {
        if self.dead {
            return Err(broken("a dead disk"));
        }
        self.calls += 1;
        self.log.push(format!("{what} {}", path.file_name().unwrap_or_default().to_string_lossy()));
        if let Some((_, fault)) = self.fault.filter(|(at, _)| *at == self.calls) {
            match fault {
                Fault::Error => return Err(broken(what)),
                Fault::PowerCut => {
                    self.dead = true;
                    return Err(broken(what));
                }
                Fault::Full => self.full = true,
            }
        }
        if self.full && needs_room {
            return Err(io::ErrorKind::StorageFull.into());
        }
        Ok(())
    }

    fn alive(&self) -> io::Result<()> {
        if self.dead { Err(broken("a dead disk")) } else { Ok(()) }
    }

    fn in_a_folder(&self, path: &Path) -> io::Result<()> {
        if path.parent().is_some_and(|p| self.folders.contains(p)) { Ok(()) } else { Err(missing()) }
    }

    fn file(&mut self, path: &Path) -> u64 {
        let id = self.next;
        self.next += 1;
        self.files.insert(id, Content::default());
        self.names.insert(path.to_owned(), id);
        id
    }

    fn content(&self, path: &Path) -> io::Result<&Content> {
        self.names.get(path).and_then(|id| self.files.get(id)).ok_or_else(missing)
    }
}

impl Lying {
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Makes the n-th changing call from now (1 is the next) go wrong.
    pub fn fail_at(&self, n: u64, fault: Fault) {
        let mut state = self.state();
        state.fault = Some((state.calls + n, fault));
    }

    /// How many changing calls were made.
    pub fn calls(&self) -> u64 {
        self.state().calls
    }

    /// The changing calls made, in order.
    pub fn log(&self) -> Vec<String> {
        self.state().log.clone()
    }

    /// Sets the free bytes that [`Disk::free`] tells.
    pub fn set_free(&self, bytes: u64) {
        self.state().free = bytes;
    }

    /// Turns one byte of a file over, as failing flash does.
    ///
    /// # Panics
    /// Where there is no such file or byte.
    pub fn flip(&self, path: &Path, at: usize) {
        let mut state = self.state();
        let id = *state.names.get(path).expect("a file to flip a byte of");
        let content = state.files.get_mut(&id).expect("its content");
        content.now[at] ^= 0x40;
        content.durable = content.now.clone();
    }

    /// Cuts the power: what was not made durable is lost as `keep` says, and every call fails until [`Lying::power_on`].
    pub fn power_cut(&self, keep: Keep) {
        let mut state = self.state();
        state.dead = true;
        if keep == Keep::Nothing {
            state.names = state.durable_names.clone();
            state.folders = state.durable_folders.clone();
        } else {
            state.durable_names = state.names.clone();
            state.durable_folders = state.folders.clone();
        }
        for content in state.files.values_mut() {
            match keep {
                Keep::Nothing => content.now = content.durable.clone(),
                Keep::All => {}
                Keep::Torn => {
                    let synced = content.durable.len();
                    let half = synced + content.now.len().saturating_sub(synced) / 2;
                    if let Some(rest) = content.now.get_mut(half..) {
                        rest.fill(0);
                    }
                }
            }
            content.durable = content.now.clone();
        }
    }

    /// The power is back; no fault is pending.
    pub fn power_on(&self) {
        let mut state = self.state();
        (state.dead, state.full, state.fault) = (false, false, None);
    }

    /// All files with their content, for judging what is left.
    pub fn files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let state = self.state();
        state.names.iter().map(|(path, id)| (path.clone(), state.files[id].now.clone())).collect()
    }
}

#[derive(Debug)]
struct Open {
    disk: Lying,
    id: u64,
    path: PathBuf,
}

impl Write for Open {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.disk.state();
        state.call("write", &self.path, true)?;
        state.files.entry(self.id).or_default().now.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl DiskFile for Open {
    fn sync(&mut self) -> io::Result<()> {
        let mut state = self.disk.state();
        state.call("sync", &self.path, false)?;
        let content = state.files.entry(self.id).or_default();
        content.durable = content.now.clone();
        Ok(())
    }
}

impl Disk for Lying {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.alive()?;
        // Not counted as a call: the store makes all its folders at once when it is opened.
        state.folders.extend(path.ancestors().map(Path::to_owned));
        Ok(())
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        state.call("create", path, true)?;
        state.in_a_folder(path)?;
        if state.names.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let id = state.file(path);
        Ok(Box::new(Open { disk: self.clone(), id, path: path.to_owned() }))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        state.call("append", path, true)?;
        state.in_a_folder(path)?;
        let known = state.names.get(path).copied();
        let id = known.unwrap_or_else(|| state.file(path));
        Ok(Box::new(Open { disk: self.clone(), id, path: path.to_owned() }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        let state = self.state();
        state.alive()?;
        Ok(Box::new(io::Cursor::new(state.content(path)?.now.clone())))
    }

    fn bytes(&self, path: &Path) -> io::Result<Option<u64>> {
        let state = self.state();
        state.alive()?;
        Ok(state.content(path).ok().map(|c| c.now.len() as u64))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.call("rename", to, false)?;
        state.in_a_folder(to)?;
        let id = state.names.remove(from).ok_or_else(missing)?;
        state.names.insert(to.to_owned(), id);
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.call("remove", path, false)?;
        state.names.remove(path);
        Ok(())
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.call("sync folder", path, false)?;
        let State { names, durable_names, folders, durable_folders, .. } = &mut *state;
        let here = |p: &Path| p.parent() == Some(path);
        durable_names.retain(|p, _| !here(p));
        durable_names.extend(names.iter().filter(|(p, _)| here(p)).map(|(p, id)| (p.clone(), *id)));
        durable_folders.extend(folders.iter().filter(|p| here(p) || p.as_path() == path).cloned());
        durable_folders.extend(path.ancestors().map(Path::to_owned));
        Ok(())
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let state = self.state();
        state.alive()?;
        let here = state.names.iter().filter(|(p, _)| p.parent() == Some(path));
        let listed = here.map(|(p, id)| Listed {
            name: p.file_name().unwrap_or_default().to_string_lossy().into_owned(),
            bytes: state.files[id].now.len() as u64,
        });
        Ok(listed.collect())
    }

    fn free(&self, _path: &Path) -> io::Result<u64> {
        let state = self.state();
        state.alive()?;
        Ok(state.free)
    }

    fn private_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::create_dir_all(path)?;
        self.create_folder(path)
    }

    /// The database of a store on this disk is a real file, and so is its lock.
    fn lock(&self, path: &Path) -> io::Result<Box<dyn super::Lock>> {
        super::Real.lock(path)
    }
}
