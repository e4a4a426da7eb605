//! Whole worlds, small; `tubewright-prove sim` and its companions run them large. Every schedule that ever went wrong is kept
//! in `seeds` and run again.

use proof::{Budget, PARTS, sim};
use std::path::Path;

fn part(name: &str) -> proof::Figure {
    let part = PARTS.iter().find(|p| p.name == name).unwrap_or_else(|| panic!("there is a part {name}"));
    let figure = (part.run)(&Budget::small());
    println!("{}: {}", part.name, part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>10} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    figure
}

#[test]
fn nothing_is_lost_and_nobody_sees_another_record() {
    let figure = part("sim");
    // A world in which nothing goes wrong proves nothing.
    for what in [
        "fault: power cut",
        "fault: power cut in the middle of a call",
        "fault: disk full said",
        "fault: disk error said",
        "fault: tablet copied",
        "fault: tablet set back to an old copy",
        "fault: tablet shut out",
        "fault: server's disk lost",
        "fault: server set back to a backup",
        "fault: arrived late and out of order",
        "copies found out",
        "settlements",
        "entries kept apart when looked at",
    ] {
        assert!(figure.get(what) >= 5, "{what}: {}", figure.get(what));
    }
}

#[test]
fn one_seed_is_one_run() {
    part("determinism");
}

#[test]
fn clocks_order_nothing() {
    let figure = part("clocks");
    assert!(figure.get("clocks upset") > 20, "{}", figure.get("clocks upset"));
}

#[test]
fn bugs_that_were_put_in_are_noticed() {
    let figure = part("planted-sim");
    assert_eq!(figure.get("planted"), figure.get("caught"));
}

#[test]
fn schedules_that_once_went_wrong_go_right() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds");
    let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    for path in names.iter().filter(|p| p.extension().is_some_and(|e| e == "json")) {
        let ran = sim::replay(&std::fs::read_to_string(path).unwrap()).unwrap();
        assert!(ran.wrong.is_none(), "{}: {:?}", path.display(), ran.wrong);
        println!("{} goes right", path.file_stem().unwrap().to_string_lossy());
    }
}
