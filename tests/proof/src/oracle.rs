//! A second reading of what a journal says, as plain as can be: every question is asked of the whole list of entries anew.
//!
//! Written from the definitions in `docs/architecture.md` and `docs/protocol.md` alone; it shares no code with the fold of
//! `crates/job`. What both must agree on is a [`Told`].

use job::JobView;
use job::plan::{HoldPoint, Role, SitePlan};
use job::view::{FieldState, FieldView, GateState, GateView, ItemView};
use journal::{EntryHash, PersonId, Sealed};
use serde_json::Value as Json;
use std::collections::{BTreeMap, BTreeSet};

/// State of a field with one value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// One value stands.
    Agreed,
    /// More than one value stands.
    TwoAnswers,
    /// Something stands that this program does not know.
    NotUnderstood,
}

/// A field with one value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Its state.
    pub state: State,
    /// The answers that stand, each as the entries that say so and whether it is a settlement.
    pub answers: BTreeSet<(BTreeSet<EntryHash>, bool)>,
    /// What stood once.
    pub past: BTreeSet<EntryHash>,
}

/// A hold point.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gate {
    /// Signatures that count.
    pub good: BTreeSet<EntryHash>,
    /// Signatures that do not.
    pub not_good: BTreeSet<EntryHash>,
    /// Roles without a signature that counts.
    pub missing: BTreeSet<Role>,
    /// True where a waiver counts.
    pub waived: bool,
}

/// What a job's entries say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// Fields with one value.
    pub fields: BTreeMap<String, Field>,
    /// Lists: each item and whether it was struck.
    pub lists: BTreeMap<String, BTreeMap<EntryHash, bool>>,
    /// Hold points.
    pub gates: BTreeMap<String, Gate>,
    /// Lists in which something stands that this program does not know. Only the oracle tells.
    pub unknown: BTreeSet<String>,
}

/// Path, kind, list or not, step, and what a body must have at least: the table of fields.
#[rustfmt::skip]
const TABLE: [(&str, &str, bool, u8, &str); 21] = [
    ("open", "open", false, 0, "number section"), ("place", "place", false, 1, "section row tube elevation side"),
    ("second-count", "second-count", false, 1, "tube"), ("failure", "failure", false, 2, "opening signs first"),
    ("photos", "photo", true, 2, "hash bytes view width height mime"), ("gauge", "gauge", false, 3, "gauge block steps surface"),
    ("readings", "reading", true, 3, "elevation clock wall gauge"), ("plan", "plan", false, 4, "method why"),
    ("before-work/*", "check", false, 5, "check saw result"), ("material", "material", false, 6, "grade od wall heat certificate pmi"),
    ("filler", "filler", false, 6, "class lot"), ("procedure", "procedure", false, 6, "procedure"), ("gap/*", "gap", false, 7, "gap"),
    ("piece", "piece", false, 7, "length"), ("joint/*/fit-up", "fit-up", false, 8, "root misalignment stamp"),
    ("joint/*/welds", "weld", true, 9, "pass process stamp lot"), ("joint/*/visual", "visual", false, 10, "result saw"),
    ("test", "pressure-test", false, 11, "pressure water gauge hold_min result"), ("hand-over", "hand-over", false, 12, "note"),
    ("notes", "note", true, 0, "text"), ("gate/*", "sign", true, 0, "gate role statement lang root covers"),
];

fn row(field: &str) -> Option<&'static (&'static str, &'static str, bool, u8, &'static str)> {
    let parts: Vec<&str> = field.split('/').collect();
    TABLE.iter().find(|(path, ..)| {
        let wanted: Vec<&str> = path.split('/').collect();
        wanted.len() == parts.len() && wanted.iter().zip(&parts).all(|(w, p)| w == p || *w == "*")
    })
}

fn has(body: &Json, keys: &str) -> bool {
    keys.split(' ').all(|key| body.get(key).is_some())
}

fn understood(field: &str, s: &Sealed, body: &Json) -> bool {
    let Some((_, kind, list, _, keys)) = row(field) else { return false };
    s.entry.version == 1
        && match s.entry.kind.as_str() {
            "settle" => !list && body["kind"] == **kind && has(body, "reason body") && has(&body["body"], keys),
            "strike" => *list && has(body, "entry reason"),
            other => other == *kind && has(body, keys),
        }
}

/// Two bodies that say the same give the same text: measures by their exact value, and without how the value came about.
fn meaning(body: &Json) -> String {
    if let (Some(_), Some([n, d]), Some(unit)) = (body.get("typed"), body["value"].as_array().map(Vec::as_slice), body["unit"].as_str()) {
        // Lengths in 1/10 mm, pressures in 1e-9 Pa, temperatures in ninths of a degree, all times the numerator.
        let (num, den) = (i128::from(n.as_i64().unwrap_or(0)), i128::from(d.as_i64().unwrap_or(1)));
        let (what, num, den) = match unit {
            "in" => ("length", num * 254, den),
            "ft" => ("length", num * 254 * 12, den),
            "mm" => ("length", num * 10, den),
            "m" => ("length", num * 10_000, den),
            "psi" => ("pressure", num * 8_896_443_230_521, den * 1_290_320_000),
            "bar" => ("pressure", num * 100_000, den),
            "MPa" => ("pressure", num * 1_000_000, den),
            "C" => ("heat", num * 9, den),
            "F" => ("heat", (num - 32 * den) * 5, den),
            other => (other, num, den),
        };
        let (mut a, mut b) = (num.unsigned_abs(), den.unsigned_abs());
        while b != 0 {
            (a, b) = (b, a % b);
        }
        let shared = i128::try_from(a.max(1)).unwrap_or(1);
        return format!("{what} {}/{}", num / shared, den / shared);
    }
    match body {
        Json::Object(map) => {
            let kept = map.iter().filter(|(k, _)| !["instrument", "read_twice", "note"].contains(&k.as_str()));
            kept.map(|(k, v)| format!("{k:?}:{},", meaning(v))).collect()
        }
        Json::Array(all) => all.iter().map(|v| format!("[{}]", meaning(v))).collect(),
        other => other.to_string(),
    }
}

/// What was said of one field.
struct Fact<'a> {
    sealed: &'a Sealed,
    body: Json,
    understood: bool,
}

/// One job's entries by field, and who may do what.
pub struct Oracle<'a> {
    plan: &'a SitePlan,
    facts: BTreeMap<String, Vec<Fact<'a>>>,
}

impl<'a> Oracle<'a> {
    /// The entries that belong to the job, whatever else is among `all`. Entries that are kept apart must not be.
    pub fn new(job: &str, plan: &'a SitePlan, all: impl IntoIterator<Item = &'a Sealed>) -> Self {
        let prefix = format!("job/{job}/");
        let mut facts: BTreeMap<String, Vec<Fact<'a>>> = BTreeMap::new();
        for sealed in all {
            let Some(field) = sealed.entry.subject.0.strip_prefix(&prefix).filter(|f| !f.is_empty()) else { continue };
            let here = facts.entry(field.to_owned()).or_default();
            if here.iter().all(|f| f.sealed.hash != sealed.hash) {
                let body = sealed.entry.body.to_json();
                here.push(Fact { understood: understood(field, sealed, &body), sealed, body });
            }
        }
        Self { plan, facts }
    }

    fn settles(&self, person: &PersonId) -> bool {
        self.plan.people.iter().any(|p| p.id == *person && p.roles.iter().any(|r| [Role::Supervisor, Role::Qc].contains(r)))
    }

    /// A field's facts that no other of its facts names as what it builds on. What a settlement by a person who may not
    /// settle names stands on.
    fn standing(&self, field: &str) -> Vec<&Fact<'a>> {
        let all = self.facts.get(field).map(Vec::as_slice).unwrap_or_default();
        let counts = |f: &Fact<'_>| f.sealed.entry.kind != "settle" || self.settles(&f.sealed.entry.person);
        let named = |hash| all.iter().any(|f| counts(f) && f.sealed.entry.basis.contains(hash));
        all.iter().filter(|f| !named(&f.sealed.hash)).collect()
    }

    fn is_list(field: &str) -> bool {
        row(field).is_some_and(|r| r.2)
    }

    fn list(&self, field: &str) -> BTreeMap<EntryHash, bool> {
        let all = self.facts.get(field).map(Vec::as_slice).unwrap_or_default();
        let strikes = |hash: &EntryHash| {
            all.iter().any(|f| f.sealed.entry.kind == "strike" && f.understood && f.body["entry"] == Json::String(hash.to_hex()))
        };
        all.iter().filter(|f| f.sealed.entry.kind != "strike").map(|f| (f.sealed.hash, strikes(&f.sealed.hash))).collect()
    }

    fn field(&self, field: &str) -> Option<Field> {
        let standing = self.standing(field);
        let mut answers: BTreeMap<String, (BTreeSet<EntryHash>, bool)> = BTreeMap::new();
        for fact in &standing {
            let settle = fact.sealed.entry.kind == "settle";
            let said = settle.then(|| Some((fact.body["kind"].as_str()?, fact.body.get("body")?))).flatten();
            let (kind, body) = said.unwrap_or((&fact.sealed.entry.kind, &fact.body));
            let answer = answers.entry(format!("{kind} {}", meaning(body))).or_default();
            answer.0.insert(fact.sealed.hash);
            answer.1 |= settle && self.settles(&fact.sealed.entry.person) && fact.body["reason"].is_string();
        }
        let state = match answers.len() {
            0 => return None,
            _ if standing.iter().any(|f| !f.understood) => State::NotUnderstood,
            1 => State::Agreed,
            _ => State::TwoAnswers,
        };
        let stands: BTreeSet<EntryHash> = standing.iter().map(|f| f.sealed.hash).collect();
        let past = self.facts[field].iter().map(|f| f.sealed.hash).filter(|h| !stands.contains(h)).collect();
        Some(Field { state, answers: answers.into_values().collect(), past })
    }

    /// What a signature at this hold point has to cover now.
    fn in_scope(&self, point: &HoldPoint) -> BTreeMap<String, BTreeSet<EntryHash>> {
        let of_step = |field: &&String| row(field).is_some_and(|r| point.covers.contains(&r.3));
        let stands = |field: &String| -> BTreeSet<EntryHash> {
            match Self::is_list(field) {
                true => self.list(field).into_iter().filter(|(_, struck)| !struck).map(|(hash, _)| hash).collect(),
                false => self.standing(field).iter().map(|f| f.sealed.hash).collect(),
            }
        };
        self.facts.keys().filter(of_step).map(|f| (f.clone(), stands(f))).filter(|(_, all)| !all.is_empty()).collect()
    }

    fn signature_counts(&self, point: &HoldPoint, fact: &Fact<'_>) -> Option<(Role, bool)> {
        let body: job::kinds::Sign = serde_json::from_value(fact.body.clone()).ok()?;
        let person = self.plan.people.iter().find(|p| p.id == fact.sealed.entry.person)?;
        let covers: BTreeMap<String, BTreeSet<EntryHash>> =
            body.covers.iter().map(|c| (c.field.clone(), c.entries.iter().copied().collect())).collect();
        let parts: Vec<(&str, &[EntryHash])> = body.covers.iter().map(|c| (c.field.as_str(), c.entries.as_slice())).collect();
        let root = hex::encode(journal::root::content_root(&parts, &body.statement, &body.lang, "tubewright rules 1"));
        let may = match &body.waived {
            Some(why) => !why.trim().is_empty() && [Role::Supervisor, Role::Engineer, Role::Inspector].contains(&body.role),
            None => point.roles.contains(&body.role),
        };
        let counted = point.after_step == 1
            && ["place", "second-count"].iter().any(|f| self.standing(f).iter().any(|f| f.sealed.entry.person == person.id));
        let good = fact.understood && body.gate == point.id && root == body.root && covers == self.in_scope(point);
        (good && may && !counted && person.roles.contains(&body.role)).then_some((body.role, body.waived.is_some()))
    }

    fn gate(&self, point: &HoldPoint) -> Gate {
        let mut gate = Gate { missing: point.roles.iter().copied().collect(), ..Gate::default() };
        let mut all: Vec<&Fact<'_>> = self.facts.get(&format!("gate/{}", point.id)).into_iter().flatten().collect();
        all.retain(|f| f.sealed.entry.kind != "strike");
        all.sort_by_key(|f| (f.sealed.entry.counter, f.sealed.hash));
        let mut signed: BTreeMap<PersonId, Role> = BTreeMap::new();
        for fact in all {
            let person = fact.sealed.entry.person.clone();
            match self.signature_counts(point, fact) {
                Some((_, true)) => gate.waived = true,
                // One person is one signature.
                Some((role, false)) if *signed.entry(person).or_insert(role) == role => drop(gate.missing.remove(&role)),
                _ => {
                    gate.not_good.insert(fact.sealed.hash);
                    continue;
                }
            }
            gate.good.insert(fact.sealed.hash);
        }
        gate
    }

    /// All of it.
    pub fn told(&self) -> Told {
        let mut told = Told::default();
        for field in self.facts.keys() {
            if Self::is_list(field) {
                let list = self.list(field);
                if self.facts[field].iter().any(|f| !f.understood && list.get(&f.sealed.hash) == Some(&false)) {
                    told.unknown.insert(field.clone());
                }
                told.lists.insert(field.clone(), list);
            } else if let Some(view) = self.field(field) {
                told.fields.insert(field.clone(), view);
            }
        }
        told.gates = self.plan.hold_points.iter().map(|p| (p.id.clone(), self.gate(p))).collect();
        told
    }
}

impl Told {
    /// The same of a view that the fold made.
    pub fn of_view(view: &JobView) -> Self {
        let field = |f: &FieldView| Field {
            state: match f.state {
                FieldState::Agreed => State::Agreed,
                FieldState::TwoAnswers => State::TwoAnswers,
                FieldState::NotUnderstood => State::NotUnderstood,
            },
            answers: f.answers.iter().map(|a| (a.entries.iter().copied().collect(), a.settled.is_some())).collect(),
            past: f.past.iter().flat_map(|a| &a.entries).copied().collect(),
        };
        let list = |all: &Vec<ItemView>| all.iter().map(|i| (i.entry, i.struck.is_some())).collect::<BTreeMap<_, _>>();
        let gate = |g: &GateView| {
            let good: BTreeSet<EntryHash> = g.signs.iter().filter(|s| s.good).map(|s| s.entry).collect();
            let all = view.lists.get(&format!("gate/{}", g.gate)).into_iter().flatten().map(|i| i.entry);
            Gate {
                not_good: all.filter(|h| !good.contains(h)).collect(),
                good,
                missing: g.missing.iter().copied().collect(),
                waived: g.signs.iter().any(|s| s.good && s.waived.is_some()),
            }
        };
        Self {
            fields: view.fields.iter().map(|(path, f)| (path.clone(), field(f))).collect(),
            lists: view.lists.iter().map(|(path, l)| (path.clone(), list(l))).collect(),
            gates: view.gates.iter().map(|g| (g.gate.clone(), gate(g))).collect(),
            unknown: BTreeSet::new(),
        }
    }
}

/// Everything in which a view differs from what the entries say, in words; empty where it is right. Also that no hold
/// point shows as open or waived without the signatures that make it so.
pub fn differences(view: &JobView, plan: &SitePlan, oracle: &Told) -> Vec<String> {
    let seen = Told::of_view(view);
    let mut all = Vec::new();
    for path in seen.fields.keys().chain(oracle.fields.keys()).collect::<BTreeSet<_>>() {
        if seen.fields.get(path) != oracle.fields.get(path) {
            all.push(format!("field {path}: the fold shows {:?}, the entries say {:?}", seen.fields.get(path), oracle.fields.get(path)));
        }
    }
    for path in seen.lists.keys().chain(oracle.lists.keys()).collect::<BTreeSet<_>>() {
        if seen.lists.get(path) != oracle.lists.get(path) {
            all.push(format!("list {path}: the fold shows {:?}, the entries say {:?}", seen.lists.get(path), oracle.lists.get(path)));
        }
    }
    for point in &plan.hold_points {
        let (shown, said) = (seen.gates.get(&point.id), oracle.gates.get(&point.id));
        if shown != said {
            all.push(format!("hold point {}: the fold shows {shown:?}, the entries say {said:?}", point.id));
        }
        let Some((view, said)) = view.gates.iter().find(|g| g.gate == point.id).zip(said) else { continue };
        let in_scope = |path: &String| row(path).is_some_and(|r| point.covers.contains(&r.3));
        let undisputed = oracle.fields.iter().filter(|(p, _)| in_scope(p)).all(|(_, f)| f.state == State::Agreed);
        let signed = said.missing.is_empty() && undisputed && !oracle.unknown.iter().any(in_scope);
        let may = match view.state {
            GateState::Open => signed,
            GateState::Waived => said.waived,
            _ => true,
        };
        if !may {
            all.push(format!("hold point {} shows as {:?} without the signatures for it: {said:?}", point.id, view.state));
        }
    }
    all
}

/// Which entries count, worked out as plainly: who is believed, what they say, and nothing else.
pub struct Counting(BTreeMap<journal::Incarnation, u64>);

impl Counting {
    /// Judges by what a store believes to begin with and by all entries that it holds.
    pub fn new<'a>(trust: &job::standing::Trust, all: impl IntoIterator<Item = &'a Sealed>) -> Self {
        let says: Vec<(&Sealed, journal::Incarnation, Json)> = all
            .into_iter()
            .filter(|s| s.entry.kind == "standing" && s.entry.version == 1)
            .filter_map(|s| Some((s, journal::Incarnation::from_hex(s.entry.subject.0.strip_prefix("series/")?)?, s.entry.body.to_json())))
            .collect();
        let (mut believed, mut least) = (trust.roots.clone(), BTreeMap::<journal::Incarnation, u64>::new());
        loop {
            let limit = |series: &journal::Incarnation| {
                if trust.roots.contains(series) { u64::MAX } else { least.get(series).copied().unwrap_or(0) }
            };
            let heard = |s: &Sealed| believed.contains(&s.entry.incarnation) && s.entry.seq <= limit(&s.entry.incarnation);
            let standing: Vec<&(&Sealed, journal::Incarnation, Json)> = says
                .iter()
                .filter(|(s, about, _)| {
                    let replaced = |o: &Sealed, of: &journal::Incarnation| of == about && heard(o) && o.entry.basis.contains(&s.hash);
                    heard(s) && !says.iter().any(|(o, of, _)| replaced(o, of))
                })
                .collect();
            let mut next = (believed.clone(), least.clone());
            for (_, about, body) in &standing {
                let to = body["to"].as_u64().unwrap_or(u64::MAX);
                let kept = next.1.entry(*about).or_insert(u64::MAX);
                *kept = to.min(*kept);
                if body["role"] == "server" {
                    next.0.insert(*about);
                }
            }
            if next == (believed.clone(), least.clone()) {
                // What nobody speaks of any more is not known.
                let spoken: BTreeSet<journal::Incarnation> = standing.iter().map(|(_, about, _)| *about).collect();
                let mut counts: BTreeMap<_, _> = next.1.into_iter().filter(|(about, _)| spoken.contains(about)).collect();
                for own in &trust.own {
                    counts.entry(*own).or_insert(u64::MAX);
                }
                counts.extend(trust.roots.iter().map(|root| (*root, u64::MAX)));
                return Self(counts);
            }
            (believed, least) = next;
        }
    }

    /// True for an entry that counts.
    pub fn counts(&self, sealed: &Sealed) -> bool {
        self.0.get(&sealed.entry.incarnation).is_some_and(|to| sealed.entry.seq <= *to)
    }
}
