//! The trade's sums and rules: wall, cut length, joints. Pure: no clock, no disk, no network, no randomness.
//!
//! Every sum is an aid. It never decides: the owner's engineer, the code of record and the authorised inspector do.

pub mod measure;
pub mod trace;

pub use measure::{Dimension, Measure, MeasureError, Ratio, Unit};
pub use trace::{Input, NoNumber, Trace, Traced};
