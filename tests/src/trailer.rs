//! The real server, as in the trailer: over TLS for tablets, and the board's API on loopback.

use crate::paths;
use crate::process::Process;
use reqwest::{Client, Method, StatusCode};
use serde_json::{Value as Json, json};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A running server and, once signed in, a person's session at the board.
pub struct Trailer {
    process: Process,
    /// TLS address for tablets and the LAN.
    pub https: SocketAddr,
    /// Loopback address of the board.
    pub http: SocketAddr,
    /// Its data folder.
    pub data: PathBuf,
    cookie: Option<String>,
    client: Client,
}

/// Makes the trailer's data from the demo outage.
pub fn init(data: &Path) {
    let out = Command::new(paths::binary("tubewright-server"))
        .args(["init", "--data"])
        .arg(data)
        .arg("--plan")
        .arg(paths::outage())
        .output()
        .expect("tubewright-server runs");
    assert!(out.status.success(), "init failed: {}", String::from_utf8_lossy(&out.stderr));
}

impl Trailer {
    /// Starts the server over a data folder; `port` 0 takes any free one for tablets.
    pub fn start(data: &Path, port: u16) -> Self {
        sync::tls::install();
        let mut command = Command::new(paths::binary("tubewright-server"));
        command.args(["serve", "--no-mdns", "--local", "127.0.0.1:0", "--listen"]).arg(format!("127.0.0.1:{port}"));
        command.arg("--data").arg(data).arg("--ui").arg(paths::root().join("ui/dist"));
        let process = Process::start("tubewright-server", &mut command);
        let https = process.wait_for("listening https ").parse().expect("an address");
        let http = process.wait_for("listening http ").parse().expect("an address");
        let client = Client::builder().no_proxy().build().expect("a client");
        Self { process, https, http, data: data.to_path_buf(), cookie: None, client }
    }

    /// Stops the server in good order.
    pub fn stop(mut self) {
        assert!(self.process.stop(), "the server did not stop when asked");
    }

    /// Kills the server as a power cut would.
    pub fn kill(mut self) {
        self.process.kill();
    }

    /// The board's address in a browser on this machine.
    pub fn board_url(&self) -> String {
        format!("http://{}/", self.http)
    }

    /// One request to the board's API with the session's cookie.
    pub async fn request(&mut self, method: Method, path: &str, body: Option<&Json>) -> (StatusCode, Json) {
        let mut request = self.client.request(method, format!("http://{}{path}", self.http));
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", cookie);
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        let answer = request.send().await.expect("the board answers");
        let status = answer.status();
        if let Some(cookie) = answer.headers().get("set-cookie") {
            self.cookie = cookie.to_str().ok().and_then(|c| c.split(';').next()).map(str::to_owned);
        }
        (status, answer.json().await.unwrap_or(Json::Null))
    }

    /// Signs in at the board.
    pub async fn sign_in(&mut self, person: &str) {
        let body = json!({"person": person, "pin": crate::crew::pin(person)});
        let (status, said) = self.request(Method::POST, "/api/board/session", Some(&body)).await;
        assert!(status.is_success(), "{person} can't sign in at the board: {status} {said}");
    }

    /// The board.
    pub async fn board(&mut self) -> Json {
        let (status, board) = self.request(Method::GET, "/api/board", None).await;
        assert!(status.is_success(), "no board: {status} {board}");
        board
    }

    /// One job.
    pub async fn job(&mut self, job: &str) -> Json {
        let (status, view) = self.request(Method::GET, &format!("/api/board/job/{job}"), None).await;
        assert!(status.is_success(), "no job: {status} {view}");
        view
    }

    /// A new one-time pairing code as the QR text (a supervisor must be signed in).
    pub async fn pairing(&mut self) -> Json {
        let (status, code) = self.request(Method::POST, "/api/board/pairing", Some(&json!({}))).await;
        assert!(status.is_success(), "no pairing code: {status} {code}");
        code
    }
}
