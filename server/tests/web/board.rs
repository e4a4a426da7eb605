//! The board: signing in, what it shows, settling, inviting.

use crate::crew::{self, JOB, gap_at_six, inches, job_with_gap, pair};
use crate::fixture::{As, Fixture, pin};
use journal::EntryHash;
use serde_json::{Value as Json, json};

#[test]
fn a_wrong_pin_is_slowed_but_never_locked_and_only_for_that_person() {
    let fixture = Fixture::new();
    let people = fixture.get(As::default(), "/api/board/people").json();
    println!("{} people", people.as_array().unwrap().len());
    assert!(!people.to_string().contains("argon2"), "no PIN hash leaves the server");
    let try_pin = |person: &str, pin: &str| {
        fixture.post(As { plain: true, ..As::default() }, "/api/board/session", &json!({ "person": person, "pin": pin }))
    };
    for _ in 0..5 {
        let got = try_pin("l-vega", "000000");
        assert_eq!((got.status, got.code().as_str()), (401, "wrong-pin"));
    }
    let slowed = try_pin("l-vega", &pin("l-vega"));
    println!("{}", slowed.json()["words"]);
    assert_eq!((slowed.status, slowed.code().as_str()), (429, "slow-down"));
    assert!(slowed.json()["wait_s"].as_u64().unwrap() <= 300, "never longer than five minutes");
    assert_eq!(try_pin("m-diaz", &pin("m-diaz")).status, 200, "others are not slowed");
    assert_eq!(try_pin("nobody-here", "123456").status, 404);
}

#[test]
fn a_session_is_a_strict_cookie_and_ends_by_signing_out() {
    let fixture = Fixture::new();
    let got = fixture.post(As::default(), "/api/board/session", &json!({ "person": "m-diaz", "pin": pin("m-diaz") }));
    let set = got.header("set-cookie").unwrap().to_owned();
    println!("{}", set.split_once('=').unwrap().0);
    for part in ["HttpOnly", "SameSite=Strict", "Secure"] {
        assert!(set.contains(part), "{part}");
    }
    let cookie = set.split(';').next().unwrap();
    let who = As { cookie: Some(cookie), ..As::default() };
    assert_eq!(fixture.get(who, "/api/board/session").json()["person"]["id"], "m-diaz");
    assert_eq!(fixture.send(who, "DELETE", "/api/board/session", "", b"").status, 200);
    assert_eq!(fixture.get(who, "/api/board").status, 401);
}

#[test]
fn the_board_is_never_ready_while_a_tablet_is_silent_or_holds_something() {
    let fixture = Fixture::new();
    let cookie = fixture.sign_in("m-diaz");
    let who = As { cookie: Some(&cookie), ..As::default() };
    let mut k1 = pair(&fixture, 1, "K1");
    let tablet = || fixture.get(who, "/api/board").json()["tablets"][0].clone();
    assert_eq!(tablet()["heard"], "silent", "paired, never heard");
    let entries = job_with_gap(&mut k1, "20 1/2");
    k1.hello(&fixture, 2);
    let at_hello = tablet();
    println!("{at_hello}");
    assert_eq!((&at_hello["heard"], &at_hello["entries_waiting"], &at_hello["photos_waiting"]), (&json!("waiting"), &json!(4), &json!(2)));
    k1.done(&fixture, 0, 0);
    assert_eq!(tablet()["entries_waiting"], 4, "the trailer lacks them, whatever the tablet believes");
    k1.push(&fixture, &entries);
    k1.done(&fixture, 0, 0);
    let after = tablet();
    assert_eq!((&after["heard"], &after["waiting_as_of"]), (&json!("nothing-waiting"), &json!(4)));
    let board = fixture.get(who, "/api/board").json();
    assert_eq!((&board["ready"], &board["counts"]["jobs"]), (&json!(false), &json!(1)));
}

/// Two tablets disagree on the gap at 6 o'clock; gives them and the field as the board shows it.
fn disagree(fixture: &Fixture) -> (crew::Tablet, crew::Tablet, Json) {
    let (mut k1, mut k2) = (pair(fixture, 1, "K1"), pair(fixture, 2, "K2"));
    let one = job_with_gap(&mut k1, "20 1/2");
    let two = gap_at_six(&mut k2, "d-kerr", "20 5/8");
    assert_eq!(k1.push(fixture, &one).status, 200);
    assert_eq!(k2.push(fixture, &two).status, 200);
    let cookie = fixture.sign_in("m-diaz");
    let view = fixture.get(As { cookie: Some(&cookie), ..As::default() }, &format!("/api/board/job/{JOB}")).json();
    (k1, k2, view["fields"]["gap/6"].clone())
}

fn settlement(person: &str, basis: &Json) -> Json {
    json!({ "job": JOB, "field": "gap/6", "body": { "gap": inches("20 9/16"), "instrument": "T-12" }, "reason": "measured again, both together", "basis": basis, "pin": pin(person) })
}

#[test]
fn two_answers_are_settled_by_the_right_role_with_a_reason_and_reach_the_tablets() {
    let fixture = Fixture::new();
    let (k1, k2, field) = disagree(&fixture);
    assert_eq!((&field["state"], field["answers"].as_array().unwrap().len()), (&json!("two-answers"), 2));
    let basis = &field["basis"];
    let settle = |person: &str, body: &Json| {
        let cookie = fixture.sign_in(person);
        fixture.post(As { cookie: Some(&cookie), ..As::default() }, "/api/board/settle", body)
    };
    let by_welder = settle("m-soto", &settlement("m-soto", basis));
    println!("welder: {}", by_welder.json()["words"]);
    assert_eq!(by_welder.status, 403);
    let mut wrong_pin = settlement("m-diaz", basis);
    wrong_pin["pin"] = json!("000000");
    assert_eq!(settle("m-diaz", &wrong_pin).code(), "wrong-pin");
    let mut no_reason = settlement("m-diaz", basis);
    no_reason["reason"] = json!("  ");
    assert_eq!(settle("m-diaz", &no_reason).code(), "reason-missing");
    let mut stale = settlement("m-diaz", basis);
    stale["basis"].as_array_mut().unwrap().pop();
    let stale = settle("m-diaz", &stale);
    assert_eq!((stale.status, stale.code().as_str()), (409, "stands-changed"));
    assert_eq!(stale.json()["view"]["fields"]["gap/6"]["state"], "two-answers", "the screen gets what stands");
    let mut absurd = settlement("m-diaz", basis);
    absurd["body"]["gap"] = inches("0");
    assert_eq!(settle("m-diaz", &absurd).status, 400);
    let done = settle("m-diaz", &settlement("m-diaz", basis));
    assert_eq!(done.status, 200, "{}", String::from_utf8_lossy(&done.body));
    let after = &done.json()["view"]["fields"]["gap/6"];
    assert_eq!((&after["state"], after["past"].as_array().unwrap().len()), (&json!("agreed"), 2), "both answers stay readable");
    let saved = EntryHash::from_hex(done.json()["saved"][0].as_str().unwrap()).unwrap();
    for tablet in [&k1, &k2] {
        let entry = tablet.pull(&fixture).into_iter().find(|e| e.hash == saved).expect("the settlement reaches the tablet");
        assert_eq!((entry.entry.kind.as_str(), entry.entry.person.0.as_str(), entry.entry.basis.len()), ("settle", "m-diaz", 2));
        assert_eq!(entry.entry.site, crew::site());
    }
    let again = settle("m-diaz", &settlement("m-diaz", basis));
    assert_eq!(again.status, 409, "what is settled is not settled twice by an old screen");
}

#[test]
fn only_a_supervisor_lets_a_tablet_in() {
    let fixture = Fixture::new();
    let ask = |person: &str| {
        let cookie = fixture.sign_in(person);
        fixture.post(As { cookie: Some(&cookie), ..As::default() }, "/api/board/pairing", &json!({}))
    };
    let by_qc = ask("l-vega");
    assert_eq!((by_qc.status, by_qc.code().as_str()), (403, "supervisor-only"));
    let invitation = ask("m-diaz").json();
    println!("{} at {}", invitation["code"], invitation["address"]);
    assert!(invitation["svg"].as_str().unwrap().contains("<svg"));
    let read = sync::pairing::Invitation::parse(invitation["text"].as_str().unwrap()).unwrap();
    assert_eq!(read.fingerprint.unwrap().0, fixture.app().web().pin);
    assert_eq!(read.address.as_str(), fixture.running().https.to_string());
    assert_eq!(crew::pair_with(&fixture, &read.code, 5, "K5").status, 200);
}

#[test]
fn the_screens_and_the_words_of_trust_are_served_and_nothing_else() {
    let fixture = Fixture::new();
    let local = As { plain: true, ..As::default() };
    assert!(String::from_utf8_lossy(&fixture.get(local, "/").body).contains("the board"));
    assert_eq!(fixture.get(As::default(), "/assets/a.js").status, 200);
    for path in ["/../trailer/device.key", "/%2e%2e/trailer/device.key", "/..%2ftrailer%2fdevice.key", "/trailer/tls/ca.key", "/none"] {
        let got = fixture.get(As::default(), path);
        println!("{path}: {}", got.status);
        assert_eq!(got.status, 404);
    }
    let ca = fixture.get(local, "/ca.crt");
    assert!(ca.body.starts_with(b"-----BEGIN CERTIFICATE-----") && !ca.body.windows(7).any(|w| w == b"PRIVATE"));
    let page = String::from_utf8(fixture.get(local, "/trust").body).unwrap();
    let print = tubewright_server::trust::grouped(&fixture.app().web().ca_fingerprint);
    assert_eq!(page.matches(&print).count(), 2, "the fingerprint stands there in both languages");
    assert!(page.contains("lang=\"es\"") && page.contains("huella") && page.contains("fingerprint"));
}

#[test]
fn a_changed_plan_builds_on_the_one_before() {
    use tubewright_server::trailer::{Loaded, Trailer};
    let dir = tempfile::tempdir().unwrap();
    let mut trailer = Trailer::open(dir.path()).unwrap();
    let demo = crate::fixture::DEMO;
    assert_eq!(trailer.load_plan(demo).unwrap(), Loaded::First);
    assert_eq!(trailer.load_plan(demo).unwrap(), Loaded::Same);
    drop(trailer);
    let mut trailer = Trailer::open(dir.path()).unwrap();
    assert_eq!(trailer.load_plan(demo).unwrap(), Loaded::Same, "also after a restart");
    let changed = demo.replace("\"silent_after_min\": 90", "\"silent_after_min\": 45");
    assert_eq!(trailer.load_plan(&changed).unwrap(), Loaded::Changed);
    let all = trailer.store.read(&trailer.identity.incarnation, 1, 10 << 20).unwrap();
    let plans: Vec<_> = all.iter().filter(|e| e.entry.kind == "site-plan").collect();
    println!("{} entries, {} plans", all.len(), plans.len());
    assert_eq!(plans.len(), 2);
    assert_eq!(plans[1].entry.basis, vec![plans[0].hash]);
    assert_eq!(trailer.plan().unwrap().silent_after_min, 45);
    assert!(trailer.store.verify().unwrap().is_good());
}

#[test]
fn the_plan_on_the_board_names_everything_and_holds_no_pin() {
    let fixture = Fixture::new();
    let cookie = fixture.sign_in("m-soto");
    let got = fixture.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board/plan");
    assert_eq!(got.status, 200);
    let plan = got.json();
    let count = |part: &str| plan[part].as_array().map_or(0, Vec::len);
    println!("{} sections, {} hold points, {} people", count("sections"), count("hold_points"), count("people"));
    assert!(count("sections") > 0 && count("hold_points") > 0 && count("people") > 0);
    assert!(!plan.to_string().contains("argon2"), "no PIN hash leaves the server");
    assert!(plan["people"].as_array().unwrap().iter().all(|p| p.get("pin").is_none()));
}
