//! Bad input: each answer is a sentence with a stable code, and nothing already entered is lost.

use crate::kit::{Kit, measure};
use serde_json::{Value as Json, json};

struct Bench {
    kit: Kit,
    job: String,
}

impl Bench {
    fn new(series: u64) -> Self {
        let kit = Kit::new("K4", series);
        kit.sign_in("ana-r");
        let job = kit.open_job();
        kit.record(&job, "plan", json!({ "method": "dutchman", "why": "thin" }));
        kit.record(&job, "notes", json!({ "text": "entered before" }));
        Self { kit, job }
    }

    /// Refused with `code`; what stood before still stands, byte for byte.
    #[track_caller]
    fn refuses(&self, field: &str, body: Json, code: &str) {
        let before = self.kit.job(&self.job);
        let fault = self.kit.refused("record", json!({ "job": self.job, "field": field, "body": body, "basis": [] }));
        assert_eq!((fault.status, fault.code()), (400, code), "{}", fault.to_json());
        assert!(fault.say.words.len() > 20, "a sentence: {}", fault.say.words);
        assert_eq!(self.kit.job(&self.job), before, "nothing already entered is touched");
    }
}

fn reading(wall: &str, unit: &str) -> Json {
    json!({ "elevation": measure("54.5", "ft"), "clock": 12, "wall": measure(wall, unit), "gauge": "UT-3" })
}

#[test]
fn letters_zero_negative_and_absurd_figures_are_refused() {
    let bench = Bench::new(31);
    for (wall, unit, code) in [
        ("abc", "in", "not-a-figure"),
        ("", "in", "not-a-figure"),
        ("0.1o2", "in", "not-a-figure"),
        ("12 17/16", "in", "not-a-figure"),
        ("0", "in", "wall-reading-impossible"),
        ("-0.120", "in", "wall-reading-impossible"),
        ("400", "mm", "wall-reading-impossible"),
        ("0.2", "psi", "wall-reading-unit"),
        ("0.2", "furlong", "wrong-unit"),
    ] {
        bench.refuses("readings", reading(wall, unit), code);
    }
    let mut at_13 = reading("0.2", "in");
    at_13["clock"] = json!(13);
    bench.refuses("readings", at_13, "clock-outside");
    bench.refuses("gap/6", json!({ "gap": measure("zwölf", "in") }), "not-a-figure");
    bench.refuses("gap/6", json!({ "gap": measure("0", "in") }), "gap-impossible");
    bench.refuses("gap/6", json!({ "gap": measure("-3", "in") }), "gap-impossible");
    bench.kit.sign_in("j-ortiz");
    bench.refuses("second-count", json!({ "tube": "forty" }), "incomplete");
    bench.refuses("second-count", json!({ "tube": 3.5 }), "incomplete");
}

#[test]
fn a_place_that_does_not_exist_opens_no_job() {
    let bench = Bench::new(32);
    let open = |place: Json| json!({ "section": "front-wall", "place": place });
    let place = |tube: i64, elevation: Json, side: &str| json!({ "row": 1, "tube": tube, "elevation": elevation, "side": side });
    let ft = || measure("54.5", "ft");
    let before = bench.kit.call("jobs", json!({}));
    for (place, code) in [
        (place(900, ft(), "fire"), "tube-outside"),
        (place(0, ft(), "fire"), "tube-outside"),
        (place(-4, ft(), "fire"), "incomplete"),
        (place(47, measure("54.5", "psi"), "fire"), "elevation-unit"),
        (place(47, measure("54.5", "yd"), "fire"), "wrong-unit"),
        (place(47, measure("544", "ft"), "fire"), "elevation-outside-section"),
        (place(47, ft(), "left"), "not-chosen"),
    ] {
        let fault = bench.kit.refused("open_job", open(place));
        assert_eq!((fault.status, fault.code()), (400, code), "{}", fault.to_json());
    }
    let fault = bench.kit.refused("open_job", json!({ "section": "roof", "place": place(1, ft(), "fire") }));
    assert_eq!((fault.status, fault.code()), (404, "no-section"));
    assert_eq!(bench.kit.call("jobs", json!({}))[0]["job"], before[0]["job"]);
    assert_eq!(bench.kit.call("jobs", json!({})).as_array().unwrap().len(), 1);
}

#[test]
fn a_gap_far_from_the_others_is_asked_again_and_kept_as_typed_when_confirmed() {
    let bench = Bench::new(33);
    for clock in ["12", "3", "9"] {
        bench.kit.record(&bench.job, &format!("gap/{clock}"), json!({ "gap": measure("12 3/16", "in") }));
    }
    let far = json!({ "gap": measure("20 1/2", "in") });
    let before = bench.kit.entries();
    let fault = bench.kit.refused("record", json!({ "job": bench.job, "field": "gap/6", "body": far, "basis": [] }));
    assert_eq!(fault.status, 400);
    assert!(fault.faults.iter().all(|s| s.code.starts_with("ask-")), "{}", fault.to_json());
    assert_eq!(bench.kit.entries(), before, "not saved until confirmed");
    let mut twice = far;
    twice["read_twice"] = json!(true);
    let view = bench.kit.record(&bench.job, "gap/6", twice)["view"].clone();
    let body = &view["fields"]["gap/6"]["answers"][0]["body"];
    assert_eq!((&body["gap"]["typed"], &body["gap"]["unit"], &body["read_twice"]), (&json!("20 1/2"), &json!("in"), &json!(true)));
}

#[test]
fn an_unlikely_wall_is_asked_again_and_kept_when_confirmed() {
    let bench = Bench::new(34);
    let fault = bench.kit.refused("record", json!({ "job": bench.job, "field": "readings", "body": reading("0.320", "in"), "basis": [] }));
    assert_eq!(fault.code(), "ask-wall-reading-unusual");
    let mut twice = reading("0.320", "in");
    twice["read_twice"] = json!(true);
    let view = bench.kit.record(&bench.job, "readings", twice)["view"].clone();
    assert_eq!(view["lists"]["readings"][0]["body"]["read_twice"], true);
}

#[test]
fn fields_that_do_not_exist_and_calls_that_make_no_sense_save_nothing() {
    let bench = Bench::new(35);
    let body = json!({ "text": "x" });
    for field in
        ["", "nonsense", "gap", "gap/5", "gap/12/3", "joint/middle/fit-up", "before-work/dance", "open", "photos", "gate/place", "../notes"]
    {
        bench.refuses(field, body.clone(), "no-field");
    }
    bench.refuses("notes", json!({ "text": "  " }), "empty");
    bench.refuses("notes", json!({ "text": "x".repeat(3000) }), "text-too-long");
    bench.refuses("notes", json!("just text"), "incomplete");
    for (name, args) in
        [("dance", json!({})), ("record", json!({})), ("record", json!(null)), ("job", json!([])), ("sum", json!({ "name": "moon" }))]
    {
        assert_eq!(bench.kit.refused(name, args).code(), "not-understood");
    }
    let fault = bench.kit.refused("record", json!({ "job": "nope", "field": "notes", "body": body, "basis": [] }));
    assert_eq!((fault.status, fault.code()), (404, "no-job"));
}

#[test]
fn a_basis_that_never_stood_there_is_refused_with_what_stands() {
    let bench = Bench::new(36);
    let place = bench.kit.job(&bench.job)["fields"]["place"]["basis"].clone();
    let args = json!({ "job": bench.job, "field": "plan", "body": { "method": "pad", "why": "thin" }, "basis": place });
    let fault = bench.kit.refused("record", args);
    assert_eq!((fault.status, fault.code()), (409, "stands-changed"));
    assert_eq!(fault.to_json()["view"]["fields"]["plan"]["answers"][0]["body"]["method"], "dutchman");
}

#[test]
fn a_stale_screen_makes_two_answers_and_loses_neither() {
    let bench = Bench::new(37);
    let seen = bench.kit.job(&bench.job)["fields"]["plan"]["basis"].clone();
    for method in ["pad", "window"] {
        let args = json!({ "job": bench.job, "field": "plan", "body": { "method": method, "why": "thin" }, "basis": seen });
        bench.kit.call("record", args);
    }
    let plan = bench.kit.job(&bench.job)["fields"]["plan"].clone();
    assert_eq!((&plan["state"], plan["answers"].as_array().unwrap().len()), (&json!("two-answers"), 2));
}
