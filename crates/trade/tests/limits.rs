//! What is taken, asked again about, or refused: both sides of every limit. The limits are ours unless `limits.rs` says otherwise.

use trade::limits::{self, Plausible};
use trade::{Measure, Unit};

const MM: Unit = Unit::Millimetre;
const IN: Unit = Unit::Inch;
const F: Unit = Unit::Fahrenheit;
const C: Unit = Unit::Celsius;
const PSI: Unit = Unit::Psi;

fn m(typed: &str, unit: Unit) -> Measure {
    Measure::parse(typed, unit, None).expect("a readable row")
}

fn code(p: &Plausible) -> &str {
    match p {
        Plausible::Fine => "fine",
        Plausible::Ask(code, _) | Plausible::Refuse(code, _) => code,
    }
}

/// Judges every row and prints what a person would read.
fn check(what: &str, judge: impl Fn(&Measure) -> Plausible, rows: &[(&str, Unit, &str)]) {
    for (typed, unit, wanted) in rows {
        let got = judge(&m(typed, *unit));
        match &got {
            Plausible::Fine => println!("{what} {typed} {}: fine", unit.symbol()),
            Plausible::Ask(_, words) => println!("{what} {typed} {}: asked again: {words}", unit.symbol()),
            Plausible::Refuse(_, words) => println!("{what} {typed} {}: refused: {words}", unit.symbol()),
        }
        assert_eq!(code(&got), *wanted, "{what} {typed}");
    }
}

#[test]
fn wall_readings() {
    let specified = m("0.200", IN);
    check(
        "wall reading",
        |v| limits::wall_reading(v, &specified),
        &[
            ("0.180", IN, "fine"),
            ("0.040", IN, "fine"),
            ("0.039", IN, "ask-wall-reading-unusual"),
            ("0.300", IN, "fine"),
            ("0.301", IN, "ask-wall-reading-unusual"),
            ("7.63", MM, "ask-wall-reading-unusual"),
            ("0", IN, "wall-reading-impossible"),
            ("-0.1", IN, "wall-reading-impossible"),
            ("40", MM, "ask-wall-reading-unusual"),
            ("40.1", MM, "wall-reading-impossible"),
            ("0.18", PSI, "wall-reading-unit"),
        ],
    );
}

#[test]
fn gaps_and_pieces() {
    check(
        "gap",
        limits::gap_value,
        &[
            ("12 3/16", IN, "fine"),
            ("1", IN, "fine"),
            ("15/16", IN, "ask-gap-unusual"),
            ("120", IN, "fine"),
            ("120 1/16", IN, "ask-gap-unusual"),
            ("0", IN, "gap-impossible"),
            ("-12", IN, "gap-impossible"),
            ("6000", MM, "ask-gap-unusual"),
            ("6001", MM, "gap-impossible"),
            ("12", C, "gap-unit"),
        ],
    );
    let gaps = vec![("12".to_owned(), m("12 3/16", IN)), ("6".to_owned(), m("12 1/4", IN))];
    check(
        "piece",
        |v| limits::piece_value(v, &gaps),
        &[("12", IN, "fine"), ("12 3/16", IN, "ask-piece-too-long"), ("309.5", MM, "fine"), ("0", IN, "piece-impossible")],
    );
}

#[test]
fn gaps_together() {
    let set = |typed: [&str; 2]| vec![("12".to_owned(), m(typed[0], IN)), ("6".to_owned(), m(typed[1], IN))];
    for (typed, wanted) in [(["12", "12 1/4"], "fine"), (["12", "12 17/64"], "ask-gap-spread"), (["12 1/2", "12"], "ask-gap-spread")] {
        let got = limits::gap_set(&set(typed));
        println!("{typed:?}: {got:?}");
        assert_eq!(code(&got), wanted);
    }
    assert_eq!(limits::gap_set(&[]), Plausible::Fine);
    let mixed = vec![("12".to_owned(), m("12", IN)), ("6".to_owned(), m("304.8", MM)), ("9".to_owned(), m("311.2", MM))];
    assert_eq!(code(&limits::gap_set(&mixed)), "ask-gap-spread", "6.4 mm is over 1/4 in");
}

#[test]
fn elevations() {
    let (low, high) = (m("20", Unit::Foot), m("90", Unit::Foot));
    check(
        "elevation",
        |v| limits::elevation(v, &low, &high),
        &[
            ("54' 6\"", Unit::Foot, "fine"),
            ("20", Unit::Foot, "fine"),
            ("90", Unit::Foot, "fine"),
            ("90.1", Unit::Foot, "elevation-outside-section"),
            ("19' 11\"", Unit::Foot, "elevation-outside-section"),
            ("54", MM, "elevation-outside-section"),
            ("54", PSI, "elevation-unit"),
        ],
    );
}

#[test]
fn test_water_and_pressure() {
    let design = m("2750", PSI);
    check(
        "test pressure",
        |v| limits::pressure_test(v, &design),
        &[
            ("2750", PSI, "fine"),
            ("4125", PSI, "fine"),
            ("4126", PSI, "ask-test-above-1-5"),
            ("4372", PSI, "ask-test-above-1-5"),
            ("4373", PSI, "ask-test-above-ceiling"),
            ("2749", PSI, "ask-test-below-design"),
            ("27.5", Unit::Megapascal, "fine"),
            ("2750", Unit::Bar, "test-impossible"),
            ("0", PSI, "test-impossible"),
            ("70", F, "test-unit"),
        ],
    );
    check(
        "water",
        limits::water_temperature,
        &[
            ("70", F, "fine"),
            ("120", F, "fine"),
            ("69", F, "ask-water-unusual"),
            ("121", F, "ask-water-unusual"),
            ("21", C, "ask-water-unusual"),
            ("22", C, "fine"),
            ("31", F, "water-impossible"),
            ("213", F, "ask-water-unusual"),
            ("301", F, "water-impossible"),
        ],
    );
}

#[test]
fn holds() {
    for (minutes, wanted) in
        [(0, "ask-hold-short"), (9, "ask-hold-short"), (10, "fine"), (720, "fine"), (721, "ask-hold-long"), (1441, "hold-impossible")]
    {
        let got = limits::test_hold(minutes);
        println!("held {minutes} min: {got:?}");
        assert_eq!(code(&got), wanted);
    }
}

#[test]
fn joints_and_tubes() {
    check(
        "root opening",
        limits::root_opening,
        &[
            ("3/32", IN, "fine"),
            ("0", MM, "ask-root-unusual"),
            ("0.7", MM, "ask-root-unusual"),
            ("9/32", IN, "ask-root-unusual"),
            ("1/2", IN, "ask-root-unusual"),
            ("33/64", IN, "root-impossible"),
            ("-1/32", IN, "root-impossible"),
        ],
    );
    check(
        "misalignment",
        limits::misalignment,
        &[
            ("0", MM, "fine"),
            ("1/32", IN, "fine"),
            ("1.6", MM, "fine"),
            ("3/32", IN, "ask-misalignment-unusual"),
            ("10.1", MM, "misalignment-impossible"),
        ],
    );
    check(
        "outside diameter",
        limits::outside_diameter,
        &[("2 1/2", IN, "fine"), ("0.5", IN, "ask-od-unusual"), ("5 1/2", IN, "ask-od-unusual"), ("0.2", IN, "od-impossible")],
    );
    let od = m("2 1/2", IN);
    check(
        "wall",
        |v| limits::tube_wall(v, &od),
        &[("0.165", IN, "fine"), ("1.65", IN, "wall-over-radius"), ("0.05", IN, "ask-wall-unusual"), ("0.01", IN, "wall-impossible")],
    );
    check(
        "surface",
        limits::temperature_surface,
        &[
            ("70", F, "fine"),
            ("31", F, "ask-surface-unusual"),
            ("61", C, "ask-surface-unusual"),
            ("401", C, "surface-impossible"),
            ("70", IN, "surface-unit"),
        ],
    );
    check(
        "block step",
        limits::block_step,
        &[
            ("2.50", MM, "fine"),
            ("0.100", IN, "fine"),
            ("25", MM, "fine"),
            ("25.1", MM, "ask-block-unusual"),
            ("101", MM, "block-impossible"),
        ],
    );
}
