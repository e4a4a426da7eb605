//! The tablet's inside: the store behind one lock, the person who holds it, and the one way by which an entry is written.
//!
//! One lock for everything: a tablet has one person at its glass, and a call that waits some milliseconds for another is
//! cheaper than two calls that see different worlds. Slow work (pictures, the network) is done without the lock.

use crate::env::Env;
use crate::fault::{self, Fault};
use crate::identity::Identity;
use crate::setting::{self, store_fault};
use crate::syncing::{Pairing, Progress};
use job::kinds;
use job::{JobView, SitePlan};
use journal::writer::{Draft, Stamp, Writer};
use journal::{EntryHash, Incarnation, PersonId, Subject, Value};
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use store::Store;

const OWN_SERIES: &str = "own-series";

/// Everything behind the seam.
pub(crate) struct Core {
    pub env: Arc<dyn Env>,
    pub identity: Identity,
    pub progress: Mutex<Progress>,
    /// True after a write found no room, until one succeeds.
    pub full: AtomicBool,
    inner: Mutex<Inner>,
}

/// What the lock guards.
pub(crate) struct Inner {
    pub store: Store,
    /// Who holds the tablet. In memory only: after a restart the person takes it up again with the PIN.
    pub who: Option<PersonId>,
    pub pairing: Option<Pairing>,
}

/// Reads the arguments of a call.
pub(crate) fn parse<T: DeserializeOwned>(call: &str, args: Json) -> Result<T, Fault> {
    serde_json::from_value(args).map_err(|e| fault::not_understood(call, e))
}

impl Core {
    pub(crate) fn open(dir: &Path, env: Arc<dyn Env>, options: store::Options) -> Result<Self, Fault> {
        sync::tls::install();
        let store = Store::open(dir, options).map_err(store_fault)?;
        let identity = Identity::open(dir, &*env)?;
        // A pairing made with another key is none: the trailer would not know this series.
        let pairing = setting::load::<Pairing>(&store, "pairing")?.filter(|p| p.incarnation == identity.incarnation);
        let core = Self {
            env,
            identity,
            progress: Mutex::default(),
            full: AtomicBool::new(false),
            inner: Mutex::new(Inner { store, who: None, pairing }),
        };
        core.begin_series(&mut core.lock())?;
        Ok(core)
    }

    /// The lock. A panic inside it cannot leave half a record: the store's transaction is rolled back then.
    pub(crate) fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes the first entry of this tablet's series if it is paired and has none: also after a kill between pairing and it.
    pub(crate) fn begin_series(&self, inner: &mut Inner) -> Result<(), Fault> {
        let Some(pairing) = inner.pairing.clone() else { return Ok(()) };
        if inner.store.tail(&self.identity.incarnation).map_err(store_fault)?.is_some_and(|t| t.head().is_some()) {
            return Ok(());
        }
        self.note_series(inner)?;
        let draft = Draft::series_begin(self.identity.device, &self.identity.key, &pairing.name, "tablet");
        self.write(inner, &kinds::nobody(), vec![draft]).map(drop)
    }

    /// Remembers every series this folder ever wrote, so that what is only here is counted over all of them.
    fn note_series(&self, inner: &mut Inner) -> Result<(), Fault> {
        let mut own = inner.own_series()?;
        if !own.contains(&self.identity.incarnation) {
            own.push(self.identity.incarnation);
            setting::save(&mut inner.store, OWN_SERIES, &own)?;
        }
        Ok(())
    }

    /// Writes the drafts as one transaction; durable on return. Gives the hashes in order.
    pub(crate) fn write(&self, inner: &mut Inner, person: &PersonId, drafts: Vec<Draft>) -> Result<Vec<EntryHash>, Fault> {
        let site = inner.pairing.as_ref().ok_or_else(fault::not_paired)?.site;
        let head = inner.store.tail(&self.identity.incarnation).map_err(store_fault)?.and_then(|t| t.head());
        let counter = inner.store.counter().map_err(store_fault)?;
        let writer = Writer::new(site, self.identity.device, self.identity.incarnation, head, counter);
        let stamp = Stamp { wall_ms: self.env.wall_ms(), boot: self.env.boot(), uptime_ms: self.env.uptime_ms(), person: person.clone() };
        let sealed = writer
            .transaction(&stamp, drafts, &self.identity.key)
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
        if self.pairing.is_none() {
            return Err(fault::not_paired());
        }
        self.store.plan().map_err(store_fault)?.ok_or_else(fault::no_plan)
    }

    /// Every series that was written in this folder, the present one last.
    pub(crate) fn own_series(&self) -> Result<Vec<Incarnation>, Fault> {
        Ok(setting::load(&self.store, OWN_SERIES)?.unwrap_or_default())
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
