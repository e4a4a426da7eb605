//! Pictures meant to harm: kept byte for byte or refused with a reason; a preview within bounds or none; the program lives.

pub mod made;
mod named;

use crate::hostile::mutate;
use crate::sim::rng::Rng;
use crate::{Budget, Figure};
use named::Must;
use photo::{Limits, inspect, pictures};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;
use store::{Options, Size, Store};

/// What one picture may cost beside what the program needs anyway: the limit of the decoder, the file and a copy of it.
const MOST_MIB: u64 = 512 + 2 * 64;

/// Memory of this process in MiB.
struct Memory;

impl Memory {
    /// A line of `/proc/self/status`; `None` where there is none.
    fn mib(line: &str) -> Option<u64> {
        let text = std::fs::read_to_string("/proc/self/status").ok()?;
        let words = text.lines().find(|l| l.starts_with(line))?.split_whitespace().nth(1)?.parse::<u64>().ok()?;
        Some(words / 1024)
    }

    /// Runs something and gives by how much the memory rose at most while it ran.
    fn peak_of<T>(run: impl FnOnce() -> T) -> (T, Option<u64>) {
        // 5 sets the highest mark back to what is in use now (proc_pid_clear_refs(5)).
        let reset = std::fs::write("/proc/self/clear_refs", "5").is_ok();
        let before = Self::mib("VmRSS:");
        let value = run();
        let peak = Self::mib("VmHWM:").zip(before).filter(|_| reset).map(|(high, before)| high.saturating_sub(before));
        (value, peak)
    }
}

/// What came of one file.
fn judge(store: &Store, bytes: &[u8], must: Option<Must>, figure: &mut Figure) -> Result<(), String> {
    let start = Instant::now();
    let ran = || catch_unwind(AssertUnwindSafe(|| (inspect(bytes, &Limits::default()), pictures(bytes))));
    let (came, peak) = Memory::peak_of(ran);
    let (gate, made) = came.map_err(|_| "a panic reached the program".to_owned())?;
    most(figure, "milliseconds the slowest took", start.elapsed().as_millis() as u64);
    if let Some(peak) = peak {
        most(figure, "MiB the hungriest took", peak);
        if peak > MOST_MIB {
            return Err(format!("it took {peak} MiB"));
        }
    }
    match (&gate, must) {
        (Err(why), Some(Must::Refuse(code))) if why.code() == code => {}
        (Ok(_), None | Some(Must::Show | Must::Keep)) | (Err(_), None) => {}
        (other, must) => return Err(format!("the gate says {other:?}, but {must:?} was due")),
    }
    if let Err(why) = gate {
        figure.add("refused at the gate, with a reason", 1);
        let same = made.as_ref().err() == Some(&why);
        return if same { Ok(()) } else { Err("the gate refuses what the decoder takes".into()) };
    }
    let hash = store.photos().put(bytes).map_err(|e| e.to_string())?;
    if store.photos().read(&hash, Size::Full).map_err(|e| e.to_string())?.as_deref() != Some(bytes) {
        return Err("what was kept is not what came".into());
    }
    figure.add("originals kept byte for byte", 1);
    match made {
        Ok(made) if inspect(&made.large, &Limits::default()).is_ok() && inspect(&made.small, &Limits::default()).is_ok() => {
            figure.add("shown", 1);
        }
        Ok(_) => return Err("what was made of it is no picture".into()),
        Err(why) if must == Some(Must::Show) => return Err(format!("it is not shown: {why}")),
        Err(_) => figure.add("kept without a preview, with a reason", 1),
    }
    Ok(())
}

/// Keeps the largest value of a count.
fn most(figure: &mut Figure, what: &str, n: u64) {
    let now = figure.get(what);
    figure.add(what, n.saturating_sub(now));
}

/// Part `images`.
pub fn part(budget: &Budget) -> Figure {
    let start = Instant::now();
    let mut figure = Figure::default();
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path(), Options { photo_floor: 0, ..Options::default() }).unwrap();
    for case in named::all(budget.all) {
        figure.add("named files", 1);
        if let Err(wrong) = judge(&store, &case.bytes, Some(case.must), &mut figure) {
            figure.failures.push(format!("{}: {wrong}", case.name));
        }
    }
    let small = made::small();
    let all: Vec<&[u8]> = small.iter().map(|(_, bytes)| bytes.as_slice()).collect();
    let mut n = 0;
    while budget.more(n, 2_000) && figure.failures.len() < 10 {
        // The first case is the seed itself, so that a failure is played again by its own number.
        let seed = if n == 0 { budget.seed } else { budget.case(n) };
        let bytes = mutate(&all, 1 << 20, &mut Rng::new(seed));
        figure.add("changed files", 1);
        if let Err(wrong) = judge(&store, &bytes, None, &mut figure) {
            figure.failures.push(format!("{wrong}; again: --seed {seed} --count 1"));
        }
        n += 1;
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    if Memory::mib("VmHWM:").is_none() {
        figure.notes.push("The memory could not be measured on this system.".into());
    }
    figure
        .notes
        .push("The kernel's figures of the whole process; what a decoder takes and gives back between two looks is in them.".into());
    figure
}
