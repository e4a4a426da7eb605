//! The gauge's sums against worked figures: block check, velocity, temperature, uncertainty, and the guarded decision.

mod common;

use common::{m, prints_as};
use trade::gauge::{default_uncertainty_mm, gauge_line};
use trade::{BlockStep, GaugeCheck, Unit, WallVerdict, check_gauge, corrected, reading_uncertainty, verdict};

const MM: Unit = Unit::Millimetre;

fn block(steps: &[(&str, &str)]) -> Vec<BlockStep> {
    steps.iter().map(|(nominal, read)| BlockStep { nominal: m(nominal, MM), read: m(read, MM) }).collect()
}

#[test]
fn c34_two_point_check() {
    // Method: common practice; figures worked by hand.
    let steps = block(&[("2.50", "2.47"), ("10.00", "10.06")]);
    let line = gauge_line(&steps).expect("two steps");
    let source = "two-point calibration, worked by hand; method common practice";
    assert!(prints_as("C34 slope", line.slope.to_f64(), "0.9881423", source));
    assert!(prints_as("C34 offset mm", line.offset_mm.to_f64(), "0.0592885", source));
    assert!(prints_as("C34 reading of 6.00", line.apply(&m("6.00", MM)).expect("fits").to_f64(), "5.98814", source));
    assert!(prints_as("C34 velocity", 5920.0 * line.slope.to_f64(), "5849.80", source));
    let got = check_gauge(&steps);
    println!("C34: {:?}, {}", got.value, got.trace.result);
    assert_eq!(got.value, GaugeCheck::Good);
}

#[test]
fn a_gauge_that_is_out_is_told() {
    type Row = (&'static str, &'static [(&'static str, &'static str)], GaugeCheck);
    let rows: &[Row] = &[
        ("exact", &[("2.50", "2.50"), ("10.00", "10.00")], GaugeCheck::Good),
        ("slope 3 % over", &[("1.00", "1.00"), ("3.00", "2.94")], GaugeCheck::Out),
        ("offset over 0.1 mm", &[("2.50", "2.61"), ("10.00", "10.11")], GaugeCheck::Out),
        ("offset 0.1 mm is inside", &[("2.50", "2.60"), ("10.00", "10.10")], GaugeCheck::Good),
        ("a middle step out by 0.11 mm", &[("2.50", "2.50"), ("5.00", "5.11"), ("10.00", "10.00")], GaugeCheck::Out),
        ("5 % too fast on both", &[("5.00", "5.25"), ("10.00", "10.50")], GaugeCheck::Out),
        ("one step", &[("5.00", "5.00")], GaugeCheck::Missing),
        ("one step, and out", &[("5.00", "5.50")], GaugeCheck::Out),
        ("the same step twice", &[("5.00", "5.00"), ("5.00", "5.01")], GaugeCheck::Missing),
        ("no step", &[], GaugeCheck::Missing),
        ("a step of zero", &[("0", "0"), ("5.00", "5.00")], GaugeCheck::Missing),
    ];
    for (what, steps, wanted) in rows {
        let got = check_gauge(&block(steps));
        println!("{what}: {:?}, {}", got.value, got.trace.result);
        assert_eq!(got.value, *wanted, "{what}");
    }
}

#[test]
fn c16_temperature() {
    let got = corrected(&m("6.50", MM), &m("80", Unit::Celsius)).expect("in range");
    println!("C16: 6.50 mm at 80 °C -> {} [formula and k as read in a gauge manual]", got.trace.result);
    assert_eq!(got.value.value, trade::Ratio::new(643_565, 100_000).expect("a fraction"), "exactly");
    assert_eq!(got.value.typed, "6.43", "shown rounded down");
    // -0.0001 per °F is -0.00018 per °C exactly: 176 °F is 80 °C.
    let fahrenheit = corrected(&m("6.50", MM), &m("176", Unit::Fahrenheit)).expect("in range");
    assert_eq!(fahrenheit.value, got.value);
    assert!(got.trace.cautions.iter().any(|c| c.starts_with("beside-only:")));
    for surface in ["301", "-21"] {
        assert!(corrected(&m("6.50", MM), &m(surface, Unit::Celsius)).is_none(), "{surface} °C is outside");
    }
    assert!(corrected(&m("80", Unit::Celsius), &m("6.50", MM)).is_none(), "swapped");
}

#[test]
fn c35_uncertainty() {
    let u = default_uncertainty_mm(6.0);
    assert!(prints_as("C35 U (k = 2) at 6.00 mm", u, "0.09826", "GUM budget, worked by hand; method from memory, parts ours"));
    let got = reading_uncertainty(&m("6.00", MM));
    println!("C35 is shown as {}", got.trace.result);
    assert_eq!(got.value.typed, "0.0983");
    assert!(got.trace.cautions.iter().any(|c| c.starts_with("default-budget:")));
    let inch = reading_uncertainty(&m("0.236", Unit::Inch));
    println!("0.236 in: {}", inch.trace.result);
    assert_eq!(inch.value.unit, Unit::Inch);
    assert!(inch.value.si_f64() >= default_uncertainty_mm(0.236 * 25.4));
}

#[test]
fn what_may_be_said_of_a_reading() {
    let rows = [
        ("6.00", MM, "5.90", MM, WallVerdict::NotBelow),
        ("6.00", MM, "5.9017", MM, WallVerdict::NotBelow),
        ("6.00", MM, "5.9018", MM, WallVerdict::CannotBeCleared),
        ("6.00", MM, "6.00", MM, WallVerdict::CannotBeCleared),
        ("5.99", MM, "6.00", MM, WallVerdict::Below),
        ("0.165", Unit::Inch, "0.165", Unit::Inch, WallVerdict::CannotBeCleared),
        ("0.165", Unit::Inch, "4.191", MM, WallVerdict::CannotBeCleared),
        ("0.165", Unit::Inch, "4.192", MM, WallVerdict::Below),
        ("6.00", Unit::Psi, "1.00", MM, WallVerdict::CannotBeCleared),
        ("6.00", MM, "0", MM, WallVerdict::CannotBeCleared),
        ("0", MM, "4", MM, WallVerdict::Below),
    ];
    for (least, a, required, b, wanted) in rows {
        let got = verdict(&m(least, a), &m(required, b));
        println!("least {least} {a:?}, required {required} {b:?}: {:?}", got.value);
        assert_eq!(got.value, wanted, "{least} against {required}");
    }
}
