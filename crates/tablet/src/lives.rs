//! Where the records live: how much is only on this tablet, by when it was last safe in the trailer. Worked out from the
//! journal and the receipts every time, never kept as a second truth.

use crate::blind::blind;
use crate::core::{Core, Inner, parse};
use crate::fault::{self, Fault};
use crate::own;
use crate::people;
use crate::setting::{self, store_fault};
use crate::syncing::Progress;
use job::view::Wanted;
use job::{JobView, Say, SitePlan, fold};
use journal::{Incarnation, PhotoHash};
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use store::StoreError;

/// Entries read at once when counting what is only here.
const PIECE: usize = 1 << 20;

/// What the trailer has signed for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastReceipt {
    /// Last entry of this tablet's series that the trailer holds.
    pub seq: u64,
    /// Wall clock of this tablet when the receipt came, ms since 1970.
    pub at_ms: i64,
}

/// Where the receipt of a series is kept.
pub(crate) fn receipt_key(series: &Incarnation) -> String {
    format!("receipt/{series}")
}

/// Where records live.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lives {
    /// Records that are only on this tablet.
    pub entries_here: u64,
    /// Photos whose bytes are only on this tablet.
    pub photos_here: u64,
    /// When the trailer last signed for records, by this tablet's clock.
    pub last_receipt_ms: Option<i64>,
    /// The last entry it signed for.
    pub last_receipt_seq: u64,
    /// `only-here`, `going`, `in-trailer`, `not-found`.
    pub state: String,
    /// Of the records that are only here: those of an earlier series that the trailer was given and did not sign for, because
    /// it holds another version in their place. Not for single jobs.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub apart: u64,
    /// What the person must know of this tablet's series: it began a new one and must be paired again. Not for single jobs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Say>,
    /// Where this tablet's key is: `keyring` or `file`. Not for single jobs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key_home: Option<String>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands in a reference")]
const fn is_zero(n: &u64) -> bool {
    *n == 0
}

/// One job in the list of the wall.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JobBrief {
    /// Job identifier.
    pub job: String,
    /// Short number.
    pub number: String,
    /// Section identifier.
    pub section: String,
    /// Tube number, where known.
    pub tube: Option<u32>,
    /// Elevation, where known.
    pub elevation: Option<trade::Measure>,
    /// `fire` or `cold`, where known.
    pub side: Option<String>,
    /// Level, 0 to 12.
    pub level: u8,
    /// The step it stands at.
    pub stands_at: u8,
    /// State codes of the twelve steps.
    pub steps: Vec<job::view::StepState>,
    /// What it waits for.
    pub wanted: Vec<Wanted>,
    /// Where its records live.
    pub lives: Lives,
}

#[derive(Deserialize)]
struct Jobs {
    #[serde(default)]
    section: Option<String>,
}

#[derive(Deserialize)]
struct OneJob {
    job: String,
    #[serde(default)]
    hide: Vec<String>,
}

/// What is only on this tablet, in all and by job.
struct Here {
    receipt: Option<LastReceipt>,
    entries: u64,
    apart: u64,
    by_job: BTreeMap<String, u64>,
    photos: BTreeSet<PhotoHash>,
    progress: Progress,
}

impl Core {
    pub(crate) fn state(&self) -> Result<Json, Fault> {
        let inner = self.lock();
        let plan = inner.store.plan().map_err(store_fault)?;
        let belongs = inner.belongs()?;
        let person = people::holder(&inner).ok().map(|p| people::shown(&p));
        let pairing = inner.pairing.as_ref();
        let mm: Option<String> = setting::load(&inner.store, "mm")?;
        let section: Option<String> = setting::load(&inner.store, "section")?;
        Ok(json!({
            // It belongs to a site and can record; whether the trailer knows it now is `must_pair`.
            "paired": belongs,
            "must_pair": belongs && pairing.is_none(),
            "site": inner.store.site().map_err(store_fault)?,
            "plant": plan.as_ref().map_or_else(|| pairing.map(|p| p.plant.clone()), |p| Some(p.plant.clone())),
            "unit": plan.as_ref().map(|p| &p.unit),
            "has_plan": plan.is_some(),
            "tablet": inner.name.as_ref().map_or("", |n| &n.name),
            "person": person,
            "section": section,
            "lives": self.lives(&inner)?,
            "mm": mm,
            "storage": { "full": self.full.load(Ordering::Relaxed), "free": inner.store.photos().free().ok() },
        }))
    }

    pub(crate) fn jobs(&self, args: Json) -> Result<Json, Fault> {
        let args: Jobs = parse("jobs", args)?;
        let inner = self.lock();
        let plan = inner.plan()?;
        let here = self.here(&inner)?;
        let mut views = inner.store.jobs().map_err(store_fault)?;
        views.retain(|v| args.section.as_ref().is_none_or(|s| *s == v.section));
        views.sort_by_cached_key(|v| (place_of(&plan, &v.section), v.tube.unwrap_or(u32::MAX), v.number.clone(), v.job.clone()));
        let briefs: Vec<JobBrief> = views.into_iter().map(|v| brief(v, &here)).collect();
        serde_json::to_value(briefs).map_err(|e| fault::not_understood("jobs", e))
    }

    pub(crate) fn one_job(&self, args: Json) -> Result<Json, Fault> {
        let args: OneJob = parse("job", args)?;
        let inner = self.lock();
        inner.plan()?;
        let view = inner.job(&args.job)?;
        if args.hide.is_empty() {
            self.with_lives(&inner, &args.job, view)
        } else {
            self.lives_beside(&inner, &args.job, blind(view, &args.hide))
        }
    }

    /// The view as JSON with `lives` beside.
    pub(crate) fn with_lives(&self, inner: &Inner, job: &str, view: JobView) -> Result<Json, Fault> {
        let json = serde_json::to_value(view).map_err(|e| fault::not_understood("job", e))?;
        self.lives_beside(inner, job, json)
    }

    pub(crate) fn lives_beside(&self, inner: &Inner, job: &str, mut view: Json) -> Result<Json, Fault> {
        let here = self.here(inner)?;
        let photos = photos_of(view.pointer("/lists/photos"));
        let mut lives = json!(here.of_job(job, &photos));
        // Photo by photo: what is only here, and what the trailer has signed for. Of another crew's photo without a
        // receipt this tablet knows nothing, and says nothing.
        let only_here: Vec<&PhotoHash> = photos.iter().filter(|p| here.photos.contains(p)).collect();
        lives["photos_only_here"] = json!(only_here);
        lives["photos_in_trailer"] = json!(self.received(inner, &photos)?);
        if let Some(map) = view.as_object_mut() {
            map.insert("lives".to_owned(), lives);
        }
        Ok(view)
    }

    /// Those of the photos that the trailer has signed for.
    fn received(&self, inner: &Inner, photos: &[PhotoHash]) -> Result<Vec<PhotoHash>, Fault> {
        let mut all = Vec::new();
        for photo in photos {
            if inner.store.photo_state(photo).map_err(store_fault)?.receipt_ms.is_some() {
                all.push(*photo);
            }
        }
        Ok(all)
    }

    pub(crate) fn lives(&self, inner: &Inner) -> Result<Lives, Fault> {
        let here = self.here(inner)?;
        let lives = here.lives(here.entries, here.photos.len() as u64, here.receipt.is_some());
        Ok(Lives { apart: here.apart, note: inner.note.clone(), key_home: Some(inner.identity.home.to_owned()), ..lives })
    }

    /// Reads what follows the last receipt in each of this tablet's own series.
    fn here(&self, inner: &Inner) -> Result<Here, Fault> {
        let (mut entries, mut apart, mut by_job, mut receipt) = (0, 0, BTreeMap::new(), None);
        let heads = inner.store.heads().map_err(store_fault)?;
        for series in inner.own_series()? {
            receipt = setting::load(&inner.store, &receipt_key(&series))?;
            // A head that is damaged is not known: then there may be any number.
            let head = heads.0.get(&series).map(|head| head.seq);
            let (before, end) = (entries, own::end_here(inner, &series, head.unwrap_or(u64::MAX - 1))?);
            let mut next = receipt.map_or(0, |r: LastReceipt| r.seq) + 1;
            while next <= end {
                let piece = match inner.store.read(&series, next, PIECE) {
                    // What stands from the damaged one on cannot be sent: all of it is only here.
                    Err(StoreError::DamagedRecord(_)) => {
                        entries += if head.is_some() { end + 1 - next } else { 1 };
                        break;
                    }
                    piece => piece.map_err(store_fault)?,
                };
                let Some(last) = piece.last() else { break };
                next = last.entry.seq + 1;
                for sealed in piece.iter().filter(|s| s.entry.seq <= end) {
                    entries += 1;
                    if let Some((job, _)) = fold::split_subject(&sealed.entry.subject.0) {
                        *by_job.entry(job.to_owned()).or_insert(0) += 1;
                    }
                }
            }
            if own::was_told(inner, &series, end)? {
                apart += entries - before;
            }
        }
        let photos = inner.store.photos_without_receipt().map_err(store_fault)?.into_iter().collect();
        Ok(Here { receipt, entries, apart, by_job, photos, progress: self.progress().clone() })
    }
}

impl Here {
    fn lives(&self, entries_here: u64, photos_here: u64, safe: bool) -> Lives {
        let state = match (entries_here + photos_here, self.progress.running, self.progress.not_found()) {
            // Nothing waits here; before the first receipt that is no more than an empty tablet.
            (0, ..) if safe => "in-trailer",
            (_, true, _) => "going",
            (_, _, true) => "not-found",
            _ => "only-here",
        };
        Lives {
            entries_here,
            photos_here,
            last_receipt_ms: self.receipt.map(|r| r.at_ms),
            last_receipt_seq: self.receipt.map_or(0, |r| r.seq),
            state: state.to_owned(),
            apart: 0,
            note: None,
            key_home: None,
        }
    }

    fn of_job(&self, job: &str, photos: &[PhotoHash]) -> Lives {
        let photos = photos.iter().filter(|p| self.photos.contains(p)).count() as u64;
        // A job of which nothing waits here came from the trailer, or went there.
        self.lives(self.by_job.get(job).copied().unwrap_or(0), photos, true)
    }
}

fn brief(view: JobView, here: &Here) -> JobBrief {
    let photos: Vec<PhotoHash> = view.lists.get("photos").into_iter().flatten().filter_map(|i| hash_in(&i.body)).collect();
    JobBrief {
        lives: here.of_job(&view.job, &photos),
        job: view.job,
        number: view.number,
        section: view.section,
        tube: view.tube,
        elevation: view.elevation,
        side: view.side,
        level: view.level,
        stands_at: view.stands_at,
        steps: view.steps.iter().map(|s| s.state).collect(),
        wanted: view.wanted,
    }
}

fn photos_of(list: Option<&Json>) -> Vec<PhotoHash> {
    list.and_then(Json::as_array).into_iter().flatten().filter_map(|i| hash_in(i.get("body")?)).collect()
}

fn hash_in(body: &Json) -> Option<PhotoHash> {
    PhotoHash::from_hex(body.get("hash")?.as_str()?)
}

/// Place of a section in the plan; sections that the plan no longer names come last.
fn place_of(plan: &SitePlan, section: &str) -> usize {
    plan.sections.iter().position(|s| s.id == section).unwrap_or(usize::MAX)
}
