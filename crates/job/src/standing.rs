//! Which series count. A chain and a signature prove that one key wrote a series; only a server that is believed says
//! that the key belongs to this site, and up to where: a tablet is taken in when it is paired, and cut off when it is lost.
//!
//! What a server says stands in its own series, so it reaches every tablet like everything else, and is judged the same
//! everywhere. An entry that does not count is **kept apart**: stored, verified, sent on and shown, but folded into nothing.

use journal::{BootId, EntryHash, Incarnation, Sealed, Subject, Value, writer::Draft};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Kind of a statement about a series.
pub const STANDING: &str = "standing";
/// Kind of a comparison of a tablet's clock with the server's.
pub const CLOCK: &str = "clock";
/// Every entry of the series counts.
pub const ALL: u64 = u64::MAX;

/// What a series is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeriesRole {
    /// A tablet's.
    Tablet,
    /// A server's: what it says about series, and its plan, are believed.
    Server,
}

impl SeriesRole {
    /// The stored code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Tablet => "tablet",
            Self::Server => "server",
        }
    }
}

/// Body of a statement about a series, version 1. A field with one value: a later one names the earlier in its basis.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// What it is.
    pub role: SeriesRole,
    /// Name of its device, e.g. `K4`.
    pub name: String,
    /// Entries 1 to this one count; without it, all do.
    pub to: Option<u64>,
    /// Why, in a person's words; empty at a pairing.
    pub reason: String,
}

/// Body of a comparison of clocks, version 1. Shown, never trusted; it orders nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Clock {
    /// The series' last entry when the clocks were compared.
    pub seq: u64,
    /// The run of the tablet.
    pub boot: BootId,
    /// The tablet's clock less the server's, ms.
    pub skew_ms: i64,
}

/// The subject of statements about a series.
pub fn subject(series: &Incarnation) -> Subject {
    Subject(format!("series/{series}"))
}

/// The subject of comparisons of its clock.
pub fn clock_subject(series: &Incarnation) -> Subject {
    Subject(format!("series/{series}/clock"))
}

/// A statement to be written, naming those that stand.
pub fn draft(series: &Incarnation, says: &Standing, mut basis: Vec<EntryHash>) -> Option<Draft> {
    basis.sort_unstable();
    basis.dedup();
    let body = Value::from_json(&serde_json::to_value(says).ok()?).ok()?;
    Some(Draft { kind: STANDING.to_owned(), version: 1, subject: subject(series), basis, body })
}

/// A comparison of clocks to be written.
pub fn clock_draft(series: &Incarnation, clock: &Clock) -> Option<Draft> {
    let body = Value::from_json(&serde_json::to_value(clock).ok()?).ok()?;
    Some(Draft { kind: CLOCK.to_owned(), version: 1, subject: clock_subject(series), basis: Vec::new(), body })
}

/// What an entry says about a series.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Statement {
    /// The entry.
    pub hash: EntryHash,
    /// The series it stands in.
    pub by: Incarnation,
    /// Its place there.
    pub seq: u64,
    /// The series it is about.
    pub about: Incarnation,
    /// Earlier statements that it replaces.
    pub basis: Vec<EntryHash>,
    /// What it says.
    pub says: Standing,
}

/// The statement that an entry makes, if it is one that this program understands.
pub fn statement(sealed: &Sealed) -> Option<Statement> {
    let entry = &sealed.entry;
    if entry.kind != STANDING || entry.version != 1 {
        return None;
    }
    let about = Incarnation::from_hex(entry.subject.0.strip_prefix("series/")?)?;
    let says = serde_json::from_value(entry.body.to_json()).ok()?;
    Some(Statement { hash: sealed.hash, by: entry.incarnation, seq: entry.seq, about, basis: entry.basis.clone(), says })
}

/// The comparison of clocks that an entry makes, with the series it is about.
pub fn clock(sealed: &Sealed) -> Option<(Incarnation, Clock)> {
    let entry = &sealed.entry;
    if entry.kind != CLOCK || entry.version != 1 {
        return None;
    }
    let about = Incarnation::from_hex(entry.subject.0.strip_prefix("series/")?.strip_suffix("/clock")?)?;
    Some((about, serde_json::from_value(entry.body.to_json()).ok()?))
}

/// What a store believes before anybody says anything.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trust {
    /// Series of the server this store belongs to: they count whole, and what they say is believed.
    pub roots: BTreeSet<Incarnation>,
    /// Series written on this device: they count until a server says less.
    pub own: BTreeSet<Incarnation>,
}

/// How a series stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// Entries 1 to this one count; [`ALL`] where all do, 0 where none does.
    pub counts_to: u64,
    /// What it is believed to be.
    pub role: SeriesRole,
    /// Name of its device as said; empty for a root.
    pub name: String,
    /// Why it was cut off, where it was.
    pub reason: String,
    /// The statements that stand; a new one names them.
    pub said: Vec<EntryHash>,
}

/// Judges every series that is a root, our own, or spoken of by a series that is believed.
///
/// Believed are the roots and every series that a believed one calls a server's, as far as it counts. Where several
/// statements stand, the least counts. A limit found on the way never rises again, so that servers that speak of each
/// other are judged alike in whatever order their entries came.
pub fn judge(trust: &Trust, statements: &[Statement]) -> BTreeMap<Incarnation, Verdict> {
    let mut limits: BTreeMap<Incarnation, u64> = BTreeMap::new();
    let mut believed = trust.roots.clone();
    // Each round believes at least one series more, or is the last.
    for _ in 0..=statements.len() {
        let heard = heard(trust, &believed, &limits, statements);
        for (about, standing) in stand(&heard) {
            let least = standing.iter().map(|s| s.says.to.unwrap_or(ALL)).min().unwrap_or(0);
            let limit = limits.entry(about).or_insert(ALL);
            *limit = least.min(*limit);
        }
        let servers = stand(&heard).into_iter().filter(|(_, all)| all.iter().any(|s| s.says.role == SeriesRole::Server));
        let next: BTreeSet<Incarnation> = believed.iter().copied().chain(servers.map(|(about, _)| about)).collect();
        if next == believed {
            break;
        }
        believed = next;
    }
    let heard = heard(trust, &believed, &limits, statements);
    let mut verdicts: BTreeMap<Incarnation, Verdict> =
        stand(&heard).into_iter().map(|(about, all)| (about, verdict(trust, &about, limits.get(&about).copied(), &all))).collect();
    for own in &trust.own {
        verdicts.entry(*own).or_insert_with(|| plain(SeriesRole::Tablet));
    }
    for root in &trust.roots {
        let root = verdicts.entry(*root).or_insert_with(|| plain(SeriesRole::Server));
        (root.counts_to, root.role) = (ALL, SeriesRole::Server);
    }
    verdicts
}

/// The statements of believed series, as far as those count.
fn heard<'a>(
    trust: &Trust,
    believed: &BTreeSet<Incarnation>,
    limits: &BTreeMap<Incarnation, u64>,
    statements: &'a [Statement],
) -> Vec<&'a Statement> {
    let limit = |by: &Incarnation| if trust.roots.contains(by) { ALL } else { limits.get(by).copied().unwrap_or(0) };
    statements.iter().filter(|s| believed.contains(&s.by) && s.seq <= limit(&s.by)).collect()
}

/// Those that no other of the same subject names in its basis, by series.
fn stand<'a>(heard: &[&'a Statement]) -> BTreeMap<Incarnation, Vec<&'a Statement>> {
    let replaced: BTreeSet<(Incarnation, EntryHash)> = heard.iter().flat_map(|s| s.basis.iter().map(|b| (s.about, *b))).collect();
    let mut standing: BTreeMap<Incarnation, Vec<&Statement>> = BTreeMap::new();
    for statement in heard.iter().filter(|s| !replaced.contains(&(s.about, s.hash))) {
        standing.entry(statement.about).or_default().push(statement);
    }
    standing
}

fn verdict(trust: &Trust, about: &Incarnation, limit: Option<u64>, standing: &[&Statement]) -> Verdict {
    let mut standing = standing.to_vec();
    // The one that governs first: the least, then the hash, so that all choose alike.
    standing.sort_by_key(|s| (s.says.to.unwrap_or(ALL), s.hash));
    let server = trust.roots.contains(about) || standing.iter().any(|s| s.says.role == SeriesRole::Server);
    let first = standing.first();
    Verdict {
        counts_to: limit.unwrap_or(0),
        role: if server { SeriesRole::Server } else { SeriesRole::Tablet },
        name: first.map(|s| s.says.name.clone()).unwrap_or_default(),
        reason: first.map(|s| s.says.reason.clone()).unwrap_or_default(),
        said: standing.iter().map(|s| s.hash).collect(),
    }
}

const fn plain(role: SeriesRole) -> Verdict {
    Verdict { counts_to: ALL, role, name: String::new(), reason: String::new(), said: Vec::new() }
}

/// Comparisons of one series' clock, as the views need them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Clocks(BTreeMap<Incarnation, BTreeSet<(BootId, u64, i64)>>);

impl Clocks {
    /// Takes note of a comparison.
    pub fn insert(&mut self, series: Incarnation, clock: Clock) {
        self.0.entry(series).or_default().insert((clock.boot, clock.seq, clock.skew_ms));
    }

    /// The tablet's clock less the server's when this entry was written, as nearly as is known: compared in the same run
    /// of the machine, first at the next sync after the entry, else at the last before. `None`: never compared in that run.
    pub fn skew_ms(&self, series: &Incarnation, boot: &BootId, seq: u64) -> Option<i64> {
        let run = || self.0.get(series).into_iter().flatten().filter(|(b, ..)| b == boot);
        let after = run().find(|(_, at, _)| *at >= seq);
        after.or_else(|| run().next_back()).map(|(.., skew)| *skew)
    }
}
