//! What is local to one tablet: state, drafts, the screen's millimetre, read-backs, and a tablet without a site.

use crate::kit::{Kit, MORNING, measure};
use serde_json::json;
use std::sync::Arc;
use store::Options;
use tablet::{FakeEnv, Tablet};

#[test]
fn a_tablet_without_a_site_can_only_be_paired() {
    let dir = tempfile::tempdir().unwrap();
    let tablet = Tablet::open_with(dir.path(), Arc::new(FakeEnv::new(MORNING, 51)), Options::default()).unwrap();
    let state = tablet.call("state", json!({})).unwrap();
    assert_eq!((&state["paired"], &state["lives"]["entries_here"]), (&json!(false), &json!(0)));
    for (name, args) in [
        ("people", json!({})),
        ("plan", json!({})),
        ("jobs", json!({})),
        ("sync_start", json!({})),
        ("sign_in", json!({ "person": "ana-r", "pin": "111111" })),
    ] {
        let fault = tablet.call(name, args).unwrap_err();
        println!("{name}: {fault}");
        assert_eq!((fault.status, fault.code()), (409, "not-paired"));
    }
    // Its identity is made once and kept.
    let (device, series) = (tablet.device(), tablet.incarnation());
    drop(tablet);
    let again = Tablet::open_with(dir.path(), Arc::new(FakeEnv::new(MORNING, 52)), Options::default()).unwrap();
    assert_eq!((again.device(), again.incarnation()), (device, series));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(dir.path().join("device.key")).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "only the owner reads the key");
    }
}

#[test]
fn a_damaged_key_is_told_and_never_overwritten() {
    let kit = Kit::new("K4", 53);
    let Kit { dir, env, tablet } = kit;
    drop(tablet);
    std::fs::write(dir.path().join("device.key"), "half a key").unwrap();
    let fault = Tablet::open_with(dir.path(), env, Options::default()).err().unwrap();
    println!("{fault}");
    assert_eq!(fault.code(), "bad-key");
    assert_eq!(std::fs::read(dir.path().join("device.key")).unwrap(), b"half a key");
}

#[test]
fn half_typed_values_survive_a_kill() {
    let kit = Kit::new("K4", 54);
    let value = json!({ "typed": "12 3/", "slots": [1, 2, null] });
    kit.call("draft_set", json!({ "key": "K4-001/gap/6", "value": value }));
    let kit = kit.restart();
    assert_eq!(kit.call("draft_get", json!({ "key": "K4-001/gap/6" }))["value"], value);
    kit.call("draft_set", json!({ "key": "K4-001/gap/6", "value": null }));
    assert_eq!(kit.call("draft_get", json!({ "key": "K4-001/gap/6" })), json!({ "value": null }));
    assert_eq!(kit.refused("draft_set", json!({ "key": "", "value": 1 })).code(), "bad-draft-key");
    assert_eq!(kit.refused("draft_set", json!({ "key": "x", "value": "x".repeat(70_000) })).code(), "draft-too-large");
}

#[test]
fn the_screens_millimetre_is_kept_if_it_can_be_one() {
    let kit = Kit::new("K4", 55);
    kit.call("set_mm", json!({ "mm": "5.886" }));
    assert_eq!(kit.refused("set_mm", json!({ "mm": "0" })).code(), "bad-mm");
    assert_eq!(kit.refused("set_mm", json!({ "mm": "wide" })).code(), "bad-mm");
    let kit = kit.restart();
    assert_eq!(kit.call("state", json!({}))["mm"], "5.886");
}

#[test]
fn what_is_only_here_is_counted_in_all_and_by_job() {
    let kit = Kit::new("K4", 56);
    let begun = kit.call("state", json!({}))["lives"]["entries_here"].as_u64().unwrap();
    assert_eq!(begun, 1, "the beginning of the series");
    kit.sign_in("ana-r");
    let (first, second) = (kit.open_tube(10), kit.open_tube(20));
    kit.record(&first, "notes", json!({ "text": "one more" }));
    let lives = &kit.call("state", json!({}))["lives"];
    assert_eq!((&lives["entries_here"], &lives["state"], &lives["last_receipt_seq"]), (&json!(begun + 5), &json!("only-here"), &json!(0)));
    assert_eq!((&kit.job(&first)["lives"]["entries_here"], &kit.job(&second)["lives"]["entries_here"]), (&json!(3), &json!(2)));
}

#[test]
fn a_figure_is_read_back_and_sums_show_their_working() {
    let kit = Kit::new("K4", 57);
    let back = kit.call("sum", json!({ "name": "read-back", "typed": "12 3/16", "unit": "in" }));
    println!("{back}");
    assert_eq!((&back["words"], &back["other"]), (&json!("twelve and three sixteenths inches"), &json!("309.6 mm")));
    assert_eq!(kit.refused("sum", json!({ "name": "read-back", "typed": "12 3/", "unit": "in" })).code(), "bad-figure");
    let wall = kit.call("sum", json!({ "name": "wall", "section": "front-wall" }));
    // t = P D / (2 S + P) + 0.005 D = 2000 x 2.5 / (31200 + 2000) + 0.0125 = 0.1631, rounded up (ASME BPVC Section I, PG-27.2.1).
    assert_eq!(wall["value"]["typed"], "0.164", "{wall:#}");
    assert!(wall["trace"]["source"].as_str().unwrap().contains("PG-27.2.1"));
    let gaps = json!({ "12": measure("12 3/16", "in"), "3": measure("12 3/16", "in"), "6": measure("12 3/16", "in"), "9": measure("12 3/16", "in") });
    let cut = kit.call(
        "sum",
        json!({ "name": "cut", "section": "front-wall", "procedure": "MB-CS-01", "gaps": gaps, "piece": measure("12", "in") }),
    );
    // 12 3/16 - 2 x 3/32 = 12 in exactly; the piece then leaves 3/32 in at each joint.
    assert_eq!(cut["cut"]["value"]["length"]["value"], json!([12, 1]), "{cut:#}");
    assert_eq!(cut["openings"]["value"][0][1]["value"], json!([3, 32]));
    assert!(cut["shrinkage"]["trace"]["formula"].is_string());
}
