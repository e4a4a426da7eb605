//! Photos arriving in pieces. What is durable here is told by the file's length, so an upload cut anywhere goes on from
//! there, over restarts too; only the hash over the whole makes it a photo.

use crate::error::StoreError;
use crate::photos::{MAX_PHOTO, Photos, Size};
use journal::PhotoHash;
use std::path::PathBuf;
use std::sync::PoisonError;

/// How far an upload is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Upload {
    /// Bytes that are durable here.
    pub offset: u64,
    /// True where the whole photo is here and its hash was checked.
    pub complete: bool,
}

impl Photos {
    fn part(&self, hash: &PhotoHash) -> PathBuf {
        self.parts().join(hash.to_hex())
    }

    /// How far the upload of a photo is; 0 where none was begun.
    ///
    /// # Errors
    /// Where the disk cannot tell.
    pub fn upload_offset(&self, hash: &PhotoHash) -> Result<Upload, StoreError> {
        // A photo has its name a moment before that name is durable. Whoever asks in that moment waits: the answer
        // "complete" becomes a receipt.
        let _one = self.upload_lock().lock().unwrap_or_else(PoisonError::into_inner);
        self.offset(hash)
    }

    fn offset(&self, hash: &PhotoHash) -> Result<Upload, StoreError> {
        self.stop().check()?;
        if let Some(offset) = self.bytes(hash, Size::Full)? {
            return Ok(Upload { offset, complete: true });
        }
        Ok(Upload { offset: self.disk().bytes(&self.part(hash))?.unwrap_or(0), complete: false })
    }

    /// Adds a piece at `offset` and makes it durable; gives how far the upload is then. A piece of a photo that is here
    /// already is fine and changes nothing.
    ///
    /// # Errors
    /// [`StoreError::UploadOffset`] where the piece does not begin where the upload stands; [`StoreError::PhotoTooLong`];
    /// [`StoreError::NearlyFull`]; [`StoreError::Stopped`] where the sync fails.
    pub fn upload_append(&self, hash: &PhotoHash, offset: u64, bytes: &[u8]) -> Result<Upload, StoreError> {
        let _one = self.upload_lock().lock().unwrap_or_else(PoisonError::into_inner);
        let now = self.offset(hash)?;
        if now.complete {
            return Ok(now);
        }
        if offset != now.offset {
            return Err(StoreError::UploadOffset { have: now.offset });
        }
        let end = offset.saturating_add(bytes.len() as u64);
        if end > MAX_PHOTO {
            return Err(StoreError::PhotoTooLong { most: MAX_PHOTO });
        }
        self.check_room()?;
        let mut file = self.disk().append(&self.part(hash))?;
        file.write_all(bytes)?;
        let synced = file.sync();
        if synced.is_err() {
            // What the cache shows from here on may never reach the disk: better to ask for the photo again.
            let _ = self.disk().remove(&self.part(hash));
        }
        self.stop().trip(synced)?;
        if offset == 0 {
            self.stop().trip(self.disk().sync_folder(&self.parts()))?;
        }
        Ok(Upload { offset: end, complete: false })
    }

    /// Checks the hash over the whole and makes it a photo. Doing it again is fine.
    ///
    /// # Errors
    /// [`StoreError::UploadHash`] where the bytes are not that photo: they are thrown away and the upload stands at 0.
    /// [`StoreError::UploadOffset`] where nothing has arrived. [`StoreError::Stopped`] where a sync fails.
    pub(crate) fn upload_finish(&self, hash: &PhotoHash) -> Result<u64, StoreError> {
        let _one = self.upload_lock().lock().unwrap_or_else(PoisonError::into_inner);
        let now = self.offset(hash)?;
        let part = self.part(hash);
        if now.complete {
            self.disk().remove(&part)?;
            return Ok(now.offset);
        }
        if now.offset == 0 {
            return Err(StoreError::UploadOffset { have: 0 });
        }
        if self.hash_of(&part)? != *hash {
            self.disk().remove(&part)?;
            return Err(StoreError::UploadHash);
        }
        // A piece may have been written by a run that was killed before its sync.
        self.stop().trip(self.disk().append(&part)?.sync())?;
        self.settle(&part, &self.path(hash, Size::Full))?;
        Ok(now.offset)
    }
}
