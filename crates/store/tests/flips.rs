//! Single flipped bytes over the whole of a small store: each is told, or changes nothing. The proofs try every byte.
#![allow(clippy::unwrap_used, missing_docs)]

#[path = "../../../tests/proof/src/flips/work.rs"]
mod work;

use std::collections::BTreeMap;
use work::{Bench, Outcome, Which};

/// Flips of each file in an ordinary run; `TUBEWRIGHT_ALL_FLIPS` in the environment tries every byte.
const SAMPLE: usize = 100;

#[test]
fn a_flipped_byte_is_told_or_changes_nothing() {
    let bench = Bench::new();
    let all = std::env::var_os("TUBEWRIGHT_ALL_FLIPS").is_some();
    let mut wrong = Vec::new();
    for which in [Which::Photo, Which::Log, Which::Database] {
        let len = bench.len(which);
        // A step that shares nothing with the size of a page, so that all offsets within pages come up.
        let step = if all { 1 } else { (len / SAMPLE).max(1) | 1 };
        let mut tally: BTreeMap<Outcome, usize> = BTreeMap::new();
        for (n, at) in (0..len).step_by(step).enumerate() {
            let bit = 1_u8 << ((at * 7 + n) % 8);
            for mask in if n % 2 == 0 || all { vec![0xff, bit] } else { vec![bit] } {
                match bench.flip(which, at, mask) {
                    Ok(outcome) => *tally.entry(outcome).or_default() += 1,
                    Err(why) => wrong.push(why),
                }
            }
        }
        println!("{which:?} of {len} bytes: {tally:?}");
        if which != Which::Database {
            assert_eq!(tally.get(&Outcome::Harmless), None, "every byte of it holds something");
        }
    }
    wrong.iter().take(40).for_each(|why| println!("WRONG {why}"));
    assert!(wrong.is_empty(), "{} flips were not told", wrong.len());
}
