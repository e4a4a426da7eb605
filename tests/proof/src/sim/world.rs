//! The world: machines, people, the time that passes, and what was promised.

use crate::Figure;
use crate::sim::clock::Clock;
use crate::sim::drive::Drive;
use crate::sim::model::Model;
use crate::sim::node::{Node, Papers};
use crate::sim::planted::Planted;
use crate::sim::rng::Rng;
use crate::sim::script::{Op, Script};
use crate::sim::wire::Request;
use journal::{BootId, DeviceId, Draft, EntryHash, Incarnation, Sealed, SigningKey, Subject, Value};
use std::collections::{BTreeMap, BTreeSet};
use store::{Store, StoreError};

/// What must not be, in words, where it is.
pub type Sound<T = ()> = Result<T, String>;

/// How a schedule is run.
#[derive(Clone, Copy, Debug, Default)]
pub struct Way {
    /// All clocks stay right, whatever the schedule says.
    pub good_clocks: bool,
    /// Nothing happens that hangs on how many bytes something has, and servers do not write clocks down: so that two runs
    /// with other clocks can be compared.
    pub calm: bool,
    /// A bug put in.
    pub planted: Option<Planted>,
}

/// One world.
pub struct World {
    /// Its schedule.
    pub script: Script,
    /// How it is run.
    pub way: Way,
    /// Servers, then tablets; copies come at the end.
    pub nodes: Vec<Node>,
    /// How many servers.
    pub servers: usize,
    /// The true time, ms since 1970.
    pub now_ms: i64,
    /// What was promised.
    pub model: Model,
    /// Requests that are on their way for long.
    pub late: Vec<Request>,
    /// What was counted.
    pub figure: Figure,
    /// Everything that happened, hashed.
    pub trace: blake3::Hasher,
    /// True while everybody syncs and nothing else happens.
    pub resting: bool,
    made: u64,
}

pub(super) const BEGAN_MS: i64 = 1_790_000_000_000;

/// A draft of an entry.
pub fn draft(subject: &str, kind: &str, body: &serde_json::Value, basis: Vec<EntryHash>) -> Draft {
    let body = Value::from_json(body).expect("no floats");
    Draft { kind: kind.into(), version: 1, subject: Subject(subject.into()), basis, body }
}

impl World {
    /// The world before its first step: servers set up, tablets paired.
    ///
    /// # Errors
    /// Where even that goes wrong.
    pub fn new(script: Script, way: Way) -> Sound<Self> {
        let servers = 1 + usize::from(script.two_servers);
        let mut world = Self {
            way,
            nodes: Vec::new(),
            servers,
            now_ms: BEGAN_MS,
            model: Model::default(),
            late: Vec::new(),
            figure: Figure::default(),
            trace: blake3::Hasher::new(),
            resting: false,
            made: 0,
            script,
        };
        for n in 0..servers {
            world.add(true, &format!("trailer-{n}"));
            world.set_up_server(n)?;
        }
        world.adopt_each_other()?;
        world.bundle()?;
        for t in 0..usize::from(world.script.tablets) {
            let n = world.add(false, &format!("K{}", t + 1));
            let server = if world.script.two_servers { t % 2 } else { 0 };
            world.new_tablet(n, server)?;
        }
        Ok(world)
    }

    /// A number that no other thing of this world has; the same in every run of the schedule.
    pub fn fresh(&mut self) -> Rng {
        self.made += 1;
        Rng::new(self.script.seed ^ self.made.wrapping_mul(0xa076_1d64_78bd_642f))
    }

    /// A new key.
    pub fn fresh_key(&mut self) -> SigningKey {
        SigningKey::from_seed(self.fresh().bytes())
    }

    fn fresh_id(&mut self) -> [u8; 16] {
        let mut id = [0; 16];
        id.copy_from_slice(&self.fresh().bytes()[..16]);
        id
    }

    /// A new run of a machine.
    pub fn fresh_boot(&mut self) -> BootId {
        BootId(self.fresh_id())
    }

    /// Puts a new, empty machine there.
    pub fn add(&mut self, server: bool, name: &str) -> usize {
        let node = self.machine(server, name);
        self.nodes.push(node);
        self.nodes.len() - 1
    }

    /// A new, empty machine.
    pub fn machine(&mut self, server: bool, name: &str) -> Node {
        let key = self.fresh_key();
        let papers = Papers {
            device: DeviceId(self.fresh_id()),
            own: BTreeSet::from([Incarnation::of(&key.public())]),
            identity: key.clone(),
            certified: Vec::new(),
            key,
            home: None,
            tokens: BTreeMap::new(),
            heard: BTreeMap::new(),
        };
        let drive = Drive::fresh();
        if self.way.planted == Some(Planted::SkipSync) {
            drive.lie();
        }
        Node {
            name: name.to_owned(),
            server,
            drive,
            store: None,
            papers,
            clock: Clock::new(self.fresh_boot(), self.now_ms),
            gone: false,
            session: None,
            link: 0,
            seen: BTreeMap::new(),
            skews: BTreeMap::new(),
            backup: None,
            durable: BTreeMap::new(),
            dying: None,
            harmed: false,
            flipped: false,
            spoilt: BTreeSet::new(),
            doubtful: BTreeSet::new(),
        }
    }

    /// The store of a machine, opened if its program does not run. `None` where the machine is gone.
    ///
    /// # Errors
    /// Where it cannot be opened and nobody harmed it.
    pub fn open(&mut self, n: usize) -> Sound<bool> {
        if self.nodes[n].gone {
            return Ok(false);
        }
        // A disk error that came while something was only looked at.
        if self.nodes[n].store.as_ref().is_some_and(|s| s.is_stopped()) {
            self.down(n);
        }
        if self.nodes[n].store.is_none() {
            self.start(n)?;
        }
        Ok(true)
    }

    /// The store of a machine that runs.
    pub fn store(&mut self, n: usize) -> &mut Store {
        self.nodes[n].store()
    }

    /// Writes a transaction on a machine. Gives the entries where it was acknowledged; where the disk refused, the machine
    /// goes through what follows from it.
    ///
    /// # Errors
    /// Where something is refused that must not be.
    pub fn say(&mut self, n: usize, person: &str, drafts: Vec<Draft>) -> Sound<Option<Vec<Sealed>>> {
        // As the tablet does: where the disk refused the first entry of a series, it comes before the next one.
        let begins = drafts.first().is_some_and(|d| d.kind == "series-begin");
        if !begins && !self.nodes[n].durable.contains_key(&self.nodes[n].series()) && !self.begin(n)? {
            return Ok(None);
        }
        let now_ms = self.now_ms;
        let built = self.nodes[n].build(person, drafts, now_ms);
        let made = built.and_then(|tx| self.nodes[n].store().append(&tx).map(|()| tx));
        match made {
            Ok(tx) => {
                self.acknowledge(n, &tx);
                Ok(Some(tx))
            }
            Err(e) => {
                self.trouble(n, &e)?;
                Ok(None)
            }
        }
    }

    /// The screen says "saved".
    pub fn acknowledge(&mut self, n: usize, tx: &[Sealed]) {
        self.figure.add("entries acknowledged", tx.len() as u64);
        for sealed in tx {
            self.model.acknowledged.insert(sealed.hash, (sealed.entry.incarnation, sealed.entry.seq));
            let head = journal::Head { seq: sealed.entry.seq, hash: sealed.hash };
            self.nodes[n].durable.insert(sealed.entry.incarnation, head);
        }
        self.nodes[n].drive.follow();
    }

    /// All entries that stand in a store, read anew.
    ///
    /// # Errors
    /// As the store's.
    pub fn holdings(&mut self, n: usize) -> Result<BTreeMap<EntryHash, Sealed>, StoreError> {
        let store = self.nodes[n].store();
        let mut all = BTreeMap::new();
        for (series, head) in store.heads()?.0 {
            let mut next = 1;
            while next <= head.seq {
                let piece = store.read(&series, next, 1 << 20)?;
                let Some(last) = piece.last() else { break };
                next = last.entry.seq + 1;
                all.extend(piece.into_iter().map(|s| (s.hash, s)));
            }
        }
        Ok(all)
    }

    /// Notes what a machine has kept: that is promised from now on.
    ///
    /// # Errors
    /// Where it holds less than before.
    pub fn kept(&mut self, n: usize) -> Sound {
        self.check_heads(n)?;
        self.nodes[n].drive.follow();
        Ok(())
    }

    /// Does one step.
    ///
    /// # Errors
    /// Where something is that must not be.
    pub fn step(&mut self, op: Op) -> Sound {
        let mut rng = Rng::new(u64::from(self.made_by(op)));
        self.now_ms += 20_000 + rng.below(1_200_000) as i64;
        self.figure.add("operations", 1);
        self.act(op)?;
        self.trace.update(format!("{op:?}").as_bytes());
        for n in 0..self.nodes.len() {
            for (series, head) in &self.nodes[n].durable {
                self.trace.update(&series.0).update(&head.hash.0);
            }
        }
        Ok(())
    }

    const fn made_by(&self, op: Op) -> u32 {
        match op {
            Op::Open(_, c) | Op::Record(_, c) | Op::Fill(_, c) | Op::Photo(_, c) | Op::Sync(_, _, c) | Op::Sign(_, c) => c,
            _ => self.made as u32,
        }
    }

    fn act(&mut self, op: Op) -> Sound {
        match op {
            Op::Open(t, c) => self.person(t, c, Self::open_job),
            Op::Record(t, c) => self.person(t, c, Self::record),
            Op::Fill(t, c) => self.person(t, c, Self::fill),
            Op::Photo(t, c) => self.person(t, c, Self::photo),
            Op::Strike(t, c) => self.person(t, c, Self::strike),
            Op::Settle(t, c) => self.person(t, c, Self::settle),
            Op::Sign(t, c) => self.person(t, c, Self::sign),
            Op::Later(t, c) => self.person(t, c, Self::later),
            Op::Board(s, c) => self.board(usize::from(s), c),
            Op::Plan(s, c) => self.new_plan(usize::from(s), c),
            Op::Sync(t, messages, c) => self.sync(t, messages, c),
            Op::Late(c) => self.arrive_late(c),
            Op::Link(t, state) => self.set_link(t, state),
            Op::Cut(n, c) => self.at(n, |w, n| w.power_cut(n, u64::from(c))),
            Op::Kill(n) => self.at(n, Self::kill),
            Op::Fail(n, after, how) => self.at(n, |w, n| w.fail(n, after, how)),
            Op::Room(n) => self.at(n, Self::make_room),
            Op::Clock(n, c) => self.at(n, |w, n| w.upset_clock(n, c)),
            Op::FlipPhoto(n, c) => self.at(n, |w, n| w.flip_photo(n, c)),
            Op::FlipPage(n, c) => self.at(n, |w, n| w.flip_page(n, c)),
            Op::Backup(n) => self.at(n, Self::back_up),
            Op::Restore(n) => self.at(n, Self::restore),
            Op::Clone(t) => self.at(t + 2, Self::copy_tablet),
            Op::Lose(n) => self.at(n, Self::lose),
            Op::Revoke(t, c) => self.at(t + 2, |w, n| w.shut_out(n, c)),
            Op::Move(t) => self.at(t + 2, Self::move_home),
            Op::Bundle => self.bundle(),
            Op::Hostile(s, c) => self.hostile(usize::from(s), c),
            Op::Quiet => self.quiet(),
        }
    }

    /// A machine by its number in the schedule: 0 and 1 are servers, tablets follow.
    pub fn number(&self, n: u8) -> Option<usize> {
        match usize::from(n) {
            n if n < 2 => (n < self.servers).then_some(n),
            n => Some(n - 2 + self.servers).filter(|n| *n < self.nodes.len()),
        }
    }

    fn at(&mut self, n: u8, act: impl FnOnce(&mut Self, usize) -> Sound) -> Sound {
        self.number(n).map_or(Ok(()), |n| act(self, n))
    }

    /// A person takes up a tablet, or now and then its copy.
    fn person(&mut self, t: u8, c: u32, act: impl FnOnce(&mut Self, usize, &mut Rng) -> Sound) -> Sound {
        let mut rng = Rng::new(u64::from(c));
        let Some(n) = self.family(t, &mut rng) else { return Ok(()) };
        if !self.open(n)? {
            return Ok(());
        }
        act(self, n, &mut rng)?;
        if self.nodes[n].store.is_some() { self.look(n, &mut rng) } else { Ok(()) }
    }

    /// A tablet by its number, or a copy of it.
    pub fn family(&self, t: u8, rng: &mut Rng) -> Option<usize> {
        let first = self.number(t + 2)?;
        let copies = self.servers + usize::from(self.script.tablets);
        let of = |n: &usize| *n == first || (*n >= copies && self.nodes[*n].papers.device == self.nodes[first].papers.device);
        let all: Vec<usize> = (0..self.nodes.len()).filter(of).collect();
        rng.pick(&all).copied()
    }
}
