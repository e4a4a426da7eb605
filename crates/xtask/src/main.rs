//! `cargo xtask demo`, `cargo xtask test` and `cargo xtask prove`: the first two set the machine up first; each says what it does, and stops with one sentence when it cannot.

mod demo;
mod fuzz;
mod keeper;
mod people;
mod place;
mod prove;
mod run;
mod screen;
mod setup;
mod stop;
mod tally;
mod test;
mod trailer;
mod web;

use place::Place;
use std::path::PathBuf;
use std::process::ExitCode;
use stop::Stop;

const HELP: &str = "\
cargo xtask demo                 build all, start the server on the demo outage and the tablet beside it; Ctrl-C ends everything
cargo xtask demo --unattended    play the whole main job with real parts, say what happened, exit 0 only if all is right
            [--out DIR]          where its pictures and summary go (demo-out)
cargo xtask test                 set up, build, lint and test everything
            [--only NAME]        only one step (fmt, clippy, ui, rust), or only the Rust tests whose name contains NAME
cargo xtask prove [PART]         what is claimed of the records, proved by the thousand; writes docs/figures.md. Without PART all of them;
            [--hours N]          for so long all together (0.5). PART is one of the lines that `tubewright-prove list` prints, or
                                 properties, fuzz, mutants (the last only when named: it takes hours)
cargo xtask setup                only the set-up that both do first
cargo xtask help                 this

Set-up knows Debian 12 and newer, as root or with sudo. Elsewhere it needs TUBEWRIGHT_NO_INSTALL=1 and the tools installed by hand.

What tests are given, as environment variables:
  DISPLAY                   a screen of their own
  TUBEWRIGHT_BIN, TUBEWRIGHT_SERVER_BIN, TUBEWRIGHT_STORY_BIN
                            the built programs: the tablet app, the server, the played main job
  TUBEWRIGHT_CHROMIUM, TUBEWRIGHT_CHROMEDRIVER, TUBEWRIGHT_TAURI_DRIVER, TUBEWRIGHT_WEBKIT_DRIVER
                            the browser and the drivers";

/// What was asked for.
#[derive(Debug, PartialEq, Eq)]
enum Asked {
    Help,
    Setup,
    Demo { unattended: bool, out: PathBuf },
    Test { only: Option<String> },
    Prove { minutes: u32, part: Option<String> },
}

fn main() -> ExitCode {
    let done = asked(std::env::args().skip(1)).and_then(|asked| match asked {
        Asked::Help => {
            println!("{HELP}");
            Ok(ExitCode::SUCCESS)
        }
        Asked::Setup => setup::all(&Place::find()?).map(|_| ExitCode::SUCCESS),
        Asked::Demo { unattended: true, out } => demo::unattended(&Place::find()?, &out),
        Asked::Demo { unattended: false, .. } => demo::attended(&Place::find()?),
        Asked::Test { only } => test::all(&Place::find()?, only.as_deref()),
        Asked::Prove { minutes, part } => prove::all(&Place::find()?, f64::from(minutes) / 60.0, part.as_deref()),
    });
    done.unwrap_or_else(|stop| {
        eprintln!("\nStopped: {stop}");
        ExitCode::FAILURE
    })
}

fn asked(mut args: impl Iterator<Item = String>) -> Result<Asked, Stop> {
    let command = args.next().unwrap_or_else(|| "help".to_owned());
    let rest: Vec<String> = args.collect();
    let mut rest = rest.iter().map(String::as_str);
    let asked = match command.as_str() {
        "help" | "--help" | "-h" => return Ok(Asked::Help),
        "setup" => Asked::Setup,
        "demo" => {
            let (mut unattended, mut out) = (false, PathBuf::from("demo-out"));
            while let Some(option) = rest.next() {
                match option {
                    "--unattended" => unattended = true,
                    "--out" => out = PathBuf::from(value(&mut rest, "--out", "a folder")?),
                    other => return Err(unknown(other)),
                }
            }
            Asked::Demo { unattended, out }
        }
        "test" => {
            let mut only = None;
            while let Some(option) = rest.next() {
                match option {
                    "--only" => only = Some(value(&mut rest, "--only", "a name")?),
                    other => return Err(unknown(other)),
                }
            }
            Asked::Test { only }
        }
        "prove" => {
            let (mut minutes, mut part) = (30, None);
            while let Some(word) = rest.next() {
                match word {
                    "--hours" => {
                        let text = value(&mut rest, "--hours", "a number of hours")?;
                        minutes =
                            hours(&text).ok_or_else(|| Stop::new(format!("`{text}` is no number of hours; say for example 0.5 or 8.")))?;
                    }
                    other if other.starts_with('-') || part.is_some() => return Err(unknown(other)),
                    name => part = Some(name.to_owned()),
                }
            }
            Asked::Prove { minutes, part }
        }
        other => return Err(unknown(other)),
    };
    rest.next().map_or(Ok(asked), |more| Err(unknown(more)))
}

/// Hours as minutes, at least one.
fn hours(text: &str) -> Option<u32> {
    let hours: f64 = text.parse().ok()?;
    (hours > 0.0 && hours <= 10_000.0).then(|| ((hours * 60.0).round() as u32).max(1))
}

fn value<'a>(rest: &mut impl Iterator<Item = &'a str>, option: &str, what: &str) -> Result<String, Stop> {
    rest.next().map(str::to_owned).ok_or_else(|| Stop::new(format!("{option} needs {what} after it; `cargo xtask help` shows how.")))
}

fn unknown(word: &str) -> Stop {
    Stop::new(format!("`{word}` is not understood here; `cargo xtask help` lists what is."))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(line: &str) -> Result<Asked, Stop> {
        asked(line.split_whitespace().map(str::to_owned))
    }

    #[test]
    fn the_command_line_is_read() {
        assert_eq!(of("").unwrap(), Asked::Help);
        assert_eq!(of("setup").unwrap(), Asked::Setup);
        assert_eq!(of("demo").unwrap(), Asked::Demo { unattended: false, out: "demo-out".into() });
        assert_eq!(of("demo --out x --unattended").unwrap(), Asked::Demo { unattended: true, out: "x".into() });
        assert_eq!(of("prove").unwrap(), Asked::Prove { minutes: 30, part: None });
        assert_eq!(of("prove crash --hours 0.1").unwrap(), Asked::Prove { minutes: 6, part: Some("crash".into()) });
        assert_eq!(of("test --only fold").unwrap(), Asked::Test { only: Some("fold".into()) });
    }

    #[test]
    fn what_is_not_understood_is_named() {
        for (line, word) in [
            ("tset", "tset"),
            ("demo --unatended", "--unatended"),
            ("demo --out", "--out"),
            ("setup now", "now"),
            ("test --only", "--only"),
            ("prove --hours many", "many"),
            ("prove crash sim", "sim"),
        ] {
            let stop = of(line).unwrap_err().to_string();
            assert!(stop.contains(word), "{line}: {stop}");
        }
    }
}
