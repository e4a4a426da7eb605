//! What the tablet takes from its machine: clocks, the run since switch-on, random bytes. Handed in, so that tests and the
//! simulator can shift time and repeat every id.

use crate::fault::Fault;
use journal::BootId;
use std::sync::Mutex;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// The machine as far as the tablet needs it.
pub trait Env: Send + Sync {
    /// Wall clock, milliseconds since 1970 UTC, as the machine believes it. Shown and recorded, never trusted.
    fn wall_ms(&self) -> i64;
    /// The run of the machine. Another value means that [`Env::uptime_ms`] began again.
    fn boot(&self) -> BootId;
    /// Milliseconds since that run began. Nobody can set it back or forward.
    fn uptime_ms(&self) -> u64;
    /// Fills `out` with random bytes good enough for keys.
    ///
    /// # Errors
    /// A fault (500) when the machine gives none; nothing is made from weak bytes.
    fn random(&self, out: &mut [u8]) -> Result<(), Fault>;
    /// A hash of what the machine calls itself, where it has such a name that stays: another value means another machine.
    fn machine(&self) -> Option<[u8; 16]> {
        None
    }
}

/// The real machine.
pub struct SystemEnv {
    boot: BootId,
    started: Instant,
    by_machine: bool,
}

impl SystemEnv {
    /// Looks once at the run of the machine.
    ///
    /// # Errors
    /// A fault where the machine gives no random bytes for the run's name.
    pub fn new() -> Result<Self, Fault> {
        let started = Instant::now();
        if let (Some(boot), Some(_)) = (machine_boot(), machine_uptime_ms()) {
            return Ok(Self { boot, started, by_machine: true });
        }
        let mut id = [0; 16];
        os_random(&mut id)?;
        Ok(Self { boot: BootId(id), started, by_machine: false })
    }
}

impl Env for SystemEnv {
    fn wall_ms(&self) -> i64 {
        let now = SystemTime::now();
        match now.duration_since(UNIX_EPOCH) {
            Ok(since) => i64::try_from(since.as_millis()).unwrap_or(i64::MAX),
            Err(before) => i64::try_from(before.duration().as_millis()).map_or(i64::MIN, |ms| -ms),
        }
    }

    fn boot(&self) -> BootId {
        self.boot
    }

    fn uptime_ms(&self) -> u64 {
        // The machine's own figure also counts the time asleep; without it the run is that of this program.
        let machine = if self.by_machine { machine_uptime_ms() } else { None };
        machine.unwrap_or_else(|| u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX))
    }

    fn random(&self, out: &mut [u8]) -> Result<(), Fault> {
        os_random(out)
    }

    fn machine(&self) -> Option<[u8; 16]> {
        machine_hash()
    }
}

fn os_random(out: &mut [u8]) -> Result<(), Fault> {
    getrandom::fill(out).map_err(|e| {
        let words = "This machine gave no random numbers, so no safe key or number could be made. Nothing was saved and nothing is lost. Switch the tablet off and on, and try again.";
        Fault::new(500, "no-random", words).with("why", e)
    })
}

/// The name of the machine's run where the system tells one (Linux, Android); elsewhere the program's run is used.
fn machine_boot() -> Option<BootId> {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    BootId::from_hex(&text.trim().replace('-', ""))
}

/// The name that Linux gives an installation. Hashed, as its manual page asks (machine-id(5)); other systems have no file
/// for it that needs no extra right, so the key file's own marks must do there.
fn machine_hash() -> Option<[u8; 16]> {
    let text = std::fs::read_to_string("/etc/machine-id").ok()?;
    let text = text.trim();
    let named = text.len() == 32 && text.bytes().all(|b| b.is_ascii_hexdigit());
    let digest = blake3::derive_key("tubewright 2026 machine", text.as_bytes());
    let mut hash = [0; 16];
    hash.copy_from_slice(&digest[..16]);
    named.then_some(hash)
}

fn machine_uptime_ms() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    let (seconds, rest) = text.split_whitespace().next()?.split_once('.')?;
    let seconds: u64 = seconds.parse().ok()?;
    let hundredths: u64 = rest.get(..2)?.parse().ok()?;
    Some(seconds * 1000 + hundredths * 10)
}

/// A machine whose clocks and random bytes are set by hand, for tests and demos that must repeat.
pub struct FakeEnv {
    state: Mutex<FakeState>,
}

struct FakeState {
    wall_ms: i64,
    boot: BootId,
    uptime_ms: u64,
    random: u64,
    machine: Option<[u8; 16]>,
}

impl FakeEnv {
    /// A machine just switched on; `series` makes its random bytes differ from other machines'.
    pub const fn new(wall_ms: i64, series: u64) -> Self {
        Self { state: Mutex::new(FakeState { wall_ms, boot: BootId([1; 16]), uptime_ms: 0, random: series, machine: None }) }
    }

    /// Time goes by: both clocks run.
    pub fn pass(&self, ms: u64) {
        let mut state = self.lock();
        state.uptime_ms += ms;
        state.wall_ms = state.wall_ms.saturating_add(i64::try_from(ms).unwrap_or(i64::MAX));
    }

    /// The folder is on another machine now.
    pub fn set_machine(&self, machine: [u8; 16]) {
        self.lock().machine = Some(machine);
    }

    /// Someone sets the wall clock.
    pub fn set_wall(&self, wall_ms: i64) {
        self.lock().wall_ms = wall_ms;
    }

    /// The machine is switched off and on.
    pub fn reboot(&self) {
        let mut state = self.lock();
        state.boot.0[0] = state.boot.0[0].wrapping_add(1);
        state.uptime_ms = 0;
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, FakeState> {
        self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl Env for FakeEnv {
    fn wall_ms(&self) -> i64 {
        self.lock().wall_ms
    }

    fn boot(&self) -> BootId {
        self.lock().boot
    }

    fn uptime_ms(&self) -> u64 {
        self.lock().uptime_ms
    }

    fn random(&self, out: &mut [u8]) -> Result<(), Fault> {
        let mut state = self.lock();
        for byte in out {
            // splitmix64: repeatable, not secret.
            state.random = state.random.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state.random;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            *byte = ((z ^ (z >> 31)) & 0xff) as u8;
        }
        Ok(())
    }

    fn machine(&self) -> Option<[u8; 16]> {
        self.lock().machine
    }
}
