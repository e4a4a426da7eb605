//! Entries of other devices were checked by nobody: the fold takes them all, whatever they hold, in any order.

use job::plan::SitePlan;
use job::{Devices, JobFold, JobView};
use journal::{BootId, DeviceId, Draft, EntryHash, Incarnation, PersonId, Sealed, SigningKey, Stamp, Subject, Value, Writer};
use serde::Deserialize;
use serde_json::{Value as Json, json};
use std::sync::LazyLock;

/// The demo outage's plan with one usable PIN hash.
pub static PLAN: LazyLock<SitePlan> = LazyLock::new(|| {
    let mut plan = store::testkit::plan();
    let pin = job::pin::hash("481516", &[1; 16]).expect("six figures");
    plan.people.iter_mut().for_each(|p| p.pin.clone_from(&pin));
    plan
});

/// The job of all inputs.
pub const JOB: &str = "0193a0b0c0d0e0f00102030405060708";

/// What the views are made of when a plan or a body is tried: one whole job.
pub static WHOLE: LazyLock<Vec<Sealed>> = LazyLock::new(|| {
    use crate::sim::bodies;
    let mut rng = crate::sim::rng::Rng::new(1);
    let mut all = vec![said(0, "ana-r", "open", "open", 1, json!({"number": "K4-001", "section": "front-wall"}))];
    for field in bodies::FIELDS.iter().chain(&bodies::LISTS) {
        let body = bodies::body(field, true, false, &mut rng);
        all.push(said(0, bodies::writer(field), field, bodies::kind(field), 1, body));
    }
    written(&all)
});

/// The view of [`WHOLE`] with the demo plan.
pub fn whole_view() -> JobView {
    static VIEW: LazyLock<JobView> = LazyLock::new(|| {
        let (mut fold, mut devices) = (JobFold::new(JOB), Devices::default());
        for sealed in WHOLE.iter() {
            devices.insert(sealed);
            fold.insert(sealed);
        }
        fold.view(&PLAN, &devices).expect("an opened job")
    });
    VIEW.clone()
}

/// One thing said, as the inputs hold it.
#[derive(Clone, Debug, Deserialize, serde::Serialize)]
pub struct Said {
    /// Which of four devices.
    #[serde(default)]
    pub device: u8,
    /// Who.
    #[serde(default)]
    pub person: String,
    /// On which field of the job.
    pub field: String,
    /// Kind.
    pub kind: String,
    /// Version of the kind.
    #[serde(default = "one")]
    pub version: u32,
    /// Which of the things said before it builds on.
    #[serde(default)]
    pub basis: Vec<usize>,
    /// Content.
    #[serde(default)]
    pub body: Json,
}

const fn one() -> u32 {
    1
}

/// A thing said without a basis.
pub fn said(device: u8, person: &str, field: &str, kind: &str, version: u32, body: Json) -> Said {
    Said { device, person: person.into(), field: field.into(), kind: kind.into(), version, basis: vec![], body }
}

/// Sealed entries of what was said; what no writer could write is left out.
pub fn written(all: &[Said]) -> Vec<Sealed> {
    let mut pens: Vec<(Writer, SigningKey)> = (1..=4_u8)
        .map(|n| {
            let key = SigningKey::from_seed([n; 32]);
            (Writer::new(PLAN.site, DeviceId([n; 16]), Incarnation::of(&key.public()), None, 0), key)
        })
        .collect();
    let mut out: Vec<Sealed> = Vec::new();
    let mut hashes: Vec<Option<EntryHash>> = Vec::new();
    for said in all {
        let (writer, key) = &mut pens[usize::from(said.device % 4)];
        let basis: Vec<EntryHash> = said.basis.iter().filter_map(|n| hashes.get(*n).copied().flatten()).collect();
        let stamp = Stamp { wall_ms: 0, boot: BootId([1; 16]), uptime_ms: 1, person: PersonId(said.person.clone()) };
        let made = Value::from_json(&said.body).ok().and_then(|body| {
            let subject = Subject(format!("job/{JOB}/{}", said.field));
            let draft = Draft { kind: said.kind.clone(), version: said.version, subject, basis, body };
            writer.transaction(&stamp, vec![draft], key).ok()
        });
        hashes.push(made.as_ref().map(|tx| tx[0].hash));
        if let Some(tx) = made {
            writer.advance(&tx);
            out.extend(tx);
        }
    }
    out
}

/// A list of things said, in JSON.
pub fn check(bytes: &[u8]) {
    let Ok(all) = serde_json::from_slice::<Vec<Said>>(bytes) else { return };
    let entries = written(&all[..all.len().min(40)]);
    let devices = Devices::default();
    let view = |order: &mut dyn Iterator<Item = &Sealed>| {
        let mut fold = JobFold::new(JOB);
        order.for_each(|s| fold.insert(s));
        fold.view(&PLAN, &devices)
    };
    let forward = view(&mut entries.iter());
    let backward = view(&mut entries.iter().rev().chain(entries.iter().step_by(2)));
    assert_eq!(forward, backward, "another order of arrival gives another view");
    let Some(view) = forward else { return };
    let text = serde_json::to_string(&view).expect("a view is plain");
    assert_eq!(serde_json::from_str::<JobView>(&text).ok().as_ref(), Some(&view), "a view is kept as text and read again");
    nothing_lost(&view, &entries);
}

/// Every entry of the job is somewhere in the view: as an answer that stands, as one that stood, as an item. A subject
/// without a field (`job/<id>/`) is no job's: no writer makes one, and the store keeps it beside all jobs.
fn nothing_lost(view: &JobView, entries: &[Sealed]) {
    let text = serde_json::to_string(&(&view.fields, &view.lists)).expect("plain");
    let ours = |s: &&Sealed| job::fold::split_subject(&s.entry.subject.0).is_some_and(|(job, _)| job == JOB);
    for sealed in entries.iter().filter(ours) {
        let struck = sealed.entry.kind == "strike";
        assert!(struck || text.contains(&sealed.hash.to_hex()), "{} on {} is shown nowhere", sealed.entry.kind, sealed.entry.subject);
    }
}
