//! Opening: the lock, the connections with their settings read back, the migrations.

use crate::disk::{Disk, Lock, Real};
use crate::error::StoreError;
use crate::photos::{PHOTO_FLOOR, Photos};
use crate::read::Reader;
use crate::stop::Stop;
use crate::store::Store;
use crate::sums;
use crate::wal::{self, LogState};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use std::path::Path;
use std::sync::Arc;

/// Marks the file as ours in the SQLite header: `TUBW`.
const APPLICATION_ID: i64 = 0x5455_4257;
/// SQLite 3.7.0 to 3.51.2 can lose committed WAL writes in a race.
const LEAST_SQLITE: i32 = 3_051_003;
/// In order; never changed once released. `user_version` holds how many have run.
const MIGRATIONS: &[&str] = &[
    include_str!("../migrations/0001_journal.sql"),
    include_str!("../migrations/0002_projections.sql"),
    include_str!("../migrations/0003_standing.sql"),
    include_str!("../migrations/0004_whole_store.sql"),
];

/// The migration that adds sums to rows that had none.
const SUMS_SINCE: i64 = 4;

/// Lies in a folder while a restore into it is not finished.
pub(crate) const MARKER: &str = "restore-not-finished";

/// A damaged write-ahead log as it was found.
pub(crate) const KEPT_LOG: &str = "damaged-log";

/// How a store is opened.
#[derive(Clone, Debug)]
pub struct Options {
    /// Name of the SQLite VFS to use instead of the default one.
    pub vfs: Option<String>,
    /// The disk under the photo files.
    pub disk: Arc<dyn Disk>,
    /// With less room than this many bytes, photos are refused.
    pub photo_floor: u64,
}

impl Default for Options {
    fn default() -> Self {
        Self { vfs: None, disk: Arc::new(Real), photo_floor: PHOTO_FLOOR }
    }
}

impl Store {
    /// Opens the store in a folder, making it if it is not there. One store at a time may have a folder open.
    ///
    /// Sweeps half-done imports, brings the list of photos in line with the files, and makes the views anew where another
    /// version of this program made them.
    ///
    /// # Errors
    /// [`StoreError::InUse`], [`StoreError::OldSqlite`], [`StoreError::NotOurs`], [`StoreError::Newer`],
    /// [`StoreError::Pragma`], [`StoreError::HalfRestored`], and whatever disk and database say.
    pub fn open(folder: &Path, options: Options) -> Result<Self, StoreError> {
        Self::open_as(folder, options, false)
    }

    /// [`Store::open`] for the restore that is still under way.
    pub(crate) fn open_restored(folder: &Path, options: Options) -> Result<Self, StoreError> {
        Self::open_as(folder, options, true)
    }

    fn open_as(folder: &Path, options: Options, restoring: bool) -> Result<Self, StoreError> {
        check_sqlite(rusqlite::version_number(), rusqlite::version())?;
        let disk = options.disk;
        // The journal holds names and PIN hashes.
        disk.private_folder(folder)?;
        let lock = lock(&*disk, folder)?;
        if !restoring && disk.bytes(&folder.join(MARKER))?.is_some() {
            return Err(StoreError::HalfRestored);
        }
        let file = folder.join("journal.sqlite");
        // Before SQLite looks at it: what it cannot read of the log, it throws away.
        let log = wal::look(&*disk, &file)?;
        if matches!(log, LogState::Damaged { .. }) {
            keep_log(&*disk, folder)?;
        }
        // What a run wrote that was killed before its sync, or whose sync failed, is read here as if it were on the disk.
        // Nothing is shown, and nothing saved behind it, before it is.
        wal::renew(&*disk, &file)?;
        let mut writer = connect(&file, options.vfs.as_deref(), false)?;
        migrate(&mut writer)?;
        disk.sync_folder(folder)?;
        let stop = Stop::default();
        let photos = Photos::open(folder.join("photos"), disk, stop.clone(), options.photo_floor)?;
        let reader = Reader::new(connect(&file, options.vfs.as_deref(), true)?, photos, stop);
        let mut store = Self::new(writer, reader, lock, file, options.vfs, log);
        store.note_photos()?;
        store.bring_up_to_date()?;
        store.try_unreadable_again()?;
        store.sweep_photos()?;
        Ok(store)
    }

    /// A further reader, for another thread; it can change nothing.
    ///
    /// # Errors
    /// As the database says.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        self.check()?;
        let connection = connect(self.file(), self.vfs(), true)?;
        Ok(Reader::new(connection, self.photos().clone(), self.stop().clone()))
    }
}

fn check_sqlite(number: i32, version: &str) -> Result<(), StoreError> {
    if number < LEAST_SQLITE { Err(StoreError::OldSqlite(version.to_owned())) } else { Ok(()) }
}

/// Keeps a damaged log as it was found, once: whoever can read more of it than SQLite does has it then.
fn keep_log(disk: &dyn Disk, folder: &Path) -> Result<(), StoreError> {
    let to = folder.join(KEPT_LOG);
    if disk.bytes(&to)?.is_none() {
        wal::copy(disk, &wal::beside(&folder.join("journal.sqlite")), &to)?;
        disk.sync_folder(folder)?;
    }
    Ok(())
}

/// Held as long as the store is open.
pub(crate) fn lock(disk: &dyn Disk, folder: &Path) -> Result<Box<dyn Lock>, StoreError> {
    disk.lock(&folder.join("lock")).map_err(|e| match e.kind() {
        std::io::ErrorKind::WouldBlock => StoreError::InUse,
        _ => e.into(),
    })
}

/// A new database file for a copy to be made into; durable in what it writes, and nothing else set.
pub(crate) fn connect_plain(file: &Path, vfs: Option<&str>) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_CREATE;
    let connection = match vfs {
        Some(name) => Connection::open_with_flags_and_vfs(file, flags, name)?,
        None => Connection::open_with_flags(file, flags)?,
    };
    for (name, set, wanted) in [("synchronous", "FULL", "2"), ("fullfsync", "ON", "1")] {
        assert_pragma(&connection, name, set, wanted)?;
    }
    Ok(connection)
}

pub(crate) fn connect(file: &Path, vfs: Option<&str>, reader: bool) -> Result<Connection, StoreError> {
    let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if !reader {
        flags |= OpenFlags::SQLITE_OPEN_CREATE;
    }
    let connection = match vfs {
        Some(name) => Connection::open_with_flags_and_vfs(file, flags, name)?,
        None => Connection::open_with_flags(file, flags)?,
    };
    let id = pragma(&connection, "application_id").map_err(|e| match e {
        StoreError::Damaged(_) => StoreError::NotOurs,
        other => other,
    })?;
    let empty = connection.query_row("SELECT count(*) = 0 FROM sqlite_schema", [], |row| row.get::<_, bool>(0))?;
    if id != APPLICATION_ID.to_string() && (id != "0" || !empty) {
        return Err(StoreError::NotOurs);
    }
    connection.busy_timeout(std::time::Duration::from_secs(5))?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    connection.set_prepared_statement_cache_capacity(64);
    let query_only = if reader { "1" } else { "0" };
    for (name, set, wanted) in [
        ("journal_mode", "WAL", "wal"),
        ("synchronous", "FULL", "2"),
        ("foreign_keys", "ON", "1"),
        ("trusted_schema", "OFF", "0"),
        ("cell_size_check", "ON", "1"),
        ("mmap_size", "0", "0"),
        ("temp_store", "MEMORY", "2"),
        // Two names for the flush that a Mac's disk needs; elsewhere they change nothing.
        ("fullfsync", "ON", "1"),
        ("checkpoint_fullfsync", "ON", "1"),
        ("query_only", query_only, query_only),
    ] {
        assert_pragma(&connection, name, set, wanted)?;
    }
    Ok(connection)
}

fn assert_pragma(connection: &Connection, name: &'static str, set: &str, wanted: &str) -> Result<(), StoreError> {
    connection.pragma_update(None, name, set)?;
    let found = pragma(connection, name)?;
    if found == wanted { Ok(()) } else { Err(StoreError::Pragma { setting: name, wanted: wanted.to_owned(), found }) }
}

/// A setting's value as text; some answer nothing where they do not apply.
pub(crate) fn pragma(connection: &Connection, name: &str) -> Result<String, StoreError> {
    use rusqlite::types::Value;
    let value = connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, Value>(0));
    Ok(match value? {
        Value::Text(text) => text,
        Value::Integer(number) => number.to_string(),
        other => format!("{other:?}"),
    })
}

/// An empty database with the layout of this program, in memory.
pub(crate) fn fresh() -> Result<Connection, StoreError> {
    let mut connection = Connection::open_in_memory()?;
    migrate(&mut connection)?;
    Ok(connection)
}

/// Settings in the file that say what it is.
pub(crate) fn marks() -> [(&'static str, String); 3] {
    [("application_id", APPLICATION_ID.to_string()), ("user_version", MIGRATIONS.len().to_string()), ("encoding", "UTF-8".to_owned())]
}

/// An error where the database has another layout than this program writes.
pub(crate) fn check_layout(connection: &Connection) -> Result<(), StoreError> {
    let known = MIGRATIONS.len() as i64;
    let found: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if found == known { Ok(()) } else { Err(StoreError::Newer { found, known }) }
}

/// Each migration in one transaction together with its number.
fn migrate(writer: &mut Connection) -> Result<(), StoreError> {
    let known = MIGRATIONS.len() as i64;
    let found: i64 = writer.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if found > known {
        return Err(StoreError::Newer { found, known });
    }
    for (number, sql) in (1_i64..).zip(MIGRATIONS).skip(found.max(0) as usize) {
        let transaction = writer.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        transaction.execute_batch(sql)?;
        if number == SUMS_SINCE {
            sums::fill(&transaction)?;
        }
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", number)?;
        transaction.commit()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_sqlite_is_refused_and_the_bundled_one_is_not() {
        for (number, version, good) in
            [(3_051_002, "3.51.2", false), (3_040_001, "3.40.1", false), (3_051_003, "3.51.3", true), (3_054_001, "3.54.1", true)]
        {
            assert_eq!(check_sqlite(number, version).is_ok(), good, "{version}");
        }
        check_sqlite(rusqlite::version_number(), rusqlite::version()).expect("the bundled SQLite is sound");
        println!("SQLite {} is bundled; 3.51.2 and older are refused", rusqlite::version());
    }
}
