//! What all requests share.

use crate::backups;
use crate::cert::sha256;
use crate::clock::random;
use crate::codes::Codes;
use crate::doors::{Turn, UnderWay};
use crate::fault::{self, Fault};
use crate::sessions::{Session, Sessions};
use crate::tablets::Paired;
use crate::trailer::Trailer;
use job::pin;
use job::plan::Person;
use journal::PersonId;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use tokio::sync::Semaphore;

/// PIN hashes worked out at once: each takes 19 MiB and a core.
const HASHES: usize = 2;
/// Pictures worked out at once: each may take hundreds of MiB.
const PICTURES: usize = 2;

/// What the web side knows beside the records.
#[derive(Clone, Debug)]
pub struct Web {
    /// SHA-256 of the TLS key: what tablets pin.
    pub pin: [u8; 32],
    /// The CA's certificate, PEM.
    pub ca_pem: String,
    /// SHA-256 of the CA's certificate.
    pub ca_fingerprint: [u8; 32],
}

/// Shared by all requests; cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Shared>);

struct Shared {
    trailer: Mutex<Trailer>,
    codes: Mutex<Codes>,
    sessions: Mutex<Sessions>,
    web: Web,
    address: OnceLock<SocketAddr>,
    hashes: Semaphore,
    pictures: Semaphore,
    backups: Mutex<Option<backups::Standing>>,
    under_way: UnderWay,
    uptime: crate::clock::Clock,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A panic under the lock cannot leave half a record: the store's transaction is rolled back then.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl App {
    /// Puts it together.
    pub fn new(trailer: Trailer, web: Web) -> Self {
        let uptime = trailer.clock;
        Self(Arc::new(Shared {
            trailer: Mutex::new(trailer),
            codes: Mutex::default(),
            sessions: Mutex::default(),
            web,
            address: OnceLock::new(),
            hashes: Semaphore::new(HASHES),
            pictures: Semaphore::new(PICTURES),
            backups: Mutex::default(),
            under_way: UnderWay::default(),
            uptime,
        }))
    }

    /// True where nobody else holds this any more, so that the store closes with it.
    pub(crate) fn is_last(&self) -> bool {
        Arc::strong_count(&self.0) == 1
    }

    /// Certificates and fingerprints.
    pub fn web(&self) -> &Web {
        &self.0.web
    }

    /// Says where the HTTPS listener is; once, when it listens.
    pub fn set_address(&self, listener: SocketAddr) {
        let _ = self.0.address.set(listener);
    }

    /// Where a tablet should dial.
    pub fn dial(&self) -> SocketAddr {
        self.0.address.get().map_or_else(|| SocketAddr::from(([127, 0, 0, 1], 8443)), |a| crate::net::dial(*a))
    }

    /// Milliseconds of this run.
    pub fn uptime_ms(&self) -> u64 {
        self.0.uptime.uptime_ms()
    }

    /// Wall clock, ms since 1970.
    pub fn wall_ms(&self) -> i64 {
        self.0.uptime.wall_ms()
    }

    /// Runs `work` with the records, off the async threads, one at a time.
    ///
    /// # Errors
    /// Whatever `work` says.
    pub async fn with<T: Send + 'static>(&self, work: impl FnOnce(&mut Trailer) -> Result<T, Fault> + Send + 'static) -> Result<T, Fault> {
        let shared = Arc::clone(&self.0);
        off_thread(move || work(&mut lock(&shared.trailer))).await
    }

    /// Runs `work` with the records on this thread; for start and stop.
    ///
    /// # Errors
    /// Whatever `work` says.
    pub fn with_now<T>(&self, work: impl FnOnce(&mut Trailer) -> Result<T, Fault>) -> Result<T, Fault> {
        work(&mut lock(&self.0.trailer))
    }

    /// The pairing codes.
    pub fn codes(&self) -> MutexGuard<'_, Codes> {
        lock(&self.0.codes)
    }

    /// A turn for one more request of a tablet; `None` where it has too many under way.
    pub fn turn(&self, tablet: &Paired) -> Option<Turn> {
        self.0.under_way.begin(tablet.series())
    }

    /// Says that this run makes backups by itself; `last_ms` is the newest whole one that is there.
    pub(crate) fn begin_backups(&self, schedule: &backups::Schedule, last_ms: Option<i64>) {
        *lock(&self.0.backups) = Some(backups::Standing::new(schedule, last_ms));
    }

    /// Changes what is known of the backups.
    pub(crate) fn with_backups(&self, change: impl FnOnce(&mut backups::Standing)) {
        if let Some(standing) = lock(&self.0.backups).as_mut() {
            change(standing);
        }
    }

    /// How the backups stand, where this run makes them.
    pub fn backup(&self) -> Option<job::board::Backup> {
        let (now_ms, up_ms) = (self.wall_ms(), self.uptime_ms());
        lock(&self.0.backups).as_ref().map(|b| b.shown(now_ms, up_ms))
    }

    /// The paired tablet that holds this token.
    ///
    /// # Errors
    /// 401 for any other, 403 for one that was taken off.
    pub async fn tablet_of(&self, token: &str) -> Result<Paired, Fault> {
        let token = token.to_owned();
        self.with(move |t| {
            let paired = t.tablets().by_token(&token).cloned().ok_or_else(fault::not_paired)?;
            t.still_belongs(&paired)?;
            Ok(paired)
        })
        .await
    }

    /// The person signed in with a cookie, as the roster has them now. Whose PIN or roles changed since must sign in anew,
    /// everywhere.
    ///
    /// # Errors
    /// 401 where nobody is.
    pub async fn person_of(&self, secret: &str) -> Result<Person, Fault> {
        let session: Option<Session> = lock(&self.0.sessions).seen(secret, self.uptime_ms());
        let session = session.ok_or_else(fault::not_signed_in)?;
        let now = self.with(move |t| Ok(t.plan()?.person(&session.person).cloned().filter(|p| session.mark == mark(p)))).await?;
        now.ok_or_else(|| {
            self.end_session(secret);
            fault::not_signed_in()
        })
    }

    /// Begins a session; gives the secret for the cookie.
    ///
    /// # Errors
    /// Where there are no random bytes.
    pub fn begin_session(&self, person: &Person) -> Result<String, Fault> {
        let secret = random()?;
        Ok(lock(&self.0.sessions).begin(secret, person.id.clone(), mark(person), self.uptime_ms()))
    }

    /// Ends a session.
    pub fn end_session(&self, secret: &str) {
        lock(&self.0.sessions).end(secret);
    }

    /// Runs work on a picture off the async threads, few at a time.
    ///
    /// # Errors
    /// Whatever the work says.
    pub async fn with_picture<T: Send + 'static>(&self, work: impl FnOnce() -> Result<T, Fault> + Send + 'static) -> Result<T, Fault> {
        let _few = self.0.pictures.acquire().await.map_err(|e| Fault::inside("picture", e))?;
        off_thread(work).await
    }

    /// Checks a PIN; slowed down after misses, each miss durable before it is answered.
    ///
    /// # Errors
    /// 401 for a wrong PIN, 404 for a stranger, 429 while slowed down.
    pub async fn check_pin(&self, person: &PersonId, given: &str) -> Result<Person, Fault> {
        let id = person.clone();
        let person = self.with(move |t| t.pin_try(&id)).await?;
        let _few = self.0.hashes.acquire().await.map_err(|e| Fault::inside("pin", e))?;
        let (phc, given) = (person.pin.clone(), given.to_owned());
        let right = off_thread(move || Ok(pin::verify(&given, &phc))).await?;
        if !right {
            let words = format!("That is not the PIN of {}. Nothing was changed. Type the six figures again.", person.name);
            return Err(Fault::new(401, "wrong-pin", words).with("name", &person.name));
        }
        let id = person.id.clone();
        self.with(move |t| t.pin_right(&id)).await?;
        Ok(person)
    }
}

/// What a person could do and by what they proved who they are, when they signed in.
fn mark(person: &Person) -> [u8; 32] {
    let roles: Vec<&str> = person.roles.iter().map(|r| r.code()).collect();
    sha256(format!("{}\n{}", person.pin, roles.join(" ")).as_bytes())
}

/// Runs slow work off the async threads.
///
/// # Errors
/// Whatever the work says, or 500 where it panicked.
pub async fn off_thread<T: Send + 'static>(work: impl FnOnce() -> Result<T, Fault> + Send + 'static) -> Result<T, Fault> {
    match tokio::task::spawn_blocking(work).await {
        Ok(result) => result,
        Err(e) => Err(Fault::inside("work", e)),
    }
}
