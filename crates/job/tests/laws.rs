//! Laws of the fold, by property: order and repetition do not matter; the level never passes a gap; nothing settles itself.

#![allow(clippy::unwrap_used)]

mod common;

use common::{JOB, Tablet, fold, gap, plan, record_steps, sign_all};
use job::board::{Apart, ApartWhy, Heard, InTrailer, TabletState, board, heard};
use job::view::{GateState, JobView, StepState};
use journal::{EntryHash, Sealed};
use proptest::prelude::*;

/// Two tablets that work on one job, part of the time building on each other, part of the time blind.
fn history(moves: &[(bool, u8, u8, bool)]) -> Vec<Sealed> {
    let (mut a, mut b) = (Tablet::new("K2", 2), Tablet::new("K4", 4));
    record_steps(&mut a, 7);
    sign_all(&mut a, 7);
    let clocks = ["12", "3", "6", "9"];
    for (on_b, clock, sixteenths, blind) in moves {
        let field = format!("gap/{}", clocks[usize::from(*clock) % 4]);
        let seen: Vec<EntryHash> =
            if *blind { vec![] } else { common::view(&[&a, &b]).fields.get(&field).map(|f| f.basis.clone()).unwrap_or_default() };
        let t = if *on_b { &mut b } else { &mut a };
        t.record(if *on_b { "d-kerr" } else { "m-soto" }, &field, "gap", gap(&format!("20 {}/16", sixteenths % 16)), &seen);
    }
    a.sealed.into_iter().chain(b.sealed).collect()
}

fn bytes(view: &JobView) -> Vec<u8> {
    serde_json::to_vec(view).unwrap()
}

/// A job proved to the top, made once.
static FULL: std::sync::LazyLock<JobView> = std::sync::LazyLock::new(|| {
    let mut a = Tablet::new("K1", 1);
    record_steps(&mut a, 12);
    sign_all(&mut a, 12);
    common::view(&[&a])
});

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_order_and_any_repetition_give_the_same_bytes(
        moves in prop::collection::vec((any::<bool>(), 0..4_u8, 0..16_u8, any::<bool>()), 0..12),
        order in prop::collection::vec(any::<u32>(), 400),
        twice in any::<u8>(),
    ) {
        let all = history(&moves);
        let straight: Vec<&Sealed> = all.iter().collect();
        let mut shuffled: Vec<(u32, &Sealed)> = all.iter().enumerate().map(|(i, s)| (order[i % order.len()], s)).collect();
        shuffled.extend(all.iter().take(usize::from(twice)).map(|s| (7, s)));
        shuffled.sort_by_key(|(k, s)| (*k, s.hash));
        let shuffled: Vec<&Sealed> = shuffled.into_iter().map(|(_, s)| s).collect();
        prop_assert_eq!(bytes(&fold(&straight)), bytes(&fold(&shuffled)));
    }

    #[test]
    fn standing_values_are_what_no_basis_names(moves in prop::collection::vec((any::<bool>(), 0..4_u8, 0..16_u8, any::<bool>()), 0..12)) {
        // A second, naive reading of the rule: quadratic, straight from the entries.
        let all = history(&moves);
        let view = fold(&all.iter().collect::<Vec<_>>());
        for clock in ["12", "3", "6", "9"] {
            let subject = format!("job/{JOB}/gap/{clock}");
            let mine: Vec<&Sealed> = all.iter().filter(|s| s.entry.subject.0 == subject).collect();
            let mut standing: Vec<EntryHash> =
                mine.iter().filter(|s| !mine.iter().any(|o| o.entry.basis.contains(&s.hash))).map(|s| s.hash).collect();
            standing.sort();
            prop_assert_eq!(&view.fields[&format!("gap/{clock}")].basis, &standing);
        }
        let gate = view.gates.iter().find(|g| g.gate == "gap").unwrap();
        let untouched = moves.is_empty();
        prop_assert_eq!(gate.state == GateState::Open, untouched, "any new gap entry makes the signatures stale");
    }

    #[test]
    fn the_level_never_passes_a_gap(
        steps in prop::collection::vec(0..7_u8, 12),
        gates in prop::collection::vec((1..=12_u8, 0..4_u8), 0..10),
    ) {
        let steps: Vec<StepState> = steps.iter().map(|s| match s {
            0 => StepState::NotBegun, 1 => StepState::InHand, 2 => StepState::TwoAnswers, 3 => StepState::NotKnown,
            4 => StepState::Reject, _ => StepState::Recorded,
        }).collect();
        let gates: Vec<(u8, GateState)> = gates.iter().map(|(at, g)| (*at, match g {
            0 => GateState::NotDue, 1 => GateState::Shut, 2 => GateState::Open, _ => GateState::Waived,
        })).collect();
        let level = job::gates::level(&steps, &gates);
        for step in 1..=level {
            prop_assert_eq!(steps[usize::from(step) - 1], StepState::Recorded);
            prop_assert!(gates.iter().all(|(at, g)| *at != step || matches!(g, GateState::Open | GateState::Waived)));
        }
    }

    #[test]
    fn ready_is_never_said_while_a_tablet_is_silent_or_holds_something(
        minutes in prop::collection::vec((prop::option::of(-10..300_i64), 0..2_u64, 0..2_u64), 0..5),
    ) {
        let now = 1_790_000_000_000;
        let tablets: Vec<TabletState> = minutes.iter().enumerate().map(|(i, (ago, entries, photos))| TabletState {
            name: format!("K{i}"), heard_ms: ago.map(|m| now - m * 60_000), entries_waiting: *entries, photos_waiting: *photos,
            waiting_as_of: 9, skew_ms: 0, revoked: false, device: String::new(), incarnation: String::new(), counts_to: None, apart: 0,
        }).collect();
        let full = &*FULL;
        prop_assert!(full.full);
        let plan = plan();
        let here = InTrailer::default();
        let view = board(std::slice::from_ref(full), &tablets, &here, &plan, &|_| 0, now);
        let calm = !tablets.is_empty() && tablets.iter().all(|t| heard(t, plan.silent_after_min, now) == Heard::NothingWaiting);
        prop_assert_eq!(view.ready, calm);
        prop_assert_eq!(view.sentence.iter().any(|s| s.code == "ready"), calm);
        let away = board(std::slice::from_ref(full), &tablets, &here, &plan, &|_| 1, now);
        prop_assert!(!away.ready, "a photo that is still on a tablet keeps the board from saying ready");
    }

    #[test]
    fn ready_is_said_without_a_tablet_that_was_taken_off_but_not_over_what_nobody_looked_at(
        off in 0..3_usize, apart in 0..3_u64, looked in any::<bool>(), unread in 0..2_u64, damaged in 0..2_u64,
    ) {
        let now = 1_790_000_000_000;
        let tablets: Vec<TabletState> = (0..3).map(|i| TabletState {
            name: format!("K{i}"), heard_ms: (i >= off).then_some(now), entries_waiting: u64::from(i < off), photos_waiting: 0,
            waiting_as_of: 9, skew_ms: 0, revoked: i < off, device: String::new(), incarnation: String::new(), counts_to: (i < off).then_some(4), apart: 0,
        }).collect();
        let kept = Apart { incarnation: "00".into(), name: "K9".into(), why: ApartWhy::Unknown, n: apart, looked };
        let here = InTrailer { apart: vec![kept], unread, damaged, ..InTrailer::default() };
        let view = board(std::slice::from_ref(&*FULL), &tablets, &here, &plan(), &|_| 0, now);
        prop_assert_eq!(view.ready, (looked || apart == 0) && unread == 0 && damaged == 0);
        // Whatever is said, those that were taken off are named with what they still held.
        prop_assert_eq!(view.sentence.iter().filter(|s| s.code == "b-taken-off" && s.with["entries"] == "1").count(), off);
        prop_assert!(view.sentence.iter().all(|s| s.code != "b-silent"));
    }
}
