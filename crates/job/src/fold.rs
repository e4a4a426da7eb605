//! Folding entries into the subjects of one job. Any order, any number of times: the result is the same.

use crate::kinds::{self, FieldSpec, Settle, Shape, Strike};
use crate::plan::SitePlan;
use crate::say::Say;
use crate::standing::{Clock, Clocks};
use crate::view::{Answer, By, FieldState, FieldView, ItemView};
use journal::{BootId, DeviceId, EntryHash, Incarnation, PersonId, Sealed};
use serde_json::Value as Json;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

/// The name each series was begun under, and what is known of its clock.
///
/// By series, not by device: a tablet that was copied goes on under another name, and what was written before keeps the one
/// that stood on it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Devices {
    names: BTreeMap<Incarnation, String>,
    clocks: Clocks,
}

impl Devices {
    /// Takes note of a series' name if the entry is its `series-begin`. True if that changed anything.
    pub fn insert(&mut self, sealed: &Sealed) -> bool {
        let entry = &sealed.entry;
        if entry.kind != "series-begin" {
            return false;
        }
        let Some(name) = entry.body.to_json().get("name").and_then(Json::as_str).map(str::to_owned) else {
            return false;
        };
        self.set(entry.incarnation, name)
    }

    /// Sets a series' name. True if that changed anything.
    pub fn set(&mut self, series: Incarnation, name: String) -> bool {
        self.names.insert(series, name.clone()).is_none_or(|was| was != name)
    }

    /// Takes note of a comparison of clocks.
    pub fn compare(&mut self, series: Incarnation, clock: Clock) {
        self.clocks.insert(series, clock);
    }

    /// The name of a series' device, or the beginning of the series' identifier.
    pub fn name(&self, series: &Incarnation) -> String {
        self.names.get(series).cloned().unwrap_or_else(|| series.to_hex()[..6].to_owned())
    }
}

/// One entry as the fold keeps it.
#[derive(Clone, Debug)]
pub(crate) struct Fact {
    pub hash: EntryHash,
    pub kind: String,
    pub basis: Vec<EntryHash>,
    pub body: Json,
    pub person: PersonId,
    pub device: DeviceId,
    pub incarnation: Incarnation,
    pub seq: u64,
    pub boot: BootId,
    pub wall_ms: i64,
    pub counter: u64,
    /// False where the kind, its version or its body is not known to this program.
    pub understood: bool,
}

/// All entries of one subject.
#[derive(Clone, Debug, Default)]
pub(crate) struct SubjectFold {
    pub facts: BTreeMap<EntryHash, Fact>,
    superseded: BTreeSet<EntryHash>,
}

impl SubjectFold {
    fn insert(&mut self, fact: Fact) {
        self.superseded.extend(fact.basis.iter().copied());
        self.facts.insert(fact.hash, fact);
    }

    /// Leaves out of account what settlements by people without the role say they settle: what they name stands on.
    fn judge(&mut self, plan: &SitePlan) {
        let may = |f: &Fact| f.kind != "settle" || plan.person(&f.person).is_some_and(crate::signing::settles);
        self.superseded = self.facts.values().filter(|f| may(f)).flat_map(|f| f.basis.iter().copied()).collect();
    }

    /// Entries that no other entry of this subject names in its basis, by hash.
    pub fn standing(&self) -> impl Iterator<Item = &Fact> {
        self.facts.values().filter(|f| !self.superseded.contains(&f.hash))
    }

    /// Reason for each struck item.
    pub fn strikes(&self) -> BTreeMap<EntryHash, String> {
        let mut all: Vec<(&Fact, Strike)> = self
            .facts
            .values()
            .filter(|f| f.kind == "strike" && f.understood)
            .filter_map(|f| Some((f, serde_json::from_value(f.body.clone()).ok()?)))
            .collect();
        all.sort_by_key(|(f, _)| std::cmp::Reverse((f.counter, f.hash)));
        all.into_iter().map(|(_, s)| (s.entry, s.reason)).collect()
    }

    /// Items of a list that are not struck, by hash.
    pub fn items(&self) -> impl Iterator<Item = &Fact> {
        let strikes = self.strikes();
        self.facts.values().filter(move |f| f.kind != "strike" && !strikes.contains_key(&f.hash))
    }
}

/// All entries of one job.
#[derive(Clone, Debug, Default)]
pub struct JobFold {
    pub(crate) job: String,
    pub(crate) subjects: BTreeMap<String, SubjectFold>,
}

/// The parts of a subject `job/<id>/<field>`.
pub fn split_subject(subject: &str) -> Option<(&str, &str)> {
    let (job, field) = subject.strip_prefix("job/")?.split_once('/')?;
    (!job.is_empty() && !field.is_empty()).then_some((job, field))
}

/// The specification of a field path, e.g. `gap/6`.
pub fn spec(field: &str) -> Option<&'static FieldSpec> {
    // Asked for every entry of every step of every view: most rows are told apart by their first letters.
    let alike = |s: &&FieldSpec| s.path.as_bytes().first_chunk::<2>() == field.as_bytes().first_chunk::<2>();
    kinds::FIELDS.iter().filter(alike).find(|s| {
        let (mut want, mut got) = (s.path.split('/'), field.split('/'));
        loop {
            match (want.next(), got.next()) {
                (None, None) => return true,
                (Some(w), Some(g)) if w == g || (w == "*" && !g.is_empty()) => {}
                _ => return false,
            }
        }
    })
}

impl JobFold {
    /// An empty fold of the job with this identifier.
    pub fn new(job: impl Into<String>) -> Self {
        Self { job: job.into(), subjects: BTreeMap::new() }
    }

    /// Takes in one entry; entries of other jobs are left out. Order and repetition do not matter.
    pub fn insert(&mut self, sealed: &Sealed) {
        let entry = &sealed.entry;
        let Some((job, field)) = split_subject(&entry.subject.0) else { return };
        if job != self.job {
            return;
        }
        let body = entry.body.to_json();
        let fact = Fact {
            hash: sealed.hash,
            understood: understood(field, &entry.kind, entry.version, &body),
            kind: entry.kind.clone(),
            basis: entry.basis.clone(),
            body,
            person: entry.person.clone(),
            device: entry.device,
            incarnation: entry.incarnation,
            seq: entry.seq,
            boot: entry.boot,
            wall_ms: entry.wall_ms,
            counter: entry.counter,
        };
        self.subjects.entry(field.to_owned()).or_default().insert(fact);
    }

    /// The fold with every settlement judged by the plan: one by a person who may not settle settles nothing, and stands
    /// beside the answers as one more.
    pub(crate) fn judged(&self, plan: &SitePlan) -> Cow<'_, Self> {
        let settled = |s: &SubjectFold| s.facts.values().any(|f| f.kind == "settle");
        if !self.subjects.values().any(settled) {
            return Cow::Borrowed(self);
        }
        let mut judged = self.clone();
        judged.subjects.values_mut().filter(|s| settled(s)).for_each(|s| s.judge(plan));
        Cow::Owned(judged)
    }

    /// The series that have a part in it.
    pub fn series(&self) -> BTreeSet<Incarnation> {
        self.subjects.values().flat_map(|s| s.facts.values()).map(|f| f.incarnation).collect()
    }

    /// How many entries it holds.
    pub fn len(&self) -> usize {
        self.subjects.values().map(|s| s.facts.len()).sum()
    }

    /// True without entries.
    pub fn is_empty(&self) -> bool {
        self.subjects.is_empty()
    }
}

fn understood(field: &str, kind: &str, version: u32, body: &Json) -> bool {
    let Some(spec) = spec(field) else { return false };
    if version != 1 {
        return false;
    }
    match kind {
        "settle" => serde_json::from_value::<Settle>(body.clone())
            .is_ok_and(|s| s.kind == spec.kind && spec.shape == Shape::Single && crate::check::parses(spec.kind, &s.body)),
        "strike" => spec.shape == Shape::List && serde_json::from_value::<Strike>(body.clone()).is_ok(),
        _ => kind == spec.kind && crate::check::parses(kind, body),
    }
}

/// What the views need beside the entries.
pub(crate) struct Names<'a> {
    pub plan: &'a SitePlan,
    pub devices: &'a Devices,
}

impl Names<'_> {
    pub fn by(&self, fact: &Fact) -> By {
        By {
            person: fact.person.clone(),
            name: self.plan.person(&fact.person).map_or_else(|| fact.person.0.clone(), |p| p.name.clone()),
            device: fact.device,
            tablet: self.devices.name(&fact.incarnation),
            wall_ms: fact.wall_ms,
            skew_ms: self.devices.clocks.skew_ms(&fact.incarnation, &fact.boot, fact.seq),
            counter: fact.counter,
        }
    }

    fn answer(&self, facts: &[&Fact]) -> Option<Answer> {
        let first = facts.first()?;
        let may = |f: &Fact| self.plan.person(&f.person).is_some_and(crate::signing::settles);
        let settled = facts.iter().find(|f| f.kind == "settle" && may(f)).and_then(|f| f.body.get("reason")?.as_str().map(str::to_owned));
        let (kind, body) = value_of(first);
        Some(Answer {
            entries: facts.iter().map(|f| f.hash).collect(),
            kind: kind.to_owned(),
            body: body.clone(),
            by: facts.iter().map(|f| self.by(f)).collect(),
            settled,
        })
    }

    /// The view of a single field; `None` where nothing stands.
    pub fn field(&self, subject: &SubjectFold) -> Option<FieldView> {
        let standing: Vec<&Fact> = subject.standing().collect();
        if standing.is_empty() {
            return None;
        }
        let mut groups: BTreeMap<String, Vec<&Fact>> = BTreeMap::new();
        for fact in &standing {
            let (kind, body) = value_of(fact);
            groups.entry(format!("{kind} {}", crate::same::normal(body))).or_default().push(fact);
        }
        let mut answers: Vec<Answer> = groups
            .into_values()
            .filter_map(|mut facts| {
                facts.sort_by_key(|f| (self.devices.name(&f.incarnation), f.person.clone(), f.counter, f.hash));
                self.answer(&facts)
            })
            .collect();
        answers.sort_by(|a, b| order_key(a).cmp(&order_key(b)));
        let state = match (standing.iter().all(|f| f.understood), answers.len()) {
            (false, _) => FieldState::NotUnderstood,
            (true, 1) => FieldState::Agreed,
            (true, _) => FieldState::TwoAnswers,
        };
        let two = state == FieldState::TwoAnswers;
        Some(FieldView {
            state,
            governs: if two { crate::same::governs(&answers) } else { None },
            apart: if two { apart(&answers) } else { None },
            past: self.past(subject, &standing),
            basis: standing.iter().map(|f| f.hash).collect(),
            answers,
        })
    }

    fn past(&self, subject: &SubjectFold, standing: &[&Fact]) -> Vec<Answer> {
        let stands: BTreeSet<EntryHash> = standing.iter().map(|f| f.hash).collect();
        let mut past: Vec<&Fact> = subject.facts.values().filter(|f| !stands.contains(&f.hash)).collect();
        past.sort_by_key(|f| (f.counter, f.hash));
        past.into_iter().filter_map(|f| self.answer(&[f])).collect()
    }

    /// The items of a list, struck ones included, in display order.
    pub fn list(&self, subject: &SubjectFold) -> Vec<ItemView> {
        let strikes = subject.strikes();
        let mut items: Vec<&Fact> = subject.facts.values().filter(|f| f.kind != "strike").collect();
        items.sort_by_key(|f| (f.counter, f.hash));
        items
            .into_iter()
            .map(|f| ItemView {
                entry: f.hash,
                kind: f.kind.clone(),
                body: f.body.clone(),
                by: self.by(f),
                struck: strikes.get(&f.hash).cloned(),
            })
            .collect()
    }
}

/// Order of the boxes: by tablet name, then person, then counter; never by time, nor by the hash, in which the time is, while
/// anything else tells them apart.
fn order_key(a: &Answer) -> (Option<&str>, Option<&str>, Option<u64>, Option<EntryHash>) {
    let by = a.by.first();
    (by.map(|b| b.tablet.as_str()), by.map(|b| b.person.0.as_str()), by.map(|b| b.counter), a.entries.first().copied())
}

/// Kind and body that a fact says, looking through a settlement.
pub(crate) fn value_of(fact: &Fact) -> (&str, &Json) {
    if fact.kind == "settle"
        && let (Some(kind), Some(body)) = (fact.body.get("kind").and_then(Json::as_str), fact.body.get("body"))
    {
        return (kind, body);
    }
    (&fact.kind, &fact.body)
}

fn apart(answers: &[Answer]) -> Option<Say> {
    let measures: Vec<_> = answers.iter().filter_map(|a| crate::same::main_measure(&a.kind, &a.body)).collect();
    if measures.len() != answers.len() {
        return None;
    }
    let least = measures.iter().min_by_key(|m| m.base())?;
    let most = measures.iter().max_by_key(|m| m.base())?;
    let apart = trade::show::apart(least, most)?;
    let difference = crate::say::text(&apart.difference);
    Some(if apart.less_than_one_mark {
        Say::new("apart-less-than-mark", format!("They differ by {difference}: less than one mark of the instrument."))
            .with("difference", difference)
    } else {
        Say::new("apart", format!("They are {difference} apart.")).with("difference", difference)
    })
}
