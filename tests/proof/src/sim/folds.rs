//! The fold against the oracle on journals made by chance, and in every order in which the entries can arrive.

use crate::oracle::{self, Oracle, State, Told};
use crate::sim::bodies;
use crate::sim::rng::Rng;
use crate::{Budget, Figure};
use job::plan::{Role, SitePlan};
use job::{Devices, JobFold, JobView, signing};
use journal::{BootId, DeviceId, Draft, EntryHash, Incarnation, PersonId, Sealed, SigningKey, Stamp, Subject, Value, Writer};
use serde_json::{Value as Json, json};
use std::sync::LazyLock;
use std::time::Instant;

/// The plan of all simulated outages: the demo outage's with one section, two checks, and one person with two roles.
pub static PLAN: LazyLock<SitePlan> = LazyLock::new(|| {
    let mut plan = store::testkit::plan();
    plan.sections.truncate(1);
    plan.sections[0].landmarks.clear();
    plan.checks.retain(|c| ["isolation", "gas-test"].contains(&c.id.as_str()));
    plan.procedures.truncate(1);
    for point in &mut plan.hold_points {
        (point.statement.en, point.statement.es) = (format!("I saw {}.", point.id), format!("Vi {}.", point.id));
    }
    if let Some(both) = plan.people.iter_mut().find(|p| p.id.0 == "g-holm") {
        both.roles.push(Role::Engineer);
    }
    plan
});

const JOB: &str = "0193a0b0c0d0e0f00102030405060708";

/// One device that writes; nothing is signed, because the fold judges no signatures.
struct Pen {
    writer: Writer,
    key: SigningKey,
}

/// A journal made by chance, in the order it was written.
pub struct Journal {
    /// Its entries.
    pub entries: Vec<Sealed>,
    pens: Vec<Pen>,
    rng: Rng,
}

impl Journal {
    /// The beginnings of `devices` series.
    pub fn new(seed: u64, devices: usize) -> Self {
        let mut journal = Self { entries: Vec::new(), pens: Vec::new(), rng: Rng::new(seed) };
        for n in 0..devices {
            let key = SigningKey::from_seed([n as u8 + 1; 32]);
            let device = DeviceId([n as u8 + 1; 16]);
            let writer = Writer::new(PLAN.site, device, Incarnation::of(&key.public()), None, 0);
            let begin = Draft::series_begin(device, &key, &format!("K{}", n + 1), "tablet");
            journal.pens.push(Pen { writer, key });
            journal.write(n, "nobody", vec![begin]);
        }
        journal
    }

    fn write(&mut self, pen: usize, person: &str, drafts: Vec<Draft>) -> Vec<EntryHash> {
        let wall_ms = 1_790_000_000_000 + self.rng.below(1_000_000_000) as i64;
        let stamp = Stamp { wall_ms, boot: BootId([1; 16]), uptime_ms: 1, person: PersonId(person.to_owned()) };
        let pen = &mut self.pens[pen];
        let made = pen.writer.transaction(&stamp, drafts, &pen.key).expect("a sound transaction");
        pen.writer.advance(&made);
        let hashes = made.iter().map(|s| s.hash).collect();
        self.entries.extend(made);
        hashes
    }

    #[allow(clippy::too_many_arguments)] // One entry, said in full.
    fn said(&mut self, pen: usize, person: &str, field: &str, kind: &str, version: u32, body: &Json, basis: Vec<EntryHash>) {
        let body = Value::from_json(body).expect("no floats");
        let draft = Draft { kind: kind.into(), version, subject: Subject(format!("job/{JOB}/{field}")), basis, body };
        self.write(pen, person, vec![draft]);
    }

    /// What was written on one field so far.
    fn on(&self, field: &str) -> Vec<&Sealed> {
        let subject = format!("job/{JOB}/{field}");
        self.entries.iter().filter(|s| s.entry.subject.0 == subject).collect()
    }

    /// Anything that stood on the field once, by chance; now and then something else altogether.
    fn basis(&mut self, field: &str) -> Vec<EntryHash> {
        let here: Vec<EntryHash> = self.on(field).iter().map(|s| s.hash).collect();
        let chance = self.rng.below(100);
        let mut basis: Vec<EntryHash> = match chance {
            0..35 => here.iter().rev().take(2).copied().collect(),
            35..55 => Vec::new(),
            55..75 => here.iter().filter(|_| self.rng.percent(50)).copied().collect(),
            75..95 => here.last().into_iter().copied().collect(),
            _ => self.rng.pick(&self.entries).map(|s| s.hash).into_iter().collect(),
        };
        if chance == 99 {
            basis.push(EntryHash(self.rng.bytes()));
        }
        basis
    }

    /// Opens the job and lets chance write `n` more entries.
    pub fn live(mut self, n: usize) -> Self {
        self.said(0, "ana-r", "open", "open", 1, &json!({"number": "K1-001", "section": "front-wall"}), vec![]);
        while self.entries.len() < n {
            let pen = self.rng.below(self.pens.len());
            self.act(pen);
            // Devices hear of each other now and then.
            if self.rng.percent(40) {
                let seen = self.rng.pick(&self.entries).map_or(0, |s| s.entry.counter);
                self.pens[pen].writer.observe(seen);
            }
        }
        self
    }

    fn act(&mut self, pen: usize) {
        let person = *self.rng.pick(&bodies::PEOPLE).unwrap_or(&"ana-r");
        // Few fields, so that people meet.
        let single = ["gap/12", "gap/3", "place", "second-count", "material", "before-work/isolation", "joint/upper/visual"];
        let field = *self.rng.pick(&single).unwrap_or(&"gap/12");
        match self.rng.below(100) {
            0..45 => {
                let (body, basis) = (bodies::body(field, false, true, &mut self.rng), self.basis(field));
                self.said(pen, person, field, bodies::kind(field), 1, &body, basis);
            }
            45..58 => {
                let inner = bodies::body(field, false, true, &mut self.rng);
                let body = json!({"kind": bodies::kind(field), "body": inner, "reason": "measured again together"});
                let basis = self.basis(field);
                self.said(pen, person, field, "settle", 1, &body, basis);
            }
            58..70 => {
                let field = *self.rng.pick(&bodies::LISTS).unwrap_or(&"notes");
                let body = bodies::body(field, false, true, &mut self.rng);
                self.said(pen, person, field, bodies::kind(field), 1, &body, vec![]);
            }
            70..78 => self.strike(pen, person),
            78..84 => self.later(pen, person, field),
            84..88 => self.fill(pen),
            _ => self.sign(pen, person),
        }
    }

    fn strike(&mut self, pen: usize, person: &str) {
        let lists = ["readings", "joint/upper/welds", "notes", "gate/place", "gap/12"];
        let field = *self.rng.pick(&lists).unwrap_or(&"notes");
        let items: Vec<EntryHash> = self.on(field).iter().map(|s| s.hash).collect();
        if let Some(entry) = self.rng.pick(&items).copied() {
            let body = if self.rng.percent(90) { json!({"entry": entry, "reason": "twice"}) } else { json!({"item": entry}) };
            self.said(pen, person, field, "strike", 1, &body, vec![]);
        }
    }

    /// What a later program might write: another version, another kind, a body of another form, a field of its own.
    fn later(&mut self, pen: usize, person: &str, field: &str) {
        let basis = self.basis(field);
        let body = bodies::body(field, false, true, &mut self.rng);
        match self.rng.below(6) {
            0 => self.said(pen, person, field, bodies::kind(field), 2, &body, basis),
            1 => self.said(pen, person, field, "later-kind", 1, &body, basis),
            2 => self.said(pen, person, field, bodies::kind(field), 1, &json!({"shape": "of its own"}), basis),
            3 => self.said(pen, person, "torque/1", "torque", 1, &json!({"nm": 40}), vec![]),
            4 => {
                let body = bodies::body("readings", false, true, &mut self.rng);
                self.said(pen, person, "readings", "reading", 2, &body, vec![]);
            }
            _ => {
                let body = json!({"kind": "later-kind", "body": body, "reason": "measured again"});
                self.said(pen, person, field, "settle", 1, &body, basis);
            }
        }
    }

    /// Everything that a step needs and that nobody has said yet.
    fn fill(&mut self, pen: usize) {
        let upto = 1 + self.rng.below(11) as u8;
        for field in bodies::FIELDS.iter().filter(|f| bodies::step(f) <= upto) {
            if self.on(field).is_empty() {
                let body = bodies::body(field, true, true, &mut self.rng);
                self.said(pen, bodies::writer(field), field, bodies::kind(field), 1, &body, vec![]);
            }
        }
    }

    /// Signs over what stands now, or over what somebody saw who has heard only a part, by someone who may or may not.
    fn sign(&mut self, pen: usize, person: &str) {
        let known = if self.rng.percent(70) { self.entries.len() } else { 1 + self.rng.below(self.entries.len()) };
        let Some(view) = fold(self.entries[..known].iter()) else { return };
        let Some(point) = self.rng.pick(&PLAN.hold_points) else { return };
        let Some(role) = self.rng.pick(&point.roles).copied() else { return };
        let fitting = PLAN.people.iter().filter(|p| p.roles.contains(&role)).map(|p| p.id.0.as_str());
        let fitting: Vec<&str> = fitting.collect();
        let person = if self.rng.percent(80) { self.rng.pick(&fitting).copied().unwrap_or(person) } else { person };
        let waived = self.rng.percent(12).then(|| if self.rng.percent(80) { "no access today".to_owned() } else { " ".to_owned() });
        let Some(mut sign) = signing::sign_body(&view, &PLAN, &point.id, role, "en", waived) else { return };
        if self.rng.percent(5) {
            sign.covers.pop();
        }
        let version = if self.rng.percent(5) { 2 } else { 1 };
        let body = serde_json::to_value(sign).expect("a signature is plain");
        self.said(pen, person, &format!("gate/{}", point.id), "sign", version, &body, vec![]);
    }
}

/// The view of these entries in this order.
pub fn fold<'a>(entries: impl Iterator<Item = &'a Sealed>) -> Option<JobView> {
    let (mut fold, mut devices) = (JobFold::new(JOB), Devices::default());
    for sealed in entries {
        devices.insert(sealed);
        fold.insert(sealed);
    }
    fold.view(&PLAN, &devices)
}

/// Folds a journal in several orders and asks the oracle; gives what differs.
pub fn compare(entries: &[Sealed], rng: &mut Rng, figure: &mut Figure) -> Vec<String> {
    let told = Oracle::new(JOB, &PLAN, entries).told();
    let mut order: Vec<&Sealed> = entries.iter().collect();
    let mut first: Option<Option<JobView>> = None;
    let mut wrong = Vec::new();
    for _ in 0..3 {
        rng.shuffle(&mut order);
        let again = entries.iter().filter(|_| rng.percent(20)).collect::<Vec<_>>();
        let view = fold(order.iter().copied().chain(again));
        figure.add("arrival orders folded", 1);
        match &first {
            None => first = Some(view),
            Some(before) if *before != view => wrong.push("another order of arrival gives another view".to_owned()),
            Some(_) => {}
        }
    }
    match first.flatten() {
        Some(view) => wrong.extend(oracle::differences(&view, &PLAN, &told)),
        None if told.fields.get("open").is_some_and(|f| f.state == State::Agreed) => wrong.push("an opened job has no view".into()),
        None => {}
    }
    note(&told, figure);
    wrong
}

fn note(told: &Told, figure: &mut Figure) {
    for field in told.fields.values() {
        let what = match field.state {
            State::Agreed if field.answers.iter().any(|a| a.1) => "fields settled",
            State::Agreed => "fields agreed",
            State::TwoAnswers => "fields with two answers",
            State::NotUnderstood => "fields not understood",
        };
        figure.add(what, 1);
    }
    for gate in told.gates.values() {
        figure.add("signatures that count", gate.good.len() as u64);
        figure.add("signatures that do not", gate.not_good.len() as u64);
    }
}

/// Part `oracle`.
pub fn oracle_part(budget: &Budget) -> Figure {
    crate::sim::two_threads(budget, "entries", 200_000, |seed, figure| {
        let mut rng = Rng::new(seed);
        let (devices, length) = (2 + rng.below(3), 20 + rng.below(80));
        let journal = Journal::new(seed, devices).live(length);
        figure.add("journals", 1);
        figure.add("entries", journal.entries.len() as u64);
        let wrong = compare(&journal.entries, &mut rng, figure);
        wrong.into_iter().next()
    })
}

/// Small journals in which each device answers the others: every order in which their entries can be interleaved.
fn small(devices: usize, each: usize, seed: u64) -> Vec<Vec<Sealed>> {
    let mut journal = Journal::new(seed, devices);
    journal.said(0, "ana-r", "open", "open", 1, &json!({"number": "K1-001", "section": "front-wall"}), vec![]);
    let mut turn = 0;
    loop {
        let of = |j: &Journal, d: usize| j.entries.iter().filter(|s| s.entry.device == DeviceId([d as u8 + 1; 16])).count();
        let Some(pen) = (0..devices).map(|d| (turn + d) % devices).find(|d| of(&journal, *d) < each + 1) else { break };
        turn += 1;
        let before = journal.entries.len();
        journal.act(pen);
        // A step filled at once is more than fits here.
        if journal.entries.len() > before + 1 {
            journal.entries.truncate(before + 1);
        }
    }
    (0..devices)
        .map(|d| journal.entries.iter().filter(|s| s.entry.device == DeviceId([d as u8 + 1; 16])).skip(1).take(each).cloned().collect())
        .collect()
}

struct Orders {
    series: Vec<Vec<Sealed>>,
    names: Devices,
    first: Option<Option<JobView>>,
    leaves: u64,
    wrong: u64,
}

impl Orders {
    fn walk(&mut self, fold: &JobFold, at: &mut Vec<usize>) {
        let open: Vec<usize> = (0..self.series.len()).filter(|d| at[*d] < self.series[*d].len()).collect();
        if open.is_empty() {
            self.leaves += 1;
            let view = fold.view(&PLAN, &self.names);
            match &self.first {
                None => self.first = Some(view),
                Some(first) => self.wrong += u64::from(*first != view),
            }
        }
        for device in open {
            let mut next = fold.clone();
            next.insert(&self.series[device][at[device]]);
            at[device] += 1;
            self.walk(&next, at);
            at[device] -= 1;
        }
    }
}

/// Part `orders`.
pub fn orders_part(budget: &Budget) -> Figure {
    let start = Instant::now();
    let mut figure = Figure::default();
    let sizes: &[(usize, usize)] = if budget.all { &[(3, 3), (3, 4), (4, 3), (3, 5)] } else { &[(3, 3), (3, 4)] };
    for (round, (devices, each)) in sizes.iter().enumerate() {
        let mut names = Devices::default();
        Journal::new(0, *devices).entries.iter().for_each(|s| {
            names.insert(s);
        });
        let seed = budget.case(round as u64);
        let mut orders = Orders { series: small(*devices, *each, seed), names, first: None, leaves: 0, wrong: 0 };
        orders.walk(&JobFold::new(JOB), &mut vec![0; *devices]);
        figure.add(&format!("orders of {devices} devices with {each} entries each, complete"), orders.leaves);
        let all: Vec<Sealed> = orders.series.concat();
        let mut wrong = compare(&all, &mut Rng::new(seed), &mut figure);
        if orders.wrong > 0 {
            wrong.push(format!("{} of {} orders give another view", orders.wrong, orders.leaves));
        }
        figure.failures.extend(wrong.into_iter().map(|w| format!("{w}: tubewright-prove orders --seed {} --count 1", budget.seed)));
    }
    figure.cpu_s = start.elapsed().as_secs_f64();
    figure
}
