//! A tablet that is already paired and holds the demo outage's plan, on a machine whose clock the test sets.

use job::pin;
use job::standing::{self, SeriesRole, Standing};
use journal::{BootId, DeviceId, Draft, Incarnation, PersonId, Sealed, SigningKey, SiteId, Stamp, Subject, Value, Writer};
use serde_json::{Value as Json, json};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, OnceLock};
use store::{Options, Store};
use tablet::{Env, FakeEnv, Fault, Tablet};
use tempfile::TempDir;

const OUTAGE: &str = include_str!("../../../../server/demo/outage.json");
/// 2026-03-02 06:00 UTC.
pub const MORNING: i64 = 1_772_431_200_000;

/// The plan and everybody's PIN.
pub fn outage() -> &'static (Json, BTreeMap<String, String>) {
    static PLAN: OnceLock<(Json, BTreeMap<String, String>)> = OnceLock::new();
    PLAN.get_or_init(|| {
        let mut plan: Json = serde_json::from_str(OUTAGE).unwrap();
        let mut pins = BTreeMap::new();
        for person in plan["people"].as_array_mut().unwrap() {
            let plain = person["pin_plain"].as_str().unwrap().to_owned();
            person["pin"] = json!(pin::hash(&plain, &[3; 16]).unwrap());
            person.as_object_mut().unwrap().remove("pin_plain");
            pins.insert(person["id"].as_str().unwrap().to_owned(), plain);
        }
        (plan, pins)
    })
}

pub fn pin_of(person: &str) -> &'static str {
    &outage().1[person]
}

fn server_key() -> SigningKey {
    SigningKey::from_seed([9; 32])
}

/// Made-up machines of which the trailer has said that they belong here.
const KNOWN: u64 = 300;

/// The series that a tablet begins on the made-up machine of that number: device first, then the key.
pub fn series_of(machine: u64) -> Incarnation {
    let (env, mut device, mut seed) = (FakeEnv::new(MORNING, machine), [0; 16], [0; 32]);
    env.random(&mut device).unwrap();
    env.random(&mut seed).unwrap();
    Incarnation::of(&SigningKey::from_seed(seed).public())
}

/// What the trailer says of a series.
pub fn says(series: Incarnation, role: SeriesRole, to: Option<u64>) -> Draft {
    standing::draft(&series, &Standing { role, name: "K".into(), to, reason: String::new() }, vec![]).unwrap()
}

/// The server's series: its beginning, the plan, and the tablets that belong here.
fn plan_entries() -> &'static [Sealed] {
    static ENTRIES: OnceLock<Vec<Sealed>> = OnceLock::new();
    ENTRIES.get_or_init(make_plan_entries)
}

fn make_plan_entries() -> Vec<Sealed> {
    let key = server_key();
    let (device, plan) = (DeviceId([9; 16]), &outage().0);
    let site: SiteId = serde_json::from_value(plan["site"].clone()).unwrap();
    let stamp = Stamp { wall_ms: MORNING, boot: BootId([9; 16]), uptime_ms: 1, person: PersonId("nobody".into()) };
    let mut writer = Writer::new(site, device, Incarnation::of(&key.public()), None, 0);
    let begin = writer.transaction(&stamp, vec![Draft::series_begin(device, &key, "trailer", "server")], &key).unwrap();
    writer.advance(&begin);
    let draft = Draft {
        kind: "site-plan".into(),
        version: 1,
        subject: Subject("site/plan".into()),
        basis: vec![],
        body: Value::from_json(plan).unwrap(),
    };
    let mut all = begin;
    let plan = writer.transaction(&stamp, vec![draft], &key).unwrap();
    writer.advance(&plan);
    let known = (1..=KNOWN).map(|machine| says(series_of(machine), SeriesRole::Tablet, None)).collect();
    all.extend(plan);
    all.extend(writer.transaction(&stamp, known, &key).unwrap());
    all
}

/// One tablet in a folder of its own.
pub struct Kit {
    pub dir: TempDir,
    pub env: Arc<FakeEnv>,
    pub tablet: Tablet,
}

impl Kit {
    pub fn new(name: &str, series: u64) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let env = Arc::new(FakeEnv::new(MORNING, series));
        let open_tablet = || Tablet::open_with(dir.path(), env.clone(), Options::default()).unwrap();
        // The first start makes the key that the pairing then holds for.
        let incarnation = open_tablet().incarnation();
        {
            let mut store = open(dir.path());
            let pairing = json!({
                "address": "127.0.0.1:1", "fingerprint": "00".repeat(32), "token": "t", "site": outage().0["site"],
                "plant": outage().0["plant"], "name": name, "server_key": server_key().public(), "incarnation": incarnation,
            });
            store.set_setting("pairing", &pairing.to_string()).unwrap();
            store.accept(plan_entries().to_vec()).unwrap();
        }
        let tablet = open_tablet();
        Self { dir, env, tablet }
    }

    /// The program is killed and started again; nobody is signed in then.
    pub fn restart(self) -> Self {
        let Self { dir, env, tablet } = self;
        drop(tablet);
        let tablet = Tablet::open_with(dir.path(), env.clone(), Options::default()).unwrap();
        Self { dir, env, tablet }
    }

    #[track_caller]
    pub fn call(&self, name: &str, args: Json) -> Json {
        self.env.pass(1_000);
        match self.tablet.call(name, args) {
            Ok(answer) => answer,
            Err(fault) => panic!("{name}: {} {}", fault.code(), fault.to_json()),
        }
    }

    #[track_caller]
    pub fn refused(&self, name: &str, args: Json) -> Fault {
        self.env.pass(1_000);
        match self.tablet.call(name, args) {
            Ok(answer) => panic!("{name} was not refused: {answer}"),
            Err(fault) => {
                println!("{} {}: {fault}", fault.status, fault.code());
                fault
            }
        }
    }

    #[track_caller]
    pub fn sign_in(&self, person: &str) {
        let answer = self.call("sign_in", json!({ "person": person, "pin": pin_of(person) }));
        assert_eq!(answer["person"]["id"], person);
    }

    /// Opens a job at tube 47 of the front wall as the person who is signed in.
    #[track_caller]
    pub fn open_job(&self) -> String {
        self.open_tube(47)
    }

    #[track_caller]
    pub fn open_tube(&self, tube: u32) -> String {
        let place = json!({ "row": 1, "tube": tube, "elevation": measure("54.5", "ft"), "side": "fire", "landmark": "wall blower 12" });
        let answer = self.call("open_job", json!({ "section": "front-wall", "place": place }));
        answer["job"].as_str().unwrap().to_owned()
    }

    #[track_caller]
    pub fn job(&self, job: &str) -> Json {
        self.call("job", json!({ "job": job }))
    }

    /// Records a field on top of what stands there.
    #[track_caller]
    pub fn record(&self, job: &str, field: &str, body: Json) -> Json {
        let basis = self.job(job)["fields"][field]["basis"].clone();
        let basis = if basis.is_null() { json!([]) } else { basis };
        self.call("record", json!({ "job": job, "field": field, "body": body, "basis": basis }))
    }

    #[track_caller]
    pub fn sign(&self, job: &str, gate: &str, role: &str, person: &str) -> Json {
        self.sign_in(person);
        let may = self.call("may_sign", json!({ "job": job, "gate": gate }));
        self.call("sign", json!({ "job": job, "gate": gate, "role": role, "pin": pin_of(person), "lang": "en", "covers": may["covers"] }))
    }

    /// How many entries of jobs are in the store; nothing entered may vanish after a refusal.
    pub fn entries(&self) -> u64 {
        self.call("jobs", json!({}))
            .as_array()
            .unwrap()
            .iter()
            .map(|j| self.job(j["job"].as_str().unwrap())["entries"].as_u64().unwrap())
            .sum()
    }
}

pub fn open(dir: &Path) -> Store {
    Store::open(dir, Options::default()).unwrap()
}

/// A measure as the screen sends it: what was typed, and in which unit.
pub fn measure(typed: &str, unit: &str) -> Json {
    json!({ "typed": typed, "unit": unit })
}

/// All entries of one store into another, as a sync would carry them.
pub fn carry(from: &Path, to: &Path) {
    let (from, mut to) = (open(from), open(to));
    let mine = to.heads().unwrap();
    for (incarnation, head) in from.heads().unwrap().0 {
        let mut next = mine.seq(&incarnation) + 1;
        while next <= head.seq {
            let piece = from.read(&incarnation, next, 1 << 20).unwrap();
            next = piece.last().unwrap().entry.seq + 1;
            to.accept(piece).unwrap();
        }
    }
}

/// Entries that the trailer wrote, as a sync would bring them.
pub fn from_trailer(dir: &Path, drafts: Vec<Draft>) {
    let (mut store, key) = (open(dir), server_key());
    let tail = store.tail(&Incarnation::of(&key.public())).unwrap().unwrap();
    let writer = Writer::new(tail.site(), DeviceId([9; 16]), tail.incarnation(), tail.head(), store.counter().unwrap());
    let stamp = Stamp { wall_ms: MORNING, boot: BootId([9; 16]), uptime_ms: 2, person: PersonId("m-diaz".into()) };
    let accepted = store.accept(writer.transaction(&stamp, drafts, &key).unwrap()).unwrap();
    assert!(accepted.quarantined.is_empty(), "{:?}", accepted.quarantined);
}
