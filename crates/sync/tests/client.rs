//! The client over real TLS on loopback: only the pinned key is spoken to, whatever the dates say.

mod common;
#[path = "common/tls_server.rs"]
mod tls_server;

use common::{CLOCK, SITE, Tablet, Trailer, assert_in_step};
use std::sync::{Arc, Mutex};
use sync::client::{self, Client};
use sync::exchange::{Outcome, Phase, Reply, Step};
use sync::message::{PairReply, PairRequest};
use sync::pairing::{self, Code, Fingerprint, Invitation};
use sync::{SyncError, wire};
use tls_server::{Answer, Identity, Request, Server};

const TOKEN: &str = "a-token-of-the-test";

/// The trailer in memory behind HTTP.
fn serve(trailer: Arc<Mutex<Trailer>>) -> Box<dyn FnMut(&Request) -> Answer + Send> {
    Box::new(move |request| {
        let mut trailer = trailer.lock().expect("lock");
        if !request.head.to_ascii_lowercase().contains(&format!("authorization: bearer {TOKEN}")) {
            return (401, String::new(), b"{}".to_vec());
        }
        let step = step_of(request);
        let body = match trailer.answer(&step) {
            Reply::Hello(r) => serde_json::to_vec(&r),
            Reply::Heads(heads) => Ok(heads.encode()),
            Reply::Unread(r) => Ok(wire::encode_unread(&r)),
            Reply::Push(r) => serde_json::to_vec(&r),
            Reply::Pull(batch) => Ok(wire::encode_pull(&batch.entries, batch.more)),
            Reply::Photo(r) => serde_json::to_vec(&r),
            Reply::Done(r) => serde_json::to_vec(&r),
        };
        (200, String::new(), body.expect("encoded"))
    })
}

fn step_of(request: &Request) -> Step {
    let path = request.line.split(' ').nth(1).expect("a path");
    let photo = |text: &str| journal::PhotoHash::from_hex(&text[..64]).expect("a hash");
    match path {
        "/api/sync/hello" => Step::Hello(serde_json::from_slice(&request.body).expect("hello")),
        "/api/sync/heads" => Step::Heads(wire::decode_heads(&request.body).expect("heads")),
        "/api/sync/unread" => Step::Unread(wire::decode_names(&request.body).expect("names")),
        "/api/sync/push" => Step::Push(wire::decode_push(&request.body).expect("push").entries),
        "/api/sync/pull" => Step::Pull(wire::decode_ranges(&request.body).expect("pull")),
        "/api/sync/done" => Step::Done(serde_json::from_slice(&request.body).expect("done")),
        path => {
            let rest = path.strip_prefix("/api/sync/photo/").expect("a photo");
            match rest.split_once("?offset=") {
                None => Step::PhotoOffset(photo(rest)),
                Some((hash, query)) => {
                    let (offset, total) = query.split_once("&total=").expect("a total");
                    Step::PhotoPut {
                        photo: photo(hash),
                        offset: offset.parse().expect("a number"),
                        total: total.parse().expect("a number"),
                        bytes: request.body.clone(),
                    }
                }
            }
        }
    }
}

fn answering(answer: Answer) -> Box<dyn FnMut(&Request) -> Answer + Send> {
    Box::new(move |_| answer.clone())
}

async fn sync(server: &Server, pin: Fingerprint, tablet: &mut Tablet) -> Result<Outcome, SyncError> {
    let client = Client::new(server.address(), pin, TOKEN)?;
    client.run(common::key(200).public(), CLOCK, tablet, &mut |_| {}).await
}

fn full() -> Tablet {
    let mut tablet = Tablet::new(1);
    tablet.write(3, 200_000);
    tablet.photograph(600_000, 5);
    tablet
}

#[tokio::test]
async fn the_right_key_is_spoken_to_and_a_whole_exchange_runs() {
    let identity = Identity::new();
    let trailer = Arc::new(Mutex::new(Trailer::default()));
    let server = Server::start(identity.cert.clone(), &identity.key, serve(trailer.clone()));
    let (mut tablet, mut phases) = (full(), Vec::new());
    let client = Client::new(server.address(), identity.fingerprint(), TOKEN).expect("a client");
    let outcome = client
        .run(common::key(200).public(), CLOCK, &mut tablet, &mut |p| {
            assert!(p.done <= p.total);
            phases.push(p.phase);
        })
        .await
        .expect("in step");
    assert!(outcome.is_clean(), "{outcome:?}");
    assert_in_step(&tablet, &trailer.lock().expect("lock"));
    phases.dedup();
    assert_eq!(phases, [Phase::Hello, Phase::Push, Phase::Photos, Phase::Done, Phase::Finished]);
    println!("{} requests over {} TLS connections: in step", server.count(), server.connections.load(std::sync::atomic::Ordering::SeqCst));
}

#[tokio::test]
async fn another_key_is_refused_and_nothing_is_sent() {
    let (ours, other) = (Identity::new(), Identity::new());
    let server = Server::start(other.cert.clone(), &other.key, answering((200, String::new(), b"{}".to_vec())));
    let fault = sync(&server, ours.fingerprint(), &mut full()).await.expect_err("refused");
    println!("{fault}");
    assert_eq!((fault.code(), server.count(), server.bytes()), ("other-certificate", 0, 0));
    assert!(server.connections.load(std::sync::atomic::Ordering::SeqCst) > 0, "it was really reached");
}

/// The certificate is public: whoever shows it must also hold its key.
#[tokio::test]
async fn a_replayed_certificate_without_its_key_is_refused() {
    let (ours, forger) = (Identity::new(), Identity::new());
    let server = Server::start(ours.cert.clone(), &forger.key, answering((200, String::new(), b"{}".to_vec())));
    let fault = sync(&server, ours.fingerprint(), &mut full()).await.expect_err("refused");
    println!("{fault}");
    assert_eq!((fault.code(), server.count()), ("other-certificate", 0), "nothing was sent");
}

#[tokio::test]
async fn dates_do_not_matter_the_key_does() {
    for (from, to) in [(1990, 1991), (2089, 2090)] {
        let first = Identity::new();
        let pin = first.fingerprint();
        let renewed = Identity::around(first.key, from, to);
        assert_ne!(first.cert, renewed.cert);
        let trailer = Arc::new(Mutex::new(Trailer::default()));
        let server = Server::start(renewed.cert.clone(), &renewed.key, serve(trailer.clone()));
        let mut tablet = full();
        sync(&server, pin, &mut tablet).await.expect("the right key");
        assert_in_step(&tablet, &trailer.lock().expect("lock"));
        println!("a certificate for {from} to {to} around the pinned key: in step");
    }
}

#[tokio::test]
async fn every_refusal_has_its_own_sentence() {
    let fault = br#"{"code":"x","words":"The disk has a fault.","status":500}"#.to_vec();
    let cases = [
        ((401, String::new(), vec![]), "token-refused"),
        ((403, String::new(), vec![]), "tablet-revoked"),
        ((403, String::new(), br#"{"code":"revoked"}"#.to_vec()), "tablet-revoked"),
        ((403, String::new(), br#"{"code":"series-cut"}"#.to_vec()), "series-cut"),
        ((409, String::new(), br#"{"code":"pair-again"}"#.to_vec()), "pair-again"),
        ((409, String::new(), br#"{"code":"no-plan","words":"There is no plan yet."}"#.to_vec()), "server-fault"),
        ((507, String::new(), vec![]), "server-full"),
        ((429, "Retry-After: 7\r\n".to_owned(), vec![]), "slow-down"),
        ((500, String::new(), fault), "server-fault"),
        ((301, "Location: https://elsewhere.invalid/\r\n".to_owned(), vec![]), "server-fault"),
        ((200, String::new(), b"not JSON".to_vec()), "strange-answer"),
        ((200, String::new(), vec![b' '; 3 * 1024 * 1024]), "strange-answer"),
        ((tls_server::CUT, String::new(), vec![]), "sync-cut"),
        ((tls_server::CLOSED, String::new(), vec![]), "sync-cut"),
    ];
    for (answer, code) in cases {
        let identity = Identity::new();
        let server = Server::start(identity.cert.clone(), &identity.key, answering(answer));
        let fault = sync(&server, identity.fingerprint(), &mut full()).await.expect_err(code);
        println!("{code}: {fault}");
        assert_eq!((fault.code(), fault.say().code.as_str()), (code, code));
        assert!(fault.to_string().contains("safe") || fault.to_string().contains("Nothing is lost") || fault.to_string().contains("kept"));
    }
}

#[tokio::test]
async fn nobody_there_is_said_so() {
    let port = std::net::TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").port();
    let address = pairing::Address::parse(&format!("127.0.0.1:{port}")).expect("an address");
    let client = Client::new(address, Fingerprint([1; 32]), TOKEN).expect("a client");
    let fault = client.run(common::key(200).public(), CLOCK, &mut full(), &mut |_| {}).await.expect_err("nobody");
    println!("{fault}");
    assert_eq!((fault.code(), fault.say().with["address"].contains("127.0.0.1")), ("not-found", true));
}

/// Answers `POST /api/pair` the way the server does, with `own` as its fingerprint and `code` as its live code.
fn pairing_server(own: Fingerprint, code: Code) -> Box<dyn FnMut(&Request) -> Answer + Send> {
    Box::new(move |request| {
        let Ok(asked) = serde_json::from_slice::<PairRequest>(&request.body) else { return (405, String::new(), vec![]) };
        if !pairing::proof_fits(&code, &own, &asked) {
            return (403, String::new(), br#"{"code":"pair-wrong","words":"The code is wrong."}"#.to_vec());
        }
        let gives = PairReply {
            token: TOKEN.into(),
            site: SITE,
            name: "Millrace".into(),
            server_key: common::key(200).public(),
            proof: String::new(),
        };
        let reply = pairing::reply(&code, &own, &asked, gives).expect("well formed");
        (200, String::new(), serde_json::to_vec(&reply).expect("encoded"))
    })
}

async fn pair(invitation: &Invitation) -> Result<client::Paired, SyncError> {
    let key = common::key(1);
    let who = client::Tablet { key: &key, device: journal::DeviceId([1; 16]), name: "K4" };
    Client::pair(invitation, who, [9; 32]).await
}

#[tokio::test]
async fn pairing_by_square_and_by_hand() {
    let identity = Identity::new();
    let code = Code::from_random([7; 10]);
    let server = Server::start(identity.cert.clone(), &identity.key, pairing_server(identity.fingerprint(), code.clone()));
    let square = pairing::qr_text(&server.address(), &identity.fingerprint(), &code);
    let by_square = pair(&Invitation::parse(&square).expect("a square")).await.expect("paired");
    let by_hand = Invitation::by_hand(server.address().as_str(), &code.shown().to_lowercase()).expect("typed");
    let by_hand = pair(&by_hand).await.expect("paired");
    assert_eq!(by_square.fingerprint, by_hand.fingerprint);
    assert_eq!((by_hand.fingerprint, by_hand.reply.token.as_str()), (identity.fingerprint(), TOKEN));
    let wire: String = server.requests.lock().expect("lock").iter().map(|r| String::from_utf8_lossy(&r.body).into_owned()).collect();
    assert!(!wire.contains(code.as_str()), "the code itself is never sent");
}

#[tokio::test]
async fn a_wrong_code_is_refused_by_the_trailer() {
    let identity = Identity::new();
    let server = Server::start(identity.cert.clone(), &identity.key, pairing_server(identity.fingerprint(), Code::from_random([7; 10])));
    let invitation = Invitation { address: server.address(), fingerprint: None, code: Code::from_random([8; 10]) };
    let fault = pair(&invitation).await.expect_err("refused");
    assert_eq!(fault, SyncError::PairRefused("The code is wrong.".into()));
}

/// A stranger in the middle, typed-in address, no fingerprint known: the stranger relays or makes things up, and fails.
#[tokio::test]
async fn a_stranger_in_the_middle_fails_both_ways() {
    let (trailer, stranger) = (Identity::new(), Identity::new());
    let code = Code::from_random([7; 10]);
    let invitation = |server: &Server| Invitation { address: server.address(), fingerprint: None, code: code.clone() };

    // Relays the tablet's proof to the real trailer, which sees that it names another key.
    let relay = pairing_server(trailer.fingerprint(), code.clone());
    let server = Server::start(stranger.cert.clone(), &stranger.key, relay);
    let fault = pair(&invitation(&server)).await.expect_err("refused by the trailer");
    assert_eq!(fault.code(), "pair-refused");

    // Answers with its own values, not knowing the code.
    let guess = pairing_server(stranger.fingerprint(), code.clone());
    let mut guess = guess;
    let forged: Box<dyn FnMut(&Request) -> Answer + Send> = Box::new(move |request| {
        let (status, head, body) = guess(request);
        let Ok(mut reply) = serde_json::from_slice::<PairReply>(&body) else { return (status, head, body) };
        reply.server_key = common::key(66).public();
        (status, head, serde_json::to_vec(&reply).expect("encoded"))
    });
    let server = Server::start(stranger.cert.clone(), &stranger.key, forged);
    let fault = pair(&invitation(&server)).await.expect_err("refused by the tablet");
    println!("{fault}");
    assert_eq!(fault, SyncError::PairProof);

    // With the square, the stranger is not even spoken to.
    let with_square = Invitation { fingerprint: Some(trailer.fingerprint()), ..invitation(&server) };
    let before = server.count();
    assert_eq!((pair(&with_square).await.expect_err("refused"), server.count()), (SyncError::OtherCertificate, before));
}

/// A trailer that stands still, drips, or takes the connection and says nothing: the client gives up with a sentence, and
/// the next exchange goes on.
#[tokio::test]
async fn a_slow_or_silent_trailer_is_given_up_and_the_next_exchange_goes_on() {
    let soon = std::time::Duration::from_millis(400);
    let patience = client::Patience { connect: soon, read: soon, whole: 3 * soon };
    let mut tablet = full();
    for (status, code) in [(tls_server::SILENT, "trailer-silent"), (tls_server::DRIP, "trailer-silent")] {
        let identity = Identity::new();
        let server = Server::start(identity.cert.clone(), &identity.key, answering((status, String::new(), vec![])));
        let client = Client::with_patience(server.address(), identity.fingerprint(), TOKEN, patience).expect("a client");
        let fault = client.run(common::key(200).public(), CLOCK, &mut tablet, &mut |_| {}).await.expect_err("given up");
        println!("{fault}");
        assert_eq!((fault.code(), server.count()), (code, 1));
    }
    // Half open: the connection is taken, and the handshake never answered.
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = pairing::Address::parse(&listener.local_addr().expect("an address").to_string()).expect("an address");
    let client = Client::with_patience(address, Fingerprint([1; 32]), TOKEN, patience).expect("a client");
    let fault = client.run(common::key(200).public(), CLOCK, &mut tablet, &mut |_| {}).await.expect_err("given up");
    println!("{fault}");
    assert!(["not-found", "trailer-silent"].contains(&fault.code()), "{}", fault.code());
    // And then the trailer is well again.
    let (identity, trailer) = (Identity::new(), Arc::new(Mutex::new(Trailer::default())));
    let server = Server::start(identity.cert.clone(), &identity.key, serve(trailer.clone()));
    assert!(sync(&server, identity.fingerprint(), &mut tablet).await.expect("in step").is_clean());
    assert_in_step(&tablet, &trailer.lock().expect("lock"));
}

/// What the client reads is bounded whatever is sent: at the limit it is read, one byte more and it is not.
#[tokio::test]
async fn answers_are_read_up_to_their_limit() {
    let pad = |mut body: Vec<u8>, to: usize| {
        body.resize(to, b' ');
        body
    };
    for (path, most) in [
        ("/api/sync/hello", 128 * 1024),
        ("/api/sync/push", sync::MAX_BODY),
        ("/api/sync/photo", sync::MAX_SMALL),
        ("/api/sync/done", sync::MAX_SMALL),
    ] {
        for (len, good) in [(most, true), (most + 1, false)] {
            let (identity, trailer) = (Identity::new(), Arc::new(Mutex::new(Trailer::default())));
            let mut inner = serve(trailer.clone());
            let padded: Box<dyn FnMut(&Request) -> Answer + Send> = Box::new(move |request| {
                let (status, head, body) = inner(request);
                if request.line.contains(path) { (status, head, pad(body, len)) } else { (status, head, body) }
            });
            let server = Server::start(identity.cert.clone(), &identity.key, padded);
            let end = sync(&server, identity.fingerprint(), &mut full()).await;
            println!("{path}, {len} bytes: {}", end.as_ref().map_or_else(|e| e.code(), |_| "read"));
            assert_eq!(end.as_ref().map_err(SyncError::code).err(), (!good).then_some("strange-answer"), "{path} {len}");
        }
    }
}

type Change = fn(PairReply) -> PairReply;

/// Every fault of pairing refuses: nothing is paired and the sentence says what to do.
#[tokio::test]
async fn every_fault_of_pairing_refuses() {
    let (trailer, other) = (Identity::new(), Identity::new());
    let code = Code::from_random([7; 10]);
    let answers: [(&str, Change); 6] = [
        ("another token", |r| PairReply { token: "x".into(), ..r }),
        ("another site", |r| PairReply { site: journal::SiteId([0; 16]), ..r }),
        ("another plant", |r| PairReply { name: "Elsewhere".into(), ..r }),
        ("another key of the trailer", |r| PairReply { server_key: common::key(66).public(), ..r }),
        ("no proof", |r| PairReply { proof: String::new(), ..r }),
        ("a proof of zeros", |r| PairReply { proof: "00".repeat(32), ..r }),
    ];
    for (what, change) in answers {
        let mut honest = pairing_server(trailer.fingerprint(), code.clone());
        let forged: Box<dyn FnMut(&Request) -> Answer + Send> = Box::new(move |request| {
            let (status, head, body) = honest(request);
            let Ok(reply) = serde_json::from_slice::<PairReply>(&body) else { return (status, head, body) };
            (status, head, serde_json::to_vec(&change(reply)).expect("json"))
        });
        let server = Server::start(trailer.cert.clone(), &trailer.key, forged);
        let invitation = Invitation { address: server.address(), fingerprint: Some(trailer.fingerprint()), code: code.clone() };
        let fault = pair(&invitation).await.expect_err(what);
        println!("{what}: {}", fault.code());
        assert_eq!(fault, SyncError::PairProof, "{what}");
    }
    let refused = |status: u16, body: &[u8]| answering((status, String::new(), body.to_vec()));
    let statuses = [
        (403, "pair-refused"),
        (409, "pair-refused"),
        (429, "slow-down"),
        (500, "server-fault"),
        (301, "server-fault"),
        (200, "strange-answer"),
    ];
    for (status, code_of) in statuses {
        let server = Server::start(trailer.cert.clone(), &trailer.key, refused(status, b"{}"));
        let invitation = Invitation { address: server.address(), fingerprint: Some(trailer.fingerprint()), code: code.clone() };
        assert_eq!(pair(&invitation).await.expect_err("refused").code(), code_of, "{status}");
    }
    // Another key under the square's address is not even spoken to.
    let server = Server::start(other.cert.clone(), &other.key, pairing_server(other.fingerprint(), code.clone()));
    let invitation = Invitation { address: server.address(), fingerprint: Some(trailer.fingerprint()), code };
    assert_eq!((pair(&invitation).await.expect_err("refused"), server.bytes()), (SyncError::OtherCertificate, 0));
}
