//! tauri-driver: what a test talks to in order to drive the real window.

use crate::place::Place;
use crate::run;
use crate::stop::Stop;

/// Finds it, or builds it into the tools folder.
pub fn present(place: &Place) -> Result<(), Stop> {
    if let Some(found) = place.program("tauri-driver") {
        println!("tauri-driver: {}", found.display());
        return Ok(());
    }
    println!("installing tauri-driver into {} (under a minute)", place.tools.display());
    // Of version 2 by name: the newest is a preview of another generation.
    run::must(
        place.cargo().args(["install", "tauri-driver", "--version", "^2", "--locked", "--root"]).arg(&place.tools),
        "tauri-driver, which drives the window in tests, could not be built",
        "Check that crates.io is reached, then repeat this command.",
    )
}
