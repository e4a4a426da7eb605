//! Every single flipped byte of a small store and of a photo is told, or proven to change nothing.

mod work;

use crate::{Budget, Figure};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;
use work::{Bench, Outcome, Which};

/// Flips of an ordinary run, over the three files.
const SMALL: u64 = 300;

/// The part.
pub fn part(budget: &Budget) -> Figure {
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let next = AtomicUsize::new(0);
    let mut figure = Figure::default();
    std::thread::scope(|scope| {
        let hands: Vec<_> = (0..threads).map(|_| scope.spawn(|| hand(budget, &next))).collect();
        hands.into_iter().for_each(|hand| figure.join(hand.join().expect("a hand does not panic")));
    });
    figure.notes.push("One byte at a time; a disk that changes several that fit each other on purpose is a forger, not a fault.".into());
    figure
}

/// Takes flips from the common row until there are no more.
fn hand(budget: &Budget, next: &AtomicUsize) -> Figure {
    let start = Instant::now();
    let bench = Bench::new();
    let mut figure = Figure::default();
    let all = row(&bench);
    loop {
        let n = next.fetch_add(1, Ordering::Relaxed);
        if !budget.more(n as u64, SMALL) || (budget.all && n >= all.len() * 2) {
            break;
        }
        // In a large run every place in turn, both ways; else places spread by chance over all of them.
        let (which, at) = if budget.all { all[n / 2] } else { all[(budget.case(n as u64) % all.len() as u64) as usize] };
        let mask = if n.is_multiple_of(2) { 0xff } else { 1 << ((budget.case(n as u64) >> 32) % 8) };
        figure.add(&format!("flips in the {}", name(which)), 1);
        match bench.flip(which, at, mask) {
            Ok(Outcome::Refused) => figure.add("flips after which the store is not opened, and says why", 1),
            Ok(Outcome::Reported) => figure.add("flips that the check reports with their place", 1),
            Ok(Outcome::Noticed) => figure.add("flips that the check tells as a last save that may be missing", 1),
            Ok(Outcome::Harmless) => figure.add("flips in bytes that hold nothing: the same entries, signatures and views", 1),
            Err(why) => figure.failures.push(why),
        }
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure
}

fn name(which: Which) -> &'static str {
    match which {
        Which::Database => "database",
        Which::Log => "write-ahead log",
        Which::Photo => "photo",
    }
}

/// Every byte of the three files.
fn row(bench: &Bench) -> Vec<(Which, usize)> {
    [Which::Photo, Which::Log, Which::Database].into_iter().flat_map(|which| (0..bench.len(which)).map(move |at| (which, at))).collect()
}
