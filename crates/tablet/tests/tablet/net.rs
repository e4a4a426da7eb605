//! Pairing and syncing where nothing answers: each failure is a sentence, and nothing is lost. (With a real trailer: `tests/`.)

use crate::kit::{Kit, MORNING};
use serde_json::json;
use std::sync::Arc;
use store::Options;
use tablet::{FakeEnv, Tablet};

#[test]
fn a_trailer_that_is_not_found_leaves_everything_here() {
    let kit = Kit::new("K4", 71);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    let before = kit.job(&job);
    let fault = kit.tablet.sync_blocking().unwrap_err();
    println!("{} {}: {fault}", fault.status, fault.code());
    assert_eq!((fault.status, fault.code()), (503, "not-found"));
    let state = kit.call("sync_state", json!({}));
    assert_eq!((&state["running"], &state["error"]["code"]), (&json!(false), &json!("not-found")));
    assert_eq!((&state["lives"]["state"], &state["lives"]["entries_here"]), (&json!("not-found"), &json!(3)));
    let mut after = kit.job(&job);
    after["lives"] = before["lives"].clone();
    assert_eq!(after, before);
    // People go on recording, and a sync may be begun again.
    kit.record(&job, "notes", json!({ "text": "no trailer" }));
    assert_eq!(kit.call("sync_start", json!({})), json!({ "started": true }));
    while kit.call("sync_state", json!({}))["running"] == true {
        std::thread::yield_now();
    }
    assert_eq!(kit.call("sync_state", json!({}))["error"]["code"], "not-found");
}

#[test]
fn a_pairing_that_fails_pairs_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let tablet = Tablet::open_with(dir.path(), Arc::new(FakeEnv::new(MORNING, 72)), Options::default()).unwrap();
    let print = "ab".repeat(32);
    for (args, status, code) in [
        (json!({}), 400, "not-understood"),
        (json!({ "text": "https://example.org" }), 400, "pair-text"),
        (json!({ "text": format!("tubewright:pair?a=127.0.0.1:1&f={print}&c=SHORT") }), 400, "pair-text"),
        (json!({ "address": "127.0.0.1:1", "code": "ABCDE-FGH1O" }), 400, "pair-text"),
        (json!({ "address": "a b", "code": "ABCDE-FGH23" }), 400, "pair-text"),
        (json!({ "address": "127.0.0.1:1", "code": "ABCDE-FGH23", "name": "the big one!" }), 400, "bad-name"),
        (json!({ "address": "127.0.0.1:1", "code": "ABCDE-FGH23", "name": "K4" }), 503, "not-found"),
        (json!({ "text": format!("tubewright:pair?a=127.0.0.1:1&f={print}&c=ABCDEFGH23") }), 503, "not-found"),
    ] {
        let fault = tablet.call("pair", args).unwrap_err();
        println!("{} {}: {fault}", fault.status, fault.code());
        assert_eq!((fault.status, fault.code()), (status, code));
    }
    assert_eq!(tablet.call("state", json!({})).unwrap()["paired"], false);
}
