//! Required wall and allowable pressure of a tube: ASME BPVC Section I, PG-27.2.1.

use crate::trace::AID_ONLY;
use crate::{Dimension, Input, Measure, NoNumber, Ratio, Round, Trace, Traced, Unit};
use serde::{Deserialize, Serialize};

const SOURCE: &str = "ASME BPVC Section I, PG-27.2.1 (e: PG-27.4)";
const EDITION: &str = "formula, scope and e as read in public copies, edition not stated there; PG-27.4 floor of 700 °F and the \
half-inside-radius limit from memory. Confirm against the licensed copy of the code of record.";
const RANGE: &str =
    "outside diameter up to 5 in (125 mm); wall up to half the inside radius; seamless tube (w = 1, E = 1); internal pressure";
const WALL_FORMULA: &str = "t = P D / (2 S + P) + 0.005 D + e";
const PRESSURE_FORMULA: &str = "P = S (2 t - 0.01 D - 2 e) / (D - (t - 0.005 D - e))";

/// What the required wall of a tube is worked out from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WallInputs {
    /// Outside diameter `D`.
    pub od: Measure,
    /// Maximum allowable working pressure `P`, gauge.
    pub pressure: Measure,
    /// Allowable stress `S` at the metal temperature.
    pub allowable: Measure,
    /// Where the allowable stress comes from, with its edition.
    pub allowable_source: String,
    /// Design metal temperature, at which `allowable` holds.
    pub metal_temperature: Measure,
    /// True where the tube end is expanded, not strength-welded.
    pub expanded: bool,
}

/// PG-27.2.1 wall, unrounded, in the unit of `od` and `e`; `pressure` and `allowable` in one unit.
pub fn tube_wall(od: f64, pressure: f64, allowable: f64, e: f64) -> f64 {
    pressure * od / (2.0 * allowable + pressure) + 0.005 * od + e
}

/// PG-27.2.1 pressure, unrounded, in the unit of `allowable`; `od`, `wall` and `e` in one unit.
pub fn tube_pressure(od: f64, wall: f64, allowable: f64, e: f64) -> f64 {
    let x = wall - 0.005 * od - e;
    2.0 * allowable * x / (od - x)
}

/// Required wall by PG-27.2.1, in the unit of `od` (inch or millimetre), rounded up to 0.001 in or 0.01 mm.
///
/// # Errors
/// [`NoNumber`] when an input is missing, of the wrong kind or outside the range of the rule.
pub fn minimum_wall(i: &WallInputs) -> Result<Traced<Measure>, NoNumber> {
    let unit = length_unit(&i.od)?;
    let od = outside_diameter(&i.od, unit)?;
    let (pressure, allowable) = pressure_and_stress(&i.pressure, &i.allowable)?;
    if i.allowable_source.trim().is_empty() {
        return Err(NoNumber::new(
            "allowable-source-missing",
            "No required wall: it is not said where the allowable stress comes from. Enter the table and its edition.",
        ));
    }
    let e = seat_allowance(unit, i.expanded);
    let exact = tube_wall(od, pressure, allowable, e);
    let step = wall_step(unit);
    let value = Ratio::from_f64(exact, step, Round::Up).ok_or_else(too_large)?;
    within_thick_limit(value, i.od.in_unit(unit).map_err(|_| too_large())?)?;
    let wall = Measure { typed: crate::show::decimal_text(&value, places(unit)), value, unit, mark: Some(step) };
    let trace = Trace {
        rule: "wall.pg-27.2.1".to_owned(),
        formula: WALL_FORMULA.to_owned(),
        inputs: vec![
            Input::of("P", "maximum allowable working pressure, gauge", &i.pressure),
            Input::of("D", "outside diameter", &i.od),
            Input::new("S", "allowable stress at the metal temperature", format!("{} ({})", i.allowable.shown(), i.allowable_source)),
            Input::of("T", "design metal temperature, at which S holds", &i.metal_temperature),
            seat_input(unit, i.expanded),
        ],
        result: format!("{} ({exact:.5} {}, rounded up)", wall.shown(), unit.symbol()),
        source: SOURCE.to_owned(),
        edition: EDITION.to_owned(),
        range: RANGE.to_owned(),
        cautions: wall_cautions(i)?,
    };
    Ok(Traced { value: wall, trace })
}

/// Pressure a tube of wall `wall` may carry by PG-27.2.1, in the unit of `allowable`, rounded down to 1 psi, 0.01 MPa or 0.1 bar.
///
/// # Errors
/// [`NoNumber`] when an input is of the wrong kind, outside the range of the rule, or leaves no wall for pressure.
pub fn allowable_pressure(od: &Measure, wall: &Measure, allowable: &Measure, expanded: bool) -> Result<Traced<Measure>, NoNumber> {
    let unit = length_unit(od)?;
    let diameter = outside_diameter(od, unit)?;
    expect(wall, Dimension::Length, "wall")?;
    let (_, stress) = pressure_and_stress(allowable, allowable)?;
    let wall_exact = wall.in_unit(unit).map_err(|_| too_large())?;
    within_thick_limit(wall_exact, od.in_unit(unit).map_err(|_| too_large())?)?;
    let exact = tube_pressure(diameter, wall_exact.to_f64(), stress, seat_allowance(unit, expanded));
    if !exact.is_finite() || exact <= 0.0 {
        return Err(NoNumber::new(
            "no-wall-for-pressure",
            format!("No pressure: a wall of {} leaves nothing to carry pressure after 0.005 D and e are taken off.", wall.shown()),
        ));
    }
    let (step, places) = match allowable.unit {
        Unit::Megapascal => (Ratio::new(1, 100), 2),
        Unit::Bar => (Ratio::new(1, 10), 1),
        _ => (Some(Ratio::whole(1)), 0),
    };
    let value = step.and_then(|step| Ratio::from_f64(exact, step, Round::Down)).ok_or_else(too_large)?;
    let pressure = Measure { typed: crate::show::decimal_text(&value, places), value, unit: allowable.unit, mark: step };
    let trace = Trace {
        rule: "pressure.pg-27.2.1".to_owned(),
        formula: PRESSURE_FORMULA.to_owned(),
        inputs: vec![
            Input::of("D", "outside diameter", od),
            Input::of("t", "wall", wall),
            Input::of("S", "allowable stress at the metal temperature", allowable),
            seat_input(unit, expanded),
        ],
        result: format!("{} ({exact:.4} {}, rounded down)", pressure.shown(), allowable.unit.symbol()),
        source: SOURCE.to_owned(),
        edition: EDITION.to_owned(),
        range: RANGE.to_owned(),
        cautions: with_seat_caution(expanded),
    };
    Ok(Traced { value: pressure, trace })
}

fn too_large() -> NoNumber {
    NoNumber::new("too-large", "No number: a figure is too large to be worked out exactly. Read the inputs once more.")
}

fn expect(m: &Measure, wanted: Dimension, what: &str) -> Result<(), NoNumber> {
    m.expect_dimension(wanted).map_err(|e| NoNumber::new("wrong-unit", format!("No number: the {what} has the wrong unit; {e}.")))
}

/// Results are in inches or millimetres; feet and metres are brought to those.
fn length_unit(od: &Measure) -> Result<Unit, NoNumber> {
    expect(od, Dimension::Length, "outside diameter")?;
    Ok(if matches!(od.unit, Unit::Inch | Unit::Foot) { Unit::Inch } else { Unit::Millimetre })
}

/// The scope limit as each unit system of the code prints it: 5 in, and 125 mm (not 127).
fn outside_diameter(od: &Measure, unit: Unit) -> Result<f64, NoNumber> {
    let exact = od.in_unit(unit).map_err(|_| too_large())?;
    if !exact.is_positive() {
        return Err(NoNumber::new("od-not-positive", "No number: the outside diameter must be above zero."));
    }
    let limit = if unit == Unit::Inch { 5 } else { 125 };
    if exact > Ratio::whole(limit) {
        return Err(NoNumber::new(
            "od-too-large",
            format!(
                "No number: PG-27.2.1 holds for tubes up to 5 in (125 mm) outside diameter, and this is {}. PG-27.2.2 applies: ask the owner's engineer.",
                od.shown()
            ),
        ));
    }
    Ok(exact.to_f64())
}

/// Both in one unit: that of the stress where both are typed in it, else MPa.
fn pressure_and_stress(pressure: &Measure, allowable: &Measure) -> Result<(f64, f64), NoNumber> {
    expect(pressure, Dimension::Pressure, "pressure")?;
    expect(allowable, Dimension::Pressure, "allowable stress")?;
    if !allowable.value.is_positive() {
        return Err(NoNumber::new(
            "allowable-unknown",
            "No number: the allowable stress must be above zero. Take it from the table of the code of record at the metal temperature.",
        ));
    }
    if !pressure.value.is_positive() {
        return Err(NoNumber::new("pressure-not-positive", "No number: the pressure must be above zero (gauge)."));
    }
    Ok((pressure.f64_in(allowable.unit), allowable.value.to_f64()))
}

/// `e` of PG-27.4: 0.04 in (1.0 mm) for an expanded end, 0 for a strength-welded one.
fn seat_allowance(unit: Unit, expanded: bool) -> f64 {
    match (expanded, unit) {
        (false, _) => 0.0,
        (true, Unit::Inch) => 0.04,
        // 0.04 in exactly, a hair over the 1.0 mm printed beside it: the same tube asks for the same wall in both units.
        (true, _) => 1.016,
    }
}

fn seat_input(unit: Unit, expanded: bool) -> Input {
    let name = if expanded { "allowance for an expanded end" } else { "no allowance: the end is strength-welded" };
    Input::new("e", name, format!("{} {}", seat_allowance(unit, expanded), unit.symbol()))
}

/// `t <= R / 2` with `R = D / 2 - t` is `t <= D / 6`.
fn within_thick_limit(wall: Ratio, od: Ratio) -> Result<(), NoNumber> {
    if !wall.is_positive() {
        return Err(NoNumber::new("wall-not-positive", "No number: the wall must be above zero."));
    }
    let six_walls = wall.mul(Ratio::whole(6)).ok_or_else(too_large)?;
    if six_walls > od {
        return Err(NoNumber::new(
            "wall-too-thick",
            "No number: the wall is more than half the inside radius, outside PG-27.2.1. The appendix for thick walls applies: ask the owner's engineer.",
        ));
    }
    Ok(())
}

fn wall_step(unit: Unit) -> Ratio {
    let den = if unit == Unit::Inch { 1_000 } else { 100 };
    Ratio::new(1, den).unwrap_or(Ratio::whole(1))
}

const fn places(unit: Unit) -> u32 {
    if matches!(unit, Unit::Inch) { 3 } else { 2 }
}

fn with_seat_caution(expanded: bool) -> Vec<String> {
    let mut cautions = vec![AID_ONLY.to_owned()];
    if expanded {
        cautions.push(
            "expanded-end: e = 0.04 in is taken for an expanded end. The code waives it for end walls above a table by size; that table is not applied here."
                .to_owned(),
        );
    }
    cautions
}

fn wall_cautions(i: &WallInputs) -> Result<Vec<String>, NoNumber> {
    expect(&i.metal_temperature, Dimension::Temperature, "metal temperature")?;
    let mut cautions = with_seat_caution(i.expanded);
    let floor = Measure::exact(Ratio::whole(700), Unit::Fahrenheit);
    if i.metal_temperature.cmp_quantity(&floor).is_none_or(std::cmp::Ordering::is_lt) {
        cautions.push(
            "metal-below-700f: The metal temperature is under 700 °F (371 °C). For tubes that absorb heat PG-27.4 takes no less (from memory). Ask the owner's engineer."
                .to_owned(),
        );
    }
    cautions.push(
        "owners-limit: Many owners replace water-cooled tubes at 70 % of the ordered wall and steam-cooled ones at 85 % (common practice, from memory). Where that is more than this figure, it goes before."
            .to_owned(),
    );
    cautions.push("no-corrosion-allowance: Nothing is added for loss until the next outage; an allowance is the owner's.".to_owned());
    Ok(cautions)
}
