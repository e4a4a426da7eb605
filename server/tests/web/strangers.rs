//! What a stranger, the wrong kind of guest and a page of another origin get: a sentence and nothing more.

use crate::client;
use crate::crew;
use crate::fixture::{As, Fixture, options};
use job::plan::Role;
use serde_json::json;
use tubewright_server::cert::Certs;
use tubewright_server::routes::{Over, ROUTES, Who};

const DECIDE: &[Role] = &[Role::Supervisor, Role::Qc];
const SUPERVISOR: &[Role] = &[Role::Supervisor];
const ALL: &[Role] = &[];

/// Every route there is, with who may pass and on which listener. A new route fails here until someone has thought
/// about who may pass it.
const EXPECTED: &[(&str, &str, Who, &[Role], Over)] = &[
    ("POST", "/api/pair", Who::Anyone, ALL, Over::Tls),
    ("POST", "/api/sync/hello", Who::Tablet, ALL, Over::Tls),
    ("POST", "/api/sync/heads", Who::Tablet, ALL, Over::Tls),
    ("POST", "/api/sync/push", Who::Tablet, ALL, Over::Tls),
    ("POST", "/api/sync/pull", Who::Tablet, ALL, Over::Tls),
    ("POST", "/api/sync/unread", Who::Tablet, ALL, Over::Tls),
    ("GET", "/api/sync/photo/{hash}", Who::Tablet, ALL, Over::Tls),
    ("PUT", "/api/sync/photo/{hash}", Who::Tablet, ALL, Over::Tls),
    ("POST", "/api/sync/done", Who::Tablet, ALL, Over::Tls),
    ("GET", "/api/board/people", Who::Anyone, ALL, Over::Both),
    ("POST", "/api/board/session", Who::Anyone, ALL, Over::Both),
    ("GET", "/api/board/session", Who::Person, ALL, Over::Both),
    ("DELETE", "/api/board/session", Who::Person, ALL, Over::Both),
    ("GET", "/api/board", Who::Person, ALL, Over::Both),
    ("GET", "/api/board/plan", Who::Person, ALL, Over::Both),
    ("GET", "/api/board/job/{id}", Who::Person, ALL, Over::Both),
    ("POST", "/api/board/settle", Who::Person, DECIDE, Over::Both),
    ("GET", "/api/board/series", Who::Person, ALL, Over::Both),
    ("POST", "/api/board/series", Who::Person, DECIDE, Over::Both),
    ("GET", "/api/board/series/{incarnation}/apart", Who::Person, DECIDE, Over::Both),
    ("POST", "/api/board/tablet/take-off", Who::Person, DECIDE, Over::Both),
    ("POST", "/api/board/pairing", Who::Person, SUPERVISOR, Over::Both),
    ("GET", "/api/board/photo/{hash}/{size}", Who::Person, ALL, Over::Both),
    ("GET", "/ca.crt", Who::Anyone, ALL, Over::Both),
    ("GET", "/trust", Who::Anyone, ALL, Over::Both),
];

/// A route's path with something in its variable parts.
pub fn filled(path: &str) -> String {
    let path = path.replace("{hash}", &"ab".repeat(32)).replace("{size}", "256").replace("{id}", "x");
    path.replace("{incarnation}", &"ab".repeat(16))
}

/// People of the demo outage with each role.
fn people() -> Vec<(String, Vec<Role>)> {
    let demo: serde_json::Value = serde_json::from_str(crate::fixture::DEMO).unwrap();
    let all = demo["people"].as_array().unwrap();
    all.iter().map(|p| (p["id"].as_str().unwrap().to_owned(), serde_json::from_value(p["roles"].clone()).unwrap())).collect()
}

#[test]
fn every_route_is_known_and_gives_a_stranger_nothing() {
    let all: Vec<_> = ROUTES.iter().map(|r| (r.method, r.path, r.who, r.roles, r.over)).collect();
    assert_eq!(all, EXPECTED);
    let fixture = Fixture::new();
    let (tablet, lost) = (crew::pair(&fixture, 1, "K1"), crew::pair(&fixture, 2, "K2"));
    let cookie = fixture.sign_in("m-diaz");
    let person = As { cookie: Some(&cookie), ..As::default() };
    let off = json!({ "device": lost.device, "reason": "lost" });
    assert_eq!(fixture.post(person, "/api/board/tablet/take-off", &off).status, 200);
    let mut asked = 0;
    for route in ROUTES {
        let path = filled(route.path);
        let ask = |who: As<'_>| fixture.send(who, route.method, &path, "application/json", b"{}");
        let strangers = [
            ("nobody", As::default()),
            ("a wrong token", As { token: Some("00"), ..As::default() }),
            ("a wrong cookie", As { cookie: Some("__Host-board=00"), ..As::default() }),
            ("nobody on loopback", As { plain: true, ..As::default() }),
            ("a tablet that was taken off", lost.who()),
        ];
        let wrong_kind = if route.who == Who::Tablet { ("a person", person) } else { ("a tablet", tablet.who()) };
        for (name, who) in strangers.into_iter().chain([wrong_kind]) {
            let got = ask(who);
            asked += 1;
            let hidden = route.over == Over::Tls && who.plain;
            let revoked = name.contains("taken off");
            match route.who {
                _ if hidden => assert_eq!((got.status, got.code().as_str()), (404, "no-such-page")),
                Who::Anyone => assert_ne!(got.status, 401),
                Who::Tablet if revoked => assert_eq!((got.status, got.code().as_str()), (403, "revoked"), "{path}"),
                Who::Tablet => assert_eq!((got.status, got.code().as_str()), (401, "not-paired")),
                Who::Person => assert_eq!((got.status, got.code().as_str()), (401, "not-signed-in")),
            }
        }
    }
    println!("{} routes, {asked} times asked by six kinds of strangers", ROUTES.len());
}

#[test]
fn every_route_of_the_board_asks_for_the_role() {
    let fixture = Fixture::new();
    let people = people();
    let cookies: Vec<String> = people.iter().map(|(id, _)| fixture.sign_in(id)).collect();
    let (mut refused, mut let_in) = (0, 0);
    for route in ROUTES.iter().filter(|r| r.who == Who::Person && r.method != "DELETE") {
        for ((id, roles), cookie) in people.iter().zip(&cookies) {
            let may = route.roles.is_empty() || route.roles.iter().any(|r| roles.contains(r));
            let who = As { cookie: Some(cookie), ..As::default() };
            let got = fixture.send(who, route.method, &filled(route.path), "application/json", b"{}");
            let turned_away = got.status == 403 && ["role-only", "supervisor-only"].contains(&got.code().as_str());
            assert_eq!(turned_away, !may, "{} {} by {id}: {}", route.method, route.path, got.status);
            assert_ne!(got.status, 401);
            if may { let_in += 1 } else { refused += 1 }
        }
    }
    println!("{} people: {refused} times refused, {let_in} times let in", people.len());
    assert!(refused > 0 && let_in > 0);
}

#[test]
fn a_person_whose_pin_or_roles_change_is_signed_out_everywhere() {
    let fixture = Fixture::new();
    let (first, second, other) = (fixture.sign_in("l-vega"), fixture.sign_in("l-vega"), fixture.sign_in("m-diaz"));
    let in_there = |cookie: &str| fixture.get(As { cookie: Some(cookie), ..As::default() }, "/api/board/session").status;
    let load = |plan: &serde_json::Value| fixture.app().with_now(|t| t.load_plan(&plan.to_string())).unwrap();
    assert_eq!([in_there(&first), in_there(&second), in_there(&other)], [200; 3]);
    let mut plan: serde_json::Value = serde_json::from_str(crate::fixture::DEMO).unwrap();
    let vega = plan["people"].as_array_mut().unwrap().iter_mut().find(|p| p["id"] == "l-vega").unwrap();
    vega["roles"].as_array_mut().unwrap().push(json!("helper"));
    load(&plan);
    assert_eq!([in_there(&first), in_there(&second), in_there(&other)], [401, 401, 200]);
    let third = fixture.sign_in("l-vega");
    assert_eq!(in_there(&third), 200);
    let vega = plan["people"].as_array_mut().unwrap().iter_mut().find(|p| p["id"] == "l-vega").unwrap();
    vega["pin_plain"] = json!("907153");
    load(&plan);
    assert_eq!(in_there(&third), 401);
    plan["people"].as_array_mut().unwrap().retain(|p| p["id"] != "m-diaz");
    println!("a person who left the roster: {:?}", fixture.app().with_now(|t| t.load_plan(&plan.to_string())).map_err(|f| f.say.code));
}

#[test]
fn every_answer_carries_the_security_headers() {
    let fixture = Fixture::new();
    let fixed = [
        ("content-security-policy", "default-src 'self'"),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("x-frame-options", "DENY"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("permissions-policy", "geolocation=()"),
    ];
    let cookie = fixture.sign_in("m-diaz");
    let mut all: Vec<(&str, String)> = ROUTES.iter().map(|r| (r.method, filled(r.path))).collect();
    all.extend(["/", "/assets/a.js", "/tablet.html", "/nothing", "/../trailer/device.key"].map(|p| ("GET", p.to_owned())));
    all.push(("OPTIONS", "/api/board".to_owned()));
    let mut answers = 0;
    for (method, path) in &all {
        for who in [As::default(), As { plain: true, ..As::default() }, As { cookie: Some(&cookie), ..As::default() }] {
            if *method == "DELETE" && who.cookie.is_some() {
                continue;
            }
            let got = fixture.send(who, method, path, "application/json", b"{}");
            for (name, begins) in fixed {
                let value = got.header(name).unwrap_or_else(|| panic!("{method} {path}: no {name}"));
                assert!(value.starts_with(begins), "{method} {path}: {name} is {value}");
            }
            let policy = got.header("content-security-policy").unwrap();
            assert!(policy.contains("connect-src 'self'") && policy.contains("frame-ancestors 'none'") && !policy.contains("unsafe-eval"));
            let kept = got.header("cache-control").unwrap();
            let may_be_kept = path.starts_with("/assets/") && got.status == 200;
            assert_eq!(kept.contains("max-age"), may_be_kept, "{method} {path}: {kept}");
            answers += 1;
        }
    }
    println!("{answers} answers of {} routes and files, each with {} headers", all.len(), fixed.len());
}

#[test]
fn a_page_of_another_origin_changes_nothing_on_any_route() {
    let fixture = Fixture::new();
    let tablet = crew::pair(&fixture, 1, "K1");
    let cookie = fixture.sign_in("m-diaz");
    let before = fixture.app().with_now(|t| Ok(t.store.state_bytes().unwrap())).unwrap();
    let origins: [&[(&str, &str)]; 4] = [
        &[("origin", "https://elsewhere.example")],
        &[("origin", "null")],
        &[("sec-fetch-site", "cross-site")],
        &[("sec-fetch-site", "same-site")],
    ];
    let mut asked = 0;
    for route in ROUTES.iter().filter(|r| r.method != "GET") {
        for extra in origins {
            for plain in [false, true] {
                let who = As { token: Some(&tablet.token), cookie: Some(&cookie), extra, plain };
                let got = fixture.send(who, route.method, &filled(route.path), "application/json", b"{}");
                assert_eq!((got.status, got.code().as_str()), (403, "other-origin"), "{} {}", route.method, route.path);
                asked += 1;
            }
        }
    }
    println!("{asked} refusals");
    assert_eq!(fixture.app().with_now(|t| Ok(t.store.state_bytes().unwrap())).unwrap(), before);
    assert_eq!(fixture.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board/session").status, 200, "not even signed out");
}

#[test]
fn another_origin_and_another_host_are_refused() {
    let fixture = Fixture::new();
    let body = json!({ "person": "m-diaz", "pin": crate::fixture::pin("m-diaz") });
    let evil = [("origin", "https://elsewhere.example")];
    let got = fixture.post(As { extra: &evil, ..As::default() }, "/api/board/session", &body);
    assert_eq!((got.status, got.code().as_str()), (403, "other-origin"));
    assert!(got.header("set-cookie").is_none());
    let bent = [("host", "elsewhere.example")];
    let got = fixture.get(As { extra: &bent, plain: true, ..As::default() }, "/api/board/people");
    assert_eq!((got.status, got.code().as_str()), (421, "other-host"));
    let got = fixture.send(As::default(), "POST", "/api/board/session", "text/plain", body.to_string().as_bytes());
    assert_eq!((got.status, got.code().as_str()), (415, "not-json"), "a form of another page cannot sign in");
}

#[test]
fn plain_http_listens_on_loopback_only() {
    let fixture = Fixture::new();
    let other = tempfile::tempdir().unwrap();
    let mut asked = options(other.path());
    asked.local = "0.0.0.0:0".parse().unwrap();
    let _inside = fixture.runtime.enter();
    let fault = tubewright_server::serve::start(&asked).map(|_| ()).unwrap_err();
    println!("{fault}");
    assert_eq!(fault.say.code, "not-loopback");
    assert!(!other.path().join("trailer").exists(), "refused before anything is made");
    assert!(fixture.running().http.ip().is_loopback());
    let spoken_plainly = client::plain(fixture.running().https, b"GET / HTTP/1.1\r\nhost: x\r\n\r\n");
    assert!(spoken_plainly.is_err(), "the TLS port does not answer in the clear");
}

#[test]
fn a_client_that_knows_another_certificate_sends_nothing() {
    let fixture = Fixture::new();
    let elsewhere = tempfile::tempdir().unwrap();
    let other = Certs::open(elsewhere.path(), "trailer", &[], fixture.app().wall_ms() as u64 / 1000).unwrap();
    let got = client::tls(fixture.running().https, other.ca_pem(), b"GET / HTTP/1.1\r\nhost: x\r\n\r\n");
    println!("browser that trusts another CA: {:?}", got.as_ref().map(|a| a.status));
    assert!(got.is_err());
    // The tablet's own client: right address, right code, another key.
    let code = crew::code(&fixture);
    let address = sync::pairing::Address::parse(&fixture.running().https.to_string()).unwrap();
    let key = journal::SigningKey::from_seed([7; 32]);
    let tablet = sync::client::Tablet { key: &key, device: journal::DeviceId([7; 16]), name: "K7" };
    let invitation = |pin| sync::pairing::Invitation { address: address.clone(), fingerprint: pin, code: code.clone() };
    let wrong = invitation(Some(sync::pairing::Fingerprint(other.pin())));
    let refused = fixture.runtime.block_on(sync::Client::pair(&wrong, tablet, [1; 32])).unwrap_err();
    println!("{refused}");
    assert_eq!(refused, sync::SyncError::OtherCertificate);
    // Typed by hand, the key is learned from the handshake and proved by the code.
    let paired = fixture.runtime.block_on(sync::Client::pair(&invitation(None), tablet, [2; 32])).unwrap();
    assert_eq!(paired.fingerprint.0, fixture.app().web().pin);
}
