//! A failing schedule made short: steps are left out as long as it still fails.

use crate::sim::parts::run;
use crate::sim::script::Script;
use crate::sim::world::Way;

/// What kind of wrong a sentence tells: its words without names, numbers and hashes.
pub fn kind(why: &str) -> String {
    let plain = |word: &&str| word.chars().all(|c| c.is_ascii_lowercase()) && word.len() < 20;
    why.split([' ', ':', ',', '.', ';']).filter(plain).take(12).collect::<Vec<_>>().join(" ")
}

/// The shortest schedule found that still goes wrong, within so many runs.
pub fn shrink(script: &Script, way: Way, runs: usize) -> Script {
    let mut best = script.clone();
    let mut left = runs;
    let Some((at, why)) = run(&best, way).wrong else { return best };
    best.ops.truncate(at + 1);
    let wanted = kind(&why);
    let mut fails = |candidate: &Script| {
        left = left.saturating_sub(1);
        left > 0 && run(candidate, way).wrong.is_some_and(|(_, why)| kind(&why) == wanted)
    };
    let mut piece = best.ops.len().div_ceil(2).max(1);
    loop {
        let mut from = 0;
        while from < best.ops.len() {
            let mut candidate = best.clone();
            candidate.ops.drain(from..(from + piece).min(best.ops.len()));
            if fails(&candidate) {
                best = candidate;
            } else {
                from += piece;
            }
        }
        if piece == 1 {
            break;
        }
        piece = piece.div_ceil(2);
    }
    for simpler in
        [Script { bad_net: 0, ..best.clone() }, Script { two_servers: false, ..best.clone() }, Script { tablets: 3, ..best.clone() }]
    {
        let merged = Script { ops: best.ops.clone(), ..simpler };
        if merged != best && fails(&merged) {
            best = merged;
        }
    }
    best
}
