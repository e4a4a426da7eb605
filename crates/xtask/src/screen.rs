//! A screen for tests where nobody looks: Xvfb, ended with its [`Keeper`].

use crate::keeper::Keeper;
use crate::place::Place;
use crate::stop::Stop;
use std::io::{BufRead, BufReader};
use std::process::Stdio;

/// Starts a screen high enough for a tablet held upright and gives its DISPLAY. The number is one that Xvfb finds free.
pub fn start(place: &Place, keeper: &mut Keeper) -> Result<String, Stop> {
    let cannot = |why: String| {
        Stop::new(format!("no screen for the tests: {why}. Run `cargo xtask setup`, then `Xvfb -displayfd 1` by hand to see what it says."))
    };
    let mut command = place.command("Xvfb");
    command.args(["-displayfd", "1", "-screen", "0", "1280x1400x24", "-nolisten", "tcp"]).stdout(Stdio::piped()).stderr(Stdio::null());
    let child = keeper.start("Xvfb", &mut command).map_err(|e| cannot(format!("Xvfb could not be started ({e})")))?;
    let mut number = String::new();
    if let Some(stdout) = child.stdout.take() {
        let _ = BufReader::new(stdout).read_line(&mut number);
    }
    match number.trim().parse::<u32>() {
        Ok(number) => Ok(format!(":{number}")),
        Err(_) => Err(cannot("Xvfb ended at once".to_owned())),
    }
}
