//! From entries to jobs: disagreements, hold points, sign-offs, the level, what is missing.
//!
//! Pure: no clock, no disk, no network, no randomness. Whoever calls hands in entries and, where age matters, the time.

pub mod kinds;
pub mod plan;
pub mod say;
pub mod view;

pub use plan::SitePlan;
pub use say::Say;
pub use view::JobView;
