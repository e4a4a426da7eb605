//! Who is signed in at the board. In memory only: after a restart everyone signs in again.

use crate::cert::sha256;
use journal::PersonId;
use std::collections::HashMap;

/// A session ends after so long without a request: a forgotten PC in the trailer must not stay open over night.
pub const IDLE_MS: u64 = 2 * 60 * 60_000;
/// And in any case after one shift.
pub const LONGEST_MS: u64 = 12 * 60 * 60_000;
/// At most so many at once; the one idle longest goes first.
const MOST: usize = 256;

/// One signed-in person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// Who.
    pub person: PersonId,
    /// A mark of the PIN and roles the person had at the sign-in.
    pub mark: [u8; 32],
    begun_ms: u64,
    seen_ms: u64,
}

/// All sessions, by the hash of their secret, so that a look into memory or a timing of the look-up gives no secret.
#[derive(Debug, Default)]
pub struct Sessions(HashMap<[u8; 32], Session>);

impl Sessions {
    /// Begins a session; the secret goes into the cookie.
    pub fn begin(&mut self, secret: [u8; 32], person: PersonId, mark: [u8; 32], now_ms: u64) -> String {
        self.sweep(now_ms);
        if self.0.len() >= MOST
            && let Some(oldest) = self.0.iter().min_by_key(|(_, s)| s.seen_ms).map(|(k, _)| *k)
        {
            self.0.remove(&oldest);
        }
        let text = hex::encode(secret);
        self.0.insert(sha256(text.as_bytes()), Session { person, mark, begun_ms: now_ms, seen_ms: now_ms });
        text
    }

    /// The session of this secret, if it still stands; it counts as seen now.
    pub fn seen(&mut self, secret: &str, now_ms: u64) -> Option<Session> {
        self.sweep(now_ms);
        let session = self.0.get_mut(&sha256(secret.as_bytes()))?;
        session.seen_ms = now_ms;
        Some(session.clone())
    }

    /// Ends a session.
    pub fn end(&mut self, secret: &str) {
        self.0.remove(&sha256(secret.as_bytes()));
    }

    fn sweep(&mut self, now_ms: u64) {
        self.0.retain(|_, s| now_ms.saturating_sub(s.seen_ms) < IDLE_MS && now_ms.saturating_sub(s.begun_ms) < LONGEST_MS);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_by_idleness_by_age_and_by_leaving() {
        let mut all = Sessions::default();
        let who = PersonId("m-diaz".to_owned());
        let one = all.begin([1; 32], who.clone(), [0; 32], 0);
        assert_eq!(all.seen(&one, IDLE_MS - 1).unwrap().person, who);
        assert!(all.seen(&one, 2 * IDLE_MS).is_none(), "idle");
        let two = all.begin([2; 32], who.clone(), [0; 32], 0);
        let mut now = 0;
        while now + IDLE_MS / 2 < LONGEST_MS {
            now += IDLE_MS / 2;
            assert!(all.seen(&two, now).is_some());
        }
        assert!(all.seen(&two, LONGEST_MS).is_none(), "one shift");
        let three = all.begin([3; 32], who, [0; 32], 0);
        all.end(&three);
        assert!(all.seen(&three, 1).is_none());
        assert!(all.seen("no such secret", 1).is_none());
    }
}
