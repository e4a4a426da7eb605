//! One job from the first count to the last signature, and what breaks it.

#![allow(clippy::unwrap_used)]

mod common;

use common::{Tablet, gap, m, plan, record_steps, sign_all, view};
use job::plan::Role;
use job::view::{FieldState, GateState, StepState, WallVerdict};
use journal::PersonId;
use serde_json::json;

fn codes(says: &[job::Say]) -> Vec<&str> {
    says.iter().map(|s| s.code.as_str()).collect()
}

#[test]
fn a_whole_job_fills_step_by_step() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 12);
    let before = view(&[&t]);
    assert_eq!(before.level, 0, "everything recorded, nothing signed: the level stands at the foot");
    assert!(before.steps.iter().all(|s| s.above_level), "all of it is above the level");
    let last = job::signing::may_sign(&before, &plan(), "close-out", &PersonId("p-lindahl".into()), Role::Engineer).unwrap_err();
    assert_eq!(last.code, "gates-below", "nobody closes out what is not signed below");
    sign_all(&mut t, 12);
    let after = view(&[&t]);
    for step in &after.steps {
        println!("{:>2} {:<12} {:?} {:?}", step.step, step.name, step.state, codes(&step.summary));
    }
    println!("wanted: {:?}", after.wanted);
    assert_eq!((after.level, after.full), (12, true));
    assert!(after.gates.iter().all(|g| g.state == GateState::Open));
}

#[test]
fn the_sums_of_the_story_stand_beside_their_working() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 7);
    let v = view(&[&t]);
    let count = v.sums.count.unwrap();
    assert_eq!((count.first, count.second, count.tubes, count.state.as_str()), (47, Some(74), 120, "meets"));
    let wall = v.sums.wall.unwrap();
    println!("wall: required {:?} least {:?} {:?}\n{:#?}", wall.required, wall.least, wall.verdict, wall.trace);
    assert_eq!(wall.verdict, WallVerdict::Below, "0.112 in is below what PG-27.2.1 asks of this tube");
    let cut = v.sums.cut.unwrap();
    // Mean gap 20 17/32 less twice 3/32 is 20 11/32.
    assert_eq!(cut.length.as_ref().unwrap().value, trade::Ratio::new(651, 32).unwrap());
    println!("cut: {:?} openings {:?} warnings {:?}", cut.length, cut.openings, cut.warnings);
    assert!(cut.warnings.is_empty());
}

#[test]
fn one_missing_signature_low_down_holds_the_level_there() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 12);
    sign_all(&mut t, 5);
    let v = view(&[&t]);
    assert_eq!((v.level, v.stands_at), (5, 6));
    assert!(v.gates.iter().any(|g| g.gate == "material" && g.state == GateState::Shut && g.passed_shut));
    assert!(v.wanted.iter().any(|w| w.what == "passed-shut"));
}

#[test]
fn two_gaps_are_two_answers_the_larger_governs_and_nothing_is_signed() {
    let (mut a, mut b) = (Tablet::new("K2", 2), Tablet::new("K4", 4));
    record_steps(&mut a, 7);
    let late = b.record("d-kerr", "gap/6", "gap", gap("20 5/8"), &[]);
    let v = view(&[&a, &b]);
    let field = &v.fields["gap/6"];
    assert_eq!(field.state, FieldState::TwoAnswers);
    assert_eq!(field.answers.iter().map(|x| x.by[0].tablet.as_str()).collect::<Vec<_>>(), ["K2", "K4"], "in the order of tablet names");
    assert_eq!(field.governs, Some(1), "the larger gap");
    println!("apart: {:?}", field.apart);
    assert_eq!(v.steps[6].state, StepState::TwoAnswers);
    assert_eq!(v.sums.cut.as_ref().unwrap().gaps["6"].typed, "20 5/8");
    let refused = job::signing::may_sign(&v, &plan(), "gap", &PersonId("l-vega".into()), Role::Qc).unwrap_err();
    assert_eq!(refused.code, "two-answers-block");

    // Settled by someone who gave neither; both stay readable.
    let settle = json!({"kind": "gap", "body": gap("20 1/2"), "reason": "measured again, both together"});
    let basis = field.basis.clone();
    assert!(basis.contains(&late) && basis.len() == 2);
    let dies = plan().person(&PersonId("d-kerr".into())).unwrap().clone();
    assert_eq!(job::signing::may_settle(&v, "gap/6", &dies, "it is mine").unwrap_err().code, "may-not-settle");
    let super_ = plan().person(&PersonId("m-diaz".into())).unwrap().clone();
    job::signing::may_settle(&v, "gap/6", &super_, "measured again, both together").unwrap();
    a.record("m-diaz", "gap/6", "settle", settle.clone(), &basis);
    let settled = view(&[&a, &b]);
    assert_eq!(settled.fields["gap/6"].state, FieldState::Agreed);
    assert_eq!(settled.fields["gap/6"].answers[0].settled.as_deref(), Some("measured again, both together"));
    assert_eq!(settled.fields["gap/6"].past.len(), 2);

    // A third value reopens it; another settlement elsewhere is a disagreement of its own.
    b.record("d-kerr", "gap/6", "gap", gap("20 3/4"), &[]);
    assert_eq!(view(&[&a, &b]).fields["gap/6"].state, FieldState::TwoAnswers);
    let mut c = Tablet::new("trailer", 9);
    c.record("g-holm", "gap/6", "settle", json!({"kind": "gap", "body": gap("20 5/8"), "reason": "the other one is right"}), &basis);
    let again = view(&[&a, &c]);
    assert_eq!(again.fields["gap/6"].state, FieldState::TwoAnswers, "two different settlements");
}

/// A hash holds the clock's time: an order by it would change with the clock.
#[test]
fn two_answers_of_one_person_stand_in_the_order_they_were_given() {
    for n in 2..22 {
        let mut a = Tablet::new("K2", n);
        record_steps(&mut a, 6);
        let given = ["20 5/8", "20 1/2", "20 9/16"].map(|typed| a.record("d-kerr", "gap/6", "gap", gap(typed), &[]));
        let v = view(&[&a]);
        let shown: Vec<_> = v.fields["gap/6"].answers.iter().map(|x| x.entries[0]).collect();
        assert_eq!(shown, given, "tablet {n}");
        assert_eq!(v.fields["gap/6"].governs, Some(0), "the largest governs wherever it stands");
    }
}

#[test]
fn a_settlement_by_someone_who_may_not_settles_nothing() {
    let (mut a, mut b) = (Tablet::new("K2", 2), Tablet::new("K4", 4));
    record_steps(&mut a, 7);
    b.record("d-kerr", "gap/6", "gap", gap("20 5/8"), &[]);
    let basis = view(&[&a, &b]).fields["gap/6"].basis.clone();
    // As a hostile tablet could write it: a welder "settles" for the convenient figure.
    b.record("d-kerr", "gap/6", "settle", json!({"kind": "gap", "body": gap("20 1/2"), "reason": "it fits better"}), &basis);
    let field = view(&[&a, &b]).fields["gap/6"].clone();
    assert_eq!((field.state, field.answers.len(), field.governs), (FieldState::TwoAnswers, 2, Some(1)), "{field:?}");
    assert_eq!(field.basis.len(), 3, "all three stand, the two equal ones as one answer");
}

#[test]
fn a_blind_second_value_that_is_equal_is_agreement_whatever_the_unit() {
    let (mut a, mut b) = (Tablet::new("K2", 2), Tablet::new("K4", 4));
    record_steps(&mut a, 7);
    b.record("d-kerr", "gap/6", "gap", json!({"gap": m("520.7", "mm"), "instrument": "T-07"}), &[]);
    let field = view(&[&a, &b]).fields["gap/6"].clone();
    assert_eq!(
        (field.state, field.answers.len(), field.answers[0].entries.len()),
        (FieldState::Agreed, 1, 2),
        "shown as one, stored as two"
    );
}

#[test]
fn a_change_makes_a_signature_stale_and_the_same_value_again_does_too() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 7);
    sign_all(&mut t, 7);
    let v = view(&[&t]);
    assert_eq!(v.level, 7);
    let basis = v.fields["gap/3"].basis.clone();
    t.record("m-soto", "gap/3", "gap", gap("20 17/32"), &basis);
    let v = view(&[&t]);
    let gate = v.gates.iter().find(|g| g.gate == "gap").unwrap();
    assert_eq!((gate.state, gate.stale, v.level), (GateState::Shut, true, 6));
    assert!(gate.signs.iter().all(|s| s.changed == ["gap/3"]), "the difference is named");
    assert!(v.wanted.iter().any(|w| w.what == "stale"));
    // Signing again adds one; the old one stays.
    t.sign(&v, "gap", Role::Welder, "m-soto");
    t.sign(&view(&[&t]), "gap", Role::Qc, "l-vega");
    let v = view(&[&t]);
    let gate = v.gates.iter().find(|g| g.gate == "gap").unwrap();
    assert_eq!((gate.state, gate.signs.len(), v.level), (GateState::Open, 4, 7));
}

#[test]
fn who_may_not_sign_does_not_open_a_gate_even_by_force() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 7);
    // The supervisor made the second count: so that one can't vouch for the place.
    let basis = view(&[&t]).fields["second-count"].basis.clone();
    t.record("m-diaz", "second-count", "second-count", json!({"tube": 74}), &basis);
    let v = view(&[&t]);
    let may = |gate: &str, who: &str, role| job::signing::may_sign(&v, &plan(), gate, &PersonId(who.into()), role).map_err(|s| s.code);
    assert_eq!(may("material", "m-soto", Role::Qc), Err("not-that-role".into()));
    assert_eq!(may("material", "m-diaz", Role::Supervisor), Err("role-not-asked".into()));
    assert_eq!(may("place", "m-diaz", Role::Supervisor), Err("own-count".into()));
    assert_eq!(may("place", "nobody", Role::Supervisor), Err("not-on-roster".into()));
    // The entries are written all the same, as a hostile tablet could: none counts.
    t.sign(&v, "material", Role::Qc, "m-soto");
    t.sign(&v, "place", Role::Supervisor, "m-diaz");
    let mut forged = serde_json::to_value(job::signing::sign_body(&v, &plan(), "gap", Role::Qc, "en", None).unwrap()).unwrap();
    forged["covers"] = json!([]);
    t.record("l-vega", "gate/gap", "sign", forged, &[]);
    let v = view(&[&t]);
    for gate in &v.gates {
        println!(
            "{:<12} {:?} missing {:?} {:?}",
            gate.gate,
            gate.state,
            gate.missing,
            gate.signs.iter().map(|s| &s.not_good).collect::<Vec<_>>()
        );
        assert!(gate.signs.iter().all(|s| !s.good));
    }
    assert_eq!(v.level, 0);
}

#[test]
fn counts_that_do_not_meet_stop_the_job() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 1);
    let basis = view(&[&t]).fields["second-count"].basis.clone();
    t.record("m-soto", "second-count", "second-count", json!({"tube": 73}), &basis);
    let v = view(&[&t]);
    assert_eq!(v.steps[0].state, StepState::Reject);
    assert_eq!(codes(&v.steps[0].wants), ["counts-do-not-meet"]);
    t.record("ana-r", "second-count", "second-count", json!({"tube": 74}), &v.fields["second-count"].basis);
    assert_eq!(codes(&view(&[&t]).steps[0].wants), ["count-same-person"]);
}

#[test]
fn a_waiver_is_seen_needs_a_reason_and_goes_stale_too() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 6);
    sign_all(&mut t, 5);
    let v = view(&[&t]);
    let engineer = PersonId("p-lindahl".into());
    assert_eq!(job::signing::may_waive(&v, &plan(), "material", &engineer, Role::Engineer, "").unwrap_err().code, "waiver-without-reason");
    let qc = PersonId("l-vega".into());
    assert_eq!(job::signing::may_waive(&v, &plan(), "material", &qc, Role::Qc, "no time for it").unwrap_err().code, "may-not-waive");
    let body = job::signing::sign_body(&v, &plan(), "material", Role::Engineer, "en", Some("certificate seen by me".into())).unwrap();
    t.record("p-lindahl", "gate/material", "sign", serde_json::to_value(body).unwrap(), &[]);
    let v = view(&[&t]);
    assert_eq!(v.gates.iter().find(|g| g.gate == "material").unwrap().state, GateState::Waived);
    assert_eq!(v.level, 6);
    let basis = v.fields["filler"].basis.clone();
    t.record("m-soto", "filler", "filler", json!({"class": "ER70S-6", "lot": "L-9"}), &basis);
    assert_eq!(view(&[&t]).level, 5, "what was waived has changed");
}

#[test]
fn pmi_not_known_is_never_a_pass() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 6);
    let basis = view(&[&t]).fields["material"].basis.clone();
    let tube = json!({"grade": "SA-210 A-1", "od": m("2.5", "in"), "wall": m("0.200", "in"), "heat": "H4471", "certificate": "C-88", "pmi": "not-known"});
    t.record("l-vega", "material", "material", tube, &basis);
    let v = view(&[&t]);
    assert_eq!(v.steps[5].state, StepState::NotKnown);
    let refused = job::signing::may_sign(&v, &plan(), "material", &PersonId("l-vega".into()), Role::Qc).unwrap_err();
    assert_eq!(refused.code, "pmi-not-known");
}

#[test]
fn what_a_newer_program_wrote_is_kept_and_not_passed() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 7);
    let basis = view(&[&t]).fields["piece"].basis.clone();
    t.record_version("m-soto", "piece", "piece", 2, json!({"length": m("20 11/32", "in"), "ends": "faced"}), &basis);
    let v = view(&[&t]);
    assert_eq!(v.fields["piece"].state, FieldState::NotUnderstood);
    assert!(codes(&v.steps[6].wants).contains(&"update-to-edit"));
    assert_eq!(v.fields["piece"].answers[0].body["ends"], "faced", "and it is shown as it came");
}

#[test]
fn cracking_is_never_cleared_by_thickness() {
    let mut t = Tablet::new("K4", 4);
    record_steps(&mut t, 3);
    let v = view(&[&t]);
    let seen = json!({"opening": "crack", "signs": ["cracking"], "first": "not-sure", "note": ""});
    t.record("ana-r", "failure", "failure", seen, &v.fields["failure"].basis);
    for item in &v.lists["readings"] {
        t.record("ana-r", "readings", "strike", json!({"entry": item.entry.to_hex(), "reason": "wrong spot"}), &[]);
    }
    for clock in [10, 12, 2] {
        let reading = json!({"elevation": m("54' 6\"", "ft"), "clock": clock, "wall": m("0.205", "in"), "gauge": "UT-3"});
        t.record("ana-r", "readings", "reading", reading, &[]);
    }
    let v = view(&[&t]);
    let wall = v.sums.wall.unwrap();
    assert_eq!((wall.verdict, wall.thickness_cannot_clear), (WallVerdict::CannotBeCleared, true));
    assert_eq!(v.lists["readings"].iter().filter(|i| i.struck.is_some()).count(), 3, "struck readings stay readable");
}
