//! PINs: checked offline against the roster's Argon2id hash, and slowed down after misses, never locked for ever.

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use serde::{Deserialize, Serialize};

/// Figures of a PIN.
pub const FIGURES: usize = 6;
/// Misses before waiting begins.
pub const FREE_MISSES: u32 = 5;
/// Longest wait in milliseconds: five minutes. It never grows beyond, so nobody is locked out for ever.
pub const LONGEST_WAIT_MS: u64 = 300_000;

fn argon() -> Argon2<'static> {
    // OWASP's second recommended setting (19 MiB, 2 passes): about 50 ms on a tablet. The constants are in range.
    let params = Params::new(19 * 1024, 2, 1, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// True for six figures.
pub fn well_formed(pin: &str) -> bool {
    pin.len() == FIGURES && pin.bytes().all(|b| b.is_ascii_digit())
}

/// Hashes a PIN with the given 16 bytes of salt into a PHC string; `None` if the PIN is not six figures.
pub fn hash(pin: &str, salt: &[u8; 16]) -> Option<String> {
    if !well_formed(pin) {
        return None;
    }
    let salt = SaltString::encode_b64(salt).ok()?;
    Some(argon().hash_password(pin.as_bytes(), &salt).ok()?.to_string())
}

/// Checks a PIN against a PHC string; a string that is not [usable](is_usable) fits no PIN.
pub fn verify(pin: &str, phc: &str) -> bool {
    well_formed(pin) && bounded(phc).is_some_and(|h| argon().verify_password(pin.as_bytes(), &h).is_ok())
}

/// True for an Argon2id hash that a tablet can check: at most 64 MiB of memory, 8 passes and 4 lanes, as a plan that asks
/// for more would stop every tablet at the first PIN.
pub fn is_usable(phc: &str) -> bool {
    bounded(phc).is_some()
}

fn bounded(phc: &str) -> Option<PasswordHash<'_>> {
    let hash = PasswordHash::new(phc).ok()?;
    let params = Params::try_from(&hash).ok()?;
    let small = params.m_cost() <= 64 * 1024 && params.t_cost() <= 8 && params.p_cost() <= 4;
    (small && hash.algorithm == argon2::ARGON2ID_IDENT && hash.salt.is_some() && hash.hash.is_some()).then_some(hash)
}

/// Counts misses and says how long to wait. Pure: time is handed in, on a clock that only runs forward while the device is on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Guard {
    /// Misses since the last right PIN.
    pub misses: u32,
    /// When the last miss was.
    pub last_ms: u64,
}

impl Guard {
    /// Milliseconds still to wait before a try is looked at. A clock that ran backwards (restart) starts the wait again.
    pub fn wait_ms(&self, now_ms: u64) -> u64 {
        if self.misses < FREE_MISSES {
            return 0;
        }
        let doubled = 15_000_u64.saturating_mul(1 << (self.misses - FREE_MISSES).min(10));
        let wait = doubled.min(LONGEST_WAIT_MS);
        match now_ms.checked_sub(self.last_ms) {
            Some(passed) => wait.saturating_sub(passed),
            None => wait,
        }
    }

    /// Takes note of a wrong PIN.
    pub fn miss(&mut self, now_ms: u64) {
        self.misses = self.misses.saturating_add(1);
        self.last_ms = now_ms;
    }

    /// Takes note of the right PIN.
    pub fn hit(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_is_checked_and_slowed_but_never_locked() {
        let phc = hash("481516", &[7; 16]).unwrap();
        assert!(verify("481516", &phc));
        assert!(!verify("481517", &phc));
        assert!(!verify("", &phc) && !verify("48151", &phc) && !verify("abcdef", &phc));
        let mut guard = Guard::default();
        for miss in 1..=40_u32 {
            guard.miss(1_000);
            let wait = guard.wait_ms(1_000);
            println!("after {miss} misses: wait {} s", wait / 1000);
            assert_eq!(wait > 0, miss >= FREE_MISSES);
            assert!(wait <= LONGEST_WAIT_MS);
        }
        assert_eq!(guard.wait_ms(1_000 + LONGEST_WAIT_MS), 0, "in the end a try is always looked at");
        assert_eq!(guard.wait_ms(0), LONGEST_WAIT_MS, "a clock that ran backwards unlocks nothing");
        guard.hit();
        assert_eq!(guard.wait_ms(0), 0);
    }

    /// A hash that asks for 4 TiB would stop every tablet that gets the plan.
    #[test]
    fn a_hash_that_costs_too_much_is_refused_before_it_is_tried() {
        let good = hash("481516", &[7; 16]).unwrap();
        assert!(is_usable(&good));
        let bad = [
            good.replace("m=19456", "m=4294967295"),
            good.replace("t=2", "t=4000000000"),
            good.replace("p=1", "p=255"),
            good.replace("argon2id", "argon2i"),
            good.replace("argon2id", "pbkdf2"),
            good.rsplit_once('$').unwrap().0.to_owned(),
            "481516".to_owned(),
            "-".to_owned(),
            String::new(),
        ];
        for phc in &bad {
            assert!(!is_usable(phc) && !verify("481516", phc), "{phc}");
        }
        println!("{} hashes refused, among them one that asks for 4 TiB", bad.len());
    }
}
