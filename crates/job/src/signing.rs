//! Making a sign-off: who may, what it says, what it covers.

use crate::gates::{MAY_WAIVE, root};
use crate::kinds::{Covered, Sign};
use crate::plan::{HoldPoint, Person, Role, SitePlan};
use crate::say::Say;
use crate::view::{FieldState, JobView};
use journal::PersonId;
use std::collections::BTreeSet;

/// Whether this person may sign this gate as `role` now.
///
/// # Errors
/// The reason as a sentence: wrong role, own count, two answers, something missing, already signed.
pub fn may_sign(view: &JobView, plan: &SitePlan, gate: &str, person: &PersonId, role: Role) -> Result<(), Say> {
    let (point, gate_view) = find(view, plan, gate)?;
    if let Some(say) = crate::gates::refusal(point, role, plan.person(person), &counters(view), false) {
        return Err(say);
    }
    if let Some(say) = gate_view.blocked.first() {
        return Err(say.clone());
    }
    match gate_view.signs.iter().find(|s| s.good && s.waived.is_none() && s.by.person == *person) {
        None => Ok(()),
        Some(mine) if mine.role == role => Err(Say::new("already-signed", "You have signed this as it stands.")),
        Some(_) => Err(Say::new("one-person-two-roles", "One person can't sign twice at one hold point in two roles.")),
    }
}

/// Whether this person may waive this gate as `role`.
///
/// # Errors
/// The reason as a sentence.
pub fn may_waive(view: &JobView, plan: &SitePlan, gate: &str, person: &PersonId, role: Role, reason: &str) -> Result<(), Say> {
    let (point, _) = find(view, plan, gate)?;
    if reason.trim().chars().count() < 8 {
        return Err(Say::new("waiver-without-reason", "A waiver needs a reason in words: it will be seen for ever."));
    }
    crate::gates::refusal(point, role, plan.person(person), &counters(view), true).map_or(Ok(()), Err)
}

fn find<'a>(view: &'a JobView, plan: &'a SitePlan, gate: &str) -> Result<(&'a HoldPoint, &'a crate::view::GateView), Say> {
    let none = || Say::new("no-such-gate", "This hold point is not in the plan of this outage.");
    let point = plan.hold_point(gate).ok_or_else(none)?;
    let gate_view = view.gates.iter().find(|g| g.gate == gate).ok_or_else(none)?;
    Ok((point, gate_view))
}

fn counters(view: &JobView) -> BTreeSet<PersonId> {
    let fields = ["place", "second-count"].iter().filter_map(|p| view.fields.get(*p));
    fields.flat_map(|f| &f.answers).flat_map(|a| &a.by).map(|b| b.person.clone()).collect()
}

/// The statement of a gate in a language, with the other language after it: both are always shown, and the text as shown
/// is part of what is signed.
pub fn statement(point: &HoldPoint, lang: &str) -> String {
    let (first, second) =
        if lang == "es" { (&point.statement.es, &point.statement.en) } else { (&point.statement.en, &point.statement.es) };
    format!("{first} / {second}")
}

/// The body of a sign-off over what stands now, or of a waiver where a reason is given. `None` for an unknown gate.
pub fn sign_body(view: &JobView, plan: &SitePlan, gate: &str, role: Role, lang: &str, waived: Option<String>) -> Option<Sign> {
    let (point, gate_view) = find(view, plan, gate).ok()?;
    let statement = statement(point, lang);
    let covers: Vec<Covered> = gate_view.covers.clone();
    Some(Sign { gate: gate.to_owned(), role, root: root(&covers, &statement, lang), statement, lang: lang.to_owned(), covers, waived })
}

/// True for those who may settle two answers: supervisor and QC inspector.
pub(crate) fn settles(person: &Person) -> bool {
    person.roles.iter().any(|r| matches!(r, Role::Supervisor | Role::Qc))
}

/// Whether a person may settle a disagreement: supervisor or QC, and not one of those who gave an answer.
///
/// # Errors
/// The reason as a sentence.
pub fn may_settle(view: &JobView, field: &str, person: &Person, reason: &str) -> Result<(), Say> {
    if !settles(person) {
        return Err(Say::new("may-not-settle", "Only a supervisor or the QC inspector may settle two answers. Both stay as they are."));
    }
    if reason.trim().chars().count() < 8 {
        return Err(Say::new("settle-without-reason", "Settling needs a reason in words. Both answers stay as they are."));
    }
    let two = view.fields.get(field).filter(|f| f.state == FieldState::TwoAnswers);
    let Some(two) = two else {
        return Err(Say::new("nothing-to-settle", "There are no two answers here any more. Look at the tube again."));
    };
    if two.answers.iter().any(|a| a.settled.is_none() && a.by.iter().any(|b| b.person == person.id)) {
        return Err(Say::new("own-answer", "You gave one of the two answers: another person must settle them."));
    }
    Ok(())
}

/// Roles in which this person could waive.
pub fn waiver_roles(person: &Person) -> Vec<Role> {
    MAY_WAIVE.iter().copied().filter(|r| person.roles.contains(r)).collect()
}
