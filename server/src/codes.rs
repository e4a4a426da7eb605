//! One-time pairing codes: short-lived, used once, guessing slowed down.
//!
//! A tablet does not send the code but a proof of it, so every code still remembered is tried against the proof. Used and
//! expired codes are remembered for a while: whoever brings one is told so, instead of "wrong".

use job::pin::Guard;
use sync::pairing::{CODE_LEN, Code};

/// How long a code is good: ten minutes.
pub const GOOD_MS: u64 = 10 * 60_000;
/// How long a dead code is remembered, to tell its bearer why it fails.
const REMEMBERED_MS: u64 = 24 * 60 * 60_000;
/// At most so many codes are remembered; the oldest goes first. Each costs some milliseconds at a try.
const MOST: usize = 16;

/// Why a code was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refused {
    /// No code fits.
    Wrong,
    /// It was used before.
    Used,
    /// Its ten minutes are over.
    Expired,
    /// Too many wrong ones: wait so many milliseconds.
    Slow(u64),
}

#[derive(Clone, Debug)]
struct Made {
    code: Code,
    made_ms: u64,
    used: bool,
    withdrawn: bool,
}

/// The codes of this run. They live in memory only: a restart makes all of them wrong.
#[derive(Debug, Default)]
pub struct Codes {
    codes: Vec<Made>,
    guard: Guard,
}

impl Codes {
    /// Makes a code from random bytes; codes made before stay good for their time. `now_ms` counts on the run's clock.
    pub fn make(&mut self, random: [u8; CODE_LEN], now_ms: u64) -> Code {
        let code = Code::from_random(random);
        self.codes.retain(|c| now_ms.saturating_sub(c.made_ms) < REMEMBERED_MS);
        if self.codes.len() >= MOST {
            self.codes.remove(0);
        }
        self.codes.push(Made { code: code.clone(), made_ms: now_ms, used: false, withdrawn: false });
        // A supervisor stands at the board: earlier guesses need not slow this tablet down.
        self.guard.hit();
        code
    }

    /// Looks for the code that `fits` and gives it; it is not used up yet. Newest first.
    ///
    /// # Errors
    /// [`Refused`]; only a wrong code counts as a guess.
    pub fn find(&mut self, now_ms: u64, fits: impl Fn(&Code) -> bool) -> Result<Code, Refused> {
        let wait = self.guard.wait_ms(now_ms);
        if wait > 0 {
            return Err(Refused::Slow(wait));
        }
        let Some(made) = self.codes.iter().rev().find(|c| fits(&c.code)) else {
            self.guard.miss(now_ms);
            return Err(Refused::Wrong);
        };
        if made.used {
            return Err(Refused::Used);
        }
        if made.withdrawn || now_ms.saturating_sub(made.made_ms) >= GOOD_MS {
            return Err(Refused::Expired);
        }
        Ok(made.code.clone())
    }

    /// Ends every code that is still good, as if its time were over: for a code that was seen by the wrong eyes.
    pub fn withdraw_all(&mut self) {
        for made in &mut self.codes {
            made.withdrawn = true;
        }
    }

    /// Uses a code up.
    pub fn use_up(&mut self, code: &Code) {
        for made in self.codes.iter_mut().filter(|c| c.code == *code) {
            made.used = true;
        }
        self.guard.hit();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_good_once_and_for_ten_minutes() {
        let mut codes = Codes::default();
        let one = codes.make([1; CODE_LEN], 0);
        let two = codes.make([2; CODE_LEN], 1000);
        println!("shown as {}", one.shown());
        assert_eq!(codes.find(2000, |c| *c == one), Ok(one.clone()), "an older code is still good");
        codes.use_up(&one);
        assert_eq!(codes.find(3000, |c| *c == one), Err(Refused::Used));
        assert_eq!(codes.find(1000 + GOOD_MS - 1, |c| *c == two), Ok(two.clone()));
        assert_eq!(codes.find(1000 + GOOD_MS, |c| *c == two), Err(Refused::Expired));
    }

    #[test]
    fn guessing_is_slowed_and_a_new_code_begins_anew() {
        let mut codes = Codes::default();
        codes.make([1; CODE_LEN], 0);
        for _ in 0..5 {
            assert_eq!(codes.find(10, |_| false), Err(Refused::Wrong));
        }
        let Err(Refused::Slow(wait)) = codes.find(10, |_| true) else { panic!("not slowed") };
        println!("waits {wait} ms");
        assert!(codes.find(10 + wait, |_| true).is_ok(), "never locked for ever");
        let two = codes.make([2; CODE_LEN], 20);
        assert_eq!(codes.find(21, |c| *c == two), Ok(two.clone()));
    }
}
