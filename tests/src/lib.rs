//! The main job against the real parts: the crew that plays it, the trailer's server, pictures, browsers.
//!
//! Everything here is for tests and for `cargo xtask demo --unattended`. It panics with a sentence where something is not
//! as it should be: that is what a test is for.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

pub mod axe;
pub mod browser;
pub mod crew;
pub mod hands;
pub mod jpeg;
pub mod paths;
pub mod pictures;
pub mod process;
pub mod story;
pub mod trailer;
