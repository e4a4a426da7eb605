//! A job as a blind second counter or measurer may see it: without the first figure, anywhere.
//!
//! The first figure hides in many places: the field, the sums made of it, a step's summary, a warning, even a caption
//! ("tube 47 with both neighbours"). So the known places are emptied, and then every remaining text is searched for the figure.
//! Hiding too much costs nothing here: the page that asks for a blind figure needs only the question.

use job::fold;
use job::kinds::Gap;
use job::view::FieldView;
use job::{JobView, Say};
use journal::PersonId;
use serde_json::Value as Json;
use std::collections::BTreeSet;

/// What stands in place of a text that held the figure.
const HIDDEN: &str = "…";

/// The view without these fields (`gap/6`, or `gap/*` for all of them).
pub(crate) fn blind(mut view: JobView, hide: &[String]) -> Json {
    let hidden = |field: &str| hide.iter().any(|h| matches(h, field));
    let figures = figures(&view, &hidden);
    let steps: BTreeSet<u8> = hide.iter().filter_map(|h| fold::spec(h)).map(|s| s.step).collect();
    view.fields.retain(|field, _| !hidden(field));
    view.lists.retain(|field, _| !hidden(field));
    empty_sums(&mut view, hide);
    for step in view.steps.iter_mut().filter(|s| steps.contains(&s.step)) {
        step.summary.clear();
        step.wants.clear();
    }
    view.wanted.retain(|w| !steps.contains(&w.step) || w.what == "signature");
    for gate in &mut view.gates {
        let touched = gate.covers.iter().any(|c| hidden(&c.field));
        gate.covers.retain(|c| !hidden(&c.field));
        if touched {
            // An empty list would look like "may be signed".
            gate.blocked =
                vec![Say::new("hidden", "Not shown while the second person measures or counts without seeing the first figure.")];
        }
    }
    let mut json = serde_json::to_value(&view).unwrap_or(Json::Null);
    scrub(&mut json, &figures);
    json
}

/// The job as a blind measurer has seen it, for the checks of a further figure: the others' gaps are not there, so that no
/// question ("far from the gap at 6 o'clock") gives them away; the person's own are.
pub(crate) fn seen_blind(mut view: JobView, hide: &[String], person: &PersonId) -> JobView {
    let own = |field: &FieldView| field.answers.iter().find(|a| a.by.iter().any(|b| b.person == *person)).cloned();
    let hidden = |field: &str| hide.iter().any(|h| matches(h, field));
    if let Some(cut) = &mut view.sums.cut {
        let fields = &view.fields;
        cut.gaps.retain(|clock, gap| {
            let path = format!("gap/{clock}");
            if !hidden(&path) {
                return true;
            }
            let answer = fields.get(&path).and_then(own);
            match answer.and_then(|a| serde_json::from_value::<Gap>(a.body).ok()) {
                Some(own) => {
                    *gap = own.gap;
                    true
                }
                None => false,
            }
        });
    }
    view
}

fn matches(pattern: &str, field: &str) -> bool {
    let (mut want, mut got) = (pattern.split('/'), field.split('/'));
    loop {
        match (want.next(), got.next()) {
            (None, None) => return true,
            (Some(w), Some(g)) if w == g || w == "*" => {}
            _ => return false,
        }
    }
}

/// Empties every sum that a hidden field goes into.
fn empty_sums(view: &mut JobView, hide: &[String]) {
    let any = |names: &[&str]| hide.iter().any(|h| names.contains(&h.split('/').next().unwrap_or_default()));
    if any(&["place", "second-count"]) {
        view.sums.count = None;
    }
    if any(&["place"]) {
        view.tube = None;
    }
    if any(&["gauge", "readings"]) {
        view.sums.wall = None;
    }
    if any(&["gap", "piece", "procedure", "joint"]) {
        view.sums.cut = None;
    }
}

/// The figures that must not be read anywhere: what stands and what stood in the hidden fields, and the sums made of gaps.
fn figures(view: &JobView, hidden: &dyn Fn(&str) -> bool) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for (_, field) in view.fields.iter().filter(|(name, _)| hidden(name)) {
        for answer in field.answers.iter().chain(&field.past) {
            collect(&answer.kind, &answer.body, &mut found);
        }
    }
    for (_, items) in view.lists.iter().filter(|(name, _)| hidden(name)) {
        for item in items {
            collect(&item.kind, &item.body, &mut found);
        }
    }
    if let Some(cut) = view.sums.cut.as_ref().filter(|_| view.fields.keys().any(|f| hidden(f) && (f.starts_with("gap/") || f == "piece"))) {
        found.extend(cut.length.iter().chain(&cut.spread).chain(cut.openings.values()).map(|m| m.typed.clone()));
    }
    found.retain(|f| !f.is_empty());
    found
}

fn collect(kind: &str, body: &Json, found: &mut BTreeSet<String>) {
    match kind {
        // Row, elevation and side help to find the tube; only the count is blind.
        "place" | "second-count" => found.extend(body.get("tube").map(Json::to_string)),
        _ => collect_all(body, found),
    }
}

fn collect_all(body: &Json, found: &mut BTreeSet<String>) {
    match body {
        Json::Object(map) => match map.get("typed").and_then(Json::as_str) {
            Some(typed) => _ = found.insert(typed.to_owned()),
            None => map.values().for_each(|v| collect_all(v, found)),
        },
        Json::Array(items) => items.iter().for_each(|v| collect_all(v, found)),
        Json::Number(n) => _ = found.insert(n.to_string()),
        _ => {}
    }
}

/// Blanks every text in which one of the figures stands by itself.
fn scrub(json: &mut Json, figures: &BTreeSet<String>) {
    match json {
        Json::String(text) if figures.iter().any(|f| stands_in(text, f)) => HIDDEN.clone_into(text),
        Json::Array(items) => items.iter_mut().for_each(|v| scrub(v, figures)),
        Json::Object(map) => map.values_mut().for_each(|v| scrub(v, figures)),
        _ => {}
    }
}

/// True where `figure` stands in `text` as a figure of its own: `47` in `tube 47.`, not in `147`, `4.47` or a hash.
fn stands_in(text: &str, figure: &str) -> bool {
    let joins = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '/');
    text.match_indices(figure).any(|(at, _)| {
        let (before, after) = (&text[..at], &text[at + figure.len()..]);
        let point_before = before.ends_with('.') && before.trim_end_matches('.').ends_with(|c: char| c.is_ascii_digit());
        let point_after = after.starts_with('.') && after[1..].starts_with(|c: char| c.is_ascii_digit());
        !joins(before.chars().next_back()) && !joins(after.chars().next()) && !point_before && !point_after
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_found_only_where_it_stands_by_itself() {
        for (text, figure, want) in [
            ("tube 47 with both neighbours", "47", true),
            ("47 + 74 = 121", "47", true),
            ("tube 47.", "47", true),
            ("147", "47", false),
            ("ab47cd", "47", false),
            ("4.47 mm", "47", false),
            ("gap 12 3/16 in", "12 3/16", true),
            ("gap 112 3/16 in", "12 3/16", false),
            ("K4-047", "47", false),
        ] {
            println!("{figure:?} in {text:?}: {want}");
            assert_eq!(stands_in(text, figure), want, "{text}");
        }
    }
}
