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
pub static PARTS: &[Part] = &[
    Part {
        name: "oracle",
        claim: "What the fold shows of a job is what a second, naive reading of its entries says, in any order of arrival.",
        weight: 3,
        run: crate::sim::folds::oracle_part,
    },
    Part {
        name: "orders",
        claim: "Every order in which the entries of small journals can be interleaved gives one and the same view.",
        weight: 1,
        run: crate::sim::folds::orders_part,
    },
    Part {
        name: "hostile",
        claim: "Whatever bytes come in at any door, nothing panics, one meaning has one form, and nothing unsigned is accepted.",
        weight: 2,
        run: crate::hostile::part,
    },
    Part {
        name: "images",
        claim: "A picture meant to harm is kept byte for byte or refused with a reason, within bounds of memory; the program lives.",
        weight: 1,
        run: crate::images::part,
    },
    Part {
        name: "flips",
        claim: "Any single flipped byte of a store's database, of its log or of a photo is told with what is safe and what to do, or changes nothing; no other value is ever shown as good.",
        weight: 2,
        run: crate::flips::part,
    },
];
