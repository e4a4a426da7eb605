//! Pairing and syncing: the tablet's side of the exchange, run on a thread of its own, one at a time.
//!
//! The store's lock is taken for one small read or write at a time and never while the network is waited for, so people go on
//! recording during a sync. Nothing here is a second truth: what is left to send follows from journal, heads and receipts,
//! so a sync that ends in the middle is simply begun again.

use crate::core::{Core, parse};
use crate::fault::{self, Fault};
use crate::local::Desk;
use crate::series::{self, Why};
use crate::setting::store_fault;
use job::Say;
use journal::{Incarnation, SiteId, VerifyingKey};
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use std::future::Future;
use std::sync::{Arc, MutexGuard, PoisonError};
use sync::pairing::{Address, Fingerprint, Invitation};
use sync::{Client, Clock, Outcome, SyncError};

/// What pairing gave. It holds for the series it was made for: with another key this tablet is a stranger to the trailer.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Pairing {
    pub address: String,
    pub fingerprint: String,
    pub token: String,
    pub site: SiteId,
    pub plant: String,
    pub name: String,
    pub server_key: VerifyingKey,
    pub incarnation: Incarnation,
}

/// How far a sync is, and how the last one ended.
#[derive(Clone, Debug, Default)]
pub(crate) struct Progress {
    pub running: bool,
    /// `hello`, `push`, `pull`, `photos`, `done`, `finished`; empty before the first.
    pub phase: String,
    pub done: u64,
    pub total: u64,
    pub error: Option<Say>,
}

impl Progress {
    pub fn not_found(&self) -> bool {
        self.error.as_ref().is_some_and(|e| e.code == "not-found")
    }
}

#[derive(Deserialize)]
struct Pair {
    #[serde(default)]
    text: Option<String>,
    #[serde(default)]
    address: Option<String>,
    #[serde(default)]
    code: Option<String>,
    #[serde(default)]
    name: Option<String>,
}

impl Core {
    pub(crate) fn progress(&self) -> MutexGuard<'_, Progress> {
        self.progress.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Pairs, then syncs once, so that the plan is here before the tablet leaves the trailer.
    pub(crate) fn pair(self: &Arc<Self>, args: Json) -> Result<Json, Fault> {
        let args: Pair = parse("pair", args)?;
        let invitation = invitation(&args)?;
        let pairing = match self.ask_to_pair(&invitation, args.name.as_deref()) {
            // The series in use was cut at the board: a new one begins, and the code is still good.
            Err(Refused::Cut) => {
                self.end_series(&mut self.lock(), Why::ShutOut)?;
                self.ask_to_pair(&invitation, args.name.as_deref())
            }
            other => other,
        };
        let pairing = pairing.map_err(|refused| match refused {
            Refused::Cut => network_fault(&SyncError::SeriesCut),
            Refused::Fault(fault) => fault,
        })?;
        {
            let mut inner = self.lock();
            if inner.identity.incarnation != pairing.incarnation {
                return Err(fault::pair_again());
            }
            inner.store.set_site(pairing.site).map_err(store_fault)?;
            self.paired_with(&mut inner, &pairing)?;
            self.begin_series(&mut inner)?;
            self.mark(&inner);
        }
        let note = self.sync_blocking().err().map(|f| f.say);
        Ok(json!({ "site": pairing.site, "plant": pairing.plant, "tablet": pairing.name, "note": note }))
    }

    fn ask_to_pair(&self, invitation: &Invitation, name: Option<&str>) -> Result<Pairing, Refused> {
        let name = self.own_name(name)?;
        let identity = self.lock().identity.clone();
        let mut nonce = [0_u8; 32];
        self.env.random(&mut nonce)?;
        let tablet = sync::client::Tablet { key: &identity.key, device: identity.device, name: &name };
        let paired = apart(|| block_on(Client::pair(invitation, tablet, nonce)))?;
        let paired = paired.map_err(|e| if e == SyncError::SeriesCut { Refused::Cut } else { network_fault(&e).into() })?;
        Ok(Pairing {
            address: paired.address.to_string(),
            fingerprint: paired.fingerprint.to_hex(),
            token: paired.reply.token,
            site: paired.reply.site,
            plant: paired.reply.name,
            name,
            server_key: paired.reply.server_key,
            incarnation: identity.incarnation,
        })
    }

    /// The name of this tablet: once its series has begun it stays, because its jobs are numbered by it.
    fn own_name(&self, asked: Option<&str>) -> Result<String, Fault> {
        let inner = self.lock();
        if let Some(name) = &inner.name {
            return Ok(name.name.clone());
        }
        let name = match asked.map(str::trim).filter(|n| !n.is_empty()) {
            Some(name) => name.to_owned(),
            None => series::made_up(&inner.identity.device),
        };
        if series::is_name(&name) {
            return Ok(name);
        }
        let words = "A tablet's name is 1 to 12 letters, figures or dashes, such as K4: the jobs are numbered by it. Nothing was paired. Choose another name.";
        Err(Fault::new(400, "bad-name", words).with("name", name))
    }

    /// Starts a sync unless one is running.
    pub(crate) fn sync_start(self: &Arc<Self>) -> Result<Json, Fault> {
        let Some(turn) = self.take_turn()? else { return Ok(json!({ "started": false })) };
        let core = Arc::clone(self);
        let thread = std::thread::Builder::new().name("sync".to_owned()).spawn(move || {
            // How it ended stands in the progress.
            let _ = core.run(turn);
        });
        thread.map_err(|e| Fault::inside("no-thread", "The sync could not be started.", e))?;
        Ok(json!({ "started": true }))
    }

    pub(crate) fn sync_state(&self) -> Result<Json, Fault> {
        let lives = self.lives(&self.lock())?;
        let now = self.progress().clone();
        Ok(json!({ "running": now.running, "phase": now.phase, "done": now.done, "total": now.total, "error": now.error, "lives": lives }))
    }

    /// A whole sync; waits for its end.
    pub(crate) fn sync_blocking(self: &Arc<Self>) -> Result<Json, Fault> {
        let turn = self
            .take_turn()?
            .ok_or_else(|| Fault::new(409, "sync-running", "A sync is already running. Nothing is lost. Wait until it has ended."))?;
        apart(|| self.run(turn))??;
        self.sync_state()
    }

    /// The right to sync, or `None` while another has it.
    fn take_turn(self: &Arc<Self>) -> Result<Option<Turn>, Fault> {
        {
            let inner = self.lock();
            if inner.pairing.is_none() {
                return Err(if inner.belongs()? { fault::pair_again() } else { fault::not_paired() });
            }
        }
        let mut progress = self.progress();
        if progress.running {
            return Ok(None);
        }
        *progress = Progress { running: true, phase: "hello".to_owned(), ..Progress::default() };
        Ok(Some(Turn { core: Arc::clone(self) }))
    }

    fn run(&self, turn: Turn) -> Result<(), Fault> {
        let result = self.exchange();
        let end = match &result {
            Ok(told) => told.clone(),
            Err(fault) => Some(fault.say.clone()),
        };
        self.progress().error = end;
        drop(turn);
        result.map(drop)
    }

    /// One exchange to its end. Gives what a person must know of it.
    fn exchange(&self) -> Result<Option<Say>, Fault> {
        let pairing = self.lock().pairing.clone().ok_or_else(fault::not_paired)?;
        let address = Address::parse(&pairing.address).map_err(|e| bad_pairing(&e))?;
        let pin = Fingerprint::from_hex(&pairing.fingerprint).ok_or_else(|| bad_pairing(&"fingerprint"))?;
        let client = Client::new(address, pin, &pairing.token).map_err(|e| network_fault(&e))?;
        let mut desk = Desk { core: self };
        let mut note = |p: sync::Progress| {
            let mut now = self.progress();
            now.phase = phase_name(p.phase);
            (now.done, now.total) = (p.done, p.total);
        };
        let clock = Clock { wall_ms: self.env.wall_ms(), boot: self.env.boot(), uptime_ms: self.env.uptime_ms() };
        let result = block_on(client.run(pairing.server_key, clock, &mut desk, &mut note));
        let mut inner = self.lock();
        if inner.identity.incarnation != pairing.incarnation {
            return result.map(|outcome| to_be_told(&outcome)).map_err(|e| network_fault(&e));
        }
        if let Some(why) = ends_series(&pairing.incarnation, &result) {
            let say = self.end_series(&mut inner, why)?;
            return match result {
                Ok(_) => Ok(Some(say)),
                Err(_) => Err(Fault::say(409, say)),
            };
        }
        self.mark(&inner);
        let mut outcome = result.map_err(|e| network_fault(&e))?;
        self.told(&mut inner, &mut outcome)?;
        Ok(to_be_told(&outcome))
    }
}

/// Why a pairing did not come about.
enum Refused {
    /// The series counts no further at the board.
    Cut,
    Fault(Fault),
}

impl From<Fault> for Refused {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}

/// What the trailer showed that ends the tablet's own series. What it has more of it was fetched in the same exchange.
fn ends_series(own: &Incarnation, result: &Result<Outcome, SyncError>) -> Option<Why> {
    match result {
        Ok(outcome) if outcome.forks.contains(own) => Some(Why::TwoVersions),
        Ok(outcome) if outcome.own_ahead > 0 => Some(Why::TrailerAhead),
        Err(SyncError::SeriesCut) => Some(Why::ShutOut),
        Err(SyncError::PairAgain) => Some(Why::PairAgain),
        _ => None,
    }
}

/// Held while a sync runs; however it ends, also by a panic, the next one may begin.
struct Turn {
    core: Arc<Core>,
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut progress = self.core.progress();
        progress.running = false;
        if std::thread::panicking() {
            let words = "The sync broke off inside this tablet. Nothing is lost: what has a receipt is in the trailer, the rest is safe here. Sync again; tell the supervisor if it stays.";
            progress.error = Some(Say::new("sync-broke-off", words));
        }
    }
}

/// What a person must know after a sync that went through.
fn to_be_told(outcome: &Outcome) -> Option<Say> {
    if !outcome.forks.is_empty() {
        let words = "Two versions of one tablet's records exist: a tablet was copied or set back. Both are kept apart and nothing is lost. Tell the supervisor before anybody records on it.";
        return Some(Say::new("two-versions", words).with("n", outcome.forks.len()));
    }
    if !outcome.quarantined.is_empty() {
        let words = "Some records could not be merged and are kept apart, with the reason. Nothing is lost. Tell the supervisor: the board lists them.";
        return Some(Say::new("kept-apart", words).with("n", outcome.quarantined.len()));
    }
    if !outcome.damaged.is_empty() {
        let words = "Some records on this tablet's disk are damaged and could not be sent; all others were. Keep this tablet, take no more records on it, and tell the supervisor: what reached the trailer before is safe there.";
        return Some(Say::new("damaged-not-sent", words).with("n", outcome.damaged.len()));
    }
    if !outcome.photo_problems.is_empty() {
        let words = "Some photos could not be sent. They stay safe on this tablet. Sync again; tell the supervisor if it stays.";
        return Some(Say::new("photos-not-sent", words).with("n", outcome.photo_problems.len()));
    }
    if outcome.unread_there > 0 {
        let words = "The trailer's program cannot read some of this tablet's records yet. It keeps them as they are and nothing is lost. Update the trailer's program.";
        return Some(Say::new("update-trailer", words).with("n", outcome.unread_there));
    }
    (outcome.unreadable > 0).then(|| {
        let words = "The trailer has records that this program cannot read yet. Nothing is lost. Update this tablet.";
        Say::new("update-to-read", words).with("n", outcome.unreadable)
    })
}

fn phase_name(phase: sync::Phase) -> String {
    serde_json::to_value(phase).ok().and_then(|p| p.as_str().map(str::to_owned)).unwrap_or_default()
}

fn invitation(args: &Pair) -> Result<Invitation, Fault> {
    let read = match (&args.text, &args.address, &args.code) {
        (Some(text), ..) => Invitation::parse(text),
        (None, Some(address), Some(code)) => Invitation::by_hand(address, code),
        _ => return Err(fault::not_understood("pair", "text, or address and code, are missing")),
    };
    read.map_err(|e| {
        let words = format!("This tablet was not paired: {e}. Nothing is lost.");
        Fault::new(400, "pair-text", words)
    })
}

fn bad_pairing(why: &dyn std::fmt::Display) -> Fault {
    let words = format!(
        "What this tablet keeps of its pairing cannot be used ({why}). Everything is safe on this tablet. Pair it again at the trailer."
    );
    Fault::new(409, "bad-pairing", words).with("why", why)
}

/// The network's failures with a status; the sentences are the sync's own.
fn network_fault(error: &SyncError) -> Fault {
    let status = match error {
        SyncError::Address(_) => 400,
        SyncError::TokenRefused
        | SyncError::Revoked
        | SyncError::SeriesCut
        | SyncError::PairAgain
        | SyncError::BadCertificate
        | SyncError::PairRefused(_)
        | SyncError::PairProof
        | SyncError::OtherCertificate
        | SyncError::BadReceipt => 409,
        SyncError::Slow { .. } => 429,
        SyncError::ServerFull => 507,
        SyncError::Local(say) if say.code.starts_with("disk") => 507,
        SyncError::Local(_) => 500,
        _ => 503,
    };
    let fault = Fault::say(status, error.say());
    if let SyncError::Slow { wait_s } = error { fault.and("wait_s", json!(wait_s)) } else { fault }
}

/// Runs `work` on a thread of its own: the caller may stand inside a runtime, which must not be waited in.
fn apart<T: Send>(work: impl FnOnce() -> T + Send) -> Result<T, Fault> {
    std::thread::scope(|scope| scope.spawn(work).join()).map_err(|_| {
        let words = "This broke off inside the tablet. Nothing is lost: what was saved before is safe. Try once more; tell the supervisor if it stays.";
        Fault::new(500, "broke-off", words)
    })
}

fn block_on<T>(work: impl Future<Output = Result<T, SyncError>>) -> Result<T, SyncError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|e| SyncError::Strange { why: e.to_string() })?;
    runtime.block_on(work)
}
