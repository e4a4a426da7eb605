//! Calls that fail and disks that are full: every call of every flow.

use super::flows::Flow;
use super::play::{FOLDER, Fact, Play, judge, k4, open_and_judge, reopen};
use super::record::before;
use crate::Figure;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;
use store::testkit::machine::{Fault, Keep, Kind, Machine, Op, Platter, Tree, spread};
use store::{Store, StoreError};

/// A flow whose calls are made to fail, one after the other.
pub struct Walk<'a> {
    machine: &'a Machine,
    flow: Flow,
    seed: u64,
    base: Tree,
    given: Vec<Fact>,
    /// What the flow acknowledges where nothing fails.
    all: Vec<Fact>,
    calls: u64,
    /// What was counted.
    pub figure: Figure,
}

impl<'a> Walk<'a> {
    /// Plays the flow once to count its calls.
    pub fn new(machine: &'a Machine, flow: Flow, seed: u64) -> Self {
        let (base, given) = before(machine, flow, seed);
        machine.load(&base);
        let mut play = Play::new(machine, seed);
        (flow.run)(&mut play).unwrap_or_else(|e| panic!("flow {}, seed {seed}: {e}", flow.name));
        let all = [given.clone(), play.facts].concat();
        Self { machine, flow, seed, base, given, all, calls: machine.calls(), figure: Figure::default() }
    }

    /// Calls of the whole flow.
    pub const fn calls(&self) -> u64 {
        self.calls
    }

    /// All that the flow would acknowledge, with what was in fact acknowledged in front.
    fn facts(&self, acked: usize) -> (&[Fact], usize) {
        (&self.all, self.given.len() + acked)
    }

    /// Plays the flow with a fault at call `n`; gives what was acknowledged and how it ended.
    fn play(&self, n: u64, fault: Fault) -> (usize, Result<(), StoreError>) {
        self.machine.load(&self.base);
        self.machine.record();
        self.machine.fail(n, fault);
        let mut play = Play::new(self.machine, self.seed);
        let result = (self.flow.run)(&mut play);
        (play.facts.len(), result)
    }

    /// An I/O error at call `n`: a clean stop, nothing acknowledged lost, the next start good, and what is saved after it
    /// outlives a power cut.
    pub fn error(&mut self, n: u64, fault: Fault) {
        let (acked, result) = self.play(n, fault);
        let struck = self.machine.struck();
        let kind = struck.as_ref().map_or("nothing".to_owned(), |(kind, _)| format!("{kind:?}").to_lowercase());
        self.figure.add("I/O errors made up", 1);
        self.figure.add(&format!("I/O errors at a call of kind {kind}"), 1);
        let code = result.as_ref().err().map_or("went on", StoreError::code);
        self.figure.add(&format!("errors that ended as {code}"), 1);
        let judged = self.clean(&result, fault).and_then(|()| self.after_error(acked, n));
        if let Err(why) = judged {
            let at = struck.map_or(String::new(), |(_, path)| path.display().to_string());
            self.figure.failures.push(format!(
                "flow {}, seed {}, {fault:?} at call {n} of {} ({kind} of {at}): {why}",
                self.flow.name, self.seed, self.calls
            ));
        }
    }

    fn clean(&self, result: &Result<(), StoreError>, fault: Fault) -> Result<(), String> {
        let Err(e) = result else {
            // Whatever goes on has lost nothing: that is judged next.
            return Ok(());
        };
        let code = e.code();
        let said = matches!(code, "store-stopped" | "file-error" | "backup-refused" | "backup-unusable");
        let full = fault == Fault::Full && e.is_disk_full();
        let sentence = e.to_string().len() > 40 && e.to_string().ends_with('.');
        if (said || full) && sentence { Ok(()) } else { Err(format!("ended as {code}: {e}")) }
    }

    fn after_error(&self, acked: usize, n: u64) -> Result<(), String> {
        self.machine.mend();
        self.machine.kill();
        let (facts, acked) = self.facts(acked);
        let mut store = reopen(self.machine, &self.flow)?;
        judge(self.machine, &mut store, facts, acked, self.flow.tablet)?;
        // Something more is saved, and then the power goes.
        let mut promised: Vec<Fact> = facts[..acked].iter().filter(|f| !matches!(f, Fact::Setting(..))).cloned().collect();
        promised.extend(one_more(&mut store).map_err(|e| format!("after the error, nothing more can be saved: {e}"))?);
        self.machine.kill();
        drop(store);
        let mut platter = Platter::new(self.base.clone(), 512);
        self.machine.take_log().iter().for_each(|op| platter.play(op));
        for keep in [Keep::Nothing, Keep::Some(spread(n))] {
            open_and_judge(self.machine, &platter.image(keep), &promised, promised.len(), &self.flow)
                .map_err(|e| format!("after the error, one more entry and a power cut ({keep:?}): {e}"))?;
        }
        Ok(())
    }

    /// The disk full from call `n` on: an ordinary state that says so and goes when there is room.
    pub fn full(&mut self, n: u64) {
        let (acked, result) = self.play(n, Fault::Full);
        self.figure.add("positions at which the disk became full", 1);
        self.figure.add(&format!("ended as {}", result.as_ref().err().map_or("went on", StoreError::code)), 1);
        if let Err(why) = self.full_judged(acked, &result) {
            self.figure.failures.push(format!("flow {}, seed {}, full from call {n} of {}: {why}", self.flow.name, self.seed, self.calls));
        }
    }

    fn full_judged(&mut self, acked: usize, result: &Result<(), StoreError>) -> Result<(), String> {
        if let Err(e) = result
            && !e.is_disk_full()
        {
            return Err(format!("not told as a full disk but as {}: {e}", e.code()));
        }
        // Still full: what is there can be seen, or the words say why not.
        match Store::open(Path::new(FOLDER), self.machine.options()) {
            Ok(_) => self.figure.add("opened again while still full", 1),
            Err(e) if e.is_disk_full() => self.figure.add("said to be full when opened again", 1),
            Err(StoreError::HalfRestored) => self.figure.add("a half restore, said so", 1),
            Err(e) => return Err(format!("opened again while full: {}: {e}", e.code())),
        }
        self.machine.mend();
        let (facts, acked) = self.facts(acked);
        let mut store = reopen(self.machine, &self.flow)?;
        judge(self.machine, &mut store, facts, acked, self.flow.tablet)?;
        drop(store);
        // With room again, the same is done to its end.
        let mut play = Play::new(self.machine, self.seed);
        (self.flow.run)(&mut play).map_err(|e| format!("with room again, it fails: {e}"))?;
        let done = play.facts;
        let mut store = reopen(self.machine, &self.flow)?;
        judge(self.machine, &mut store, &done, done.len(), self.flow.tablet)
    }

    /// Walks every `stride`-th call from `first`, while there is time.
    pub fn walk(&mut self, first: u64, stride: u64, until: Option<Instant>, mut step: impl FnMut(&mut Self, u64)) {
        let mut n = first.max(1);
        while n <= self.calls && self.figure.failures.len() < 3 && until.is_none_or(|until| Instant::now() < until) {
            step(self, n);
            n += stride;
        }
    }
}

/// Saves one more entry of K4, and gives it as a promise.
fn one_more(store: &mut Store) -> Result<Vec<Fact>, StoreError> {
    let mut tx = super::play::author(store, 4, "K4")?.1;
    if tx.is_empty() {
        tx = k4(store)?.note("j1", "one more");
    }
    store.append(&tx)?;
    Ok(tx.into_iter().map(|s| Fact::Entry(Box::new(s))).collect())
}

/// After a sync that failed, the same store syncs nothing more, whatever is asked of it. Gives how many syncs of one save
/// were made to fail.
pub fn no_second_sync(figure: &mut Figure, machine: &Machine) {
    let mut kinds: BTreeMap<Kind, u64> = BTreeMap::new();
    for n in 1.. {
        machine.load(&Tree::default());
        let mut store = Store::open(Path::new(FOLDER), machine.options()).unwrap();
        let mut k4 = store::testkit::Author::new(4, "K4");
        store.append(&k4.begin()).unwrap();
        let (first, next, calls) = (k4.note("j1", "x"), k4.note("j1", "y"), machine.calls());
        machine.fail(n, Fault::Once);
        let result = store.photos().put(b"a photo").and_then(|_| store.append(&first));
        let Some((kind, _)) = machine.struck() else {
            assert!(result.is_ok() && machine.calls() > calls);
            break;
        };
        if !matches!(kind, Kind::Sync | Kind::SyncFolder) {
            continue;
        }
        *kinds.entry(kind).or_default() += 1;
        let syncs = machine.syncs();
        let stopped = |r: Result<(), StoreError>| matches!(r, Err(StoreError::Stopped(_)));
        let mut good = matches!(result, Err(StoreError::Stopped(_)));
        for _ in 0..3 {
            good &= stopped(store.append(&next)) && stopped(store.set_setting("a", "b")) && stopped(store.checkpoint());
            good &= stopped(store.photos().put(b"another").map(drop)) && stopped(store.jobs().map(drop));
        }
        if !good || machine.syncs() != syncs {
            figure.failures.push(format!("a sync was tried again after one failed (call {n}, {kind:?}): {result:?}"));
        }
        machine.kill();
    }
    figure.add("failed syncs after which nothing was synced again", kinds.values().sum());
}

/// What a disk that lies about every sync leaves.
pub fn lying(machine: &Machine, flow: Flow, seed: u64, most: u64, until: Option<Instant>) -> Figure {
    let lies = [store::testkit::machine::Lie::EverySync];
    let run = super::record::record(machine, flow, seed, &lies, false);
    let mut figure = Figure::default();
    let mut platter = Platter::new(run.base.clone(), 512);
    let (mut acked, mut done) = (run.given, 0);
    let share = (run.log.len() as u64).div_ceil(most).max(1);
    for (n, op) in run.log.iter().enumerate() {
        platter.play(op);
        if let Op::Ack(k) = op {
            acked = run.given + k;
        }
        let at = spread(seed ^ n as u64);
        if !at.is_multiple_of(share) || until.is_some_and(|until| Instant::now() >= until) {
            continue;
        }
        let units = platter.unsynced().max(1);
        let part = spread(at) as usize % units;
        for keep in [Keep::Nothing, Keep::First(part), Keep::Without(part), Keep::Some(at), Keep::Names] {
            done += 1;
            let what = lied(machine, &platter.image(keep), &run.facts, acked, &flow);
            match what {
                Ok(word) => figure.add(word, 1),
                Err(why) => {
                    figure.failures.push(format!("flow {}, seed {seed}, lying disk, after operation {n} ({keep:?}): {why}", flow.name));
                    return figure;
                }
            }
        }
    }
    figure.add("images of a disk that lied about every sync", done);
    figure
}

/// What became of the acknowledged on a disk that lied.
fn lied(machine: &Machine, image: &Tree, facts: &[Fact], acked: usize, flow: &Flow) -> Result<&'static str, String> {
    machine.load(image);
    let Ok(mut store) = reopen(machine, flow) else { return Ok("named when opened: the store says why it does not open") };
    let Ok(report) = store.verify() else { return Ok("named when opened: the store stops") };
    if !report.is_good() || (flow.tablet && report.photos_missing > 0) {
        return Ok("named by the check: it says what is wrong");
    }
    match judge(machine, &mut store, facts, acked, flow.tablet) {
        Ok(()) => Ok("nothing acknowledged is missing"),
        Err(why) => set_back(&store, facts, acked).map(|()| "set back to an earlier whole state").map_err(|w| format!("{why}; {w}")),
    }
}

/// The store is one of its own earlier states: of every series, what is missing is its end.
fn set_back(store: &Store, facts: &[Fact], acked: usize) -> Result<(), String> {
    let heads = store.heads().map_err(|e| e.to_string())?;
    for fact in &facts[..acked] {
        if let Fact::Entry(sealed) = fact {
            let there = store.entry(&sealed.hash).map_err(|e| e.to_string())?.is_some();
            if there != (sealed.entry.seq <= heads.seq(&sealed.entry.incarnation)) {
                return Err(format!("entry {} is missing in the middle and nothing says so", sealed.hash));
            }
        }
    }
    Ok(())
}
