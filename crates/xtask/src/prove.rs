//! `cargo xtask prove`: the proofs large, and their figures into `docs/figures.md`.
//!
//! Nothing here knows what a part does: the program `tubewright-prove` lists them with their weights, runs them, and
//! writes the page. This divides the time, and adds what other tools count: property tests, fuzzing, mutations.

use crate::place::Place;
use crate::stop::Stop;
use crate::tally::Tally;
use crate::{fuzz, run};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::Instant;

/// The weight of what is run here beside the parts, on the scale of theirs.
const PROPERTIES: u32 = 10;
const FUZZ: u32 = 20;

/// Runs every part, or the one named, for its share of so many hours, then writes the figures.
pub fn all(place: &Place, hours: f64, only: Option<&str>) -> Result<ExitCode, Stop> {
    run::heading("build");
    run::must(
        place.cargo().args(["build", "--profile", "prove", "-p", "tubewright-proof", "--locked"]),
        "The proofs could not be built",
        "Mend what the compiler says and run it again.",
    )?;
    let prove = place.target.join("prove").join(format!("tubewright-prove{}", std::env::consts::EXE_SUFFIX));
    let parts = parts(place, &prove)?;
    let out = place.target.join("proofs");
    std::fs::create_dir_all(&out).map_err(|e| Stop::new(format!("{} cannot be made: {e}.", out.display())))?;
    let wants = |name: &str| only.is_none_or(|only| only == name);
    let others = [("properties", PROPERTIES), ("fuzz", FUZZ)];
    let all: Vec<(&str, u32)> =
        parts.iter().map(|(name, weight)| (name.as_str(), *weight)).chain(others).filter(|(name, _)| wants(name)).collect();
    // Mutations are counted one by one, not by the hour: only when they are named.
    if all.is_empty() && only != Some("mutants") {
        return Err(Stop::new(format!("there is no part {}; `cargo xtask help` says how to list them.", only.unwrap_or_default())));
    }
    let weights: u32 = all.iter().map(|(_, weight)| weight).sum();
    let (mut good, mut files) = (true, Vec::new());
    for (name, weight) in &all {
        let seconds = (hours * 3600.0 * f64::from(*weight) / f64::from(weights.max(1))).max(1.0) as u64;
        let file = out.join(format!("{name}.json"));
        run::heading(&format!("{name}, {seconds} s"));
        good &= match *name {
            "properties" => properties(place, seconds, &file)?,
            "fuzz" => fuzz::large(place, seconds, &file)?,
            part => part_large(place, &prove, part, seconds, &file),
        };
        files.push(file);
    }
    if only == Some("mutants") {
        let file = out.join("mutants.json");
        good &= mutants(place, &file)?;
        files.push(file);
    }
    publish(place, &prove, &files)?;
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Names and weights, as the program lists them.
fn parts(place: &Place, prove: &Path) -> Result<Vec<(String, u32)>, Stop> {
    let program = prove.to_string_lossy().into_owned();
    let text = run::read(place.command(&program).arg("list")).ok_or_else(|| Stop::new("the proofs cannot be listed."))?;
    let part = |line: &str| {
        let mut words = line.split('\t');
        Some((words.next()?.to_owned(), words.next()?.parse().ok()?))
    };
    Ok(text.lines().filter_map(part).collect())
}

fn part_large(place: &Place, prove: &Path, part: &str, seconds: u64, file: &Path) -> bool {
    // A new seed each time: what was tried before need not be tried again. It is printed with whatever fails.
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(1, |d| d.as_secs());
    let mut command = place.command(&prove.to_string_lossy());
    command.args([part, "--seconds", &seconds.to_string(), "--seed", &seed.to_string(), "--json"]).arg(file);
    run::watched(&mut command, |_| ())
}

/// Every property of the pure crates and those on disk, with as many cases as the time is thought to allow.
fn properties(place: &Place, seconds: u64, file: &Path) -> Result<bool, Stop> {
    // Some forty properties at about 20 microseconds to a millisecond a case.
    let cases = (seconds * 400).max(1000);
    let mut tally = Tally::default();
    let start = Instant::now();
    let mut command = place.cargo();
    command.args(["test", "--profile", "prove", "--locked", "-p", "trade", "-p", "journal", "-p", "job", "-p", "sync", "--tests"]);
    command.env("PROPTEST_CASES", cases.to_string());
    let well = run::watched(&mut command, |line| tally.line(line));
    let counts = [("cases asked of each property that sets no number itself", cases), ("tests passed", tally.passed as u64)];
    let failures = if well { Vec::new() } else { vec![format!("{} tests failed; see above", tally.failed.max(1))] };
    write(file, "properties", &counts, &failures, start.elapsed().as_secs_f64(), &[])?;
    Ok(well)
}

/// Changes the meaning of the code in every way the tool knows and looks whether a test notices.
fn mutants(place: &Place, file: &Path) -> Result<bool, Stop> {
    if run::read(place.cargo().args(["mutants", "--version"])).is_none() {
        return Err(Stop::new("mutations need cargo-mutants: `cargo install cargo-mutants --locked`, then say it again."));
    }
    let start = Instant::now();
    let out = place.target.join("proofs/mutants");
    let mut command = place.cargo();
    command.args(["mutants", "-p", "trade", "-p", "journal", "-p", "job", "-p", "sync", "--no-shuffle", "-j", "2", "--output"]).arg(&out);
    // Its exit code tells of survivors, which are counted, not a failure of the run.
    let _ = run::watched(&mut command, |_| ());
    let count = |name: &str| std::fs::read_to_string(out.join("mutants.out").join(name)).map_or(0, |text| text.lines().count() as u64);
    let (caught, missed) = (count("caught.txt"), count("missed.txt"));
    let counts = [
        ("caught", caught),
        ("not noticed", missed),
        ("hung, so noticed", count("timeout.txt")),
        ("do not compile", count("unviable.txt")),
    ];
    write(file, "mutants", &counts, &[], start.elapsed().as_secs_f64(), &["Packages trade, journal, job and sync."])?;
    Ok(caught > 0)
}

/// A figure in the form the publishing program reads.
pub fn write(file: &Path, part: &str, counts: &[(&str, u64)], failures: &[String], seconds: f64, notes: &[&str]) -> Result<(), Stop> {
    let counts: Vec<String> = counts.iter().map(|(what, n)| format!("{}: {n}", quoted(what))).collect();
    let failures: Vec<String> = failures.iter().map(|f| quoted(f)).collect();
    let notes: Vec<String> = notes.iter().map(|n| quoted(n)).collect();
    let text = format!(
        "[{{\"part\": {}, \"counts\": {{{}}}, \"failures\": [{}], \"cpu_s\": {seconds:.1}, \"notes\": [{}]}}]\n",
        quoted(part),
        counts.join(", "),
        failures.join(", "),
        notes.join(", ")
    );
    std::fs::write(file, text).map_err(|e| Stop::new(format!("{} cannot be written: {e}.", file.display())))
}

/// A JSON string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

fn publish(place: &Place, prove: &Path, files: &[PathBuf]) -> Result<(), Stop> {
    run::heading("figures");
    let commit = run::read(place.command("git").args(["rev-parse", "--short", "HEAD"])).unwrap_or_default();
    let dirty = run::read(place.command("git").args(["status", "--porcelain", "-uno"])).is_some_and(|s| !s.trim().is_empty());
    let commit =
        format!("{}{}", if commit.trim().is_empty() { "unknown" } else { commit.trim() }, if dirty { " with changes" } else { "" });
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let machine = format!("{cores} cores ({} {})", std::env::consts::OS, std::env::consts::ARCH);
    let mut command: Command = place.command(&prove.to_string_lossy());
    command.args(["publish", "--commit", &commit, "--machine", &machine]).args(files);
    run::must(&mut command, "The figures could not be written", "What was counted lies in target/proofs.")?;
    println!("docs/figures.md is renewed; commit it with docs/figures.json.");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_sound_json_whatever_is_in_it() {
        assert_eq!(quoted("a \"b\" \\ \n c"), r#""a \"b\" \\   c""#);
        let dir = std::env::temp_dir().join(format!("tubewright-figure-{}", std::process::id()));
        write(&dir, "fuzz", &[("runs", 3)], &["entry: \"x\"".into()], 1.5, &["n"]).unwrap();
        let text = std::fs::read_to_string(&dir).unwrap();
        std::fs::remove_file(&dir).unwrap();
        assert_eq!(
            text,
            "[{\"part\": \"fuzz\", \"counts\": {\"runs\": 3}, \"failures\": [\"entry: \\\"x\\\"\"], \"cpu_s\": 1.5, \"notes\": [\"n\"]}]\n"
        );
    }
}
