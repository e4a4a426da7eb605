//! The main job on one tablet, from the first photo to the full tube.

use crate::kit::{Kit, measure, pin_of};
use crate::photos::jpeg;
use serde_json::json;

#[test]
fn one_repair_from_the_failure_to_the_full_tube() {
    let kit = Kit::new("K4", 1);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    place_and_failure(&kit, &job);
    readings_plan_and_checks(&kit, &job);
    material_and_gap(&kit, &job);
    joints_test_and_close_out(&kit, &job);
    let view = kit.job(&job);
    println!("level {}, wanted {}", view["level"], view["wanted"]);
    assert_eq!((&view["level"], &view["full"]), (&json!(12), &json!(true)), "{:#}", view["wanted"]);
    let brief = &kit.call("jobs", json!({ "section": "front-wall" }))[0];
    assert_eq!(brief["number"], "K4-001");
    assert_eq!(brief["steps"], json!(vec!["proved"; 12]));
    // Killed and started again: all there, nobody signed in.
    let entries = view["entries"].clone();
    let kit = kit.restart();
    assert_eq!(kit.job(&job)["entries"], entries);
    assert!(kit.call("state", json!({}))["person"].is_null());
}

fn place_and_failure(kit: &Kit, job: &str) {
    for view in ["overview", "middle", "close"] {
        kit.tablet.photo_put(json!({ "job": job, "view": view, "caption": view }), jpeg(view.len() as u32 * 40, 200)).unwrap();
    }
    kit.record(job, "failure", json!({ "opening": "perforation", "signs": ["thin-lip"], "first": "leaked-first", "note": "" }));
    kit.sign_in("j-ortiz");
    let saved = kit.record(job, "second-count", json!({ "tube": 74 }));
    assert_eq!(saved["view"]["sums"]["count"]["state"], "meets", "47 + 74 = 120 + 1");
    kit.sign(job, "place", "supervisor", "m-diaz");
    let saved = kit.sign(job, "place", "qc", "l-vega");
    assert_eq!(saved["view"]["gates"][0]["state"], "open");
}

fn readings_plan_and_checks(kit: &Kit, job: &str) {
    kit.sign_in("ana-r");
    let step = |mm: &str| json!({ "nominal": measure(mm, "in"), "read": measure(mm, "in") });
    let gauge = json!({ "gauge": "UT-3", "block": "B-1", "steps": [step("0.100"), step("0.250")], "surface": measure("70", "F") });
    kit.record(job, "gauge", gauge);
    for (clock, wall) in [(12, "0.112"), (3, "0.171"), (9, "0.183")] {
        let body = json!({ "elevation": measure("54.5", "ft"), "clock": clock, "wall": measure(wall, "in"), "gauge": "UT-3" });
        kit.record(job, "readings", body);
    }
    let wall = &kit.job(job)["sums"]["wall"];
    println!("required {}, least {}, {}", wall["required"]["typed"], wall["least"]["typed"], wall["verdict"]);
    assert_eq!((&wall["least"]["typed"], &wall["verdict"]), (&json!("0.112"), &json!("below")));
    let plan =
        json!({ "method": "dutchman", "why": "thin over a foot", "upper_cut": measure("55", "ft"), "lower_cut": measure("54", "ft") });
    kit.record(job, "plan", plan);
    let checks = kit.call("plan", json!({}))["checks"].clone();
    for check in checks.as_array().unwrap() {
        let id = check["id"].as_str().unwrap();
        kit.record(job, &format!("before-work/{id}"), json!({ "check": id, "saw": "lock 30, permit 114", "result": "good" }));
    }
    kit.sign(job, "before-work", "supervisor", "m-diaz");
    kit.sign(job, "before-work", "operations", "t-brandt");
}

fn material_and_gap(kit: &Kit, job: &str) {
    let material = json!({
        "grade": "SA-210 A-1", "od": measure("2.5", "in"), "wall": measure("0.200", "in"), "heat": "H-77", "certificate": "C-12", "pmi": "agrees",
    });
    kit.record(job, "material", material);
    kit.record(job, "filler", json!({ "class": "ER70S-2", "lot": "L-5" }));
    kit.record(job, "procedure", json!({ "procedure": "MB-CS-01" }));
    kit.sign(job, "material", "qc", "l-vega");
    kit.sign_in("m-soto");
    for (clock, gap) in [("12", "12 3/16"), ("3", "12 3/16"), ("6", "12 7/32"), ("9", "12 3/16")] {
        kit.record(job, &format!("gap/{clock}"), json!({ "gap": measure(gap, "in"), "instrument": "tape 4" }));
    }
    let view = kit.job(job);
    println!("cut {}: {}", view["sums"]["cut"]["length"]["typed"], view["sums"]["cut"]["trace"]["formula"]);
    kit.record(job, "piece", json!({ "length": measure("12", "in") }));
    kit.sign(job, "gap", "qc", "l-vega");
    kit.sign(job, "gap", "welder", "m-soto");
}

fn joints_test_and_close_out(kit: &Kit, job: &str) {
    for joint in ["upper", "lower"] {
        let body = json!({ "root": measure("3/32", "in"), "misalignment": measure("1/64", "in"), "stamp": "W-17" });
        kit.record(job, &format!("joint/{joint}/fit-up"), body);
    }
    kit.sign(job, "fit-up", "qc", "l-vega");
    kit.sign(job, "fit-up", "welder", "m-soto");
    for joint in ["upper", "lower"] {
        for pass in ["root", "fill", "cap"] {
            kit.record(job, &format!("joint/{joint}/welds"), json!({ "pass": pass, "process": "GTAW", "stamp": "W-17", "lot": "L-5" }));
        }
        kit.record(job, &format!("joint/{joint}/visual"), json!({ "result": "accept", "saw": "even cap, no undercut" }));
    }
    kit.sign(job, "visual", "qc", "l-vega");
    let test =
        json!({ "pressure": measure("2000", "psi"), "water": measure("80", "F"), "gauge": "P-9", "hold_min": 15, "result": "tight" });
    kit.record(job, "test", test);
    for (role, person) in [("qc", "l-vega"), ("inspector", "r-okoye"), ("operations", "t-brandt")] {
        kit.sign(job, "test", role, person);
    }
    kit.record(job, "hand-over", json!({ "note": "left and right neighbours sound" }));
    for (role, person) in [("supervisor", "m-diaz"), ("engineer", "p-lindahl"), ("inspector", "r-okoye")] {
        kit.sign(job, "close-out", role, person);
    }
}

#[test]
fn a_change_after_the_signature_makes_it_stale_and_what_was_seen_is_what_is_signed() {
    let kit = Kit::new("K4", 2);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    kit.sign_in("j-ortiz");
    kit.record(&job, "second-count", json!({ "tube": 74 }));
    kit.sign_in("m-diaz");
    let seen = kit.call("may_sign", json!({ "job": job, "gate": "place" }))["covers"].clone();
    // Another hand changes the place between the look and the PIN.
    kit.sign_in("ana-r");
    let moved = json!({ "section": "front-wall", "row": 1, "tube": 47, "elevation": measure("55", "ft"), "side": "fire" });
    kit.record(&job, "place", moved);
    kit.sign_in("m-diaz");
    let sign = json!({ "job": job, "gate": "place", "role": "supervisor", "pin": pin_of("m-diaz"), "lang": "en", "covers": seen });
    let fault = kit.refused("sign", sign);
    assert_eq!((fault.status, fault.code()), (409, "stands-changed"));
    assert_eq!(fault.to_json()["view"]["elevation"]["typed"], "55", "the fault brings what stands now");
    let signed = kit.sign(&job, "place", "supervisor", "m-diaz");
    assert_eq!(signed["view"]["gates"][0]["stale"], false);
    kit.sign_in("ana-r");
    let again = json!({ "section": "front-wall", "row": 1, "tube": 47, "elevation": measure("56", "ft"), "side": "fire" });
    let view = kit.record(&job, "place", again)["view"].clone();
    let gate = &view["gates"][0];
    println!("{}", gate["signs"][0]["not_good"]["words"]);
    assert_eq!((&gate["stale"], &gate["signs"][0]["good"], &gate["signs"][0]["changed"]), (&json!(true), &json!(false), &json!(["place"])));
}

#[test]
fn a_gate_is_waived_only_with_a_reason_by_one_who_may() {
    let kit = Kit::new("K4", 3);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    let waive = |person: &str, role: &str, reason: &str| json!({ "job": job, "gate": "place", "role": role, "pin": pin_of(person), "lang": "en", "reason": reason });
    assert_eq!(kit.refused("waive", waive("ana-r", "helper", "nobody else is here")).code(), "may-not-waive");
    kit.sign_in("g-holm");
    assert_eq!(kit.refused("waive", waive("g-holm", "supervisor", "")).code(), "reason-missing");
    let mut wrong = waive("g-holm", "supervisor", "the other end is walled in");
    wrong["pin"] = json!("000000");
    assert_eq!(kit.refused("waive", wrong).code(), "wrong-pin");
    let view = kit.call("waive", waive("g-holm", "supervisor", "the other end is walled in"))["view"].clone();
    assert_eq!(view["gates"][0]["state"], "waived");
    assert_eq!(view["gates"][0]["signs"][0]["waived"], "the other end is walled in");
}

#[test]
fn an_item_is_struck_with_a_reason_and_stays_readable() {
    let kit = Kit::new("K4", 4);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    let saved = kit.record(&job, "notes", json!({ "text": "wrong tube?" }));
    let entry = saved["saved"][0].clone();
    let strike = |field: &str, reason: &str| json!({ "job": job, "field": field, "entry": entry, "reason": reason });
    assert_eq!(kit.refused("strike", strike("notes", " ")).code(), "reason-missing");
    assert_eq!(kit.refused("strike", strike("place", "slip of the finger")).code(), "no-strike");
    assert_eq!(kit.refused("strike", strike("gate/place", "slip of the finger")).code(), "no-strike");
    assert_eq!(kit.refused("strike", strike("photos", "slip of the finger")).code(), "no-item");
    let view = kit.call("strike", strike("notes", "slip of the finger"))["view"].clone();
    assert_eq!(view["lists"]["notes"][0]["struck"], "slip of the finger");
    assert_eq!(view["lists"]["notes"][0]["body"]["text"], "wrong tube?");
    assert_eq!(kit.refused("strike", strike("notes", "slip of the finger")).code(), "already-struck");
}

#[test]
fn numbers_go_on_after_a_restart_and_ids_differ() {
    let kit = Kit::new("K4", 5);
    kit.sign_in("ana-r");
    let first = kit.open_job();
    let kit = kit.restart();
    kit.sign_in("ana-r");
    let second = kit.open_tube(48);
    assert_ne!(first, second);
    assert_eq!((kit.job(&first)["number"].clone(), kit.job(&second)["number"].clone()), (json!("K4-001"), json!("K4-002")));
    kit.open_tube(12);
    let tubes: Vec<_> = kit.call("jobs", json!({})).as_array().unwrap().iter().map(|j| j["tube"].clone()).collect();
    assert_eq!(tubes, [json!(12), json!(47), json!(48)], "in the order of the wall");
}

#[test]
fn saves_from_several_threads_are_all_kept_in_one_unbroken_series() {
    let kit = Kit::new("K4", 6);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let (kit, job) = (&kit, &job);
            scope.spawn(move || {
                for n in 0..5 {
                    kit.call(
                        "record",
                        json!({ "job": job, "field": "notes", "body": { "text": format!("note {thread}-{n}") }, "basis": [] }),
                    );
                }
            });
        }
    });
    let series = kit.tablet.incarnation();
    let kit = kit.restart();
    assert_eq!(kit.job(&job)["lists"]["notes"].as_array().unwrap().len(), 20);
    let dir = kit.dir;
    drop(kit.tablet);
    let tail = crate::kit::open(dir.path()).tail(&series).unwrap().unwrap();
    // The beginning of the series, open and place, and the notes.
    assert_eq!((tail.head().unwrap().seq, tail.is_whole()), (1 + 2 + 20, true));
}
