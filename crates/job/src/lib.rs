//! From entries to jobs: disagreements, hold points, sign-offs, the level, what is missing.
//!
//! Pure: no clock, no disk, no network, no randomness. Whoever calls hands in entries and, where age matters, the time.

pub mod board;
mod build;
pub mod check;
pub mod fold;
pub mod gates;
pub mod kinds;
pub mod pin;
pub mod plan;
mod read;
mod same;
pub mod say;
pub mod signing;
pub mod standing;
pub mod steps;
pub mod sums;
pub mod view;

pub use fold::{Devices, JobFold};
pub use plan::SitePlan;
pub use read::{has_fit_up, has_gap, joints};
pub use say::Say;
pub use view::JobView;
