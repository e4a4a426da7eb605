//! The ultrasonic gauge: its check on the block, the temperature of the surface, how well a reading is known, and what may be said of it.

use crate::show::{decimal_text, exact_text};
use crate::trace::AID_ONLY;
use crate::{Dimension, Input, Measure, Ratio, Round, Trace, Traced, Unit};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// One step of the calibration block.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BlockStep {
    /// Thickness of the step.
    pub nominal: Measure,
    /// What the gauge showed.
    pub read: Measure,
}

/// What the block check says of the gauge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GaugeCheck {
    /// Inside the limits.
    Good,
    /// Outside a limit: set the gauge again and repeat the readings since the last good check.
    Out,
    /// Not checked: fewer than two different steps, or a figure that cannot be used.
    Missing,
}

/// The straight line that brings a reading to the block: `true = slope * reading + offset`, exact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GaugeLine {
    /// Slope, no unit.
    pub slope: Ratio,
    /// Offset in millimetres.
    pub offset_mm: Ratio,
}

/// What may be said of a reading beside the required wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WallVerdict {
    /// The reading less its uncertainty is not below the required wall. Not a release.
    NotBelow,
    /// The reading is not below, but it is not known well enough to say so: it cannot be cleared by this reading.
    CannotBeCleared,
    /// The reading is below the required wall.
    Below,
}

/// Largest error of one step, and of the offset, in millimetres: 0.1 (the 0.005 in beside it in practice is looser, so one limit serves both).
const STEP_LIMIT: (i64, i64) = (1, 10);
/// Largest distance of the slope from 1.
const SLOPE_LIMIT: (i64, i64) = (3, 100);
/// Change of reading with temperature, per °C (-0.0001 per °F): a hot wall reads too thick.
const PER_DEGREE: (i64, i64) = (-18, 100_000);
/// Temperature at which the gauge is taken to have been set on its block, °C.
const BLOCK_AT: i64 = 25;

fn ratio(parts: (i64, i64)) -> Ratio {
    Ratio::new(parts.0, parts.1).unwrap_or(Ratio::whole(0))
}

fn mm(m: &Measure) -> Option<Ratio> {
    m.in_unit(Unit::Millimetre).ok()
}

/// The line through the thinnest and the thickest step. `None` without two different steps.
pub fn gauge_line(steps: &[BlockStep]) -> Option<GaugeLine> {
    let mut points = steps.iter().map(|s| Some((mm(&s.nominal)?, mm(&s.read)?))).collect::<Option<Vec<_>>>()?;
    if points.iter().any(|(nominal, read)| !nominal.is_positive() || !read.is_positive()) {
        return None;
    }
    points.sort();
    let (thin, thick) = (points.first()?, points.last()?);
    let run = thick.1.sub(thin.1)?;
    if thick.0 == thin.0 || !run.is_positive() {
        return None;
    }
    let slope = thick.0.sub(thin.0)?.div(run)?;
    Some(GaugeLine { slope, offset_mm: thin.0.sub(slope.mul(thin.1)?)? })
}

impl GaugeLine {
    /// A reading brought to the block, in millimetres. Shown beside, never put in place of the reading.
    pub fn apply(&self, reading: &Measure) -> Option<Ratio> {
        self.slope.mul(mm(reading)?)?.add(self.offset_mm)
    }
}

/// Largest error of any step, millimetres.
fn worst_step(steps: &[BlockStep]) -> Option<Ratio> {
    steps.iter().map(|s| mm(&s.read)?.sub(mm(&s.nominal)?)?.abs()).collect::<Option<Vec<_>>>()?.into_iter().max()
}

/// Judges the gauge by its block: slope and offset of the two outer steps (ours) and the error of every step (common practice).
pub fn check_gauge(steps: &[BlockStep]) -> Traced<GaugeCheck> {
    let (line, worst) = (gauge_line(steps), worst_step(steps));
    let inside = |line: GaugeLine, worst: Ratio| -> Option<bool> {
        Some(
            line.slope.sub(Ratio::whole(1))?.abs()? <= ratio(SLOPE_LIMIT)
                && line.offset_mm.abs()? <= ratio(STEP_LIMIT)
                && worst <= ratio(STEP_LIMIT),
        )
    };
    let two_or_more = line.is_some();
    let value = match (line, worst) {
        (Some(line), Some(worst)) => {
            if inside(line, worst) == Some(true) {
                GaugeCheck::Good
            } else {
                GaugeCheck::Out
            }
        }
        // One step, or steps that cannot make a line, still show a gauge that is out.
        (None, Some(worst)) if worst > ratio(STEP_LIMIT) => GaugeCheck::Out,
        _ => GaugeCheck::Missing,
    };
    let result = match (value, line, worst) {
        (GaugeCheck::Missing, ..) => "not checked: two different steps of the block are needed".to_owned(),
        (_, Some(line), Some(worst)) => format!(
            "slope {}, offset {} mm, worst step off by {} mm",
            decimal_text(&line.slope, 7),
            decimal_text(&line.offset_mm, 7),
            decimal_text(&worst, 3)
        ),
        (_, _, worst) => format!("a step is off by {} mm", worst.map_or_else(|| "?".to_owned(), |w| decimal_text(&w, 3))),
    };
    let mut cautions = vec![AID_ONLY.to_owned()];
    if value == GaugeCheck::Out {
        cautions.push("gauge-out: Set the gauge on the block again and repeat every reading since the last good check.".to_owned());
    }
    if !two_or_more {
        cautions.push("gauge-not-checked: Without two good steps nobody knows how far the readings are off.".to_owned());
    }
    Traced { value, trace: gauge_trace(steps, result, cautions) }
}

fn gauge_trace(steps: &[BlockStep], result: String, cautions: Vec<String>) -> Trace {
    let inputs = steps
        .iter()
        .enumerate()
        .map(|(n, s)| {
            Input::new(
                &format!("b{}", n + 1),
                "block step, and what the gauge read on it",
                format!("{} read {}", s.nominal.shown(), s.read.shown()),
            )
        })
        .collect();
    Trace {
        rule: "gauge.two-point".to_owned(),
        formula: "true = slope × reading + offset, through the thinnest and the thickest step".to_owned(),
        inputs,
        result,
        source: "two-point check: common practice, no source; limits |slope - 1| ≤ 0.03 and |offset| ≤ 0.1 mm: ours; each step within 0.1 mm (0.005 in in inch practice; the tighter is used): common practice, no source".to_owned(),
        edition: "common practice, no source".to_owned(),
        range: "block steps that enclose the wall to be read; block of the same material as the tube".to_owned(),
        cautions,
    }
}

/// A reading corrected for the temperature of the surface, in the reading's unit. Shown beside the reading, never in its place.
///
/// `value` is exact; `typed` is it rounded down to 0.01 mm or 0.001 in.
/// `None` for wrong kinds of measure or a surface outside -20 °C to 300 °C, where the one coefficient is not to be trusted.
pub fn corrected(reading: &Measure, surface: &Measure) -> Option<Traced<Measure>> {
    reading.expect_dimension(Dimension::Length).ok()?;
    let celsius = surface.in_unit(Unit::Celsius).ok()?;
    if !reading.value.is_positive() || celsius < Ratio::whole(-20) || celsius > Ratio::whole(300) {
        return None;
    }
    let factor = Ratio::whole(1).add(ratio(PER_DEGREE).mul(celsius.sub(Ratio::whole(BLOCK_AT))?)?)?;
    let value = reading.value.mul(factor)?;
    let places = if matches!(reading.unit, Unit::Inch | Unit::Foot) { 3 } else { 2 };
    let typed = decimal_text(&value.to_step(Ratio::new(1, 10_i64.pow(places))?, Round::Down)?, places);
    let exact = exact_text(&value, reading.unit);
    let shown = Measure { typed, value, unit: reading.unit, mark: None };
    let trace = Trace {
        rule: "gauge.temperature".to_owned(),
        formula: "t = t_read × (1 + k (T - T0)), k = -0.00018 per °C (-0.0001 per °F), T0 = 25 °C".to_owned(),
        inputs: vec![Input::of("t_read", "wall as the gauge showed it", reading), Input::of("T", "temperature of the surface", surface)],
        result: format!("{} (exact {exact} {}, shown rounded down)", shown.shown(), reading.unit.symbol()),
        source: "coefficient as read in a gauge maker's manual; about 1 % per 55 °C (100 °F) for most steels".to_owned(),
        edition: "manual, edition not stated; T0 = 25 °C is a default of ours: the block's own temperature is not asked".to_owned(),
        range: "most steels; surface -20 to 300 °C".to_owned(),
        cautions: vec![
            AID_ONLY.to_owned(),
            "beside-only: The record keeps the reading as the gauge showed it; this figure stands beside it and never takes its place."
                .to_owned(),
            "hot-reads-thick: A hot wall reads too thick.".to_owned(),
        ],
    };
    Some(Traced { value: shown, trace })
}

/// Standard uncertainties of the default budget for a wall of `t` mm: those that stay and those that grow with the wall.
fn budget(t: f64) -> [(&'static str, &'static str, f64); 6] {
    let root3 = 3.0_f64.sqrt();
    [
        ("u1", "repeatability, s = 0.03 mm over three readings", 0.03 / root3),
        ("u2", "display, 0.01 mm", 0.01 / 12.0_f64.sqrt()),
        ("u3", "block step, ±0.01 mm", 0.01 / root3),
        ("u4", "sound velocity, ±1 % (not set on the same steel)", 0.01 * t / root3),
        ("u5", "surface temperature, ±10 °C", 0.0018 * t / root3),
        ("u6", "coupling and curvature, ±0.05 mm", 0.05 / root3),
    ]
}

/// Expanded uncertainty (k = 2) of one reading by the default budget, millimetres, unrounded.
pub fn default_uncertainty_mm(wall_mm: f64) -> f64 {
    2.0 * budget(wall_mm).iter().map(|(_, _, u)| u * u).sum::<f64>().sqrt()
}

/// How well a reading is known by the default budget: `U` (k = 2), about 0.098 mm at 6 mm, in the reading's unit.
///
/// A default, not this gauge's own figure: nobody has measured it here. Rounded up to 0.0001 mm.
/// A reading that is no length gives 0 in its own unit with the caution `no-budget`; [`verdict`] never clears such a one.
pub fn reading_uncertainty(reading: &Measure) -> Traced<Measure> {
    let known = uncertainty_mm(reading);
    let (shown, mut cautions) = match known.map(|u| (u, in_readings_unit(u, reading.unit))) {
        Some((_, Some(shown))) => (shown, Vec::new()),
        Some((u, None)) => (Measure::exact(u, Unit::Millimetre), Vec::new()),
        None => (
            Measure::exact(Ratio::whole(0), reading.unit),
            vec!["no-budget: This is no wall the default budget can be worked out for. Treat the reading as not known.".to_owned()],
        ),
    };
    cautions.insert(0, AID_ONLY.to_owned());
    cautions.push(
        "default-budget: A default of ours, not measured on this gauge and this tube. A procedure's own figure goes before it.".to_owned(),
    );
    let parts = budget(reading.f64_in(Unit::Millimetre));
    let mut inputs = vec![Input::of("t", "wall as the gauge showed it", reading)];
    if known.is_some() {
        inputs.extend(parts.map(|(symbol, name, u)| Input::new(symbol, name, format!("{u:.5} mm"))));
    }
    let trace = Trace {
        rule: "gauge.uncertainty-default".to_owned(),
        formula: "U = 2 √(u1² + u2² + u3² + u4² + u5² + u6²)".to_owned(),
        inputs,
        result: format!("U (k = 2) = {}", shown.shown()),
        source: "method: GUM; the six parts are ours".to_owned(),
        edition: "method from memory; default budget, ours".to_owned(),
        range: "clean ground spot, twin-crystal probe, wall 1 to 40 mm".to_owned(),
        cautions,
    };
    Traced { value: shown, trace }
}

/// `U` of a reading in millimetres, rounded up; the same for the same wall whatever its unit.
fn uncertainty_mm(reading: &Measure) -> Option<Ratio> {
    let wall = mm(reading).filter(|t| t.is_positive())?;
    Ratio::from_f64(default_uncertainty_mm(wall.to_f64()), Ratio::new(1, 10_000)?, Round::Up)
}

/// Brought to the reading's unit, rounded up: 0.0001 mm, 0.00001 in.
fn in_readings_unit(u: Ratio, unit: Unit) -> Option<Measure> {
    let exact = Measure::exact(u, Unit::Millimetre).in_unit(unit).ok()?;
    let places = if matches!(unit, Unit::Inch | Unit::Foot) { 5 } else { 4 };
    let value = exact.to_step(Ratio::new(1, 10_i64.pow(places))?, Round::Up)?;
    Some(Measure { typed: decimal_text(&value, places), value, unit, mark: None })
}

/// What may be said of the least reading beside the required wall: a reading counts as not below only with its uncertainty taken off.
///
/// Whatever cannot be compared cannot be cleared.
pub fn verdict(least: &Measure, required: &Measure) -> Traced<WallVerdict> {
    let u = uncertainty_mm(least);
    let value = judge(least, required, u).unwrap_or(WallVerdict::CannotBeCleared);
    let words = match value {
        WallVerdict::NotBelow => "not below the required wall by this reading",
        WallVerdict::CannotBeCleared => "cannot be cleared by this reading",
        WallVerdict::Below => "below the required wall",
    };
    let u_text = u.map_or_else(|| "not known".to_owned(), |u| format!("{} mm", decimal_text(&u, 4)));
    let trace = Trace {
        rule: "wall.guard-band".to_owned(),
        formula: "t < t_min: below; t - U < t_min: cannot be cleared by this reading".to_owned(),
        inputs: vec![
            Input::of("t", "least reading", least),
            Input::of("t_min", "required wall", required),
            Input::new("U", "uncertainty of the reading, k = 2, default budget", u_text),
        ],
        result: words.to_owned(),
        source: "decision rule: ours; method: GUM".to_owned(),
        edition: "ours".to_owned(),
        range: "one reading beside one required wall".to_owned(),
        cautions: vec![
            AID_ONLY.to_owned(),
            "not-a-release: Not below is no release. Hydrogen damage and cracks leave the wall thick; the inspector decides.".to_owned(),
        ],
    };
    Traced { value, trace }
}

fn judge(least: &Measure, required: &Measure, u: Option<Ratio>) -> Option<WallVerdict> {
    let (t, t_min) = (mm(least)?, mm(required)?);
    if !t_min.is_positive() {
        return None;
    }
    if t < t_min {
        return Some(WallVerdict::Below);
    }
    let guarded = t.sub(u?)?;
    Some(if guarded.cmp(&t_min) == Ordering::Less { WallVerdict::CannotBeCleared } else { WallVerdict::NotBelow })
}
