//! The list of parts. Whoever adds a part adds a line here; the tests, the command and the figures follow.

use crate::{Budget, Figure};

/// One claim and what proves it.
pub struct Part {
    /// Short name, for the command line.
    pub name: &'static str,
    /// The claim, as a sentence that can be false.
    pub claim: &'static str,
    /// Its share of the time of a large run.
    pub weight: u32,
    /// Proves it, on as many threads as it likes.
    pub run: fn(&Budget) -> Figure,
}

/// All of them.
pub static PARTS: &[Part] = &[];
