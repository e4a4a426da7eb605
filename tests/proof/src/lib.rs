//! What is claimed of the records, proved by the thousand.
//!
//! Each [`Part`] drives the real journal, store, fold and exchange against a world that lies, and counts. The ordinary
//! tests run every part small; `cargo xtask prove` runs them large and writes what they counted to `docs/figures.md`.
//! A part that fails gives the number that plays it again.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::missing_panics_doc)]

mod budget;
pub mod crash;
mod figure;
pub mod flips;
pub mod forged;
pub mod hostile;
pub mod images;
pub mod oracle;
mod parts;
mod publish;
pub mod sim;
pub mod uploads;

pub use budget::Budget;
pub use figure::Figure;
pub use parts::{PARTS, Part};
pub use publish::Book;
