//! What the exchange asks of this tablet. Each answer takes the lock for itself, so that people go on recording meanwhile.

use crate::core::Core;
use crate::lives::{self, LastReceipt};
use crate::setting::{self, store_fault};
use job::Say;
use journal::{Heads, Incarnation, PhotoHash, Sealed};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use store::{Size, StoreError};
use sync::{AcceptReport, EntriesReceipt, Local, PhotoReceipt};

/// The tablet's side of one exchange.
pub(crate) struct Desk<'a> {
    pub core: &'a Core,
}

fn say(error: StoreError) -> Say {
    store_fault(error).say
}

impl Local for Desk<'_> {
    fn heads(&self) -> Result<Heads, Say> {
        self.core.lock().store.heads().map_err(say)
    }

    fn own(&self) -> Result<(Incarnation, u64), Say> {
        let own = self.core.identity.incarnation;
        let tail = self.core.lock().store.tail(&own).map_err(say)?;
        Ok((own, tail.and_then(|t| t.head()).map_or(0, |h| h.seq)))
    }

    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say> {
        self.core.lock().store.read(incarnation, from_seq, max_bytes).map_err(say)
    }

    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say> {
        let accepted = self.core.lock().store.accept(entries).map_err(say)?;
        Ok(AcceptReport { stored: accepted.stored as u64, known: accepted.known as u64, quarantined: accepted.quarantined })
    }

    fn photos_waiting(&self) -> Result<Vec<(PhotoHash, u64)>, Say> {
        let inner = self.core.lock();
        let mut all = Vec::new();
        for photo in inner.store.photos_without_receipt().map_err(say)? {
            if let Some(bytes) = inner.store.photos().bytes(&photo, Size::Full).map_err(say)? {
                all.push((photo, bytes));
            }
        }
        Ok(all)
    }

    fn photo_len(&self, photo: &PhotoHash) -> Result<Option<u64>, Say> {
        self.core.lock().store.photos().bytes(photo, Size::Full).map_err(say)
    }

    fn photo_piece(&self, photo: &PhotoHash, offset: u64, len: usize) -> Result<Vec<u8>, Say> {
        let path = self.core.lock().store.photos().path(photo, Size::Full);
        let piece = || -> std::io::Result<Vec<u8>> {
            let mut file = File::open(&path)?;
            file.seek(SeekFrom::Start(offset))?;
            let mut bytes = Vec::with_capacity(len);
            file.take(len as u64).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        piece().map_err(|e| {
            let words = format!("A photo could not be read from this tablet's disk ({e}). Its entry is safe. Look at the photo on the tablet; take it again if it cannot be seen.");
            Say::new("photo-unreadable", words).with("photo", photo)
        })
    }

    fn photo_received(&mut self, receipt: PhotoReceipt) -> Result<(), Say> {
        self.core.lock().store.set_photo_receipt(&receipt.photo, receipt.at_ms).map_err(say)
    }

    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say> {
        let kept = LastReceipt { seq: receipt.seq, at_ms: self.core.env.wall_ms() };
        setting::save(&mut self.core.lock().store, &lives::receipt_key(&receipt.incarnation), &kept).map_err(|f| f.say)
    }
}
