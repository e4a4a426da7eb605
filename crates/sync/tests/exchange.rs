//! The exchange against a trailer in memory: clean, cut at every step, and against a trailer that misbehaves.

mod common;

use common::*;
use journal::{EntryHash, Head, Incarnation};
use std::iter;
use sync::exchange::{Exchange, Phase, Reply, Step};
use sync::message::PhotoReply;
use sync::{Local, PhotoReceipt, SyncError, wire};

/// A tablet with enough to need several pushes and several pieces of a photo.
fn full_tablet(n: u8) -> Tablet {
    let mut tablet = Tablet::new(n);
    tablet.write(3, 40);
    for _ in 0..7 {
        tablet.write(2, 100_000);
    }
    tablet.photograph(600_000, n);
    tablet.photograph(262_144, n + 1);
    tablet.photograph(1, n + 2);
    tablet
}

/// A trailer that already holds another crew's records.
fn visited_trailer() -> Trailer {
    let (mut trailer, mut other) = (Trailer::default(), Tablet::new(90));
    for _ in 0..9 {
        other.write(2, 100_000);
    }
    run(&mut other, &mut trailer, &mut iter::empty()).expect("a clean exchange");
    trailer
}

#[test]
fn a_clean_exchange_brings_both_in_step() {
    let (mut tablet, mut trailer) = (full_tablet(1), visited_trailer());
    let (outcome, steps) = run_counting(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    let outcome = outcome.expect("not cut");
    assert_in_step(&tablet, &trailer);
    assert!(outcome.is_clean(), "{outcome:?}");
    assert_eq!((outcome.pushed, outcome.pulled, outcome.photos_sent), (18, 19, 3));
    assert_eq!((outcome.skew_ms, outcome.heard_ms), (Some(5000), Some(NOW + 9000)));
    let done = trailer.heard.last().expect("heard");
    assert_eq!((done.seq, done.entries_waiting, done.photos_waiting), (18, 0, 0));
    println!("in step after {steps} requests: 18 entries there, 19 here, 3 photos");
    let (_, steps) = run_counting(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    assert_eq!(steps, 1, "with nothing to do, a hello is enough");
}

#[test]
fn cut_at_every_step_and_begun_again() {
    let (tablet, trailer) = (full_tablet(1), visited_trailer());
    let (_, steps) = run_counting(&mut tablet.clone(), &mut trailer.clone(), &mut iter::empty()).expect("clean");
    let mut cuts = 0;
    for at in 0..steps {
        for net in [Net::LoseRequest, Net::LoseReply, Net::Torn, Net::Twice] {
            let (mut tablet, mut trailer) = (tablet.clone(), trailer.clone());
            let mut nets = iter::repeat_n(Net::Good, at).chain(iter::once(net));
            let first = run(&mut tablet, &mut trailer, &mut nets).expect("no fault");
            assert_eq!(first.is_some(), net == Net::Twice, "step {at}, {net:?}");
            run(&mut tablet, &mut trailer, &mut iter::empty()).expect("no fault");
            assert_in_step(&tablet, &trailer);
            cuts += 1;
        }
    }
    println!("{cuts} cuts and repetitions over {steps} steps, each in step after one more exchange");
}

#[test]
fn records_go_before_photos_and_every_message_is_bounded() {
    let (mut tablet, mut trailer) = (full_tablet(1), visited_trailer());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let (mut photos_begun, mut last) = (false, Phase::Hello);
    loop {
        let step = exchange.next(&mut tablet).expect("no fault");
        match &step {
            Step::Push(entries) => {
                assert!(!photos_begun && wire::encode_push(entries).len() <= sync::MAX_BODY);
                assert_eq!(entries.last().map(|s| s.entry.tx_left), Some(0), "whole transactions");
            }
            Step::Pull(_) => assert!(!photos_begun),
            Step::PhotoOffset(_) => photos_begun = true,
            Step::PhotoPut { bytes, .. } => assert!(bytes.len() <= sync::PHOTO_PIECE),
            Step::Finished(_) => break,
            _ => {}
        }
        let progress = exchange.progress();
        assert!(progress.phase >= last && progress.done <= progress.total, "{progress:?}");
        last = progress.phase;
        let reply = trailer.answer(&step);
        exchange.feed(&mut tablet, reply).expect("no fault");
    }
    assert!(photos_begun);
}

#[test]
fn what_is_written_while_photos_travel_still_goes() {
    let (mut tablet, mut trailer) = (full_tablet(1), Trailer::default());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let outcome = loop {
        let step = exchange.next(&mut tablet).expect("no fault");
        if let Step::Finished(outcome) = step {
            break outcome;
        }
        let reply = trailer.answer(&step);
        exchange.feed(&mut tablet, reply).expect("no fault");
        if matches!(step, Step::PhotoPut { offset: 0, .. }) && tablet.books.heads().seq(&tablet.incarnation()) == 18 {
            tablet.write(1, 10);
        }
    };
    assert_eq!((outcome.pushed, outcome.entries_waiting), (19, 0));
    assert_in_step(&tablet, &trailer);
}

#[test]
fn a_trailer_set_up_anew_gets_everything_back() {
    let (mut tablet, mut trailer) = (full_tablet(1), visited_trailer());
    run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    let mut anew = Trailer { wanted: tablet.photos.keys().copied().collect(), ..Trailer::default() };
    let outcome = run(&mut tablet, &mut anew, &mut iter::empty()).expect("clean").expect("not cut");
    assert_eq!((outcome.pushed, outcome.photos_sent), (18 + 19, 3), "the other crew's records too, and photos once signed for");
    assert_in_step(&tablet, &anew);
}

#[test]
fn a_receipt_lost_in_a_cut_comes_with_the_next_hello() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let lost = [Net::Good, Net::Good, Net::LoseReply];
    assert_eq!(run(&mut tablet, &mut trailer, &mut lost.into_iter()), Ok(None));
    assert!(tablet.receipts.is_empty(), "no answer, no receipt: the entry counts as only here");
    let outcome = run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean").expect("not cut");
    assert_eq!((outcome.pushed, outcome.entries_waiting), (0, 0));
    assert_in_step(&tablet, &trailer);
}

/// Two journals claim one identity: told loudly, both kept, never reported as safe.
#[test]
fn a_copied_tablet_is_told_and_both_versions_are_kept() {
    for (ours, theirs) in [(2, 2), (2, 5), (5, 2)] {
        let mut first = Tablet::new(1);
        let mut trailer = Trailer::default();
        run(&mut first, &mut trailer, &mut iter::empty()).expect("clean");
        let mut copy = first.clone();
        (0..theirs).for_each(|_| first.write(1, 10));
        (0..ours).for_each(|_| copy.write(1, 11));
        run(&mut first, &mut trailer, &mut iter::empty()).expect("clean");
        let outcome = run(&mut copy, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
        println!("copy wrote {ours}, the other {theirs}: {} waiting, {} kept apart", outcome.entries_waiting, outcome.quarantined.len());
        assert!(!outcome.is_clean() && outcome.troubles() > 0);
        assert_eq!(outcome.entries_waiting, ours + 1, "without a fitting receipt nothing of the series counts as safe");
        assert!(outcome.forks.contains(&copy.incarnation()));
        let copied = &copy.books.series[&copy.incarnation()].1[1..];
        let kept = copied.iter().filter(|s| trailer.books.quarantine.contains_key(&s.hash)).count();
        assert_eq!(kept, ours as usize, "the trailer keeps the copy's version apart");
        let head = first.books.heads().0[&first.incarnation()];
        assert_eq!(trailer.books.heads().0[&first.incarnation()], head, "and the first one untouched");
        assert_eq!(outcome.own_ahead, 3 * u64::from(theirs > ours));
    }
}

/// The trailer's disk was lost, a tablet that was set back came first, and only a third one still has what it wrote before.
#[test]
fn a_version_that_only_another_tablet_has_is_kept_by_the_trailer_too() {
    for (sizes, after) in [(vec![2], 1), (vec![1, 1], 1), (vec![3, 2], 2), (vec![1, 4], 3)] {
        let (mut first, mut trailer) = (Tablet::new(1), Trailer::default());
        let old = first.clone();
        sizes.iter().for_each(|n| first.write(*n, 10));
        run(&mut first, &mut trailer, &mut iter::empty()).expect("clean");
        let mut witness = Tablet::new(2);
        run(&mut witness, &mut trailer, &mut iter::empty()).expect("clean");
        let mut anew = Trailer::default();
        let mut set_back = old;
        (0..after).for_each(|_| set_back.write(1, 11));
        run(&mut set_back, &mut anew, &mut iter::empty()).expect("clean");
        let outcome = run(&mut witness, &mut anew, &mut iter::empty()).expect("ends").expect("not cut");
        let seen = &witness.books.series[&first.incarnation()].1;
        let stands = &anew.books.series[&first.incarnation()].1;
        let kept = seen.iter().filter(|s| anew.books.quarantine.contains_key(&s.hash) || stands.iter().any(|t| t.hash == s.hash)).count();
        println!("{sizes:?} against {after}: {kept} of {} kept, forks {:?}", seen.len(), outcome.forks);
        assert_eq!(kept, seen.len(), "what only the third tablet has is kept apart, all of it");
        assert!(outcome.forks.contains(&first.incarnation()));
    }
}

#[test]
fn a_tablet_restored_from_an_old_copy_is_told() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let old = tablet.clone();
    (0..4).for_each(|_| tablet.write(1, 10));
    run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    let mut restored = old;
    let outcome = run(&mut restored, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
    assert_eq!((outcome.own_ahead, outcome.is_clean()), (4, false));
    assert_eq!(restored.books.heads(), tablet.books.heads(), "its own lost records come back");
}

#[test]
fn a_receipt_of_a_stranger_is_not_believed() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let mut exchange = Exchange::new(key(201).public(), CLOCK);
    let hello = exchange.next(&mut tablet).expect("hello");
    exchange.feed(&mut tablet, trailer.answer(&hello)).expect("no receipt in it yet");
    let heads = exchange.next(&mut tablet).expect("heads");
    exchange.feed(&mut tablet, trailer.answer(&heads)).expect("heads are not signed");
    let push = exchange.next(&mut tablet).expect("push");
    let fault = exchange.feed(&mut tablet, trailer.answer(&push)).expect_err("signed by another key");
    println!("{fault}");
    assert_eq!(fault, SyncError::BadReceipt);
    assert!(tablet.receipts.is_empty());
}

#[test]
fn a_receipt_over_another_hash_is_not_counted() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let mut outcome = None;
    for _ in 0..50 {
        let step = exchange.next(&mut tablet).expect("no fault");
        if let Step::Finished(end) = step {
            outcome = Some(end);
            break;
        }
        let mut reply = trailer.answer(&step);
        if let Reply::Push(push) = &mut reply {
            let head = Head { seq: 1, hash: EntryHash([9; 32]) };
            push.receipt = Some(sync::EntriesReceipt::sign(&trailer.key, tablet.incarnation(), head, NOW));
        }
        exchange.feed(&mut tablet, reply).expect("no fault");
    }
    let outcome = outcome.expect("it ends");
    assert!(tablet.receipts.is_empty() && outcome.entries_waiting == 1 && outcome.forks.len() == 1);
}

/// Whatever a broken trailer answers, the exchange ends and nothing counts as safe that isn't.
#[test]
fn a_trailer_that_claims_and_does_not_give_is_left() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let mut pulls = 0;
    loop {
        let step = exchange.next(&mut tablet).expect("no fault");
        let mut reply = match &step {
            Step::Finished(_) => break,
            step => trailer.answer(step),
        };
        match &mut reply {
            Reply::Heads(heads) => {
                for n in 0..5 {
                    heads.0.insert(Incarnation([n; 16]), Head { seq: 7, hash: EntryHash([n; 32]) });
                }
            }
            Reply::Pull(_) => pulls += 1,
            _ => {}
        }
        exchange.feed(&mut tablet, reply).expect("no fault");
    }
    assert_eq!(pulls, 1, "an empty answer to a pull is not asked for again");
}

#[test]
fn forged_records_are_kept_apart_and_not_fetched_for_ever() {
    let (mut tablet, mut trailer) = (Tablet::new(1), visited_trailer());
    let other = *trailer.books.series.keys().next().expect("a series");
    let entries = &mut trailer.books.series.get_mut(&other).expect("there").1;
    entries[4].sig = Some(key(3).sign(&entries[4].hash));
    let outcome = run(&mut tablet, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
    assert_eq!(tablet.books.heads().seq(&other), 3, "the good transactions before it");
    assert!(!outcome.quarantined.is_empty() && !outcome.is_clean());
    println!("{} forged or following entries kept apart; the own series is safe all the same", outcome.quarantined.len());
    assert_eq!(outcome.entries_waiting, 0);
}

#[test]
fn one_bad_photo_does_not_keep_the_others_back() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let lost = tablet.photograph(300_000, 1);
    let spoilt = tablet.photograph(300_000, 2);
    let good = tablet.photograph(300_000, 3);
    tablet.unreadable.insert(lost);
    tablet.photos.get_mut(&spoilt).expect("there")[299_999] ^= 1;
    let outcome = run(&mut tablet, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
    for (photo, why) in &outcome.photo_problems {
        println!("{photo}: {why}");
    }
    assert_eq!(outcome.photo_problems.keys().copied().collect::<std::collections::BTreeSet<_>>(), [lost, spoilt].into());
    assert_eq!((outcome.photos_sent, outcome.photos_waiting), (1, 2));
    assert!(trailer.photos.contains_key(&good) && !trailer.photos.contains_key(&spoilt));
}

#[test]
fn a_photo_counts_only_with_its_own_receipt() {
    let mut tablet = Tablet::new(1);
    let photo = tablet.photograph(1000, 1);
    let trailer = Trailer::default();
    let wrong = [
        None,
        Some(PhotoReceipt::sign(&key(3), photo, 1000, NOW)),
        Some(PhotoReceipt::sign(&trailer.key, photo, 999, NOW)),
        Some(PhotoReceipt::sign(&trailer.key, journal::PhotoHash([1; 32]), 1000, NOW)),
    ];
    for receipt in wrong {
        let mut trailer = trailer.clone();
        let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
        let fault = loop {
            let step = exchange.next(&mut tablet).expect("no fault");
            let reply = match step {
                Step::PhotoOffset(_) => Reply::Photo(PhotoReply { offset: 1000, complete: true, receipt: receipt.clone() }),
                step => trailer.answer(&step),
            };
            if let Err(fault) = exchange.feed(&mut tablet, reply) {
                break fault;
            }
        };
        assert_eq!(fault, SyncError::BadReceipt);
        assert_eq!(tablet.photos_waiting().expect("list").len(), 1);
    }
}

#[test]
fn an_answer_out_of_turn_is_refused() {
    let (mut tablet, trailer) = (Tablet::new(1), Trailer::default());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let reply = Reply::Done(sync::message::DoneReply { heard_ms: 0 });
    assert!(matches!(exchange.feed(&mut tablet, reply.clone()), Err(SyncError::Strange { .. })));
    exchange.next(&mut tablet).expect("hello");
    assert!(matches!(exchange.feed(&mut tablet, reply), Err(SyncError::Strange { .. })));
}

#[test]
fn the_largest_transaction_fits_one_push() {
    let mut tablet = Tablet::new(1);
    tablet.write(1024, 500);
    let entries = tablet.books.read(&tablet.incarnation(), 2, 1);
    let body = wire::encode_push(&entries);
    println!("1024 entries in {} bytes", body.len());
    assert_eq!((entries.len(), wire::fit(&entries)), (1024, 1024));
    assert!(body.len() <= sync::MAX_BODY);
}
