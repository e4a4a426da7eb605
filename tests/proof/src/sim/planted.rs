//! Bugs put into the simulator's own hands, to see that its invariants notice them.

/// A planted bug.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Planted {
    /// The server overlooks entries at places it has already: a fork is not kept.
    IgnoreFork,
    /// A tablet forgets to say what a correction corrects.
    DropBasis,
    /// Where two answers stand, the screen shows the newest alone.
    LastWins,
    /// Two answers are put into the order of the wall clocks.
    ByClock,
    /// What was settled stays settled whatever comes after.
    ForgetReopen,
    /// A signature counts though its content changed.
    StaleCounts,
    /// A photo is taken for what its name says.
    TrustName,
    /// The receipt goes out before the entries are durable.
    ReceiptFirst,
    /// A piece of a photo is written one byte off.
    OffByOne,
    /// A receipt's signature is not looked at.
    BelieveReceipt,
    /// The disk is not made to write: syncs are left out.
    SkipSync,
    /// A tablet never fetches what others wrote.
    NeverPull,
    /// Entries that are kept apart are shown as if they counted.
    CountApart,
}

/// All of them.
pub const ALL: [Planted; 13] = [
    Planted::IgnoreFork,
    Planted::DropBasis,
    Planted::LastWins,
    Planted::ByClock,
    Planted::ForgetReopen,
    Planted::StaleCounts,
    Planted::TrustName,
    Planted::ReceiptFirst,
    Planted::OffByOne,
    Planted::BelieveReceipt,
    Planted::SkipSync,
    Planted::NeverPull,
    Planted::CountApart,
];
