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
