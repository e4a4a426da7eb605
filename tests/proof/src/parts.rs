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
        name: "sim",
        claim: "Whatever befalls tablets, servers, disks, network and clocks: nothing acknowledged is lost, and all who hold the same show the same.",
        weight: 12,
        run: crate::sim::sim_part,
    },
    Part { name: "determinism", claim: "A simulated world follows from its seed alone.", weight: 1, run: crate::sim::determinism_part },
    Part {
        name: "clocks",
        claim: "Clocks that jump by ten years or stand still change nothing that is shown but the times themselves.",
        weight: 3,
        run: crate::sim::clocks_part,
    },
    Part {
        name: "planted-sim",
        claim: "Bugs put into the simulator's own hands are noticed by its invariants.",
        weight: 1,
        run: crate::sim::planted_part,
    },
    Part {
        name: "hostile",
        claim: "Whatever bytes come in at any door, nothing panics, one meaning has one form, and nothing unsigned is accepted.",
        weight: 2,
        run: crate::hostile::part,
    },
    Part {
        name: "forged",
        claim: "Nothing forged or replayed is accepted, in any of 26 classes; every refusal says what it is; nothing that stands is lost or changed.",
        weight: 2,
        run: crate::forged::part,
    },
    Part {
        name: "images",
        claim: "A picture meant to harm is kept byte for byte or refused with a reason, within bounds of memory; the program lives.",
        weight: 1,
        run: crate::images::part,
    },
    Part {
        name: "uploads",
        claim: "A photo that comes in pieces, cut at any byte, repeated, reordered or lied about, appears once and byte for byte, or not at all.",
        weight: 1,
        run: crate::uploads::part,
    },
    Part {
        name: "flips",
        claim: "Any single flipped byte of a store's database, of its log or of a photo is told with what is safe and what to do, or changes nothing; no other value is ever shown as good.",
        weight: 2,
        run: crate::flips::part,
    },
    Part {
        name: "crash",
        claim: "A power cut at any operation of fourteen flows, with any part of the unsynced writes kept, torn or zeroed, loses nothing that was acknowledged, and the store opens sound; so after a kill and a second cut.",
        weight: 10,
        run: crate::crash::crash,
    },
    Part {
        name: "io-errors",
        claim: "An I/O error at any call of any flow, once or from then on, ends in a plain sentence, loses nothing acknowledged, and what is saved after the next start outlives a power cut.",
        weight: 3,
        run: crate::crash::io_errors,
    },
    Part {
        name: "disk-full",
        claim: "A disk that becomes full at any call of any flow is told as such, loses nothing acknowledged, and is over when there is room.",
        weight: 2,
        run: crate::crash::disk_full,
    },
    Part {
        name: "lying-sync",
        claim: "A disk that says every sync is done and does none is named when the store is opened or checked, or the store is one of its own earlier whole states.",
        weight: 1,
        run: crate::crash::lying_sync,
    },
    Part {
        name: "kills",
        claim: "What a process said it had saved before it was killed is there when the store is opened again.",
        weight: 3,
        run: crate::crash::kills,
    },
    Part {
        name: "planted-disk",
        claim: "Bugs planted on purpose under the store, such as a sync that is left out, are caught by the power cuts.",
        weight: 1,
        run: crate::crash::planted_disk,
    },
];
