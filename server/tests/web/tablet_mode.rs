//! A tablet's screens for a browser on this machine.

use crate::client::{self, Answer};
use serde_json::{Value as Json, json};
use std::net::SocketAddr;
use tubewright_server::tablet_web;

fn send(at: SocketAddr, head: &str, body: &[u8]) -> Answer {
    let request = format!("{head}\r\nhost: {at}\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    client::plain(at, &[request.as_bytes(), body].concat()).unwrap()
}

fn call(at: SocketAddr, name: &str, args: &Json) -> Answer {
    send(at, &format!("POST /tablet/api/{name} HTTP/1.1\r\ncontent-type: application/json"), args.to_string().as_bytes())
}

#[test]
fn the_seam_is_there_on_loopback_and_nowhere_else() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let ui = dir.path().join("ui");
    std::fs::create_dir_all(&ui).unwrap();
    std::fs::write(ui.join("tablet.html"), "<title>the tablet</title>").unwrap();
    let _inside = runtime.enter();
    let refused = tablet_web::start(&dir.path().join("k1"), "0.0.0.0:0".parse().unwrap(), &ui).map(|_| ()).unwrap_err();
    println!("{refused}");
    assert_eq!(refused.say.code, "not-loopback");
    let running = tablet_web::start(&dir.path().join("k1"), "127.0.0.1:0".parse().unwrap(), &ui).unwrap();
    let at = running.http;
    assert!(String::from_utf8_lossy(&send(at, "GET / HTTP/1.1", b"").body).contains("the tablet"));
    let state = call(at, "state", &json!({}));
    assert_eq!((state.status, &state.json()["paired"]), (200, &json!(false)));
    let unknown = call(at, "fly", &json!({}));
    assert_eq!((unknown.status, unknown.code().as_str()), (400, "not-understood"));
    let no_meta = send(at, "POST /tablet/photo HTTP/1.1\r\ncontent-type: application/octet-stream", b"abc");
    assert_eq!(no_meta.status, 400);
    let long = vec![0_u8; sync::MAX_PHOTO as usize + 1];
    let too_long = send(at, "POST /tablet/photo HTTP/1.1\r\nx-meta: %7B%7D", &long);
    println!("{}", too_long.json()["words"]);
    assert_eq!((too_long.status, too_long.code().as_str()), (413, "photo-too-long"));
    let bent = client::plain(at, b"POST /tablet/api/state HTTP/1.1\r\nhost: elsewhere.example\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: 2\r\n\r\n{}").unwrap();
    assert_eq!(bent.code(), "other-host");
    runtime.block_on(running.stop());
}
