//! Pictures meant to harm, small; `tubewright-prove images` does it large.

use proof::{Budget, PARTS};

#[test]
fn harmful_pictures_are_kept_or_refused_and_the_program_lives() {
    let part = PARTS.iter().find(|p| p.name == "images").expect("the part");
    let figure = (part.run)(&Budget::small());
    println!("{}", part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>8} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    assert!(figure.get("named files") >= 300 && figure.get("changed files") >= 2_000);
    // Neither may be all there is: a gate that refuses everything loses photos, one that refuses nothing guards nothing.
    for what in ["shown", "kept without a preview, with a reason", "refused at the gate, with a reason"] {
        assert!(figure.get(what) >= 20, "{what}: {}", figure.get(what));
    }
}
