//! `cargo xtask test`: lint, build once, run everything, one closing line.

use crate::keeper::Keeper;
use crate::place::Place;
use crate::stop::Stop;
use crate::tally::Tally;
use crate::{fuzz, run, screen, setup};
use std::process::{Command, ExitCode};

/// Cases of each property in an ordinary run.
const PROPERTY_CASES: &str = "1000";

/// What went wrong so far, and what was counted.
#[derive(Default)]
struct Outcome {
    tally: Tally,
    broken: Vec<&'static str>,
}

impl Outcome {
    /// One step: shown, counted, remembered if it breaks. A broken step does not keep the next from telling what it knows.
    fn step(&mut self, name: &'static str, command: &mut Command) -> bool {
        run::heading(name);
        let before = self.tally;
        let well = run::watched(command, |line| self.tally.line(line));
        if !well {
            self.broken.push(name);
            // A step that broke without counting a failed test (a lint, a crash) is one failure of its own.
            if self.tally.failed == before.failed {
                self.tally.failed += 1;
            }
        }
        well
    }

    fn close(self, tests_ran: bool) -> ExitCode {
        if !self.broken.is_empty() {
            println!("\nbroken: {}", self.broken.join(", "));
        }
        if self.tally.ignored > 0 {
            println!("\nnot run because marked so: {}", self.tally.ignored);
        }
        let none = tests_ran && self.tally.passed == 0;
        if none {
            println!("\nno test ran at all, which is a failure");
        }
        println!("\n{}", self.tally);
        if self.broken.is_empty() && self.tally.failed == 0 && !none { ExitCode::SUCCESS } else { ExitCode::FAILURE }
    }
}

/// Which steps `--only` leaves.
struct Only<'a>(Option<&'a str>);

impl Only<'_> {
    const STEPS: [&'static str; 5] = ["fmt", "clippy", "ui", "rust", "fuzz"];

    fn wants(&self, step: &str) -> bool {
        self.0.is_none_or(|only| only == step || (step == "rust" && !Self::STEPS.contains(&only)))
    }

    /// A name that is no step picks Rust tests.
    fn filter(&self) -> Option<&str> {
        self.0.filter(|only| !Self::STEPS.contains(only))
    }
}

/// Everything, or what `only` leaves of it. Lints go on after a failure; without screens or programs there is nothing to go on with.
pub fn all(place: &Place, only: Option<&str>) -> Result<ExitCode, Stop> {
    setup::all(place)?;
    let only = Only(only);
    let mut outcome = Outcome::default();
    // First, because the tablet app does not even compile without them.
    if !outcome.step("screens: build", place.npm("ui").args(["run", "build"])) {
        return Ok(outcome.close(false));
    }
    if only.wants("fmt") {
        outcome.step("fmt", place.cargo().args(["fmt", "--all", "--check"]));
    }
    if only.wants("ui") {
        outcome.step("screens: types", place.npm("ui").args(["run", "check"]));
        outcome.step("screens: lint", place.npm("ui").args(["run", "lint"]));
        outcome.step("screens: tests", place.npm("ui").args(["run", "--if-present", "test"]));
    }
    if only.wants("clippy") {
        outcome.step("clippy", place.cargo().args(["clippy", "--workspace", "--all-targets", "--locked", "--", "-D", "warnings"]));
    }
    let rust = only.wants("rust");
    if rust {
        rust_tests(place, &mut outcome, only.filter())?;
    }
    // Last: what it finds is new, and everything else has been told by then.
    if only.wants("fuzz") {
        run::heading("fuzz");
        if fuzz::small(place) == Some(false) {
            outcome.broken.push("fuzz");
        }
    }
    Ok(outcome.close(rust))
}

/// Builds all and tests all with the same flags, so that nothing is built twice.
fn rust_tests(place: &Place, outcome: &mut Outcome, filter: Option<&str>) -> Result<(), Stop> {
    if !outcome.step("build", place.cargo().args(["build", "--workspace", "--all-targets", "--locked"])) {
        return Ok(());
    }
    let mut keeper = Keeper::new();
    let display = screen::start(place, &mut keeper)?;
    let mut tests = place.cargo();
    tests.args(["test", "--workspace", "--locked", "--no-fail-fast"]).args(filter);
    // For every property that sets no number itself, because a case of it costs a disk or a network.
    tests.env("PROPTEST_CASES", PROPERTY_CASES);
    outcome.step("tests", with_tools(place, &mut tests).env("DISPLAY", display).env_remove("WAYLAND_DISPLAY"));
    Ok(())
}

/// Tells a step where the built programs, the browser and the drivers are.
pub fn with_tools<'a>(place: &Place, command: &'a mut Command) -> &'a mut Command {
    let tools = [
        ("TUBEWRIGHT_CHROMIUM", "chromium"),
        ("TUBEWRIGHT_CHROMEDRIVER", "chromedriver"),
        ("TUBEWRIGHT_TAURI_DRIVER", "tauri-driver"),
        ("TUBEWRIGHT_WEBKIT_DRIVER", "WebKitWebDriver"),
    ];
    for (variable, name) in tools {
        if let Some(path) = place.program(name) {
            command.env(variable, path);
        }
    }
    let built =
        [("TUBEWRIGHT_BIN", "tubewright"), ("TUBEWRIGHT_SERVER_BIN", "tubewright-server"), ("TUBEWRIGHT_STORY_BIN", "tubewright-story")];
    for (variable, name) in built {
        command.env(variable, place.built(name));
    }
    command
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    fn sh(script: &str) -> Command {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        command
    }

    #[test]
    fn a_broken_step_without_a_count_is_one_failure() {
        let mut outcome = Outcome::default();
        assert!(!outcome.step("lint", &mut sh("exit 1")));
        assert!(!outcome.step("tests", &mut sh("echo 'test result: FAILED. 3 passed; 2 failed; 0 ignored;'; exit 101")));
        assert!(outcome.step("more", &mut sh("echo 'test result: ok. 4 passed; 0 failed; 0 ignored;'")));
        assert_eq!((outcome.tally.passed, outcome.tally.failed), (7, 3));
        assert_eq!(outcome.broken, ["lint", "tests"]);
    }

    #[test]
    fn only_names_a_step_or_tests() {
        let of = |only| Only::STEPS.map(|step| Only(only).wants(step));
        assert_eq!(of(None), [true; 5]);
        assert_eq!(of(Some("ui")), [false, false, true, false, false]);
        assert_eq!(of(Some("fold")), [false, false, false, true, false]);
        assert_eq!((Only(Some("fold")).filter(), Only(Some("rust")).filter()), (Some("fold"), None));
    }
}
