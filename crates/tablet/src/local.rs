//! What the exchange asks of this tablet. Each answer takes the lock for itself, so that people go on recording meanwhile.

use crate::core::Core;
use crate::lives::{self, LastReceipt};
use crate::series::SERVER_SERIES;
use crate::setting::{self, store_fault};
use job::Say;
use journal::{EntryHash, Heads, Incarnation, PhotoHash, Sealed, VerifyingKey};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use store::{Size, StoreError};
use sync::wire::Unread;
use sync::{AcceptReport, EntriesReceipt, Local, MAX_BODY, PhotoReceipt, kept};

/// The tablet's side of one exchange.
pub(crate) struct Desk<'a> {
    pub core: &'a Core,
}

fn say(error: StoreError) -> Say {
    store_fault(error).say
}

impl Desk<'_> {
    fn unread_from(&self, from: u64) -> Result<Vec<(u64, Unread)>, Say> {
        let piece = self.core.lock().store.unreadable(from, MAX_BODY).map_err(say)?;
        Ok(piece.into_iter().map(|u| (u.id, Unread { bytes: u.bytes, sig: u.sig })).collect())
    }
}

impl Local for Desk<'_> {
    fn heads(&self) -> Result<Heads, Say> {
        self.core.lock().store.heads().map_err(say)
    }

    fn own(&self) -> Result<(Incarnation, u64), Say> {
        let inner = self.core.lock();
        let own = inner.identity.incarnation;
        let tail = inner.store.tail(&own).map_err(say)?;
        Ok((own, tail.and_then(|t| t.head()).map_or(0, |h| h.seq)))
    }

    fn unsigned(&self) -> Result<Vec<Incarnation>, Say> {
        self.core.unsigned(&self.core.lock()).map(|(ask, _)| ask).map_err(|f| f.say)
    }

    fn given(&self) -> Result<Vec<Incarnation>, Say> {
        self.core.unsigned(&self.core.lock()).map(|(_, given)| given).map_err(|f| f.say)
    }

    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say> {
        self.core.lock().store.read(incarnation, from_seq, max_bytes).map_err(say)
    }

    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say> {
        let accepted = self.core.lock().store.accept(entries).map_err(say)?;
        Ok(AcceptReport { stored: accepted.stored as u64, known: accepted.known as u64, quarantined: accepted.quarantined })
    }

    fn unread(&self) -> Result<Vec<EntryHash>, Say> {
        kept::names(|from| self.unread_from(from))
    }

    fn read_unread(&self, names: &[EntryHash], max_bytes: usize) -> Result<Vec<Unread>, Say> {
        kept::named(names, max_bytes, |from| self.unread_from(from))
    }

    fn keep_unread(&mut self, entries: Vec<Unread>) -> Result<u64, Say> {
        let why = "it came in a sync and this program cannot read it";
        let kept: Vec<store::Unreadable> = entries.into_iter().map(|u| store::Unreadable::new(u.bytes, u.sig, why.to_owned())).collect();
        match self.core.lock().store.keep_unreadable(&kept) {
            Ok(new) => Ok(new as u64),
            // The trailer keeps them; they must not hold up what can be read.
            Err(StoreError::KeptFull { .. }) => Ok(0),
            Err(other) => Err(say(other)),
        }
    }

    fn server_series(&mut self, keys: &[VerifyingKey]) -> Result<(), Say> {
        let mut inner = self.core.lock();
        let before: Vec<VerifyingKey> = setting::load(&inner.store, SERVER_SERIES).map_err(|f| f.say)?.unwrap_or_default();
        // What was certified once stays so: the trailer names only its newest.
        let mut all = before.clone();
        all.extend(keys.iter().filter(|key| !before.contains(key)));
        if all.len() == before.len() {
            // Also where nothing is new: a full disk may have kept it from being believed the last time.
            return self.core.believe(&mut inner, None).map_err(|f| f.say);
        }
        setting::save(&mut inner.store, SERVER_SERIES, &all).map_err(|f| f.say)?;
        // It was restored from a backup: what it kept apart since is gone there.
        self.core.tell_again(&mut inner).map_err(|f| f.say)?;
        self.core.believe(&mut inner, None).map_err(|f| f.say)
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
