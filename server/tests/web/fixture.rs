//! A server in this process on free ports, with the demo outage loaded.

use crate::client::{self, Answer};
use serde_json::{Value as Json, json};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tubewright_server::args::Serve;
use tubewright_server::serve::{self, Running};
use tubewright_server::state::App;
use tubewright_server::trailer::Trailer;

pub const DEMO: &str = include_str!("../../demo/outage.json");

pub struct Fixture {
    pub runtime: Runtime,
    running: Option<Running>,
    pub dir: TempDir,
}

/// Who asks.
#[derive(Clone, Copy, Default)]
pub struct As<'a> {
    pub token: Option<&'a str>,
    pub cookie: Option<&'a str>,
    pub extra: &'a [(&'a str, &'a str)],
    pub plain: bool,
}

pub fn options(data: &Path) -> Serve {
    let free = SocketAddr::from(([127, 0, 0, 1], 0));
    Serve { data: data.join("trailer"), listen: free, local: free, ui: data.join("ui"), mdns: false, backup: None }
}

impl Fixture {
    pub fn new() -> Self {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(dir.path().join("ui/assets")).unwrap();
        std::fs::write(dir.path().join("ui/board.html"), "<title>the board</title>").unwrap();
        std::fs::write(dir.path().join("ui/tablet.html"), "<title>the tablet</title>").unwrap();
        std::fs::write(dir.path().join("ui/assets/a.js"), "1").unwrap();
        Trailer::open(&dir.path().join("trailer")).unwrap().load_plan(DEMO).unwrap();
        let mut fixture = Self { runtime: Runtime::new().unwrap(), running: None, dir };
        fixture.start();
        fixture
    }

    /// A server on a data folder that is there already, as `trailer` in `dir`.
    pub fn on(dir: TempDir) -> Self {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut fixture = Self { runtime: Runtime::new().unwrap(), running: None, dir };
        fixture.start();
        fixture
    }

    pub fn data(&self) -> PathBuf {
        self.dir.path().join("trailer")
    }

    pub fn start(&mut self) {
        self.start_with(&options(self.dir.path()));
    }

    pub fn start_with(&mut self, options: &Serve) {
        let _inside = self.runtime.enter();
        self.running = Some(serve::start(options).unwrap());
    }

    /// Starts on a store with another disk.
    pub fn start_on(&mut self, disk: store::Options) {
        let _inside = self.runtime.enter();
        self.running = Some(serve::start_with(&options(self.dir.path()), disk).unwrap());
    }

    /// The running server, for a test that stops it in its own way.
    pub fn take(&mut self) -> Running {
        self.running.take().unwrap()
    }

    pub fn stop(&mut self) {
        let running = self.running.take().unwrap();
        self.runtime.block_on(running.stop());
    }

    pub fn running(&self) -> &Running {
        self.running.as_ref().unwrap()
    }

    pub fn app(&self) -> &App {
        &self.running().app
    }

    pub fn send(&self, who: As<'_>, method: &str, path: &str, kind: &str, body: &[u8]) -> Answer {
        let at = if who.plain { self.running().http } else { self.running().https };
        let mut head = format!("{method} {path} HTTP/1.1\r\nconnection: close\r\ncontent-length: {}\r\n", body.len());
        let host = at.to_string();
        let named = who.extra.iter().any(|(n, _)| *n == "host");
        let mut add = |name: &str, value: &str| head += &format!("{name}: {value}\r\n");
        if !named {
            add("host", &host);
        }
        if !kind.is_empty() {
            add("content-type", kind);
        }
        if let Some(token) = who.token {
            add("authorization", &format!("Bearer {token}"));
        }
        if let Some(cookie) = who.cookie {
            add("cookie", cookie);
        }
        for (name, value) in who.extra {
            add(name, value);
        }
        let request = [head.as_bytes(), b"\r\n", body].concat();
        let answer = if who.plain { client::plain(at, &request) } else { client::tls(at, &self.app().web().ca_pem, &request) };
        answer.unwrap_or_else(|e| panic!("{method} {path}: {e}"))
    }

    pub fn get(&self, who: As<'_>, path: &str) -> Answer {
        self.send(who, "GET", path, "", b"")
    }

    pub fn post(&self, who: As<'_>, path: &str, body: &Json) -> Answer {
        self.send(who, "POST", path, "application/json", body.to_string().as_bytes())
    }

    /// Signs in at the board over TLS; gives the cookie.
    pub fn sign_in(&self, person: &str) -> String {
        let answer = self.post(As::default(), "/api/board/session", &json!({ "person": person, "pin": pin(person) }));
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.body));
        answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
    }
}

impl Drop for Fixture {
    fn drop(&mut self) {
        if self.running.is_some() {
            self.stop();
        }
    }
}

/// A person's PIN in the demo outage.
pub fn pin(person: &str) -> String {
    let demo: Json = serde_json::from_str(DEMO).unwrap();
    let people = demo["people"].as_array().unwrap();
    people.iter().find(|p| p["id"] == person).unwrap()["pin_plain"].as_str().unwrap().to_owned()
}
