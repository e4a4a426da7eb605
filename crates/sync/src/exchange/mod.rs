//! The exchange as a state machine: no clock, no disk, no network.
//!
//! Hello by digest; where both hold the same and nothing waits, that is all. Else heads, then the tablet's records until the
//! trailer has them, then the trailer's until the tablet has them, then what one of them cannot read, then photos piece by
//! piece, then done. Records go before photos: words are few bytes and worth most. What to send next always follows from
//! what both sides hold, so a cut at any point needs no clean-up: the next exchange begins with hello and goes on where
//! the last one stopped, and anything sent twice is known.

mod photos;
mod records;
mod unread;

use crate::error::SyncError;
use crate::local::Local;
use crate::message::{Digest, Done, DoneReply, Hello, HelloReply, PhotoReply, PushReply};
use crate::receipt::EntriesReceipt;
use crate::wire::{Batch, Unread, UnreadReply, unread_digest};
use crate::{MAX_SERVER_SERIES, MAX_WANTED};
use journal::{BootId, EntryHash, Head, Heads, Incarnation, PhotoHash, Range, Sealed, VerifyingKey};
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

/// The tablet's clocks at the greeting. Said to the trailer so that it can show the skew; nothing here asks them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    /// Wall clock, milliseconds since 1970 UTC.
    pub wall_ms: i64,
    /// The run of the tablet.
    pub boot: BootId,
    /// Milliseconds since that run began.
    pub uptime_ms: u64,
}

/// What to send next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Greet.
    Hello(Hello),
    /// Say what is here, in full: the digests differ.
    Heads(Heads),
    /// Send these entries, all of one series, whole transactions.
    Push(Vec<Sealed>),
    /// Ask for these ranges.
    Pull(Vec<(Incarnation, Range)>),
    /// Name the entries that are kept here unread.
    Unread(Vec<EntryHash>),
    /// Send entries that are kept here unread.
    PushUnread(Vec<Unread>),
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
    /// To [`Step::Heads`].
    Heads(Heads),
    /// To [`Step::Push`] and [`Step::PushUnread`].
    Push(PushReply),
    /// To [`Step::Pull`].
    Pull(Batch),
    /// To [`Step::Unread`].
    Unread(UnreadReply),
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
    /// Series that could not be read here to the end, with the reason: what follows there was not sent.
    pub damaged: BTreeMap<Incarnation, String>,
    /// Photos that could not be sent, with the reason. They stay on the tablet.
    pub photo_problems: BTreeMap<PhotoHash, String>,
    /// Entries that came and that this program can't read: kept as they are; the tablet needs an update.
    pub unreadable: u64,
    /// Entries that the trailer's program could not read and keeps as they are: the trailer needs an update.
    pub unread_there: u64,
    /// True where both sides held the same at the greeting and nothing else had to be sent.
    pub nothing_to_do: bool,
}

impl Outcome {
    /// True where the trailer has everything and nothing needs a person.
    pub fn is_clean(&self) -> bool {
        self.entries_waiting == 0
            && self.photos_waiting == 0
            && self.own_ahead == 0
            && self.forks.is_empty()
            && self.quarantined.is_empty()
            && self.damaged.is_empty()
            && self.photo_problems.is_empty()
            && self.unreadable == 0
            && self.unread_there == 0
    }
}

/// What was sent last: the reply must fit it.
#[derive(Clone, Debug, Default)]
enum Sent {
    #[default]
    Nothing,
    Hello(Told),
    Heads,
    Push {
        incarnation: Incarnation,
        last: Head,
    },
    Pull,
    Unread,
    PushUnread {
        names: Vec<EntryHash>,
    },
    Photo {
        put: Option<u64>,
    },
    Done,
}

/// What a hello said.
#[derive(Clone, Debug, Default)]
struct Told {
    seq: u64,
    photos_waiting: u64,
    heads: Heads,
}

/// Records written while photos travel are pushed before the end, but a busy tablet must come to an end too.
const ROUNDS: u8 = 3;

/// One exchange of one tablet with the trailer.
#[derive(Clone, Debug)]
pub struct Exchange {
    server_key: VerifyingKey,
    clock: Clock,
    phase: Phase,
    progress: Progress,
    sent: Sent,
    rounds: u8,
    own: Option<Incarnation>,
    /// Earlier series of this tablet that await a receipt.
    before: BTreeSet<Incarnation>,
    /// What the hello said, as long as it was the only thing sent and both sides held the same.
    quiet: Option<Told>,
    /// The digests differed: heads must travel before anything else.
    heads_due: bool,
    unread: unread::State,
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
    /// A new exchange with the trailer whose key was learned at pairing. `clock` is the tablet's, now.
    pub fn new(server_key: VerifyingKey, clock: Clock) -> Self {
        Self {
            server_key,
            clock,
            phase: Phase::Hello,
            progress: Progress::default(),
            sent: Sent::Nothing,
            rounds: 0,
            own: None,
            before: BTreeSet::new(),
            quiet: None,
            heads_due: false,
            unread: unread::State::default(),
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
                Phase::Hello if self.heads_due => {
                    self.sent = Sent::Heads;
                    Some(Step::Heads(local.heads()?))
                }
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
        // Anything beyond the hello must be heard of at the end.
        self.quiet = None;
        match (std::mem::take(&mut self.sent), reply) {
            (Sent::Hello(told), Reply::Hello(reply)) => self.greeted(local, told, reply),
            (Sent::Heads, Reply::Heads(heads)) => self.compared(local, heads),
            (Sent::Push { incarnation, last }, Reply::Push(reply)) => self.pushed(local, incarnation, last, reply),
            (Sent::Pull, Reply::Pull(batch)) => self.pulled(local, batch),
            (Sent::Unread, Reply::Unread(reply)) => self.unread_answered(local, reply),
            (Sent::PushUnread { names }, Reply::Push(reply)) => {
                self.unread_pushed(&names, &reply);
                Ok(())
            }
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
        let photos_waiting = local.photos_waiting()?.len() as u64;
        let heads = local.heads()?;
        let digest = Digest(heads.digest());
        self.sent = Sent::Hello(Told { seq, photos_waiting, heads });
        let Clock { wall_ms, boot, uptime_ms } = self.clock;
        let unread = unread_digest(&local.unread()?);
        Ok(Step::Hello(Hello { incarnation, seq, photos_waiting, wall_ms, boot, uptime_ms, digest, unread }))
    }

    fn greeted(&mut self, local: &mut impl Local, told: Told, mut reply: HelloReply) -> Result<(), SyncError> {
        self.outcome.skew_ms = Some(reply.now_ms.saturating_sub(self.clock.wall_ms));
        self.server_series(local, &reply)?;
        reply.photos_wanted.truncate(MAX_WANTED);
        self.wanted = reply.photos_wanted;
        self.unread.differs = reply.unread;
        if reply.same {
            self.server = told.heads.clone();
        }
        self.before = local.unsigned()?.into_iter().filter(|series| Some(*series) != self.own).collect();
        for series in &self.before {
            self.whole.insert(*series, 1);
        }
        self.push_over.extend(local.given()?.into_iter().filter(|series| Some(*series) != self.own));
        if let (Some(own), Some(receipt)) = (self.own, reply.receipt) {
            self.confirm(local, own, None, receipt)?;
        }
        if !reply.same {
            self.heads_due = true;
            return Ok(());
        }
        self.outcome.heard_ms = Some(reply.now_ms);
        self.quiet = Some(told);
        self.enter(Phase::Push, 0);
        Ok(())
    }

    /// The trailer's series are believed only with the certificate of the key learned at pairing.
    fn server_series(&self, local: &mut impl Local, reply: &HelloReply) -> Result<(), SyncError> {
        if reply.server_series.is_empty() {
            return Ok(());
        }
        if reply.server_series.len() > MAX_SERVER_SERIES {
            return Err(SyncError::strange("too many series of the trailer"));
        }
        for series in &reply.server_series {
            series.verify(&self.server_key).map_err(|_| SyncError::BadCertificate)?;
        }
        let keys: Vec<VerifyingKey> = reply.server_series.iter().map(|s| s.key).collect();
        Ok(local.server_series(&keys)?)
    }

    fn compared(&mut self, local: &impl Local, heads: Heads) -> Result<(), SyncError> {
        self.heads_due = false;
        self.server = heads;
        let ours = local.heads()?;
        let (own, seq) = local.own()?;
        self.outcome.own_ahead = self.server.seq(&own).saturating_sub(seq);
        for forked in ours.forks(&self.server) {
            self.fork(forked);
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
        let said = |told: &Told| (told.seq, told.photos_waiting) == (seq, self.outcome.photos_waiting);
        if self.outcome.entries_waiting == 0 && self.quiet.as_ref().is_some_and(said) {
            // The hello said it all, and its answer shows that it was heard.
            self.outcome.nothing_to_do = true;
            self.enter(Phase::Finished, 0);
            return Ok(None);
        }
        self.outcome.heard_ms = None;
        self.sent = Sent::Done;
        Ok(Some(Step::Done(Done {
            incarnation,
            seq,
            entries_waiting: self.outcome.entries_waiting,
            photos_waiting: self.outcome.photos_waiting,
        })))
    }
}
