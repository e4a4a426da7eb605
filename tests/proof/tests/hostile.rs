//! Bytes from strangers, small; `tubewright-prove hostile` does it large, the fuzzers in `fuzz/` look for more.

use proof::hostile::{TARGETS, corpus};
use proof::{Budget, PARTS};

#[test]
fn the_corpus_and_changes_of_it_hold() {
    let part = PARTS.iter().find(|p| p.name == "hostile").expect("the part");
    let figure = (part.run)(&Budget::small());
    println!("{}", part.claim);
    for (what, n) in &figure.counts {
        println!("{n:>8} {what}");
    }
    assert!(figure.failures.is_empty(), "{:#?}", figure.failures);
    for target in TARGETS {
        assert!(figure.get(&format!("{}: changed inputs", target.name)) >= target.small, "{}", target.name);
    }
}

/// What was begun with can be made again: `TUBEWRIGHT_SEEDS=write cargo test -p tubewright-proof --test hostile seeds` writes it.
#[test]
fn every_target_has_its_seeds_in_the_corpus() {
    let write = std::env::var_os("TUBEWRIGHT_SEEDS").is_some();
    let mut bytes = 0;
    for target in TARGETS {
        let seeds = (target.seeds)();
        let folder = corpus().join(target.name);
        if write {
            std::fs::create_dir_all(&folder).expect("a folder");
            for (name, bytes) in &seeds {
                std::fs::write(folder.join(format!("made-{name}")), bytes).expect("written");
            }
        }
        let files = target.files();
        assert!(seeds.len() >= 2 && files.len() >= seeds.len(), "{}: {} files for {} seeds", target.name, files.len(), seeds.len());
        assert!(seeds.iter().all(|(_, bytes)| bytes.len() <= target.longest), "{}: a seed is too long to be tried", target.name);
        bytes += files.iter().map(|(_, bytes)| bytes.len()).sum::<usize>();
        println!("{:>14}: {} seeds, {} files", target.name, seeds.len(), files.len());
    }
    println!("{bytes} bytes in all");
    assert!(bytes < 300_000, "a corpus is kept small: minimise it");
}

/// Seeds that only run into the first refusal would prove nothing: each door opens for some of its own.
#[test]
fn the_seeds_reach_behind_the_first_refusal() {
    use proof::hostile::target;
    let of = |name: &str| (target(name).expect("a target").seeds)();
    let opens = of("entry").iter().filter(|(_, b)| journal::Sealed::open(b.clone(), None).is_ok()).count();
    let pushes = of("sync-push").iter().filter(|(_, b)| sync::wire::decode_push(b).is_ok_and(|l| !l.entries.is_empty())).count();
    let shown = of("image").iter().filter(|(_, b)| photo::pictures(b).is_ok()).count();
    let plans =
        of("plan").iter().filter(|(_, b)| serde_json::from_slice::<job::SitePlan>(b).is_ok_and(|p| p.faults(None).is_empty())).count();
    println!("{opens} entries open, {pushes} pushes carry entries, {shown} pictures are shown, {plans} plans are good");
    assert!(opens >= 15 && pushes >= 5 && shown >= 6 && plans >= 1);
}
