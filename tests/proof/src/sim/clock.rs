//! The clock of one machine: right, off by years, or standing still.

use crate::sim::rng::Rng;
use journal::BootId;

const YEAR_MS: i64 = 365 * 86_400_000;
/// The end of the year 9999.
const LAST_MS: i64 = 253_402_300_799_000;

/// A clock and the run of the machine it belongs to.
#[derive(Clone, Debug)]
pub struct Clock {
    offset_ms: i64,
    frozen: Option<i64>,
    /// The run of the machine.
    pub boot: BootId,
    began_ms: i64,
}

impl Clock {
    /// A good clock in a first run.
    pub const fn new(boot: BootId, now_ms: i64) -> Self {
        Self { offset_ms: 0, frozen: None, boot, began_ms: now_ms }
    }

    /// A new run.
    pub const fn boot(&mut self, boot: BootId, now_ms: i64) {
        (self.boot, self.began_ms) = (boot, now_ms);
    }

    /// Something happens to it. Gives the name of what.
    pub fn upset(&mut self, now_ms: i64, rng: &mut Rng) -> &'static str {
        let (what, offset, frozen) = match rng.below(10) {
            0 => ("ten years ahead", 10 * YEAR_MS, None),
            1 => ("ten years behind", -10 * YEAR_MS, None),
            2 => ("1970", -now_ms, None),
            3 => ("2038", 2_147_483_648_000 - now_ms, None),
            4 => ("9999", LAST_MS - now_ms - YEAR_MS, None),
            5 => ("an hour back", self.offset_ms - 3_600_000, None),
            6 => ("a minute off", rng.below(120_000) as i64 - 60_000, None),
            7 | 8 => ("frozen", self.offset_ms, Some(self.wall_ms(now_ms))),
            _ => ("set right", 0, None),
        };
        (self.offset_ms, self.frozen) = (offset, frozen);
        what
    }

    /// What it shows, milliseconds since 1970.
    pub fn wall_ms(&self, now_ms: i64) -> i64 {
        self.frozen.unwrap_or(now_ms + self.offset_ms).clamp(0, LAST_MS)
    }

    /// How long the machine has run, by a clock that nobody sets.
    pub fn uptime_ms(&self, now_ms: i64) -> u64 {
        u64::try_from(now_ms - self.began_ms).unwrap_or(0)
    }
}
