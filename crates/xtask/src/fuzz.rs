//! Fuzzing proper, where a nightly toolchain stands. The committed corpus is replayed by the ordinary tests everywhere;
//! this looks for inputs nobody has thought of.

use crate::place::Place;
use crate::stop::Stop;
use crate::{prove, run};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Seconds for each target in the test command.
const SMALL: u64 = 30;
/// What chance begins with in the test command, so that a change is asked the same twice; `prove` begins anew each time.
const SEED: u64 = 1;

/// True where the nightly toolchain stands that the coverage of libFuzzer needs.
fn nightly(place: &Place) -> bool {
    run::read(plain(place, "rustc").args(["+nightly", "--version"])).is_some()
}

/// A command that chooses its toolchain itself, not the one that runs this.
fn plain(place: &Place, program: &str) -> Command {
    let mut command = place.command(program);
    for name in ["CARGO", "RUSTC", "RUSTDOC", "RUSTUP_TOOLCHAIN", "RUSTFLAGS", "CARGO_ENCODED_RUSTFLAGS"] {
        command.env_remove(name);
    }
    command
}

fn targets(place: &Place) -> Vec<String> {
    let names = std::fs::read_dir(place.root.join("fuzz/fuzz_targets")).into_iter().flatten().flatten();
    let mut names: Vec<String> = names.filter_map(|e| Some(e.file_name().to_str()?.strip_suffix(".rs")?.to_owned())).collect();
    names.sort();
    names
}

/// Each target for half a minute, if it can be done here. Gives `None` where it cannot, after saying why.
pub fn small(place: &Place) -> Option<bool> {
    if !nightly(place) {
        println!("not fuzzed beyond the committed corpus: no nightly toolchain stands here (`rustup toolchain install nightly`)");
        return None;
    }
    Some(each(place, SMALL, Some(SEED)).is_some_and(|all| all.iter().all(|target| target.well)))
}

/// Each target for its share of the time.
pub fn large(place: &Place, seconds: u64, file: &Path) -> Result<bool, Stop> {
    if !nightly(place) {
        prove::write(file, "fuzz", &[], &[], 0.0, &["Not run: no nightly toolchain stands here."])?;
        return Ok(true);
    }
    let start = Instant::now();
    // Two at a time.
    let share = (seconds * 2 / targets(place).len().max(1) as u64).max(10);
    let Some(all) = each(place, share, None) else {
        return Err(Stop::new("the fuzzers could not be built; the compiler's words are above."));
    };
    let runs: Vec<(String, u64)> = all.iter().map(|t| (format!("inputs tried on {}", t.name), t.runs)).collect();
    let counts: Vec<(&str, u64)> = runs.iter().map(|(what, n)| (what.as_str(), *n)).collect();
    let failures: Vec<String> = all.iter().filter(|t| !t.well).map(|t| format!("{}: see target/proofs/found", t.name)).collect();
    prove::write(
        file,
        "fuzz",
        &counts,
        &failures,
        start.elapsed().as_secs_f64(),
        &[&format!("{share} s each, from the committed corpus.")],
    )?;
    Ok(failures.is_empty())
}

struct Fuzzed {
    name: String,
    runs: u64,
    well: bool,
}

/// Builds all fuzzers and runs them two at a time; `None` where they cannot be built.
fn each(place: &Place, seconds: u64, seed: Option<u64>) -> Option<Vec<Fuzzed>> {
    let folder = place.target.join("fuzz");
    if !run::watched(plain(place, "sh").args(["fuzz/run.sh", "build"]).env("CARGO_TARGET_DIR", &folder), |_| ()) {
        return None;
    }
    let version = run::read(plain(place, "rustc").args(["+nightly", "-vV"]))?;
    let host = version.lines().find_map(|line| line.strip_prefix("host: "))?.to_owned();
    let programs = folder.join(host).join("release");
    let mut all = Vec::new();
    for pair in targets(place).chunks(2) {
        let running: Vec<_> = std::thread::scope(|scope| {
            let threads: Vec<_> = pair.iter().map(|name| scope.spawn(|| one(place, &programs, name, seconds, seed))).collect();
            threads.into_iter().filter_map(|thread| thread.join().ok()).collect()
        });
        all.extend(running);
    }
    Some(all)
}

fn one(place: &Place, programs: &Path, name: &str, seconds: u64, seed: Option<u64>) -> Fuzzed {
    // What is found goes into a folder outside the checkout's files: a run never changes the corpus.
    let found = place.target.join("proofs").join("found").join(name);
    let made = std::fs::create_dir_all(&found);
    let mut command = place.command(&programs.join(name).to_string_lossy());
    command.args([&format!("-max_total_time={seconds}"), "-timeout=10", "-rss_limit_mb=1024", "-print_final_stats=1"]);
    command.args(seed.map(|seed| format!("-seed={seed}")));
    command.arg(format!("-artifact_prefix={}/failed-", found.display())).arg(&found).arg(place.root.join("fuzz/corpus").join(name));
    let output = made.and_then(|()| command.stdin(Stdio::null()).output());
    let (runs, well) = match output {
        Ok(output) => {
            let words = String::from_utf8_lossy(&output.stderr);
            let count = words.lines().rev().find_map(|l| l.strip_prefix("stat::number_of_executed_units:")?.trim().parse().ok());
            if !output.status.success() {
                println!("{words}");
            }
            (count.unwrap_or(0), output.status.success() && count.is_some_and(|n| n > 0))
        }
        Err(error) => {
            println!("{name} could not be run: {error}");
            (0, false)
        }
    };
    println!("{name}: {runs} inputs in {seconds} s{}", if well { "" } else { ", and one that FAILED" });
    Fuzzed { name: name.to_owned(), runs, well }
}
