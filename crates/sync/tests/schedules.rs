//! Any schedule of writing, photographing and syncing over any network ends in step: nothing lost, nothing twice.

mod common;

use common::*;
use proptest::prelude::*;
use std::iter;

#[derive(Clone, Debug)]
enum Act {
    Write(usize, usize, usize),
    Photograph(usize, usize, u8),
    Sync(usize, Vec<Net>),
}

fn any_net() -> impl Strategy<Value = Net> {
    prop_oneof![
        5 => Just(Net::Good),
        1 => Just(Net::LoseRequest),
        1 => Just(Net::LoseReply),
        2 => Just(Net::Twice),
        1 => Just(Net::Torn),
    ]
}

fn any_act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => (0..3_usize, 1..5_usize, prop_oneof![Just(20_usize), Just(90_000)]).prop_map(|(t, n, b)| Act::Write(t, n, b)),
        1 => (0..3_usize, 1..600_000_usize, any::<u8>()).prop_map(|(t, len, seed)| Act::Photograph(t, len, seed)),
        3 => (0..3_usize, prop::collection::vec(any_net(), 0..30)).prop_map(|(t, nets)| Act::Sync(t, nets)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]
    #[test]
    fn every_schedule_ends_in_step(acts in prop::collection::vec(any_act(), 0..25)) {
        let mut tablets = [Tablet::new(1), Tablet::new(2), Tablet::new(3)];
        let mut trailer = Trailer::default();
        for act in acts {
            match act {
                Act::Write(t, n, bytes) => tablets[t].write(n, bytes),
                Act::Photograph(t, len, seed) => { tablets[t].photograph(len, seed); }
                Act::Sync(t, nets) => {
                    let before = tablets[t].receipts.len();
                    run(&mut tablets[t], &mut trailer, &mut nets.into_iter()).expect("a cut is no fault");
                    // What was receipted is really there, whatever happened to the rest of the exchange.
                    for receipt in &tablets[t].receipts[before..] {
                        let there = &trailer.books.series[&receipt.incarnation].1;
                        prop_assert_eq!(there[receipt.seq as usize - 1].hash, receipt.hash);
                    }
                    for photo in tablets[t].photo_receipts.keys() {
                        prop_assert_eq!(trailer.photos.get(photo), tablets[t].photos.get(photo));
                    }
                }
            }
        }
        // Once round brings everything to the trailer, a second time to every tablet.
        for _ in 0..2 {
            for tablet in &mut tablets {
                let outcome = run(tablet, &mut trailer, &mut iter::empty()).expect("clean").expect("not cut");
                prop_assert!(outcome.is_clean(), "{:?}", outcome);
            }
        }
        for tablet in &tablets {
            assert_in_step(tablet, &trailer);
        }
        let photos: usize = tablets.iter().flat_map(|t| t.photos.keys()).collect::<std::collections::BTreeSet<_>>().len();
        prop_assert_eq!(trailer.photos.len(), photos);
        prop_assert!(trailer.parts.values().all(Vec::is_empty));
    }
}
