//! The replacement piece: length to cut, what the welds pull in, and what root opening the piece as cut leaves.
//!
//! Gaps, openings and lengths are exact fractions throughout; only the shrinkage is physics.

use crate::joint::{Joint, shrinkage_long_form, shrinkage_short_form};
use crate::show::{decimal_text, fraction_text, other_unit};
use crate::trace::AID_ONLY;
use crate::{Dimension, Input, Measure, MeasureError, NoNumber, Ratio, Round, Trace, Traced, Unit};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// Clock positions at which the gap is measured, in the order they are shown.
const CLOCKS: [&str; 4] = ["12", "3", "6", "9"];
/// A cap of 1/16 in (1.6 mm) is taken where the height is not known.
const USUAL_CAP_MM: f64 = 1.6;
/// Root openings beyond this are no root opening of a tube joint, mm.
const WIDEST_ROOT_MM: f64 = 12.7;

/// The piece to cut.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CutLength {
    /// Length to cut. `value` is exact; `typed` is the nearest mark of a tape: 1/32 in or 0.5 mm.
    pub length: Measure,
    /// Greatest gap less smallest gap, exact.
    pub spread: Measure,
    /// Out-of-square of the cut ends, exact, first less second: `12-6` and `3-9`. Below zero where the second is wider.
    pub out_of_square: Vec<(String, Measure)>,
}

/// What a root opening is beside the procedure's limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OpeningVerdict {
    /// Inside the limits, ends included.
    Within,
    /// Below the least, or it cannot be compared.
    TooTight,
    /// Above the greatest.
    TooWide,
}

/// Length of the piece: mean of the four gaps less two root openings, exact.
///
/// In the unit of the gaps where they agree, else in that of the 12 o'clock gap (feet become inches, metres millimetres).
/// # Errors
/// [`NoNumber`] when a gap is missing, double or no length, when the root opening is none, or when no length is left.
pub fn cut_length(gaps: &[(String, Measure)], root: &Measure) -> Result<Traced<CutLength>, NoNumber> {
    let unit = tape_unit(&find(gaps, CLOCKS[0])?.unit)?;
    let mut at = [Ratio::whole(0); 4];
    for (slot, clock) in at.iter_mut().zip(CLOCKS) {
        *slot = length(find(gaps, clock)?, unit, "gap")?;
        if !slot.is_positive() {
            return Err(NoNumber::new(
                "gap-not-positive",
                format!("No length: the gap at {clock} o'clock must be above zero. Measure it again."),
            ));
        }
    }
    if let Some((other, _)) = gaps.iter().find(|(clock, _)| !CLOCKS.contains(&clock.as_str())) {
        return Err(NoNumber::new(
            "gap-clock-unknown",
            format!("No length: the gap is measured at 12, 3, 6 and 9 o'clock, and “{other}” is none of these."),
        ));
    }
    let opening = root_opening(root, unit)?;
    let exact = mean(&at).and_then(|mean| mean.sub(opening.mul(Ratio::whole(2))?)).ok_or_else(too_large)?;
    if !exact.is_positive() {
        return Err(NoNumber::new(
            "no-room",
            "No length: two root openings fill the whole gap. Read the gaps and the root opening once more.",
        ));
    }
    let cut = shape(exact, at, unit).ok_or_else(too_large)?;
    let trace = cut_trace(gaps, root, &cut);
    Ok(Traced { value: cut, trace })
}

fn shape(exact: Ratio, at: [Ratio; 4], unit: Unit) -> Option<CutLength> {
    let greatest = at.iter().max()?;
    let least = at.iter().min()?;
    let measure = |value: Ratio| Measure::exact(value, unit);
    Some(CutLength {
        length: to_tape_mark(exact, unit)?,
        spread: measure(greatest.sub(*least)?),
        out_of_square: vec![("12-6".to_owned(), measure(at[0].sub(at[2])?)), ("3-9".to_owned(), measure(at[1].sub(at[3])?))],
    })
}

/// Exact value, shown at the nearest 1/32 in or 0.5 mm.
fn to_tape_mark(exact: Ratio, unit: Unit) -> Option<Measure> {
    let mark = if unit == Unit::Inch { Ratio::new(1, 32)? } else { Ratio::new(1, 2)? };
    let shown = exact.to_step(mark, Round::Nearest)?;
    let typed = if unit == Unit::Inch { fraction_text(&shown) } else { decimal_text(&shown, 1) };
    Some(Measure { typed, value: exact, unit, mark: Some(mark) })
}

fn cut_trace(gaps: &[(String, Measure)], root: &Measure, cut: &CutLength) -> Trace {
    let mut inputs: Vec<Input> = CLOCKS
        .iter()
        .filter_map(|clock| gaps.iter().find(|(c, _)| c == clock))
        .map(|(clock, gap)| Input::of(&format!("G{clock}"), &format!("gap at {clock} o'clock"), gap))
        .collect();
    inputs.push(Input::of("d", "root opening of the procedure, each joint", root));
    Trace {
        rule: "cut.length".to_owned(),
        formula: "L = (G12 + G3 + G6 + G9) / 4 - 2 d".to_owned(),
        inputs,
        result: format!("{}; {}", length_text(&cut.length), squareness(cut)),
        source: "geometry: a piece centred in the gap with the same opening at both joints".to_owned(),
        edition: "worked out here; no code gives it".to_owned(),
        range: "gap measured at 12, 3, 6 and 9 o'clock between finished cut ends; root opening up to 1/2 in (12.7 mm)".to_owned(),
        cautions: cut_cautions(&cut.length),
    }
}

/// `20 3/8 in = 20.3750 in = 517.5 mm`, or `445.0 mm (nearest mark; exact 445.2 mm = 17.528 in)`.
fn length_text(length: &Measure) -> String {
    let exact = Measure::exact(length.value, length.unit);
    let decimal =
        if exact.typed.contains('/') { format!(" = {} {}", decimal_text(&length.value, 4), length.unit.symbol()) } else { String::new() };
    let read_back = other_unit(&exact).map_or_else(String::new, |text| format!(" = {text}"));
    if length.is_as_typed() {
        return format!("{}{decimal}{read_back}", length.shown());
    }
    format!("{} (nearest mark; exact {}{decimal}{read_back})", length.shown(), exact.shown())
}

fn cut_cautions(length: &Measure) -> Vec<String> {
    let mut cautions = vec![
        AID_ONLY.to_owned(),
        "measure-cold: Measure gap and piece at about the same temperature, with the same tape.".to_owned(),
        "shrinkage-not-in: The pull of the two welds is not in this length; it is shown beside as a band.".to_owned(),
        "out-of-square: A mean hides ends that are not square. Look at the differences across before cutting.".to_owned(),
    ];
    let shortest = Measure::exact(Ratio::whole(12), Unit::Inch);
    if length.cmp_quantity(&shortest).is_none_or(Ordering::is_lt) {
        cautions.push(
            "short-piece: Under 12 in (300 mm). Many plants take no shorter piece, some 6 in (150 mm) (common practice, no source). Ask before cutting."
                .to_owned(),
        );
    }
    cautions
}

/// `spread 1/4 in; 12-6: 1/8 in; 3-9: -3/16 in`.
fn squareness(cut: &CutLength) -> String {
    let across = cut.out_of_square.iter().map(|(name, m)| format!("; {name}: {}", m.shown())).collect::<String>();
    format!("spread {}{across}", cut.spread.shown())
}

/// What both welds together pull in, lowest and highest of the named formulas, in the unit of `od`, rounded outwards to 0.005 in or 0.1 mm.
///
/// The formulas differ by two times or more, and none says whether its area holds the cap: so a band, never one figure.
/// # Errors
/// [`NoNumber`] when a figure is no length, not above zero, or the joint is none the formulas can be used for.
pub fn shrinkage_band(
    od: &Measure,
    wall: &Measure,
    root: &Measure,
    land: &Measure,
    bevel_tenths: u32,
) -> Result<Traced<(Measure, Measure)>, NoNumber> {
    let unit = tape_unit(&od.unit)?;
    let joint = joint_of(od, wall, root, land, bevel_tenths)?;
    let bare = Joint { cap: 0.0, ..joint };
    let one_weld = [
        ("S1", "0.2 A/t + 0.05 d, area with the cap", shrinkage_long_form(joint.area(), joint.wall, joint.opening)),
        ("S2", "0.2 A/t + 0.05 d, area without the cap", shrinkage_long_form(bare.area(), joint.wall, joint.opening)),
        ("S3", "0.1 A/t, area with the cap", shrinkage_short_form(joint.area(), joint.wall)),
    ];
    let both = |pick: fn(f64, f64) -> f64, from: f64| 2.0 * one_weld.iter().map(|(_, _, s)| *s).fold(from, pick);
    let low = outward(both(f64::min, f64::INFINITY), unit, Round::Down)?;
    let high = outward(both(f64::max, 0.0), unit, Round::Up)?;
    let mut inputs = vec![
        Input::of("D", "outside diameter", od),
        Input::of("t", "wall", wall),
        Input::of("d", "root opening", root),
        Input::of("f", "land", land),
        Input::new("β", "bevel of each side", format!("{}.{}°", bevel_tenths / 10, bevel_tenths % 10)),
        Input::new("h", "height of the cap, taken as usual", format!("{USUAL_CAP_MM} mm")),
        Input::new("A", "area of the weld, with cap / without", format!("{:.2} / {:.2} mm²", joint.area(), bare.area())),
    ];
    inputs.extend(one_weld.iter().map(|(symbol, name, s)| Input::new(symbol, &format!("one weld: {name}"), format!("{s:.3} mm"))));
    let trace = Trace {
        rule: "cut.shrinkage-band".to_owned(),
        formula: "2 × the lowest and 2 × the highest of S = 0.2 A/t + 0.05 d (with and without the cap) and S = 0.1 A/t; A = d t + (t - f)² tan β + 2/3 w h".to_owned(),
        inputs,
        result: format!("{} to {} for both welds together", low.shown(), high.shown()),
        source: "0.2 A/t + 0.05 d: Blodgett, AWS Welding Handbook form; 0.1 A/t: Lincoln short form".to_owned(),
        edition: "long form from memory; short form as read, edition not stated; cap height ours".to_owned(),
        range: "one-sided butt welds in steel tube; bevel 20 to 45° each side; free to move".to_owned(),
        cautions: vec![
            AID_ONLY.to_owned(),
            "band-not-value: The formulas differ by two times or more. Plan for the band; no figure inside it is more right.".to_owned(),
            "held-ends: A free end moves by this much; a fixed panel is loaded instead.".to_owned(),
        ],
    };
    Ok(Traced { value: (low, high), trace })
}

fn joint_of(od: &Measure, wall: &Measure, root: &Measure, land: &Measure, bevel_tenths: u32) -> Result<Joint, NoNumber> {
    let mm = |m: &Measure, what: &str| length(m, Unit::Millimetre, what).map(Ratio::to_f64);
    let joint = Joint {
        od: mm(od, "outside diameter")?,
        wall: mm(wall, "wall")?,
        bevel: f64::from(bevel_tenths) / 10.0,
        land: mm(land, "land")?,
        opening: mm(root, "root opening")?,
        cap: USUAL_CAP_MM,
    };
    let no = |code: &str, words: &str| Err(NoNumber::new(code, words));
    if joint.wall <= 0.0 || joint.wall * 2.0 >= joint.od {
        return no("wall-outside", "No shrinkage: the wall must be above zero and less than half the outside diameter.");
    }
    if joint.opening <= 0.0 || joint.opening > WIDEST_ROOT_MM {
        return no("root-outside", "No shrinkage: the root opening must be above zero and not over 1/2 in (12.7 mm).");
    }
    if joint.land < 0.0 || joint.land >= joint.wall {
        return no("land-outside", "No shrinkage: the land must be zero or more and less than the wall.");
    }
    if !(20.0..=45.0).contains(&joint.bevel) {
        return no("bevel-outside", "No shrinkage: the bevel of each side must be between 20° and 45°.");
    }
    Ok(joint)
}

fn outward(mm: f64, unit: Unit, how: Round) -> Result<Measure, NoNumber> {
    let (figure, step, places) = if unit == Unit::Inch { (mm / 25.4, Ratio::new(1, 200), 3) } else { (mm, Ratio::new(1, 10), 1) };
    let value = step.and_then(|step| Ratio::from_f64(figure, step, how)).ok_or_else(too_large)?;
    Ok(Measure { typed: decimal_text(&value, places), value, unit, mark: step })
}

/// Root opening left at each clock position with the piece centred: `(gap - piece) / 2`, exact, in the gap's unit.
///
/// Below zero where the piece is longer than the gap; the trace says so.
/// # Errors
/// [`NoNumber`] when no gap is given, or a figure is no length or not above zero.
pub fn openings(gaps: &[(String, Measure)], piece: &Measure) -> Result<Traced<Vec<(String, Measure)>>, NoNumber> {
    if gaps.is_empty() {
        return Err(NoNumber::new("gap-missing", "No opening: no gap is recorded yet. Measure it at 12, 3, 6 and 9 o'clock."));
    }
    let mut left = Vec::with_capacity(gaps.len());
    for (clock, gap) in gaps {
        let piece = length(piece, gap.unit, "length of the piece")?;
        if !piece.is_positive() || !length(gap, gap.unit, "gap")?.is_positive() {
            return Err(NoNumber::new("not-positive", format!("No opening: the gap at {clock} o'clock and the piece must be above zero.")));
        }
        let opening = gap.value.sub(piece).and_then(|both| both.div(Ratio::whole(2))).ok_or_else(too_large)?;
        left.push((clock.clone(), Measure::exact(opening, gap.unit)));
    }
    let mut cautions = vec![
        AID_ONLY.to_owned(),
        "piece-centred: The piece is taken as centred. Moved up or down, one joint closes by what the other opens.".to_owned(),
    ];
    if left.iter().any(|(_, opening)| opening.value.num() < 0) {
        cautions.push("piece-too-long: The piece is longer than the gap. It does not go in; do not force the panel.".to_owned());
    }
    let mut inputs: Vec<Input> =
        gaps.iter().map(|(clock, gap)| Input::of(&format!("G{clock}"), &format!("gap at {clock} o'clock"), gap)).collect();
    inputs.push(Input::of("L", "piece as cut", piece));
    let result = left.iter().map(|(clock, m)| format!("{clock}: {}", m.shown())).collect::<Vec<_>>().join("; ");
    let trace = Trace {
        rule: "cut.openings".to_owned(),
        formula: "d = (G - L) / 2 at each clock position".to_owned(),
        inputs,
        result,
        source: "geometry: a piece centred in the gap".to_owned(),
        edition: "worked out here; no code gives it".to_owned(),
        range: "square ends on the piece; piece centred".to_owned(),
        cautions,
    };
    Ok(Traced { value: left, trace })
}

/// A root opening beside the procedure's least and greatest, ends included. What cannot be compared is never within.
pub fn opening_verdict(opening: &Measure, min: &Measure, max: &Measure) -> OpeningVerdict {
    match (opening.cmp_quantity(min), opening.cmp_quantity(max)) {
        (_, Some(Ordering::Greater)) => OpeningVerdict::TooWide,
        (Some(Ordering::Equal | Ordering::Greater), Some(_)) => OpeningVerdict::Within,
        _ => OpeningVerdict::TooTight,
    }
}

/// Whether two counts from both ends meet on one tube: `first + second = tubes + 1`, both inside the section.
pub fn same_tube_count(first: u32, second: u32, tubes: u32) -> bool {
    let inside = |n: u32| (1..=tubes).contains(&n);
    inside(first) && inside(second) && u64::from(first) + u64::from(second) == u64::from(tubes) + 1
}

fn too_large() -> NoNumber {
    NoNumber::new("too-large", "No number: a figure is too large to be worked out exactly. Read the inputs once more.")
}

fn find<'a>(gaps: &'a [(String, Measure)], clock: &str) -> Result<&'a Measure, NoNumber> {
    let mut found = gaps.iter().filter(|(c, _)| c == clock).map(|(_, gap)| gap);
    match (found.next(), found.next()) {
        (Some(gap), None) => Ok(gap),
        (Some(_), Some(_)) => Err(NoNumber::new(
            "gap-twice",
            format!("No length: there are two figures for the gap at {clock} o'clock. Settle which stands, then the length is worked out."),
        )),
        _ => Err(NoNumber::new("gap-missing", format!("No length yet: the gap at {clock} o'clock is missing. All four are needed."))),
    }
}

/// Pieces are cut in inches or millimetres.
fn tape_unit(unit: &Unit) -> Result<Unit, NoNumber> {
    match unit {
        Unit::Inch | Unit::Foot => Ok(Unit::Inch),
        Unit::Millimetre | Unit::Metre => Ok(Unit::Millimetre),
        other => Err(NoNumber::new("wrong-unit", format!("No number: {} is not a unit of length.", other.symbol()))),
    }
}

fn length(m: &Measure, unit: Unit, what: &str) -> Result<Ratio, NoNumber> {
    m.expect_dimension(Dimension::Length).and_then(|()| m.in_unit(unit)).map_err(|e| match e {
        MeasureError::Overflow => too_large(),
        other => NoNumber::new("wrong-unit", format!("No number: the {what} has the wrong unit; {other}.")),
    })
}

fn root_opening(root: &Measure, unit: Unit) -> Result<Ratio, NoNumber> {
    let opening = length(root, unit, "root opening")?;
    if !opening.is_positive() || root.si_f64() > WIDEST_ROOT_MM {
        return Err(NoNumber::new(
            "root-outside",
            format!(
                "No length: a root opening of {} is none. It must be above zero and not over 1/2 in (12.7 mm); take it from the procedure.",
                root.shown()
            ),
        ));
    }
    Ok(opening)
}

fn mean(at: &[Ratio; 4]) -> Option<Ratio> {
    at.iter().try_fold(Ratio::whole(0), |sum, gap| sum.add(*gap))?.div(Ratio::whole(4))
}
