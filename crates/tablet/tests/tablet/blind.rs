//! The second count and the second gap, made without sight of the first.

use crate::kit::{Kit, measure};
use serde_json::{Value as Json, json};

/// Every text and number of a JSON, keys too.
fn texts(json: &Json, found: &mut Vec<String>) {
    match json {
        Json::Object(map) => map.iter().for_each(|(k, v)| {
            found.push(k.clone());
            texts(v, found);
        }),
        Json::Array(items) => items.iter().for_each(|v| texts(v, found)),
        Json::String(text) => found.push(text.clone()),
        Json::Null => {}
        other => found.push(other.to_string()),
    }
}

fn holds(json: &Json, figure: &str) -> Vec<String> {
    let mut all = Vec::new();
    texts(json, &mut all);
    let hash = |t: &str| t.len() >= 32 && t.bytes().all(|b| b.is_ascii_hexdigit());
    all.retain(|t| t.contains(figure) && !hash(t));
    all
}

#[test]
fn the_second_counter_never_sees_the_first_figure() {
    let kit = Kit::new("K4", 11);
    kit.sign_in("ana-r");
    let job = kit.open_tube(83);
    kit.record(&job, "notes", json!({ "text": "tube 83, left of the burner" }));
    assert!(!holds(&kit.job(&job), "83").is_empty(), "it is there to be hidden");
    kit.sign_in("j-ortiz");
    let blind = kit.call("job", json!({ "job": job, "hide": ["place"] }));
    let found: Vec<_> = holds(&blind, "83").into_iter().filter(|t| t.parse::<u64>().is_err() || t == "83").collect();
    println!("places where 83 is still read: {found:?}");
    assert!(found.is_empty());
    assert_eq!(
        (&blind["tube"], &blind["side"]),
        (&Json::Null, &json!("fire")),
        "the count is hidden, the side still helps to find the tube"
    );
    // The entry does not name the first: it was not on the screen.
    let saved = kit.call("record", json!({ "job": job, "field": "second-count", "body": { "tube": 38 }, "basis": [] }));
    assert_eq!(saved["view"]["sums"]["count"]["state"], "meets");
}

#[test]
fn the_first_counter_cannot_count_a_second_time() {
    let kit = Kit::new("K4", 12);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    let entries = kit.entries();
    let fault = kit.refused("record", json!({ "job": job, "field": "second-count", "body": { "tube": 74 }, "basis": [] }));
    assert_eq!((fault.status, fault.code()), (403, "second-count-same-person"));
    assert_eq!(kit.entries(), entries);
    kit.sign_in("j-ortiz");
    let view = kit.record(&job, "second-count", json!({ "tube": 70 }))["view"].clone();
    println!("{}", view["steps"][0]["wants"][0]["words"]);
    assert_eq!((&view["sums"]["count"]["state"], &view["steps"][0]["state"]), (&json!("does-not-meet"), &json!("reject")));
}

#[test]
fn the_second_gap_is_measured_blind_and_one_mark_apart_is_two_answers() {
    let kit = Kit::new("K4", 13);
    kit.sign_in("m-soto");
    let job = kit.open_tube(5);
    kit.record(&job, "plan", json!({ "method": "dutchman", "why": "thin" }));
    kit.record(&job, "procedure", json!({ "procedure": "MB-CS-01" }));
    for clock in ["12", "3", "6", "9"] {
        kit.record(&job, &format!("gap/{clock}"), json!({ "gap": measure("17 11/16", "in") }));
    }
    let open = kit.job(&job);
    let length = open["sums"]["cut"]["length"]["typed"].as_str().unwrap().to_owned();
    kit.sign_in("d-kerr");
    let hide = json!(["gap/*", "piece"]);
    let blind = kit.call("job", json!({ "job": job, "hide": hide }));
    for figure in ["17 11/16", "449.3", length.as_str()] {
        println!("{figure}: {:?}", holds(&blind, figure));
        assert!(holds(&blind, figure).is_empty());
    }
    let mut view = Json::Null;
    for (clock, gap) in [("6", "17 11/16"), ("9", "17 11/16"), ("12", "17 3/4"), ("3", "17 11/16")] {
        let args = json!({ "job": job, "field": format!("gap/{clock}"), "body": { "gap": measure(gap, "in") }, "basis": [], "hide": hide });
        view = kit.call("record", args)["view"].clone();
        assert!(holds(&view, "17 11/16").is_empty(), "nor in the answer to a save");
    }
    assert!(view["lives"]["entries_here"].as_u64().unwrap() > 0);
    let view = kit.job(&job);
    assert_eq!((&view["fields"]["gap/6"]["state"], &view["fields"]["gap/12"]["state"]), (&json!("agreed"), &json!("two-answers")));
    assert_eq!(view["fields"]["gap/6"]["answers"][0]["by"].as_array().unwrap().len(), 2, "equal values are one answer of two people");
    println!("{}", view["fields"]["gap/12"]["apart"]["words"]);
}

#[test]
fn a_question_to_the_blind_measurer_gives_nothing_away() {
    let kit = Kit::new("K4", 14);
    kit.sign_in("m-soto");
    let job = kit.open_tube(5);
    kit.record(&job, "plan", json!({ "method": "dutchman", "why": "thin" }));
    for clock in ["12", "3", "6", "9"] {
        kit.record(&job, &format!("gap/{clock}"), json!({ "gap": measure("17 11/16", "in") }));
    }
    kit.sign_in("d-kerr");
    let put = |clock: &str, gap: &str| json!({ "job": job, "field": format!("gap/{clock}"), "body": { "gap": measure(gap, "in") }, "basis": [], "hide": ["gap/*"] });
    kit.call("record", put("12", "9 1/2"));
    let fault = kit.refused("record", put("3", "11 1/2"));
    assert!(fault.code().starts_with("ask-"), "far from the own first figure: {}", fault.code());
    assert!(holds(&fault.to_json(), "17").is_empty(), "{}", fault.to_json());
}
