//! At each limit and one beyond it; a full disk; too many at once.

use crate::client;
use crate::crew::{self, gap_at_six, job_with_gap, pair, stranger};
use crate::fixture::{As, Fixture};
use crate::strangers::filled;
use journal::PhotoHash;
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::Duration;
use store::disk::lying::Fault;
use store::testkit::vfs::FaultVfs;
use sync::message::PushReply;
use tubewright_server::doors;
use tubewright_server::routes::{ROUTES, Who};

#[test]
fn every_body_is_taken_at_its_limit_and_refused_one_byte_beyond() {
    let fixture = Fixture::new();
    let tablet = crew::pair(&fixture, 1, "K1");
    for route in ROUTES {
        let cookie = if route.who == Who::Person { Some(fixture.sign_in("m-diaz")) } else { None };
        let who = As { token: (route.who == Who::Tablet).then_some(tablet.token.as_str()), cookie: cookie.as_deref(), ..As::default() };
        let piece = if route.method == "PUT" { format!("?offset=0&total={}", route.limit) } else { String::new() };
        let path = filled(route.path) + &piece;
        let ask = |bytes: usize| fixture.send(who, route.method, &path, "application/json", &vec![b' '; bytes]);
        let beyond = ask(route.limit + 1);
        assert_eq!((beyond.status, beyond.code().as_str()), (413, "too-large"));
        // Where nobody reads the body, it is answered before it was sent, at the limit or not.
        let read = ["POST", "PUT"].contains(&route.method) && !route.path.ends_with("/pairing");
        let at = read.then(|| ask(route.limit).status);
        println!("{} {}: {} bytes {at:?}, one more {}", route.method, route.path, route.limit, beyond.status);
        assert_ne!(at, Some(413));
    }
}

#[test]
fn a_body_that_does_not_say_its_length_is_cut_at_the_limit_too() {
    let fixture = Fixture::new();
    let tablet = crew::pair(&fixture, 1, "K1");
    let piece = vec![b'x'; 64 * 1024];
    let mut body = Vec::new();
    for _ in 0..=(sync::MAX_BODY / piece.len()) {
        body.extend_from_slice(format!("{:x}\r\n", piece.len()).as_bytes());
        body.extend_from_slice(&piece);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(b"0\r\n\r\n");
    let at = fixture.running().https;
    let head = format!(
        "POST /api/sync/push HTTP/1.1\r\nhost: {at}\r\nauthorization: Bearer {}\r\ntransfer-encoding: chunked\r\nconnection: close\r\n\r\n",
        tablet.token
    );
    let got = client::tls(at, &fixture.app().web().ca_pem, &[head.as_bytes(), &body].concat()).unwrap();
    assert_eq!((got.status, got.code().as_str()), (413, "too-large"));
}

#[test]
fn a_full_disk_is_said_and_nothing_acknowledged_is_lost() {
    let mut fixture = Fixture::new();
    fixture.stop();
    let vfs = FaultVfs::new("full-over-http");
    fixture.start_on(store::Options { vfs: Some(vfs.name()), ..store::Options::default() });
    let mut k1 = pair(&fixture, 1, "K1");
    let first = job_with_gap(&mut k1, "20 1/2");
    assert_eq!(k1.push(&fixture, &first).status, 200);
    let more = gap_at_six(&mut k1, "m-soto", "21");
    vfs.fail_at(1, Fault::Full);
    let got = k1.push(&fixture, &more);
    println!("{}", got.json()["words"]);
    assert_eq!((got.status, got.code().as_str()), (507, "trailer-full"));
    // What only reads goes on.
    assert_eq!(k1.pull(&fixture).iter().filter(|e| e.entry.incarnation == k1.incarnation()).count(), first.len());
    vfs.make_room();
    let reply: PushReply = serde_json::from_slice(&k1.push(&fixture, &more).body).unwrap();
    assert_eq!((reply.stored, reply.receipt.unwrap().seq), (1, 5), "nothing had to be started again");
}

#[test]
fn photos_are_refused_before_the_disk_is_full_and_records_are_not() {
    let mut fixture = Fixture::new();
    fixture.stop();
    fixture.start_on(store::Options { photo_floor: u64::MAX, ..store::Options::default() });
    let mut k1 = pair(&fixture, 1, "K1");
    let bytes = b"a photo";
    let hash = PhotoHash(*blake3::hash(bytes).as_bytes());
    let path = format!("/api/sync/photo/{hash}?offset=0&total={}", bytes.len());
    let got = fixture.send(k1.who(), "PUT", &path, "application/octet-stream", bytes);
    assert_eq!((got.status, got.code().as_str()), (507, "trailer-full"));
    let entries = job_with_gap(&mut k1, "20 1/2");
    assert_eq!(k1.push(&fixture, &entries).status, 200);
}

#[test]
fn entries_nobody_vouches_for_may_not_fill_the_disk() {
    let fixture = Fixture::new();
    let mut k1 = pair(&fixture, 1, "K1");
    let mine = job_with_gap(&mut k1, "20 1/2");
    let mut x = stranger(9, "K9");
    let filler = "x".repeat(200_000);
    let (mut taken, mut offered) = (0_u64, 0_u64);
    // 16 MiB of one series nobody knows are taken; the rest is left with the tablet that carries it.
    for _ in 0..30 {
        let text = json!({ "text": filler });
        let piece =
            x.write("d-kerr", (0..4).map(|n| ("note", format!("job/{}/note-{n}", crew::JOB), vec![], text.clone())).take(3).collect());
        let got = k1.push(&fixture, &piece);
        assert_eq!(got.status, 200, "the sync goes on: {}", String::from_utf8_lossy(&got.body));
        let reply: PushReply = serde_json::from_slice(&got.body).unwrap();
        offered += piece.len() as u64;
        taken += reply.stored;
        let told = reply.receipt.map_or(0, |r| r.seq);
        assert_eq!(told, taken, "a receipt is given for what is here and no more");
    }
    println!("{taken} of {offered} entries were taken");
    assert!(taken < offered && taken > 70);
    let cookie = fixture.sign_in("m-diaz");
    let board = fixture.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board").json();
    assert!(board["sentence"].to_string().contains("b-apart-full"));
    assert_eq!(k1.push(&fixture, &mine).status, 200);
    assert_eq!(
        serde_json::from_slice::<PushReply>(&k1.push(&fixture, &mine).body).unwrap().known,
        4,
        "records that count are taken as before"
    );
}

/// A connection that has sent a head and waits with its body.
fn waiting(fixture: &Fixture, token: &str) -> TcpStreamTls {
    let at = fixture.running().https;
    let mut stream = open_tls(fixture);
    let head = format!("POST /api/sync/push HTTP/1.1\r\nhost: {at}\r\nauthorization: Bearer {token}\r\ncontent-length: 10\r\n\r\n");
    stream.write_all(head.as_bytes()).unwrap();
    stream.flush().unwrap();
    stream
}

pub type TcpStreamTls = rustls::StreamOwned<rustls::ClientConnection, TcpStream>;

pub fn open_tls(fixture: &Fixture) -> TcpStreamTls {
    use rustls::pki_types::pem::PemObject;
    let mut roots = rustls::RootCertStore::empty();
    roots.add(rustls::pki_types::CertificateDer::from_pem_slice(fixture.app().web().ca_pem.as_bytes()).unwrap()).unwrap();
    let config = rustls::ClientConfig::builder().with_root_certificates(roots).with_no_client_auth();
    let at = fixture.running().https;
    let session = rustls::ClientConnection::new(Arc::new(config), rustls::pki_types::ServerName::from(at.ip())).unwrap();
    let stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    rustls::StreamOwned::new(session, stream)
}

#[test]
fn one_tablet_cannot_keep_everybody_waiting() {
    let fixture = Fixture::new();
    let (k1, k2) = (crew::pair(&fixture, 1, "K1"), crew::pair(&fixture, 2, "K2"));
    let held: Vec<TcpStreamTls> = (0..doors::MOST_OF_ONE).map(|_| waiting(&fixture, &k1.token)).collect();
    let mut last = 0;
    // The heads travel on connections of their own, so the last of them may come after the question.
    for _ in 0..200 {
        let got = fixture.get(k1.who(), "/api/sync/photo/x");
        last = got.status;
        if last == 429 {
            println!("{}", got.json()["words"]);
            assert_eq!((got.code().as_str(), got.header("retry-after")), ("one-at-a-time", Some("1")));
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(last, 429);
    assert_eq!(fixture.get(k2.who(), "/api/sync/photo/x").status, 404, "others are served");
    drop(held);
    for _ in 0..200 {
        last = fixture.get(k1.who(), "/api/sync/photo/x").status;
        if last == 404 {
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(last, 404, "a tablet whose connections broke gets its turns back");
}

#[test]
fn connections_beyond_the_limit_are_closed_and_the_next_is_served() {
    let fixture = Fixture::new();
    let at = fixture.running().http;
    let mut held: Vec<TcpStream> = (0..doors::MOST).map(|_| TcpStream::connect(at).unwrap()).collect();
    // The server takes them one by one; the one beyond is closed without a word.
    let mut closed = false;
    for _ in 0..200 {
        let mut one_more = TcpStream::connect(at).unwrap();
        one_more.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        closed = matches!(one_more.read(&mut [0; 1]), Ok(0))
            || matches!(one_more.write_all(b"GET /trust HTTP/1.1\r\n\r\n").and_then(|()| one_more.read(&mut [0; 1])), Ok(0));
        if closed {
            break;
        }
        held.push(one_more);
    }
    println!("{} held, the next one closed: {closed}", held.len());
    assert!(closed);
    drop(held);
    let mut served = false;
    for _ in 0..200 {
        served = client::plain(at, format!("GET /trust HTTP/1.1\r\nhost: {at}\r\nconnection: close\r\n\r\n").as_bytes())
            .is_ok_and(|a| a.status == 200);
        if served {
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(served, "places are given back");
}

#[test]
fn unfinished_uploads_are_bounded_and_the_oldest_goes() {
    let fixture = Fixture::new();
    let k1 = pair(&fixture, 1, "K1");
    let photos = fixture.app().with_now(|t| Ok(t.store.photos().clone())).unwrap();
    let begin = |n: u8| {
        let hash = PhotoHash([n; 32]);
        let path = format!("/api/sync/photo/{hash}?offset=0&total=5000");
        assert_eq!(fixture.send(k1.who(), "PUT", &path, "application/octet-stream", &[n; 1000]).json()["offset"], 1000);
        std::thread::sleep(Duration::from_millis(30));
        hash
    };
    let all: Vec<PhotoHash> = (1..=4).map(begin).collect();
    assert_eq!(photos.bound_uploads(4000).unwrap(), 0);
    assert_eq!(photos.bound_uploads(2500).unwrap(), 2);
    let left: Vec<u64> = all.iter().map(|h| photos.upload_offset(h).unwrap().offset).collect();
    println!("{left:?}");
    assert_eq!(left, [0, 0, 1000, 1000]);
    assert_eq!(photos.sweep_uploads(Duration::from_secs(3600)).unwrap(), 0);
    assert_eq!(photos.sweep_uploads(Duration::ZERO).unwrap(), 2);
    let got = fixture.get(k1.who(), &format!("/api/sync/photo/{}", all[3]));
    assert_eq!(got.json()["offset"], 0, "its tablet begins it anew");
}
