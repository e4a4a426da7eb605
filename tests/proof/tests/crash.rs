//! Crash and disk, small.
#![allow(clippy::unwrap_used, missing_docs)]

use proof::{Budget, Figure, crash};
use std::path::Path;

fn print(name: &str, figure: &Figure) {
    println!("{name}:");
    for (what, n) in &figure.counts {
        println!("  {n:>8} {what}");
    }
    for note in &figure.notes {
        println!("  note: {note}");
    }
    println!("  {:.1} s of processor", figure.cpu_s);
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
}

#[test]
fn power_cuts_lose_nothing_acknowledged() {
    let figure = crash::crash(&Budget::small());
    print("crash", &figure);
    assert!(figure.get(crash::IMAGES) >= crash::SMALL_IMAGES);
}

#[test]
fn a_call_that_fails_stops_cleanly_and_loses_nothing() {
    let figure = crash::io_errors(&Budget::small());
    print("io-errors", &figure);
    assert!(figure.get("errors that ended as store-stopped") > 0 && figure.get("failed syncs after which nothing was synced again") >= 3);
}

#[test]
fn a_full_disk_is_an_ordinary_state() {
    let figure = crash::disk_full(&Budget::small());
    print("disk-full", &figure);
    assert!(figure.get("positions at which the disk became full") >= 500 && figure.get("ended as disk-full") > 0);
}

#[test]
fn a_disk_that_lies_about_syncs_is_found_out_or_has_lost_nothing() {
    let figure = crash::lying_sync(&Budget::small());
    print("lying-sync", &figure);
    assert!(figure.get("images of a disk that lied about every sync") >= 500);
}

#[test]
fn killed_processes_had_saved_what_they_said() {
    let figure = crash::kills_by(&Budget::small(), Path::new(env!("CARGO_BIN_EXE_tubewright-kill-child")));
    print("kills", &figure);
    assert!(figure.get("processes killed") >= 50);
}

#[test]
fn every_planted_bug_is_caught() {
    let figure = crash::planted_disk(&Budget::small());
    print("planted-disk", &figure);
    assert!(figure.get("bugs planted") >= 10 && figure.get("bugs caught") == figure.get("bugs planted"));
}
