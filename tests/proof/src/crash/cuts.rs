//! Power cuts: every operation of a recording, every way to keep what was not synced.

use super::flows::Flow;
use super::play::{FOLDER, Fact, Play, all_entries, open_and_judge, reopen};
use super::record::{Recording, record, words};
use crate::{Budget, Figure};
use std::collections::HashSet;
use std::path::Path;
use std::time::Instant;
use store::testkit::machine::{Keep, Lie, Machine, Op, Platter, Tree, spread};
use store::{Size, Store};

/// How thoroughly a recording is cut.
#[derive(Clone, Copy, Debug)]
pub struct Depth {
    /// Bytes that the disk cannot tear.
    pub sector: usize,
    /// Up to so many unsynced units every subset is tried.
    pub whole: usize,
    /// Random subsets at each cut beyond that.
    pub random: u64,
    /// About so many images of the recording; all of them where there are no more.
    pub most: u64,
    /// Stop by then.
    pub until: Option<Instant>,
}

/// Cuts the power in a recorded flow and judges what is left. Stops at the first failures.
pub struct Cutter<'a> {
    machine: &'a Machine,
    again: Machine,
    run: &'a Recording,
    depth: Depth,
    seen: HashSet<([u8; 32], usize)>,
    /// What was counted.
    pub figure: Figure,
    images: u64,
    /// Images of second cuts and of cuts after a kill.
    more: u64,
}

const ENOUGH_FAILURES: usize = 3;

impl<'a> Cutter<'a> {
    /// Over this recording, with this machine to open the images on.
    pub fn new(machine: &'a Machine, run: &'a Recording, depth: Depth) -> Self {
        Self { machine, again: Machine::new(), run, depth, seen: HashSet::new(), figure: Figure::default(), images: 0, more: 0 }
    }

    /// Images judged.
    pub const fn images(&self) -> u64 {
        self.images + self.more
    }

    /// Facts acknowledged once `n` operations were done.
    fn acked(&self, n: usize) -> usize {
        let last = self.run.log[..n].iter().rev().find_map(|op| if let Op::Ack(k) = op { Some(*k) } else { None });
        self.run.given + last.unwrap_or(0)
    }

    fn over(&self) -> bool {
        self.figure.failures.len() >= ENOUGH_FAILURES || self.depth.until.is_some_and(|until| Instant::now() >= until)
    }

    /// How many images there would be in all.
    fn count(&self) -> u64 {
        let mut platter = Platter::new(self.run.base.clone(), self.depth.sector);
        let mut n = 0;
        for op in &self.run.log {
            n += platter.keeps(self.depth.whole, self.depth.random, 0).len() as u64;
            platter.play(op);
        }
        n
    }

    /// Walks the log: at each operation, the cuts before it.
    pub fn walk(&mut self) {
        let share = self.count().div_ceil(self.depth.most).max(1);
        let mut platter = Platter::new(self.run.base.clone(), self.depth.sector);
        for n in 0..=self.run.log.len() {
            let kills = share == 1 || spread(seed_of(self.run.seed, n)).is_multiple_of(12);
            let changes = n == 0 || !matches!(self.run.log[n - 1], Op::Ack(_));
            let seed = spread(seed_of(self.run.seed, n));
            let acked = self.acked(n);
            for (k, keep) in platter.keeps(self.depth.whole, self.depth.random, seed).into_iter().enumerate() {
                // At every operation none or all is tried; of the others as many as there is room for.
                let often = self.depth.sector == 512 || n % 4 < 2;
                let always = k < 2 && (share == 1 || (n % 2 == k && often));
                if !always && !spread(seed ^ k as u64).is_multiple_of(share) {
                    continue;
                }
                if self.over() {
                    return;
                }
                self.cut(&platter, n, keep, acked);
            }
            if changes {
                self.figure.add("operations cut before", 1);
                if kills {
                    self.kill(&platter, n, acked);
                }
            }
            if let Some(op) = self.run.log.get(n) {
                platter.play(op);
            }
        }
    }

    fn at(&self, n: usize) -> String {
        let next = self.run.log.get(n).map_or("the end".to_owned(), words);
        format!(
            "flow {}, seed {}, sectors of {} bytes, before operation {n} ({next})",
            self.run.flow.name, self.run.seed, self.depth.sector
        )
    }

    fn cut(&mut self, platter: &Platter, n: usize, keep: Keep, acked: usize) {
        let image = platter.image(keep);
        self.figure.add("power cuts tried", 1);
        if !self.seen.insert((image.digest(), acked)) {
            self.figure.add("of these the same image and the same promises as an earlier one", 1);
            return;
        }
        self.images += 1;
        let result = open_and_judge(self.machine, &image, &self.run.facts, acked, &self.run.flow).and_then(|store| match self.images % 8 {
            0 => self.three_times(store),
            4 if self.depth.most == u64::MAX || self.images % 16 == 4 => self.cut_again(&image, n, acked, store),
            _ => Ok(()),
        });
        if let Err(why) = result {
            self.figure.failures.push(format!("{}, {keep:?} of {} unsynced: {why}", self.at(n), platter.unsynced()));
        }
    }

    /// Opening again and again changes nothing.
    fn three_times(&mut self, store: Store) -> Result<(), String> {
        self.figure.add("opened three times in a row", 1);
        let state = store.state_bytes().map_err(|e| e.to_string())?;
        drop(store);
        let files = |machine: &Machine| machine.image().digest();
        let first = files(self.machine);
        for _ in 0..2 {
            let store = Store::open(Path::new(FOLDER), self.machine.options()).map_err(|e| format!("does not open again: {e}"))?;
            if store.state_bytes().map_err(|e| e.to_string())? != state {
                return Err("opened again, it shows something else".into());
            }
            drop(store);
            if files(self.machine) != first {
                return Err("opened and closed again, other files are left".into());
            }
        }
        Ok(())
    }

    /// A second cut while the store recovers from the first.
    fn cut_again(&mut self, image: &Tree, n: usize, acked: usize, store: Store) -> Result<(), String> {
        drop(store);
        self.machine.load(image);
        self.machine.record();
        drop(reopen(self.machine, &self.run.flow));
        let log = self.machine.take_log();
        let seed = spread(self.run.seed ^ (n as u64) << 20 ^ self.images);
        let mut platter = Platter::new(image.clone(), self.depth.sector);
        for (m, op) in log.iter().enumerate() {
            platter.play(op);
            let keeps = platter.keeps(0, 2, seed);
            let keep = keeps[spread(seed ^ m as u64) as usize % keeps.len()];
            if !spread(seed.wrapping_add(m as u64)).is_multiple_of(log.len() as u64 / 6 + 1) {
                continue;
            }
            self.figure.add("second power cuts while recovering", 1);
            self.more += 1;
            open_and_judge(self.machine, &platter.image(keep), &self.run.facts, acked, &self.run.flow)
                .map_err(|why| format!("and again while recovering, after {} ({keep:?}): {why}", words(op)))?;
        }
        Ok(())
    }

    /// The program is killed, the system goes on; the store is opened again, shows what it finds, and then the power goes:
    /// all that was shown must still be there.
    fn kill(&mut self, platter: &Platter, n: usize, acked: usize) {
        if platter.unsynced() == 0 || self.over() {
            return;
        }
        self.figure.add("killed, opened again, then the power cut", 1);
        if let Err(why) = self.killed(platter.clone(), acked, n) {
            self.figure.failures.push(format!("{}, killed, then the power cut: {why}", self.at(n)));
        }
    }

    fn killed(&mut self, mut platter: Platter, acked: usize, n: usize) -> Result<(), String> {
        let flow = self.run.flow;
        self.again.load(&platter.image(Keep::All));
        self.again.record();
        let opened = reopen(&self.again, &flow)?;
        // Local state may be what was being written; all else that is shown is a promise now.
        let mut facts: Vec<Fact> = self.run.facts[..acked].iter().filter(|f| !matches!(f, Fact::Setting(..))).cloned().collect();
        facts.extend(all_entries(&opened).map_err(|e| e.to_string())?.into_iter().map(|s| Fact::Entry(Box::new(s))));
        for photo in self.run.facts.iter().filter_map(|f| if let Fact::Photo(photo) = f { Some(*photo) } else { None }) {
            if opened.photos().bytes(&photo, Size::Full).map_err(|e| e.to_string())?.is_some() {
                facts.push(Fact::Photo(photo));
            }
        }
        let seed = spread(self.run.seed ^ n as u64);
        if seed.is_multiple_of(4) {
            // Done again to its end by whoever was cut off; the programs are left running.
            drop(opened);
            let mut play = Play::new(&self.again, self.run.seed);
            (flow.run)(&mut play).map_err(|e| format!("done again, it fails: {e}"))?;
            facts.extend(play.facts.into_iter().filter(|f| !matches!(f, Fact::Setting(..))));
        } else {
            self.again.kill();
            drop(opened);
        }
        self.again.take_log().iter().for_each(|op| platter.play(op));
        for keep in [Keep::Nothing, Keep::Some(seed)] {
            self.more += 1;
            open_and_judge(&self.again, &platter.image(keep), &facts, facts.len(), &flow).map_err(|e| format!("{keep:?}: {e}"))?;
        }
        Ok(())
    }
}

const fn seed_of(seed: u64, n: usize) -> u64 {
    seed ^ (n as u64) << 20
}

/// One flow, recorded and cut.
pub fn cut_flow(machine: &Machine, flow: Flow, seed: u64, depth: Depth) -> (Figure, u64) {
    let run = record(machine, flow, seed, &[], false);
    let mut cutter = Cutter::new(machine, &run, depth);
    cutter.walk();
    let images = cutter.images();
    let mut figure = cutter.figure;
    figure.add("images of power cuts opened and judged", images);
    figure.add(&format!("images of flow {}", flow.name), images);
    (figure, images)
}

/// Cuts a flow in which a bug is planted, until it is caught; gives after how many images, or `None`.
pub fn caught(machine: &Machine, flow: Flow, seed: u64, lies: &[Lie], hasty: bool, depth: Depth) -> Option<(u64, String)> {
    let run = record(machine, flow, seed, lies, hasty);
    let mut cutter = Cutter::new(machine, &run, depth);
    cutter.walk();
    cutter.figure.failures.first().cloned().map(|why| (cutter.images(), why))
}

/// The seed of round `n`: the first one is the budget's own, so that a failure's seed can be given back.
pub const fn round(budget: &Budget, n: u64) -> u64 {
    if n == 0 { budget.seed } else { budget.case(n) }
}
