//! A store that stands as a trailer's does in service: a plan, two tablets taken in, one cut off, a signed step.

use job::standing::{self, SeriesRole, Standing, Trust};
use job::{JobView, SitePlan, signing};
use journal::{EntryHash, Incarnation, Sealed, SigningKey};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use store::disk::lying::Lying;
use store::testkit::vfs::FaultVfs;
use store::testkit::{Author, draft, trailer};
use store::{Options, Store};
use tempfile::TempDir;

/// The job that is written about.
pub const JOB: &str = "a1";

/// The store and everything that a forger could have got hold of.
pub struct World {
    /// What is attacked.
    pub store: Store,
    /// Every entry that stands in it, whole series one after the other.
    pub all: Vec<Sealed>,
    /// The trailer's key.
    pub server: SigningKey,
    /// The key of a tablet that counts.
    pub k2: SigningKey,
    /// The key of a tablet that was cut off at the end of what it had written.
    pub lost: SigningKey,
    _folder: TempDir,
}

/// A database layer of this thread whose syncs cost nothing.
fn quick() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    thread_local! {
        static VFS: FaultVfs = FaultVfs::new(&format!("forged-{}", NEXT.fetch_add(1, Ordering::Relaxed)));
    }
    VFS.with(FaultVfs::name)
}

fn says(server: &mut Author, about: &Author, name: &str, to: Option<u64>, basis: &[EntryHash]) -> Vec<Sealed> {
    let says = Standing { role: SeriesRole::Tablet, name: name.into(), to, reason: to.map_or(String::new(), |_| "lost".into()) };
    server.write(vec![standing::draft(&about.incarnation(), &says, basis.to_vec()).expect("a plain statement")])
}

impl World {
    /// The same one every time.
    pub fn new() -> Self {
        let folder = TempDir::new().expect("a folder");
        let options = Options { vfs: Some(quick()), disk: Arc::new(Lying::default()), photo_floor: 0 };
        let mut store = Store::open(folder.path(), options).expect("a store");
        let (mut server, mut all) = trailer();
        let (mut k2, mut k5) = (Author::new(2, "K2"), Author::new(5, "K5"));
        let of_k2 = [k2.begin(), k2.open_job(JOB, "K2-001", 47), k2.gap(JOB, "6", 20, &[]), three(&mut k2)].concat();
        let of_k5 = [k5.begin(), k5.gap(JOB, "3", 21, &[])].concat();
        let first = says(&mut server, &k5, "K5", None, &[]);
        let said = [
            says(&mut server, &k2, "K2", None, &[]),
            first.clone(),
            says(&mut server, &k5, "K5", Some(of_k5.len() as u64), &[first[0].hash]),
        ];
        all.extend(said.concat());
        all.extend(of_k2);
        all.extend(of_k5);
        store.accept(all.clone()).expect("sound entries");
        store.set_trust(&Trust { roots: [server.incarnation()].into(), ..Trust::default() }).expect("trust");
        let (server, lost, k2) = (server.key().clone(), k5.key().clone(), k2.key().clone());
        Self { store, all, server, k2, lost, _folder: folder }
    }

    /// The entries of the series that this key signs, in order.
    pub fn series(&self, key: &SigningKey) -> Vec<Sealed> {
        let incarnation = Incarnation::of(&key.public());
        self.store.read(&incarnation, 1, usize::MAX >> 1).expect("readable")
    }

    /// The job as everybody sees it.
    pub fn view(&self) -> JobView {
        self.store.job(JOB).expect("readable").expect("the job")
    }

    /// The plan.
    pub fn plan(&self) -> SitePlan {
        self.store.plan().expect("readable").expect("a plan")
    }

    /// A signature as the screen would make it.
    pub fn sign_body(&self) -> serde_json::Value {
        let body = signing::sign_body(&self.view(), &self.plan(), "place", job::plan::Role::Supervisor, "en", None);
        serde_json::to_value(body.expect("a hold point")).expect("plain")
    }
}

/// A transaction of three.
fn three(of: &mut Author) -> Vec<Sealed> {
    of.write((0..3).map(|n| draft(&format!("job/{JOB}/notes"), "note", &json!({"text": n.to_string()}), &[])).collect())
}
