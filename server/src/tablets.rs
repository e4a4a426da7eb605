//! The tablets that belong to this trailer: names, tokens, and when each was last heard with how much waiting.

use crate::cert::sha256;
use crate::fault::Fault;
use job::board::TabletState;
use journal::{DeviceId, Incarnation, VerifyingKey};
use serde::{Deserialize, Serialize};

/// At most so many tablets; a site has tens.
const MOST: usize = 1000;
/// Longest name.
const LONGEST_NAME: usize = 12;

/// One paired tablet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Paired {
    /// Its name, unique at this site: job numbers begin with it.
    pub name: String,
    /// The physical tablet.
    pub device: DeviceId,
    /// Its key at pairing.
    pub key: VerifyingKey,
    /// SHA-256 of its token, hexadecimal; the token itself is kept nowhere.
    token_hash: String,
    /// When it was paired, ms since 1970 on the server's clock.
    pub paired_ms: i64,
    /// Its series, as it said at its syncs.
    #[serde(default)]
    pub incarnations: Vec<Incarnation>,
    /// When it was last heard.
    #[serde(default)]
    pub heard_ms: Option<i64>,
    /// Entries that were still only there.
    #[serde(default)]
    pub entries_waiting: u64,
    /// Photos that were still only there.
    #[serde(default)]
    pub photos_waiting: u64,
    /// Up to which of its entries it said so.
    #[serde(default)]
    pub waiting_as_of: u64,
    /// Its clock less the server's, ms.
    #[serde(default)]
    pub skew_ms: i64,
}

/// A tablet that asks to belong here.
#[derive(Clone, Debug)]
pub struct Asks<'a> {
    /// The physical tablet.
    pub device: DeviceId,
    /// Its key.
    pub key: VerifyingKey,
    /// The name it asks for.
    pub name: &'a str,
    /// The token it will get.
    pub token: &'a str,
    /// The server's clock.
    pub now_ms: i64,
}

/// All of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Tablets(Vec<Paired>);

impl Tablets {
    /// True before the first pairing.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// All of them, in the order in which they were paired.
    pub fn all(&self) -> &[Paired] {
        &self.0
    }

    /// The tablet that holds this token.
    pub fn by_token(&self, token: &str) -> Option<&Paired> {
        // The hash is compared, so timing tells nothing about the token.
        let hash = hex::encode(sha256(token.as_bytes()));
        self.0.iter().find(|t| t.token_hash == hash)
    }

    /// Takes a tablet in, or gives a series that is known a new token. Gives its name.
    ///
    /// A tablet that begins a new series stands here twice: nobody can tell from here whether the old series ended or goes
    /// on in a copy, so the old one stays until a person takes it off.
    ///
    /// # Errors
    /// A fault where the name cannot be given; nothing is changed then.
    pub fn admit(&mut self, asks: &Asks<'_>) -> Result<String, Fault> {
        let known = self.0.iter().position(|t| t.key == asks.key);
        let name = self.free_name(asks.name, &asks.key)?;
        if known.is_none() && self.0.len() >= MOST {
            return Err(Fault::new(
                409,
                "too-many-tablets",
                format!("This trailer already has {MOST} tablets. The tablet was not paired and nothing on it is lost."),
            ));
        }
        let before = known.map(|at| self.0.remove(at));
        let token_hash = hex::encode(sha256(asks.token.as_bytes()));
        let fresh = Paired {
            name: name.clone(),
            device: asks.device,
            key: asks.key,
            token_hash: token_hash.clone(),
            paired_ms: asks.now_ms,
            incarnations: Vec::new(),
            heard_ms: None,
            entries_waiting: 0,
            photos_waiting: 0,
            waiting_as_of: 0,
            skew_ms: 0,
        };
        self.0.push(before.map_or(fresh, |b| Paired { name: name.clone(), key: asks.key, token_hash, paired_ms: asks.now_ms, ..b }));
        Ok(name)
    }

    /// True where a tablet that was heard said nothing that is not written down already, beside the time.
    pub fn says_nothing_new(&self, heard: &Heard) -> bool {
        self.0.iter().find(|t| t.series() == heard.incarnation).is_some_and(|t| {
            t.incarnations.contains(&heard.incarnation)
                && (t.waiting_as_of, t.entries_waiting, t.photos_waiting) == (heard.seq, heard.entries_waiting, heard.photos_waiting)
        })
    }

    /// Takes note of a tablet that was heard.
    pub fn heard(&mut self, heard: &Heard) {
        let Some(tablet) = self.0.iter_mut().find(|t| t.series() == heard.incarnation) else { return };
        if !tablet.incarnations.contains(&heard.incarnation) {
            tablet.incarnations.push(heard.incarnation);
        }
        tablet.heard_ms = Some(heard.now_ms);
        tablet.entries_waiting = heard.entries_waiting;
        tablet.photos_waiting = heard.photos_waiting;
        tablet.waiting_as_of = heard.seq;
        if let Some(wall_ms) = heard.wall_ms {
            tablet.skew_ms = wall_ms.saturating_sub(heard.now_ms);
        }
    }

    /// As the board shows them.
    pub fn states(&self) -> Vec<TabletState> {
        self.0.iter().map(state).collect()
    }

    fn next_name(&self) -> String {
        let taken = |name: &str| self.0.iter().any(|t| t.name.eq_ignore_ascii_case(name));
        (1..=MOST + 1).map(|n| format!("K{n}")).find(|n| !taken(n)).unwrap_or_default()
    }

    /// The name as it will stand, if no other tablet has it.
    fn free_name(&self, asked: &str, key: &VerifyingKey) -> Result<String, Fault> {
        let asked = asked.trim();
        if !fits(asked) {
            let words = format!(
                "A tablet's name is 1 to {LONGEST_NAME} letters, figures or dashes, such as K4. The tablet was not paired, the code is still good and nothing is lost. Choose another name."
            );
            return Err(Fault::new(400, "bad-tablet-name", words).with("name", asked).with("free", self.next_name()));
        }
        let taken = |t: &Paired| t.key != *key && t.name.eq_ignore_ascii_case(asked);
        if asked.eq_ignore_ascii_case(crate::identity::NAME) || self.0.iter().any(taken) {
            let words = format!(
                "Another tablet of this site is already called {asked}: two of a name would give two jobs the same number. The tablet was not paired, the code is still good and nothing is lost. Choose another name, such as {}.",
                self.next_name()
            );
            return Err(Fault::new(409, "tablet-name-taken", words).with("name", asked).with("free", self.next_name()));
        }
        Ok(asked.to_owned())
    }
}

impl Paired {
    /// The series it was paired with; its token is good for no other.
    pub fn series(&self) -> Incarnation {
        Incarnation::of(&self.key)
    }

    /// Every series that it ever said was its own.
    pub(crate) fn series_said(&self) -> impl Iterator<Item = Incarnation> + '_ {
        let own = self.series();
        std::iter::once(own).chain(self.incarnations.iter().copied().filter(move |i| *i != own))
    }
}

/// True for a name that a tablet may have.
pub(crate) fn fits(name: &str) -> bool {
    !name.is_empty() && name.len() <= LONGEST_NAME && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') && !name.starts_with('-')
}

/// What a tablet said of itself.
#[derive(Clone, Copy, Debug)]
pub struct Heard {
    /// Its series.
    pub incarnation: Incarnation,
    /// Its last entry.
    pub seq: u64,
    /// Entries still only there.
    pub entries_waiting: u64,
    /// Photos still only there.
    pub photos_waiting: u64,
    /// Its clock, where it said.
    pub wall_ms: Option<i64>,
    /// The server's clock.
    pub now_ms: i64,
}

fn state(t: &Paired) -> TabletState {
    TabletState {
        name: t.name.clone(),
        heard_ms: t.heard_ms,
        entries_waiting: t.entries_waiting,
        photos_waiting: t.photos_waiting,
        waiting_as_of: t.waiting_as_of,
        skew_ms: t.skew_ms,
        revoked: false,
        device: t.device.to_hex(),
        incarnation: t.series().to_hex(),
        counts_to: None,
        apart: 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use journal::SigningKey;

    fn asks<'a>(n: u8, name: &'a str, token: &'a str) -> Asks<'a> {
        Asks { device: DeviceId([n; 16]), key: SigningKey::from_seed([n; 32]).public(), name, token, now_ms: 1 }
    }

    #[test]
    fn names_are_unique_and_kept() {
        let mut all = Tablets::default();
        assert_eq!(all.admit(&asks(1, "K1", "t1")).unwrap(), "K1");
        assert_eq!(all.admit(&asks(2, " K4", "t2")).unwrap(), "K4");
        assert_eq!(all.admit(&asks(3, "K2", "t3")).unwrap(), "K2");
        for (name, status) in
            [("K4", 409), ("k1", 409), ("Trailer", 409), ("", 400), ("a b", 400), ("<script>", 400), ("much-too-long-a-name", 400)]
        {
            let fault = all.admit(&asks(9, name, "t9")).unwrap_err();
            println!("{name}: {fault}");
            assert_eq!((fault.status, fault.say.with["free"].as_str()), (status, "K3"));
        }
        assert_eq!(all.admit(&asks(2, "K4", "t4")).unwrap(), "K4", "a tablet that comes back may keep its name");
        assert!(all.by_token("t2").is_none(), "and its old token is worth nothing");
        assert_eq!(all.by_token("t4").unwrap().name, "K4");
        assert_eq!(all.states().len(), 3);
        let new_series = Asks { device: DeviceId([2; 16]), ..asks(7, "K4", "t7") };
        assert_eq!(all.admit(&new_series).unwrap_err().status, 409, "a new series of a tablet would number its jobs like the old one");
        assert_eq!(all.admit(&Asks { name: "K4-7F2", ..new_series }).unwrap(), "K4-7F2");
        assert!(all.by_token("t4").is_some() && all.by_token("t7").is_some(), "its old series may go on in a copy: a person decides");
        assert!(!serde_json::to_string(&all).unwrap().contains("t4\""), "tokens are not kept");
    }

    #[test]
    fn what_a_tablet_said_stands_until_it_says_more() {
        let mut all = Tablets::default();
        all.admit(&asks(1, "K1", "t")).unwrap();
        assert_eq!(all.states()[0].heard_ms, None);
        let said = Heard {
            incarnation: all.all()[0].series(),
            seq: 212,
            entries_waiting: 3,
            photos_waiting: 2,
            wall_ms: Some(9_000),
            now_ms: 10_000,
        };
        all.heard(&said);
        all.heard(&Heard { entries_waiting: 0, wall_ms: None, now_ms: 11_000, ..said });
        let state = &all.states()[0];
        println!("{state:?}");
        assert_eq!(
            (state.heard_ms, state.entries_waiting, state.photos_waiting, state.waiting_as_of, state.skew_ms),
            (Some(11_000), 0, 2, 212, -1_000)
        );
    }
}
