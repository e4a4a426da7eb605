//! The tablet's use cases behind one seam: `call(name, json)`, photos in, pictures out. Used by the app's window and, on
//! loopback, by a browser. It knows neither window nor web server.
//!
//! What it promises: an answer with `saved` comes only after the commit is durable; a refusal changes nothing and says what
//! happened, what is safe and what to do next; nothing here needs a network but pairing and sync.

mod address;
mod blind;
mod core;
pub mod env;
pub mod fault;
mod gate;
mod identity;
mod keeping;
pub mod keyhome;
mod lives;
mod local;
mod own;
mod people;
mod photos;
mod place;
mod record;
mod series;
mod setting;
mod sums;
mod syncing;
mod words;

pub use env::{Env, FakeEnv, SystemEnv};
pub use fault::Fault;
pub use keyhome::KeyHome;
pub use lives::{JobBrief, LastReceipt, Lives};

use crate::core::Core;
use journal::{DeviceId, Incarnation};
use serde_json::Value as Json;
use std::path::Path;
use std::sync::Arc;

/// One tablet: its store, its key, and who holds it. Cheap to clone; all clones are the same tablet.
#[derive(Clone)]
pub struct Tablet {
    core: Arc<Core>,
}

impl Tablet {
    /// Opens the records in `dir`, or begins them at the first start.
    ///
    /// # Errors
    /// A [`Fault`] where the folder, the store or the key cannot be used. Nothing is deleted or overwritten then.
    pub fn open(dir: &Path) -> Result<Self, Fault> {
        Self::open_with(dir, Arc::new(SystemEnv::new()?), store::Options::default())
    }

    /// As [`Tablet::open`]; new keys are kept in the keyring `ring` where there is one, else in the folder.
    ///
    /// # Errors
    /// As [`Tablet::open_in`].
    pub fn open_with_ring(dir: &Path, ring: Option<Arc<dyn KeyHome>>) -> Result<Self, Fault> {
        Self::open_in(dir, Arc::new(SystemEnv::new()?), store::Options::default(), ring)
    }

    /// As [`Tablet::open`], with the machine and the store's options handed in.
    ///
    /// # Errors
    /// As [`Tablet::open`].
    pub fn open_with(dir: &Path, env: Arc<dyn Env>, options: store::Options) -> Result<Self, Fault> {
        Self::open_in(dir, env, options, None)
    }

    /// As [`Tablet::open_with`] and [`Tablet::open_with_ring`] together.
    ///
    /// # Errors
    /// As [`Tablet::open`]; `keyring-locked` (409) where the key is in a keyring that does not open.
    pub fn open_in(dir: &Path, env: Arc<dyn Env>, options: store::Options, ring: Option<Arc<dyn KeyHome>>) -> Result<Self, Fault> {
        Ok(Self { core: Arc::new(Core::open(dir, env, options, ring)?) })
    }

    /// One call of the seam; see the table in `docs/architecture.md`.
    ///
    /// # Errors
    /// A [`Fault`] whose sentence says what happened, what is safe and what to do next.
    pub fn call(&self, name: &str, args: Json) -> Result<Json, Fault> {
        let core = &self.core;
        match name {
            "state" => core.state(),
            "people" => core.people(),
            "sign_in" => core.sign_in(args),
            "sign_out" => Ok(core.sign_out()),
            "plan" => core.plan_shown(),
            "pair" => core.pair(args),
            "jobs" => core.jobs(args),
            "job" => core.one_job(args),
            "open_job" => core.open_job(args),
            "record" => core.record(args),
            "settle" => core.settle(args),
            "strike" => core.strike(args),
            "may_sign" => core.may_sign(args),
            "sign" => core.sign(args),
            "waive" => core.waive(args),
            "sum" => core.sum(args),
            "draft_set" => core.draft_set(args),
            "draft_get" => core.draft_get(args),
            "set_mm" => core.set_mm(args),
            "set_section" => core.set_section(args),
            "set_address" => core.set_address(args),
            "sync_start" => core.sync_start(),
            "sync_state" => core.sync_state(),
            "series" => core.series(),
            "check_store" => core.check_store(),
            "check_state" => Ok(core.check_state()),
            "export_store" => core.export_store(args),
            "import_store" => core.import_store(args),
            other => Err(fault::not_understood(other, "there is no such call")),
        }
    }

    /// Keeps one photo whole, with its smaller pictures, and then the entry that names it.
    ///
    /// `meta` is `{job, view, caption}`; the answer `{saved, hash, look: {blurred, dark}, already, view, note?}`.
    ///
    /// # Errors
    /// A [`Fault`] where it is no picture, cut short or beyond the limits: nothing is saved then.
    pub fn photo_put(&self, meta: Json, bytes: Vec<u8>) -> Result<Json, Fault> {
        self.core.photo_put(meta, &bytes)
    }

    /// A picture and its kind (`image/jpeg`, `image/png`); `size` is `256`, `1600` or `full` (the untouched original).
    ///
    /// # Errors
    /// A [`Fault`] (404) where it is not on this tablet.
    pub fn photo_get(&self, hash: &str, size: &str) -> Result<(String, Vec<u8>), Fault> {
        self.core.photo_get(hash, size)
    }

    /// Syncs to the end and gives the sync state. For tests and for programs without a screen.
    ///
    /// # Errors
    /// A [`Fault`] that says why it ended early; whatever was carried over until then is safe on both sides.
    pub fn sync_blocking(&self) -> Result<Json, Fault> {
        self.core.sync_blocking()
    }

    /// The physical tablet.
    pub fn device(&self) -> DeviceId {
        self.core.lock().identity.device
    }

    /// Its series of entries.
    pub fn incarnation(&self) -> Incarnation {
        self.core.lock().identity.incarnation
    }
}
