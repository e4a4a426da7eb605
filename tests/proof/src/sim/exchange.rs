//! Exchanges between tablets and servers over a network that drops, delays, repeats and cuts.

use crate::sim::drive::Drive;
use crate::sim::node::{Node, Session};
use crate::sim::planted::Planted;
use crate::sim::rng::Rng;
use crate::sim::wire::{self, Request, Route};
use crate::sim::world::{Sound, World};
use job::Say;
use journal::{EntryHash, Heads, Incarnation, PhotoHash, Sealed, VerifyingKey};
use std::collections::BTreeSet;
use store::{Size, Store, StoreError};
use sync::exchange::Clock;
use sync::message::{Hello, HelloReply, PushReply};
use sync::wire::Unread;
use sync::{AcceptReport, EntriesReceipt, Exchange, Local, Outcome, PhotoReceipt, Reply, Step, SyncError, kept};

/// The tablet's side, as its program implements it.
struct Desk<'a> {
    store: &'a mut Store,
    drive: &'a Drive,
    own: Incarnation,
    earlier: BTreeSet<Incarnation>,
    planted: Option<Planted>,
    receipts: Vec<EntriesReceipt>,
    photos: Vec<PhotoReceipt>,
    /// The server's series, as certified.
    roots: Option<Vec<Incarnation>>,
    trouble: std::cell::RefCell<Option<StoreError>>,
}

impl Desk<'_> {
    fn say<T>(&self, result: Result<T, StoreError>) -> Result<T, Say> {
        result.map_err(|e| {
            let say = Say::new(e.code(), e.to_string());
            *self.trouble.borrow_mut() = Some(e);
            say
        })
    }
}

impl Local for Desk<'_> {
    fn heads(&self) -> Result<Heads, Say> {
        self.say(self.store.heads())
    }

    fn own(&self) -> Result<(Incarnation, u64), Say> {
        let tail = self.say(self.store.tail(&self.own))?;
        Ok((self.own, tail.and_then(|t| t.head()).map_or(0, |h| h.seq)))
    }

    fn unsigned(&self) -> Result<Vec<Incarnation>, Say> {
        let heads = self.say(self.store.heads())?;
        let mut all = Vec::new();
        for series in self.earlier.iter().filter(|s| **s != self.own) {
            let kept = self.say(self.store.setting(&format!("receipt/{series}")))?;
            let signed = kept.and_then(|seq| seq.parse::<u64>().ok()).unwrap_or(0);
            if signed < heads.seq(series) {
                all.push(*series);
            }
        }
        Ok(all)
    }

    fn read(&self, incarnation: &Incarnation, from_seq: u64, max_bytes: usize) -> Result<Vec<Sealed>, Say> {
        self.say(self.store.read(incarnation, from_seq, max_bytes))
    }

    fn accept(&mut self, entries: Vec<Sealed>) -> Result<AcceptReport, Say> {
        if self.planted == Some(Planted::NeverPull) {
            return Ok(AcceptReport { known: entries.len() as u64, ..AcceptReport::default() });
        }
        let accepted = self.store.accept(entries);
        let accepted = self.say(accepted)?;
        Ok(AcceptReport { stored: accepted.stored as u64, known: accepted.known as u64, quarantined: accepted.quarantined })
    }

    fn unread(&self) -> Result<Vec<EntryHash>, Say> {
        self.say(kept::names(|from| wire::unread_from(self.store, from)))
    }

    fn read_unread(&self, names: &[EntryHash], max_bytes: usize) -> Result<Vec<Unread>, Say> {
        self.say(kept::named(names, max_bytes, |from| wire::unread_from(self.store, from)))
    }

    fn keep_unread(&mut self, entries: Vec<Unread>) -> Result<u64, Say> {
        let kept: Vec<store::Unreadable> =
            entries.into_iter().map(|u| store::Unreadable::new(u.bytes, u.sig, "it cannot be read".to_owned())).collect();
        match self.store.keep_unreadable(&kept) {
            Ok(new) => Ok(new as u64),
            Err(StoreError::KeptFull { .. }) => Ok(0),
            other => self.say(other).map(|_| 0),
        }
    }

    fn server_series(&mut self, keys: &[VerifyingKey]) -> Result<(), Say> {
        self.roots = Some(keys.iter().map(Incarnation::of).collect());
        Ok(())
    }

    fn photos_waiting(&self) -> Result<Vec<(PhotoHash, u64)>, Say> {
        let mut all = Vec::new();
        for photo in self.say(self.store.photos_without_receipt())? {
            if let Some(bytes) = self.say(self.store.photos().bytes(&photo, Size::Full))? {
                all.push((photo, bytes));
            }
        }
        Ok(all)
    }

    fn photo_len(&self, photo: &PhotoHash) -> Result<Option<u64>, Say> {
        self.say(self.store.photos().bytes(photo, Size::Full))
    }

    fn photo_piece(&self, photo: &PhotoHash, offset: u64, len: usize) -> Result<Vec<u8>, Say> {
        let bytes = wire::raw_photo(self.drive, self.store, photo).ok_or_else(|| Say::new("photo-unreadable", "it cannot be read"))?;
        let from = usize::try_from(offset).unwrap_or(usize::MAX).min(bytes.len());
        Ok(bytes[from..bytes.len().min(from + len)].to_vec())
    }

    fn photo_received(&mut self, receipt: PhotoReceipt) -> Result<(), Say> {
        let kept = self.store.set_photo_receipt(&receipt.photo, receipt.at_ms);
        self.say(kept)?;
        self.photos.push(receipt);
        Ok(())
    }

    fn receipt(&mut self, receipt: EntriesReceipt) -> Result<(), Say> {
        let kept = self.store.set_setting(&format!("receipt/{}", receipt.incarnation), &receipt.seq.to_string());
        self.say(kept)?;
        self.receipts.push(receipt);
        Ok(())
    }
}

/// What the network does to one message and its answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    Good,
    RequestLost,
    AnswerLost,
    Twice,
    CopyLate,
    Late,
    RequestCut(usize),
    AnswerCut(usize),
    ServerDies(u64),
}

/// Where an exchange is after a message.
#[derive(Clone, Debug)]
pub enum Turn {
    /// It goes on.
    Going,
    /// It broke off.
    Broken,
    /// It is over.
    Over(Box<Outcome>),
}

impl World {
    /// Some messages of a tablet's exchange; begins one where none is under way.
    pub(super) fn sync(&mut self, t: u8, messages: u8, c: u32) -> Sound {
        let mut rng = Rng::new(u64::from(c) | 1 << 40);
        let Some(n) = self.family(t, &mut rng) else { return Ok(()) };
        if !self.open(n)? {
            return Ok(());
        }
        let messages = if self.nodes[n].link == 3 { messages.min(2) } else { messages };
        let bad = usize::from(self.script.bad_net);
        for _ in 0..messages {
            match self.turn(n, bad, &mut rng)? {
                Turn::Going => {}
                Turn::Broken | Turn::Over(_) => break,
            }
        }
        if self.nodes[n].store.is_some() { self.look(n, &mut rng) } else { Ok(()) }
    }

    /// One message there and back, `bad` of 100 meeting with something.
    ///
    /// # Errors
    /// Where something is that must not be.
    pub fn turn(&mut self, n: usize, bad: usize, rng: &mut Rng) -> Sound<Turn> {
        if self.nodes[n].link == 1 {
            self.figure.add("fault: partition", 1);
            self.nodes[n].session = None;
            return Ok(Turn::Broken);
        }
        let Some(server) = self.at_home(n)? else { return Ok(Turn::Broken) };
        let clock = &self.nodes[n].clock;
        let clock = Clock { wall_ms: clock.wall_ms(self.now_ms), boot: clock.boot, uptime_ms: clock.uptime_ms(self.now_ms) };
        let Node { session, papers, .. } = &mut self.nodes[n];
        let Some(home) = &papers.home else { return Ok(Turn::Broken) };
        if session.is_none() {
            self.figure.add("syncs begun", 1);
        }
        let mut session = session.take().unwrap_or_else(|| Session { exchange: Exchange::new(home.key, clock), messages: 0 });
        session.messages += 1;
        if session.messages > 5000 {
            return Err(format!("{}: the exchange does not end: {:?}", self.nodes[n].name, session.exchange.progress()));
        }
        let step = self.desk(n, server, |desk| session.exchange.next(desk))?;
        let Some(step) = step else { return Ok(Turn::Broken) };
        let Some((route, body)) = wire::encode(&step) else {
            let Step::Finished(outcome) = step else { return Ok(Turn::Broken) };
            self.finished(n, &outcome)?;
            return Ok(Turn::Over(outcome));
        };
        self.figure.add("messages", 1);
        let request = Request { token: home_series(&self.nodes[n]), to: server, route, body };
        let Some(bytes) = self.carry(n, &request, bad, rng)? else { return Ok(Turn::Broken) };
        let Some(reply) = wire::decode(route, &bytes) else { return Ok(Turn::Broken) };
        if bad > 0 && rng.percent(3) {
            return self.forge_receipt(n, server, session, reply);
        }
        let Some(()) = self.desk(n, server, |desk| session.exchange.feed(desk, reply))? else { return Ok(Turn::Broken) };
        self.nodes[n].session = Some(session);
        Ok(Turn::Going)
    }

    /// Somebody in the middle puts a receipt of his own into the answer: the tablet must not take it.
    fn forge_receipt(&mut self, n: usize, server: usize, mut session: Session, reply: Reply) -> Sound<Turn> {
        let (series, key) = (self.nodes[n].series(), self.fresh_key());
        let Some(mine) = self.nodes[n].durable.get(&series).copied() else { return Ok(Turn::Broken) };
        let forged = EntriesReceipt::sign(&key, series, mine, self.now_ms);
        let answer = match reply {
            Reply::Hello(hello) => Reply::Hello(HelloReply { receipt: Some(forged.clone()), ..hello }),
            Reply::Push(push) => Reply::Push(PushReply { receipt: Some(forged.clone()), ..push }),
            _ => return Ok(Turn::Broken),
        };
        self.figure.add("fault: hostile, a forged receipt", 1);
        if self.way.planted == Some(Planted::BelieveReceipt) {
            self.check_receipt(server, &forged)?;
            return Ok(Turn::Broken);
        }
        let mut refused = false;
        let taken = self.desk(n, server, |desk| match session.exchange.feed(desk, answer) {
            Err(SyncError::BadReceipt) => {
                refused = true;
                Ok(())
            }
            other => other,
        })?;
        match taken {
            Some(()) if !refused => Err(format!("{}: a forged receipt was taken", self.nodes[n].name)),
            _ => Ok(Turn::Broken),
        }
    }

    /// The server a tablet belongs to; paired first where it is not. `None` where none can be had now.
    fn at_home(&mut self, n: usize) -> Sound<Option<usize>> {
        let series = self.nodes[n].series();
        if self.model.shut_out.contains_key(&series) {
            return Ok(None);
        }
        let server = match &self.nodes[n].papers.home {
            Some(home) if self.nodes[home.server].gone => return Ok(None),
            Some(home) => {
                let now = &self.nodes[home.server].papers;
                let known = now.tokens.get(&home.series) == Some(&true) && now.identity.public() == home.key && home.series == series;
                if known { home.server } else { return self.pair_again(n, home.server) }
            }
            None => return self.pair_again(n, n % self.servers),
        };
        if !self.open(server)? {
            return Ok(None);
        }
        Ok(self.nodes[n].store.is_some().then_some(server))
    }

    fn pair_again(&mut self, n: usize, server: usize) -> Sound<Option<usize>> {
        if self.nodes[n].link != 0 {
            return Ok(None);
        }
        Ok(self.pair(n, server)?.then_some(server).filter(|_| self.nodes[n].store.is_some()))
    }

    /// Lets the exchange work on the tablet's store; checks every receipt it takes. `None` where the tablet's side failed.
    fn desk<T>(&mut self, n: usize, server: usize, work: impl FnOnce(&mut Desk<'_>) -> Result<T, SyncError>) -> Sound<Option<T>> {
        let own = self.nodes[n].series();
        let planted = self.way.planted;
        let Node { store, drive, papers, .. } = &mut self.nodes[n];
        let Some(store) = store.as_mut() else { return Ok(None) };
        let mut desk = Desk {
            store,
            drive,
            own,
            earlier: papers.own.clone(),
            planted,
            receipts: Vec::new(),
            photos: Vec::new(),
            roots: None,
            trouble: None.into(),
        };
        let result = work(&mut desk);
        let Desk { receipts, photos, trouble, roots, .. } = desk;
        if let Some(e) = trouble.into_inner() {
            self.trouble(n, &e)?;
            return Ok(None);
        }
        self.kept(n)?;
        if let Some(roots) = roots
            && !self.believe(n, &roots)?
        {
            return Ok(None);
        }
        for receipt in receipts {
            self.check_receipt(server, &receipt)?;
        }
        for receipt in photos {
            self.check_photo_receipt(server, &receipt)?;
        }
        match result {
            Ok(value) => Ok(Some(value)),
            Err(SyncError::Local(say)) => Err(format!("{}: the tablet's side failed without its disk: {say}", self.nodes[n].name)),
            // Nobody here lies in a server's name: an answer that can't be used is a bug.
            Err(SyncError::BadReceipt) => Err(format!("{}: a receipt of the real server was refused", self.nodes[n].name)),
            Err(e) => Err(format!("{}: {e}", self.nodes[n].name)),
        }
    }

    /// A copied or set back tablet learns of it, and goes on in a series of its own.
    fn finished(&mut self, n: usize, outcome: &Outcome) -> Sound {
        self.figure.add("syncs", 1);
        let own = self.nodes[n].series();
        if outcome.own_ahead > 0 || outcome.forks.contains(&own) {
            if !self.model.doubtful.contains(&own) {
                return Err(format!("{}: a fork of a series that nobody copied", self.nodes[n].name));
            }
            self.figure.add("copies found out", 1);
            self.new_series(n)?;
        }
        Ok(())
    }

    fn fate(&self, n: usize, bad: usize, rng: &mut Rng) -> Fate {
        if self.nodes[n].link == 2 {
            return Fate::AnswerLost;
        }
        if !rng.percent(bad) {
            return Fate::Good;
        }
        rng.weighted(&[
            (3, Fate::RequestLost),
            (3, Fate::AnswerLost),
            (3, Fate::Twice),
            (3, Fate::CopyLate),
            (2, Fate::Late),
            (2, Fate::RequestCut(rng.clone().below(1000))),
            (2, Fate::AnswerCut(rng.clone().below(1000))),
            (1, Fate::ServerDies(rng.clone().next())),
        ])
    }

    /// Carries a request to the server and the answer back; `None` where the tablet gets none.
    fn carry(&mut self, n: usize, request: &Request, bad: usize, rng: &mut Rng) -> Sound<Option<Vec<u8>>> {
        let fate = self.fate(n, bad, rng);
        if fate != Fate::Good {
            let name = format!("{fate:?}");
            self.figure.add(&format!("fault: {}", name.split('(').next().unwrap_or_default()), 1);
        }
        let cut = |bytes: &[u8], at: usize| bytes[..bytes.len() * at / 1000].to_vec();
        match fate {
            Fate::Good => {}
            Fate::RequestLost => return Ok(None),
            Fate::AnswerLost => return self.serve(request).map(|_| None),
            Fate::Twice => drop(self.serve(request)?),
            Fate::CopyLate => self.late.push(request.clone()),
            Fate::Late => {
                self.late.push(request.clone());
                return Ok(None);
            }
            Fate::RequestCut(at) => {
                let torn = Request { body: cut(&request.body, at), ..request.clone() };
                return self.serve(&torn).map(|_| None);
            }
            Fate::AnswerCut(at) => return Ok(self.serve(request)?.map(|bytes| cut(&bytes, at))),
            Fate::ServerDies(_) if self.way.calm => return self.serve(request).map(|_| None),
            Fate::ServerDies(chance) => {
                self.nodes[request.to].drive.fail(1 + chance % 60, store::testkit::machine::Fault::FromThenOn);
                (self.nodes[request.to].dying, self.nodes[request.to].harmed) = (Some(chance), true);
            }
        }
        self.serve(request)
    }

    /// The server answers. `None` where it does not, or refuses.
    ///
    /// # Errors
    /// Where something is that must not be.
    pub fn serve(&mut self, request: &Request) -> Sound<Option<Vec<u8>>> {
        let s = request.to;
        if !self.open(s)? {
            return Ok(None);
        }
        match wire::answer(&mut self.nodes[s], request, self.now_ms, self.way.planted) {
            Ok((200, body)) => {
                self.kept(s)?;
                self.compare_clocks(request)?;
                Ok(Some(body))
            }
            Ok(_) => {
                self.kept(s)?;
                Ok(None)
            }
            Err(e) => self.trouble(s, &e).map(|()| None),
        }
    }

    /// A server writes down by how much a tablet's clock is off, where that is news.
    fn compare_clocks(&mut self, request: &Request) -> Sound {
        let hello = match request.route {
            // At rest nothing more is written, or with a clock that stands still it would never come to an end.
            Route::Hello if !self.way.calm && !self.resting => serde_json::from_slice::<Hello>(&request.body),
            _ => return Ok(()),
        };
        let Ok(hello) = hello else { return Ok(()) };
        let s = request.to;
        let skew_ms = hello.wall_ms - self.nodes[s].clock.wall_ms(self.now_ms);
        let before = self.nodes[s].skews.get(&hello.incarnation).copied();
        if before.is_some_and(|(boot, was)| boot == hello.boot && (was - skew_ms).abs() <= 5_000) {
            return Ok(());
        }
        self.nodes[s].skews.insert(hello.incarnation, (hello.boot, skew_ms));
        let clock = job::standing::Clock { seq: hello.seq, boot: hello.boot, skew_ms };
        let Some(draft) = job::standing::clock_draft(&hello.incarnation, &clock) else { return Ok(()) };
        if self.nodes[s].store.is_some() && self.say(s, "nobody", vec![draft])?.is_some() {
            self.figure.add("clocks written down", 1);
        }
        Ok(())
    }

    /// A request that was long on its way arrives, whatever has become of who sent it.
    pub(super) fn arrive_late(&mut self, c: u32) -> Sound {
        if self.late.is_empty() {
            return Ok(());
        }
        let at = c as usize % self.late.len();
        let request = self.late.swap_remove(at);
        self.figure.add("fault: arrived late and out of order", 1);
        self.serve(&request).map(drop)
    }

    pub(super) fn set_link(&mut self, t: u8, state: u8) -> Sound {
        if let Some(n) = self.number(t + 2) {
            self.nodes[n].link = state;
            let names = ["link mended", "fault: link down", "fault: answers lost one way", "fault: slow link"];
            self.figure.add(names[usize::from(state % 4)], 1);
        }
        Ok(())
    }

    /// A tablet goes over to the other server.
    pub(super) fn move_home(&mut self, n: usize) -> Sound {
        let Some(home) = self.nodes[n].papers.home.as_ref().map(|h| h.server) else { return Ok(()) };
        if self.servers < 2 || !self.open(n)? || self.nodes[n].link != 0 {
            return Ok(());
        }
        self.figure.add("paired with the other server", 1);
        self.pair(n, 1 - home).map(drop)
    }
}

fn home_series(node: &Node) -> Incarnation {
    node.papers.home.as_ref().map_or_else(|| node.series(), |h| h.series)
}
