//! The machine as an SQLite file layer, all in memory, the memory shared between connections included.
//!
//! Tells SQLite the same about itself as the layer it stands in for: sectors of 4096 bytes, writes that harm nothing
//! beside them, a new log's folder synced with the log's first sync.
#![allow(unsafe_code, clippy::expect_used)]

use super::tree::{Id, Op};
use super::world::{Kind, Regions, Shared, World, Wrong};
use super::{Inner, lock};
use rusqlite::ffi::{self, sqlite3_file, sqlite3_io_methods, sqlite3_vfs};
use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering, fence};
use std::sync::{Arc, Mutex, PoisonError};

/// One open file.
#[derive(Debug)]
struct Handle {
    inner: &'static Inner,
    life: u64,
    id: Id,
    path: PathBuf,
    /// A file without a name, which goes when it is closed.
    temporary: Option<Vec<u8>>,
    /// A new log or journal: its folder is synced with its first sync.
    syncs_folder: bool,
    level: c_int,
    mapped: Option<Regions>,
    shares: u16,
    alone: u16,
}

/// Laid over the memory SQLite gives for a file.
#[repr(C)]
struct File {
    base: sqlite3_file,
    handle: *mut Handle,
}

/// Registers a layer for a new machine; both stay until the process ends.
pub(super) fn register() -> &'static Inner {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let name = format!("lying-machine-{}", NEXT.fetch_add(1, Ordering::Relaxed));
    let c_name: &'static CStr = Box::leak(CString::new(name.clone()).expect("no zero byte in it").into_boxed_c_str());
    let inner: &'static Inner = Box::leak(Box::new(Inner { name, world: Mutex::new(World::begin(0)) }));
    // SAFETY: the default layer is registered by SQLite's start and stays; everything given to it here is leaked.
    unsafe {
        assert_eq!(ffi::sqlite3_initialize(), ffi::SQLITE_OK);
        let real = ffi::sqlite3_vfs_find(std::ptr::null());
        assert!(!real.is_null(), "SQLite has a default layer");
        // Time, chance and waiting stay the system's.
        let mut vfs = *real;
        vfs.szOsFile = size_of::<File>() as c_int;
        vfs.pNext = std::ptr::null_mut();
        vfs.zName = c_name.as_ptr();
        vfs.pAppData = std::ptr::from_ref(inner).cast_mut().cast();
        vfs.xOpen = Some(open);
        vfs.xDelete = Some(delete);
        vfs.xAccess = Some(access);
        vfs.xFullPathname = Some(full_path);
        assert_eq!(ffi::sqlite3_vfs_register(Box::leak(Box::new(vfs)), 0), ffi::SQLITE_OK);
    }
    inner
}

/// # Safety
/// `vfs` is one that [`register`] made.
unsafe fn inner_of(vfs: *mut sqlite3_vfs) -> &'static Inner {
    // SAFETY: `pAppData` points to a leaked `Inner`.
    unsafe { &*(*vfs).pAppData.cast::<Inner>() }
}

/// # Safety
/// `name` is a C string.
unsafe fn path_of(name: *const c_char) -> PathBuf {
    // SAFETY: by the contract above.
    PathBuf::from(unsafe { CStr::from_ptr(name) }.to_string_lossy().into_owned())
}

/// # Safety
/// `file` was opened by [`open`] and is not closed.
unsafe fn handle<'a>(file: *mut sqlite3_file) -> &'a mut Handle {
    // SAFETY: `open` put a boxed handle there, and SQLite uses a file from one thread at a time.
    unsafe { &mut *(*file.cast::<File>()).handle }
}

fn code(wrong: Wrong, broken: c_int) -> c_int {
    if wrong == Wrong::Full { ffi::SQLITE_FULL } else { broken }
}

unsafe extern "C" fn open(vfs: *mut sqlite3_vfs, name: *const c_char, file: *mut sqlite3_file, flags: c_int, out: *mut c_int) -> c_int {
    // SAFETY: SQLite hands over what it promises in its documentation of `xOpen`.
    unsafe {
        (*file).pMethods = std::ptr::null();
        let inner = inner_of(vfs);
        let mut world = lock(inner);
        let (mut id, mut path, mut temporary) = (0, PathBuf::new(), None);
        if name.is_null() {
            temporary = Some(Vec::new());
        } else {
            path = path_of(name);
            let there = world.tree.find(&path);
            let kind = if there.is_some() { Kind::Open } else { Kind::Write };
            let life = world.life;
            if let Err(wrong) = world.call(life, kind, &path) {
                return code(wrong, ffi::SQLITE_CANTOPEN);
            }
            let made = there.or_else(|| if flags & ffi::SQLITE_OPEN_CREATE == 0 { None } else { world.make(&path, false) });
            let Some(found) = made.filter(|id| world.tree.bytes(*id).is_some()) else { return ffi::SQLITE_CANTOPEN };
            id = found;
        }
        let journal = flags & (ffi::SQLITE_OPEN_WAL | ffi::SQLITE_OPEN_MAIN_JOURNAL | ffi::SQLITE_OPEN_SUPER_JOURNAL) != 0;
        let handle = Handle {
            inner,
            life: world.life,
            id,
            path,
            temporary,
            syncs_folder: journal && flags & ffi::SQLITE_OPEN_CREATE != 0,
            level: ffi::SQLITE_LOCK_NONE,
            mapped: None,
            shares: 0,
            alone: 0,
        };
        (*file.cast::<File>()).handle = Box::into_raw(Box::new(handle));
        (*file).pMethods = &raw const METHODS;
        if !out.is_null() {
            *out = flags;
        }
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn delete(vfs: *mut sqlite3_vfs, name: *const c_char, sync_folder: c_int) -> c_int {
    // SAFETY: as in `open`.
    let (inner, path) = unsafe { (inner_of(vfs), path_of(name)) };
    let mut world = lock(inner);
    let life = world.life;
    if world.tree.find(&path).is_none() {
        return ffi::SQLITE_IOERR_DELETE_NOENT;
    }
    if world.call(life, Kind::Remove, &path).is_err() {
        return ffi::SQLITE_IOERR_DELETE;
    }
    world.remove(&path);
    if sync_folder == 0 {
        return ffi::SQLITE_OK;
    }
    synced_folder(&mut world, life, &path).map_or(ffi::SQLITE_IOERR_DIR_FSYNC, |()| ffi::SQLITE_OK)
}

fn synced_folder(world: &mut World, life: u64, path: &Path) -> Result<(), Wrong> {
    let above = path.parent().unwrap_or(path);
    let folder = world.tree.find(above).ok_or(Wrong::Broken)?;
    world.sync_folder(life, folder, above)
}

unsafe extern "C" fn access(vfs: *mut sqlite3_vfs, name: *const c_char, _flags: c_int, out: *mut c_int) -> c_int {
    // SAFETY: as in `open`.
    unsafe {
        let path = path_of(name);
        let mut world = lock(inner_of(vfs));
        let life = world.life;
        if world.call(life, Kind::Open, &path).is_err() {
            return ffi::SQLITE_IOERR_ACCESS;
        }
        *out = c_int::from(world.tree.find(&path).is_some());
        ffi::SQLITE_OK
    }
}

/// Paths are given whole by the store.
unsafe extern "C" fn full_path(_vfs: *mut sqlite3_vfs, name: *const c_char, size: c_int, out: *mut c_char) -> c_int {
    // SAFETY: `out` has room for `size` bytes.
    unsafe {
        let bytes = CStr::from_ptr(name).to_bytes_with_nul();
        if bytes.len() > size as usize {
            return ffi::SQLITE_CANTOPEN;
        }
        std::ptr::copy_nonoverlapping(bytes.as_ptr().cast(), out, bytes.len());
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn close(file: *mut sqlite3_file) -> c_int {
    // SAFETY: `file` was opened by `open`; SQLite closes it once.
    unsafe {
        unlock(file, ffi::SQLITE_LOCK_NONE);
        unmap(file, 0);
        let file = file.cast::<File>();
        drop(Box::from_raw((*file).handle));
        (*file).handle = std::ptr::null_mut();
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn read(file: *mut sqlite3_file, bytes: *mut c_void, amount: c_int, at: i64) -> c_int {
    // SAFETY: `bytes` has room for `amount` bytes.
    unsafe {
        let handle = handle(file);
        let into = std::slice::from_raw_parts_mut(bytes.cast::<u8>(), amount as usize);
        let mut world = lock(handle.inner);
        if handle.temporary.is_none() && world.call(handle.life, Kind::Read, &handle.path).is_err() {
            return ffi::SQLITE_IOERR_READ;
        }
        let content = handle.temporary.as_ref().or_else(|| world.tree.bytes(handle.id).map(|b| &**b));
        let rest = content.and_then(|c| c.get(at as usize..)).unwrap_or_default();
        let n = rest.len().min(into.len());
        into[..n].copy_from_slice(&rest[..n]);
        into[n..].fill(0);
        if n < into.len() { ffi::SQLITE_IOERR_SHORT_READ } else { ffi::SQLITE_OK }
    }
}

unsafe extern "C" fn write(file: *mut sqlite3_file, bytes: *const c_void, amount: c_int, at: i64) -> c_int {
    // SAFETY: `bytes` holds `amount` bytes.
    unsafe {
        let handle = handle(file);
        let bytes = std::slice::from_raw_parts(bytes.cast::<u8>(), amount as usize);
        let at = at as usize;
        if let Some(content) = &mut handle.temporary {
            let end = at + bytes.len();
            content.resize(content.len().max(end), 0);
            content[at..end].copy_from_slice(bytes);
            return ffi::SQLITE_OK;
        }
        let mut world = lock(handle.inner);
        let kind = world.writing(handle.id, at, bytes.len());
        let judged = world.call(handle.life, kind, &handle.path);
        let done = match judged {
            Ok(()) => bytes,
            Err(Wrong::Half) => &bytes[..bytes.len() / 2],
            Err(wrong) => return code(wrong, ffi::SQLITE_IOERR_WRITE),
        };
        world.perform(Op::Write { file: handle.id, at, bytes: Arc::new(done.to_vec()) });
        if judged.is_ok() { ffi::SQLITE_OK } else { ffi::SQLITE_IOERR_WRITE }
    }
}

unsafe extern "C" fn truncate(file: *mut sqlite3_file, len: i64) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    if let Some(content) = &mut handle.temporary {
        content.truncate(len as usize);
        return ffi::SQLITE_OK;
    }
    let mut world = lock(handle.inner);
    if world.call(handle.life, Kind::Truncate, &handle.path).is_err() {
        return ffi::SQLITE_IOERR_TRUNCATE;
    }
    world.perform(Op::Truncate { file: handle.id, len: len as usize });
    ffi::SQLITE_OK
}

unsafe extern "C" fn sync(file: *mut sqlite3_file, _flags: c_int) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    if handle.temporary.is_some() {
        return ffi::SQLITE_OK;
    }
    let mut world = lock(handle.inner);
    if world.sync(handle.life, handle.id, &handle.path).is_err() {
        return ffi::SQLITE_IOERR_FSYNC;
    }
    if std::mem::take(&mut handle.syncs_folder) && synced_folder(&mut world, handle.life, &handle.path).is_err() {
        return ffi::SQLITE_IOERR_DIR_FSYNC;
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn file_size(file: *mut sqlite3_file, size: *mut i64) -> c_int {
    // SAFETY: `file` is open, `size` has room.
    unsafe {
        let handle = handle(file);
        let mut world = lock(handle.inner);
        if handle.temporary.is_none() && world.call(handle.life, Kind::Read, &handle.path).is_err() {
            return ffi::SQLITE_IOERR_FSTAT;
        }
        let content = handle.temporary.as_ref().or_else(|| world.tree.bytes(handle.id).map(|b| &**b));
        *size = content.map_or(0, |c| c.len() as i64);
        ffi::SQLITE_OK
    }
}

/// The locks of SQLite's `xLock`: shared, reserved, pending, exclusive.
unsafe extern "C" fn lock_file(file: *mut sqlite3_file, level: c_int) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    if level <= handle.level || handle.temporary.is_some() {
        return ffi::SQLITE_OK;
    }
    let mut world = lock(handle.inner);
    if world.life != handle.life {
        return ffi::SQLITE_IOERR_LOCK;
    }
    let state = world.shared.entry(handle.id).or_default();
    match level {
        ffi::SQLITE_LOCK_SHARED if state.exclusive || state.pending => return ffi::SQLITE_BUSY,
        ffi::SQLITE_LOCK_SHARED => state.shared += 1,
        ffi::SQLITE_LOCK_RESERVED if state.reserved => return ffi::SQLITE_BUSY,
        ffi::SQLITE_LOCK_RESERVED => state.reserved = true,
        _ => {
            let mine = handle.level >= ffi::SQLITE_LOCK_RESERVED;
            let pending = handle.level == ffi::SQLITE_LOCK_PENDING;
            if (state.reserved && !mine) || (state.pending && !pending) {
                return ffi::SQLITE_BUSY;
            }
            (state.reserved, state.pending) = (true, true);
            if state.shared > 1 {
                handle.level = ffi::SQLITE_LOCK_PENDING;
                return ffi::SQLITE_BUSY;
            }
            state.exclusive = true;
        }
    }
    handle.level = level;
    ffi::SQLITE_OK
}

unsafe extern "C" fn unlock(file: *mut sqlite3_file, level: c_int) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    let before = handle.level;
    handle.level = level.min(before);
    let mut world = lock(handle.inner);
    if before <= level || world.life != handle.life {
        return ffi::SQLITE_OK;
    }
    if let Some(state) = world.shared.get_mut(&handle.id) {
        if before >= ffi::SQLITE_LOCK_RESERVED {
            (state.reserved, state.pending, state.exclusive) = (false, false, false);
        }
        if level == ffi::SQLITE_LOCK_NONE {
            state.shared = state.shared.saturating_sub(1);
        }
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn check_reserved(file: *mut sqlite3_file, out: *mut c_int) -> c_int {
    // SAFETY: `file` is open, `out` has room.
    unsafe {
        let handle = handle(file);
        *out = c_int::from(lock(handle.inner).shared.get(&handle.id).is_some_and(|s| s.reserved));
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn control(_file: *mut sqlite3_file, op: c_int, arg: *mut c_void) -> c_int {
    // SAFETY: each code's argument is what SQLite documents for it.
    unsafe {
        match op {
            // Nothing is ever mapped.
            ffi::SQLITE_FCNTL_MMAP_SIZE => *arg.cast::<i64>() = 0,
            ffi::SQLITE_FCNTL_SIZE_HINT | ffi::SQLITE_FCNTL_CHUNK_SIZE => {}
            ffi::SQLITE_FCNTL_PERSIST_WAL | ffi::SQLITE_FCNTL_HAS_MOVED => *arg.cast::<c_int>() = 0,
            ffi::SQLITE_FCNTL_POWERSAFE_OVERWRITE => *arg.cast::<c_int>() = 1,
            _ => return ffi::SQLITE_NOTFOUND,
        }
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn sector_size(_file: *mut sqlite3_file) -> c_int {
    4096
}

unsafe extern "C" fn characteristics(_file: *mut sqlite3_file) -> c_int {
    ffi::SQLITE_IOCAP_POWERSAFE_OVERWRITE | ffi::SQLITE_IOCAP_SUBPAGE_READ
}

unsafe extern "C" fn map(file: *mut sqlite3_file, region: c_int, size: c_int, extend: c_int, out: *mut *mut c_void) -> c_int {
    // SAFETY: `file` is open, `out` has room; a region lives as long as any handle holds `Regions`, and never moves.
    unsafe {
        *out = std::ptr::null_mut();
        let handle = handle(file);
        let mut world = lock(handle.inner);
        if world.call(handle.life, Kind::Shared, &handle.path).is_err() {
            return ffi::SQLITE_IOERR_SHMMAP;
        }
        let full = world.is_full();
        let state: &mut Shared = world.shared.entry(handle.id).or_default();
        if handle.mapped.is_none() {
            handle.mapped = Some(state.regions.clone());
            state.mapped += 1;
        }
        let mut regions = state.regions.lock().unwrap_or_else(PoisonError::into_inner);
        while regions.len() <= region as usize {
            if extend == 0 {
                return ffi::SQLITE_OK;
            }
            // On a real disk this memory is a file.
            if full {
                return ffi::SQLITE_IOERR_SHMSIZE;
            }
            regions.push(vec![0_u64; size as usize / 8].into_boxed_slice());
        }
        *out = regions[region as usize].as_mut_ptr().cast();
        ffi::SQLITE_OK
    }
}

unsafe extern "C" fn lock_memory(file: *mut sqlite3_file, offset: c_int, n: c_int, flags: c_int) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    let mut world = lock(handle.inner);
    if world.life != handle.life {
        return ffi::SQLITE_IOERR_SHMLOCK;
    }
    let state = world.shared.entry(handle.id).or_default();
    let range = offset as usize..(offset + n) as usize;
    let bits = range.clone().fold(0_u16, |bits, slot| bits | 1 << slot);
    if flags & ffi::SQLITE_SHM_UNLOCK != 0 {
        for slot in range {
            if handle.shares >> slot & 1 == 1 {
                state.slots[slot].0 = state.slots[slot].0.saturating_sub(1);
            }
            if handle.alone >> slot & 1 == 1 {
                state.slots[slot].1 = false;
            }
        }
        handle.shares &= !bits;
        handle.alone &= !bits;
    } else if flags & ffi::SQLITE_SHM_SHARED != 0 {
        if handle.shares & bits == 0 {
            if range.clone().any(|slot| state.slots[slot].1) {
                return ffi::SQLITE_BUSY;
            }
            range.for_each(|slot| state.slots[slot].0 += 1);
            handle.shares |= bits;
        }
    } else {
        let others = |slot: usize| state.slots[slot].1 || state.slots[slot].0 > u32::from(handle.shares >> slot & 1 == 1);
        if range.clone().any(others) {
            return ffi::SQLITE_BUSY;
        }
        range.for_each(|slot| state.slots[slot].1 = true);
        handle.alone |= bits;
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn barrier(_file: *mut sqlite3_file) {
    fence(Ordering::SeqCst);
}

unsafe extern "C" fn unmap(file: *mut sqlite3_file, _remove: c_int) -> c_int {
    // SAFETY: `file` is open.
    let handle = unsafe { handle(file) };
    if handle.mapped.take().is_none() {
        return ffi::SQLITE_OK;
    }
    let mut world = lock(handle.inner);
    if world.life == handle.life
        && let Some(state) = world.shared.get_mut(&handle.id)
    {
        state.mapped = state.mapped.saturating_sub(1);
        // As with a real file: the last one out takes the memory along, and the next one in recovers it.
        if state.mapped == 0 {
            state.regions = Regions::default();
        }
    }
    ffi::SQLITE_OK
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
    xUnlock: Some(unlock),
    xCheckReservedLock: Some(check_reserved),
    xFileControl: Some(control),
    xSectorSize: Some(sector_size),
    xDeviceCharacteristics: Some(characteristics),
    xShmMap: Some(map),
    xShmLock: Some(lock_memory),
    xShmBarrier: Some(barrier),
    xShmUnmap: Some(unmap),
    xFetch: None,
    xUnfetch: None,
};
