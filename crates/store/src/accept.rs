//! Taking in entries of other devices: judged by the chain, whole transactions only, nothing dropped.

use crate::damage;
use crate::error::StoreError;
use crate::project;
use crate::rows;
use crate::store::{self, Store};
use crate::sums;
use crate::unreadable;
use journal::{ChainFault, EntryHash, Incarnation, Sealed, SiteId, Tail};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::{BTreeMap, BTreeSet};

/// What became of foreign entries.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Accepted {
    /// Newly stored, durable.
    pub stored: usize,
    /// Were here already, or came twice.
    pub known: usize,
    /// Refused and kept in quarantine, with the reason.
    pub quarantined: Vec<(EntryHash, String)>,
    /// Not stored because entries before or after them are missing: where each series must be sent from.
    pub wanted: Vec<(Incarnation, u64)>,
    /// Entries that were here already, but damaged, and are right again. Counted as known, too.
    pub healed: usize,
    /// Jobs whose view was folded anew.
    pub jobs: BTreeSet<String>,
}

impl Store {
    /// Takes in entries of other devices, in any order; entries that are here already are counted and left alone.
    ///
    /// One commit, durable on return. Only whole, signed transactions that follow in their series are stored. What does
    /// not follow yet is not stored and is wanted again; forks, bad signatures and what builds on them are kept in
    /// quarantine. An unsigned entry that claims a fork cannot be told from a forgery: it is kept all the same.
    ///
    /// A store that belongs to no site yet takes the one that all the entries name.
    ///
    /// # Errors
    /// [`StoreError::NoSite`] where they name several; [`StoreError::DiskFull`]; [`StoreError::Stopped`].
    /// Nothing is stored then.
    pub fn accept(&mut self, entries: Vec<Sealed>) -> Result<Accepted, StoreError> {
        self.take_in(entries, false)
    }

    /// [`Store::accept`]; with `heal`, every entry that is here already is compared with what came, and put right where the
    /// stored copy is damaged.
    pub(crate) fn take_in(&mut self, mut entries: Vec<Sealed>, heal: bool) -> Result<Accepted, StoreError> {
        let came = entries.len();
        if came == 0 {
            return Ok(Accepted::default());
        }
        let sites: BTreeSet<SiteId> = entries.iter().map(|s| s.entry.site).collect();
        let order = |s: &Sealed| (s.entry.incarnation, s.entry.seq, s.hash, s.sig);
        entries.sort_by_cached_key(order);
        entries.dedup_by_key(|s| order(s));
        let mut series: BTreeMap<Incarnation, Vec<Sealed>> = BTreeMap::new();
        let mut accepted = Accepted { known: came - entries.len(), ..Accepted::default() };
        for sealed in entries {
            series.entry(sealed.entry.incarnation).or_default().push(sealed);
        }
        self.change(|t, _| {
            let site = match (rows::site(t)?, sites.first()) {
                (Some(site), _) => site,
                (None, Some(only)) if sites.len() == 1 => store::own_site(t, *only)?,
                (None, _) => return Err(StoreError::NoSite),
            };
            let heal = heal || damage::any(t)?;
            let (mut new, mut healed, mut refused) = (Vec::new(), Vec::new(), Refused::default());
            for (incarnation, entries) in series {
                let tail = match standing_tail(t, site, incarnation) {
                    Ok(tail) => tail,
                    // One series that cannot be judged must not keep the others back.
                    Err(StoreError::DamagedRecord(why)) => {
                        let reason = format!("it was not taken in, because this store's own copy of its series is damaged: {why}");
                        accepted.quarantined.extend(entries.iter().map(|s| (s.hash, reason.clone())));
                        continue;
                    }
                    Err(e) => return Err(e),
                };
                let (good, open) = (Vec::new(), Vec::new());
                let mut judge = Judge { t, trial: tail.clone(), tail, good, open, broken: None, heal, healed: Vec::new(), refused };
                for sealed in entries {
                    judge.take(sealed, &mut accepted)?;
                }
                judge.end_of_transaction(&mut accepted)?;
                store::insert(t, &judge.good, &judge.tail)?;
                new.append(&mut judge.good);
                healed.append(&mut judge.healed);
                refused = judge.refused;
            }
            accepted.stored = new.len();
            accepted.healed = healed.len();
            new.append(&mut healed);
            accepted.wanted.sort_unstable();
            accepted.wanted.dedup();
            accepted.jobs = project::add(t, &new)?;
            Ok(accepted)
        })
    }
}

/// Where a series stands; walked from its entries where what is kept beside them is damaged.
fn standing_tail(t: &Transaction<'_>, site: SiteId, incarnation: Incarnation) -> Result<Tail, StoreError> {
    match rows::tail(t, &incarnation) {
        Ok(tail) => Ok(tail.unwrap_or_else(|| Tail::new(site, incarnation))),
        Err(StoreError::DamagedRecord(_)) => damage::walk(t, site, incarnation),
        Err(e) => Err(e),
    }
}

/// Room left for refused entries, looked up when the first one comes.
#[derive(Clone, Copy, Default)]
struct Refused {
    room: Option<u64>,
}

/// Judges the entries of one series, which come in the order of their places.
struct Judge<'a> {
    t: &'a Transaction<'a>,
    /// Up to the last whole transaction.
    tail: Tail,
    /// Beyond it, within the transaction that is open.
    trial: Tail,
    good: Vec<Sealed>,
    open: Vec<Sealed>,
    /// Why the open transaction cannot be ended, where a refused entry would have ended it.
    broken: Option<String>,
    /// Compare entries that are here already with what came.
    heal: bool,
    /// Entries whose stored copy was damaged and is put right.
    healed: Vec<Sealed>,
    refused: Refused,
}

impl Judge<'_> {
    fn take(&mut self, sealed: Sealed, accepted: &mut Accepted) -> Result<(), StoreError> {
        match self.trial.accept(&sealed) {
            Ok(()) => {
                self.open.push(sealed);
                if self.trial.is_whole() {
                    self.tail = self.trial.clone();
                    self.good.append(&mut self.open);
                    self.broken = None;
                }
            }
            Err(ChainFault::Gap { .. }) if self.follows_quarantine(&sealed)? => {
                self.refuse(&sealed, "it builds on an entry in quarantine".to_owned(), accepted)?;
            }
            Err(ChainFault::Gap { .. }) => {
                self.end_of_transaction(accepted)?;
                accepted.wanted.push((self.tail.incarnation(), self.next()));
            }
            Err(fault) => self.judge_fault(&sealed, fault, accepted)?,
        }
        Ok(())
    }

    fn judge_fault(&mut self, sealed: &Sealed, fault: ChainFault, accepted: &mut Accepted) -> Result<(), StoreError> {
        let known = self.is_known(sealed)?;
        // A place that somebody else seems to claim may be our own damaged copy.
        if (self.heal || !known) && damage::heal(self.t, sealed, self.trial.key().as_ref())? {
            self.healed.push(sealed.clone());
            accepted.known += 1;
            return Ok(());
        }
        if known {
            accepted.known += 1;
            return Ok(());
        }
        let fault = match (fault, self.standing_at(sealed.entry.seq)?) {
            (ChainFault::Behind { got, .. }, Some(ours)) => ChainFault::Fork { seq: got, ours, theirs: sealed.hash },
            (fault, _) => fault,
        };
        let forged = sealed.sig.is_some_and(|sig| self.trial.key().is_some_and(|key| key.verify(&sealed.hash, &sig).is_err()));
        let reason = if forged { ChainFault::BadSignature(sealed.entry.seq).to_string() } else { fault.to_string() };
        if sealed.entry.seq > self.trial.head().map_or(0, |h| h.seq) {
            self.broken = Some(reason.clone());
        }
        self.refuse(sealed, reason, accepted)
    }

    /// What is still open has no signature: wanted again, and kept as well where a refused entry would have ended it.
    fn end_of_transaction(&mut self, accepted: &mut Accepted) -> Result<(), StoreError> {
        let open = std::mem::take(&mut self.open);
        if let Some(reason) = self.broken.take() {
            for sealed in &open {
                self.refuse(sealed, format!("its transaction was refused: {reason}"), accepted)?;
            }
        } else if !open.is_empty() {
            accepted.wanted.push((self.tail.incarnation(), self.next()));
        }
        self.trial = self.tail.clone();
        Ok(())
    }

    fn next(&self) -> u64 {
        self.tail.head().map_or(1, |head| head.seq.saturating_add(1))
    }

    fn standing_at(&self, seq: u64) -> Result<Option<EntryHash>, StoreError> {
        let fresh = self.good.iter().chain(&self.open).find(|s| s.entry.seq == seq);
        match fresh {
            Some(s) => Ok(Some(s.hash)),
            None => store::at(self.t, &self.tail.incarnation(), seq),
        }
    }

    fn is_known(&self, sealed: &Sealed) -> Result<bool, StoreError> {
        Ok(self.standing_at(sealed.entry.seq)? == Some(sealed.hash))
    }

    fn follows_quarantine(&self, sealed: &Sealed) -> Result<bool, StoreError> {
        let Some(prev) = sealed.entry.prev else { return Ok(false) };
        let mut statement = self.t.prepare_cached("SELECT 1 FROM quarantine WHERE hash = ?1")?;
        Ok(statement.query_row([prev.0], |_| Ok(())).optional()?.is_some())
    }

    fn refuse(&mut self, sealed: &Sealed, reason: String, accepted: &mut Accepted) -> Result<(), StoreError> {
        let mut room = match self.refused.room {
            Some(room) => room,
            None => unreadable::MOST.saturating_sub(unreadable::room(self.t, "quarantine")?),
        };
        let kept = keep_refused(self.t, sealed, &reason, &mut room);
        self.refused.room = Some(room);
        match kept {
            Ok(()) => accepted.quarantined.push((sealed.hash, reason)),
            // The sender gets no receipt for it and keeps it.
            Err(e @ StoreError::KeptFull { .. }) => accepted.quarantined.push((sealed.hash, format!("{reason}. {e}"))),
            Err(e) => return Err(e),
        }
        Ok(())
    }
}

/// Keeps a refused entry with the reason, as far as there is room; one that is kept already is left alone.
pub(crate) fn keep_refused(t: &Transaction<'_>, sealed: &Sealed, reason: &str, room: &mut u64) -> Result<(), StoreError> {
    let sig = store::sig_bytes(sealed);
    let mut known = t.prepare_cached("SELECT EXISTS (SELECT 1 FROM quarantine WHERE hash = ?1 AND sig = ?2)")?;
    if known.query_row(params![sealed.hash.0, sig], |row| row.get(0))? {
        return Ok(());
    }
    let left = room.checked_sub(sealed.bytes.len() as u64).ok_or(StoreError::KeptFull { what: "Refused entries" })?;
    t.prepare_cached("INSERT INTO quarantine (hash, incarnation, seq, bytes, sig, reason, sum) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?
        .execute(params![
            sealed.hash.0,
            sealed.entry.incarnation.0,
            sealed.entry.seq,
            sealed.bytes,
            sig,
            reason,
            sums::refused(&sealed.bytes, sig, reason)
        ])?;
    *room = left;
    Ok(())
}
