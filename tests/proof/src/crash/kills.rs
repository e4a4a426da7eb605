//! Real processes on a real disk, killed at a random moment.

use super::cuts::round;
use super::flows::{FLOWS, Flow, bundle};
use super::play::{Fact, Play, Stage, backups};
use crate::{Budget, Figure};
use journal::{EntryHash, PhotoHash};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use store::testkit::machine::{Tree, spread};
use store::{Options, Size, Store};

/// A folder on the real disk; what is acknowledged is said on standard output.
#[derive(Debug)]
struct Real {
    root: PathBuf,
    says: bool,
}

impl Stage for Real {
    fn options(&self) -> Options {
        Options { photo_floor: 0, ..Options::default() }
    }
    fn root(&self) -> PathBuf {
        self.root.clone()
    }
    fn ack(&self, _n: usize, fact: &Fact) {
        let line = match fact {
            Fact::Entry(sealed) => format!("saved entry {}", sealed.hash.to_hex()),
            Fact::Photo(photo) => format!("saved photo {}", photo.to_hex()),
            Fact::Receipt(photo) => format!("saved receipt {}", photo.to_hex()),
            Fact::Setting(..) | Fact::Holds(..) => return,
        };
        if self.says {
            let mut out = std::io::stdout().lock();
            writeln!(out, "{line}").and_then(|()| out.flush()).expect("the parent listens");
        }
    }
    fn kill(&self) {}
    fn put(&self, _files: &Tree) {}
    fn read(&self, path: &Path) -> Option<Vec<u8>> {
        std::fs::read(path).ok()
    }
}

/// Flows that begin where an earlier one was killed.
const AGAIN: [&str; 11] = ["save", "correct", "photo", "sign", "import", "receipt", "sync in", "sync out", "backup", "compact", "export"];

fn named(name: &str) -> Flow {
    *FLOWS.iter().find(|f| f.name == name).expect("a flow of that name")
}

/// What the killed process does: one flow after the other in `root`, for ever.
pub fn child(root: &Path, seed: u64) {
    let stage = Real { root: root.to_owned(), says: true };
    for n in 0_u64.. {
        let seed = spread(seed ^ n << 8);
        let flow = named(AGAIN[(seed >> 11) as usize % AGAIN.len()]);
        (flow.run)(&mut Play::new(&stage, seed)).unwrap_or_else(|e| panic!("flow {}: {e}", flow.name));
    }
}

/// Kills by the child program that lies beside this one.
pub fn kills(budget: &Budget) -> Figure {
    let here = std::env::current_exe().expect("this program has a place");
    let beside = here.ancestors().skip(1).take(2).map(|folder| folder.join("tubewright-kill-child"));
    let exe = |path: PathBuf| if cfg!(windows) { path.with_extension("exe") } else { path };
    match beside.map(exe).find(|path| path.is_file()) {
        Some(program) => kills_by(budget, &program),
        None => Figure { failures: vec!["tubewright-kill-child is not beside this program; build it".into()], ..Figure::default() },
    }
}

/// Kills a child program again and again and looks whether all that it said it had saved is there.
pub fn kills_by(budget: &Budget, program: &Path) -> Figure {
    const LIFE: u64 = 25;
    let start = Instant::now();
    let mut figure = Figure::default();
    let mut done = 0;
    while budget.more(done, 50) && figure.failures.is_empty() {
        let seed = round(budget, done / LIFE);
        let folder = tempfile::tempdir().expect("a folder for the store");
        let stage = Real { root: folder.path().to_owned(), says: false };
        let mut before = Play::new(&stage, seed);
        (named("backup").before)(&mut before).and_then(|()| bundle(&mut before)).unwrap_or_else(|e| panic!("before the kills: {e}"));
        let mut said: Vec<String> = Vec::new();
        for n in 0..LIFE {
            if !budget.more(done, 50) {
                break;
            }
            let seed = spread(seed ^ n);
            said.extend(run_and_kill(program, folder.path(), seed));
            done += 1;
            figure.add("processes killed", 1);
            if let Err(why) = look(&stage, &said, n % 5 == 4 || n + 1 == LIFE) {
                figure.failures.push(format!("kill {n} of seed {seed}: {why}"));
                break;
            }
        }
        figure.add("entries, photos and receipts said to be saved, all there", said.len() as u64);
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure.notes.push("the kernel is not killed: what a power cut leaves is judged by the images".into());
    figure
}

/// Lets the child say a few things, kills it, and gives all that it said.
fn run_and_kill(program: &Path, folder: &Path, seed: u64) -> Vec<String> {
    let mut child = Command::new(program).arg(folder).arg(seed.to_string()).stdout(Stdio::piped()).spawn().expect("the child begins");
    let mut lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
    let mut said: Vec<String> = Vec::new();
    let until = spread(seed) as usize % 30;
    while said.len() < until {
        let Some(Ok(line)) = lines.next() else { panic!("the child ended by itself") };
        said.push(line);
    }
    std::thread::sleep(Duration::from_micros(spread(seed ^ 1) % 20_000));
    child.kill().expect("the child is killed");
    child.wait().expect("it ends");
    // What was still in the pipe was said too; a line cut by the kill was not.
    said.extend(lines.map_while(Result::ok));
    said.retain(|line| line.starts_with("saved ") && line.split(' ').nth(2).is_some_and(|hash| hash.len() == 64));
    said
}

fn look(stage: &Real, said: &[String], all: bool) -> Result<(), String> {
    let mut store = Store::open(&stage.root.join("store"), stage.options()).map_err(|e| format!("the store does not open: {e}"))?;
    let say = |e: store::StoreError| e.to_string();
    for line in said {
        let words: Vec<&str> = line.split(' ').collect();
        let there = match (words[1], EntryHash::from_hex(words[2]), PhotoHash::from_hex(words[2])) {
            ("entry", Some(hash), _) => store.entry(&hash).map_err(say)?.is_some(),
            ("photo", _, Some(hash)) => store.photos().read(&hash, Size::Full).map_err(say)?.is_some(),
            (_, _, Some(hash)) => store.photo_state(&hash).map_err(say)?.receipt_ms.is_some(),
            _ => false,
        };
        if !there {
            return Err(format!("LOST: {line}"));
        }
    }
    if all {
        let report = store.verify().map_err(say)?;
        if !report.is_good() {
            return Err(format!("{:?}", report.faults));
        }
        let target = backups(stage);
        for snapshot in store::backup::list(&target).map_err(say)? {
            let (_, lost) = store::backup::check(&target, &snapshot.stamp).map_err(say)?;
            if !lost.is_empty() {
                return Err(format!("the backup {} lacks photos", snapshot.stamp));
            }
        }
    }
    Ok(())
}
