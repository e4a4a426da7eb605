//! How much a part may do.

use std::time::{Duration, Instant};
use store::testkit::machine::spread;

/// How much a part may do. Randomness comes from the seed alone, so a run can be played again.
#[derive(Clone, Copy, Debug)]
pub struct Budget {
    /// Where all chance comes from.
    pub seed: u64,
    /// Cases to do at least; `None` leaves the part its own small count.
    pub count: Option<u64>,
    /// Go on after the count until then.
    pub until: Option<Instant>,
    /// Every point there is instead of a sample, where a part has a whole.
    pub all: bool,
}

impl Budget {
    /// What the ordinary tests do.
    pub const fn small() -> Self {
        Self { seed: 1, count: None, until: None, all: false }
    }

    /// Whatever fits into this time, and at least the small count.
    pub fn large(seed: u64, time: Duration) -> Self {
        Self { seed, count: None, until: Some(Instant::now() + time), all: true }
    }

    /// True while another case is to be done, `done` being done. `small` is the part's count in an ordinary run.
    pub fn more(&self, done: u64, small: u64) -> bool {
        done < self.count.unwrap_or(small) || self.until.is_some_and(|until| Instant::now() < until)
    }

    /// The seed of case `n`: well spread, the same in every run, and another for another seed of the budget.
    pub const fn case(&self, n: u64) -> u64 {
        spread(spread(self.seed).wrapping_add(n))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_seeds_of_a_budget_share_no_cases() {
        let cases = |seed| (0..1000).map(move |n| Budget { seed, ..Budget::small() }.case(n));
        let all: std::collections::BTreeSet<u64> = [1, 2, 7, 11, 1_790_000_000].into_iter().flat_map(cases).collect();
        assert_eq!(all.len(), 5000);
    }
}
