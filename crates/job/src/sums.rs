//! The sums of a job, from what stands in it. Where two answers stand, the worse one is used and said.

use crate::kinds::{Failure, GAP_CLOCKS, Gap, Gauge, Piece, Place, Reading, SecondCount};
use crate::plan::{Section, TubeSpec};
use crate::read::{Reader, has_gap};
use crate::say::Say;
use crate::view::{CountSum, CutSum, Sums, WallSum, WallVerdict};
use journal::EntryHash;
use std::collections::BTreeMap;
use trade::{Measure, NoNumber};

/// Signs that a thickness reading can never clear.
const NOT_BY_THICKNESS: [&str; 4] = ["cracking", "inside-deposit", "gouging", "window-blown-out"];

pub(crate) fn sums(r: &Reader<'_>) -> Sums {
    let section = r.section();
    Sums { count: section.and_then(|s| count(r, s)), wall: section.and_then(|s| wall(r, s)), cut: cut(r, section) }
}

fn count(r: &Reader<'_>, section: &Section) -> Option<CountSum> {
    let place: Place = r.value("place")?;
    let second: Option<SecondCount> = r.value("second-count");
    let state = match &second {
        None => "not-counted",
        Some(s) if !trade::cut::same_tube_count(place.tube, s.tube, section.tubes) => "does-not-meet",
        Some(_) if same_person(r) => "same-person",
        Some(_) => "meets",
    };
    Some(CountSum { first: place.tube, second: second.map(|s| s.tube), tubes: section.tubes, state: state.to_owned() })
}

/// The second count is worth something only if another person made it.
fn same_person(r: &Reader<'_>) -> bool {
    let first = r.authors("place");
    r.authors("second-count").iter().any(|b| first.iter().any(|a| a.person == b.person))
}

/// Inputs of the required minimum wall for a tube specification.
pub fn wall_inputs(tube: &TubeSpec) -> trade::wall::WallInputs {
    trade::wall::WallInputs {
        od: tube.od.clone(),
        pressure: tube.design_pressure.clone(),
        allowable: tube.allowable.clone(),
        allowable_source: tube.allowable_source.clone(),
        metal_temperature: tube.metal_temperature.clone(),
        expanded: tube.expanded,
    }
}

fn no_number(n: NoNumber) -> Say {
    Say::new(&n.code, n.words)
}

/// What the gauge check says: `good`, `out` or `missing`.
fn gauge_check(gauge: Option<&Gauge>) -> &'static str {
    let Some(gauge) = gauge else { return "missing" };
    let steps: Vec<_> = gauge.steps.iter().map(|s| trade::gauge::BlockStep { nominal: s.nominal.clone(), read: s.read.clone() }).collect();
    match trade::gauge::check_gauge(&steps).value {
        trade::gauge::GaugeCheck::Good => "good",
        trade::gauge::GaugeCheck::Out => "out",
        trade::gauge::GaugeCheck::Missing => "missing",
    }
}

/// The least standing reading, by the figure that counts: corrected for a hot surface where that makes it thinner.
fn least(r: &Reader<'_>, gauge: Option<&Gauge>) -> Option<(EntryHash, Measure, Measure)> {
    let readings = r.items::<Reading>("readings");
    readings
        .into_iter()
        .map(|(item, reading)| {
            let corrected = gauge
                .and_then(|g| trade::gauge::corrected(&reading.wall, &g.surface))
                .map(|t| t.value)
                .filter(|c| c.base() < reading.wall.base());
            (item.entry, corrected.unwrap_or_else(|| reading.wall.clone()), reading.wall)
        })
        .min_by_key(|(entry, counts, _)| (counts.base(), *entry))
}

fn wall(r: &Reader<'_>, section: &Section) -> Option<WallSum> {
    let (required, trace, missing) = match trade::wall::minimum_wall(&wall_inputs(&section.tube)) {
        Ok(t) => (Some(t.value), Some(t.trace), None),
        Err(n) => (None, None, Some(no_number(n))),
    };
    let gauge: Option<Gauge> = r.value("gauge");
    let check = gauge_check(gauge.as_ref());
    let least = least(r, gauge.as_ref());
    let failure: Option<Failure> = r.value("failure");
    let cannot_clear = failure.is_some_and(|f| f.opening == "crack" || f.signs.iter().any(|s| NOT_BY_THICKNESS.contains(&s.as_str())));
    let verdict = match (&required, &least) {
        // A reading below is below whatever the gauge: the worse is believed. Clearing needs a good gauge and no such signs.
        (Some(required), Some((_, counts, _))) => match trade::gauge::verdict(counts, required).value {
            trade::gauge::WallVerdict::Below => WallVerdict::Below,
            trade::gauge::WallVerdict::CannotBeCleared => WallVerdict::CannotBeCleared,
            trade::gauge::WallVerdict::NotBelow if check != "good" => WallVerdict::NotKnown,
            trade::gauge::WallVerdict::NotBelow if cannot_clear => WallVerdict::CannotBeCleared,
            trade::gauge::WallVerdict::NotBelow => WallVerdict::NotBelow,
        },
        _ => WallVerdict::NotKnown,
    };
    let mut warnings = Vec::new();
    if cannot_clear {
        warnings.push(Say::new("thickness-cannot-clear", "Cracking or inside attack was seen: no thickness reading can clear this tube."));
    }
    if check == "out" {
        warnings.push(Say::new("gauge-out", "The gauge is out on its block: set it again and read all again."));
    }
    if let Some((_, counts, raw)) = &least
        && counts.base() != raw.base()
    {
        let text = crate::say::text(counts);
        warnings.push(
            Say::new("surface-hot", format!("The surface was hot, so the gauge reads too thick: {text} is used.")).with("corrected", text),
        );
    }
    Some(WallSum {
        required,
        trace,
        no_number: missing,
        least_entry: least.as_ref().map(|l| l.0),
        least: least.map(|l| l.2),
        verdict,
        gauge_check: check.to_owned(),
        thickness_cannot_clear: cannot_clear,
        warnings,
    })
}

fn cut(r: &Reader<'_>, section: Option<&Section>) -> Option<CutSum> {
    if !has_gap(r.method().as_deref()) {
        return None;
    }
    let gaps: Vec<(String, Measure)> =
        GAP_CLOCKS.iter().filter_map(|c| Some(((*c).to_owned(), r.value::<Gap>(&format!("gap/{c}"))?.gap))).collect();
    let missing: Vec<String> = GAP_CLOCKS.iter().filter(|c| !gaps.iter().any(|(g, _)| g == *c)).map(|c| (*c).to_owned()).collect();
    let procedure = r.procedure();
    let mut sum = CutSum {
        spread: spread(&gaps),
        missing,
        length: None,
        trace: None,
        no_number: None,
        shrinkage: None,
        shrinkage_trace: None,
        openings: BTreeMap::new(),
        openings_trace: None,
        warnings: gap_warnings(r, &gaps),
        gaps: gaps.iter().cloned().collect(),
    };
    let Some(procedure) = procedure else {
        sum.no_number =
            Some(Say::new("procedure-missing", "No welding procedure is chosen: its root opening is needed for the cut length."));
        return Some(sum);
    };
    match trade::cut::cut_length(&gaps, &procedure.root) {
        Ok(t) => (sum.length, sum.trace) = (Some(t.value.length), Some(t.trace)),
        Err(n) => sum.no_number = Some(no_number(n)),
    }
    if let Some(tube) = section.map(|s| &s.tube)
        && let Ok(t) = trade::cut::shrinkage_band(&tube.od, &tube.wall, &procedure.root, &procedure.land, procedure.bevel_tenths)
    {
        (sum.shrinkage, sum.shrinkage_trace) = (Some(t.value), Some(t.trace));
    }
    if sum.missing.is_empty()
        && let Some(piece) = r.value::<Piece>("piece")
        && let Ok(t) = trade::cut::openings(&gaps, &piece.length)
    {
        sum.warnings.extend(t.value.iter().filter_map(|(clock, o)| opening_warning(clock, o, procedure)));
        (sum.openings, sum.openings_trace) = (t.value.into_iter().collect(), Some(t.trace));
    }
    Some(sum)
}

fn spread(gaps: &[(String, Measure)]) -> Option<Measure> {
    let least = gaps.iter().map(|(_, m)| m).min_by_key(|m| m.base())?;
    let most = gaps.iter().map(|(_, m)| m).max_by_key(|m| m.base())?;
    (gaps.len() > 1).then(|| trade::show::apart(least, most).map(|a| a.difference)).flatten()
}

fn gap_warnings(r: &Reader<'_>, gaps: &[(String, Measure)]) -> Vec<Say> {
    let mut all: Vec<Say> = GAP_CLOCKS
        .iter()
        .filter(|c| r.fields.get(&format!("gap/{c}")).is_some_and(|f| f.answers.len() > 1))
        .map(|c| Say::new("gap-two-answers", format!("Two answers stand for the gap at {c} o'clock: the larger is used.")).with("clock", c))
        .collect();
    if let trade::limits::Plausible::Ask(code, words) = trade::limits::gap_set(gaps) {
        all.push(Say::new(&code, words));
    }
    all
}

/// A warning where the opening that the piece leaves is outside the procedure's limits.
pub(crate) fn opening_warning(clock: &str, opening: &Measure, p: &crate::plan::Procedure) -> Option<Say> {
    let text = crate::say::text(opening);
    let say = |code: &str, words: String| Some(Say::new(code, words).with("clock", clock).with("opening", &text));
    match trade::cut::opening_verdict(opening, &p.root_min, &p.root_max) {
        trade::cut::OpeningVerdict::Within => None,
        trade::cut::OpeningVerdict::TooTight => {
            say("opening-too-tight", format!("At {clock} o'clock the piece leaves {text} at each joint: less than the procedure allows."))
        }
        trade::cut::OpeningVerdict::TooWide => {
            say("opening-too-wide", format!("At {clock} o'clock the piece leaves {text} at each joint: more than the procedure allows."))
        }
    }
}
