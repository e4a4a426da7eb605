//! What a stranger, the wrong kind of guest and a page of another origin get: a sentence and nothing more.

use crate::client;
use crate::crew;
use crate::fixture::{As, Fixture, options};
use serde_json::json;
use tubewright_server::cert::Certs;
use tubewright_server::routes::{Over, ROUTES, Who};

/// Every route there is, with who may pass and on which listener. A new route fails here until someone has thought
/// about who may pass it.
const EXPECTED: &[(&str, &str, Who, Over)] = &[
    ("POST", "/api/pair", Who::Anyone, Over::Tls),
    ("POST", "/api/sync/hello", Who::Tablet, Over::Tls),
    ("POST", "/api/sync/heads", Who::Tablet, Over::Tls),
    ("POST", "/api/sync/push", Who::Tablet, Over::Tls),
    ("POST", "/api/sync/pull", Who::Tablet, Over::Tls),
    ("POST", "/api/sync/unread", Who::Tablet, Over::Tls),
    ("GET", "/api/sync/photo/{hash}", Who::Tablet, Over::Tls),
    ("PUT", "/api/sync/photo/{hash}", Who::Tablet, Over::Tls),
    ("POST", "/api/sync/done", Who::Tablet, Over::Tls),
    ("GET", "/api/board/people", Who::Anyone, Over::Both),
    ("POST", "/api/board/session", Who::Anyone, Over::Both),
    ("GET", "/api/board/session", Who::Person, Over::Both),
    ("DELETE", "/api/board/session", Who::Person, Over::Both),
    ("GET", "/api/board", Who::Person, Over::Both),
    ("GET", "/api/board/plan", Who::Person, Over::Both),
    ("GET", "/api/board/job/{id}", Who::Person, Over::Both),
    ("POST", "/api/board/settle", Who::Person, Over::Both),
    ("GET", "/api/board/series", Who::Person, Over::Both),
    ("POST", "/api/board/series", Who::Person, Over::Both),
    ("GET", "/api/board/series/{incarnation}/apart", Who::Person, Over::Both),
    ("POST", "/api/board/tablet/take-off", Who::Person, Over::Both),
    ("POST", "/api/board/pairing", Who::Person, Over::Both),
    ("GET", "/api/board/photo/{hash}/{size}", Who::Person, Over::Both),
    ("GET", "/ca.crt", Who::Anyone, Over::Both),
    ("GET", "/trust", Who::Anyone, Over::Both),
];

#[test]
fn every_route_is_known_and_gives_a_stranger_nothing() {
    let all: Vec<_> = ROUTES.iter().map(|r| (r.method, r.path, r.who, r.over)).collect();
    assert_eq!(all, EXPECTED);
    let fixture = Fixture::new();
    let tablet = crew::pair(&fixture, 1, "K1");
    let cookie = fixture.sign_in("m-diaz");
    let person = As { cookie: Some(&cookie), ..As::default() };
    for route in ROUTES {
        let path = route.path.replace("{hash}", &"ab".repeat(32)).replace("{size}", "256").replace("{id}", "x");
        let ask = |who: As<'_>| fixture.send(who, route.method, &path, "application/json", b"{}");
        let strangers = [
            ("nobody", As::default()),
            ("a wrong token", As { token: Some("00"), ..As::default() }),
            ("a wrong cookie", As { cookie: Some("__Host-board=00"), ..As::default() }),
            ("nobody on loopback", As { plain: true, ..As::default() }),
        ];
        let wrong_kind = if route.who == Who::Tablet { ("a person", person) } else { ("a tablet", tablet.who()) };
        for (name, who) in strangers.into_iter().chain([wrong_kind]) {
            let got = ask(who);
            println!("{} {} by {name}: {}", route.method, route.path, got.status);
            let hidden = route.over == Over::Tls && who.plain;
            match route.who {
                _ if hidden => assert_eq!((got.status, got.code().as_str()), (404, "no-such-page")),
                Who::Anyone => assert_ne!(got.status, 401),
                Who::Tablet => assert_eq!((got.status, got.code().as_str()), (401, "not-paired")),
                Who::Person => assert_eq!((got.status, got.code().as_str()), (401, "not-signed-in")),
            }
        }
    }
}

#[test]
fn every_answer_carries_the_security_headers() {
    let fixture = Fixture::new();
    for (path, who) in
        [("/", As::default()), ("/api/board", As::default()), ("/nothing", As { plain: true, ..As::default() }), ("/trust", As::default())]
    {
        let got = fixture.get(who, path);
        let policy = got.header("content-security-policy").unwrap();
        println!("{path}: {policy}");
        assert!(
            policy.contains("default-src 'self'") && policy.contains("connect-src 'self'") && policy.contains("frame-ancestors 'none'")
        );
        assert_eq!(got.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(got.header("referrer-policy"), Some("no-referrer"));
    }
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
