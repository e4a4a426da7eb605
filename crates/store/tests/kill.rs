//! A real process that saves and says so, and is killed in the middle: all that it said is there.
#![allow(clippy::unwrap_used, missing_docs)]

use journal::{EntryHash, PhotoHash};
use serde_json::json;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use store::testkit::{Author, draft, trailer};
use store::{Options, Size, Store};
use tempfile::TempDir;

const FOLDER: &str = "TUBEWRIGHT_TEST_FOLDER";
const KILLS: usize = 20;

/// Not a test of its own: what the killed process does. Without the folder in its environment it does nothing.
#[test]
fn child_saves_until_it_is_killed() {
    let Ok(folder) = std::env::var(FOLDER) else { return };
    let mut store = Store::open(Path::new(&folder), Options { photo_floor: 0, ..Options::default() }).unwrap();
    let mut k4 = Author::new(4, "K4");
    k4.resume(&store).unwrap();
    let mut out = std::io::stdout().lock();
    let mut say = |what: &str, hash: String| {
        writeln!(out, "saved {what} {hash}").unwrap();
        out.flush().unwrap();
    };
    for n in 0.. {
        let tx = match n % 3 {
            0 => k4.note("j1", &format!("note {n}")),
            1 => k4.write((0..4).map(|i| draft("job/j1/notes", "note", &json!({"text": format!("{n}.{i}")}), &[])).collect()),
            _ => {
                let bytes = vec![n as u8; 50_000 + n];
                let photo = store.photos().put(&bytes).unwrap();
                say("photo", photo.to_hex());
                k4.photo("j1", &photo, bytes.len())
            }
        };
        store.append(&tx).unwrap();
        for sealed in &tx {
            say("entry", sealed.hash.to_hex());
        }
    }
}

/// Lets the child save `until` times, kills it, and gives all that it said it had saved.
fn run_and_kill(folder: &Path, until: usize) -> Vec<String> {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "child_saves_until_it_is_killed", "--nocapture", "--test-threads=1"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut said: Vec<String> = Vec::new();
    while said.len() < until {
        let line = lines.next().expect("the child ended by itself").unwrap();
        said.extend(line.find("saved ").map(|at| line[at..].to_owned()));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    // What was still in the pipe was said too; a line cut by the kill was not.
    let rest = lines.map_while(Result::ok).filter(|l| l.starts_with("saved ") && l.len() >= 6 + 6 + 64);
    said.extend(rest);
    said
}

#[test]
fn what_was_said_to_be_saved_is_there_after_20_kills() {
    let dir = TempDir::new().unwrap();
    let options = || Options { photo_floor: 0, ..Options::default() };
    {
        let mut store = Store::open(dir.path(), options()).unwrap();
        let mut k4 = Author::new(4, "K4");
        store.accept(trailer().1).unwrap();
        store.append(&k4.begin()).unwrap();
        store.append(&k4.open_job("j1", "K4-001", 47)).unwrap();
    }
    let mut said = Vec::new();
    for kill in 0..KILLS {
        said.extend(run_and_kill(dir.path(), 1 + kill * 7 % 23));
        let store = Store::open(dir.path(), options()).unwrap();
        for line in &said {
            let mut words = line.split_whitespace().skip(1);
            match (words.next().unwrap(), words.next().unwrap()) {
                ("entry", hash) => assert!(store.entry(&EntryHash::from_hex(hash).unwrap()).unwrap().is_some(), "kill {kill}: lost {line}"),
                (_, hash) => {
                    assert!(
                        store.photos().read(&PhotoHash::from_hex(hash).unwrap(), Size::Full).unwrap().is_some(),
                        "kill {kill}: lost {line}"
                    );
                }
            }
        }
        assert!(store.photos_wanted(1).unwrap().is_empty(), "kill {kill}: an entry without its photo");
        assert_eq!(std::fs::read_dir(dir.path().join("photos/tmp")).unwrap().count(), 0, "half a photo is left");
    }
    let mut store = Store::open(dir.path(), options()).unwrap();
    let report = store.verify().unwrap();
    assert!(report.is_good(), "{report:?}");
    assert!(said.len() >= KILLS);
    println!(
        "{KILLS} kills, {} entries and photos said to be saved: all there; {} entries in the store, all sound",
        said.len(),
        report.entries
    );
}
