//! The tablet's inside: the store behind one lock, the person who holds it, and the one way by which an entry is written.
//!
//! One lock for everything: a tablet has one person at its glass, and a call that waits some milliseconds for another is
//! cheaper than two calls that see different worlds. Slow work (pictures, the network) is done without the lock.

use crate::env::Env;
use crate::fault::{self, Fault};
use crate::identity::Identity;
use crate::keeping::Check;
use crate::keyhome::KeyHome;
use crate::people::KeptGuard;
use crate::place::Name;
use crate::series;
use crate::setting::store_fault;
use crate::syncing::{Pairing, Progress};
use job::Say;
use job::kinds;
use job::{JobView, SitePlan};
use journal::writer::{Draft, Stamp, Writer};
use journal::{EntryHash, PersonId, Subject, Value};
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use store::Store;

/// The place mark is written again after so many saves.
const MARK_EVERY: u32 = 8;

/// Everything behind the seam.
pub(crate) struct Core {
    pub env: Arc<dyn Env>,
    pub dir: PathBuf,
    pub ring: Option<Arc<dyn KeyHome>>,
    pub progress: Mutex<Progress>,
    pub check: Mutex<Check>,
    /// True after a write found no room, until one succeeds.
    pub full: AtomicBool,
    inner: Mutex<Inner>,
}

/// What the lock guards.
pub(crate) struct Inner {
    pub store: Store,
    pub identity: Identity,
    /// The tablet's name, once it has one. It outlives a pairing: its jobs are numbered by it.
    pub name: Option<Name>,
    /// Why this tablet began a new series, until it is paired again.
    pub note: Option<Say>,
    /// Misses of PINs in this run, where they may not be on disk yet.
    pub misses: BTreeMap<PersonId, KeptGuard>,
    /// Saves since the place mark was written.
    saves: u32,
    /// Who holds the tablet. In memory only: after a restart the person takes it up again with the PIN.
    pub who: Option<PersonId>,
    pub pairing: Option<Pairing>,
}

/// Reads the arguments of a call.
pub(crate) fn parse<T: DeserializeOwned>(call: &str, args: Json) -> Result<T, Fault> {
    serde_json::from_value(args).map_err(|e| fault::not_understood(call, e))
}

impl Core {
    pub(crate) fn open(dir: &Path, env: Arc<dyn Env>, options: store::Options, ring: Option<Arc<dyn KeyHome>>) -> Result<Self, Fault> {
        sync::tls::install();
        let mut store = Store::open(dir, options).map_err(store_fault)?;
        let opened = series::open(dir, &mut store, &*env, ring.as_deref())?;
        let series::Opened { identity, name, note, pairing, trailer } = opened;
        let inner = Inner { store, identity, name, note, misses: BTreeMap::new(), saves: 0, who: None, pairing };
        let core = Self {
            env,
            dir: dir.to_owned(),
            ring,
            progress: Mutex::default(),
            check: Mutex::default(),
            full: AtomicBool::new(false),
            inner: Mutex::new(inner),
        };
        {
            let mut inner = core.lock();
            core.believe(&mut inner, trailer)?;
            if inner.pairing.is_some() || inner.note.is_some() {
                core.begin_series(&mut inner)?;
            }
            core.mark(&inner);
        }
        Ok(core)
    }

    /// The lock. A panic inside it cannot leave half a record: the store's transaction is rolled back then.
    pub(crate) fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes the first entry of this tablet's series if it belongs to a site and has none: also after a kill between the
    /// pairing and it.
    pub(crate) fn begin_series(&self, inner: &mut Inner) -> Result<(), Fault> {
        if inner.store.site().map_err(store_fault)?.is_none() {
            return Ok(());
        }
        if inner.store.tail(&inner.identity.incarnation).map_err(store_fault)?.is_some_and(|t| t.head().is_some()) {
            return Ok(());
        }
        let name = self.named(inner)?;
        self.note_series(inner)?;
        let draft = Draft::series_begin(inner.identity.device, &inner.identity.key, &name, "tablet");
        self.append(inner, &kinds::nobody(), vec![draft]).map(drop)
    }

    /// Writes the drafts as one transaction; durable on return. Gives the hashes in order.
    ///
    /// It needs a site and no pairing: who has lost the trailer's trust goes on recording.
    pub(crate) fn write(&self, inner: &mut Inner, person: &PersonId, drafts: Vec<Draft>) -> Result<Vec<EntryHash>, Fault> {
        self.begin_series(inner)?;
        let saved = self.append(inner, person, drafts)?;
        inner.saves += 1;
        if inner.saves >= MARK_EVERY {
            inner.saves = 0;
            self.mark(inner);
        }
        Ok(saved)
    }

    fn append(&self, inner: &mut Inner, person: &PersonId, drafts: Vec<Draft>) -> Result<Vec<EntryHash>, Fault> {
        let site = inner.store.site().map_err(store_fault)?.ok_or_else(fault::not_paired)?;
        let Identity { device, incarnation, .. } = inner.identity;
        let head = inner.store.tail(&incarnation).map_err(store_fault)?.and_then(|t| t.head());
        let counter = inner.store.counter().map_err(store_fault)?;
        let writer = Writer::new(site, device, incarnation, head, counter);
        let stamp = Stamp { wall_ms: self.env.wall_ms(), boot: self.env.boot(), uptime_ms: self.env.uptime_ms(), person: person.clone() };
        let sealed = writer
            .transaction(&stamp, drafts, &inner.identity.key)
            .map_err(|e| Fault::inside("not-written", "The record could not be written down.", e))?;
        let done = inner.store.append(&sealed).map_err(store_fault);
        self.full.store(done.as_ref().is_err_and(|f| f.status == 507), Ordering::Relaxed);
        done?;
        Ok(sealed.iter().map(|s| s.hash).collect())
    }
}

impl Inner {
    /// The plan, or why there is none.
    pub(crate) fn plan(&self) -> Result<SitePlan, Fault> {
        match self.store.plan().map_err(store_fault)? {
            Some(plan) => Ok(plan),
            None if self.belongs()? => Err(fault::no_plan()),
            None => Err(fault::not_paired()),
        }
    }

    /// True where this tablet belongs to a site, whether or not the trailer knows it now.
    pub(crate) fn belongs(&self) -> Result<bool, Fault> {
        Ok(self.store.site().map_err(store_fault)?.is_some())
    }

    /// One job as it stands now.
    pub(crate) fn job(&self, job: &str) -> Result<JobView, Fault> {
        self.store.job(job).map_err(store_fault)?.ok_or_else(|| fault::no_job(job))
    }
}

/// A draft of an entry with a body that is one of ours.
pub(crate) fn draft<T: serde::Serialize>(kind: &str, subject: String, basis: Vec<EntryHash>, body: &T) -> Result<Draft, Fault> {
    let json = serde_json::to_value(body).map_err(|e| Fault::inside("not-written", "The record could not be written down.", e))?;
    draft_json(kind, subject, basis, &json)
}

/// A draft from a checked JSON body.
pub(crate) fn draft_json(kind: &str, subject: String, mut basis: Vec<EntryHash>, body: &Json) -> Result<Draft, Fault> {
    let body = Value::from_json(body).map_err(|e| {
        let words =
            format!("{e}. Nothing was saved and what was there before stands. Type the figure again as a whole number or a fraction.");
        Fault::new(400, "not-exact", words)
    })?;
    basis.sort_unstable();
    basis.dedup();
    Ok(Draft { kind: kind.to_owned(), version: 1, subject: Subject(subject), basis, body })
}
