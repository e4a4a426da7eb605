//! One machine of a simulated site: a tablet or a server with its disk, its keys, its clock and its store.

use crate::sim::clock::Clock;
use crate::sim::drive::Drive;
use job::JobView;
use job::standing::Trust;
use journal::{DeviceId, Draft, Head, Incarnation, PersonId, Sealed, SigningKey, Stamp, VerifyingKey, Writer};
use std::collections::{BTreeMap, BTreeSet};
use store::testkit::machine::Tree;
use store::{Store, StoreError};
use sync::Exchange;
use sync::series::CertifiedSeries;

/// What a tablet learned when it was paired.
#[derive(Clone, Debug)]
pub struct Home {
    /// The server.
    pub server: usize,
    /// Its identity.
    pub key: VerifyingKey,
    /// The series that was paired: the token is good for it alone.
    pub series: Incarnation,
    /// The server's series.
    pub roots: BTreeSet<Incarnation>,
}

/// An exchange under way.
#[derive(Clone, Debug)]
pub struct Session {
    /// The exchange.
    pub exchange: Exchange,
    /// Messages so far.
    pub messages: u32,
}

/// What belongs to a machine beside its disk: it is copied with it.
#[derive(Clone, Debug)]
pub struct Papers {
    /// The device.
    pub device: DeviceId,
    /// The key of the series it writes now.
    pub key: SigningKey,
    /// Every series it has written.
    pub own: BTreeSet<Incarnation>,
    /// A tablet's pairing.
    pub home: Option<Home>,
    /// A server's identity: signs receipts and certifies its series.
    pub identity: SigningKey,
    /// A server's series, certified; empty while it is the identity's own.
    pub certified: Vec<CertifiedSeries>,
    /// Series that are paired here; false once shut out.
    pub tokens: BTreeMap<Incarnation, bool>,
    /// Up to where each tablet said its own series goes.
    pub heard: BTreeMap<Incarnation, u64>,
}

/// A machine.
#[derive(Debug)]
pub struct Node {
    /// Name of the device.
    pub name: String,
    /// True for a server.
    pub server: bool,
    /// Its disk.
    pub drive: Drive,
    /// The store, while the program runs.
    pub store: Option<Store>,
    /// Keys, pairing, tokens.
    pub papers: Papers,
    /// Its clock.
    pub clock: Clock,
    /// True once its disk is gone and nobody has replaced it.
    pub gone: bool,
    /// The exchange under way.
    pub session: Option<Session>,
    /// 0 good, 1 down, 2 answers are lost, 3 slow.
    pub link: u8,
    /// What its screens last showed.
    pub seen: BTreeMap<String, JobView>,
    /// By how much the tablets' clocks were off when a server last wrote it down.
    pub skews: BTreeMap<Incarnation, (journal::BootId, i64)>,
    /// A copy put away.
    pub backup: Option<(Tree, Papers, BTreeMap<Incarnation, Head>)>,
    /// What it has acknowledged: the head of every series.
    pub durable: BTreeMap<Incarnation, Head>,
    /// The disk is dying: the power goes at the next error.
    pub dying: Option<u64>,
    /// A fault of the disk was set and may strike, or has.
    pub harmed: bool,
    /// A byte of its database was turned over.
    pub flipped: bool,
    /// Photos whose file was turned over here.
    pub spoilt: BTreeSet<journal::PhotoHash>,
    /// The series it was set back or copied with: another version of it may be elsewhere.
    pub doubtful: BTreeSet<Incarnation>,
}

impl Node {
    /// The series it writes now.
    pub fn series(&self) -> Incarnation {
        Incarnation::of(&self.papers.key.public())
    }

    /// What it believes.
    pub fn trust(&self) -> Trust {
        let roots = match &self.papers.home {
            _ if self.server => self.papers.own.clone(),
            Some(home) => home.roots.clone(),
            None => BTreeSet::new(),
        };
        Trust { roots, own: self.papers.own.clone() }
    }

    /// The store, which is open.
    pub fn store(&mut self) -> &mut Store {
        self.store.as_mut().expect("opened before it is used")
    }

    /// Builds the next transaction of its series from what the store holds.
    ///
    /// # Errors
    /// As the store's reads.
    pub fn build(&mut self, person: &str, drafts: Vec<Draft>, now_ms: i64) -> Result<Vec<Sealed>, StoreError> {
        let series = self.series();
        let (device, key, clock) = (self.papers.device, self.papers.key.clone(), self.clock.clone());
        let store = self.store();
        let head = store.tail(&series)?.and_then(|tail| tail.head());
        let writer = Writer::new(crate::sim::folds::PLAN.site, device, series, head, store.counter()?);
        let stamp = Stamp {
            wall_ms: clock.wall_ms(now_ms),
            boot: clock.boot,
            uptime_ms: clock.uptime_ms(now_ms),
            person: PersonId(person.to_owned()),
        };
        Ok(writer.transaction(&stamp, drafts, &key).expect("a sound transaction"))
    }
}
