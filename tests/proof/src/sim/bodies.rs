//! What people write: bodies of every kind, in the form the tablet writes them.

use crate::sim::rng::Rng;
use serde_json::{Value as Json, json};

/// A measure as the journal keeps it.
pub fn measure(typed: &str, value: (i64, i64), unit: &str) -> Json {
    json!({"typed": typed, "value": [value.0, value.1], "unit": unit})
}

/// The gaps that are measured in these worlds; in pairs of equal ones where `alike` is wanted.
const GAPS: [(&str, (i64, i64), &str); 6] = [
    ("20 1/2", (41, 2), "in"),
    ("20 9/16", (329, 16), "in"),
    ("20 5/8", (165, 8), "in"),
    ("19 3/4", (79, 4), "in"),
    ("520.7", (5207, 10), "mm"),
    ("501.65", (10033, 20), "mm"),
];

/// Fields with one value that a crew fills, in the order of the steps.
pub const FIELDS: [&str; 20] = [
    "place",
    "second-count",
    "failure",
    "gauge",
    "plan",
    "before-work/isolation",
    "before-work/gas-test",
    "material",
    "filler",
    "procedure",
    "gap/12",
    "gap/3",
    "gap/6",
    "gap/9",
    "piece",
    "joint/upper/fit-up",
    "joint/lower/fit-up",
    "joint/upper/visual",
    "joint/lower/visual",
    "test",
];

/// Lists that a crew adds to.
pub const LISTS: [&str; 4] = ["readings", "joint/upper/welds", "joint/lower/welds", "notes"];

/// Kind of a field's entries.
pub fn kind(field: &str) -> &'static str {
    let mut parts = field.split('/');
    match (parts.next().unwrap_or_default(), parts.nth(1)) {
        ("before-work", _) => "check",
        ("joint", Some("fit-up")) => "fit-up",
        ("joint", Some("welds")) => "weld",
        ("joint", _) => "visual",
        ("test", _) => "pressure-test",
        ("photos", _) => "photo",
        ("readings", _) => "reading",
        ("notes", _) => "note",
        ("gate", _) => "sign",
        (other, _) => {
            const SAME: [&str; 11] =
                ["open", "place", "second-count", "failure", "gauge", "plan", "material", "filler", "procedure", "piece", "hand-over"];
            SAME.iter().find(|k| **k == other).copied().unwrap_or("gap")
        }
    }
}

/// The step a field belongs to.
pub fn step(field: &str) -> u8 {
    match kind(field) {
        "place" | "second-count" => 1,
        "failure" | "photo" => 2,
        "gauge" | "reading" => 3,
        "plan" => 4,
        "check" => 5,
        "material" | "filler" | "procedure" => 6,
        "gap" | "piece" => 7,
        "fit-up" => 8,
        "weld" => 9,
        "visual" => 10,
        "pressure-test" => 11,
        "hand-over" => 12,
        _ => 0,
    }
}

/// A body for a field. `usual` is the value that lets the work go on; otherwise chance chooses. With `mixed`, equal values
/// come in different units too.
pub fn body(field: &str, usual: bool, mixed: bool, rng: &mut Rng) -> Json {
    let other = !usual && rng.percent(60);
    let number = |rng: &mut Rng, most: usize| 1 + rng.below(most);
    match kind(field) {
        "place" => {
            let tube = if other { 40 + number(rng, 5) } else { 47 };
            json!({"section": "front-wall", "row": 1, "tube": tube, "elevation": measure("54' 6\"", (109, 2), "ft"), "side": "fire", "landmark": ""})
        }
        "second-count" => json!({"tube": if other { 70 + number(rng, 6) } else { 74 }}),
        "failure" => {
            let opening = if other { "thinning" } else { "perforation" };
            json!({"opening": opening, "signs": ["polished"], "first": "leaked-first", "note": ""})
        }
        "gauge" => json!({"gauge": "UT-3", "block": "B-1", "surface": measure("75", (75, 1), "F"), "steps": [
            {"nominal": measure("0.100", (1, 10), "in"), "read": measure("0.100", (1, 10), "in")},
            {"nominal": measure("0.300", (3, 10), "in"), "read": measure("0.301", (301, 1000), "in")},
        ]}),
        "reading" => {
            let wall = 110 + number(rng, 80) as i64;
            json!({"elevation": measure("54' 6\"", (109, 2), "ft"), "clock": number(rng, 12), "wall": measure(&format!("0.{wall}"), (wall, 1000), "in"), "gauge": "UT-3"})
        }
        "plan" => {
            let method = if other { "pad" } else { "dutchman" };
            json!({"method": method, "why": "thin from 54 ft to 55 ft"})
        }
        "check" => {
            let result = if other && rng.percent(50) { "not-good" } else { "good" };
            let check = field.split('/').nth(1).unwrap_or_default();
            json!({"check": check, "saw": "lock 14 on the valve", "result": result})
        }
        "material" => {
            let pmi = if other { "not-known" } else { "agrees" };
            json!({"grade": "SA-210 A-1", "od": measure("2.5", (5, 2), "in"), "wall": measure("0.200", (1, 5), "in"), "heat": "H4471", "certificate": "C-88", "pmi": pmi})
        }
        "filler" => json!({"class": "ER70S-2", "lot": if other { "L-6" } else { "L-5" }}),
        "procedure" => json!({"procedure": "MB-CS-01"}),
        "gap" => {
            let (typed, value, unit) = if usual { GAPS[0] } else { GAPS[rng.below(if mixed { GAPS.len() } else { 4 })] };
            json!({"gap": measure(typed, value, unit), "instrument": "T-12"})
        }
        "piece" => json!({"length": measure("20 11/32", (651, 32), "in")}),
        "fit-up" => json!({"root": measure("3/32", (3, 32), "in"), "misalignment": measure("1/64", (1, 64), "in"), "stamp": "W-17"}),
        "weld" => json!({"pass": if rng.percent(50) { "root" } else { "cap" }, "process": "GTAW", "stamp": "W-17", "lot": "L-5"}),
        "visual" => json!({"result": if other && rng.percent(50) { "reject" } else { "accept" }, "saw": "even cap, no undercut"}),
        "pressure-test" => {
            let result = if other { "leak" } else { "tight" };
            json!({"pressure": measure("2000", (2000, 1), "psi"), "water": measure("80", (80, 1), "F"), "gauge": "PG-1", "hold_min": 30, "result": result, "saw": ""})
        }
        "hand-over" => json!({"note": "nothing left inside"}),
        _ => json!({"text": format!("seen {}", number(rng, 9))}),
    }
}

/// Who usually writes a field, so that the rules let the work go on.
pub fn writer(field: &str) -> &'static str {
    match kind(field) {
        "second-count" | "filler" | "procedure" | "gap" | "piece" | "fit-up" | "weld" => "m-soto",
        "plan" => "p-lindahl",
        "check" | "hand-over" => "m-diaz",
        "material" | "visual" => "l-vega",
        "pressure-test" => "t-brandt",
        _ => "ana-r",
    }
}

/// Everybody on the roster, and one who is not.
pub const PEOPLE: [&str; 11] =
    ["ana-r", "j-ortiz", "m-soto", "d-kerr", "m-diaz", "g-holm", "l-vega", "p-lindahl", "r-okoye", "t-brandt", "n-body"];
