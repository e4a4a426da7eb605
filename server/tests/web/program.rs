//! The program itself: its lines for scripts, its exit codes, and that it stops when asked.

use crate::fixture::DEMO;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn program(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright-server"));
    command.args(args).stdin(Stdio::null());
    command
}

fn said(out: &Output) -> String {
    String::from_utf8_lossy(&[out.stdout.clone(), out.stderr.clone()].concat()).into_owned()
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

#[test]
fn a_folder_is_set_up_served_stopped_and_checked() {
    let dir = tempfile::tempdir().unwrap();
    let (data, plan) = (dir.path().join("trailer"), dir.path().join("plan.json"));
    std::fs::write(&plan, DEMO).unwrap();
    let early =
        program(&["serve", "--data", path(&data), "--listen", "127.0.0.1:0", "--local", "127.0.0.1:0", "--no-mdns"]).output().unwrap();
    println!("before a plan: {}", said(&early));
    assert!(!early.status.success() && said(&early).contains("init --data"));
    for expected in ["plan loaded", "plan unchanged"] {
        let out = program(&["init", "--data", path(&data), "--plan", path(&plan)]).output().unwrap();
        assert!(out.status.success() && said(&out).contains(expected), "{}", said(&out));
    }
    let mut child = program(&["serve", "--data", path(&data), "--listen", "127.0.0.1:0", "--local", "127.0.0.1:0", "--no-mdns"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    for beginning in ["listening https 127.0.0.1:", "listening http 127.0.0.1:", "pairing tubewright:pair?a="] {
        let line = lines.find(|l| l.starts_with(beginning)).expect(beginning);
        println!("{}", line.split("&c=").next().unwrap());
    }
    let second = program(&["verify", "--data", path(&data)]).output().unwrap();
    println!("while it runs: {}", said(&second));
    assert!(!second.status.success() && said(&second).contains("Another server"));
    stop(&mut child);
    let checked = program(&["verify", "--data", path(&data)]).output().unwrap();
    println!("{}", said(&checked));
    assert!(checked.status.success() && said(&checked).contains("as it was saved"));
}

fn run(args: &[&str]) -> (i32, String) {
    let out = program(args).output().unwrap();
    println!("{} -> {:?}: {}", args.join(" "), out.status.code(), said(&out));
    (out.status.code().unwrap_or(-1), said(&out))
}

/// A running program and the address of its HTTPS listener.
fn serving(data: &Path, more: &[&str]) -> (std::process::Child, String) {
    let mut args = vec!["serve", "--data", path(data), "--listen", "127.0.0.1:0", "--local", "127.0.0.1:0", "--no-mdns"];
    args.extend(more);
    let mut child = program(&args).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    let https = lines.find_map(|l| l.strip_prefix("listening https ").map(str::to_owned)).unwrap();
    // Read on, so that the program never waits for us.
    std::thread::spawn(move || lines.for_each(drop));
    (child, https)
}

#[test]
fn a_server_is_backed_up_while_it_serves_restored_carried_and_checked() {
    let dir = tempfile::tempdir().unwrap();
    let (data, plan, root) = (dir.path().join("trailer"), dir.path().join("plan.json"), dir.path().join("backups"));
    std::fs::write(&plan, DEMO).unwrap();
    assert_eq!(run(&["init", "--data", path(&data), "--plan", path(&plan)]).0, 0);
    let (mut child, _) = serving(&data, &[]);
    let (code, words) = run(&["backup", "--data", path(&data), "--to", path(&root)]);
    assert!(code == 0 && words.contains("verify --from"), "beside the running server");
    let file = dir.path().join("all.tar");
    assert_eq!(run(&["export", "--data", path(&data), "--to", path(&file)]).0, 0, "beside the running server");
    let (code, words) = run(&["import", "--data", path(&data), "--from", path(&file)]);
    assert!(code == 1 && words.contains("Stop the other one first"));
    stop(&mut child);
    let snapshot = std::fs::read_dir(&root).unwrap().map(|e| e.unwrap().path()).find(|p| p.join("manifest.json").is_file()).unwrap();
    for sound in [&snapshot, &file] {
        let (code, words) = run(&["verify", "--from", path(sound)]);
        assert!(code == 0 && words.contains("good"));
    }
    let new = dir.path().join("new");
    let (code, words) = run(&["restore", "--from", path(&snapshot), "--data", path(&new)]);
    assert!(code == 0 && words.contains("good") && words.contains("serve --data"));
    assert_eq!(run(&["restore", "--from", path(&snapshot), "--data", path(&new)]).0, 1, "never over a folder that is in use");
    assert_eq!(run(&["verify", "--data", path(&new)]).0, 0);
    assert_eq!(run(&["import", "--data", path(&new), "--from", path(&file)]).0, 0);
    let (mut child, _) = serving(&new, &["--backup", path(&root)]);
    stop(&mut child);
    // One byte of the records is not what it was.
    let journal = new.join("store/journal.sqlite");
    let mut bytes = std::fs::read(&journal).unwrap();
    let at = bytes.windows(9).position(|w| w == b"site-plan").unwrap();
    bytes[at] ^= 1;
    std::fs::write(&journal, bytes).unwrap();
    let (code, words) = run(&["verify", "--data", path(&new)]);
    assert!(code == 1 && words.contains("WRONG"));
}

#[test]
fn a_tablet_folder_is_checked_and_carried_but_not_backed_up() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("k1");
    drop(tablet::Tablet::open(&data).unwrap());
    assert_eq!(run(&["verify", "--data", path(&data)]).0, 0);
    let file = dir.path().join("k1.tar");
    assert_eq!(run(&["export", "--data", path(&data), "--to", path(&file)]).0, 0);
    assert_eq!(run(&["verify", "--from", path(&file)]).0, 0);
    let (code, words) = run(&["backup", "--data", path(&data), "--to", path(&dir.path().join("b"))]);
    assert!(code == 1 && words.contains("Use export"));
    std::fs::write(&file, b"nothing of an export").unwrap();
    assert_eq!(run(&["verify", "--from", path(&file)]).0, 1);
}

#[cfg(unix)]
#[test]
fn asked_twice_it_stops_at_once() {
    use std::io::Write;
    use std::time::{Duration, Instant};
    let dir = tempfile::tempdir().unwrap();
    let (data, plan) = (dir.path().join("trailer"), dir.path().join("plan.json"));
    std::fs::write(&plan, DEMO).unwrap();
    assert_eq!(run(&["init", "--data", path(&data), "--plan", path(&plan)]).0, 0);
    let (mut child, https) = serving(&data, &[]);
    // A guest in the middle of a handshake keeps it waiting.
    let mut guest = std::net::TcpStream::connect(&https).unwrap();
    guest.write_all(&[22, 3, 1]).unwrap();
    let signal = |child: &std::process::Child| Command::new("kill").arg(child.id().to_string()).status().unwrap();
    signal(&child);
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        assert!(begun.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(200));
        signal(&child);
    };
    println!("{status} after {:?}", begun.elapsed());
    assert_eq!(run(&["verify", "--data", path(&data)]).0, 0, "nothing is harmed by that");
}

/// Asks it to stop; on a system without that signal it is ended.
fn stop(child: &mut std::process::Child) {
    let asked = cfg!(unix) && Command::new("kill").arg(child.id().to_string()).status().is_ok_and(|s| s.success());
    if !asked {
        child.kill().unwrap();
    }
    let status = child.wait().unwrap();
    assert!(status.success() || !asked, "it stops in good order when asked: {status}");
}

#[test]
fn a_mistyped_folder_is_not_called_sound() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("traler");
    let out = program(&["verify", "--data", path(&data)]).output().unwrap();
    println!("{}", said(&out));
    assert!(!out.status.success() && !data.exists());
}

#[test]
fn what_is_not_understood_ends_with_words() {
    let out = program(&["serve", "--data", "x", "--local", "0.0.0.0:80"]).output().unwrap();
    println!("{}", said(&out));
    assert_eq!(out.status.code(), Some(2));
    assert!(said(&out).contains("this machine only") && !Path::new("x").exists());
}
