//! The parts: schedules by the thousand, each seed twice, good clocks against bad ones, planted bugs.

use crate::sim::planted::{self, Planted};
use crate::sim::rng::Rng;
use crate::sim::script::{Length, Op, Script};
use crate::sim::shrink::shrink;
use crate::sim::world::{BEGAN_MS, Way, World};
use crate::{Budget, Figure};
use std::time::Instant;

/// How a schedule ended.
#[derive(Clone, Debug)]
pub struct Ran {
    /// What was counted.
    pub figure: Figure,
    /// A hash over everything that happened.
    pub trace: [u8; 32],
    /// What must not be, with the number of the step that did it.
    pub wrong: Option<(usize, String)>,
}

/// Runs a schedule, and lets the world come to rest at its end.
pub fn run(script: &Script, way: Way) -> Ran {
    live(script, way).0
}

/// The same, with the world as it is then.
fn live(script: &Script, way: Way) -> (Ran, Option<World>) {
    let mut world = match World::new(script.clone(), way) {
        Ok(world) => world,
        Err(wrong) => return (Ran { figure: Figure::default(), trace: [0; 32], wrong: Some((0, wrong)) }, None),
    };
    let mut wrong = None;
    for (at, op) in script.ops.iter().chain(&[Op::Quiet]).enumerate() {
        if let Err(why) = world.step(*op) {
            wrong = Some((at, why));
            break;
        }
    }
    world.figure.add("simulated hours", ((world.now_ms - BEGAN_MS) / 3_600_000) as u64);
    world.figure.add("schedules", 1);
    let ran = Ran { figure: std::mem::take(&mut world.figure), trace: *world.trace.finalize().as_bytes(), wrong };
    (ran, Some(world))
}

/// Runs a schedule that is kept.
pub fn replay(json: &str) -> Result<Ran, serde_json::Error> {
    Ok(run(&serde_json::from_str(json)?, Way::default()))
}

fn told(script: &Script, ran: &Ran) -> Option<String> {
    let (at, why) = ran.wrong.as_ref()?;
    eprintln!("seed {}: step {at} of {}: {why}; looking for a short schedule", script.seed, script.ops.len());
    let short = shrink(script, Way::default(), 150);
    let last = run(&short, Way::default()).wrong.map(|w| w.1).unwrap_or_default();
    let json = serde_json::to_string(&short).expect("a schedule is plain");
    Some(format!("step {at} of {}: {why}\n  in short: {last}\n  for tests/proof/seeds: {json}\n ", script.ops.len()))
}

/// Schedules in an ordinary run of the tests.
const SMALL: u64 = 2_000;

/// Part `sim`.
pub fn sim_part(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "schedules", SMALL, |seed, figure| {
        let script = Script::new(seed, Length::Mixed);
        let ran = run(&script, Way::default());
        let wrong = told(&script, &ran);
        figure.join(ran.figure);
        wrong
    })
}

/// Part `determinism`.
pub fn determinism_part(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "seeds run twice", 40, |seed, figure| {
        let script = Script::new(seed, Length::Mixed);
        let (one, two) = (run(&script, Way::default()), run(&script, Way::default()));
        figure.add("seeds run twice", 1);
        (one.trace != two.trace).then(|| "the same seed went two ways".to_owned())
    })
}

/// Part `clocks`.
pub fn clocks_part(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "schedules run with good and with bad clocks", 60, |seed, figure| {
        let wrong = good_and_bad(seed, None, figure);
        figure.add("schedules run with good and with bad clocks", 1);
        wrong
    })
}

/// The same schedule with clocks that jump and with clocks that are right: what is shown is the same but for the times.
fn good_and_bad(seed: u64, planted: Option<Planted>, figure: &mut Figure) -> Option<String> {
    let mut script = Script::new(seed, Length::Short);
    let mut rng = Rng::new(seed);
    // What strikes at the n-th call to a disk would strike elsewhere where an entry is a byte longer.
    script.ops.retain(|op| !matches!(op, Op::Fail(..) | Op::Cut(..) | Op::FlipPage(..) | Op::Room(_)));
    for _ in 0..1 + script.ops.len() / 8 {
        let machine = rng.below(2 + usize::from(script.tablets)) as u8;
        script.ops.insert(rng.below(script.ops.len() + 1), Op::Clock(machine, rng.next() as u32));
    }
    let clocks = script.ops.iter().filter(|op| matches!(op, Op::Clock(..))).count();
    figure.add("clocks upset", clocks as u64);
    let (bad, world) = live(&script, Way { calm: true, planted, ..Way::default() });
    let (good, right) = live(&script, Way { calm: true, good_clocks: true, planted });
    if let Some(wrong) = told(&script, &bad) {
        return Some(wrong);
    }
    if let Some((at, why)) = good.wrong {
        return Some(format!("with good clocks, step {at}: {why}"));
    }
    let (seen, wanted) = (world?.shown_without_times(), right?.shown_without_times());
    figure.add("screens compared", seen.len() as u64);
    if seen.len() != wanted.len() {
        return Some("other jobs are shown where clocks are wrong".to_owned());
    }
    let other = seen.iter().zip(&wanted).find(|(a, b)| a != b);
    other.map(|(a, b)| format!("{} is shown otherwise where clocks are wrong: {}", a.0, apart(&a.1, &b.1)))
}

/// Where two texts part.
fn apart(a: &str, b: &str) -> String {
    let at = a.bytes().zip(b.bytes()).position(|(p, q)| p != q).unwrap_or(0).saturating_sub(80);
    let piece = |s: &str| s.chars().skip(at).take(240).collect::<String>();
    format!("…{}… and …{}…", piece(a), piece(b))
}

/// Part `planted-sim`.
pub fn planted_part(budget: &Budget) -> Figure {
    let (start, mut figure) = (Instant::now(), Figure::default());
    let most = budget.count.unwrap_or(400);
    for bug in planted::ALL {
        figure.add("planted", 1);
        match (0..most).find(|n| catches(budget.case(*n), bug)) {
            Some(n) => {
                figure.add("caught", 1);
                figure.add(&format!("schedules until {bug:?} was caught"), n + 1);
            }
            None => figure.failures.push(format!("{bug:?} was not caught in {most} schedules")),
        }
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure
}

fn catches(seed: u64, bug: Planted) -> bool {
    if bug == Planted::ByClock {
        return good_and_bad(seed, Some(bug), &mut Figure::default()).is_some();
    }
    let script = Script::new(seed, Length::Mixed);
    let noticed = run(&script, Way { planted: Some(bug), ..Way::default() }).wrong.is_some();
    // It is the bug that was noticed: without it the same schedule goes right.
    noticed && run(&script, Way::default()).wrong.is_none()
}
