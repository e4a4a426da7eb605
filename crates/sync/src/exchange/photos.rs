//! Photos: the trailer says where it stands, pieces follow from there, its receipt ends it.

use super::{Exchange, Phase, Sent, Step};
use crate::error::SyncError;
use crate::local::Local;
use crate::message::PhotoReply;
use crate::{MAX_PHOTO, PHOTO_PIECE};
use journal::PhotoHash;
use std::collections::BTreeMap;

/// How often the trailer may fall back behind what was sent before a photo is left for another time.
const SETBACKS: u8 = 3;

/// One photo on its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Job {
    photo: PhotoHash,
    total: u64,
    /// Bytes the trailer holds; `None` until it was asked.
    held: Option<u64>,
    setbacks: u8,
}

impl Exchange {
    /// Those without a receipt, and those the trailer lacks though it once signed for them.
    pub(super) fn enter_photos(&mut self, local: &impl Local) -> Result<(), SyncError> {
        let mut photos: BTreeMap<PhotoHash, u64> = local.photos_waiting()?.into_iter().collect();
        for photo in std::mem::take(&mut self.wanted) {
            if let Some(total) = local.photo_len(&photo)? {
                photos.insert(photo, total);
            }
        }
        photos.retain(|photo, _| !self.outcome.photo_problems.contains_key(photo));
        let total = photos.values().fold(0, |sum: u64, len| sum.saturating_add(*len));
        self.photos = photos.into_iter().map(|(photo, total)| Job { photo, total, held: None, setbacks: 0 }).collect();
        self.enter(Phase::Photos, total);
        Ok(())
    }

    pub(super) fn next_photo(&mut self, local: &impl Local) -> Result<Option<Step>, SyncError> {
        let Some(job) = self.photos.front().copied() else {
            self.enter(Phase::Done, 0);
            return Ok(None);
        };
        if job.total == 0 || job.total > MAX_PHOTO {
            self.leave(format!("it has {} bytes; from 1 to {MAX_PHOTO} can be sent", job.total));
            return Ok(None);
        }
        let Some(offset) = job.held else {
            self.sent = Sent::Photo { put: None };
            return Ok(Some(Step::PhotoOffset(job.photo)));
        };
        let len = PHOTO_PIECE.min(usize::try_from(job.total - offset).unwrap_or(PHOTO_PIECE));
        match local.photo_piece(&job.photo, offset, len) {
            Ok(bytes) if bytes.len() == len => {
                self.sent = Sent::Photo { put: Some(offset) };
                Ok(Some(Step::PhotoPut { photo: job.photo, offset, total: job.total, bytes }))
            }
            // One unreadable file must not keep the others back.
            Ok(_) => {
                self.leave("its file on the tablet is shorter than recorded".to_owned());
                Ok(None)
            }
            Err(say) => {
                self.leave(say.words);
                Ok(None)
            }
        }
    }

    pub(super) fn photo_answered(&mut self, local: &mut impl Local, put: Option<u64>, reply: PhotoReply) -> Result<(), SyncError> {
        let Some(job) = self.photos.front_mut() else { return Err(SyncError::strange("no photo was on its way")) };
        if reply.complete {
            let receipt = reply.receipt.ok_or(SyncError::BadReceipt)?;
            receipt.verify(&self.server_key)?;
            if receipt.photo != job.photo || receipt.bytes != job.total {
                return Err(SyncError::BadReceipt);
            }
            let left = job.total.saturating_sub(job.held.unwrap_or(0));
            self.photos.pop_front();
            self.progress.done = self.progress.done.saturating_add(left);
            self.outcome.photos_sent += 1;
            local.photo_received(receipt)?;
            return Ok(());
        }
        // More than there is: somebody sent the trailer something else under this name. It begins anew when a piece with the
        // true length comes, because only then can it look at the hash.
        let too_much = reply.offset > job.total;
        let offset = if too_much { 0 } else { reply.offset };
        if too_much || put.is_some_and(|sent| offset <= sent) {
            job.setbacks += 1;
        }
        let (before, setbacks) = (job.held.unwrap_or(0), job.setbacks);
        job.held = Some(offset);
        self.progress.done = self.progress.done.saturating_sub(before).saturating_add(offset);
        if setbacks > SETBACKS {
            self.leave(
                "the trailer could not take it; its bytes may not match its name. Keep this tablet's photos and tell the supervisor"
                    .to_owned(),
            );
        }
        Ok(())
    }

    /// Leaves the photo at the front for another exchange, with the reason.
    fn leave(&mut self, why: String) {
        if let Some(job) = self.photos.pop_front() {
            self.outcome.photo_problems.insert(job.photo, why);
        }
    }
}
