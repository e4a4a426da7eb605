//! Sums asked for while a figure is still being typed: required wall, cut length, and the read-back of one figure.
//! The sums themselves are the trade's; here is only where their inputs come from.

use crate::core::{Core, parse};
use crate::fault::{self, Fault};
use crate::setting::no_section;
use crate::words;
use job::plan::Procedure;
use job::{Say, SitePlan, sums};
use serde::Deserialize;
use serde_json::{Value as Json, json};
use std::collections::BTreeMap;
use trade::{Measure, MeasureError, NoNumber, Traced, Unit};

#[derive(Deserialize)]
struct Wall {
    section: String,
}

#[derive(Deserialize)]
struct Cut {
    section: String,
    procedure: String,
    gaps: BTreeMap<String, Figure>,
    #[serde(default)]
    piece: Option<Figure>,
}

#[derive(Deserialize)]
struct ReadBack {
    typed: String,
    unit: Unit,
    #[serde(default)]
    lang: Option<String>,
}

/// A figure as typed; what it is worth is read here, never taken from the screen.
#[derive(Deserialize)]
struct Figure {
    typed: String,
    unit: Unit,
}

impl Core {
    pub(crate) fn sum(&self, mut args: Json) -> Result<Json, Fault> {
        let name = args.as_object_mut().and_then(|m| m.remove("name")).and_then(|n| n.as_str().map(str::to_owned)).unwrap_or_default();
        match name.as_str() {
            "wall" => wall(&self.lock().plan()?, &parse("sum wall", args)?),
            "cut" => cut(&self.lock().plan()?, &parse("sum cut", args)?),
            "read-back" => read_back(&parse("sum read-back", args)?),
            other => Err(fault::not_understood("sum", format!("no sum is called “{other}”"))),
        }
    }
}

fn wall(plan: &SitePlan, args: &Wall) -> Result<Json, Fault> {
    let section = plan.section(&args.section).ok_or_else(|| no_section(&args.section))?;
    Ok(traced(trade::minimum_wall(&sums::wall_inputs(&section.tube))))
}

fn cut(plan: &SitePlan, args: &Cut) -> Result<Json, Fault> {
    let tube = &plan.section(&args.section).ok_or_else(|| no_section(&args.section))?.tube;
    let procedure: &Procedure = plan.procedure(&args.procedure).ok_or_else(|| no_procedure(&args.procedure))?;
    let gaps = args.gaps.iter().map(|(clock, f)| Ok((clock.clone(), figure(f)?))).collect::<Result<Vec<_>, Fault>>()?;
    let openings = match &args.piece {
        Some(piece) => traced(trade::openings(&gaps, &figure(piece)?)),
        None => Json::Null,
    };
    Ok(json!({
        "cut": traced(trade::cut_length(&gaps, &procedure.root)),
        "shrinkage": traced(trade::shrinkage_band(&tube.od, &tube.wall, &procedure.root, &procedure.land, procedure.bevel_tenths)),
        "openings": openings,
    }))
}

/// One figure read back: exact, in words, and in the other unit.
fn read_back(args: &ReadBack) -> Result<Json, Fault> {
    let measure = Measure::parse(&args.typed, args.unit, None).map_err(|e| bad_figure(&e))?;
    let lang = args.lang.as_deref().unwrap_or("en");
    Ok(json!({
        "measure": measure,
        "shown": measure.shown(),
        "words": words::of(&measure, lang),
        "other": trade::show::other_unit(&measure),
    }))
}

fn figure(figure: &Figure) -> Result<Measure, Fault> {
    Measure::parse(&figure.typed, figure.unit, None).map_err(|e| bad_figure(&e))
}

fn bad_figure(error: &MeasureError) -> Fault {
    let words = format!("{error}. Nothing was saved by this and what was saved before is safe. Type the figure again.");
    Fault::new(400, "bad-figure", words)
}

/// `{value, trace}`, or `{no_number}` with the reason: outside its range a rule gives none.
fn traced<T: serde::Serialize>(sum: Result<Traced<T>, NoNumber>) -> Json {
    match sum {
        Ok(traced) => json!({ "value": traced.value, "trace": traced.trace }),
        Err(none) => json!({ "no_number": Say::new(&none.code, none.words) }),
    }
}

fn no_procedure(procedure: &str) -> Fault {
    let words = "That welding procedure is not in this site's plan. Nothing was saved by this tap. Choose a procedure from the list.";
    Fault::new(404, "no-procedure", words).with("procedure", procedure)
}
