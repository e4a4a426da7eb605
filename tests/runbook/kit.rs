//! An outage in a folder: the trailer's server, two tablets, and the server's program for what a supervisor types.

use serde_json::{Value as Json, json};
use std::collections::BTreeSet;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;
use tubewright_tests::crew::{self, Crew, tape};
use tubewright_tests::story::blocking;
use tubewright_tests::trailer::{self, Trailer};
use tubewright_tests::{jpeg, paths};

pub struct Outage {
    pub dir: TempDir,
    pub port: u16,
}

impl Outage {
    /// A trailer set up with the demo outage.
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).unwrap().port();
        let outage = Self { dir, port };
        trailer::init(&outage.path("trailer"));
        outage
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Starts the server over a data folder, at the port the tablets know, with the supervisor signed in.
    pub async fn serve(&self, data: &str) -> Trailer {
        let mut server = Trailer::start(&self.path(data), self.port);
        server.sign_in("m-diaz").await;
        server
    }

    pub fn tablet(&self, name: &str) -> Crew {
        Crew::open(&self.path(name), name)
    }
}

/// An outage whose server runs, with one tablet paired.
pub async fn one_tablet() -> (Outage, Trailer, Crew) {
    let o = Outage::new();
    let mut server = o.serve("trailer").await;
    let k1 = o.tablet("K1");
    pair(&mut server, &k1).await;
    (o, server, k1)
}

/// Pairs, and syncs once by that.
pub async fn pair(server: &mut Trailer, crew: &Crew) -> Json {
    let code = server.pairing().await;
    let text = code["text"].as_str().unwrap().to_owned();
    blocking(|| crew.pair(&text)).unwrap_or_else(|f| panic!("{} can't be paired: {f:?}", crew.name))
}

pub fn sync(crew: &Crew) {
    blocking(|| crew.sync()).unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
}

/// Finds a tube, takes a small photo of it and measures the gap. Gives the job.
pub fn work(crew: &Crew, tube: u32, seed: u32) -> String {
    let job = crew::find(crew, tube, "54' 6\"");
    crew.sign_in("ana-r");
    crew.photo(&job, "close", jpeg::photo(320, 240, seed));
    gap(crew, &job, "20 9/16");
    job
}

/// Measures the gap at 6 o'clock.
pub fn gap(crew: &Crew, job: &str, typed: &str) {
    crew.sign_in("m-soto");
    crew.record(job, "gap/6", json!({"gap": tape(typed), "instrument": "T-12"}));
}

/// The figures of the gap at 6 o'clock that the board shows.
pub async fn gaps(server: &mut Trailer, job: &str) -> BTreeSet<String> {
    let view = server.job(job).await;
    let answers = view["fields"]["gap/6"]["answers"].as_array().cloned().unwrap_or_default();
    answers.iter().filter_map(|a| a["body"]["gap"]["typed"].as_str().map(str::to_owned)).collect()
}

/// The jobs on the board by tube.
pub async fn tubes(server: &mut Trailer) -> BTreeSet<u64> {
    let board = server.board().await;
    board["jobs"].as_array().into_iter().flatten().filter_map(|j| j["tube"].as_u64()).collect()
}

/// Series on the board.
pub async fn series(server: &mut Trailer) -> Vec<Json> {
    let (status, all) = server.request(reqwest::Method::GET, "/api/board/series", None).await;
    assert!(status.is_success(), "no list of series: {status} {all}");
    let list = if all.is_array() { all } else { all["series"].clone() };
    list.as_array().cloned().unwrap_or_else(|| panic!("no list"))
}

/// What the supervisor types in a terminal, which must end well. Gives what it printed.
pub fn program(args: &[&str]) -> String {
    let (well, said) = try_program(args);
    assert!(well, "tubewright-server {args:?} failed: {said}");
    said
}

/// The same, whether it ends well or not.
pub fn try_program(args: &[&str]) -> (bool, String) {
    let out = Command::new(paths::binary("tubewright-server")).args(args).output().expect("tubewright-server runs");
    let said = format!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    println!("$ tubewright-server {}\n{said}", args.join(" "));
    (out.status.success(), said)
}

/// The newest snapshot of a backup folder.
pub fn snapshot(root: &Path) -> PathBuf {
    let all = std::fs::read_dir(root).unwrap().flatten().map(|e| e.path());
    all.filter(|p| p.join("manifest.json").is_file()).max().unwrap_or_else(|| panic!("no snapshot in {}", root.display()))
}

pub fn text(path: &Path) -> &str {
    path.to_str().expect("a path that is text")
}

/// Copies a folder as `cp -r` does.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for item in std::fs::read_dir(from).unwrap().flatten() {
        let target = to.join(item.file_name());
        if item.path().is_dir() {
            copy(&item.path(), &target);
        } else {
            std::fs::copy(item.path(), target).unwrap();
        }
    }
}
