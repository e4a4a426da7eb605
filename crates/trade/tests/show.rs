//! How figures are written: fractions, decimals, the read-back in the other unit, and how far two answers are apart.

use trade::show::{apart, decimal_text, exact_text, fraction_text, other_unit};
use trade::{Measure, Ratio, Unit};

fn r(num: i64, den: i64) -> Ratio {
    Ratio::new(num, den).expect("a fraction")
}

fn m(typed: &str, unit: Unit, mark: Option<Ratio>) -> Measure {
    Measure::parse(typed, unit, mark).expect("a readable row")
}

#[test]
fn texts() {
    for (value, text) in [(r(329, 16), "20 9/16"), (r(3, 8), "3/8"), (r(-1, 16), "-1/16"), (r(-33, 32), "-1 1/32"), (r(12, 1), "12")] {
        println!("{value:?} -> {}", fraction_text(&value));
        assert_eq!(fraction_text(&value), text);
    }
    for (value, places, text) in [
        (r(1, 8), 3, "0.125"),
        (r(1, 8), 2, "0.13"),
        (r(-1, 8), 2, "-0.13"),
        (r(-1, 1000), 2, "0.00"),
        (r(2, 3), 4, "0.6667"),
        (r(5, 1), 0, "5"),
        (r(i64::MAX, 1), 9, "9223372036854775807.000000000"),
    ] {
        assert_eq!(decimal_text(&value, places), text);
    }
    let texts = [
        (r(3, 16), Unit::Inch, "3/16"),
        (r(3, 16), Unit::Millimetre, "0.1875"),
        (r(5, 64), Unit::Inch, "5/64"),
        (r(5, 128), Unit::Inch, "5/128"),
        (r(15, 1000), Unit::Inch, "0.015"),
        (r(12_188, 1000), Unit::Inch, "12.188"),
        (r(1, 3), Unit::Inch, "1/3"),
        (r(5207, 10), Unit::Millimetre, "520.7"),
    ];
    for (value, unit, text) in texts {
        assert_eq!(exact_text(&value, unit), text);
    }
}

#[test]
fn read_back_in_the_other_unit() {
    for (typed, unit, other) in [
        ("12 3/16", Unit::Inch, "309.6 mm"),
        ("4.75", Unit::Millimetre, "0.187 in"),
        ("54.5", Unit::Foot, "16.612 m"),
        ("16.612", Unit::Metre, "54.50 ft"),
        ("2750", Unit::Psi, "18.961 MPa"),
        ("1234.567", Unit::Psi, "8.512 MPa"),
        ("18.96", Unit::Megapascal, "2750 psi"),
        ("170", Unit::Bar, "17.000 MPa"),
        ("700", Unit::Fahrenheit, "371 °C"),
        ("-40", Unit::Celsius, "-40 °F"),
    ] {
        let got = other_unit(&m(typed, unit, None));
        println!("{typed} {} -> {got:?}", unit.symbol());
        assert_eq!(got.as_deref(), Some(other));
    }
}

#[test]
fn how_far_two_answers_are_apart() {
    let sixteenth = Some(r(1, 16));
    let same = apart(&m("20 1/2", Unit::Inch, sixteenth), &m("520.7", Unit::Millimetre, Some(r(1, 1)))).expect("two lengths");
    assert_eq!((same.difference.typed.as_str(), same.less_than_one_mark, same.marks), ("0", true, Some(r(0, 1))));
    let half = apart(&m("20 9/16", Unit::Inch, sixteenth), &m("20 19/32", Unit::Inch, None)).expect("two lengths");
    println!("20 9/16 against 20 19/32: {half:?}");
    assert_eq!((half.difference.typed.as_str(), half.less_than_one_mark, half.marks), ("1/32", true, Some(r(1, 2))));
    let one = apart(&m("20 9/16", Unit::Inch, sixteenth), &m("20 5/8", Unit::Inch, sixteenth)).expect("two lengths");
    assert_eq!((one.less_than_one_mark, one.marks), (false, Some(r(1, 1))), "a whole mark is not less than one");
    // 1/16 in is 1.5875 mm: the coarser of 1/16 in and 1 mm.
    let coarser = apart(&m("20", Unit::Inch, sixteenth), &m("509.5", Unit::Millimetre, Some(r(1, 1)))).expect("two lengths");
    assert_eq!((coarser.less_than_one_mark, coarser.marks), (true, Some(r(120, 127))), "1.5 mm of 1.5875 mm");
    let unknown = apart(&m("20", Unit::Inch, None), &m("20 1/64", Unit::Inch, None)).expect("two lengths");
    assert_eq!((unknown.less_than_one_mark, unknown.marks), (false, None), "without a mark nobody can say so");
    // Temperatures: a mark is a difference, so it is scaled and not shifted.
    let heat = apart(&m("100", Unit::Celsius, Some(r(1, 1))), &m("213", Unit::Fahrenheit, Some(r(2, 1)))).expect("two temperatures");
    println!("100 °C against 213 °F: {heat:?}");
    assert_eq!((heat.difference.value, heat.less_than_one_mark), (r(5, 9), true));
    assert_eq!(heat.marks, Some(r(1, 2)));
    assert!(apart(&m("20", Unit::Inch, None), &m("20", Unit::Psi, None)).is_none());
}

#[test]
fn rounding_to_a_mark() {
    use trade::Round::{Down, Nearest, Up};
    let half = r(1, 2);
    // Half a mark goes away from zero on both sides; whole marks stay.
    for (value, how, to) in [
        (r(1, 4), Nearest, r(1, 2)),
        (r(-1, 4), Nearest, r(-1, 2)),
        (r(-3, 4), Nearest, r(-1, 1)),
        (r(-1, 5), Nearest, r(0, 1)),
        (r(1, 5), Up, r(1, 2)),
        (r(-1, 5), Up, r(0, 1)),
        (r(1, 5), Down, r(0, 1)),
        (r(-1, 5), Down, r(-1, 2)),
        (r(3, 2), Up, r(3, 2)),
    ] {
        assert_eq!(value.to_step(half, how), Some(to), "{value:?} {how:?}");
    }
    assert_eq!(half.to_step(r(0, 1), Up), None);
    // 0.1 + 0.2 is 0.30000000000000004 in floating sums: the noise must not cost a whole step.
    let tenth = r(1, 10);
    assert_eq!(Ratio::from_f64(0.1 + 0.2, tenth, Up), Some(r(3, 10)));
    assert_eq!(Ratio::from_f64(0.3 - 1e-17, tenth, Down), Some(r(3, 10)));
    assert_eq!(Ratio::from_f64(0.3001, tenth, Up), Some(r(4, 10)));
    assert_eq!(Ratio::from_f64(0.3999, tenth, Down), Some(r(3, 10)));
    for none in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e18] {
        assert_eq!(Ratio::from_f64(none, tenth, Nearest), None, "{none}");
    }
}
