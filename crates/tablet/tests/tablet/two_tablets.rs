//! Two crews, two tablets, one gap: both values are kept, the worse governs, and a person settles it.

use crate::kit::{Kit, carry, measure, pin_of};
use serde_json::json;

fn gap(kit: &Kit, job: &str, typed: &str) {
    kit.record(job, "gap/6", json!({ "gap": measure(typed, "in") }));
}

/// Both tablets with one job that both have measured, each without having seen the other.
fn conflict() -> (Kit, Kit, String) {
    let (a, b) = (Kit::new("K4", 61), Kit::new("K7", 62));
    a.sign_in("m-soto");
    let job = a.open_job();
    a.record(&job, "plan", json!({ "method": "dutchman", "why": "thin" }));
    let (a, b) = exchange(a, b);
    a.sign_in("m-soto");
    b.sign_in("d-kerr");
    gap(&a, &job, "12 3/16");
    gap(&b, &job, "12 1/4");
    let (a, b) = exchange(a, b);
    (a, b, job)
}

fn exchange(a: Kit, b: Kit) -> (Kit, Kit) {
    let close = |kit: Kit| (kit.dir, kit.env, drop(kit.tablet));
    let ((dir_a, env_a, ()), (dir_b, env_b, ())) = (close(a), close(b));
    carry(dir_a.path(), dir_b.path());
    carry(dir_b.path(), dir_a.path());
    let open = |dir: tempfile::TempDir, env: std::sync::Arc<tablet::FakeEnv>| {
        let tablet = tablet::Tablet::open_with(dir.path(), env.clone(), store::Options::default()).unwrap();
        Kit { dir, env, tablet }
    };
    (open(dir_a, env_a), open(dir_b, env_b))
}

#[test]
fn two_tablets_that_differ_show_the_same_two_answers_until_settled() {
    let (a, b, job) = conflict();
    let (on_a, on_b) = (a.job(&job), b.job(&job));
    let field = &on_a["fields"]["gap/6"];
    println!("{}", field["apart"]["words"]);
    assert_eq!(*field, on_b["fields"]["gap/6"], "both tablets show the same");
    assert_eq!((&field["state"], field["answers"].as_array().unwrap().len()), (&json!("two-answers"), 2));
    let governs = usize::try_from(field["governs"].as_u64().unwrap()).unwrap();
    assert_eq!(field["answers"][governs]["body"]["gap"]["typed"], "12 1/4", "the larger gap governs");
    // A welder may not settle, a supervisor must say why and must have seen both.
    let settle = |person: &str, reason: &str, basis: serde_json::Value| json!({ "job": job, "field": "gap/6", "body": { "gap": measure("12 1/4", "in") }, "reason": reason, "basis": basis, "pin": pin_of(person) });
    let basis = field["basis"].clone();
    b.sign_in("d-kerr");
    assert_eq!(b.refused("settle", settle("d-kerr", "I am right, of course", basis.clone())).status, 403);
    b.sign_in("m-diaz");
    assert_eq!(b.refused("settle", settle("m-diaz", "", basis.clone())).status, 400);
    let fault = b.refused("settle", settle("m-diaz", "measured again by both", json!([basis[0]])));
    assert_eq!((fault.status, fault.code()), (409, "stands-changed"));
    let view = b.call("settle", settle("m-diaz", "measured again by both", basis.clone()))["view"].clone();
    let field = &view["fields"]["gap/6"];
    assert_eq!((&field["state"], &field["answers"][0]["settled"]), (&json!("agreed"), &json!("measured again by both")));
    assert_eq!(field["past"].as_array().unwrap().len(), 2, "both answers stay readable");
    assert_eq!(b.refused("settle", settle("m-diaz", "measured again by both", basis)).status, 409, "nothing is left to settle");
    // The settlement reaches the other tablet.
    let (a, b) = exchange(a, b);
    assert_eq!(a.job(&job)["fields"], b.job(&job)["fields"]);
}

#[test]
fn entries_of_another_tablet_are_not_counted_as_only_here() {
    let (a, b, job) = conflict();
    let here = |kit: &Kit| kit.job(&job)["lives"]["entries_here"].as_u64().unwrap();
    println!("K4 {} and K7 {}", here(&a), here(&b));
    assert_eq!((here(&a), here(&b)), (4, 1));
    assert_eq!(a.job(&job)["tablets"], json!(["K4", "K7"]));
}

#[test]
fn what_a_newer_program_wrote_is_kept_shown_and_not_built_upon() {
    let kit = Kit::new("K4", 63);
    kit.sign_in("m-soto");
    let job = kit.open_job();
    gap(&kit, &job, "12 3/16");
    let Kit { dir, env, tablet } = kit;
    drop(tablet);
    let newer = journal::Draft {
        kind: "gap".into(),
        version: 2,
        subject: journal::Subject(format!("job/{job}/gap/6")),
        basis: vec![],
        body: journal::Value::Text("laser, four points".into()),
    };
    crate::kit::from_trailer(dir.path(), vec![newer]);
    let tablet = tablet::Tablet::open_with(dir.path(), env.clone(), store::Options::default()).unwrap();
    let kit = Kit { dir, env, tablet };
    kit.sign_in("m-soto");
    let field = kit.job(&job)["fields"]["gap/6"].clone();
    assert_eq!((&field["state"], field["answers"].as_array().unwrap().len()), (&json!("not-understood"), 2));
    let args = json!({ "job": job, "field": "gap/6", "body": { "gap": measure("12 3/16", "in") }, "basis": field["basis"] });
    let fault = kit.refused("record", args);
    assert_eq!((fault.status, fault.code()), (409, "update-to-edit"));
    gap_elsewhere(&kit, &job);
}

fn gap_elsewhere(kit: &Kit, job: &str) {
    let saved = kit.record(job, "gap/9", json!({ "gap": measure("12 3/16", "in") }));
    assert_eq!(saved["view"]["fields"]["gap/9"]["state"], "agreed", "the other places go on");
}
