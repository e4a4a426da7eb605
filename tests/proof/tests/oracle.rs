//! The fold against a second, naive reading, small; `tubewright-prove oracle` and `orders` do it large.

use proof::{Budget, PARTS};

fn run(name: &str) -> proof::Figure {
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
fn the_fold_and_the_naive_reading_agree() {
    let figure = run("oracle");
    assert!(figure.get("entries") >= 200_000);
    // A comparison of nothing would agree as well.
    for what in ["fields settled", "fields with two answers", "fields not understood", "signatures that count", "signatures that do not"] {
        assert!(figure.get(what) > 200, "{what}: {}", figure.get(what));
    }
}

#[test]
fn every_order_of_arrival_gives_one_view() {
    let figure = run("orders");
    // 9! / (3!)^3 and 12! / (4!)^3.
    assert_eq!(figure.get("orders of 3 devices with 3 entries each, complete"), 1680);
    assert_eq!(figure.get("orders of 3 devices with 4 entries each, complete"), 34_650);
}
