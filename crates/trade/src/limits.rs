//! What a person is asked again about, or refused, in words. Limits are ours unless said; none of them is a rule of a code.
//!
//! Asked again: the value may be right (`read_twice` on the entry says it was read once more). Refused: it cannot be right.

use crate::show::{apart, other_unit};
use crate::{Dimension, Measure, Ratio, Unit};
use std::cmp::Ordering;

/// Whether a figure is taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Plausible {
    /// Taken.
    Fine,
    /// Taken after the person has read it once more: code (starts with `ask-`) and words.
    Ask(String, String),
    /// Not taken: code and words.
    Refuse(String, String),
}

/// Limits of one field: outside the outer pair refused, outside the inner pair asked again. Ends belong to the inside.
struct Limits {
    /// Last part of the codes, e.g. `gap`.
    code: &'static str,
    /// What is measured, as in "a gap of 12 in".
    name: &'static str,
    unit: Unit,
    refuse: (i64, i64),
    ask: (i64, i64),
    /// Denominator of the four figures.
    per: i64,
}

impl Limits {
    fn bound(&self, n: i64) -> Option<Measure> {
        Some(Measure::exact(Ratio::new(n, self.per)?, self.unit))
    }

    fn judge(&self, value: &Measure) -> Plausible {
        if let Err(e) = value.expect_dimension(self.unit.dimension()) {
            return refuse(self.code, "unit", format!("The {} was not taken: {e}. Choose the unit and type it again.", self.name));
        }
        let outside = |pair: (i64, i64)| -> Option<bool> {
            let low = value.cmp_quantity(&self.bound(pair.0)?)?;
            let high = value.cmp_quantity(&self.bound(pair.1)?)?;
            Some(low == Ordering::Less || high == Ordering::Greater)
        };
        match (outside(self.refuse), outside(self.ask)) {
            (Some(false), Some(false)) => Plausible::Fine,
            (Some(false), Some(true)) => {
                ask(self.code, "unusual", format!("{} is unusual for the {}. Read it once more.", both_units(value), self.name))
            }
            _ => refuse(
                self.code,
                "impossible",
                format!(
                    "{} cannot be the {}: it must lie within {}. Nothing was saved; type it again.",
                    both_units(value),
                    self.name,
                    self.range(value.unit)
                ),
            ),
        }
    }

    /// The outer pair in the unit the person uses.
    fn range(&self, unit: Unit) -> String {
        let text = |n: i64| -> String {
            let Some(bound) = self.bound(n) else {
                return String::new();
            };
            let typed = bound.in_unit(unit).map(|value| Measure { typed: crate::show::short_text(&value, unit), value, unit, mark: None });
            typed.unwrap_or(bound).shown()
        };
        format!("{} and {}", text(self.refuse.0), text(self.refuse.1))
    }
}

fn ask(field: &str, why: &str, words: String) -> Plausible {
    Plausible::Ask(format!("ask-{field}-{why}"), words)
}

fn refuse(field: &str, why: &str, words: String) -> Plausible {
    Plausible::Refuse(format!("{field}-{why}"), words)
}

/// `12 3/16 in (309.6 mm)`: the read-back shows a wrong unit at once.
fn both_units(value: &Measure) -> String {
    other_unit(value).map_or_else(|| value.shown(), |other| format!("{} ({other})", value.shown()))
}

/// `value` as a share of `whole`, both the same kind.
fn share(value: &Measure, whole: &Measure) -> Option<Ratio> {
    value.in_unit(whole.unit).ok()?.div(whole.value)
}

/// A wall reading: refused at zero or below and above 40 mm; asked again outside 20 % to 150 % of the specified wall.
pub fn wall_reading(value: &Measure, specified: &Measure) -> Plausible {
    let outer = WALL_READING.judge(value);
    if outer != Plausible::Fine {
        return outer;
    }
    let unusual = |words: String| ask("wall-reading", "unusual", words);
    match share(value, specified) {
        Some(part) if part < ratio(20, 100) => unusual(format!(
            "{} is under a fifth of the specified {}. Grind the spot, read it once more.",
            both_units(value),
            specified.shown()
        )),
        Some(part) if part > ratio(150, 100) => unusual(format!(
            "{} is more than one and a half times the specified {}. A rough or hot surface, or an echo counted twice, reads too thick. Read it once more.",
            both_units(value),
            specified.shown()
        )),
        Some(_) => Plausible::Fine,
        None => unusual(format!("{} cannot be compared with the specified wall. Read it once more.", both_units(value))),
    }
}

fn ratio(n: i64, d: i64) -> Ratio {
    Ratio::new(n, d).unwrap_or(Ratio::whole(0))
}

const WALL_READING: Limits =
    Limits { code: "wall-reading", name: "wall reading", unit: Unit::Millimetre, refuse: (1, 4_000), ask: (1, 4_000), per: 100 };
const WALL: Limits = Limits { code: "wall", name: "wall of the tube", unit: Unit::Millimetre, refuse: (5, 400), ask: (20, 150), per: 10 };
const OD: Limits = Limits { code: "od", name: "outside diameter", unit: Unit::Millimetre, refuse: (10, 200), ask: (20, 127), per: 1 };
const GAP: Limits = Limits { code: "gap", name: "gap", unit: Unit::Millimetre, refuse: (1, 60_000), ask: (254, 30_480), per: 10 };
const PIECE: Limits =
    Limits { code: "piece", name: "length of the piece", unit: Unit::Millimetre, refuse: (1, 60_000), ask: (254, 30_480), per: 10 };
const ROOT: Limits = Limits { code: "root", name: "root opening", unit: Unit::Millimetre, refuse: (0, 127), ask: (8, 64), per: 10 };
const MISALIGNMENT: Limits =
    Limits { code: "misalignment", name: "misalignment", unit: Unit::Millimetre, refuse: (0, 100), ask: (0, 16), per: 10 };
const SURFACE: Limits =
    Limits { code: "surface", name: "surface temperature", unit: Unit::Celsius, refuse: (-40, 400), ask: (0, 60), per: 1 };
const WATER: Limits =
    Limits { code: "water", name: "water temperature", unit: Unit::Fahrenheit, refuse: (32, 212), ask: (70, 120), per: 1 };
const BLOCK: Limits = Limits { code: "block", name: "block step", unit: Unit::Millimetre, refuse: (1, 1_000), ask: (10, 250), per: 10 };
const TEST: Limits =
    Limits { code: "test", name: "test pressure", unit: Unit::Megapascal, refuse: (1, 10_000), ask: (10, 6_000), per: 100 };

/// A gap: refused at zero or below and over 6 m; asked again under 1 in and over 10 ft.
pub fn gap_value(value: &Measure) -> Plausible {
    GAP.judge(value)
}

/// A piece as cut: the same limits as a gap; asked again when it is not shorter than the smallest gap.
pub fn piece_value(value: &Measure, gaps: &[(String, Measure)]) -> Plausible {
    let alone = PIECE.judge(value);
    if alone != Plausible::Fine {
        return alone;
    }
    let too_long = gaps.iter().find(|(_, gap)| value.cmp_quantity(gap).is_some_and(Ordering::is_ge));
    match too_long {
        Some((clock, gap)) => ask(
            "piece",
            "too-long",
            format!(
                "A piece of {} does not go into the gap of {} at {clock} o'clock. Measure both once more.",
                both_units(value),
                gap.shown()
            ),
        ),
        None => Plausible::Fine,
    }
}

/// The gaps of one piece together: asked again where they differ by more than 1/4 in (6.35 mm).
pub fn gap_set(gaps: &[(String, Measure)]) -> Plausible {
    let limit = Measure::exact(ratio(1, 4), Unit::Inch);
    for (n, (clock, gap)) in gaps.iter().enumerate() {
        for (other_clock, other) in gaps.iter().skip(n + 1) {
            let Some(apart) = apart(gap, other) else {
                return refuse(
                    "gap",
                    "unit",
                    format!("The gaps at {clock} and {other_clock} o'clock cannot be compared: one of them is no length."),
                );
            };
            if apart.difference.cmp_quantity(&limit) != Some(Ordering::Less) && !apart.difference.same_quantity(&limit) {
                return ask(
                    "gap",
                    "spread",
                    format!(
                        "The gaps at {clock} and {other_clock} o'clock differ by {}: the ends are far from square, or one was misread. Measure both once more.",
                        both_units(&apart.difference)
                    ),
                );
            }
        }
    }
    Plausible::Fine
}

/// An elevation: refused outside the section, with its range.
pub fn elevation(value: &Measure, low: &Measure, high: &Measure) -> Plausible {
    if let Err(e) = value.expect_dimension(Dimension::Length) {
        return refuse("elevation", "unit", format!("The elevation was not taken: {e}. Choose the unit and type it again."));
    }
    match (value.cmp_quantity(low), value.cmp_quantity(high)) {
        (Some(Ordering::Equal | Ordering::Greater), Some(Ordering::Equal | Ordering::Less)) => Plausible::Fine,
        _ => refuse(
            "elevation",
            "outside-section",
            format!(
                "An elevation of {} is not in this section: it goes from {} to {}. Nothing was saved; read the elevation or choose the section again.",
                both_units(value),
                low.shown(),
                high.shown()
            ),
        ),
    }
}

/// A surface temperature at the gauge: refused outside -40 to 400 °C; asked again outside 0 to 60 °C, where the reading needs thought.
pub fn temperature_surface(value: &Measure) -> Plausible {
    SURFACE.judge(value)
}

/// The water of a pressure test: refused when it would be ice or steam; asked again outside 70 to 120 °F (21 to 49 °C).
///
/// 70 to 120 °F: 34 Pa. Code 3a.115, as read; other jurisdictions differ (46 CFR 61.05-5: 70 to 160 °F).
pub fn water_temperature(value: &Measure) -> Plausible {
    WATER.judge(value)
}

/// A test pressure beside the design pressure: refused above 1.59 times it (a 1.5 test and its 6 %); asked again below it and above 1.5 times.
///
/// 1.5 times and the 106 % ceiling: 34 Pa. Code 3a.115, as read. After a tube repair owners choose less; the agreed value stands.
pub fn pressure_test(value: &Measure, design: &Measure) -> Plausible {
    let alone = TEST.judge(value);
    if alone != Plausible::Fine {
        return alone;
    }
    // Floating on purpose: psi against MPa does not always fit exactly, and a test gauge is far coarser than the noise.
    let times = value.f64_in(Unit::Megapascal) / design.f64_in(Unit::Megapascal);
    if !times.is_finite() || times <= 0.0 {
        return ask(
            "test",
            "no-design",
            format!("{} cannot be compared with the design pressure. Read the gauge once more.", both_units(value)),
        );
    }
    let noise = 1e-9;
    let words = |text: &str| format!("{} is {times:.2} times the design pressure of {}. {text}", both_units(value), design.shown());
    if times > 1.59 + noise {
        return refuse(
            "test",
            "above-ceiling",
            words(
                "No test goes there: 1.5 times and 6 % over is the ceiling. Read the gauge again; if it is true, tell the supervisor at once.",
            ),
        );
    }
    if times > 1.5 + noise {
        return ask("test", "above-1-5", words("The usual ceiling of a test is 1.5 times. Read the gauge once more."));
    }
    if times < 1.0 - noise {
        return ask(
            "test",
            "below-design",
            words("That is below the design pressure. Some owners agree to that after a tube repair. Read the gauge once more."),
        );
    }
    Plausible::Fine
}

/// A root opening: refused below zero and above 1/2 in (12.7 mm); asked again outside 0.8 to 6.4 mm. The procedure's own limits are a verdict, not a plausibility.
pub fn root_opening(value: &Measure) -> Plausible {
    ROOT.judge(value)
}

/// Misalignment of the insides: refused below zero and above 10 mm; asked again above 1.6 mm (1/16 in).
pub fn misalignment(value: &Measure) -> Plausible {
    MISALIGNMENT.judge(value)
}

/// An outside diameter: refused outside 10 to 200 mm; asked again outside 20 to 127 mm (5 in).
pub fn outside_diameter(value: &Measure) -> Plausible {
    OD.judge(value)
}

/// The wall of a tube as bought: refused outside 0.5 to 40 mm and at half the diameter; asked again outside 2 to 15 mm.
pub fn tube_wall(value: &Measure, od: &Measure) -> Plausible {
    let alone = WALL.judge(value);
    match share(value, od) {
        Some(part) if part >= ratio(1, 2) => refuse(
            "wall",
            "over-radius",
            format!("A wall of {} does not go into a tube of {}. Nothing was saved; type it again.", both_units(value), od.shown()),
        ),
        _ => alone,
    }
}

/// A step of the calibration block, or what the gauge reads on it: refused outside 0.1 to 100 mm; asked again outside 1 to 25 mm.
pub fn block_step(value: &Measure) -> Plausible {
    BLOCK.judge(value)
}
