//! Records: both ways, in bounded pieces, series by series.

use super::{Exchange, Outcome, Phase, Sent, Step};
use crate::MAX_RANGES;
use crate::error::SyncError;
use crate::local::Local;
use crate::message::PushReply;
use crate::receipt::EntriesReceipt;
use crate::wire::{Batch, Unread, fit};
use journal::limits::MAX_TRANSACTION_BYTES;
use journal::{EntryHash, Head, Heads, Incarnation, Range};
use std::collections::{BTreeMap, BTreeSet};

impl Exchange {
    /// The series to send from next, and the seq to begin at. The tablet's own series goes first; others follow, so that a
    /// trailer that was set up anew gets everything back.
    pub(super) fn next_to_push(&self, ours: &Heads) -> Option<(Incarnation, u64)> {
        let rest = ours.0.keys().filter(|incarnation| Some(**incarnation) != self.own);
        self.own.iter().chain(rest).find_map(|incarnation| {
            let from = match self.whole.get(incarnation) {
                Some(next) => *next,
                None => self.server.seq(incarnation).saturating_add(1),
            };
            (from <= ours.seq(incarnation) && !self.push_over.contains(incarnation)).then_some((*incarnation, from))
        })
    }

    pub(super) fn next_push(&mut self, local: &impl Local) -> Result<Option<Step>, SyncError> {
        let ours = local.heads()?;
        let Some((incarnation, from)) = self.next_to_push(&ours) else {
            self.enter(Phase::Pull, self.server.count_missing_from(&ours));
            return Ok(None);
        };
        let mut piece = match local.read(&incarnation, from, MAX_TRANSACTION_BYTES) {
            Ok(piece) => piece,
            Err(say) => {
                // A damaged record must not keep the other series and the photos back.
                self.push_over.insert(incarnation);
                self.outcome.damaged.insert(incarnation, say.words);
                return Ok(None);
            }
        };
        piece.truncate(fit(&piece));
        let good = piece.iter().zip(from..).all(|(s, seq)| s.entry.incarnation == incarnation && s.entry.seq == seq);
        let Some(last) = piece.last().filter(|_| good) else {
            // The journal claims entries that it doesn't give: say so at the end instead of asking for ever.
            self.push_over.insert(incarnation);
            return Ok(None);
        };
        self.sent = Sent::Push { incarnation, last: Head { seq: last.entry.seq, hash: last.hash } };
        Ok(Some(Step::Push(piece)))
    }

    pub(super) fn pushed(
        &mut self,
        local: &mut impl Local,
        incarnation: Incarnation,
        last: Head,
        reply: PushReply,
    ) -> Result<(), SyncError> {
        self.outcome.pushed = self.outcome.pushed.saturating_add(reply.stored);
        self.outcome.unread_there = self.outcome.unread_there.saturating_add(reply.unread);
        self.progress.done = self.progress.done.saturating_add(reply.stored.saturating_add(reply.known));
        let apart = !reply.quarantined.is_empty();
        self.outcome.quarantined.extend(reply.quarantined.into_iter().map(|q| (q.entry, q.why)));
        if let Some(next) = self.whole.get_mut(&incarnation) {
            *next = last.seq.saturating_add(1);
        } else if apart {
            // The trailer could not merge it, perhaps for an entry further back: give it the whole series to keep.
            self.whole.insert(incarnation, 1);
        }
        // After the step along the whole series: where the receipt shows a fork, that begins with its first entry.
        if let Some(receipt) = reply.receipt {
            self.confirm(local, incarnation, Some(last), receipt)?;
        }
        if !self.whole.contains_key(&incarnation) && self.server.seq(&incarnation) < last.seq {
            self.push_over.insert(incarnation);
        }
        Ok(())
    }

    /// Takes a receipt: signed by the trailer, for the expected series, over the entry that stands here. Only then does
    /// anything count as safe in the trailer.
    pub(super) fn confirm(
        &mut self,
        local: &mut impl Local,
        incarnation: Incarnation,
        sent: Option<Head>,
        receipt: EntriesReceipt,
    ) -> Result<(), SyncError> {
        receipt.verify(&self.server_key)?;
        if receipt.incarnation != incarnation {
            return Err(SyncError::strange("a receipt for another series"));
        }
        self.server.0.insert(incarnation, Head { seq: receipt.seq, hash: receipt.hash });
        let here = match sent.filter(|head| head.seq == receipt.seq) {
            Some(head) => Some(head.hash),
            None => hash_at(local, &incarnation, receipt.seq)?,
        };
        if here.is_some_and(|hash| hash != receipt.hash) {
            self.fork(incarnation);
        } else if here.is_some() && self.own == Some(incarnation) {
            self.outcome.receipt = Some(receipt.clone());
            local.receipt(receipt)?;
        } else if here.is_some() && self.before.contains(&incarnation) {
            local.receipt(receipt)?;
        }
        Ok(())
    }

    /// Two versions of a series exist: the trailer gets ours whole, so that it keeps both.
    pub(super) fn fork(&mut self, incarnation: Incarnation) {
        self.outcome.forks.insert(incarnation);
        self.whole.entry(incarnation).or_insert(1);
    }

    pub(super) fn next_pull(&mut self, local: &impl Local) -> Result<Option<Step>, SyncError> {
        let mut ranges = self.lacking(&local.heads()?);
        if ranges.is_empty() {
            return self.next_unread(local);
        }
        ranges.truncate(MAX_RANGES);
        self.sent = Sent::Pull;
        Ok(Some(Step::Pull(ranges)))
    }

    pub(super) fn pulled(&mut self, local: &mut impl Local, batch: Batch) -> Result<(), SyncError> {
        let before = local.heads()?;
        let lacking: Vec<Incarnation> = self.lacking(&before).into_iter().map(|(incarnation, _)| incarnation).take(MAX_RANGES).collect();
        self.outcome.unreadable += batch.unreadable.len() as u64;
        let unread: Vec<Unread> = batch.unreadable.into_iter().map(Unread::from).collect();
        if !unread.is_empty() {
            local.keep_unread(unread)?;
        }
        let series: BTreeMap<EntryHash, Incarnation> = batch.entries.iter().map(|s| (s.hash, s.entry.incarnation)).collect();
        let named: BTreeSet<Incarnation> = series.values().copied().collect();
        let report = local.accept(batch.entries)?;
        self.outcome.pulled += report.stored;
        let apart: BTreeSet<Incarnation> = report.quarantined.iter().filter_map(|(hash, _)| series.get(hash).copied()).collect();
        self.outcome.quarantined.extend(report.quarantined);
        self.progress.done = self.progress.done.saturating_add(report.stored + report.known);
        let after = local.heads()?;
        let stuck = |incarnation: &Incarnation| after.seq(incarnation) <= before.seq(incarnation);
        let mut over: Vec<Incarnation> = named.into_iter().filter(stuck).collect();
        for forked in over.iter().filter(|s| apart.contains(s) && before.seq(s) > 0) {
            // The trailer's version of a series does not follow on the one that is here: of our own, someone else writes
            // under our identity; of another's, or one we wrote before, ours is the one that only we may have.
            self.fork(*forked);
        }
        if over.is_empty() && lacking.iter().all(stuck) {
            over = lacking;
        }
        self.pull_over.extend(over);
        Ok(())
    }

    /// What the trailer has and the tablet lacks, less the series that can't go on.
    fn lacking(&self, ours: &Heads) -> Vec<(Incarnation, Range)> {
        let mut missing = self.server.missing_from(ours);
        missing.retain(|(incarnation, _)| !self.pull_over.contains(incarnation));
        missing
    }
}

impl Outcome {
    /// How many series and entries need a person's eye.
    pub fn troubles(&self) -> usize {
        self.forks.len() + self.quarantined.len() + self.damaged.len() + self.photo_problems.len() + usize::from(self.own_ahead > 0)
    }
}

fn hash_at(local: &impl Local, incarnation: &Incarnation, seq: u64) -> Result<Option<EntryHash>, SyncError> {
    if local.heads()?.seq(incarnation) < seq {
        return Ok(None);
    }
    let entries = local.read(incarnation, seq, 1)?;
    Ok(entries.first().filter(|s| s.entry.seq == seq).map(|s| s.hash))
}
