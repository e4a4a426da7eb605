//! The simulator: whole worlds of tablets and servers from one number.

pub mod bodies;
mod check;
mod clock;
mod drive;
mod exchange;
mod faults;
pub mod folds;
mod hostile;
mod masked;
mod model;
mod node;
mod parts;
mod people;
pub mod planted;
pub mod rng;
mod screen;
pub mod script;
pub mod shrink;
mod site;
mod wire;
pub mod world;

pub use parts::{Ran, clocks_part, determinism_part, planted_part, replay, run, sim_part};

use crate::{Budget, Figure};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Instant;

/// Runs cases on two threads until the budget is spent. `case` gets its seed and counts into a figure; what it gives is
/// what went wrong. `what` is the count that the budget is about, `small` how much of it an ordinary run does.
pub fn two_threads(budget: &Budget, what: &str, small: u64, case: impl Fn(u64, &mut Figure) -> Option<String> + Sync) -> Figure {
    let (next, done, stop) = (AtomicU64::new(0), AtomicU64::new(0), AtomicBool::new(false));
    let all = Mutex::new(Figure::default());
    let work = || {
        let (start, mut figure) = (Instant::now(), Figure::default());
        while budget.more(done.load(Ordering::Relaxed), small) && !stop.load(Ordering::Relaxed) {
            let n = next.fetch_add(1, Ordering::Relaxed);
            // The first case is the seed itself, so that a failure is played again by its own number.
            let seed = if n == 0 { budget.seed } else { budget.case(n) };
            let before = figure.get(what);
            if let Some(wrong) = case(seed, &mut figure) {
                figure.failures.push(format!("{wrong}; again: --seed {seed} --count 1"));
                stop.store(figure.failures.len() >= 10, Ordering::Relaxed);
            }
            done.fetch_add(figure.get(what) - before, Ordering::Relaxed);
        }
        figure.cpu_s = start.elapsed().as_secs_f64();
        all.lock().unwrap().join(figure);
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        work();
    });
    all.into_inner().unwrap()
}
