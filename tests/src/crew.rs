//! The crew: plays the main job through the tablet's seam, as the screens do.

use serde_json::{Value as Json, json};
use std::path::Path;
use tablet::{Fault, Tablet};

/// A person's PIN in the demo outage.
pub fn pin(person: &str) -> String {
    let text = std::fs::read_to_string(crate::paths::outage()).expect("the demo outage");
    let outage: Json = serde_json::from_str(&text).expect("JSON");
    let people = outage["people"].as_array().expect("people");
    let found = people.iter().find(|p| p["id"] == person).unwrap_or_else(|| panic!("{person} is not in the demo outage"));
    found["pin_plain"].as_str().expect("a PIN").to_owned()
}

/// A measure as the screens send it: what was typed and its unit.
pub fn m(typed: &str, unit: &str) -> Json {
    json!({"typed": typed, "unit": unit})
}

/// A tape measure in inches with sixteenths.
pub fn tape(typed: &str) -> Json {
    json!({"typed": typed, "unit": "in", "mark": [1, 16]})
}

/// A tablet with somebody holding it.
pub struct Crew {
    pub tablet: Tablet,
    pub name: String,
}

impl Crew {
    /// Opens a tablet's folder.
    pub fn open(dir: &Path, name: &str) -> Self {
        let tablet = Tablet::open(dir).unwrap_or_else(|f| panic!("{name} does not open: {f:?}"));
        Self { tablet, name: name.to_owned() }
    }

    /// A call that must work.
    pub fn call(&self, name: &str, args: Json) -> Json {
        self.tablet.call(name, args.clone()).unwrap_or_else(|f| panic!("{}: {name} {args} refused: {f:?}", self.name))
    }

    /// A call that must be refused.
    pub fn refused(&self, name: &str, args: Json) -> Fault {
        match self.tablet.call(name, args.clone()) {
            Ok(answer) => panic!("{}: {name} {args} was taken: {answer}", self.name),
            Err(fault) => fault,
        }
    }

    /// A person takes up the tablet.
    pub fn sign_in(&self, person: &str) {
        self.call("sign_in", json!({"person": person, "pin": pin(person)}));
    }

    /// The job as it stands.
    pub fn job(&self, job: &str) -> Json {
        self.call("job", json!({"job": job}))
    }

    /// Records a field, building on what is on screen.
    pub fn record(&self, job: &str, field: &str, body: Json) -> Json {
        let view = self.job(job);
        let basis = view["fields"][field]["basis"].as_array().cloned().unwrap_or_default();
        self.call("record", json!({"job": job, "field": field, "body": body, "basis": basis}))
    }

    /// Records a field without having seen what stands there.
    pub fn record_blind(&self, job: &str, field: &str, body: Json) -> Json {
        self.call("record", json!({"job": job, "field": field, "body": body, "basis": []}))
    }

    /// Takes a photo.
    pub fn photo(&self, job: &str, view: &str, bytes: Vec<u8>) -> Json {
        let meta = json!({"job": job, "view": view, "caption": format!("{view} of the tube")});
        self.tablet.photo_put(meta, bytes).unwrap_or_else(|f| panic!("{}: photo refused: {f:?}", self.name))
    }

    /// Signs a gate as a role with one's PIN.
    pub fn sign(&self, job: &str, gate: &str, role: &str, person: &str) -> Json {
        self.sign_in(person);
        let view = self.job(job);
        let gates = view["gates"].as_array().expect("gates");
        let covers = gates.iter().find(|g| g["gate"] == gate).expect("the gate")["covers"].clone();
        self.call("sign", json!({"job": job, "gate": gate, "role": role, "pin": pin(person), "lang": "en", "covers": covers}))
    }

    /// Pairs with the trailer by the text of its QR code, or says why not.
    pub fn pair(&self, text: &str) -> Result<Json, Fault> {
        self.tablet.call("pair", json!({"text": text, "name": self.name}))
    }

    /// Syncs and waits for the end.
    pub fn sync(&self) -> Result<Json, Fault> {
        self.tablet.sync_blocking()
    }

    /// How much is only on this tablet: records and photos.
    pub fn only_here(&self) -> (u64, u64) {
        let lives = self.call("state", json!({}))["lives"].clone();
        (lives["entries_here"].as_u64().expect("a count"), lives["photos_here"].as_u64().expect("a count"))
    }
}

/// Steps 1 to 3 at tube 47. Gives the job.
pub fn find_and_read(c: &Crew, megapixels: bool) -> String {
    let job = find(c, 47, "54' 6\"");
    photograph_and_read(c, &job, "54' 6\"", megapixels);
    job
}

/// Place by the helper, second count by the welder who does not see the first. Gives the job.
pub fn find(c: &Crew, tube: u32, elevation: &str) -> String {
    c.sign_in("ana-r");
    let place = json!({"section": "front-wall", "row": 1, "tube": tube, "elevation": m(elevation, "ft"), "side": "fire", "landmark": "wall blower 12"});
    let job = c.call("open_job", json!({"section": "front-wall", "place": place}))["job"].as_str().expect("a job").to_owned();
    c.sign_in("m-soto");
    let blind = c.call("job", json!({"job": job, "hide": ["place"]}));
    assert!(!blind.to_string().contains(&format!("\"tube\":{tube}")), "the first count is on the second counter's screen");
    c.record_blind(&job, "second-count", json!({"tube": 121 - tube}));
    job
}

/// Failure, three photos, gauge check and three readings.
pub fn photograph_and_read(c: &Crew, job: &str, elevation: &str, megapixels: bool) {
    c.sign_in("ana-r");
    c.record(
        job,
        "failure",
        json!({"opening": "perforation", "signs": ["polished"], "first": "leaked-first", "note": "steam heard at 3 am"}),
    );
    let (w, h) = if megapixels { (4000, 3000) } else { (640, 480) };
    for (n, view) in ["overview", "middle", "close"].iter().enumerate() {
        c.photo(job, view, crate::jpeg::photo(w, h, n as u32 + 1));
    }
    let steps = json!([
        {"nominal": m("0.100", "in"), "read": m("0.100", "in")},
        {"nominal": m("0.300", "in"), "read": m("0.301", "in")}
    ]);
    c.record(job, "gauge", json!({"gauge": "UT-3", "block": "B-1", "steps": steps, "surface": m("75", "F")}));
    for (clock, wall) in [(10, "0.171"), (12, "0.112"), (2, "0.185")] {
        c.record(job, "readings", json!({"elevation": m(elevation, "ft"), "clock": clock, "wall": m(wall, "in"), "gauge": "UT-3"}));
    }
}

/// Steps 4 to 6: plan, before-work checks, material, filler, procedure.
pub fn decide_and_prepare(c: &Crew, job: &str) {
    c.sign_in("p-lindahl");
    let plan = json!({"method": "dutchman", "why": "0.112 in left at the crown", "upper_cut": m("55' 5\"", "ft"), "lower_cut": m("53' 8\"", "ft")});
    c.record(job, "plan", plan);
    c.sign_in("m-diaz");
    for check in c.call("plan", json!({}))["checks"].as_array().expect("checks") {
        let id = check["id"].as_str().expect("an id");
        c.record(job, &format!("before-work/{id}"), json!({"check": id, "saw": format!("seen at the hatch: {id} 14"), "result": "good"}));
    }
    c.sign_in("l-vega");
    let tube = json!({"grade": "SA-210 A-1", "od": m("2 1/2", "in"), "wall": m("0.200", "in"), "heat": "H4471", "certificate": "C-88", "pmi": "agrees"});
    c.record(job, "material", tube);
    c.record(job, "filler", json!({"class": "ER70S-2", "lot": "L-5"}));
    c.record(job, "procedure", json!({"procedure": "MB-CS-01"}));
}

/// The gap at four clock positions by the welder, then the piece as cut.
pub fn gap_and_piece(c: &Crew, job: &str) {
    c.sign_in("m-soto");
    for (clock, typed) in [("12", "20 9/16"), ("3", "20 9/16"), ("6", "20 1/2"), ("9", "20 1/2")] {
        c.record(job, &format!("gap/{clock}"), json!({"gap": tape(typed), "instrument": "T-12"}));
    }
    c.record(job, "piece", json!({"length": m("20 11/32", "in")}));
}

/// Fit-up, welds, examination, pressure test, closing note.
pub fn weld_and_close(c: &Crew, job: &str) {
    for joint in ["upper", "lower"] {
        c.sign_in("m-soto");
        c.record(job, &format!("joint/{joint}/fit-up"), json!({"root": m("3/32", "in"), "misalignment": m("1/64", "in"), "stamp": "W-17"}));
        for pass in ["tack", "root", "fill", "cap"] {
            c.record(job, &format!("joint/{joint}/welds"), json!({"pass": pass, "process": "GTAW", "stamp": "W-17", "lot": "L-5"}));
        }
        c.sign_in("l-vega");
        c.record(job, &format!("joint/{joint}/visual"), json!({"result": "accept", "saw": "even cap all round, no undercut"}));
    }
    c.sign_in("t-brandt");
    let test = json!({"pressure": m("2000", "psi"), "water": m("85", "F"), "gauge": "PG-7", "hold_min": 30, "result": "tight", "saw": ""});
    c.record(job, "test", test);
    c.sign_in("m-diaz");
    c.record(job, "hand-over", json!({"note": "One piece 20 11/32 in between 53 ft 8 in and 55 ft 5 in; nothing left inside."}));
}
