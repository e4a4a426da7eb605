//! When two values are the same, and which of two different ones is the worse.

use crate::view::Answer;
use serde_json::Value as Json;
use trade::Measure;

/// Keys that say how a value came about, not what it is: they do not make two answers different.
const HOW: [&str; 3] = ["instrument", "read_twice", "note"];

/// A text that is equal exactly when two bodies say the same: measures compare as exact quantities whatever their
/// unit (20 1/2 in is 520.7 mm), and how the value was read does not count.
pub(crate) fn normal(body: &Json) -> String {
    fn walk(json: &Json) -> Json {
        if let Some(m) = as_measure(json) {
            let base = m.base().map_or_else(|| format!("{:?}", m.value), |b| format!("{}/{}", b.num(), b.den()));
            return Json::String(format!("{base} {:?}", m.unit.dimension()));
        }
        match json {
            Json::Object(map) => {
                Json::Object(map.iter().filter(|(k, _)| !HOW.contains(&k.as_str())).map(|(k, v)| (k.clone(), walk(v))).collect())
            }
            Json::Array(items) => Json::Array(items.iter().map(walk).collect()),
            other => other.clone(),
        }
    }
    walk(body).to_string()
}

fn as_measure(json: &Json) -> Option<Measure> {
    json.get("typed")?;
    serde_json::from_value(json.clone()).ok()
}

/// The measure that a single-measure kind is about.
pub(crate) fn main_measure(kind: &str, body: &Json) -> Option<Measure> {
    let key = match kind {
        "gap" => "gap",
        "piece" => "length",
        _ => return None,
    };
    body.get(key).and_then(as_measure)
}

/// Index of the worse of several answers, where that can be told: it governs every warning until settled.
pub(crate) fn governs(answers: &[Answer]) -> Option<usize> {
    let kind = answers.first()?.kind.as_str();
    let worst = |key: &str, order: &[&str]| {
        answers.iter().enumerate().max_by_key(|(_, a)| {
            let said = a.body.get(key).and_then(Json::as_str).unwrap_or_default();
            order.iter().position(|o| *o == said)
        })
    };
    let found = match kind {
        "gap" => answers.iter().enumerate().max_by_key(|(_, a)| main_measure("gap", &a.body).and_then(|m| m.base())),
        "visual" => worst("result", &["accept", "reject"]),
        "pressure-test" => worst("result", &["tight", "leak"]),
        "check" => worst("result", &["good", "not-good"]),
        "material" => worst("pmi", &["agrees", "not-known", "differs"]),
        _ => None,
    };
    found.map(|(i, _)| i)
}
