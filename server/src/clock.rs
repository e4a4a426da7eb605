//! The server's machine: wall clock, the run it is in, random bytes.

use crate::fault::Fault;
use journal::BootId;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Clocks of this run of the server. The run's name is drawn at the start, so uptime and run belong together.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    boot: BootId,
    started: Instant,
}

impl Clock {
    /// Begins a run.
    ///
    /// # Errors
    /// A fault when the machine gives no random bytes.
    pub fn start() -> Result<Self, Fault> {
        Ok(Self { boot: BootId(random()?), started: Instant::now() })
    }

    /// Name of the run.
    pub const fn boot(&self) -> BootId {
        self.boot
    }

    /// Milliseconds since the run began; nobody can set it.
    pub fn uptime_ms(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// Wall clock, ms since 1970 UTC, as the machine believes it.
    pub fn wall_ms(&self) -> i64 {
        let since = SystemTime::now().duration_since(UNIX_EPOCH);
        since.map_or(0, |d| i64::try_from(d.as_millis()).unwrap_or(i64::MAX))
    }

    /// Wall clock in whole seconds.
    pub fn wall_s(&self) -> u64 {
        u64::try_from(self.wall_ms() / 1000).unwrap_or(0)
    }
}

/// Random bytes good enough for keys.
///
/// # Errors
/// A fault when the machine gives none; nothing is made from weak bytes.
pub fn random<const N: usize>() -> Result<[u8; N], Fault> {
    let mut out = [0; N];
    getrandom::fill(&mut out).map_err(|e| Fault::inside("no random bytes", e))?;
    Ok(out)
}
