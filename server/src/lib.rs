//! The trailer's server: merges tablets, serves the board.

pub mod cert;
pub mod files;
