//! The trade's sums and rules: wall, gauge, cut length, joints. Pure: no clock, no disk, no network, no randomness.
//!
//! Every sum is an aid. It never decides: the owner's engineer, the code of record and the authorised inspector do.
//! `docs/trade.md` lists every rule with its source, its edition and the cases it is checked against.

pub mod cut;
pub mod gauge;
pub mod joint;
pub mod limits;
pub mod measure;
pub mod ratio;
pub mod show;
pub mod trace;
pub mod wall;

pub use cut::{CutLength, OpeningVerdict, cut_length, opening_verdict, openings, same_tube_count, shrinkage_band};
pub use gauge::{BlockStep, GaugeCheck, WallVerdict, check_gauge, corrected, reading_uncertainty, verdict};
pub use limits::Plausible;
pub use measure::{Dimension, Measure, MeasureError, Ratio, Round, Unit};
pub use show::{Apart, apart, decimal_text, fraction_text};
pub use trace::{AID_ONLY, Input, NoNumber, Trace, Traced};
pub use wall::{WallInputs, allowable_pressure, minimum_wall};
