//! What a machine shows without its times and without the names that times go into.
//!
//! An entry's hash covers its wall clock, so the same schedule with other clocks has other hashes. Each hash is replaced by
//! the entry's place in its series, each time by nothing; and where only hashes decided between two equal places, the
//! order is made that of the places. Every other order must come out alike.

use journal::{EntryHash, Incarnation};
use serde_json::{Map, Value as Json};
use std::collections::BTreeMap;

const TIMES: [&str; 5] = ["wall_ms", "since_ms", "skew_ms", "opened_ms", "root"];

/// Where each entry stands.
pub type Places = BTreeMap<EntryHash, (Incarnation, u64)>;

/// A view as text.
pub fn masked(view: &job::JobView, places: &Places) -> String {
    mask("", &serde_json::to_value(view).expect("a view is plain"), places).to_string()
}

fn mask(name: &str, json: &Json, places: &Places) -> Json {
    match json {
        Json::String(text) => Json::String(place(text, places)),
        Json::Array(all) => Json::Array(ties(name, all.iter().map(|v| mask(name, v, places)).collect())),
        Json::Object(map) => {
            let kept = map.iter().filter(|(key, _)| !TIMES.contains(&key.as_str()));
            Json::Object(kept.map(|(key, value)| (key.clone(), mask(key, value, places))).collect::<Map<_, _>>())
        }
        other => other.clone(),
    }
}

fn place(text: &str, places: &Places) -> String {
    let found = (text.len() == 64).then(|| EntryHash::from_hex(text)).flatten().and_then(|hash| places.get(&hash));
    found.map_or_else(|| text.to_owned(), |(series, seq)| format!("{series} {seq:06}"))
}

/// Lists of places alone are sets. Of things that were written, those that nothing but their hashes puts into an order are
/// put into that of their text.
fn ties(name: &str, mut all: Vec<Json>) -> Vec<Json> {
    if all.iter().all(Json::is_string) {
        all.sort_by_key(ToString::to_string);
        return all;
    }
    let mut from = 0;
    while from < all.len() {
        let first = decides(name, &all[from]);
        let run = all[from..].iter().take_while(|v| first.is_some() && decides(name, v) == first).count().max(1);
        all[from..from + run].sort_by_key(ToString::to_string);
        from += run;
    }
    all
}

/// What decides before the hash does: tablet and person of an answer or author, else the counter.
fn decides(name: &str, json: &Json) -> Option<String> {
    let author = match json.get("by") {
        Some(Json::Array(all)) => all.first()?,
        Some(by) => by,
        None => json,
    };
    match name {
        "answers" | "by" => Some(format!("{} {}", author.get("tablet")?, author.get("person")?)),
        _ => Some(author.get("counter")?.to_string()),
    }
}
