//! What an exchange costs when there is nothing to do, how much one message may carry, and that long series, entries of a
//! later program and repeated messages come through whatever is cut.

mod common;

use common::*;
use journal::limits::MAX_COUNT;
use journal::{DeviceId, Draft, Heads, Incarnation, PersonId, Range, Sealed, SigningKey, Stamp, Writer};
use std::iter;
use sync::exchange::{Exchange, Reply, Step};
use sync::wire::{self, Unread, UnreadReply, WireError};
use sync::{CertifiedSeries, Local, MAX_BODY, MAX_NAMED, MAX_RANGES, MAX_UNREAD, MAX_WANTED, SyncError, server_side};

/// A small repeatable source of chance (SplitMix64; Steele, Lea, Flood 2014).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % n as u64) as usize
    }
}

fn begin(n: u32) -> Vec<Sealed> {
    let mut seed = [7; 32];
    seed[..4].copy_from_slice(&n.to_le_bytes());
    let key = SigningKey::from_seed(seed);
    let device = DeviceId(seed[..16].try_into().expect("16 bytes"));
    let writer = Writer::new(SITE, device, Incarnation::of(&key.public()), None, 0);
    let stamp = Stamp { wall_ms: NOW, boot: journal::BootId([1; 16]), uptime_ms: 1, person: PersonId("ana-r".into()) };
    writer.transaction(&stamp, vec![Draft::series_begin(device, &key, "K4", "tablet")], &key).expect("written")
}

#[test]
fn with_a_thousand_tablets_a_sync_with_nothing_to_do_is_one_small_round_trip() {
    for series in [1_u32, 20, 1000] {
        let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
        for n in 1..series {
            trailer.books.accept(begin(n));
        }
        let (_, steps) = run_counting(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
        let heads = tablet.books.heads();
        assert_eq!(heads, trailer.books.heads());
        println!(
            "{series} series: heads {} bytes; first sync {steps} requests, largest {} bytes there and {} back",
            heads.encode().len(),
            trailer.traffic.largest_came,
            trailer.traffic.largest_went
        );
        assert!(heads.encode().len() < 64 * 1024);
        trailer.traffic = Traffic::default();
        trailer.heard.clear();
        let (outcome, steps) = run_counting(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
        let outcome = outcome.expect("not cut");
        println!("  again: {steps} request, {} bytes there, {} bytes back", trailer.traffic.came, trailer.traffic.went);
        assert!(outcome.nothing_to_do && outcome.is_clean() && outcome.heard_ms == Some(NOW + 5000));
        assert!(steps == 1 && trailer.heard.is_empty() && trailer.traffic.came <= 1024 && trailer.traffic.went <= 1024);
    }
}

#[test]
fn what_the_hello_did_not_say_is_said_at_the_end() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    // Written between the hello and its answer.
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let hello = exchange.next(&mut tablet).expect("hello");
    let reply = trailer.answer(&hello);
    tablet.write(2, 10);
    exchange.feed(&mut tablet, reply).expect("fed");
    trailer.heard.clear();
    let outcome = loop {
        let step = exchange.next(&mut tablet).expect("a step");
        if let Step::Finished(outcome) = step {
            break outcome;
        }
        let reply = trailer.answer(&step);
        exchange.feed(&mut tablet, reply).expect("fed");
    };
    assert!(outcome.is_clean() && !outcome.nothing_to_do && outcome.pushed == 2);
    assert_eq!(trailer.heard.last().map(|done| (done.seq, done.entries_waiting)), Some((3, 0)));
    // A photo that cannot be sent still waits, and that is said.
    let photo = tablet.photograph(1000, 1);
    tablet.unreadable.insert(photo);
    let outcome = run(&mut tablet, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
    assert!(!outcome.nothing_to_do && outcome.photos_waiting == 1);
    assert_eq!(trailer.heard.last().map(|done| done.photos_waiting), Some(1));
}

/// Each limit holds exactly: at it yes, one beyond no.
#[test]
fn every_list_has_its_limit() {
    let ranges = |n: usize| -> Vec<(Incarnation, Range)> {
        let name = |i: usize| Incarnation((i as u128 + 1).to_be_bytes());
        (0..n).map(|i| (name(i), Range { from: 1, to: 9 })).collect()
    };
    let body = wire::encode_ranges(&ranges(MAX_RANGES));
    println!("{MAX_RANGES} ranges: {} bytes", body.len());
    assert!(body.len() <= sync::MAX_SMALL && wire::decode_ranges(&body) == Ok(ranges(MAX_RANGES)));
    let over = wire::decode_ranges(&wire::encode_ranges(&ranges(MAX_RANGES + 1)));
    assert_eq!(over, Err(WireError::Items(MAX_RANGES + 1, MAX_RANGES)));
    let one = |from, to| wire::decode_ranges(&wire::encode_ranges(&[(Incarnation([1; 16]), Range { from, to })]));
    assert!(one(1, 1).is_ok() && one(1, MAX_COUNT).is_ok() && one(MAX_COUNT, MAX_COUNT).is_ok());
    for (from, to) in [(0, 1), (2, 1), (1, MAX_COUNT + 1), (u64::MAX, u64::MAX)] {
        assert!(one(from, to).is_err(), "{from} to {to}");
    }
    let mut twice = ranges(2);
    twice[1].0 = twice[0].0;
    assert!(wire::decode_ranges(&wire::encode_ranges(&twice)).is_err(), "a series twice");

    let names = |n: usize| -> Vec<journal::EntryHash> { (0..n).map(|i| journal::EntryHash([i as u8; 32])).collect() };
    let body = wire::encode_names(&names(MAX_UNREAD));
    println!("{MAX_UNREAD} names: {} bytes", body.len());
    assert!(body.len() <= MAX_BODY && wire::decode_names(&body).is_ok());
    assert!(wire::decode_names(&wire::encode_names(&names(MAX_UNREAD + 1))).is_err());

    // A body of exactly the limit, made of one entry that nobody can read.
    let filled = |len: usize| {
        let entry = |n| wire::encode_push_unread(&[Unread { bytes: vec![0; n], sig: None }]);
        let around = entry(len - 16).len() - (len - 16);
        entry(len - around)
    };
    let (at, over) = (filled(MAX_BODY), filled(MAX_BODY + 1));
    assert_eq!((at.len(), over.len()), (MAX_BODY, MAX_BODY + 1));
    assert_eq!(wire::decode_push(&at).expect("at the limit").unreadable.len(), 1);
    assert_eq!(wire::decode_push(&over), Err(WireError::Size(MAX_BODY + 1)));

    // Claims of endless lists with nothing behind them.
    for claim in [
        &[0x9a, 0xff, 0xff, 0xff, 0xff][..],
        &[0x9b, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff],
        &[0x82, 0x01, 0x9a, 0xff, 0xff, 0xff, 0xff],
    ] {
        assert!(wire::decode_push(claim).is_err() && wire::decode_pull(claim).is_err() && wire::decode_heads(claim).is_err());
        assert!(wire::decode_ranges(claim).is_err() && wire::decode_names(claim).is_err() && wire::decode_unread(claim).is_err());
    }
    // Lists inside each other where none belongs.
    let deep = vec![0x81; 100_000];
    assert!(wire::decode_push(&deep).is_err() && wire::decode_pull(&deep).is_err() && wire::decode_unread(&deep).is_err());
    let long = UnreadReply { wanted: vec![], entries: vec![Unread { bytes: vec![0; journal::limits::MAX_ENTRY_BYTES + 1], sig: None }] };
    assert!(wire::decode_unread(&wire::encode_unread(&long)).is_err(), "an entry longer than any can be");
}

#[test]
fn the_trailer_names_no_more_than_it_may() {
    let mut trailer = Trailer { wanted: vec![journal::PhotoHash([1; 32]); MAX_WANTED + 1], ..Trailer::default() };
    trailer.series = (0..=sync::MAX_SERVER_SERIES as u8).map(|n| CertifiedSeries::sign(&trailer.key, key(n).public())).collect();
    let newest = trailer.series.last().cloned();
    let hello = Exchange::new(trailer.key.public(), CLOCK).next(&mut Tablet::new(1)).expect("hello");
    let Reply::Hello(reply) = trailer.answer(&hello) else { panic!("a hello") };
    println!("the largest answer to a hello: {} bytes", trailer.traffic.largest_went);
    assert!(reply.photos_wanted.len() == MAX_WANTED && reply.server_series.len() == sync::MAX_SERVER_SERIES);
    assert!(reply.server_series.last() == newest.as_ref() && trailer.traffic.largest_went <= 128 * 1024);
    let report = sync::AcceptReport {
        quarantined: (0..=MAX_NAMED).map(|_| (journal::EntryHash([1; 32]), "x".repeat(10_000))).collect(),
        ..Default::default()
    };
    let reply = server_side::push_reply(None, None, report, &[], &trailer.key, NOW);
    let body = serde_json::to_vec(&reply).expect("json");
    println!("the largest answer to a push: {} bytes", body.len());
    assert!(reply.quarantined.len() == MAX_NAMED && body.len() <= MAX_BODY);
}

/// A series of 100,000 entries goes up and comes down though the line breaks again and again, never more than 1 MiB in one
/// message and never more than one message twice for each cut.
#[test]
fn a_long_series_comes_through_cuts_in_both_directions() {
    let (mut tablet, mut trailer, mut chance) = (Tablet::new(1), Trailer::default(), Chance(5));
    for _ in 0..100 {
        tablet.write(1000, 40);
    }
    let all = tablet.books.heads().seq(&tablet.incarnation());
    let bytes = wire::encode_push(&tablet.books.series[&tablet.incarnation()].1).len();
    let mut down = Tablet::new(2);
    for (name, tablet) in [("up", &mut tablet), ("down", &mut down)] {
        (trailer.traffic, trailer.heard) = (Traffic::default(), Vec::new());
        let mut cuts = 0;
        loop {
            let net = [Net::LoseRequest, Net::LoseReply][chance.below(2)];
            let mut nets = iter::repeat_n(Net::Good, chance.below(6)).chain(iter::once(net));
            if run(tablet, &mut trailer, &mut nets).expect("a cut is no fault").is_some() {
                break;
            }
            cuts += 1;
        }
        let traffic = trailer.traffic;
        let (went, largest) = if name == "up" { (traffic.came, traffic.largest_came) } else { (traffic.went, traffic.largest_went) };
        println!("{name}: {all} entries, {bytes} bytes, {cuts} cuts; {went} bytes sent in all, the largest message {largest}");
        assert!(cuts >= 3 && largest <= MAX_BODY && went <= bytes + (cuts + 1) * MAX_BODY);
        assert_in_step(tablet, &trailer);
    }
    assert_eq!(down.books.heads().seq(&tablet.incarnation()), all);
}

/// Every message of several exchanges again, in any order: nothing changes.
#[test]
fn a_whole_sync_replayed_changes_nothing() {
    let (mut trailer, mut said) = (Trailer::default(), Vec::new());
    let mut tablets = [Tablet::new(1), Tablet::new(2), Tablet::new(3)];
    for round in 0..3 {
        for tablet in &mut tablets {
            tablet.write(3, 20_000 * round);
            tablet.photograph(300_000, round as u8 * 3 + tablet.incarnation().0[0] % 3);
            let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
            loop {
                let step = exchange.next(tablet).expect("a step");
                if matches!(step, Step::Finished(_)) {
                    break;
                }
                let reply = trailer.answer(&step);
                exchange.feed(tablet, reply).expect("fed");
                said.push(step);
            }
        }
    }
    let (heads, photos) = (trailer.books.heads(), trailer.photos.clone());
    let mut chance = Chance(1);
    for _ in 0..3 {
        for at in (1..said.len()).rev() {
            said.swap(at, chance.below(at + 1));
        }
        for step in &said {
            trailer.answer(step);
        }
        assert!(trailer.books.heads() == heads && trailer.photos == photos);
        assert!(trailer.books.stored.values().all(|times| *times == 1) && trailer.books.quarantine.is_empty());
    }
    println!("{} messages three times more in any order: nothing changed", said.len());
    for tablet in &mut tablets {
        run(tablet, &mut trailer, &mut iter::empty()).expect("clean");
        assert_in_step(tablet, &trailer);
    }
}

/// Entries that this program can't read are kept by both sides and reach everyone, once, whatever is cut.
#[test]
fn what_cannot_be_read_is_kept_and_forwarded_untouched() {
    let mut trailer = Trailer::default();
    let mut tablets = [Tablet::new(1), Tablet::new(2), Tablet::new(3)];
    let later = of_a_later_format(&begin(9)[0]);
    let forged = Unread { sig: Some(journal::Signature([9; 64])), ..later.clone() };
    let large: Vec<Unread> = (0..9).map(|n| Unread { bytes: vec![n; 256 * 1024], sig: None }).collect();
    tablets[0].unread = [vec![later, forged], large].concat();
    let all = tablets[0].unread.clone();
    let mut chance = Chance(3);
    for round in 0..12 {
        for tablet in &mut tablets {
            let nets: Vec<Net> = (0..round).map(|_| [Net::Good, Net::Good, Net::Twice, Net::LoseReply][chance.below(4)]).collect();
            run(tablet, &mut trailer, &mut nets.into_iter()).expect("no fault");
        }
    }
    for tablet in &mut tablets {
        let outcome = run(tablet, &mut trailer, &mut iter::empty()).expect("ends").expect("not cut");
        assert!(outcome.quarantined.is_empty());
    }
    let sorted = |mut kept: Vec<Unread>| {
        kept.sort_by_key(Unread::name);
        kept
    };
    for kept in [&trailer.unread, &tablets[0].unread, &tablets[1].unread, &tablets[2].unread] {
        assert_eq!(sorted(kept.clone()), sorted(all.clone()), "the same bytes and signatures");
    }
    println!("{} entries that nobody here can read, the largest message {} bytes", all.len(), trailer.traffic.largest_went);
    assert!(trailer.traffic.largest_went <= MAX_BODY && trailer.traffic.largest_came <= MAX_BODY);
    for tablet in &mut tablets {
        let (_, steps) = run_counting(tablet, &mut trailer, &mut iter::empty()).expect("clean");
        assert_eq!(steps, 1, "and then there is nothing to do");
    }
}

/// One in the middle of a series stops that series there, on both sides, and nothing else.
#[test]
fn a_series_stops_where_it_cannot_be_read_and_the_others_go_on() {
    let (mut other, mut trailer) = (Tablet::new(2), Trailer::default());
    other.write(1, 10);
    run(&mut other, &mut trailer, &mut iter::empty()).expect("clean");
    // The trailer is newer: it reads an entry of its books that the tablet cannot.
    let later = of_a_later_format(&trailer.books.series[&other.incarnation()].1[1]);
    let mut tablet = Tablet::new(1);
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let outcome = loop {
        let step = exchange.next(&mut tablet).expect("a step");
        let mut reply = match step {
            Step::Finished(outcome) => break outcome,
            ref step => trailer.answer(step),
        };
        if let Reply::Pull(batch) = &mut reply {
            batch.entries.retain(|s| s.entry.seq == 1);
            let why = Sealed::open(later.bytes.clone(), later.sig).expect_err("a later format");
            batch.unreadable = vec![wire::Unreadable { bytes: later.bytes.clone(), sig: later.sig, why }];
        }
        exchange.feed(&mut tablet, reply).expect("fed");
    };
    assert_eq!((outcome.unreadable, outcome.pulled, outcome.entries_waiting), (2, 1, 0));
    assert_eq!(tablet.unread, [later]);
    println!("1 of 2 entries read, the other kept as it came ({} times offered)", outcome.unreadable);
}

#[test]
fn one_damaged_series_holds_up_no_other() {
    let (mut tablet, mut trailer, mut other) = (Tablet::new(1), Trailer::default(), Tablet::new(2));
    other.write(3, 10);
    run(&mut other, &mut trailer, &mut iter::empty()).expect("clean");
    run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    let mut anew = Trailer::default();
    tablet.photograph(5000, 3);
    tablet.damaged = Some((other.incarnation(), 1));
    let outcome = run(&mut tablet, &mut anew, &mut iter::empty()).expect("ends").expect("not cut");
    println!("{:?}", outcome.damaged);
    assert!(!outcome.is_clean() && outcome.damaged.contains_key(&other.incarnation()) && outcome.troubles() == 1);
    assert_eq!((outcome.entries_waiting, outcome.photos_sent), (0, 1), "its own records and photos are safe all the same");
}

/// A restored trailer writes under a new key: believed only with the certificate of the key learned at pairing.
#[test]
fn the_trailers_new_series_is_believed_by_its_certificate_only() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let fresh = key(150).public();
    trailer.series = vec![CertifiedSeries::sign(&trailer.key, fresh)];
    run(&mut tablet, &mut trailer, &mut iter::empty()).expect("clean");
    assert_eq!(tablet.server_series, [fresh]);
    let good = trailer.series[0].clone();
    let receipt_key = CertifiedSeries { key: key(151).public(), ..good.clone() };
    for forged in [CertifiedSeries::sign(&key(9), fresh), receipt_key, CertifiedSeries { sig: journal::Signature([0; 64]), ..good.clone() }]
    {
        let mut tablet = Tablet::new(1);
        trailer.series = vec![good.clone(), forged];
        let fault = run(&mut tablet, &mut trailer, &mut iter::empty()).expect_err("not certified");
        assert_eq!((fault.code(), tablet.server_series.len()), ("bad-certificate", 0));
        println!("{fault}");
    }
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let hello = exchange.next(&mut tablet).expect("hello");
    let Reply::Hello(mut reply) = trailer.answer(&hello) else { panic!("a hello") };
    reply.server_series = vec![good; sync::MAX_SERVER_SERIES + 1];
    assert!(matches!(exchange.feed(&mut tablet, Reply::Hello(reply)), Err(SyncError::Strange { .. })));
}

/// Whatever a hostile trailer names, the tablet's lists stay bounded.
#[test]
fn endless_claims_of_a_trailer_end() {
    let (mut tablet, mut trailer) = (Tablet::new(1), Trailer::default());
    let mut exchange = Exchange::new(trailer.key.public(), CLOCK);
    let mut requests = 0;
    loop {
        let step = exchange.next(&mut tablet).expect("a step");
        let reply = match &step {
            Step::Finished(_) => break,
            Step::Hello(_) => {
                let Reply::Hello(mut reply) = trailer.answer(&step) else { panic!("a hello") };
                reply.unread = true;
                Reply::Hello(reply)
            }
            Step::Heads(_) => {
                let head = |n: u128| (Incarnation(n.to_be_bytes()), journal::Head { seq: MAX_COUNT, hash: journal::EntryHash([1; 32]) });
                Reply::Heads((0..3000).map(head).collect::<Heads>())
            }
            Step::Pull(ranges) => {
                assert!(ranges.len() <= MAX_RANGES);
                Reply::Pull(wire::Batch { more: true, ..Default::default() })
            }
            // Always something new, and names of things that the tablet never had.
            Step::Unread(_) => Reply::Unread(UnreadReply {
                wanted: vec![journal::EntryHash([3; 32]); 100],
                entries: vec![Unread { bytes: (requests as u64).to_le_bytes().to_vec(), sig: None }],
            }),
            step => trailer.answer(step),
        };
        exchange.feed(&mut tablet, reply).expect("fed");
        requests += 1;
        assert!(requests < 200, "it must end");
    }
    println!("{requests} requests, {} unread entries kept", tablet.unread().expect("read").len());
}

/// The description of the protocol names every route and every limit as they are.
#[test]
fn the_description_is_true() {
    use sync::message::{code, route};
    let text = include_str!("../../../docs/protocol.md");
    for route in [route::PAIR, route::HELLO, route::HEADS, route::PUSH, route::PULL, route::UNREAD, route::PHOTO, route::DONE] {
        assert!(text.contains(route), "{route}");
    }
    for code in [code::REVOKED, code::SERIES_CUT, code::PAIR_AGAIN] {
        assert!(text.contains(&format!("`{code}`")), "{code}");
    }
    let kib = |n: usize| format!("{} KiB", n / 1024);
    let thousands = |n: usize| if n < 1000 { n.to_string() } else { format!("{},{:03}", n / 1000, n % 1000) };
    let patience = sync::client::Patience::default();
    let rows = [
        ("entries, one message; heads; names", format!("{} MiB", MAX_BODY >> 20)),
        ("a hello; its answer", format!("{}; 128 KiB", kib(sync::MAX_HELLO))),
        ("other JSON; the answer to a push; a refusal", format!("{}; {} MiB; 16 KiB", kib(sync::MAX_SMALL), MAX_BODY >> 20)),
        ("series in heads; ranges in a pull", format!("{}; {}", thousands(journal::heads::MAX_SERIES), thousands(MAX_RANGES))),
        ("names of unread entries; unread entries kept", format!("{}; 64 MiB", thousands(MAX_UNREAD))),
        (
            "photos wanted in one answer; reasons in the answer to a push",
            format!("{}; {} of 400 characters", thousands(MAX_WANTED), thousands(MAX_NAMED)),
        ),
        ("series of one trailer in an answer to a hello", sync::MAX_SERVER_SERIES.to_string()),
        ("a piece of a photo; a photo", format!("{}; {} MiB", kib(sync::PHOTO_PIECE), sync::MAX_PHOTO >> 20)),
        (
            "values inside each other",
            format!("{} in entries, 128 in JSON, none but the lists above on the wire", journal::limits::MAX_DEPTH),
        ),
        (
            "the tablet waits for a connection; for the next byte; for one whole answer",
            format!("{} s; {} s; {} s", patience.connect.as_secs(), patience.read.as_secs(), patience.whole.as_secs()),
        ),
    ];
    for (what, most) in &rows {
        let row = format!("| {what} | {most} |");
        assert!(text.contains(&row), "{row}");
    }
    let leap = journal::writer::LEAP;
    assert!(text.contains("2^20") && leap == 1 << 20);
    println!("{} rows of limits, 8 routes, 3 codes: as written", rows.len());
}
