//! Photos in pieces, small; `tubewright-prove uploads` does it large.

use proof::{Budget, PARTS};

#[test]
fn a_photo_appears_once_and_byte_for_byte_or_not_at_all() {
    let part = PARTS.iter().find(|p| p.name == "uploads").expect("the part");
    let figure = (part.run)(&Budget::small());
    println!("{}", part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>10} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    assert!(figure.get("cuts, each resumed") >= 2_000 && figure.get("random plans") >= 400);
    // The plans must really have lied, or the hash was never asked.
    assert!(figure.get("plans with wrong bytes or lengths") >= 50 && figure.get("plans with honest bytes") >= 50);
    assert!(figure.get("photos begun anew because their bytes were wrong") >= 3);
}
