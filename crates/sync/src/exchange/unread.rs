//! Entries that one of the two programs cannot read: both keep and forward them as they are, so that a later program finds
//! them wherever they were brought. They stand in no series here, so they are told apart by name, not by place.

use super::{Exchange, Sent, Step};
use crate::error::SyncError;
use crate::local::Local;
use crate::message::PushReply;
use crate::wire::{Unread, UnreadReply, unread_fit};
use crate::{MAX_BODY, MAX_UNREAD};
use journal::EntryHash;
use std::collections::VecDeque;

/// Each round brings about 1 MiB; a trailer that always finds more must not hold up the photos.
const ROUNDS: u8 = 64;

/// How far it is.
#[derive(Clone, Debug, Default)]
pub(super) struct State {
    /// The names are still to be compared.
    pub differs: bool,
    rounds: u8,
    /// What the trailer lacks.
    due: VecDeque<EntryHash>,
}

impl Exchange {
    pub(super) fn next_unread(&mut self, local: &impl Local) -> Result<Option<Step>, SyncError> {
        if !self.unread.due.is_empty() {
            let names: Vec<EntryHash> = self.unread.due.iter().copied().collect();
            let mut piece = local.read_unread(&names, MAX_BODY)?;
            piece.truncate(unread_fit(&piece));
            if !piece.is_empty() {
                self.sent = Sent::PushUnread { names: piece.iter().map(Unread::name).collect() };
                return Ok(Some(Step::PushUnread(piece)));
            }
            // Named before and not given now: left for another time.
            self.unread.due.clear();
        }
        if self.unread.differs && self.unread.rounds < ROUNDS {
            let mut names = local.unread()?;
            names.truncate(MAX_UNREAD);
            self.sent = Sent::Unread;
            return Ok(Some(Step::Unread(names)));
        }
        self.enter_photos(local)?;
        Ok(None)
    }

    pub(super) fn unread_answered(&mut self, local: &mut impl Local, reply: UnreadReply) -> Result<(), SyncError> {
        self.unread.rounds += 1;
        let kept = if reply.entries.is_empty() { 0 } else { local.keep_unread(reply.entries)? };
        self.outcome.unreadable = self.outcome.unreadable.saturating_add(kept);
        // Where nothing new came, asking again would bring nothing either.
        self.unread.differs = kept > 0;
        let here: std::collections::BTreeSet<EntryHash> = local.unread()?.into_iter().collect();
        self.unread.due = reply.wanted.into_iter().filter(|name| here.contains(name)).take(MAX_UNREAD).collect();
        Ok(())
    }

    /// Each is sent once, whatever the trailer says of it.
    pub(super) fn unread_pushed(&mut self, sent: &[EntryHash], reply: &PushReply) {
        self.unread.due.retain(|name| !sent.contains(name));
        self.outcome.unread_there = self.outcome.unread_there.saturating_add(reply.unread);
    }
}
