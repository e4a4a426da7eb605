//! How figures are written for people: fractions as on a tape, decimals, the read-back in the other unit.

use crate::{Measure, Ratio, Round, Unit};
use serde::{Deserialize, Serialize};

/// A fraction as on a tape: `20 9/16`, `3/8`, `-1/16`, `12`. Exact.
pub fn fraction_text(value: &Ratio) -> String {
    let (num, den) = (i128::from(value.num()), i128::from(value.den()));
    let (whole, rest) = (num.abs() / den, num.abs() % den);
    let sign = if num < 0 { "-" } else { "" };
    match (whole, rest) {
        (whole, 0) => format!("{sign}{whole}"),
        (0, rest) => format!("{sign}{rest}/{den}"),
        (whole, rest) => format!("{sign}{whole} {rest}/{den}"),
    }
}

/// Decimal text with exactly `places` places (at most 9), half a place away from zero.
pub fn decimal_text(value: &Ratio, places: u32) -> String {
    let places = places.min(9);
    let scale = 10_i128.pow(places);
    let (num, den) = (i128::from(value.num()), i128::from(value.den()));
    let scaled = (num.abs() * scale * 2 + den) / (den * 2);
    let sign = if num < 0 && scaled > 0 { "-" } else { "" };
    if places == 0 {
        return format!("{sign}{scaled}");
    }
    format!("{sign}{}.{:0width$}", scaled / scale, scaled % scale, width = places as usize)
}

/// Places after the point that write `value` exactly, if six or fewer do.
fn exact_places(value: &Ratio) -> Option<u32> {
    (0..=6_u32).find(|&places| 10_i64.pow(places) % value.den() == 0)
}

/// Exact text in the habit of the unit: inches as a tape fraction down to 1/64, else decimal, else a fraction.
pub fn exact_text(value: &Ratio, unit: Unit) -> String {
    let on_a_tape = matches!(unit, Unit::Inch | Unit::Foot) && value.den() <= 64 && value.den().count_ones() == 1;
    match exact_places(value) {
        Some(places) if !on_a_tape => decimal_text(value, places),
        _ => fraction_text(value),
    }
}

/// The same quantity in the other unit, as a read-back: `12 3/16 in` -> `309.6 mm`. Rounded, so for reading only.
pub fn other_unit(measure: &Measure) -> Option<String> {
    let (unit, places) = match measure.unit {
        Unit::Inch => (Unit::Millimetre, 1),
        Unit::Foot => (Unit::Metre, 3),
        Unit::Millimetre => (Unit::Inch, 3),
        Unit::Metre => (Unit::Foot, 2),
        Unit::Psi | Unit::Bar => (Unit::Megapascal, 3),
        Unit::Megapascal => (Unit::Psi, 0),
        Unit::Celsius => (Unit::Fahrenheit, 0),
        Unit::Fahrenheit => (Unit::Celsius, 0),
    };
    let step = Ratio::new(1, 10_i64.pow(places))?;
    let value = match measure.in_unit(unit) {
        Ok(exact) => exact,
        Err(_) => Ratio::from_f64(measure.f64_in(unit), step, Round::Nearest)?,
    };
    Some(format!("{} {}", decimal_text(&value, places), unit.shown()))
}

/// How far two answers to one question are apart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Apart {
    /// Distance, never negative, in the unit of the first.
    pub difference: Measure,
    /// True where the distance is less than one mark of the coarser instrument; false where no mark is known.
    pub less_than_one_mark: bool,
    /// The distance in marks of the coarser instrument, where a mark is known.
    pub marks: Option<Ratio>,
}

/// How far two measures are apart, exactly. `None` where they measure different things or do not fit.
pub fn apart(a: &Measure, b: &Measure) -> Option<Apart> {
    // A difference of temperatures is scaled but not shifted, so both are brought to the first unit before subtracting.
    let difference = b.in_unit(a.unit).ok()?.sub(a.value)?.abs()?;
    let mark = coarser_mark(a, b);
    let marks = mark.and_then(|mark| difference.div(mark));
    Some(Apart {
        difference: Measure::exact(difference, a.unit),
        less_than_one_mark: marks.is_some_and(|marks| marks < Ratio::whole(1)),
        marks,
    })
}

/// The coarser of the two marks, in the unit of `a`.
fn coarser_mark(a: &Measure, b: &Measure) -> Option<Ratio> {
    let of = |m: &Measure| -> Option<Ratio> {
        let zero = Measure::exact(Ratio::whole(0), m.unit).in_unit(a.unit).ok()?;
        let one = Measure::exact(m.mark.filter(|mark| mark.is_positive())?, m.unit).in_unit(a.unit).ok()?;
        one.sub(zero)
    };
    match (of(a), of(b)) {
        (Some(x), Some(y)) => Some(x.max(y)),
        (x, y) => x.or(y),
    }
}
