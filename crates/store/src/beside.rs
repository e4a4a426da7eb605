//! Reading a store that another program has open, for a backup or an export beside a running server.

use crate::disk::Real;
use crate::error::StoreError;
use crate::open::{self, MARKER};
use crate::photos::Photos;
use crate::read::Reader;
use crate::stop::Stop;
use std::path::Path;
use std::sync::Arc;

impl Reader {
    /// A reader of a store that another program holds open; it can change nothing and takes no lock. Where no program has
    /// the store open, [`crate::Store::open`] is the way: it also puts right what a power cut left.
    ///
    /// # Errors
    /// [`StoreError::NotOurs`], [`StoreError::Newer`] where the database has another layout than this program writes,
    /// [`StoreError::HalfRestored`], and whatever disk and database say.
    pub fn beside(folder: &Path) -> Result<Self, StoreError> {
        let file = folder.join("journal.sqlite");
        if !file.is_file() {
            return Err(StoreError::NotOurs);
        }
        if folder.join(MARKER).exists() {
            return Err(StoreError::HalfRestored);
        }
        let connection = open::connect(&file, None, true)?;
        open::check_layout(&connection)?;
        let stop = Stop::default();
        let photos = Photos::beside(folder.join("photos"), Arc::new(Real), stop.clone());
        Ok(Self::new(connection, photos, stop))
    }
}
