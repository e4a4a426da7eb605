//! Taking up the tablet: PINs, the wait after misses, and what stays when somebody may not.

use crate::kit::{Kit, pin_of};
use serde_json::json;

fn try_pin(kit: &Kit, pin: &str) -> Result<(), (u16, String)> {
    kit.tablet.call("sign_in", json!({ "person": "ana-r", "pin": pin })).map(drop).map_err(|f| {
        println!("{}: {f}", f.status);
        (f.status, f.code().to_owned())
    })
}

#[test]
fn the_roster_is_shown_without_pins() {
    let kit = Kit::new("K4", 21);
    let people = kit.call("people", json!({}));
    assert_eq!(people.as_array().unwrap().len(), 10);
    for shown in [people, kit.call("plan", json!({})), kit.call("state", json!({}))] {
        let text = shown.to_string();
        assert!(!text.contains("argon2") && !text.contains("\"pin\""), "{text}");
    }
}

#[test]
fn wrong_pins_are_slowed_never_locked_and_no_restart_or_clock_helps() {
    let kit = Kit::new("K4", 22);
    for _ in 0..4 {
        assert_eq!(try_pin(&kit, "000000"), Err((401, "wrong-pin".into())));
    }
    assert_eq!(try_pin(&kit, "000000"), Err((429, "slow-down".into())));
    assert_eq!(try_pin(&kit, pin_of("ana-r")), Err((429, "slow-down".into())), "the right PIN waits too");
    // Another person is not held up.
    kit.sign_in("j-ortiz");
    // Setting the wall clock a year ahead unlocks nothing, nor does a restart of the program, nor of the machine.
    kit.env.set_wall(crate::kit::MORNING + 365 * 86_400_000);
    assert_eq!(try_pin(&kit, pin_of("ana-r")).unwrap_err().0, 429);
    let kit = kit.restart();
    assert_eq!(try_pin(&kit, pin_of("ana-r")).unwrap_err().0, 429);
    kit.env.reboot();
    let kit = kit.restart();
    assert_eq!(try_pin(&kit, pin_of("ana-r")).unwrap_err().0, 429);
    let fault = kit.refused("sign_in", json!({ "person": "ana-r", "pin": pin_of("ana-r") }));
    let wait = fault.to_json()["wait_s"].as_u64().unwrap();
    assert!((1..=300).contains(&wait), "{wait} s");
    // Time that really passes does: the name is never locked for good.
    kit.env.pass(wait * 1000);
    assert_eq!(try_pin(&kit, pin_of("ana-r")), Ok(()));
    assert_eq!(try_pin(&kit, "000000"), Err((401, "wrong-pin".into())), "the right PIN clears the misses");
}

#[test]
fn a_long_run_before_the_misses_does_not_lock_after_a_reboot() {
    let kit = Kit::new("K4", 23);
    kit.env.pass(30 * 86_400_000);
    for _ in 0..9 {
        let _ = try_pin(&kit, "000000");
        kit.env.pass(300_000);
    }
    kit.env.reboot();
    kit.env.pass(300_000);
    assert_eq!(try_pin(&kit, pin_of("ana-r")), Ok(()), "five minutes of the new run are enough");
}

#[test]
fn nothing_is_saved_by_nobody() {
    let kit = Kit::new("K4", 24);
    let args = json!({ "section": "front-wall", "place": { "row": 1, "tube": 4, "side": "fire" } });
    let fault = kit.refused("open_job", args);
    assert_eq!((fault.status, fault.code()), (401, "not-signed-in"));
    assert_eq!(kit.refused("sign_in", json!({ "person": "who", "pin": "111111" })).status, 404);
    kit.sign_in("ana-r");
    kit.call("sign_out", json!({}));
    assert_eq!(kit.refused("may_sign", json!({ "job": "x", "gate": "place" })).status, 401);
}

#[test]
fn a_role_that_may_not_sign_is_told_so_and_nothing_is_signed() {
    let kit = Kit::new("K4", 25);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    kit.sign_in("j-ortiz");
    kit.record(&job, "second-count", json!({ "tube": 74 }));
    kit.sign_in("m-soto");
    let may = kit.call("may_sign", json!({ "job": job, "gate": "place" }));
    println!("{may:#}");
    assert!(may["roles"].as_array().unwrap().iter().all(|r| r["may"] == false && r["why"]["words"].is_string()));
    let sign =
        |role: &str| json!({ "job": job, "gate": "place", "role": role, "pin": pin_of("m-soto"), "lang": "en", "covers": may["covers"] });
    let entries = kit.entries();
    let fault = kit.refused("sign", sign("supervisor"));
    assert_eq!((fault.status, fault.code()), (403, "not-that-role"));
    let fault = kit.refused("sign", sign("welder"));
    assert_eq!((fault.status, fault.code()), (403, "role-not-asked"));
    // The right role with a wrong PIN signs nothing either.
    kit.sign_in("m-diaz");
    let mut wrong = sign("supervisor");
    wrong["pin"] = json!("123123");
    let fault = kit.refused("sign", wrong);
    assert_eq!((fault.status, fault.code()), (401, "wrong-pin"));
    assert_eq!(kit.entries(), entries);
}
