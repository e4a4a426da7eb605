//! The job view: everything the fold knows about one job, put together.

use crate::fold::{Devices, JobFold, Names};
use crate::gates;
use crate::kinds::{Open, Place};
use crate::plan::SitePlan;
use crate::read::Reader;
use crate::say::Say;
use crate::steps::{self, Found, STEPS};
use crate::view::{By, FieldState, GateState, GateView, JobView, StepState, StepView, Wanted};
use std::collections::BTreeSet;

impl JobFold {
    /// The job as seen with this plan and these device names; `None` while its `open` entry has not arrived.
    /// The same entries, plan and names give the same view, byte for byte.
    pub fn view(&self, plan: &SitePlan, devices: &Devices) -> Option<JobView> {
        let names = Names { plan, devices };
        let judged = self.judged(plan);
        let r = Reader::new(&judged, &names);
        let opened = r.fields.get("open")?.answers.first()?.by.first()?.clone();
        let open: Open = serde_json::from_value(r.fields.get("open")?.answers.first()?.body.clone()).ok()?;
        let sums = crate::sums::sums(&r);
        let found: Vec<(StepState, Found)> = (1..=12).map(|s| steps::step(&r, &sums, s)).collect();
        let gates = gates::hold_last(plan.hold_points.iter().map(|p| gates::gate(&r, p, &found)).collect());
        let states: Vec<StepState> = found.iter().map(|(s, _)| *s).collect();
        let at: Vec<(u8, GateState)> = gates.iter().map(|g| (g.after_step, g.state)).collect();
        let level = gates::level(&states, &at);
        let stands_at = (level + 1).min(12);
        let wanted = wanted(&r, &found, &gates, stands_at, &opened);
        let place: Option<Place> = r.value("place");
        let steps = step_views(&r, found, level);
        let tablets: BTreeSet<String> =
            self.subjects.values().flat_map(|s| s.facts.values()).map(|f| devices.name(&f.incarnation)).collect();
        Some(JobView {
            job: self.job.clone(),
            number: open.number,
            section: place.as_ref().map_or(open.section, |p| p.section.clone()),
            tube: place.as_ref().map(|p| p.tube),
            elevation: place.as_ref().map(|p| p.elevation.clone()),
            side: place.map(|p| p.side),
            opened,
            level,
            stands_at,
            full: level == 12 && wanted.is_empty(),
            steps,
            gates,
            sums,
            wanted,
            tablets: tablets.into_iter().collect(),
            entries: self.len(),
            fields: r.fields,
            lists: r.lists,
        })
    }
}

fn step_views(r: &Reader<'_>, found: Vec<(StepState, Found)>, level: u8) -> Vec<StepView> {
    let mut views = Vec::with_capacity(12);
    for (step, (state, found)) in (1_u8..).zip(found) {
        let begun = r.of_step(step).any(|(_, s)| !s.facts.is_empty());
        let proved = step <= level;
        views.push(StepView {
            step,
            name: STEPS[usize::from(step) - 1].to_owned(),
            state: match state {
                _ if proved => StepState::Proved,
                // A step that needs nothing is not "recorded": nobody did anything.
                StepState::Recorded if !begun => StepState::NotBegun,
                other => other,
            },
            above_level: !proved && begun,
            wants: found.wants,
            summary: found.summary,
        });
    }
    views
}

/// Newest wall clock among what a gate covers: since when it could have been signed, as far as clocks can be believed.
fn since(r: &Reader<'_>, gate: &GateView, opened: &By) -> i64 {
    gate.covers
        .iter()
        .flat_map(|c| &c.entries)
        .filter_map(|hash| r.fold.subjects.values().find_map(|s| s.facts.get(hash)))
        .map(|f| f.wall_ms)
        .max()
        .unwrap_or(opened.wall_ms)
}

fn wanted(r: &Reader<'_>, found: &[(StepState, Found)], gates: &[GateView], stands_at: u8, opened: &By) -> Vec<Wanted> {
    let mut all = Vec::new();
    for (step, (state, f)) in (1_u8..).zip(found) {
        let what = match state {
            StepState::NotKnown => "not-known",
            StepState::Reject => "reject",
            _ => "missing",
        };
        // Above the step where the job stands only what is wrong is wanted, not what has simply not come yet.
        if step <= stands_at || matches!(state, StepState::NotKnown | StepState::Reject) {
            all.extend(f.wants.iter().map(|say| want(what, step, say.clone(), opened.wall_ms)));
        }
        all.extend(two_answers(r, step));
    }
    for gate in gates.iter().filter(|g| g.state == GateState::Shut) {
        all.extend(gate_wants(r, gate, opened));
    }
    all.sort_by(|a, b| (a.step, rank(&a.what), &a.say.words).cmp(&(b.step, rank(&b.what), &b.say.words)));
    all
}

/// Within a step: what is wrong, then what is missing, then who must sign, then what only has to be known.
fn rank(what: &str) -> usize {
    const ORDER: [&str; 7] = ["two-answers", "reject", "not-known", "missing", "stale", "signature", "passed-shut"];
    ORDER.iter().position(|o| *o == what).unwrap_or(ORDER.len())
}

fn want(what: &str, step: u8, say: Say, since_ms: i64) -> Wanted {
    Wanted { what: what.to_owned(), step, gate: None, role: None, field: None, say, since_ms }
}

fn two_answers(r: &Reader<'_>, step: u8) -> Vec<Wanted> {
    let paths = r.of_step(step).filter_map(|(path, _)| Some((path, r.fields.get(path)?)));
    paths
        .filter(|(_, f)| f.state == FieldState::TwoAnswers)
        .map(|(path, f)| {
            let since = f.answers.iter().flat_map(|a| &a.by).map(|b| b.wall_ms).max().unwrap_or_default();
            let say = Say::new("two-answers", format!("Two answers: {}.", crate::say::field_words(path))).with("field", path);
            Wanted { field: Some(path.clone()), ..want("two-answers", step, say, since) }
        })
        .collect()
}

fn gate_wants(r: &Reader<'_>, gate: &GateView, opened: &By) -> Vec<Wanted> {
    let since_ms = since(r, gate, opened);
    let at = |what: &str, say: Say| Wanted { gate: Some(gate.gate.clone()), ..want(what, gate.after_step, say, since_ms) };
    let mut all: Vec<Wanted> = gate
        .missing
        .iter()
        .map(|role| {
            let say = Say::new("signature", format!("{} has not signed at {}.", role.words(), gate.gate))
                .with("gate", &gate.gate)
                .with("role", role.code());
            Wanted { role: Some(*role), ..at("signature", say) }
        })
        .collect();
    for sign in gate.signs.iter().filter(|s| s.not_good.as_ref().is_some_and(|n| n.code == "stale")) {
        // A stale signature that was given again since is history, not a want.
        if gate.missing.contains(&sign.role) || sign.waived.is_some() {
            let fields = sign.changed.join(", ");
            let words = crate::say::fields_words(&sign.changed);
            let say = Say::new("stale", format!("{} signed before a change: {words}.", sign.by.name))
                .with("name", &sign.by.name)
                .with("gate", &gate.gate)
                .with("fields", fields);
            all.push(Wanted { role: Some(sign.role), ..at("stale", say) });
        }
    }
    if gate.passed_shut {
        let say = Say::new("passed-shut", format!("Work was recorded past {} before it was signed.", gate.gate)).with("gate", &gate.gate);
        all.push(at("passed-shut", say));
    }
    all
}
