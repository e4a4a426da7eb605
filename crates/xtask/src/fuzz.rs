//! Fuzzing proper, where a nightly toolchain and cargo-fuzz stand. The committed corpus is replayed by the ordinary tests
//! everywhere; this looks for inputs nobody has thought of.

use crate::place::Place;
use crate::stop::Stop;
use crate::{prove, run};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// Seconds for each target in the test command.
const SMALL: u64 = 30;

/// Why nothing can be fuzzed here, or `None`.
fn missing(place: &Place) -> Option<&'static str> {
    if run::read(place.command("cargo").args(["+nightly", "--version"])).is_none() {
        return Some("no nightly toolchain stands here; `rustup toolchain install nightly` brings one");
    }
    if run::read(place.command("cargo").args(["+nightly", "fuzz", "--version"])).is_none() {
        return Some("cargo-fuzz is not here; `cargo install cargo-fuzz --locked` brings it");
    }
    None
}

fn cargo_fuzz(place: &Place) -> Command {
    let mut command = place.command("cargo");
    // The cargo that runs this set its own toolchain; the nightly one is wanted.
    command.env_remove("CARGO").env_remove("RUSTC").env_remove("RUSTDOC").env_remove("RUSTUP_TOOLCHAIN").env_remove("RUSTFLAGS");
    command.env("CARGO_TARGET_DIR", place.target.join("fuzz")).args(["+nightly", "fuzz"]);
    command
}

fn targets(place: &Place) -> Vec<String> {
    let text = run::read(cargo_fuzz(place).arg("list")).unwrap_or_default();
    text.lines().map(str::trim).filter(|l| !l.is_empty()).map(str::to_owned).collect()
}

/// Each target for half a minute, if it can be done here. Gives `None` where it cannot, after saying why.
pub fn small(place: &Place) -> Option<bool> {
    if let Some(why) = missing(place) {
        println!("not fuzzed beyond the committed corpus: {why}");
        return None;
    }
    Some(each(place, SMALL).iter().all(|target| target.well))
}

/// Each target for its share of the time.
pub fn large(place: &Place, seconds: u64, file: &Path) -> Result<bool, Stop> {
    if let Some(why) = missing(place) {
        prove::write(file, "fuzz", &[], &[], 0.0, &[&format!("Not run: {why}.")])?;
        return Ok(true);
    }
    let start = Instant::now();
    let each = each(place, (seconds / targets(place).len().max(1) as u64).max(10));
    let runs: Vec<(String, u64)> = each.iter().map(|t| (format!("inputs tried on {}", t.name), t.runs)).collect();
    let counts: Vec<(&str, u64)> = runs.iter().map(|(what, n)| (what.as_str(), *n)).collect();
    let failures: Vec<String> =
        each.iter().filter(|t| !t.well).map(|t| format!("{}: see target/fuzz and fuzz/artifacts", t.name)).collect();
    prove::write(file, "fuzz", &counts, &failures, start.elapsed().as_secs_f64(), &[])?;
    Ok(failures.is_empty())
}

struct Fuzzed {
    name: String,
    runs: u64,
    well: bool,
}

fn each(place: &Place, seconds: u64) -> Vec<Fuzzed> {
    let mut all = Vec::new();
    for name in targets(place) {
        let limit = format!("-max_total_time={seconds}");
        // What is found goes into a folder of its own, so that a run never changes the checkout.
        let found = place.target.join("proofs").join("found").join(&name);
        if let Err(e) = std::fs::create_dir_all(&found) {
            println!("{} cannot be made: {e}", found.display());
            all.push(Fuzzed { name, runs: 0, well: false });
            continue;
        }
        let corpus = place.root.join("fuzz/corpus").join(&name);
        let mut command = cargo_fuzz(place);
        command.args(["run", "--sanitizer", "none", &name]).arg(&found).arg(&corpus).args([
            "--",
            &limit,
            "-timeout=5",
            "-rss_limit_mb=512",
            "-print_final_stats=1",
        ]);
        command.stderr(std::process::Stdio::piped());
        let (runs, well) = tried(&mut command);
        println!("{name}: {runs} inputs in {seconds} s{}", if well { "" } else { ", and one that FAILED" });
        all.push(Fuzzed { name, runs, well });
    }
    all
}

/// Runs a fuzzer to its end; its own words are kept for a failure. Gives how many inputs it tried.
fn tried(command: &mut Command) -> (u64, bool) {
    let output = match command.stdin(std::process::Stdio::null()).output() {
        Ok(output) => output,
        Err(e) => {
            println!("cargo fuzz could not be started: {e}");
            return (0, false);
        }
    };
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    let runs = words.lines().rev().find_map(|l| l.strip_prefix("stat::number_of_executed_units:")?.trim().parse().ok()).unwrap_or(0);
    if !output.status.success() {
        println!("{words}");
    }
    (runs, output.status.success() && runs > 0)
}
