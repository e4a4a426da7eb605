//! Stopping in good order, and a certificate that is renewed under paired tablets.

use crate::crew::{job_with_gap, pair};
use crate::fixture::{Fixture, options};
use crate::limits::open_tls;
use serde_json::json;
use std::io::{Read, Write};
use std::time::Duration;
use sync::message::PushReply;
use tablet::Tablet;
use tubewright_server::trailer::Trailer;

#[test]
fn a_push_under_way_ends_with_its_receipt_and_then_the_store_is_closed() {
    let mut fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let entries = job_with_gap(&mut k1, "20 1/2");
    let body = sync::wire::encode_push(&entries);
    let (at, mut stream) = (fixture.running().https, open_tls(&fixture));
    let head = format!(
        "POST /api/sync/push HTTP/1.1\r\nhost: {at}\r\nauthorization: Bearer {}\r\ncontent-length: {}\r\n\r\n",
        k1.token,
        body.len()
    );
    let (one, two) = body.split_at(body.len() / 2);
    stream.write_all(&[head.as_bytes(), one].concat()).unwrap();
    stream.flush().unwrap();
    // The server has begun to read it: its turn is taken.
    std::thread::sleep(Duration::from_millis(300));
    let running = fixture.take();
    let rest = two.to_vec();
    let sender = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(500));
        stream.write_all(&rest).unwrap();
        stream.flush().unwrap();
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        answer
    });
    fixture.runtime.block_on(running.stop());
    let answer = sender.join().unwrap();
    let text = String::from_utf8_lossy(&answer);
    println!("{}", text.lines().next().unwrap_or_default());
    assert!(text.starts_with("HTTP/1.1 200"), "{text}");
    let json = &answer[answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4..];
    let reply: PushReply = serde_json::from_slice(json).unwrap();
    reply.receipt.unwrap().verify(&k1.server).unwrap();
    let trailer = Trailer::open(&fixture.data()).expect("the folder is free");
    assert_eq!(trailer.store.heads().unwrap().seq(&k1.incarnation()), 4);
}

#[test]
fn a_guest_who_never_ends_does_not_keep_the_server_from_stopping() {
    let mut fixture = Fixture::new();
    let mut stream = open_tls(&fixture);
    stream.write_all(b"POST /api/sync/push HTTP/1.1\r\n").unwrap();
    stream.flush().unwrap();
    std::thread::sleep(Duration::from_millis(200));
    let running = fixture.take();
    fixture.runtime.block_on(running.stop());
    Trailer::open(&fixture.data()).expect("the folder is free");
}

/// The certificate a guest is shown.
fn shown(fixture: &Fixture) -> Vec<u8> {
    let mut stream = open_tls(fixture);
    stream.write_all(b"GET /trust HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    stream.conn.peer_certificates().unwrap()[0].to_vec()
}

#[test]
fn a_certificate_is_renewed_under_paired_tablets_and_nobody_pairs_again() {
    let mut fixture = Fixture::new();
    let tablet = Tablet::open(&fixture.dir.path().join("K1")).unwrap();
    let invitation = tubewright_server::pair::invite(fixture.app()).unwrap();
    tablet.call("pair", json!({ "text": invitation.text, "name": "K1" })).unwrap();
    let sync = |when: &str| {
        let state = tablet.sync_blocking().unwrap_or_else(|f| panic!("{when}: {f}"));
        assert!(state["error"].is_null(), "{when}: {state}");
    };
    sync("before");
    let now_s = fixture.app().wall_ms() as u64 / 1000;
    let (first, certificate) = (shown(&fixture), fixture.running().certificate.clone());
    let names = vec!["127.0.0.1".to_owned()];
    assert!(!certificate.look(&names, now_s).unwrap(), "nothing to do");
    assert_eq!(shown(&fixture), first);
    let moved = vec!["127.0.0.1".to_owned(), "192.168.77.7".to_owned()];
    assert!(certificate.look(&moved, now_s).unwrap(), "the machine has another address");
    let second = shown(&fixture);
    assert_ne!(second, first);
    sync("after the address changed");
    assert!(certificate.look(&moved, now_s + 300 * 86_400).unwrap(), "ten months later");
    let third = sync::tls::fingerprint(&leaf(&fixture)).expect("a key");
    assert_eq!(third.0, fixture.app().web().pin, "the key stays");
    sync("with a certificate that is not valid yet by this machine's clock");
    drop(certificate);
    fixture.stop();
    let port = invitation.address.rsplit(':').next().unwrap().to_owned();
    let mut again = options(fixture.dir.path());
    again.listen = format!("127.0.0.1:{port}").parse().unwrap();
    fixture.start_with(&again);
    sync("after a restart with the new leaf on disk");
}

/// The leaf, whatever its dates are.
fn leaf(fixture: &Fixture) -> Vec<u8> {
    use rustls::pki_types::pem::PemObject;
    let pem = std::fs::read(fixture.data().join("tls/leaf.crt")).unwrap();
    rustls::pki_types::CertificateDer::from_pem_slice(&pem).unwrap().to_vec()
}
