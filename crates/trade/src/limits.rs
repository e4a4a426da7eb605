//! What a person is asked again about, or refused, in words. Limits are ours unless said; none of them is a rule of a code.
//!
//! Asked again: the value may be right (`read_twice` on the entry says it was read once more). Refused: it cannot be right.

use crate::show::{apart, other_unit};
use crate::{Dimension, Measure, Ratio, Round, Unit};
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
    /// What is measured, as in "cannot be the gap".
    name: &'static str,
    unit: Unit,
    refuse: (i64, i64),
    /// True where nought itself is refused, though it is the lower end.
    above_zero: bool,
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
        let nought = self.above_zero && value.value == Ratio::whole(0);
        match (outside(self.refuse), outside(self.ask)) {
            (Some(false), _) if nought => self.impossible(value),
            (Some(false), Some(false)) => Plausible::Fine,
            (Some(false), Some(true)) => ask(
                self.code,
                "unusual",
                format!(
                    "{} is unusual for the {}: most lie between {} and {}. Read it once more.",
                    both_units(value),
                    self.name,
                    self.text(self.ask.0, value.unit, Round::Up),
                    self.text(self.ask.1, value.unit, Round::Down)
                ),
            ),
            _ => self.impossible(value),
        }
    }

    fn impossible(&self, value: &Measure) -> Plausible {
        let (low, high) = (self.text(self.refuse.0, value.unit, Round::Up), self.text(self.refuse.1, value.unit, Round::Down));
        let range = if self.above_zero { format!("above zero and not over {high}") } else { format!("between {low} and {high}") };
        let words = format!("{} cannot be the {}: it must be {range}. Nothing was saved; type it again.", both_units(value), self.name);
        refuse(self.code, "impossible", words)
    }

    /// A limit in the unit the person uses, rounded to the inside so that what is named is always taken.
    fn text(&self, n: i64, unit: Unit, how: Round) -> String {
        let Some(bound) = self.bound(n) else { return String::new() };
        let places = match unit {
            Unit::Inch | Unit::Metre => 3,
            Unit::Foot | Unit::Megapascal => 2,
            Unit::Millimetre | Unit::Bar => 1,
            Unit::Psi | Unit::Celsius | Unit::Fahrenheit => 0,
        };
        let step = Ratio::new(1, 10_i64.pow(places)).unwrap_or(Ratio::whole(1));
        match bound.in_unit(unit).ok().and_then(|value| value.to_step(step, how)) {
            Some(value) => Measure::exact(value, unit).shown(),
            None => bound.shown(),
        }
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

const fn limits(
    code: &'static str,
    name: &'static str,
    unit: Unit,
    (refuse, ask): ((i64, i64), (i64, i64)),
    per: i64,
    above_zero: bool,
) -> Limits {
    Limits { code, name, unit, refuse, above_zero, ask, per }
}

/// The part of it that is asked again depends on the specified wall; see [`wall_reading`].
const WALL_READING: Limits = limits("wall-reading", "wall reading", Unit::Millimetre, ((0, 40), (0, 40)), 1, true);
const WALL: Limits = limits("wall", "wall of the tube", Unit::Millimetre, ((5, 400), (20, 150)), 10, false);
const OD: Limits = limits("od", "outside diameter", Unit::Millimetre, ((10, 200), (20, 127)), 1, false);
const GAP: Limits = limits("gap", "gap", Unit::Millimetre, ((0, 60_000), (254, 30_480)), 10, true);
const PIECE: Limits = limits("piece", "length of the piece", Unit::Millimetre, ((0, 60_000), (254, 30_480)), 10, true);
const ROOT: Limits = limits("root", "root opening", Unit::Millimetre, ((0, 127), (8, 64)), 10, false);
const MISALIGNMENT: Limits = limits("misalignment", "misalignment", Unit::Millimetre, ((0, 100), (0, 16)), 10, false);
const SURFACE: Limits = limits("surface", "surface temperature", Unit::Celsius, ((-40, 400), (0, 60)), 1, false);
const WATER: Limits = limits("water", "water temperature", Unit::Fahrenheit, ((32, 300), (70, 120)), 1, false);
const BLOCK: Limits = limits("block", "block step", Unit::Millimetre, ((1, 1_000), (10, 250)), 10, false);
const TEST: Limits = limits("test", "test pressure", Unit::Megapascal, ((0, 100), (0, 100)), 1, true);

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

/// The water of a pressure test: refused when it would be ice, and above 300 °F; asked again outside 70 to 120 °F (21 to 49 °C).
///
/// 70 to 120 °F: 34 Pa. Code 3a.115, as read; other jurisdictions differ (46 CFR 61.05-5: 70 to 160 °F).
pub fn water_temperature(value: &Measure) -> Plausible {
    WATER.judge(value)
}

/// A test pressure beside the design pressure: asked again below it, above 1.5 times, and, in stronger words, above 1.59 times (1.5 and 6 %).
///
/// 1.5 times and the 106 % ceiling: 34 Pa. Code 3a.115, as read. After a tube repair owners choose less; the agreed value stands.
/// Too high a test is never refused: if it happened, it must stand in the record. Refused are only nought and what no pump here reaches.
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
    let words = |text: &str| format!("{} is {times:.3} times the design pressure of {}. {text}", both_units(value), design.shown());
    let over = |limit: f64| times > limit * (1.0 + 1e-9);
    if over(1.59) {
        return ask(
            "test",
            "above-ceiling",
            words(
                "That is over the ceiling of a 1.5 times test and its 6 %. Read the gauge again; if it is true, stop, save it, and tell the supervisor at once.",
            ),
        );
    }
    if over(1.5) {
        return ask("test", "above-1-5", words("The usual ceiling of a test is 1.5 times. Read the gauge once more."));
    }
    if times < 1.0 - 1e-9 {
        return ask(
            "test",
            "below-design",
            words("That is below it. Some owners agree to that after a tube repair. Read the gauge once more."),
        );
    }
    Plausible::Fine
}

/// Minutes a test was held: asked again under 10 (NBIC Part 3 and B31.1, from memory) and over 12 hours; refused over a day.
pub fn test_hold(minutes: u32) -> Plausible {
    match minutes {
        0..10 => ask("hold", "short", format!("{minutes} min is a short hold: usual codes ask for 10 at least. Read the clock once more.")),
        10..=720 => Plausible::Fine,
        721..=1440 => ask("hold", "long", format!("{minutes} min is more than 12 hours. Read it once more.")),
        _ => refuse("hold", "impossible", format!("{minutes} min is longer than a day. Nothing was saved; type the minutes held.")),
    }
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
