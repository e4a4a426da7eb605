//! Crash and disk, small.
#![allow(clippy::unwrap_used, missing_docs)]

use proof::{Budget, Figure, crash};

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
    assert!(figure.get("images of power cuts opened and judged") >= crash::SMALL_IMAGES);
}
