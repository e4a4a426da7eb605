//! Bytes from a stranger: one plain function for each door through which bytes come in.
//!
//! Each function takes any bytes and panics where a property does not hold; that nothing else panics is a property too. The
//! fuzzers in `fuzz/` call them with what they find, the ordinary tests with the committed corpus and thousands of changes
//! of it.

mod backup;
mod bodies;
mod entry;
mod exchange;
mod folds;
mod fraction;
mod image;
mod mutate;
mod pairing;
mod plan;
mod seeds;
mod upload;

use crate::sim::rng::Rng;
use crate::{Budget, Figure};
pub use mutate::mutate;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// One door.
pub struct Target {
    /// Its name: of the fuzzer, of its corpus, of its count.
    pub name: &'static str,
    /// Panics where a property does not hold.
    pub check: fn(&[u8]),
    /// Real values to start from, each with a name.
    pub seeds: fn() -> Vec<(String, Vec<u8>)>,
    /// Longest input worth trying, in bytes.
    pub longest: usize,
    /// Changed inputs in an ordinary run.
    pub small: u64,
}

/// All of them.
pub static TARGETS: &[Target] = &[
    Target { name: "entry", check: entry::check, seeds: seeds::entries, longest: 4096, small: 4000 },
    Target { name: "sync-push", check: exchange::push, seeds: seeds::pushes, longest: 16 << 10, small: 2000 },
    Target { name: "sync-pull", check: exchange::pull, seeds: seeds::pulls, longest: 16 << 10, small: 4000 },
    Target { name: "upload-range", check: upload::check, seeds: seeds::uploads, longest: 256, small: 2000 },
    Target { name: "pairing", check: pairing::check, seeds: seeds::pairings, longest: 1024, small: 3000 },
    Target { name: "image", check: image::check, seeds: seeds::images, longest: 32 << 10, small: 600 },
    Target { name: "backup", check: backup::check, seeds: backup::seeds, longest: 64 << 10, small: 400 },
    Target { name: "http-body", check: bodies::check, seeds: seeds::bodies, longest: 8 << 10, small: 4000 },
    Target { name: "plan", check: plan::plan, seeds: seeds::plans, longest: 64 << 10, small: 600 },
    Target { name: "roster", check: plan::roster, seeds: seeds::rosters, longest: 4096, small: 600 },
    Target { name: "fraction", check: fraction::check, seeds: seeds::fractions, longest: 64, small: 6000 },
    Target { name: "fold", check: folds::check, seeds: seeds::folds, longest: 8 << 10, small: 800 },
];

/// The target with this name.
pub fn target(name: &str) -> Option<&'static Target> {
    TARGETS.iter().find(|t| t.name == name)
}

/// Runs one input of a fuzzer.
pub fn run(name: &str, bytes: &[u8]) {
    let target = target(name).expect("every fuzzer has its target");
    if bytes.len() <= target.longest {
        (target.check)(bytes);
    }
}

/// Where the committed corpus of all targets lies.
pub fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fuzz/corpus")
}

impl Target {
    /// The committed corpus by file name.
    pub fn files(&self) -> Vec<(String, Vec<u8>)> {
        let folder = corpus().join(self.name);
        let mut all: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
            .into_iter()
            .flatten()
            .filter_map(|file| {
                let file = file.ok()?;
                Some((file.file_name().to_string_lossy().into_owned(), std::fs::read(file.path()).ok()?))
            })
            .collect();
        all.sort();
        all
    }

    /// Runs one input; what went wrong, if anything.
    pub fn fault(&self, bytes: &[u8]) -> Option<String> {
        let panicked = catch_unwind(AssertUnwindSafe(|| (self.check)(bytes))).err()?;
        let words = panicked.downcast_ref::<String>().cloned().or_else(|| panicked.downcast_ref::<&str>().map(|s| (*s).to_owned()));
        Some(words.unwrap_or_else(|| "a panic without words".to_owned()))
    }

    fn replay(&self, budget: &Budget, share: u64, figure: &mut Figure) {
        let files = self.files();
        if files.is_empty() {
            figure.failures.push(format!("{}: there is no corpus in {}", self.name, corpus().display()));
            return;
        }
        for (name, bytes) in &files {
            figure.add(&format!("{}: files of the corpus", self.name), 1);
            if let Some(words) = self.fault(bytes) {
                figure.failures.push(format!("{}: fuzz/corpus/{0}/{name}: {words}", self.name));
            }
        }
        let all: Vec<&[u8]> = files.iter().map(|(_, bytes)| bytes.as_slice()).collect();
        for n in 0..share {
            // The first case is the seed itself, so that a failure is played again by its own number.
            let seed = if n == 0 { budget.seed } else { budget.case(n) };
            let bytes = mutate(&all, self.longest, &mut Rng::new(seed));
            figure.add(&format!("{}: changed inputs", self.name), 1);
            if let Some(words) = self.fault(&bytes) {
                figure.failures.push(format!("{}: {words}; again: --seed {seed} --count 1; bytes {}", self.name, hex::encode(&bytes)));
                break;
            }
        }
    }
}

/// Part `hostile`: the committed corpus and changes of it, in equal parts of the time for every target.
pub fn part(budget: &Budget) -> Figure {
    let start = std::time::Instant::now();
    let mut figure = Figure::default();
    let mut round = 0;
    loop {
        for target in TARGETS {
            let small = budget.count.unwrap_or(target.small);
            let share = Budget { seed: if round == 0 { budget.seed } else { budget.case(round << 32) }, ..*budget };
            target.replay(&share, small, &mut figure);
        }
        round += 1;
        if !figure.failures.is_empty() || budget.until.is_none_or(|until| std::time::Instant::now() >= until) {
            break;
        }
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure.notes.push("Changes without feedback; the fuzzers proper (`fuzz/README.md`) are guided by what the code does.".into());
    figure
}
