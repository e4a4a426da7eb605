//! Which series count: taken in by the server, cut off when lost, kept apart when unknown; the same in any order of arrival.
#![allow(clippy::unwrap_used, missing_docs)]

use job::standing::{self, ALL, SeriesRole, Standing, Trust};
use journal::{EntryHash, Incarnation, Sealed};
use proptest::prelude::*;
use std::path::Path;
use store::testkit::machine::Machine;
use store::testkit::{Author, trailer};
use store::{Options, Store};
use tempfile::TempDir;

fn open(dir: &TempDir) -> Store {
    Store::open(dir.path(), Options::default()).unwrap()
}

fn says(server: &mut Author, about: Incarnation, role: SeriesRole, to: Option<u64>, basis: &[EntryHash]) -> Vec<Sealed> {
    let says = Standing { role, name: "K".into(), to, reason: if to.is_some() { "lost".into() } else { String::new() } };
    server.write(vec![standing::draft(&about, &says, basis.to_vec()).unwrap()])
}

fn roots(of: &Author) -> Trust {
    Trust { roots: [of.incarnation()].into(), ..Trust::default() }
}

#[test]
fn a_stranger_counts_only_when_taken_in_and_a_lost_tablet_only_to_the_cut() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let (mut server, plan) = trailer();
    let (mut k2, mut k4) = (Author::new(2, "K2"), Author::new(4, "K4"));
    store.accept(plan).unwrap();
    store.set_trust(&roots(&server)).unwrap();
    store.accept([k2.begin(), k2.open_job("a1", "K2-001", 47), k2.gap("a1", "6", 20, &[])].concat()).unwrap();
    assert!(store.jobs().unwrap().is_empty(), "nobody said that K2 belongs here");
    assert_eq!(store.kept_apart(&k2.incarnation(), 1, 1 << 20).unwrap().len(), 4);
    let state = store.series_states().unwrap().into_iter().find(|s| s.name == "K2").unwrap();
    assert!(!state.known && state.apart() == 4, "{state:?}");

    store.accept(says(&mut server, k2.incarnation(), SeriesRole::Tablet, None, &[])).unwrap();
    assert_eq!(store.jobs().unwrap().len(), 1, "taken in, it counts with all it had");

    store.accept([k4.begin(), k4.open_job("b2", "K4-001", 71), k4.gap("a1", "6", 25, &[])].concat()).unwrap();
    let taken = says(&mut server, k4.incarnation(), SeriesRole::Tablet, None, &[]);
    store.accept(taken.clone()).unwrap();
    assert_eq!(store.jobs().unwrap().len(), 2);
    let cut = says(&mut server, k4.incarnation(), SeriesRole::Tablet, Some(3), &[taken[0].hash]);
    store.accept(cut.clone()).unwrap();
    let gap = |store: &Store| store.job("a1").unwrap().unwrap().fields["gap/6"].answers.len();
    assert_eq!(gap(&store), 1, "its fourth entry is kept apart");
    assert_eq!(store.jobs().unwrap().len(), 2, "what it wrote before still counts");
    store.accept([k4.gap("b2", "6", 30, &[]), k4.note("b2", "later")].concat()).unwrap();
    assert!(!store.job("b2").unwrap().unwrap().fields.contains_key("gap/6"));
    assert_eq!(store.kept_apart(&k4.incarnation(), 1, 1 << 20).unwrap().len(), 3);
    // A person looks at it and lets it in after all.
    store.accept(says(&mut server, k4.incarnation(), SeriesRole::Tablet, Some(5), &[cut[0].hash])).unwrap();
    assert_eq!(gap(&store), 2);
    assert!(store.job("b2").unwrap().unwrap().fields.contains_key("gap/6"));
    assert_eq!(store.kept_apart(&k4.incarnation(), 1, 1 << 20).unwrap().len(), 1);
    let stands = store.state_bytes().unwrap();
    store.rebuild().unwrap();
    assert_eq!(store.state_bytes().unwrap(), stands);
    assert!(store.verify().unwrap().is_good());
    println!("unknown: nothing counts; taken in: all; cut at 3: three; let in to 5: five; the rest is kept and can be read");
}

#[test]
fn a_tablet_that_calls_itself_a_server_is_not_believed() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let (mut server, plan) = trailer();
    let mut rogue = Author::new(6, "trailer");
    let mut other = plan_of("Another plant");
    store.accept(plan).unwrap();
    store.set_trust(&roots(&server)).unwrap();
    let rogue_says =
        [rogue.begin_as("server"), rogue.write_plan(&other, &[]), says(&mut rogue, server.incarnation(), SeriesRole::Tablet, Some(0), &[])];
    store.accept(rogue_says.concat()).unwrap();
    store.accept(says(&mut server, rogue.incarnation(), SeriesRole::Tablet, None, &[])).unwrap();
    assert_ne!(store.plan().unwrap().unwrap().plant, "Another plant", "a tablet's plan");
    // Taken in as a server it is believed, but never over a root.
    let (tablet, server_said) = (store.series_states().unwrap(), says(&mut server, rogue.incarnation(), SeriesRole::Server, None, &[]));
    assert!(tablet.iter().any(|s| s.incarnation == rogue.incarnation() && s.role == "tablet"));
    let stands: Vec<EntryHash> = tablet.iter().find(|s| s.incarnation == rogue.incarnation()).unwrap().said.clone();
    drop(server_said);
    other["plant"] = "Another plant".into();
    store.accept(vec![]).unwrap();
    let mut again = Author::new(9, "trailer");
    again.resume(&store).unwrap();
    let adopted = says(&mut again, rogue.incarnation(), SeriesRole::Server, None, &stands);
    store.accept(adopted).unwrap();
    let states = store.series_states().unwrap();
    let root = states.iter().find(|s| s.incarnation == server.incarnation()).unwrap();
    println!("{states:?}");
    assert_eq!((root.counts_to, root.role.as_str()), (ALL, "server"), "what it says of the root is not heard");
    assert!(states.iter().any(|s| s.incarnation == rogue.incarnation() && s.role == "server"));
}

fn plan_of(plant: &str) -> serde_json::Value {
    let mut plan = store::testkit::plan_json();
    plan["plant"] = plant.into();
    plan
}

#[test]
fn two_servers_that_take_each_other_in_judge_alike() {
    let (mut a, plan) = trailer();
    let (mut b, mut k2) = (Author::new(8, "hut"), Author::new(2, "K2"));
    let mut all = plan;
    all.extend(b.begin_as("server"));
    all.extend([k2.begin(), k2.open_job("a1", "K2-001", 47), k2.gap("a1", "6", 20, &[])].concat());
    all.extend(says(&mut a, b.incarnation(), SeriesRole::Server, None, &[]));
    all.extend(says(&mut b, a.incarnation(), SeriesRole::Server, None, &[]));
    all.extend(says(&mut a, k2.incarnation(), SeriesRole::Tablet, Some(3), &[]));
    all.extend(says(&mut b, k2.incarnation(), SeriesRole::Tablet, None, &[]));
    let state = |root: &Author| {
        let dir = TempDir::new().unwrap();
        let mut store = open(&dir);
        store.set_trust(&roots(root)).unwrap();
        store.accept(all.clone()).unwrap();
        (store.series_states().unwrap(), store.job("a1").unwrap().unwrap())
    };
    let (at_a, at_b) = (state(&a), state(&b));
    assert_eq!(at_a.1, at_b.1);
    let counts = |states: &[store::SeriesState]| states.iter().map(|s| (s.incarnation, s.counts_to, s.role.clone())).collect::<Vec<_>>();
    assert_eq!(counts(&at_a.0), counts(&at_b.0));
    assert!(at_a.0.iter().any(|s| s.counts_to == 3), "the stricter word governs until somebody settles it");
}

#[test]
fn a_clock_is_compared_in_its_own_run_only() {
    let dir = TempDir::new().unwrap();
    let mut store = open(&dir);
    let (mut server, plan) = trailer();
    let mut k2 = Author::new(2, "K2");
    store.accept(plan).unwrap();
    store.accept([k2.begin(), k2.open_job("a1", "K2-001", 47), k2.gap("a1", "6", 20, &[])].concat()).unwrap();
    let skew = |store: &Store| store.job("a1").unwrap().unwrap().fields["gap/6"].answers[0].by[0].skew_ms;
    assert_eq!(skew(&store), None);
    let compared = |boot: u8, skew_ms| standing::Clock { seq: 4, boot: journal::BootId([boot; 16]), skew_ms };
    store.accept(server.write(vec![standing::clock_draft(&k2.incarnation(), &compared(7, 99)).unwrap()])).unwrap();
    assert_eq!(skew(&store), None, "another run of the tablet says nothing of this one");
    store.accept(server.write(vec![standing::clock_draft(&k2.incarnation(), &compared(1, -7_200_000)).unwrap()])).unwrap();
    assert_eq!(skew(&store), Some(-7_200_000));
    // Nobody but a server says so.
    store.accept(k2.write(vec![standing::clock_draft(&k2.incarnation(), &compared(1, 5)).unwrap()])).unwrap();
    store.set_trust(&Trust { own: [k2.incarnation()].into(), ..roots(&server) }).unwrap();
    assert_eq!(skew(&store), Some(-7_200_000));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, ..ProptestConfig::default() })]
    #[test]
    fn the_order_of_arrival_does_not_matter(cuts in prop::collection::vec((0..2_usize, prop::option::of(0..8_u64), any::<bool>()), 1..6), seed in any::<u64>(), early in any::<bool>()) {
        let (mut server, plan) = trailer();
        let (mut k2, mut k4) = (Author::new(2, "K2"), Author::new(4, "K4"));
        let mut pieces: Vec<Vec<Sealed>> = vec![
            plan,
            [k2.begin(), k2.open_job("a1", "K2-001", 47), k2.gap("a1", "6", 20, &[]), k2.note("a1", "x")].concat(),
            [k4.begin(), k4.open_job("b2", "K4-001", 71), k4.gap("a1", "6", 24, &[]), k4.note("a1", "y")].concat(),
        ];
        let mut last: [Vec<EntryHash>; 2] = Default::default();
        for (which, to, builds) in cuts {
            let about = [k2.incarnation(), k4.incarnation()][which];
            let said = says(&mut server, about, SeriesRole::Tablet, to, if builds { &last[which] } else { &[] });
            last[which] = vec![said[0].hash];
            pieces.push(said);
        }
        let state = |order: Vec<usize>| {
            let machine = Machine::new();
            let mut store = Store::open(Path::new("/data"), machine.options()).unwrap();
            if early { store.set_trust(&roots(&Author::new(9, "trailer"))).unwrap(); }
            // What comes too early is wanted again; three rounds bring everything.
            for _ in 0..pieces.len() {
                for at in &order { store.accept(pieces[*at].clone()).unwrap(); }
            }
            store.set_trust(&roots(&Author::new(9, "trailer"))).unwrap();
            let stands = store.state_bytes().unwrap();
            store.rebuild().unwrap();
            assert!(store.state_bytes().unwrap() == stands, "rebuilt otherwise");
            stands
        };
        let straight: Vec<usize> = (0..pieces.len()).collect();
        let mut mixed = straight.clone();
        mixed.sort_by_key(|i| seed.rotate_left(*i as u32 * 7) ^ (*i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        prop_assert!(state(straight) == state(mixed), "the order of arrival shows");
    }
}
