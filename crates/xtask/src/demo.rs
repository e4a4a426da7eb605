//! `cargo xtask demo`: the trailer and a tablet on this machine, on an invented outage.

use crate::place::Place;
use crate::stop::Stop;
use crate::{keeper::Keeper, run, screen, setup, test, trailer};
use std::path::Path;
use std::process::ExitCode;

/// Builds the screens and every program.
///
/// The whole workspace, not package by package: cargo would choose other features for shared libraries and build them again.
fn build(place: &Place) -> Result<(), Stop> {
    run::heading("build: screens");
    run::must(
        place.npm("ui").args(["run", "build"]),
        "the screens could not be built",
        "The demo needs them; mend what is named above, then repeat this command.",
    )?;
    run::heading("build: server and tablet app (some minutes the first time)");
    run::must(
        place.cargo().args(["build", "--workspace", "--bins", "--locked"]),
        "the server and the tablet app could not be built",
        "The demo needs them; mend what is named above, then repeat this command.",
    )
}

/// Plays the whole main job with real parts; its exit code is the answer.
pub fn unattended(place: &Place, out: &Path) -> Result<ExitCode, Stop> {
    setup::all(place)?;
    build(place)?;
    let mut keeper = Keeper::new();
    let display = screen::start(place, &mut keeper)?;
    let out = std::path::absolute(out)
        .map_err(|e| Stop::new(format!("{} is no folder to write to ({e}); name another with --out.", out.display())))?;
    run::heading("the main job");
    let story = place.built("tubewright-story");
    let mut command = place.command(&story.to_string_lossy());
    command.arg("--out").arg(&out);
    let status = test::with_tools(place, &mut command).env("DISPLAY", display).env_remove("WAYLAND_DISPLAY").status();
    let status = status.map_err(|e| {
        Stop::new(format!(
            "{} could not be started ({e}); repeat this command, and if it stays so remove the target folder first.",
            story.display()
        ))
    })?;
    println!("\npictures and summary: {}", out.display());
    Ok(status.code().and_then(|code| u8::try_from(code).ok()).map_or(ExitCode::FAILURE, ExitCode::from))
}

/// The server and a tablet, until Ctrl-C.
pub fn attended(place: &Place) -> Result<ExitCode, Stop> {
    setup::to_build(place)?;
    build(place)?;
    let mut keeper = Keeper::new();
    run::heading("demo");
    trailer::Trailer::open(place, &mut keeper)?.until_ended(&mut keeper)
}
