//! What a part counted.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What a part counted, as it goes into `docs/figures.md`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// Name of the part.
    pub part: String,
    /// The numbers, each with its words: `images of power cuts` -> 12,000.
    pub counts: BTreeMap<String, u64>,
    /// What went wrong, each with the seed that plays it again. Empty where the claim holds.
    pub failures: Vec<String>,
    /// Time it took, all threads together, in seconds.
    pub cpu_s: f64,
    /// What a reader must know beside the numbers, e.g. what the part does not cover.
    pub notes: Vec<String>,
}

impl Figure {
    /// Adds to a count.
    pub fn add(&mut self, what: &str, n: u64) {
        *self.counts.entry(what.to_owned()).or_default() += n;
    }

    /// One count, 0 where nothing was counted.
    pub fn get(&self, what: &str) -> u64 {
        self.counts.get(what).copied().unwrap_or(0)
    }

    /// Puts another thread's counts to these.
    pub fn join(&mut self, other: Self) {
        for (what, n) in other.counts {
            self.add(&what, n);
        }
        self.failures.extend(other.failures);
        self.cpu_s += other.cpu_s;
        for note in other.notes {
            if !self.notes.contains(&note) {
                self.notes.push(note);
            }
        }
    }
}
