//! An SQLite file layer that can lie: it forgets what was not synced when the power is cut, tears writes by sector, and
//! fails the n-th call. It stands over SQLite's own layer and keeps, beside every file, what is durable of it.
//!
//! Syncs are not passed on: durability is what the model says, so tests are quick. For tests only; each one made stays
//! registered until the process ends.
#![allow(unsafe_code, clippy::missing_panics_doc, clippy::expect_used)]

use crate::disk::lying::Fault;
use rusqlite::ffi::{self, sqlite3_file, sqlite3_io_methods, sqlite3_vfs};
use std::collections::BTreeMap;
use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// What a disk cannot tear: a sector.
const SECTOR: usize = 512;

/// What of the unsynced writes a power cut leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// Nothing.
    Nothing,
    /// Everything.
    All,
    /// Each sector of each unsynced write by chance, from this seed: torn and reordered.
    Some(u64),
}

#[derive(Clone, Debug)]
enum Change {
    Write(usize, Vec<u8>),
    Truncate(usize),
}

/// One file: what is durable, and what was done to it since.
#[derive(Clone, Debug, Default)]
struct Track {
    durable: Vec<u8>,
    /// False until its folder is synced: a power cut takes the name as well.
    named: bool,
    /// Removed, but its folder was not synced since: a power cut may bring it back.
    removed: bool,
    since: Vec<Change>,
}

#[derive(Debug, Default)]
struct State {
    files: BTreeMap<PathBuf, Track>,
    calls: u64,
    syncs: u64,
    fault: Option<(u64, Fault)>,
    dead: bool,
    full: bool,
}

struct App {
    real: *mut sqlite3_vfs,
    state: Mutex<State>,
}

/// Handle to a registered layer; its name goes into `Options.vfs`.
#[derive(Clone, Copy)]
pub struct FaultVfs {
    app: &'static App,
    name: &'static CStr,
}

/// Laid over the memory SQLite gives for a file; the real file follows it.
#[repr(C)]
struct File {
    base: sqlite3_file,
    app: *const App,
    /// Null for temporary files, which are not tracked.
    path: *mut PathBuf,
    /// True for a new journal or log that was not synced yet.
    syncs_folder: bool,
}

impl Change {
    fn apply(&self, to: &mut Vec<u8>) {
        match self {
            Self::Write(at, bytes) => {
                if to.len() < at + bytes.len() {
                    to.resize(at + bytes.len(), 0);
                }
                to[*at..at + bytes.len()].copy_from_slice(bytes);
            }
            Self::Truncate(len) => to.truncate(*len),
        }
    }

    /// The change sector by sector.
    fn sectors(self) -> Vec<Self> {
        match self {
            Self::Write(at, bytes) => {
                let mut parts = Vec::new();
                let mut from = 0;
                while from < bytes.len() {
                    let to = (from + SECTOR - (at + from) % SECTOR).min(bytes.len());
                    parts.push(Self::Write(at + from, bytes[from..to].to_vec()));
                    from = to;
                }
                parts
            }
            truncate => vec![truncate],
        }
    }
}

impl State {
    /// All files of a store lie in one folder: their names and removals become durable.
    fn sync_folder(&mut self) {
        self.files.retain(|_, track| !track.removed);
        self.files.values_mut().for_each(|track| track.named = true);
    }

    fn call(&mut self, error: c_int, needs_room: bool) -> c_int {
        if self.dead {
            return error;
        }
        self.calls += 1;
        match self.fault.filter(|(at, _)| *at == self.calls) {
            Some((_, Fault::Error)) => return error,
            Some((_, Fault::PowerCut)) => {
                self.dead = true;
                return error;
            }
            Some((_, Fault::Full)) => self.full = true,
            None => {}
        }
        if self.full && needs_room { ffi::SQLITE_FULL } else { ffi::SQLITE_OK }
    }
}

impl FaultVfs {
    /// Registers a layer under a name of its own.
    pub fn new(name: &str) -> Self {
        let name: &'static CStr = Box::leak(CString::new(name).expect("a name without zero bytes").into_boxed_c_str());
        // SAFETY: the default layer is registered by SQLite's start and stays; everything given to it here is leaked.
        unsafe {
            assert_eq!(ffi::sqlite3_initialize(), ffi::SQLITE_OK);
            let real = ffi::sqlite3_vfs_find(std::ptr::null());
            assert!(!real.is_null(), "SQLite has a default layer");
            let app: &'static App = Box::leak(Box::new(App { real, state: Mutex::default() }));
            let mut vfs = *real;
            vfs.szOsFile = (size_of::<File>() + (*real).szOsFile as usize) as c_int;
            vfs.pNext = std::ptr::null_mut();
            vfs.zName = name.as_ptr();
            vfs.pAppData = std::ptr::from_ref(app).cast_mut().cast();
            vfs.xOpen = Some(open);
            vfs.xDelete = Some(delete);
            assert_eq!(ffi::sqlite3_vfs_register(Box::leak(Box::new(vfs)), 0), ffi::SQLITE_OK);
            Self { app, name }
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.app.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Its name.
    pub fn name(&self) -> String {
        self.name.to_string_lossy().into_owned()
    }

    /// Makes the n-th changing call from now (1 is the next) go wrong.
    pub fn fail_at(&self, n: u64, fault: Fault) {
        let mut state = self.state();
        state.fault = Some((state.calls + n, fault));
    }

    /// Changing calls so far.
    pub fn calls(&self) -> u64 {
        self.state().calls
    }

    /// Syncs so far.
    pub fn syncs(&self) -> u64 {
        self.state().syncs
    }

    /// The power goes now: every call fails until [`FaultVfs::power_on`].
    pub fn power_cut(&self) {
        self.state().dead = true;
    }

    /// The power is back, after all connections were dropped: the files hold what `keep` left of them. With a full disk,
    /// there is room again.
    pub fn power_on(&self, keep: Keep) {
        let mut state = self.state();
        let mut chance = if let Keep::Some(seed) = keep { seed } else { 0 };
        let mut kept = move || {
            chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            match keep {
                Keep::Nothing => false,
                Keep::All => true,
                Keep::Some(_) => chance >> 63 == 1,
            }
        };
        for (path, track) in &mut state.files {
            track.named |= kept();
            track.removed &= kept();
            for change in std::mem::take(&mut track.since).into_iter().flat_map(Change::sectors) {
                if kept() {
                    change.apply(&mut track.durable);
                }
            }
            if track.named && !track.removed {
                std::fs::write(path, &track.durable).expect("the test's folder can be written");
            } else {
                let _ = std::fs::remove_file(path);
            }
            // The index of the write-ahead log is memory, not disk.
            let _ = std::fs::remove_file(shm_of(path));
        }
        state.files.retain(|_, track| track.named && !track.removed);
        (state.dead, state.full, state.fault) = (false, false, None);
    }

    /// There is room again; nothing else changes.
    pub fn make_room(&self) {
        let mut state = self.state();
        (state.full, state.fault) = (false, None);
    }
}

fn shm_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-shm");
    name.into()
}

/// # Safety
/// `vfs` is one that [`FaultVfs::new`] registered.
unsafe fn app<'a>(vfs: *mut sqlite3_vfs) -> &'a App {
    // SAFETY: `pAppData` points to a leaked `App`.
    unsafe { &*(*vfs).pAppData.cast::<App>() }
}

/// # Safety
/// `name` is null or a C string.
unsafe fn path_of(name: *const c_char) -> Option<PathBuf> {
    // SAFETY: by the contract above.
    (!name.is_null()).then(|| PathBuf::from(unsafe { CStr::from_ptr(name) }.to_string_lossy().into_owned()))
}

fn lock(app: &App) -> MutexGuard<'_, State> {
    app.state.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The real file behind ours.
///
/// # Safety
/// `file` was opened by [`open`].
unsafe fn real(file: *mut sqlite3_file) -> *mut sqlite3_file {
    // SAFETY: `szOsFile` leaves room for the real file after ours.
    unsafe { file.cast::<u8>().add(size_of::<File>()).cast() }
}

unsafe extern "C" fn open(vfs: *mut sqlite3_vfs, name: *const c_char, file: *mut sqlite3_file, flags: c_int, out: *mut c_int) -> c_int {
    // SAFETY: SQLite hands over what it promises in its documentation of `xOpen`.
    unsafe {
        (*file).pMethods = std::ptr::null();
        let app = app(vfs);
        let path = path_of(name);
        let mut state = lock(app);
        if let Some(path) = &path {
            let there = std::fs::read(path);
            if there.is_err() {
                let code = state.call(ffi::SQLITE_CANTOPEN, true);
                if code != ffi::SQLITE_OK {
                    return code;
                }
            }
            match (state.files.get_mut(path), there) {
                (None, there) => {
                    let named = there.is_ok();
                    let track = Track { named, durable: there.unwrap_or_default(), ..Track::default() };
                    state.files.insert(path.clone(), track);
                }
                // Made anew after a removal that is not durable yet.
                (Some(track), Err(_)) => {
                    track.removed = false;
                    track.since.push(Change::Truncate(0));
                }
                (Some(_), Ok(_)) => {}
            }
        }
        if state.dead {
            return ffi::SQLITE_CANTOPEN;
        }
        drop(state);
        let code = (*app.real).xOpen.expect("xOpen")(app.real, name, real(file), flags, out);
        if code != ffi::SQLITE_OK {
            if !(*real(file)).pMethods.is_null() {
                (*(*real(file)).pMethods).xClose.expect("xClose")(real(file));
            }
            return code;
        }
        let ours = file.cast::<File>();
        (*ours).app = app;
        let journal = flags & (ffi::SQLITE_OPEN_WAL | ffi::SQLITE_OPEN_MAIN_JOURNAL) != 0;
        (*ours).syncs_folder = journal && flags & ffi::SQLITE_OPEN_CREATE != 0;
        (*ours).path = path.map_or(std::ptr::null_mut(), |p| Box::into_raw(Box::new(p)));
        (*file).pMethods = &raw const METHODS;
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn delete(vfs: *mut sqlite3_vfs, name: *const c_char, sync_dir: c_int) -> c_int {
    // SAFETY: as in `open`.
    unsafe {
        let app = app(vfs);
        let mut state = lock(app);
        let code = state.call(ffi::SQLITE_IOERR_DELETE, false);
        if code != ffi::SQLITE_OK {
            return code;
        }
        if let Some(path) = path_of(name) {
            if let Some(track) = state.files.get_mut(&path) {
                track.since.clear();
                track.removed = true;
            }
            if sync_dir != 0 {
                state.sync_folder();
            }
        }
        (*app.real).xDelete.expect("xDelete")(app.real, name, sync_dir)
    }
}

/// Judges a changing call, notes the change, and passes it on.
///
/// # Safety
/// `file` was opened by [`open`].
unsafe fn change(file: *mut sqlite3_file, error: c_int, room: bool, made: Change, pass: impl FnOnce(*mut sqlite3_file) -> c_int) -> c_int {
    // SAFETY: by the contract above.
    unsafe {
        let ours = file.cast::<File>();
        let mut state = lock(&*(*ours).app);
        let code = state.call(error, room);
        if code != ffi::SQLITE_OK {
            return code;
        }
        if !(*ours).path.is_null() {
            state.files.entry((*(*ours).path).clone()).or_default().since.push(made);
        }
        pass(real(file))
    }
}

unsafe extern "C" fn write(file: *mut sqlite3_file, bytes: *const c_void, amount: c_int, at: i64) -> c_int {
    // SAFETY: `bytes` holds `amount` bytes; the real file is open.
    unsafe {
        let made = std::slice::from_raw_parts(bytes.cast::<u8>(), amount as usize).to_vec();
        change(file, ffi::SQLITE_IOERR_WRITE, true, Change::Write(at as usize, made), |real| {
            (*(*real).pMethods).xWrite.expect("xWrite")(real, bytes, amount, at)
        })
    }
}

unsafe extern "C" fn truncate(file: *mut sqlite3_file, len: i64) -> c_int {
    // SAFETY: the real file is open.
    unsafe {
        change(file, ffi::SQLITE_IOERR_TRUNCATE, false, Change::Truncate(len as usize), |real| {
            (*(*real).pMethods).xTruncate.expect("xTruncate")(real, len)
        })
    }
}

unsafe extern "C" fn sync(file: *mut sqlite3_file, _flags: c_int) -> c_int {
    // SAFETY: `file` was opened by `open`.
    unsafe {
        let ours = file.cast::<File>();
        let mut state = lock(&*(*ours).app);
        let code = state.call(ffi::SQLITE_IOERR_FSYNC, false);
        if code != ffi::SQLITE_OK {
            return code;
        }
        state.syncs += 1;
        if (*ours).syncs_folder {
            // As SQLite's own layer does with a new journal or log: its folder is synced with it, once.
            (*ours).syncs_folder = false;
            state.sync_folder();
        }
        if let Some(track) = (*ours).path.as_ref().and_then(|path| state.files.get_mut(path)) {
            for change in std::mem::take(&mut track.since) {
                change.apply(&mut track.durable);
            }
        }
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn close(file: *mut sqlite3_file) -> c_int {
    // SAFETY: `file` was opened by `open`; SQLite closes it once.
    unsafe {
        let ours = file.cast::<File>();
        if !(*ours).path.is_null() {
            drop(Box::from_raw((*ours).path));
            (*ours).path = std::ptr::null_mut();
        }
        (*(*real(file)).pMethods).xClose.expect("xClose")(real(file))
    }
}

unsafe extern "C" fn read(file: *mut sqlite3_file, bytes: *mut c_void, amount: c_int, at: i64) -> c_int {
    // SAFETY: `file` was opened by `open`.
    unsafe {
        if lock(&*(*file.cast::<File>()).app).dead {
            return ffi::SQLITE_IOERR_READ;
        }
        (*(*real(file)).pMethods).xRead.expect("xRead")(real(file), bytes, amount, at)
    }
}

/// Functions that are only passed on.
macro_rules! pass {
    ($($name:ident = $method:ident($($arg:ident: $kind:ty),*);)*) => {$(
        unsafe extern "C" fn $name(file: *mut sqlite3_file $(, $arg: $kind)*) -> c_int {
            // SAFETY: `file` was opened by `open`, and the arguments are SQLite's own.
            unsafe { (*(*real(file)).pMethods).$method.expect(stringify!($method))(real(file) $(, $arg)*) }
        }
    )*};
}

pass! {
    file_size = xFileSize(size: *mut i64);
    lock_file = xLock(level: c_int);
    unlock_file = xUnlock(level: c_int);
    check_reserved = xCheckReservedLock(out: *mut c_int);
    control = xFileControl(op: c_int, arg: *mut c_void);
    sector_size = xSectorSize();
    characteristics = xDeviceCharacteristics();
    shm_map = xShmMap(page: c_int, size: c_int, extend: c_int, out: *mut *mut c_void);
    shm_lock = xShmLock(offset: c_int, n: c_int, flags: c_int);
    shm_unmap = xShmUnmap(remove: c_int);
}

unsafe extern "C" fn shm_barrier(file: *mut sqlite3_file) {
    // SAFETY: `file` was opened by `open`.
    unsafe { (*(*real(file)).pMethods).xShmBarrier.expect("xShmBarrier")(real(file)) }
}

/// Version 2: with shared memory, without mapped reads, so that every byte goes through here.
static METHODS: sqlite3_io_methods = sqlite3_io_methods {
    iVersion: 2,
    xClose: Some(close),
    xRead: Some(read),
    xWrite: Some(write),
    xTruncate: Some(truncate),
    xSync: Some(sync),
    xFileSize: Some(file_size),
    xLock: Some(lock_file),
    xUnlock: Some(unlock_file),
    xCheckReservedLock: Some(check_reserved),
    xFileControl: Some(control),
    xSectorSize: Some(sector_size),
    xDeviceCharacteristics: Some(characteristics),
    xShmMap: Some(shm_map),
    xShmLock: Some(shm_lock),
    xShmBarrier: Some(shm_barrier),
    xShmUnmap: Some(shm_unmap),
    xFetch: None,
    xUnfetch: None,
};

// SAFETY: `real` is SQLite's own layer, made for use from any thread; the rest is behind a mutex.
unsafe impl Sync for App {}
// SAFETY: as above.
unsafe impl Send for App {}
