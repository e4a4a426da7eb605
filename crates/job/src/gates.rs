//! Hold points: what a signature covers, which signatures count, which gates are shut, how far the job is proved.

use crate::kinds::{Covered, Sign};
use crate::plan::{HoldPoint, Person, Role};
use crate::read::Reader;
use crate::say::Say;
use crate::steps::Found;
use crate::view::{FieldState, GateState, GateView, ItemView, SignView, StepState};
use journal::{EntryHash, PersonId};
use std::collections::BTreeSet;

/// Version of the rules that decide what a signature covers; part of what is signed.
pub const RULES: &str = "tubewright rules 1";

/// Roles that may waive a hold point, always with a reason.
pub const MAY_WAIVE: [Role; 3] = [Role::Supervisor, Role::Engineer, Role::Inspector];

/// The content root of a sign-off, hexadecimal: BLAKE3 over what is covered, the statement as shown, its language and the
/// version of the rules.
pub fn root(covers: &[Covered], statement: &str, lang: &str) -> String {
    let mut covers = covers.to_vec();
    covers.sort();
    let parts: Vec<(&str, &[EntryHash])> = covers.iter().map(|c| (c.field.as_str(), c.entries.as_slice())).collect();
    hex::encode(journal::root::content_root(&parts, statement, lang, RULES))
}

/// What a signature at this gate would cover now.
pub(crate) fn covers(r: &Reader<'_>, gate: &HoldPoint) -> Vec<Covered> {
    let mut all: Vec<Covered> = gate
        .covers
        .iter()
        .flat_map(|step| r.of_step(*step))
        .filter_map(|(path, subject)| {
            let mut entries: Vec<EntryHash> = Reader::standing(path, subject).into_iter().map(|f| f.hash).collect();
            entries.sort();
            (!entries.is_empty()).then(|| Covered { field: path.clone(), entries })
        })
        .collect();
    all.sort();
    all
}

/// Why nobody may sign now.
fn blocked(r: &Reader<'_>, gate: &HoldPoint, steps: &[(StepState, Found)]) -> Vec<Say> {
    let mut all = Vec::new();
    for step in &gate.covers {
        for (path, subject) in r.of_step(*step) {
            let unknown = Reader::standing(path, subject).iter().any(|f| !f.understood);
            match r.fields.get(path).map(|f| f.state) {
                Some(FieldState::TwoAnswers) => all.push(
                    Say::new(
                        "two-answers-block",
                        format!("Two answers stand for the {}: settle them or measure again.", crate::say::field_words(path)),
                    )
                    .with("field", path),
                ),
                // Of a field or in a list: nobody vouches for what this program cannot read.
                _ if unknown => {
                    all.push(Say::new("update-to-edit", "A newer program wrote something here: update this tablet."));
                }
                _ => {}
            }
        }
        if let Some((_, found)) = steps.get(usize::from(*step).wrapping_sub(1)) {
            all.extend(found.wants.iter().cloned());
        }
    }
    let mut seen = BTreeSet::new();
    all.retain(|s| seen.insert(s.words.clone()));
    all
}

/// Fields in which what stands now differs from what was signed.
fn changed(now: &[Covered], then: &[Covered]) -> Vec<String> {
    let mut all: BTreeSet<&String> = BTreeSet::new();
    all.extend(now.iter().filter(|c| !then.contains(c)).map(|c| &c.field));
    all.extend(then.iter().filter(|c| !now.contains(c)).map(|c| &c.field));
    all.into_iter().cloned().collect()
}

/// Who counted the tube: they can't vouch for their own count.
pub(crate) fn counters(r: &Reader<'_>) -> BTreeSet<PersonId> {
    ["place", "second-count"].iter().flat_map(|p| r.authors(p)).map(|b| b.person.clone()).collect()
}

/// Why a person may not sign so, from the roster and the record alone.
pub(crate) fn refusal(gate: &HoldPoint, role: Role, person: Option<&Person>, counted: &BTreeSet<PersonId>, waiving: bool) -> Option<Say> {
    let Some(person) = person else {
        return Some(Say::new("not-on-roster", "This person is not on the roster of this outage."));
    };
    if !person.roles.contains(&role) {
        return Some(
            Say::new("not-that-role", format!("{} may not sign as {}: nothing was signed.", person.name, role.words()))
                .with("name", &person.name),
        );
    }
    if waiving && !MAY_WAIVE.contains(&role) {
        return Some(Say::new("may-not-waive", "Only a supervisor, the owner's engineer or the inspector may waive, with a reason."));
    }
    if !waiving && !gate.roles.contains(&role) {
        return Some(Say::new("role-not-asked", "This hold point does not ask for that role."));
    }
    // The witness of the two counts is neither of those who counted.
    if gate.after_step == 1 && counted.contains(&person.id) {
        return Some(
            Say::new("own-count", format!("{} counted this tube: another person must sign for the place.", person.name))
                .with("name", &person.name),
        );
    }
    None
}

fn judge(r: &Reader<'_>, gate: &HoldPoint, item: &ItemView, now: &[Covered]) -> Option<SignView> {
    let sign: Sign = serde_json::from_value(item.body.clone()).ok()?;
    let person = r.names.plan.person(&item.by.person);
    let changed = changed(now, &sign.covers);
    let not_good = if !r.understands(&format!("gate/{}", gate.id), &item.entry) {
        // It may look like one of ours and mean something else.
        Some(Say::new(
            "signed-by-newer",
            "A newer program wrote this signature and this one cannot judge it: it does not count here. Update.",
        ))
    } else if sign.gate != gate.id || root(&sign.covers, &sign.statement, &sign.lang) != sign.root {
        Some(Say::new("root-wrong", "This signature does not fit what it says it covers: it does not count."))
    } else if sign.waived.as_deref().is_some_and(|reason| reason.trim().is_empty()) {
        Some(Say::new("waiver-without-reason", "A waiver without a reason does not count."))
    } else if let Some(say) = refusal(gate, sign.role, person, &counters(r), sign.waived.is_some()) {
        Some(say)
    } else if !changed.is_empty() {
        let fields = changed.join(", ");
        Some(Say::new("stale", format!("Signed before a change: {}.", crate::say::fields_words(&changed))).with("fields", fields))
    } else {
        None
    };
    Some(SignView {
        entry: item.entry,
        role: sign.role,
        by: item.by.clone(),
        statement: sign.statement,
        good: not_good.is_none(),
        not_good,
        waived: sign.waived,
        changed,
    })
}

/// One person is one signature: a second one of the same person in another role does not count.
fn one_each(signs: &mut [SignView]) {
    let mut taken: Vec<(PersonId, Role)> = Vec::new();
    for sign in signs.iter_mut().filter(|s| s.good && s.waived.is_none()) {
        if taken.iter().any(|(p, role)| *p == sign.by.person && *role != sign.role) {
            sign.good = false;
            sign.not_good = Some(Say::new("one-person-two-roles", "One person can't sign twice at one hold point in two roles."));
        } else {
            taken.push((sign.by.person.clone(), sign.role));
        }
    }
}

/// One gate.
pub(crate) fn gate(r: &Reader<'_>, point: &HoldPoint, steps: &[(StepState, Found)]) -> GateView {
    let now = covers(r, point);
    let items = r.lists.get(&format!("gate/{}", point.id)).map(Vec::as_slice).unwrap_or_default();
    let mut signs: Vec<SignView> = items.iter().filter_map(|i| judge(r, point, i, &now)).collect();
    one_each(&mut signs);
    let blocked = blocked(r, point, steps);
    let missing: Vec<Role> =
        point.roles.iter().copied().filter(|role| !signs.iter().any(|s| s.good && s.waived.is_none() && s.role == *role)).collect();
    let recorded_above = (point.after_step + 1..=12).any(|s| r.of_step(s).any(|(_, f)| !f.facts.is_empty()));
    let complete = steps.get(usize::from(point.after_step).wrapping_sub(1)).is_some_and(|(s, _)| *s == StepState::Recorded);
    // What changed under a signature shuts the gate again, and what stands in dispute keeps it shut.
    let state = if signs.iter().any(|s| s.good && s.waived.is_some()) {
        GateState::Waived
    } else if missing.is_empty() && blocked.is_empty() && !point.roles.is_empty() {
        GateState::Open
    } else if complete || recorded_above || !signs.is_empty() {
        GateState::Shut
    } else {
        GateState::NotDue
    };
    GateView {
        gate: point.id.clone(),
        after_step: point.after_step,
        state,
        roles: point.roles.clone(),
        missing,
        stale: signs.iter().any(|s| s.not_good.as_ref().is_some_and(|n| n.code == "stale")),
        passed_shut: state == GateState::Shut && recorded_above,
        signs,
        blocked,
        covers: now,
    }
}

/// Nobody closes a job out while a hold point below is not signed: the gate at the head stays shut until all others are
/// open or waived.
pub(crate) fn hold_last(mut gates: Vec<GateView>) -> Vec<GateView> {
    let open = |g: &GateView| matches!(g.state, GateState::Open | GateState::Waived);
    let below: Vec<String> = gates.iter().filter(|g| g.after_step < 12 && !open(g)).map(|g| g.gate.clone()).collect();
    if below.is_empty() {
        return gates;
    }
    let names = below.join(", ");
    let say = Say::new("gates-below", format!("Hold points below are not signed: {names}.")).with("gates", names);
    for last in gates.iter_mut().filter(|g| g.after_step == 12) {
        last.blocked.push(say.clone());
        if last.state == GateState::Open {
            last.state = GateState::Shut;
        }
    }
    gates
}

/// The level: the top of the unbroken proved column. It stops at the first step that is not all recorded and undisputed,
/// and at the first gate that is not open or waived, however much is recorded above.
pub fn level(steps: &[StepState], gates: &[(u8, GateState)]) -> u8 {
    let mut level = 0;
    for (step, state) in (1_u8..=12).zip(steps) {
        let open = gates.iter().filter(|(at, _)| *at == step).all(|(_, g)| matches!(g, GateState::Open | GateState::Waived));
        if *state != StepState::Recorded || !open {
            break;
        }
        level = step;
    }
    level
}
