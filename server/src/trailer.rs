//! The server's inside without the web: the store, its own series, the plan, the paired tablets.
//!
//! One lock around all of it (see [`crate::state::App`]): a site has tens of tablets, and one writer at a time is what
//! the journal wants anyway. Slow work (PIN hashes, pictures) is done outside.

use crate::clock::Clock;
use crate::fault::{self, Fault};
use crate::identity::{self, Identity};
use crate::plan_file;
use crate::skew::Clocks;
use crate::tablets::{Heard, Tablets};
use job::pin::Guard;
use job::plan::Person;
use job::{SitePlan, kinds};
use journal::{BootId, Draft, EntryHash, Incarnation, PersonId, SiteId, Stamp, Subject, Value, Writer};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use store::{Store, StoreError};

const TABLETS: &str = "server/tablets";
const PLAN_SUBJECT: &str = "site/plan";
const PLAN_KIND: &str = "site-plan";

/// Everything behind the lock.
pub struct Trailer {
    /// Journal, projections, photos.
    pub store: Store,
    /// Who the server is.
    pub identity: Identity,
    /// Clocks of this run.
    pub clock: Clock,
    /// The data folder.
    pub(crate) folder: PathBuf,
    tablets: Tablets,
    /// When the table of tablets was last written for one that was heard, by this run's clock.
    noted: BTreeMap<Incarnation, u64>,
    /// What was said of the tablets' clocks.
    pub(crate) clocks: Clocks,
    /// Comparisons that wait for the tablet's heads.
    pub(crate) clocks_due: BTreeMap<Incarnation, job::standing::Clock>,
    /// True once entries that count for nothing were not taken, because there was no more room for such.
    pub(crate) apart_full: bool,
}

/// A tablet that was heard again with nothing new is written down once in so long: a sync with nothing to do writes nothing.
const NOTE_MS: u64 = 60_000;

/// Misses of one person at the board, with the run they were counted in.
#[derive(Default, Serialize, Deserialize)]
struct KeptGuard {
    guard: Guard,
    boot: Option<BootId>,
}

/// What loading a plan file did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loaded {
    /// The first plan of this folder.
    First,
    /// It differs from the one before, which it names as its basis.
    Changed,
    /// It is the one that stands already.
    Same,
}

impl Trailer {
    /// Opens the data folder, making what is missing.
    ///
    /// # Errors
    /// A fault where the folder, the store or the key cannot be used. Nothing is deleted or overwritten then.
    pub fn open(data: &Path) -> Result<Self, Fault> {
        Self::open_with(data, store::Options::default())
    }

    /// [`Trailer::open`] with a store on another disk.
    ///
    /// # Errors
    /// As [`Trailer::open`].
    pub fn open_with(data: &Path, options: store::Options) -> Result<Self, Fault> {
        std::fs::create_dir_all(data).map_err(|e| {
            Fault::new(500, "no-folder", format!("The data folder {} cannot be made: {e}. Nothing was changed.", data.display()))
        })?;
        let store = Store::open(&data.join("store"), options).map_err(store_fault)?;
        let mut trailer = Self {
            store,
            identity: Identity::open(data)?,
            clock: Clock::start()?,
            folder: data.to_owned(),
            tablets: Tablets::default(),
            noted: BTreeMap::new(),
            clocks: Clocks::default(),
            clocks_due: BTreeMap::new(),
            apart_full: false,
        };
        trailer.tablets = trailer.load(TABLETS)?.unwrap_or_default();
        trailer.believe()?;
        Ok(trailer)
    }

    /// Loads a plan file: the first becomes the site's plan, a changed one an entry whose basis names the standing one.
    ///
    /// # Errors
    /// A fault that lists what is wrong; the standing plan stays then.
    pub fn load_plan(&mut self, text: &str) -> Result<Loaded, Fault> {
        let standing = self.store.plan().map_err(store_fault)?;
        let plan = plan_file::read(text, standing.as_ref())?;
        if standing.as_ref() == Some(&plan) {
            return Ok(Loaded::Same);
        }
        self.store.set_site(plan.site).map_err(store_fault)?;
        let json = serde_json::to_value(&plan).map_err(|e| Fault::inside("plan", e))?;
        let body = Value::from_json(&json).map_err(|e| Fault::inside("plan", e))?;
        let basis = self.standing_plan()?;
        let draft = Draft { kind: PLAN_KIND.to_owned(), version: 1, subject: Subject(PLAN_SUBJECT.to_owned()), basis, body };
        self.write(&kinds::nobody(), vec![draft])?;
        Ok(if standing.is_some() { Loaded::Changed } else { Loaded::First })
    }

    /// The plan entries that no other one supersedes.
    fn standing_plan(&self) -> Result<Vec<EntryHash>, Fault> {
        let all = self.store.subject(PLAN_SUBJECT).map_err(store_fault)?;
        let built_on: BTreeSet<EntryHash> = all.iter().flat_map(|s| s.entry.basis.iter().copied()).collect();
        Ok(all.iter().map(|s| s.hash).filter(|h| !built_on.contains(h)).collect())
    }

    /// Writes drafts as one transaction of the server's own series; durable on return. Gives the hashes in order.
    ///
    /// # Errors
    /// A fault; nothing is written then.
    pub fn write(&mut self, person: &PersonId, mut drafts: Vec<Draft>) -> Result<Vec<EntryHash>, Fault> {
        let site = self.site()?;
        let head = self.store.tail(&self.identity.incarnation).map_err(store_fault)?.and_then(|t| t.head());
        let begun = head.is_some();
        if !begun {
            drafts.insert(0, Draft::series_begin(self.identity.device, self.identity.writer(), identity::NAME, "server"));
        }
        let counter = self.store.counter().map_err(store_fault)?;
        let writer = Writer::new(site, self.identity.device, self.identity.incarnation, head, counter);
        let clock = &self.clock;
        let stamp = Stamp { wall_ms: clock.wall_ms(), boot: clock.boot(), uptime_ms: clock.uptime_ms(), person: person.clone() };
        let sealed = writer.transaction(&stamp, drafts, self.identity.writer()).map_err(|e| Fault::inside("write", e))?;
        self.store.append(&sealed).map_err(store_fault)?;
        Ok(sealed.iter().skip(usize::from(!begun)).map(|s| s.hash).collect())
    }

    /// The site of this folder.
    ///
    /// # Errors
    /// `no-plan` before the first plan.
    pub fn site(&self) -> Result<SiteId, Fault> {
        self.store.site().map_err(store_fault)?.ok_or_else(fault::no_plan)
    }

    /// The plan that stands.
    ///
    /// # Errors
    /// `no-plan` before the first plan.
    pub fn plan(&self) -> Result<SitePlan, Fault> {
        self.store.plan().map_err(store_fault)?.ok_or_else(fault::no_plan)
    }

    /// The paired tablets.
    pub const fn tablets(&self) -> &Tablets {
        &self.tablets
    }

    /// Takes note that a tablet was heard. Durable at once where it said something new (a series, an entry, what waits); the
    /// time alone is written at most once a minute, so that a stop of the server forgets a minute of it and no more.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn hear(&mut self, heard: &Heard) -> Result<(), Fault> {
        let now_ms = self.clock.uptime_ms();
        let lately = self.noted.get(&heard.incarnation).is_some_and(|noted| now_ms.saturating_sub(*noted) < NOTE_MS);
        if lately && self.tablets.says_nothing_new(heard) {
            self.tablets.heard(heard);
            return Ok(());
        }
        self.change_tablets(|all| {
            all.heard(heard);
            Ok(())
        })?;
        self.noted.insert(heard.incarnation, now_ms);
        Ok(())
    }

    /// Changes the table of tablets; durable on return, unchanged on a fault.
    ///
    /// # Errors
    /// Whatever `change` says, or the store.
    pub fn change_tablets<T>(&mut self, change: impl FnOnce(&mut Tablets) -> Result<T, Fault>) -> Result<T, Fault> {
        let mut next = self.tablets.clone();
        let value = change(&mut next)?;
        self.save(TABLETS, &next)?;
        self.tablets = next;
        Ok(value)
    }

    /// Counts a try at a person's PIN before it is looked at, so that many tries at once are not one. Gives the hash to
    /// compare with; a right PIN is told by [`Trailer::pin_right`].
    ///
    /// # Errors
    /// 404 for a stranger, 429 while the person's tries are slowed down.
    pub fn pin_try(&mut self, person: &PersonId) -> Result<Person, Fault> {
        let plan = self.plan()?;
        let person = plan.person(person).cloned().ok_or_else(|| no_person(person))?;
        let (key, mut kept) = self.kept_guard(&person.id)?;
        let now = self.clock.uptime_ms();
        let wait = kept.guard.wait_ms(now);
        if wait > 0 {
            return Err(slow_down(&person, wait));
        }
        kept.guard.miss(now);
        self.save(&key, &kept)?;
        Ok(person)
    }

    /// The PIN just tried was right: nothing is counted against the person any more.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn pin_right(&mut self, person: &PersonId) -> Result<(), Fault> {
        let (key, mut kept) = self.kept_guard(person)?;
        kept.guard.hit();
        self.save(&key, &kept)
    }

    fn kept_guard(&self, person: &PersonId) -> Result<(String, KeptGuard), Fault> {
        let key = format!("pin-guard/{person}");
        let mut kept: KeptGuard = self.load(&key)?.unwrap_or_default();
        if kept.boot != Some(self.clock.boot()) {
            // Misses of an earlier run: at least this whole run has passed since. The wall clock is not asked.
            kept.guard.last_ms = 0;
            kept.boot = Some(self.clock.boot());
        }
        Ok((key, kept))
    }

    pub(crate) fn load<T: DeserializeOwned>(&self, key: &str) -> Result<Option<T>, Fault> {
        let text = self.store.setting(key).map_err(store_fault)?;
        text.map(|t| serde_json::from_str(&t)).transpose().map_err(|e| Fault::inside(&format!("setting {key}"), e))
    }

    pub(crate) fn save<T: Serialize>(&mut self, key: &str, value: &T) -> Result<(), Fault> {
        let text = serde_json::to_string(value).map_err(|e| Fault::inside(&format!("setting {key}"), e))?;
        self.store.set_setting(key, &text).map_err(store_fault)
    }
}

/// The store's failures in the words of the server.
pub fn store_fault(error: StoreError) -> Fault {
    match error {
        StoreError::DiskFull | StoreError::NearlyFull { .. } => {
            crate::log(&format!("store: {error}"));
            Fault::new(
                507,
                "trailer-full",
                "The trailer's disk is full, so nothing more was taken. What was acknowledged before is safe, and the rest is safe on the tablets. Make room on the trailer's disk, then sync again.",
            )
        }
        StoreError::PhotoTooLong { most } => too_long(most),
        StoreError::InUse => Fault::new(
            409,
            error.code(),
            "Another server has this data folder open. Nothing is lost. Stop the other one first, or use another --data folder.",
        ),
        other => Fault::inside("store", other),
    }
}

/// A photo beyond the limit.
pub fn too_long(most: u64) -> Fault {
    let words = format!(
        "A photo may have at most {} MB. This one was not taken; it is kept on the tablet and everything else goes on. Take it again at a lower resolution.",
        most >> 20
    );
    Fault::new(413, "photo-too-long", words)
}

fn slow_down(person: &Person, wait_ms: u64) -> Fault {
    let wait_s = wait_ms.div_ceil(1000);
    let words = format!(
        "Too many wrong PINs for {}: wait {wait_s} seconds, then try again. The name is not locked and nothing is lost.",
        person.name
    );
    Fault::new(429, "slow-down", words).with("name", &person.name).with("wait_s", wait_s).and("wait_s", wait_s)
}

fn no_person(person: &PersonId) -> Fault {
    Fault::new(404, "no-person", "That person is not on this outage's roster. Nothing was changed. Choose a name from the list.")
        .with("person", person)
}
