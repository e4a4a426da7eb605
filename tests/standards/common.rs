//! What the tables of checks share: a row that prints itself, and measures from text.

use trade::{Measure, Unit};

/// A measure as a person types it.
pub fn m(typed: &str, unit: Unit) -> Measure {
    match Measure::parse(typed, unit, None) {
        Ok(measure) => measure,
        Err(e) => panic!("row is not readable: {e}"),
    }
}

/// Half of the last printed digit: `1.62` -> 0.005.
pub fn half_digit(printed: &str) -> f64 {
    let places = printed.split_once('.').map_or(0, |(_, places)| places.len());
    0.5 * 10_f64.powi(-i32::try_from(places).expect("a printed figure is short"))
}

/// True where `got` prints as the published figure; says so on the way.
pub fn prints_as(case: &str, got: f64, printed: &str, source: &str) -> bool {
    let published: f64 = printed.parse().expect("a published figure is a number");
    let tolerance = half_digit(printed);
    let fits = (got - published).abs() <= tolerance * (1.0 + 1e-9);
    println!("{case}: ours {got:.6}, published {printed} ± {tolerance}, {} [{source}]", if fits { "agrees" } else { "DIFFERS" });
    fits
}
