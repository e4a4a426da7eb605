//! Giving room back: the database is written anew without the gaps that removed rows left.

use crate::error::StoreError;
use crate::store::Store;

/// Above this size the new copy is put together on disk, not in memory.
const IN_MEMORY: u64 = 64 << 20;

/// What compacting did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Compacted {
    /// Bytes of the database before.
    pub before: u64,
    /// Bytes after.
    pub after: u64,
    /// False where readers kept the log from being emptied; the next checkpoint does it.
    pub log_emptied: bool,
}

impl Store {
    /// Writes the database anew without gaps and empties the log. One transaction through the log: cut at any point, all of
    /// it is there as before or as after. Needs about twice the database's size of room for a while; readers go on.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`] where there is not that room (nothing is changed then), [`StoreError::Stopped`].
    pub fn compact(&mut self) -> Result<Compacted, StoreError> {
        self.check()?;
        let result = self.compact_now();
        self.stop().clone().watch(result)
    }

    fn compact_now(&mut self) -> Result<Compacted, StoreError> {
        let writer = self.writer();
        let size = || -> Result<u64, StoreError> {
            let pragma = |name: &str| writer.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, u64>(0));
            Ok(pragma("page_count")? * pragma("page_size")?)
        };
        let before = size()?;
        if before > IN_MEMORY {
            writer.pragma_update(None, "temp_store", "FILE")?;
        }
        let done = writer.execute_batch("VACUUM");
        writer.pragma_update(None, "temp_store", "MEMORY")?;
        done?;
        let busy: bool = writer.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))?;
        Ok(Compacted { before, after: size()?, log_emptied: !busy })
    }
}
