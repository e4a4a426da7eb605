//! Entries that were forged or replayed, class by class, against the real chain, store, receipts and certificates: none is
//! accepted, every refusal says what it is, and nothing that stands is lost or changed.

mod classes;
pub mod vectors;
mod world;

use crate::sim::rng::Rng;
use crate::{Budget, Figure};
use classes::CLASSES;
pub use classes::plus_order;
use std::time::Instant;
use world::World;

/// Tries of each class before the store is made anew, so that what is kept apart does not slow the rest.
const ROUND: u64 = 100;

/// Part `forged`: every class as often as the budget says, in rounds on a store that is then checked whole.
pub fn part(budget: &Budget) -> Figure {
    let start = Instant::now();
    let mut figure = Figure::default();
    let mut tries = 0;
    while budget.more(tries, ROUND) && figure.failures.len() < 10 {
        let seed = if tries == 0 { budget.seed } else { budget.case(tries) };
        let each = budget.count.unwrap_or(ROUND).saturating_sub(tries).clamp(1, ROUND);
        if let Err(wrong) = round(seed, each, &mut figure) {
            figure.failures.push(format!("{wrong}; again: --seed {seed} --count {each}"));
        }
        tries += each;
    }
    figure.add("classes", CLASSES.len() as u64);
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure
}

fn round(seed: u64, each: u64, figure: &mut Figure) -> Result<(), String> {
    let mut world = World::new();
    let (mut rng, entries) = (Rng::new(seed), world.all.clone());
    let mut before = world.store.state_bytes().map_err(|e| e.to_string())?;
    for n in 0..each {
        for class in CLASSES {
            let reason = (class.run)(&mut world, &mut rng).map_err(|e| format!("{}, try {n}: {e}", class.name))?;
            if !class.says.split('|').any(|words| reason.contains(words)) {
                return Err(format!("{}, try {n}: refused as {reason:?}, not as {:?}", class.name, class.says));
            }
            let after = world.store.state_bytes().map_err(|e| e.to_string())?;
            // What is kept apart has a head of its own; what is shown was compared by the try.
            if class.says != "kept apart" && after != before {
                return Err(format!("{}, try {n}: what stands has changed", class.name));
            }
            before = after;
            figure.add("forged or replayed, none accepted", 1);
        }
    }
    for sealed in &entries {
        if world.store.entry(&sealed.hash).ok().flatten().is_none_or(|s| s.bytes != sealed.bytes) {
            return Err(format!("entry {} of series {} is lost", sealed.entry.seq, sealed.entry.incarnation));
        }
        figure.add("entries found untouched afterwards", 1);
    }
    let kept = world.store.quarantine().map_err(|e| e.to_string())?;
    if kept.is_empty() || kept.iter().any(|q| q.reason.is_empty() || q.settled) {
        return Err("what was refused is not told".into());
    }
    figure.add("refused and kept with the reason", kept.len() as u64);
    let report = world.store.verify().map_err(|e| e.to_string())?;
    if report.is_good() { Ok(()) } else { Err(format!("the store does not verify: {:?}", report.faults)) }
}
