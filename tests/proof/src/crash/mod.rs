//! Crash and disk: the real store on a disk that forgets, tears, lies, fails and fills up.

mod cuts;
mod exchange;
mod flows;
mod play;
mod record;

use crate::{Budget, Figure};
use cuts::{Depth, cut_flow, round};
use flows::{FLOWS, Flow};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;
use store::testkit::machine::Machine;

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

/// Images that one flow and sector size give in an ordinary run.
const SMALL_SHARE: u64 = 260;
/// Images of an ordinary run.
pub const SMALL_IMAGES: u64 = 5000;

/// Power cuts at every operation of every flow.
pub fn crash(budget: &Budget) -> Figure {
    let mut figure = Figure::default();
    let mut n = 0;
    while budget.more(figure.get("images of power cuts opened and judged"), SMALL_IMAGES) {
        let seed = round(budget, n);
        let tasks: Vec<(Flow, usize)> = [512, 4096].into_iter().flat_map(|sector| FLOWS.iter().map(move |f| (*f, sector))).collect();
        figure.join(spread_out(budget, &tasks, |(flow, sector)| {
            let depth = if budget.all {
                Depth { sector: *sector, whole: if n == 0 { 10 } else { 7 }, random: 64, most: u64::MAX, until: budget.until }
            } else {
                Depth { sector: *sector, whole: 6, random: 2, most: SMALL_SHARE, until: None }
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
    figure.notes.push("a write harms no bytes beside it within its sector, which SQLite assumes too; sectors of 512 and of 4096 bytes".into());
    figure
}
