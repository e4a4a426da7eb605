//! A flow played once, with all that it did written down.

use super::flows::Flow;
use super::play::{FOLDER, Fact, Play, all_entries};
use std::collections::BTreeSet;
use std::path::Path;
use store::Store;
use store::testkit::machine::{Lie, Machine, Op, Tree};

/// A flow played to its end without a fault.
pub struct Recording {
    /// The flow.
    pub flow: Flow,
    /// Its seed.
    pub seed: u64,
    /// What was on the disk before, all of it durable.
    pub base: Tree,
    /// What was done.
    pub log: Vec<Op>,
    /// What was acknowledged: first all that was there before, then in order.
    pub facts: Vec<Fact>,
    /// How many facts were there before.
    pub given: usize,
}

/// What is on the disk before a flow, and what of it counts as acknowledged.
pub fn before(machine: &Machine, flow: Flow, seed: u64) -> (Tree, Vec<Fact>) {
    machine.load(&Tree::default());
    let mut play = Play::new(machine, seed);
    (flow.before)(&mut play).unwrap_or_else(|e| panic!("flow {}, seed {seed}: {e}", flow.name));
    let mut facts = play.facts;
    machine.kill();
    let base = machine.image();
    if base.read(&Path::new(FOLDER).join("journal.sqlite")).is_some() {
        // Looked at in a copy: the flow begins with the disk as it was left.
        let store = Store::open(Path::new(FOLDER), machine.options()).expect("what was there before opens");
        let entries = all_entries(&store).expect("and can be read");
        let photos: BTreeSet<_> = store.photos_without_receipt().expect("and its photos").into_iter().collect();
        facts.extend(entries.into_iter().map(|s| Fact::Entry(Box::new(s))));
        facts.extend(photos.into_iter().map(Fact::Photo));
        machine.kill();
    }
    (base, facts)
}

/// Plays a flow once and writes down what it does.
pub fn record(machine: &Machine, flow: Flow, seed: u64, lies: &[Lie], hasty: bool) -> Recording {
    let (base, mut facts) = before(machine, flow, seed);
    let given = facts.len();
    machine.load(&base);
    lies.iter().for_each(|lie| machine.lie(*lie));
    machine.record();
    let mut play = Play::new(machine, seed);
    play.hasty = hasty;
    (flow.run)(&mut play).unwrap_or_else(|e| panic!("flow {}, seed {seed}: {e}", flow.name));
    facts.append(&mut play.facts);
    Recording { flow, seed, base, log: machine.take_log(), facts, given }
}

/// An operation in words.
pub fn words(op: &Op) -> String {
    match op {
        Op::Write { file, at, bytes } => format!("write of {} bytes at {at} of file {file}", bytes.len()),
        Op::Truncate { file, len } => format!("cutting file {file} to {len}"),
        Op::Link { name, .. } => format!("making {name}"),
        Op::Unlink { name, .. } => format!("removing {name}"),
        Op::Rename { to, .. } => format!("renaming to {}", to.1),
        Op::Sync { file } | Op::SyncFailed { file } => format!("sync of file {file}"),
        Op::SyncFolder { folder } => format!("sync of folder {folder}"),
        Op::Ack(n) => format!("acknowledgement {n}"),
    }
}
