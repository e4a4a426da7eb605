//! Which series there are, how each stands, and what of them is kept apart, for the board to show.

use crate::fault::Fault;
use crate::state::App;
use crate::tablets;
use crate::trailer::{Trailer, store_fault};
use axum::Json;
use axum::extract::{Path, Query, State};
use job::board::{Apart, ApartWhy, TabletState};
use job::standing::ALL;
use journal::{DeviceId, EntryHash, Incarnation, Sealed};
use serde::{Deserialize, Serialize};
use serde_json::{Value as AnyJson, json};
use std::collections::{BTreeMap, BTreeSet};

/// Entries kept apart in one answer, bytes.
const PIECE: usize = 256 * 1024;
/// Refused entries in one answer.
const MOST_REFUSED: usize = 100;
/// Series of which nothing but refused entries is here: at most so many are listed.
const MOST_STRANGE: usize = 200;
/// How far somebody has looked at what is kept apart, by series.
const LOOKED: &str = "server/looked";

/// How a series stands, in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// This server's own.
    Own,
    /// It counts.
    Counts,
    /// It counts up to some entry.
    Cut,
    /// Nobody said that it belongs to this site.
    Unknown,
}

/// A series as the board shows it.
#[derive(Clone, Debug, Serialize)]
pub struct SeriesOnBoard {
    /// The series.
    pub incarnation: Incarnation,
    /// The device that says it wrote it.
    pub device: DeviceId,
    /// Its name, as said or claimed.
    pub name: String,
    /// `tablet` or `server`, as said or claimed.
    pub role: String,
    /// How it stands.
    pub standing: How,
    /// Its last entry here.
    pub head: u64,
    /// Entries up to this one count; none where all do.
    pub counts_to: Option<u64>,
    /// How many entries are here and do not count.
    pub apart: u64,
    /// How many entries of it were refused and are kept beside it.
    pub refused: u64,
    /// True where somebody with the role has looked at all of those.
    pub looked: bool,
    /// Why it stands so, in a person's words.
    pub reason: String,
    /// The statements that stand: to be sent back with a change.
    pub said: Vec<EntryHash>,
    /// True where a paired tablet writes it.
    pub paired: bool,
}

#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
struct Looked {
    head: u64,
    refused: u64,
}

impl Trailer {
    /// Every series that is here, by name.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn series(&self) -> Result<Vec<SeriesOnBoard>, Fault> {
        let own = self.identity.own();
        let paired: BTreeSet<Incarnation> = self.tablets().all().iter().map(tablets::Paired::series).collect();
        let looked: BTreeMap<Incarnation, Looked> = self.load(LOOKED)?.unwrap_or_default();
        let mut refused = self.store.refused().map_err(store_fault)?;
        let states = self.store.series_states().map_err(store_fault)?;
        let mut all: Vec<SeriesOnBoard> = Vec::with_capacity(states.len());
        for s in states {
            let standing = match (own.contains(&s.incarnation), s.known, s.counts_to) {
                (true, ..) => How::Own,
                (false, false, _) => How::Unknown,
                (false, true, ALL) => How::Counts,
                (false, true, _) => How::Cut,
            };
            let (apart, refused) = (s.apart(), refused.remove(&s.incarnation).unwrap_or(0));
            let seen = looked.get(&s.incarnation).copied().unwrap_or_default();
            all.push(SeriesOnBoard {
                looked: (apart == 0 || seen.head >= s.head) && seen.refused >= refused,
                paired: paired.contains(&s.incarnation),
                counts_to: (s.counts_to != ALL).then_some(s.counts_to),
                incarnation: s.incarnation,
                device: s.device,
                name: s.name,
                role: s.role,
                head: s.head,
                reason: s.reason,
                said: s.said,
                standing,
                apart,
                refused,
            });
        }
        let strange = refused.into_iter().take(MOST_STRANGE);
        for (incarnation, refused) in strange {
            let seen = looked.get(&incarnation).copied().unwrap_or_default();
            all.push(self.only_refused(incarnation, refused, seen.refused >= refused, paired.contains(&incarnation))?);
        }
        Ok(all)
    }

    /// A series of which nothing could be taken in.
    fn only_refused(&self, incarnation: Incarnation, refused: u64, looked: bool, paired: bool) -> Result<SeriesOnBoard, Fault> {
        let verdict = self.verdict(&incarnation)?;
        let tablet = self.tablets().all().iter().find(|t| t.series() == incarnation);
        let counts_to = match &verdict {
            Some(v) => (v.counts_to != ALL).then_some(v.counts_to),
            None => Some(0),
        };
        Ok(SeriesOnBoard {
            incarnation,
            device: tablet.map_or(DeviceId([0; 16]), |t| t.device),
            name: verdict.as_ref().map(|v| v.name.clone()).unwrap_or_default(),
            role: verdict.as_ref().map_or("", |v| v.role.code()).to_owned(),
            standing: match (&verdict, counts_to) {
                (None, _) => How::Unknown,
                (Some(_), None) => How::Counts,
                (Some(_), Some(_)) => How::Cut,
            },
            head: 0,
            counts_to,
            apart: 0,
            refused,
            looked,
            reason: verdict.as_ref().map(|v| v.reason.clone()).unwrap_or_default(),
            said: verdict.map(|v| v.said).unwrap_or_default(),
            paired,
        })
    }

    /// The paired tablets as the board shows them: taken off where their series was cut.
    pub(crate) fn tablet_states(&self, series: &[SeriesOnBoard]) -> Result<Vec<TabletState>, Fault> {
        let mut states = self.tablets().states();
        for (state, tablet) in states.iter_mut().zip(self.tablets().all()) {
            let verdict = self.verdict(&tablet.series())?;
            state.counts_to = verdict.map(|v| v.counts_to).filter(|to| *to != ALL);
            state.revoked = state.counts_to.is_some();
            state.apart = series.iter().find(|s| s.incarnation == tablet.series()).map_or(0, |s| s.apart);
        }
        Ok(states)
    }

    /// Takes note that somebody with the role has looked at all that is kept apart of a series.
    pub(crate) fn look(&mut self, row: &SeriesOnBoard) -> Result<(), Fault> {
        let mut looked: BTreeMap<Incarnation, Looked> = self.load(LOOKED)?.unwrap_or_default();
        looked.insert(row.incarnation, Looked { head: row.head, refused: row.refused });
        self.save(LOOKED, &looked)
    }

    /// One series.
    pub(crate) fn row(&self, series: &Incarnation) -> Result<SeriesOnBoard, Fault> {
        self.series()?.into_iter().find(|s| s.incarnation == *series).ok_or_else(no_series)
    }
}

/// What of these series is kept apart.
pub(crate) fn apart(series: &[SeriesOnBoard]) -> Vec<Apart> {
    let of = |s: &SeriesOnBoard, why, n| Apart { incarnation: s.incarnation.to_hex(), name: s.name.clone(), why, n, looked: s.looked };
    let mut all = Vec::new();
    for s in series {
        let why = if s.standing == How::Unknown { ApartWhy::Unknown } else { ApartWhy::Cut };
        all.extend((s.apart > 0).then(|| of(s, why, s.apart)));
        all.extend((s.refused > 0).then(|| of(s, ApartWhy::Refused, s.refused)));
    }
    all
}

/// `GET /api/board/series`.
///
/// # Errors
/// Where the store fails.
pub async fn list(State(app): State<App>) -> Result<Json<Vec<SeriesOnBoard>>, Fault> {
    app.with(|t| t.series()).await.map(Json)
}

/// From where on what is kept apart is asked for.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct From {
    #[serde(default)]
    from: u64,
}

/// `GET /api/board/series/{incarnation}/apart?from=n`: entries that do not count, as far as they can be read, and those
/// that were refused.
///
/// # Errors
/// 404 for a series that is not here.
pub async fn kept_apart(State(app): State<App>, Path(series): Path<String>, Query(from): Query<From>) -> Result<Json<AnyJson>, Fault> {
    let series = Incarnation::from_hex(&series).ok_or_else(no_series)?;
    app.with(move |t| {
        let row = t.row(&series)?;
        let entries = t.store.kept_apart(&series, from.from, PIECE).map_err(store_fault)?;
        let next = entries.last().map_or(0, |s| s.entry.seq) + 1;
        let more = !entries.is_empty() && next <= row.head;
        let plan = t.plan()?;
        let name = |s: &Sealed| plan.person(&s.entry.person).map(|p| p.name.clone());
        let apart: Vec<AnyJson> = entries.iter().map(|s| shown(s, name(s))).collect();
        let refused = t.store.refused_of(&series, MOST_REFUSED).map_err(store_fault)?;
        let refused: Vec<AnyJson> = refused
            .into_iter()
            .map(|q| {
                let mut entry = match Sealed::open(q.bytes, None) {
                    Ok(sealed) => shown(&sealed, name(&sealed)),
                    Err(_) => json!({ "seq": q.seq, "hash": q.hash }),
                };
                entry["refused"] = json!(q.reason);
                entry
            })
            .collect();
        Ok(json!({ "series": row, "entries": apart, "refused": refused, "next": more.then_some(next) }))
    })
    .await
    .map(Json)
}

fn shown(sealed: &Sealed, name: Option<String>) -> AnyJson {
    let e = &sealed.entry;
    let mut body = e.body.to_json();
    // A plan that does not count still holds people's PIN hashes.
    for person in body.get_mut("people").and_then(AnyJson::as_array_mut).into_iter().flatten() {
        if let Some(person) = person.as_object_mut() {
            person.remove("pin");
        }
    }
    json!({
        "seq": e.seq, "hash": sealed.hash, "kind": e.kind, "version": e.version, "subject": e.subject.0,
        "person": e.person, "name": name, "wall_ms": e.wall_ms, "body": body,
    })
}

/// A series that is not here.
pub(crate) fn no_series() -> Fault {
    Fault::new(
        404,
        "no-series",
        "The trailer has no such series of records. Nothing was changed. Go back to the board; what is still only on a tablet comes with its next sync.",
    )
}
