//! Flipped bytes, small; `tubewright-prove flips` tries every byte of the store.

use proof::{Budget, PARTS};

#[test]
fn every_flipped_byte_is_told_or_changes_nothing() {
    let part = PARTS.iter().find(|p| p.name == "flips").expect("the part");
    let figure = (part.run)(&Budget::small());
    println!("{}", part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>10} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    assert!(figure.get("flips that the check reports with their place") >= 50);
}
