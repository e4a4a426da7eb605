//! Crash and disk: the real store on a disk that forgets, tears, lies, fails and fills up.

mod cuts;
mod exchange;
mod faults;
mod flows;
mod kills;
mod play;
mod record;

use crate::{Budget, Figure};
use cuts::{Depth, cut_flow, round};
use flows::{FLOWS, Flow};
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;
use store::testkit::machine::{Fault, Lie, Machine, spread};

pub use kills::{child, kills, kills_by};

/// Runs `work` for every item, on as many threads as there are cores for a large run, on one for a small.
fn spread_out<T: Sync>(budget: &Budget, items: &[T], work: impl Fn(&T) -> Figure + Sync) -> Figure {
    let threads = if budget.all { std::thread::available_parallelism().map_or(1, usize::from) } else { 1 };
    let (next, sum) = (AtomicU64::new(0), Mutex::new(Figure::default()));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                let start = Instant::now();
                let mut mine = Figure::default();
                while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed) as usize) {
                    mine.join(work(item));
                }
                mine.cpu_s += start.elapsed().as_secs_f64();
                sum.lock().unwrap().join(mine);
            });
        }
    });
    sum.into_inner().unwrap()
}

/// Images of an ordinary run.
pub const SMALL_IMAGES: u64 = 5000;

/// Power cuts at every operation of every flow.
pub fn crash(budget: &Budget) -> Figure {
    let mut figure = Figure::default();
    let mut n = 0;
    while budget.more(figure.get(IMAGES), SMALL_IMAGES) {
        let seed = round(budget, n);
        let tasks: Vec<(Flow, usize)> = [512, 4096].into_iter().flat_map(|sector| FLOWS.iter().map(move |f| (*f, sector))).collect();
        // Each operation's own cuts, the second cuts and those after a kill come on top.
        let share = budget.count.unwrap_or(SMALL_IMAGES) / tasks.len() as u64 / 4 + 20;
        figure.join(spread_out(budget, &tasks, |(flow, sector)| {
            let depth = if budget.all {
                Depth { sector: *sector, whole: if n == 0 { 10 } else { 7 }, random: 64, most: u64::MAX, until: budget.until }
            } else {
                Depth { sector: *sector, whole: 6, random: 2, most: share, until: None }
            };
            cut_flow(&Machine::new(), *flow, seed, depth).0
        }));
        n += 1;
        if !figure.failures.is_empty() {
            break;
        }
    }
    figure.add("rounds, each with other sizes and another course of every flow", n);
    figure.notes.push(format!("flows: {}", FLOWS.iter().map(|f| f.name).collect::<Vec<_>>().join(", ")));
    figure
        .notes
        .push("a write harms no bytes beside it within its sector, which SQLite assumes too; sectors of 512 and of 4096 bytes".into());
    figure
}

/// The count that a large run is measured by.
pub const IMAGES: &str = "images of power cuts opened and judged";

/// Every `stride`-th call of a flow in an ordinary run; all of them in a large one.
fn walk_calls(budget: &Budget, small: u64, step: impl Fn(&mut faults::Walk<'_>, u64) + Sync) -> Figure {
    let mut figure = Figure::default();
    let mut rounds = 0;
    while rounds == 0 || budget.until.is_some_and(|until| Instant::now() < until) {
        let seed = round(budget, rounds);
        let share = budget.count.unwrap_or(small).div_ceil(FLOWS.len() as u64).max(1);
        figure.join(spread_out(budget, FLOWS, |flow| {
            let machine = Machine::new();
            let mut walk = faults::Walk::new(&machine, *flow, seed);
            let stride = if budget.all { 1 } else { walk.calls().div_ceil(share).max(1) };
            let first = 1 + spread(seed) % stride;
            walk.walk(first, stride, budget.until, |walk, n| step(walk, n));
            walk.figure.add(&format!("calls of flow {}", flow.name), walk.calls());
            std::mem::take(&mut walk.figure)
        }));
        rounds += 1;
        if !figure.failures.is_empty() {
            break;
        }
    }
    figure
}

/// An I/O error at every call of every flow: once, from then on, and half done.
pub fn io_errors(budget: &Budget) -> Figure {
    let mut figure = walk_calls(budget, 300, |walk, n| {
        let faults = [Fault::Once, Fault::FromThenOn, Fault::Half];
        if budget.all {
            faults.into_iter().for_each(|fault| walk.error(n, fault));
        } else {
            walk.error(n, faults[spread(n) as usize % 3]);
        }
    });
    faults::no_second_sync(&mut figure, &Machine::new());
    figure
}

/// A disk that becomes full at every call of every flow.
pub fn disk_full(budget: &Budget) -> Figure {
    walk_calls(budget, 560, |walk, n| walk.full(n))
}

/// Disks that say every sync is done and do none.
pub fn lying_sync(budget: &Budget) -> Figure {
    let mut figure = Figure::default();
    let mut n = 0;
    while budget.more(figure.get("images of a disk that lied about every sync"), 500) {
        let seed = round(budget, n);
        let most = if budget.all { 400 } else { 9 };
        figure.join(spread_out(budget, FLOWS, |flow| faults::lying(&Machine::new(), *flow, seed, most, budget.until)));
        n += 1;
        if !figure.failures.is_empty() {
            break;
        }
    }
    figure.notes.push(
        "A disk that drops the newest whole transactions and all that was written with them leaves the store as it was before them: nothing on that disk can tell. The trailer tells at the next sync where it holds more of the tablet's series than the tablet does; such a tablet begins a new series.".into(),
    );
    figure
}

/// A bug that is planted in the layer below the store, or in the flow.
struct Planted {
    what: &'static str,
    flow: &'static str,
    lies: &'static [Lie],
    hasty: bool,
}

const fn planted(what: &'static str, flow: &'static str, lies: &'static [Lie]) -> Planted {
    Planted { what, flow, lies, hasty: false }
}

static PLANTED: &[Planted] = &[
    planted("the log is not synced at a commit", "save", &[Lie::SyncOfEnding("-wal")]),
    planted("the database is not synced before the log is used again", "save", &[Lie::SyncOfEnding("journal.sqlite")]),
    Planted { what: "acknowledged before the commit", flow: "save", lies: &[], hasty: true },
    planted("a photo's bytes are not synced", "photo", &[Lie::SyncOf("/photos/")]),
    planted("a photo's folder is not synced", "photo", &[Lie::FolderOf("/photos/")]),
    planted("a photo is renamed before its bytes are synced", "photo", &[Lie::SyncAfterRename("tmp")]),
    planted("an uploaded piece is not synced", "sync in", &[Lie::SyncOf("/part/")]),
    planted("the store's own folder is not synced", "begin", &[Lie::FolderOf("/data")]),
    planted("a backup's photos are not synced", "backup", &[Lie::SyncOf("/backup/photos/")]),
    planted("a backup's name is not synced", "backup", &[Lie::FolderOf("/data/backup")]),
    planted("an export is not synced", "export", &[Lie::SyncOf("out.tar")]),
    planted("restored photos are not synced", "restore", &[Lie::SyncOf("/store/photos/")]),
];

/// Bugs planted on purpose: each must be caught by the power cuts.
pub fn planted_disk(budget: &Budget) -> Figure {
    let tasks: Vec<&Planted> = PLANTED.iter().collect();
    let caught: Mutex<BTreeMap<&str, u64>> = Mutex::default();
    let mut figure = spread_out(budget, &tasks, |bug| {
        let mut figure = Figure::default();
        let flow = *FLOWS.iter().find(|f| f.name == bug.flow).expect("a flow of that name");
        figure.add("bugs planted", 1);
        for n in 0..20 {
            let depth = Depth { sector: 512, whole: 6, random: 4, most: 500, until: None };
            if let Some((images, _)) = cuts::caught(&Machine::new(), flow, round(budget, n), bug.lies, bug.hasty, depth) {
                figure.add("bugs caught", 1);
                caught.lock().unwrap().insert(bug.what, n * 500 + images);
                return figure;
            }
        }
        figure.failures.push(format!("planted and not caught: {} (flow {}, seed {})", bug.what, bug.flow, budget.seed));
        figure
    });
    for (what, images) in caught.into_inner().unwrap() {
        figure.notes.push(format!("{what}: caught within {images} images"));
    }
    figure
}
