//! Two tablets of the demo outage that write real, signed entries.
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

use job::plan::{Role, SitePlan};
use job::{Devices, JobFold, JobView};
use journal::sign::SigningKey;
use journal::writer::{Draft, Stamp, Writer};
use journal::{BootId, DeviceId, EntryHash, Incarnation, PersonId, Sealed, Subject, Value};
use serde_json::{Value as Json, json};

pub const JOB: &str = "0193a0b0c0d0e0f00102030405060708";

/// The demo outage's plan; PINs stay unhashed, nothing here looks at them.
pub fn plan() -> SitePlan {
    let text = include_str!("../../../../server/demo/outage.json");
    let mut json: Json = serde_json::from_str(text).unwrap();
    for person in json["people"].as_array_mut().unwrap() {
        let pin = person.as_object_mut().unwrap().remove("pin_plain").unwrap_or(json!("-"));
        person["pin"] = pin;
    }
    serde_json::from_value(json).unwrap()
}

/// One tablet.
pub struct Tablet {
    pub name: String,
    key: SigningKey,
    writer: Writer,
    pub sealed: Vec<Sealed>,
    clock: i64,
}

impl Tablet {
    pub fn new(name: &str, n: u8) -> Self {
        let key = SigningKey::from_seed([n; 32]);
        let device = DeviceId([n; 16]);
        let incarnation = Incarnation::of(&key.public());
        let mut tablet = Self {
            name: name.to_owned(),
            writer: Writer::new(plan().site, device, incarnation, None, 0),
            key: key.clone(),
            sealed: Vec::new(),
            clock: 1_790_000_000_000,
        };
        tablet.write("nobody", vec![Draft::series_begin(device, &key, name, "tablet")]);
        tablet
    }

    fn write(&mut self, person: &str, drafts: Vec<Draft>) -> Vec<EntryHash> {
        self.clock += 60_000;
        let stamp = Stamp { wall_ms: self.clock, boot: BootId([1; 16]), uptime_ms: 1, person: PersonId(person.to_owned()) };
        let sealed = self.writer.transaction(&stamp, drafts, &self.key).unwrap();
        self.writer.advance(&sealed);
        let hashes = sealed.iter().map(|s| s.hash).collect();
        self.sealed.extend(sealed);
        hashes
    }

    /// Records one entry on a field of the job.
    pub fn record(&mut self, person: &str, field: &str, kind: &str, body: Json, basis: &[EntryHash]) -> EntryHash {
        self.record_version(person, field, kind, 1, body, basis)
    }

    pub fn record_version(&mut self, person: &str, field: &str, kind: &str, version: u32, body: Json, basis: &[EntryHash]) -> EntryHash {
        let mut basis = basis.to_vec();
        basis.sort();
        let draft = Draft {
            kind: kind.to_owned(),
            version,
            subject: Subject(format!("job/{JOB}/{field}")),
            basis,
            body: Value::from_json(&body).unwrap(),
        };
        self.write(person, vec![draft])[0]
    }

    /// Signs a gate over what stands in `view`.
    pub fn sign(&mut self, view: &JobView, gate: &str, role: Role, person: &str) -> EntryHash {
        let body = job::signing::sign_body(view, &plan(), gate, role, "en", None).unwrap();
        self.record(person, &format!("gate/{gate}"), "sign", serde_json::to_value(body).unwrap(), &[])
    }
}

/// What all these tablets together give.
pub fn view(tablets: &[&Tablet]) -> JobView {
    let all: Vec<&Sealed> = tablets.iter().flat_map(|t| &t.sealed).collect();
    fold(&all)
}

pub fn fold(all: &[&Sealed]) -> JobView {
    let (mut fold, mut devices) = (JobFold::new(JOB), Devices::default());
    for sealed in all {
        devices.insert(sealed);
        fold.insert(sealed);
    }
    fold.view(&plan(), &devices).expect("the job's open entry is among them")
}

/// A measure as the journal keeps it.
pub fn m(typed: &str, unit: &str) -> Json {
    let unit: trade::Unit = serde_json::from_value(json!(unit)).unwrap();
    serde_json::to_value(trade::Measure::parse(typed, unit, None).unwrap()).unwrap()
}

pub fn gap(typed: &str) -> Json {
    json!({"gap": m(typed, "in"), "instrument": "T-12"})
}

/// Opens the job and records steps 1 to `upto` as the crew would, without signing.
pub fn record_steps(t: &mut Tablet, upto: u8) {
    t.record("ana-r", "open", "open", json!({"number": "K4-001", "section": "front-wall"}), &[]);
    let place = json!({"section": "front-wall", "row": 1, "tube": 47, "elevation": m("54' 6\"", "ft"), "side": "fire", "landmark": ""});
    t.record("ana-r", "place", "place", place, &[]);
    t.record("m-soto", "second-count", "second-count", json!({"tube": 74}), &[]);
    for step in 2..=upto {
        record_step(t, step);
    }
}

fn record_step(t: &mut Tablet, step: u8) {
    match step {
        2 => {
            let seen = json!({"opening": "perforation", "signs": ["polished"], "first": "leaked-first", "note": ""});
            t.record("ana-r", "failure", "failure", seen, &[]);
            for (n, view) in ["overview", "middle", "close"].iter().enumerate() {
                let photo = json!({"hash": format!("{:064x}", n + 1), "bytes": 1000, "view": view, "caption": "", "width": 40, "height": 30, "mime": "image/jpeg"});
                t.record("ana-r", "photos", "photo", photo, &[]);
            }
        }
        3 => {
            let steps =
                json!([{"nominal": m("0.100", "in"), "read": m("0.100", "in")}, {"nominal": m("0.300", "in"), "read": m("0.301", "in")}]);
            t.record("ana-r", "gauge", "gauge", json!({"gauge": "UT-3", "block": "B-1", "steps": steps, "surface": m("75", "F")}), &[]);
            for (clock, wall) in [(10, "0.171"), (12, "0.112"), (2, "0.185")] {
                let reading = json!({"elevation": m("54' 6\"", "ft"), "clock": clock, "wall": m(wall, "in"), "gauge": "UT-3"});
                t.record("ana-r", "readings", "reading", reading, &[]);
            }
        }
        4 => {
            t.record("p-lindahl", "plan", "plan", json!({"method": "dutchman", "why": "thin from 54 ft to 55 ft"}), &[]);
        }
        5 => {
            for check in plan().checks {
                let done = json!({"check": check.id, "saw": "lock 14 on the valve", "result": "good"});
                t.record("m-diaz", &format!("before-work/{}", check.id), "check", done, &[]);
            }
        }
        6 => {
            let tube = json!({"grade": "SA-210 A-1", "od": m("2.5", "in"), "wall": m("0.200", "in"), "heat": "H4471", "certificate": "C-88", "pmi": "agrees"});
            t.record("l-vega", "material", "material", tube, &[]);
            t.record("m-soto", "filler", "filler", json!({"class": "ER70S-2", "lot": "L-5"}), &[]);
            t.record("m-soto", "procedure", "procedure", json!({"procedure": "MB-CS-01"}), &[]);
        }
        7 => {
            for (clock, typed) in [("12", "20 9/16"), ("3", "20 9/16"), ("6", "20 1/2"), ("9", "20 1/2")] {
                t.record("m-soto", &format!("gap/{clock}"), "gap", gap(typed), &[]);
            }
            t.record("m-soto", "piece", "piece", json!({"length": m("20 11/32", "in")}), &[]);
        }
        8..=10 => record_joints(t, step),
        11 => {
            let test =
                json!({"pressure": m("2000", "psi"), "water": m("80", "F"), "gauge": "PG-1", "hold_min": 30, "result": "tight", "saw": ""});
            t.record("t-brandt", "test", "pressure-test", test, &[]);
        }
        _ => {
            t.record("m-diaz", "hand-over", "hand-over", json!({"note": "nothing left inside"}), &[]);
        }
    }
}

fn record_joints(t: &mut Tablet, step: u8) {
    for joint in ["upper", "lower"] {
        match step {
            8 => {
                let fit = json!({"root": m("3/32", "in"), "misalignment": m("1/64", "in"), "stamp": "W-17"});
                t.record("m-soto", &format!("joint/{joint}/fit-up"), "fit-up", fit, &[]);
            }
            9 => {
                for pass in ["root", "cap"] {
                    let weld = json!({"pass": pass, "process": "GTAW", "stamp": "W-17", "lot": "L-5"});
                    t.record("m-soto", &format!("joint/{joint}/welds"), "weld", weld, &[]);
                }
            }
            _ => {
                let seen = json!({"result": "accept", "saw": "even cap, no undercut"});
                t.record("l-vega", &format!("joint/{joint}/visual"), "visual", seen, &[]);
            }
        }
    }
}

/// A person who may sign in this role without having counted the tube.
pub fn signer(role: Role) -> &'static str {
    match role {
        Role::Helper => "j-ortiz",
        Role::Welder => "m-soto",
        Role::Supervisor => "m-diaz",
        Role::Qc => "l-vega",
        Role::Engineer => "p-lindahl",
        Role::Inspector => "r-okoye",
        Role::Operations => "t-brandt",
    }
}

/// Signs every gate up to `upto` in order.
pub fn sign_all(t: &mut Tablet, upto: u8) {
    for point in plan().hold_points.iter().filter(|p| p.after_step <= upto) {
        for role in &point.roles {
            let now = view(&[t]);
            let person = signer(*role);
            if let Err(why) = job::signing::may_sign(&now, &plan(), &point.id, &PersonId(person.into()), *role) {
                panic!("{person} may not sign {}: {why}", point.id);
            }
            t.sign(&now, &point.id, *role, person);
        }
    }
}
