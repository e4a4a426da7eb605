//! A made-up site for tests: the demo outage's plan, devices with fixed keys, and jobs that they record.

#![allow(clippy::missing_panics_doc, clippy::expect_used)]

pub mod machine;
pub mod vfs;

use crate::error::StoreError;
use crate::read::Reader;
use job::SitePlan;
use journal::{
    BootId, DeviceId, Draft, EntryHash, Incarnation, PersonId, PhotoHash, Sealed, SigningKey, SiteId, Stamp, Subject, Value, Writer,
};
use serde_json::{Value as Json, json};

/// The demo outage's plan as JSON; the PINs are not hashed.
pub fn plan_json() -> Json {
    let mut json: Json = serde_json::from_str(include_str!("../../../server/demo/outage.json")).expect("the demo outage is JSON");
    for person in json["people"].as_array_mut().into_iter().flatten().filter_map(Json::as_object_mut) {
        let pin = person.remove("pin_plain").unwrap_or(json!("-"));
        person.insert("pin".into(), pin);
    }
    json
}

/// The demo outage's plan.
pub fn plan() -> SitePlan {
    serde_json::from_value(plan_json()).expect("the demo outage is a plan")
}

/// The demo outage's site.
pub fn site() -> SiteId {
    plan().site
}

/// A draft of an entry.
pub fn draft(subject: &str, kind: &str, body: &Json, basis: &[EntryHash]) -> Draft {
    Draft {
        kind: kind.into(),
        version: 1,
        subject: Subject(subject.into()),
        basis: basis.to_vec(),
        body: Value::from_json(body).expect("no floats in a test's body"),
    }
}

/// Whole inches as a measure.
pub fn inches(n: u32) -> Json {
    json!({"typed": n.to_string(), "value": [n, 1], "unit": "in"})
}

/// A device that writes one series.
#[derive(Debug)]
pub struct Author {
    key: SigningKey,
    device: DeviceId,
    name: String,
    writer: Writer,
    clock: i64,
}

impl Author {
    /// A device with a fixed key made from `n`.
    pub fn new(n: u8, name: &str) -> Self {
        Self::of_site(site(), n, name)
    }

    /// The same at another site.
    pub fn of_site(site: SiteId, n: u8, name: &str) -> Self {
        let key = SigningKey::from_seed([n; 32]);
        let (device, incarnation) = (DeviceId([n; 16]), Incarnation::of(&key.public()));
        let writer = Writer::new(site, device, incarnation, None, 0);
        Self { key, device, name: name.into(), writer, clock: 1_790_000_000_000 }
    }

    /// A second series of the same device, as after a restore.
    #[must_use]
    pub fn again(&self, n: u8, name: &str) -> Self {
        let mut other = Self::new(n, name);
        other.device = self.device;
        other.writer = Writer::new(site(), self.device, other.incarnation(), None, self.writer.counter());
        other
    }

    /// Goes on where a store stands.
    ///
    /// # Errors
    /// As the store's reads.
    pub fn resume(&mut self, store: &Reader) -> Result<(), StoreError> {
        let head = store.tail(&self.incarnation())?.and_then(|tail| tail.head());
        self.writer = Writer::new(site(), self.device, self.incarnation(), head, store.counter()?);
        Ok(())
    }

    /// The series.
    pub const fn incarnation(&self) -> Incarnation {
        self.writer.incarnation()
    }

    /// The device.
    pub const fn device(&self) -> DeviceId {
        self.device
    }

    /// The key.
    pub const fn key(&self) -> &SigningKey {
        &self.key
    }

    /// Takes note of counters seen elsewhere.
    pub fn saw(&mut self, entries: &[Sealed]) {
        entries.iter().for_each(|s| self.writer.observe(s.entry.counter));
    }

    /// One transaction of these drafts.
    pub fn write(&mut self, drafts: Vec<Draft>) -> Vec<Sealed> {
        self.clock += 60_000;
        let person = PersonId("ana-r".into());
        let stamp = Stamp { wall_ms: self.clock, boot: BootId([1; 16]), uptime_ms: 1, person };
        let sealed = self.writer.transaction(&stamp, drafts, &self.key).expect("a sound transaction");
        self.writer.advance(&sealed);
        sealed
    }

    /// The first transaction of a tablet's series.
    pub fn begin(&mut self) -> Vec<Sealed> {
        self.begin_as("tablet")
    }

    /// The first transaction of a series in this role (`tablet` or `server`).
    pub fn begin_as(&mut self, role: &str) -> Vec<Sealed> {
        let draft = Draft::series_begin(self.device, &self.key, &self.name, role);
        self.write(vec![draft])
    }

    /// The plan as a transaction.
    pub fn write_plan(&mut self, plan: &Json, basis: &[EntryHash]) -> Vec<Sealed> {
        self.write(vec![draft("site/plan", "site-plan", plan, basis)])
    }

    /// Opens a job: two entries in one transaction.
    pub fn open_job(&mut self, job: &str, number: &str, tube: u32) -> Vec<Sealed> {
        let elevation = json!({"typed": "54", "value": [54, 1], "unit": "ft"});
        let place = json!({"section": "front-wall", "row": 1, "tube": tube, "elevation": elevation, "side": "fire", "landmark": ""});
        self.write(vec![
            draft(&format!("job/{job}/open"), "open", &json!({"number": number, "section": "front-wall"}), &[]),
            draft(&format!("job/{job}/place"), "place", &place, &[]),
        ])
    }

    /// Records a gap at a clock position.
    pub fn gap(&mut self, job: &str, clock: &str, gap: u32, basis: &[EntryHash]) -> Vec<Sealed> {
        let body = json!({"gap": inches(gap), "instrument": "T-12"});
        self.write(vec![draft(&format!("job/{job}/gap/{clock}"), "gap", &body, basis)])
    }

    /// Names a photo.
    pub fn photo(&mut self, job: &str, hash: &PhotoHash, bytes: usize) -> Vec<Sealed> {
        let body = json!({"hash": hash, "bytes": bytes, "view": "close", "caption": "", "width": 40, "height": 30, "mime": "image/jpeg"});
        self.write(vec![draft(&format!("job/{job}/photos"), "photo", &body, &[])])
    }

    /// A note.
    pub fn note(&mut self, job: &str, text: &str) -> Vec<Sealed> {
        self.write(vec![draft(&format!("job/{job}/notes"), "note", &json!({"text": text}), &[])])
    }
}

/// The trailer's series: its beginning and the plan.
pub fn trailer() -> (Author, Vec<Sealed>) {
    let mut trailer = Author::new(9, "trailer");
    let mut all = trailer.begin_as("server");
    all.extend(trailer.write_plan(&plan_json(), &[]));
    (trailer, all)
}

/// Two tablets that record two jobs, disagree about a gap and note what they saw: whole transactions in the order made.
pub fn two_tablets() -> Vec<Vec<Sealed>> {
    let (mut k2, mut k4) = (Author::new(2, "K2"), Author::new(4, "K4"));
    let mut all = vec![k2.begin(), k4.begin(), k2.open_job("a1", "K2-001", 47), k4.open_job("b2", "K4-001", 71)];
    for (at, clock) in (0_u32..).zip(["12", "3", "6", "9"]) {
        all.push(k2.gap("a1", clock, 20 + at, &[]));
        all.push(k4.gap("a1", clock, 20 + at % 2, &[]));
        all.push(k4.gap("b2", clock, 18, &[]));
    }
    all.push(k2.note("a1", "scale on the fire side"));
    all.push(k4.write(vec![draft("job/b2/never-heard-of", "later-kind", &json!({"x": [1, {"y": "z"}]}), &[])]));
    all.push(k2.photo("a1", &PhotoHash([7; 32]), 1234));
    all
}
