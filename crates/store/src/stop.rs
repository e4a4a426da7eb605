//! The stop after a disk error: once tripped, the store does nothing more until it is opened again.
//!
//! After a failed sync the operating system may have thrown the pages away and may report success the next time, so a
//! sync is never tried twice.

use crate::error::StoreError;
use std::io;
use std::sync::{Arc, OnceLock};

/// Shared by the database and the photo files of one store.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stop(Arc<OnceLock<String>>);

impl Stop {
    /// An error if the store has stopped.
    pub fn check(&self) -> Result<(), StoreError> {
        match self.0.get() {
            Some(why) => Err(StoreError::Stopped(why.clone())),
            None => Ok(()),
        }
    }

    /// True once stopped.
    pub fn is_stopped(&self) -> bool {
        self.0.get().is_some()
    }

    /// Passes the result of a sync through; a failed one stops the store.
    pub fn trip<T>(&self, sync: io::Result<T>) -> Result<T, StoreError> {
        sync.map_err(|e| {
            let why = self.0.get_or_init(|| e.to_string());
            StoreError::Stopped(why.clone())
        })
    }

    /// Passes a result of the database through; an I/O error or damage stops the store.
    pub fn watch<T>(&self, result: Result<T, StoreError>) -> Result<T, StoreError> {
        if let Err(StoreError::Stopped(why) | StoreError::Damaged(why)) = &result {
            self.0.get_or_init(|| why.clone());
        }
        result
    }
}
