//! The exchange as a state machine: no clock, no disk, no network.
//!
//! Hello, then the tablet's records until the trailer has them, then the trailer's until the tablet has them, then photos
//! piece by piece, then done. Records go before photos: words are few bytes and worth most. What to send next always
//! follows from what both sides hold, so a cut at any point needs no clean-up: the next exchange begins with hello and
//! goes on where the last one stopped, and anything sent twice is known.

mod photos;
mod records;

use crate::error::SyncError;
use crate::local::Local;
use crate::message::{Done, DoneReply, Hello, HelloReply, PhotoReply, PushReply};
use crate::receipt::EntriesReceipt;
use crate::wire::Batch;
use journal::{EntryHash, Head, Heads, Incarnation, PhotoHash, Sealed, VerifyingKey};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Where an exchange is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Greeting.
    #[default]
    Hello,
    /// The tablet's records go to the trailer.
    Push,
    /// The trailer's records come to the tablet.
    Pull,
    /// Photos go to the trailer.
    Photos,
    /// Saying that nothing waits, or how much.
    Done,
    /// Over.
    Finished,
}

/// How far an exchange is. `done` and `total` count entries, in [`Phase::Photos`] bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Progress {
    /// Where.
    pub phase: Phase,
    /// How much of this phase is done.
    pub done: u64,
    /// Out of how much, as known so far.
    pub total: u64,
}

/// What to send next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Greet.
    Hello(Hello),
    /// Send these entries, all of one series, whole transactions.
    Push(Vec<Sealed>),
    /// Ask for what these heads lack.
    Pull(Heads),
    /// Ask how much of a photo is there.
    PhotoOffset(PhotoHash),
    /// Send a piece of a photo.
    PhotoPut {
        /// The photo.
        photo: PhotoHash,
        /// Where the piece begins.
        offset: u64,
        /// Length of the whole photo.
        total: u64,
        /// The piece.
        bytes: Vec<u8>,
    },
    /// Say how much still waits.
    Done(Done),
    /// Nothing more to send.
    Finished(Box<Outcome>),
}

/// What came back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    /// To [`Step::Hello`].
    Hello(HelloReply),
    /// To [`Step::Push`].
    Push(PushReply),
    /// To [`Step::Pull`].
    Pull(Batch),
    /// To [`Step::PhotoOffset`] and [`Step::PhotoPut`].
    Photo(PhotoReply),
    /// To [`Step::Done`].
    Done(DoneReply),
}

/// What an exchange achieved, and what a person should know.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Entries that were new to the trailer.
    pub pushed: u64,
    /// Entries that were new to the tablet.
    pub pulled: u64,
    /// Photos the trailer signed for.
    pub photos_sent: u64,
    /// The trailer's last receipt for the tablet's own series.
    pub receipt: Option<EntriesReceipt>,
    /// Entries of the own series still without a receipt when the exchange ended.
    pub entries_waiting: u64,
    /// Photos still without a receipt when the exchange ended.
    pub photos_waiting: u64,
    /// When the trailer heard the end, by its clock, milliseconds since 1970 UTC.
    pub heard_ms: Option<i64>,
    /// The trailer's clock less the tablet's at the greeting, milliseconds. Shown, never used to order.
    pub skew_ms: Option<i64>,
    /// How many entries of the tablet's *own* series the trailer had beyond the tablet's: more than 0 means that the tablet
    /// was restored from an old copy and must begin a new series.
    pub own_ahead: u64,
    /// Series of which two versions exist: a tablet was restored or copied. Both are kept.
    pub forks: BTreeSet<Incarnation>,
    /// Entries that the trailer or the tablet kept apart, with the reason.
    pub quarantined: BTreeMap<EntryHash, String>,
    /// Photos that could not be sent, with the reason. They stay on the tablet.
    pub photo_problems: BTreeMap<PhotoHash, String>,
    /// Entries that this program can't read: the tablet needs an update.
    pub unreadable: u64,
}

impl Outcome {
    /// True where the trailer has everything and nothing needs a person.
    pub fn is_clean(&self) -> bool {
        self.entries_waiting == 0
            && self.photos_waiting == 0
            && self.own_ahead == 0
            && self.forks.is_empty()
            && self.quarantined.is_empty()
            && self.photo_problems.is_empty()
            && self.unreadable == 0
    }
}

/// What was sent last: the reply must fit it.
#[derive(Clone, Debug, Default)]
enum Sent {
    #[default]
    Nothing,
    Hello,
    Push {
        incarnation: Incarnation,
        last: Head,
    },
    Pull,
    Photo {
        put: Option<u64>,
    },
    Done,
}

/// Records written while photos travel are pushed before the end, but a busy tablet must come to an end too.
const ROUNDS: u8 = 3;

/// One exchange of one tablet with the trailer.
#[derive(Clone, Debug)]
pub struct Exchange {
    server_key: VerifyingKey,
    wall_ms: i64,
    phase: Phase,
    progress: Progress,
    sent: Sent,
    rounds: u8,
    own: Option<Incarnation>,
    /// What the trailer has, as last heard.
    server: Heads,
    /// Series that are sent from their first entry on, with the next seq: the trailer holds another version of them.
    whole: BTreeMap<Incarnation, u64>,
    push_over: BTreeSet<Incarnation>,
    pull_over: BTreeSet<Incarnation>,
    wanted: Vec<PhotoHash>,
    photos: VecDeque<photos::Job>,
    outcome: Outcome,
}

impl Exchange {
    /// A new exchange with the trailer whose key was learned at pairing. `wall_ms` is the tablet's clock now, milliseconds
    /// since 1970 UTC.
    pub fn new(server_key: VerifyingKey, wall_ms: i64) -> Self {
        Self {
            server_key,
            wall_ms,
            phase: Phase::Hello,
            progress: Progress::default(),
            sent: Sent::Nothing,
            rounds: 0,
            own: None,
            server: Heads::default(),
            whole: BTreeMap::new(),
            push_over: BTreeSet::new(),
            pull_over: BTreeSet::new(),
            wanted: Vec::new(),
            photos: VecDeque::new(),
            outcome: Outcome::default(),
        }
    }

    /// How far it is.
    pub const fn progress(&self) -> Progress {
        self.progress
    }

    /// What is known so far; complete once [`Step::Finished`] was given.
    pub const fn outcome(&self) -> &Outcome {
        &self.outcome
    }

    /// What to send next. Asking again without feeding a reply gives the same step again.
    ///
    /// # Errors
    /// [`SyncError::Local`] where the tablet's own side fails.
    pub fn next(&mut self, local: &mut impl Local) -> Result<Step, SyncError> {
        loop {
            let step = match self.phase {
                Phase::Hello => Some(self.hello(local)?),
                Phase::Push => self.next_push(local)?,
                Phase::Pull => self.next_pull(local)?,
                Phase::Photos => self.next_photo(local)?,
                Phase::Done => self.next_done(local)?,
                Phase::Finished => Some(Step::Finished(Box::new(self.outcome.clone()))),
            };
            if let Some(step) = step {
                return Ok(step);
            }
        }
    }

    /// Takes the reply to the last step.
    ///
    /// # Errors
    /// [`SyncError`] where the reply can't be used or the tablet's own side fails. The exchange is over then; a new one
    /// goes on where this one stopped.
    pub fn feed(&mut self, local: &mut impl Local, reply: Reply) -> Result<(), SyncError> {
        match (std::mem::take(&mut self.sent), reply) {
            (Sent::Hello, Reply::Hello(reply)) => self.greeted(local, reply),
            (Sent::Push { incarnation, last }, Reply::Push(reply)) => self.pushed(local, incarnation, last, reply),
            (Sent::Pull, Reply::Pull(batch)) => self.pulled(local, batch),
            (Sent::Photo { put }, Reply::Photo(reply)) => self.photo_answered(local, put, reply),
            (Sent::Done, Reply::Done(reply)) => {
                self.outcome.heard_ms = Some(reply.heard_ms);
                self.enter(Phase::Finished, 0);
                Ok(())
            }
            _ => Err(SyncError::strange("an answer that was not asked for")),
        }
    }

    fn enter(&mut self, phase: Phase, total: u64) {
        self.phase = phase;
        self.progress = Progress { phase, done: 0, total };
    }

    fn hello(&mut self, local: &impl Local) -> Result<Step, SyncError> {
        let (incarnation, seq) = local.own()?;
        self.own = Some(incarnation);
        self.sent = Sent::Hello;
        Ok(Step::Hello(Hello {
            incarnation,
            seq,
            photos_waiting: local.photos_waiting()?.len() as u64,
            wall_ms: self.wall_ms,
            heads: local.heads()?,
        }))
    }

    fn greeted(&mut self, local: &mut impl Local, reply: HelloReply) -> Result<(), SyncError> {
        let ours = local.heads()?;
        let (own, seq) = local.own()?;
        self.server = reply.heads;
        self.wanted = reply.photos_wanted;
        self.outcome.skew_ms = Some(reply.now_ms.saturating_sub(self.wall_ms));
        self.outcome.own_ahead = self.server.seq(&own).saturating_sub(seq);
        for forked in ours.forks(&self.server) {
            self.fork(forked);
        }
        if let Some(receipt) = reply.receipt {
            self.confirm(local, own, None, receipt)?;
        }
        self.enter(Phase::Push, ours.count_missing_from(&self.server));
        Ok(())
    }

    fn next_done(&mut self, local: &impl Local) -> Result<Option<Step>, SyncError> {
        if self.rounds < ROUNDS && self.next_to_push(&local.heads()?).is_some() {
            self.rounds += 1;
            let more = local.heads()?.count_missing_from(&self.server);
            self.enter(Phase::Push, more);
            return Ok(None);
        }
        let (incarnation, seq) = local.own()?;
        let receipted = self.outcome.receipt.as_ref().map_or(0, |receipt| receipt.seq);
        self.outcome.entries_waiting = seq.saturating_sub(receipted);
        self.outcome.photos_waiting = local.photos_waiting()?.len() as u64;
        self.sent = Sent::Done;
        Ok(Some(Step::Done(Done {
            incarnation,
            seq,
            entries_waiting: self.outcome.entries_waiting,
            photos_waiting: self.outcome.photos_waiting,
        })))
    }
}
