//! The twelve steps: what each needs, what is missing, what stands.

use crate::kinds::{CheckDone, Failure, Filler, FitUp, HandOver, Material, Photo, Piece, Place, Plan, PressureTest, Reading, Visual, Weld};
use crate::plan::SitePlan;
use crate::read::{Reader, has_fit_up, has_gap};
use crate::say::Say;
use crate::view::{FieldState, StepState, Sums, WallVerdict};

/// Codes of the twelve steps, first at index 0.
pub const STEPS: [&str; 12] =
    ["place", "failure", "readings", "plan", "before-work", "material", "cut-gap", "fit-up", "weld", "examination", "test", "close-out"];

/// What the rules of one step found.
#[derive(Default)]
pub(crate) struct Found {
    pub wants: Vec<Say>,
    pub summary: Vec<Say>,
    reject: bool,
    not_known: bool,
}

impl Found {
    fn want(&mut self, say: Say) {
        self.wants.push(say);
    }

    fn reject(&mut self, say: Say) {
        self.reject = true;
        self.wants.insert(0, say);
    }

    fn not_known(&mut self, say: Say) {
        self.not_known = true;
        self.wants.insert(0, say);
    }

    fn note(&mut self, say: Say) {
        self.summary.push(say);
    }
}

/// State of a step (never `Proved`: that is the level's business), its wants and its summary.
pub(crate) fn step(r: &Reader<'_>, sums: &Sums, step: u8) -> (StepState, Found) {
    let mut found = Found::default();
    match step {
        1 => place(r, sums, &mut found),
        2 => failure(r, &mut found),
        3 => readings(r, sums, &mut found),
        4 => plan(r, &mut found),
        5 => before_work(r, r.names.plan, &mut found),
        6 => material(r, &mut found),
        7 => cut_gap(r, sums, &mut found),
        8 => fit_up(r, &mut found),
        9 => weld(r, &mut found),
        10 => examination(r, &mut found),
        11 => test(r, &mut found),
        _ => close_out(r, &mut found),
    }
    let states: Vec<FieldState> = r.of_step(step).filter_map(|(path, _)| r.fields.get(path)).map(|f| f.state).collect();
    if states.contains(&FieldState::NotUnderstood) || list_not_understood(r, step) {
        found.want(Say::new("update-to-edit", "A newer program wrote something here: update this tablet to read and edit it."));
    }
    let begun = r.of_step(step).any(|(_, s)| !s.facts.is_empty());
    let state = if states.contains(&FieldState::TwoAnswers) {
        StepState::TwoAnswers
    } else if found.reject {
        StepState::Reject
    } else if found.not_known {
        StepState::NotKnown
    } else if found.wants.is_empty() {
        StepState::Recorded
    } else if begun {
        StepState::InHand
    } else {
        StepState::NotBegun
    };
    (state, found)
}

fn list_not_understood(r: &Reader<'_>, step: u8) -> bool {
    r.of_step(step).filter(|(p, _)| r.lists.contains_key(*p)).any(|(_, s)| s.facts.values().any(|f| !f.understood))
}

fn missing(code: &str, words: &str) -> Say {
    Say::new(code, words)
}

fn place(r: &Reader<'_>, sums: &Sums, f: &mut Found) {
    let Some(place) = r.value::<Place>("place") else {
        return f.want(missing("place-missing", "Which tube it is has not been entered."));
    };
    let Some(count) = &sums.count else {
        return f.want(missing("section-unknown", "The section is not in the plan of this outage."));
    };
    match count.state.as_str() {
        "meets" => {
            let (a, b) = (count.first, count.second.unwrap_or(0));
            f.note(
                Say::new("counted-twice", format!("counted twice, {a} + {b} = {}", a + b))
                    .with("first", a)
                    .with("second", b)
                    .with("sum", a + b),
            );
        }
        "does-not-meet" => {
            let (a, b, n) = (count.first, count.second.unwrap_or(0), count.tubes);
            f.reject(
                Say::new("counts-do-not-meet", format!("STOP: {a} and {b} do not make {} for {n} tubes. Count again, both.", n + 1))
                    .with("first", a)
                    .with("second", b)
                    .with("sum", n + 1),
            );
        }
        "same-person" => f.reject(missing("count-same-person", "Both counts are by the same person: another person must count.")),
        _ => f.want(missing("second-count-missing", "Another person must count from the other end.")),
    }
    let side = place.side;
    f.note(Say::new("side", format!("{side} side")).with("side", side));
}

fn failure(r: &Reader<'_>, f: &mut Found) {
    match r.value::<Failure>("failure") {
        None => f.want(missing("failure-missing", "What was seen has not been entered.")),
        Some(seen) => {
            let words = match seen.first.as_str() {
                "leaked-first" => "leaked first",
                "struck" => "struck by a neighbour's leak",
                _ => "not sure what leaked first",
            };
            f.note(Say::new("failure-first", words).with("first", seen.first));
        }
    }
    let photos = r.items::<Photo>("photos");
    for view in ["overview", "middle", "close"] {
        if !photos.iter().any(|(_, p)| p.view == view) {
            f.want(Say::new("photo-missing", format!("The {view} photo is missing.")).with("view", view));
        }
    }
    if !photos.is_empty() {
        f.note(Say::new("photos", format!("{} photos", photos.len())).with("n", photos.len()));
    }
}

/// Fewest wall readings of a job: crown and both flanks at one elevation (common practice, no source).
const FEWEST_READINGS: usize = 3;

fn readings(r: &Reader<'_>, sums: &Sums, f: &mut Found) {
    let n = r.items::<Reading>("readings").len();
    let Some(wall) = &sums.wall else {
        return f.want(missing("readings-missing", "No wall readings yet."));
    };
    match wall.gauge_check.as_str() {
        "good" => {}
        "out" => f.reject(missing("gauge-out", "The gauge is out on its block: set it again and read all again.")),
        _ => f.want(missing("gauge-missing", "The gauge has not been checked on its block.")),
    }
    if n < FEWEST_READINGS {
        f.want(
            Say::new("readings-few", format!("{n} of at least {FEWEST_READINGS} wall readings: crown and both flanks."))
                .with("n", n)
                .with("least", FEWEST_READINGS),
        );
    }
    if let Some(least) = &wall.least {
        let text = crate::say::text(least);
        f.note(Say::new("readings", format!("{n}, thinnest {text}")).with("n", n).with("least", text));
        f.note(match wall.verdict {
            WallVerdict::Below => Say::new("wall-below", "below the required minimum wall"),
            WallVerdict::CannotBeCleared => Say::new("wall-cannot-be-cleared", "cannot be cleared by this reading"),
            WallVerdict::NotBelow => Say::new("wall-not-below", "not below the required minimum by these readings"),
            WallVerdict::NotKnown => Say::new("wall-not-known", "no verdict on the wall"),
        });
    }
}

fn plan(r: &Reader<'_>, f: &mut Found) {
    match r.value::<Plan>("plan") {
        None => f.want(missing("plan-missing", "The repair has not been decided.")),
        Some(p) => {
            let words = match p.method.as_str() {
                "dutchman" => "Dutchman",
                "window" => "window weld",
                "pad" => "pad weld",
                _ => "plug",
            };
            f.note(Say::new("plan-method", words).with("method", p.method));
        }
    }
}

fn before_work(r: &Reader<'_>, plan: &SitePlan, f: &mut Found) {
    let mut done = 0_usize;
    for check in &plan.checks {
        match r.value::<CheckDone>(&format!("before-work/{}", check.id)) {
            None => f.want(Say::new("check-missing", format!("Not yet checked: {}.", check.name.en)).with("check", &check.id)),
            Some(c) if c.result != "good" => f.reject(
                Say::new("check-not-good", format!("NOT GOOD: {}. Nobody works until it is put right.", check.name.en))
                    .with("check", &check.id),
            ),
            Some(_) => done += 1,
        }
    }
    if done > 0 {
        f.note(Say::new("checks-done", format!("{done} of {} checks", plan.checks.len())).with("n", done).with("all", plan.checks.len()));
    }
}

fn material(r: &Reader<'_>, f: &mut Found) {
    match r.value::<Material>("material") {
        None => f.want(missing("material-missing", "The replacement tube has not been entered.")),
        Some(m) => {
            match m.pmi.as_str() {
                "agrees" => {}
                "differs" => f.reject(missing("pmi-differs", "PMI differs from the grade: this tube must not go in.")),
                _ => f.not_known(missing("pmi-not-known", "PMI of the new tube is not known.")),
            }
            same_for_same(r, &m, f);
            f.note(Say::new("material", format!("{}, heat {}", m.grade, m.heat)).with("grade", m.grade).with("heat", m.heat));
        }
    }
    match (r.value::<Filler>("filler"), r.procedure()) {
        (None, _) => f.want(missing("filler-missing", "The filler metal has not been entered.")),
        (Some(filler), Some(p)) if !p.fillers.contains(&filler.class) => f.reject(
            Say::new("filler-not-in-procedure", format!("{} is not a filler of procedure {}.", filler.class, p.id))
                .with("class", filler.class)
                .with("procedure", &p.id),
        ),
        _ => {}
    }
    if r.procedure().is_none() {
        f.want(missing("procedure-missing", "The welding procedure has not been chosen."));
    }
}

/// A tube of another grade or size may be right, but only the engineer can say so: it is shown to whoever signs.
fn same_for_same(r: &Reader<'_>, m: &Material, f: &mut Found) {
    let Some(tube) = r.section().map(|s| &s.tube) else { return };
    if m.grade != tube.grade || !m.od.same_quantity(&tube.od) || m.wall.base() < tube.wall.base() {
        f.note(
            Say::new("material-not-same", format!("NOT the specified tube ({}): the engineer must have agreed.", tube.grade))
                .with("grade", &tube.grade),
        );
    }
}

fn not_needed(f: &mut Found) {
    f.note(Say::new("not-needed", "not needed for this method"));
}

fn cut_gap(r: &Reader<'_>, sums: &Sums, f: &mut Found) {
    if !has_gap(r.method().as_deref()) {
        return not_needed(f);
    }
    let Some(cut) = &sums.cut else { return };
    if !cut.missing.is_empty() {
        let at = cut.missing.join(", ");
        f.want(Say::new("gap-missing", format!("The gap is missing at {at} o'clock.")).with("clocks", at));
    }
    match r.value::<Piece>("piece") {
        None => f.want(missing("piece-missing", "The piece as cut has not been measured.")),
        Some(p) => {
            let text = crate::say::text(&p.length);
            f.note(Say::new("piece", format!("piece {text}")).with("length", text));
        }
    }
    for warning in &cut.warnings {
        if warning.code.starts_with("opening-") {
            f.reject(warning.clone());
        }
    }
    if let Some(length) = &cut.length {
        let text = crate::say::text(length);
        f.note(Say::new("cut-length", format!("cut length {text}")).with("length", text));
    }
}

fn joint_say(code: &str, joint: &str, words: String) -> Say {
    Say::new(code, words).with("joint", joint)
}

fn fit_up(r: &Reader<'_>, f: &mut Found) {
    if !has_fit_up(r.method().as_deref()) {
        return not_needed(f);
    }
    for joint in r.joints() {
        let Some(fit) = r.value::<FitUp>(&format!("joint/{joint}/fit-up")) else {
            f.want(joint_say("fit-up-missing", joint, format!("Fit-up of the {joint} joint is missing.")));
            continue;
        };
        let Some(p) = r.procedure() else { continue };
        if trade::cut::opening_verdict(&fit.root, &p.root_min, &p.root_max) != trade::cut::OpeningVerdict::Within {
            let text = crate::say::text(&fit.root);
            f.reject(
                joint_say("root-outside", joint, format!("Root opening {text} of the {joint} joint is outside the procedure."))
                    .with("opening", text),
            );
        }
        if fit.misalignment.base() > p.misalignment_max.base() {
            let text = crate::say::text(&fit.misalignment);
            f.reject(
                joint_say(
                    "misalignment-outside",
                    joint,
                    format!("Misalignment {text} of the {joint} joint is more than the procedure allows."),
                )
                .with("misalignment", text),
            );
        }
        f.note(joint_say("fit-up", joint, format!("{joint}: fitted by {}", fit.stamp)).with("stamp", fit.stamp));
    }
}

fn weld(r: &Reader<'_>, f: &mut Found) {
    let needed: &[&str] = if has_fit_up(r.method().as_deref()) { &["root", "cap"] } else { &["cap"] };
    for joint in r.joints() {
        let passes = r.items::<Weld>(&format!("joint/{joint}/welds"));
        for pass in needed {
            if !passes.iter().any(|(_, w)| w.pass == *pass) {
                f.want(joint_say("pass-missing", joint, format!("The {pass} pass of the {joint} joint is missing.")).with("pass", pass));
            }
        }
        if !passes.is_empty() {
            f.note(joint_say("passes", joint, format!("{joint}: {} passes", passes.len())).with("n", passes.len()));
        }
    }
}

fn examination(r: &Reader<'_>, f: &mut Found) {
    for joint in r.joints() {
        match r.value::<Visual>(&format!("joint/{joint}/visual")) {
            None => f.want(joint_say("visual-missing", joint, format!("The {joint} joint has not been examined."))),
            Some(v) if v.result == "accept" => f.note(joint_say("accepted", joint, format!("{joint}: accepted"))),
            Some(v) => f.reject(joint_say("rejected", joint, format!("The {joint} joint is REJECTED: {}", v.saw)).with("saw", v.saw)),
        }
    }
}

fn test(r: &Reader<'_>, f: &mut Found) {
    match r.value::<PressureTest>("test") {
        None => f.want(missing("test-missing", "The pressure test has not been recorded.")),
        Some(t) if t.result == "tight" => {
            let text = crate::say::text(&t.pressure);
            f.note(Say::new("tight", format!("tight at {text}")).with("pressure", text));
        }
        Some(t) => f.reject(Say::new("leak", format!("LEAK at the pressure test: {}", t.saw)).with("saw", t.saw)),
    }
}

fn close_out(r: &Reader<'_>, f: &mut Found) {
    if r.value::<HandOver>("hand-over").is_none() {
        f.want(missing("hand-over-missing", "The closing note is missing."));
    }
}
