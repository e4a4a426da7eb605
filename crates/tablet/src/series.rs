//! The tablet's own series: when one ends and another begins.
//!
//! A series must have one writer. Where the place mark, the database or the trailer shows that there may be two, or that the
//! writer was set back, the old series ends here: it stays readable and still goes to the trailer, and from now on this
//! tablet signs with a new key under a new name. People go on recording at once; only syncing waits for a new pairing.

use crate::core::{Core, Inner};
use crate::env::Env;
use crate::fault::Fault;
use crate::identity::{Found, Identity};
use crate::keyhome::KeyHome;
use crate::place::{Mark, Moved, Name};
use crate::setting::{self, store_fault};
use crate::syncing::Pairing;
use job::Say;
use journal::{DeviceId, Head, Incarnation, VerifyingKey};
use serde_json::{Value as Json, json};
use std::path::Path;
use store::{LogState, Store, StoreError};

pub(crate) const OWN_SERIES: &str = "own-series";
pub(crate) const NAME: &str = "own-name";
const NOTE: &str = "series-note";
/// Keys of further series of the trailer, certified by its identity key.
pub(crate) const SERVER_SERIES: &str = "server-series";
/// The longest name that a trailer takes.
const LONGEST_NAME: usize = 12;

/// Why a series ended here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Why {
    /// The key file is a copy, or was put back from one.
    Copied,
    /// The folder is on another machine.
    OtherMachine,
    /// The database is a copy or older than what was last seen.
    SetBack,
    /// Another key lies here than the one last used.
    KeyChanged,
    /// The key is gone.
    KeyLost,
    /// The database's log was damaged: entries that were shown as saved may be gone from this tablet.
    LogDamaged,
    /// The trailer holds more of this series than this tablet.
    TrailerAhead,
    /// The trailer holds other entries at the same places.
    TwoVersions,
    /// At the board it was said that this series counts no further.
    ShutOut,
    /// The trailer knows this tablet by another series.
    PairAgain,
}

impl Why {
    const fn code(self) -> &'static str {
        match self {
            Self::Copied => "series-copied",
            Self::OtherMachine => "series-other-machine",
            Self::SetBack => "series-set-back",
            Self::KeyChanged => "series-key-changed",
            Self::KeyLost => "series-key-lost",
            Self::LogDamaged => "series-log-damaged",
            Self::TrailerAhead => "series-trailer-ahead",
            Self::TwoVersions => "series-two-versions",
            Self::ShutOut => "series-shut-out",
            Self::PairAgain => "series-unknown-there",
        }
    }

    const fn what(self) -> &'static str {
        match self {
            Self::Copied => "This tablet's folder was copied or put back from a copy.",
            Self::OtherMachine => "This tablet's folder is on another machine than before.",
            Self::SetBack => {
                "This tablet's records were set back to an older copy. What was made after that copy comes back from the trailer as far as it had been synced."
            }
            Self::KeyChanged => "Another key was put into this tablet's folder.",
            Self::KeyLost => "The key of this tablet is gone.",
            Self::LogDamaged => {
                "A part of this tablet's disk was damaged: the last records may be gone from it. Look at the last ones that were made."
            }
            Self::TrailerAhead => {
                "The trailer holds newer records of this tablet than the tablet itself: it was set back to an older copy."
            }
            Self::TwoVersions => "Two versions of this tablet's records exist: it was copied or set back. Both are kept.",
            Self::ShutOut => "At the board it was said that this tablet's records count up to some point and no further.",
            Self::PairAgain => "The trailer knows this tablet by another series of records than the one it writes.",
        }
    }

    /// What happened, what is safe, what to do next.
    fn say(self, old: &str, new: &str) -> Say {
        let goes_on =
            if new.is_empty() || new == old { "It goes on recording.".to_owned() } else { format!("It goes on recording as {new}.") };
        let words = format!(
            "{} So its old series of records has ended here and a new one begins. Nothing that is here is lost: all of it can be read and still goes to the trailer. {goes_on} Pair it again at the trailer, with a new code from the board.",
            self.what()
        );
        Say::new(self.code(), words).with("old", old).with("new", new)
    }
}

/// What was found or made at opening.
pub(crate) struct Opened {
    pub identity: Identity,
    pub name: Option<Name>,
    pub note: Option<Say>,
    pub pairing: Option<Pairing>,
    /// The key of the trailer it is or was paired with: what that trailer said is believed on.
    pub trailer: Option<VerifyingKey>,
}

/// Finds who this tablet is; ends its series and begins another where it is not certain that this is the one writer.
///
/// # Errors
/// A fault where the key or the store cannot be used. Nothing is overwritten then.
pub(crate) fn open(dir: &Path, store: &mut Store, env: &dyn Env, ring: Option<&dyn KeyHome>) -> Result<Opened, Fault> {
    let mark = Mark::read(dir);
    let own: Vec<Incarnation> = setting::load(store, OWN_SERIES)?.unwrap_or_default();
    let kept: Option<Pairing> = setting::load::<Option<Pairing>>(store, "pairing")?.flatten();
    let name = setting::load::<Option<Name>>(store, NAME)?
        .flatten()
        .or_else(|| kept.as_ref().map(|p| Name { name: p.name.clone(), base: p.name.clone() }))
        .or_else(|| mark.as_ref().and_then(|m| m.name.clone()));
    let trailer = kept.as_ref().map(|p| p.server_key);
    let found = Identity::find(dir, ring)?;
    let (identity, why, device) = match found {
        Found::Whole(identity) => {
            let head = head_of(store, &identity.incarnation)?;
            let now = Mark::now(dir, env, &identity, head, name.as_ref());
            let why = doubt(store, mark.as_ref(), &now, &own)?;
            // Who holds the original key file on the same machine is the same tablet; a copy of it is another one.
            let same = matches!(why, Some(Why::SetBack | Why::LogDamaged));
            let device = same.then_some(identity.device);
            (Some(*identity), why, device)
        }
        Found::KeyGone(device) => (None, Some(Why::KeyLost), stays(dir, env, store, mark.as_ref()).then_some(device)),
        Found::Nothing => (None, (!own.is_empty() || mark.is_some()).then_some(Why::KeyLost), None),
    };
    let old = identity.as_ref().map(|i| i.incarnation).or_else(|| own.last().copied()).or_else(|| mark.as_ref().map(|m| m.series));
    let Some(why) = why else {
        let identity = match identity {
            Some(identity) => identity,
            None => Identity::make(dir, env, ring, None)?,
        };
        // A pairing made with another key is none: the trailer would not know this series.
        let pairing = kept.filter(|p| p.incarnation == identity.incarnation);
        let note = setting::load::<Option<Say>>(store, NOTE)?.flatten().filter(|_| pairing.is_none());
        return Ok(Opened { identity, name, note, pairing, trailer });
    };
    let used = old.map(|old| head_of(store, &old)).transpose()?.flatten().is_some() || mark.is_some_and(|m| m.head.is_some());
    let old = old.filter(|_| used);
    begin_again(&Begin { dir, env, ring, why, device, trailer }, store, old, name)
}

/// True where the mark was made for this database on this machine.
fn stays(dir: &Path, env: &dyn Env, store: &Store, mark: Option<&Mark>) -> bool {
    let Some(mark) = mark else { return false };
    let stand_in =
        Identity { device: DeviceId([0; 16]), key: journal::SigningKey::from_seed([0; 32]), incarnation: mark.series, home: "file" };
    let head = head_of(store, &mark.series).ok().flatten();
    mark.same_place_but_key(&Mark::now(dir, env, &stand_in, head, None))
}

/// What speaks against going on with a series.
fn doubt(store: &Store, mark: Option<&Mark>, now: &Mark, own: &[Incarnation]) -> Result<Option<Why>, Fault> {
    if matches!(store.log_state(), LogState::Damaged { .. }) {
        return Ok(Some(Why::LogDamaged));
    }
    if let Some(mark) = mark {
        match mark.moved(now) {
            Some(Moved::OtherKey) => return Ok(Some(Why::KeyChanged)),
            Some(Moved::Machine) => return Ok(Some(Why::OtherMachine)),
            Some(Moved::Key) => return Ok(Some(Why::Copied)),
            Some(Moved::Journal) => return Ok(Some(Why::SetBack)),
            None if is_behind(store, mark, now.head)? => return Ok(Some(Why::SetBack)),
            None => {}
        }
    }
    // The database was put back from before this key was made, or the key from before the last series began.
    Ok(own.last().is_some_and(|last| *last != now.series).then_some(Why::KeyChanged))
}

/// True where the database lacks the last entry that the mark has seen, or has another in its place.
fn is_behind(store: &Store, mark: &Mark, head: Option<Head>) -> Result<bool, Fault> {
    let Some(seen) = mark.head else { return Ok(false) };
    let Some(head) = head else { return Ok(true) };
    if head.seq < seen.seq {
        return Ok(true);
    }
    match store.read(&mark.series, seen.seq, 1) {
        Ok(piece) => Ok(piece.first().is_some_and(|s| s.entry.seq == seen.seq && s.hash != seen.hash)),
        // A damaged entry says nothing of who else writes.
        Err(StoreError::DamagedRecord(_)) => Ok(false),
        Err(e) => Err(store_fault(e)),
    }
}

/// Where a series ends here.
fn head_of(store: &Store, series: &Incarnation) -> Result<Option<Head>, Fault> {
    match store.tail(series) {
        Ok(tail) => Ok(tail.and_then(|t| t.head())),
        // It is walked and put right elsewhere; what it was is not known now.
        Err(StoreError::DamagedRecord(_)) => Ok(store.heads().map_err(store_fault)?.0.get(series).copied()),
        Err(e) => Err(store_fault(e)),
    }
}

/// What a new beginning needs.
struct Begin<'a> {
    dir: &'a Path,
    env: &'a dyn Env,
    ring: Option<&'a dyn KeyHome>,
    why: Why,
    device: Option<DeviceId>,
    trailer: Option<VerifyingKey>,
}

/// Makes a new key and drops the pairing; site, plan and people stay. `old` is the series that ends, where it has entries.
///
/// The key first, then all the rest in one write: a kill between the two leaves a key that no setting knows, which the next
/// start takes for a changed one and begins once more.
fn begin_again(begin: &Begin<'_>, store: &mut Store, old: Option<Incarnation>, name: Option<Name>) -> Result<Opened, Fault> {
    let identity = Identity::make(begin.dir, begin.env, begin.ring, begin.device)?;
    let mut own: Vec<Incarnation> = setting::load(store, OWN_SERIES)?.unwrap_or_default();
    own.retain(|s| Some(*s) != old && *s != identity.incarnation);
    own.extend(old.into_iter().chain([identity.incarnation]));
    let Some(old) = old else {
        // The old key never signed anything, so nobody needs to be told.
        setting::save_all(store, &[(OWN_SERIES, json!(own)), ("pairing", Json::Null)])?;
        return Ok(Opened { identity, name, note: None, pairing: None, trailer: begin.trailer });
    };
    let before = name.as_ref().map(|n| n.name.clone()).unwrap_or_default();
    let name = name.map(|n| Name { name: new_name(&n.base, &identity.incarnation), base: n.base });
    let note = begin.why.say(&before, name.as_ref().map_or("", |n| &n.name));
    // What comes of it later was written by another: the original of a copy.
    let ended = head_of(store, &old)?.map_or(0, |head| head.seq);
    let ended_key = ended_key(&old);
    setting::save_all(
        store,
        &[(OWN_SERIES, json!(own)), (&ended_key, json!(ended)), (NAME, json!(name)), (NOTE, json!(note)), ("pairing", Json::Null)],
    )?;
    Ok(Opened { identity, name, note: Some(note), pairing: None, trailer: begin.trailer })
}

/// The old name and three figures of the new series, so that job numbers under it are new.
fn new_name(base: &str, series: &Incarnation) -> String {
    let base: String = base.chars().take(LONGEST_NAME - 4).collect();
    format!("{base}-{}", series.to_hex()[..3].to_uppercase())
}

impl Core {
    /// Ends the series in use while the program runs: the trailer said so. The person at the glass goes on.
    pub(crate) fn end_series(&self, inner: &mut Inner, why: Why) -> Result<Say, Fault> {
        let begin = Begin {
            dir: &self.dir,
            env: &*self.env,
            ring: self.ring.as_deref(),
            // The other writer may still have the original, so this one is a tablet of its own from now on.
            device: matches!(why, Why::ShutOut | Why::PairAgain).then_some(inner.identity.device),
            trailer: inner.pairing.as_ref().map(|p| p.server_key),
            why,
        };
        let old = head_of(&inner.store, &inner.identity.incarnation)?.map(|_| inner.identity.incarnation);
        let opened = begin_again(&begin, &mut inner.store, old, inner.name.clone())?;
        let trailer = opened.trailer;
        inner.take(opened);
        self.believe(inner, trailer)?;
        self.begin_series(inner)?;
        self.mark(inner);
        Ok(inner.note.clone().unwrap_or_else(|| why.say("", "")))
    }

    /// Writes down where this tablet stands. Best effort.
    pub(crate) fn mark(&self, inner: &Inner) {
        let head = head_of(&inner.store, &inner.identity.incarnation).ok().flatten();
        Mark::now(&self.dir, &*self.env, &inner.identity, head, inner.name.as_ref()).write(&self.dir);
    }

    /// Keeps a pairing; the note is no longer so then.
    pub(crate) fn paired_with(&self, inner: &mut Inner, pairing: &Pairing) -> Result<(), Fault> {
        let name = inner.name.clone().unwrap_or_else(|| Name { name: pairing.name.clone(), base: pairing.name.clone() });
        setting::save_all(&mut inner.store, &[("pairing", json!(pairing)), (NAME, json!(name)), (NOTE, Json::Null)])?;
        (inner.pairing, inner.name, inner.note) = (Some(pairing.clone()), Some(name), None);
        self.tell_again(inner)?;
        self.believe(inner, None)
    }
}

impl Inner {
    /// Takes over what was found or made.
    pub(crate) fn take(&mut self, opened: Opened) {
        let Opened { identity, name, note, pairing, trailer: _ } = opened;
        (self.identity, self.name, self.note, self.pairing) = (identity, name, note, pairing);
    }
}

/// Where it is kept where a series ended here.
pub(crate) fn ended_key(series: &Incarnation) -> String {
    format!("ended/{series}")
}

/// A name for a tablet that was given none.
pub(crate) fn made_up(device: &DeviceId) -> String {
    format!("T{}", &device.to_hex()[..4].to_uppercase())
}

/// A name as trailers take it: 1 to 12 letters, figures and dashes, no dash first.
pub(crate) fn is_name(name: &str) -> bool {
    (1..=LONGEST_NAME).contains(&name.len()) && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') && !name.starts_with('-')
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn a_new_name_is_one_that_trailers_take() {
        let series = Incarnation([0x7f; 16]);
        for (base, name) in [("K4", "K4-7F7"), ("T1A2", "T1A2-7F7"), ("ABCDEFGHIJKL", "ABCDEFGH-7F7")] {
            assert_eq!(new_name(base, &series), name);
            assert!(is_name(name));
        }
        for bad in ["", "-K4", "K 4", "thirteen-long", "<b>"] {
            assert!(!is_name(bad), "{bad}");
        }
    }

    #[test]
    fn every_sentence_says_what_is_safe_and_what_to_do() {
        use Why::*;
        let all = [Copied, OtherMachine, SetBack, KeyChanged, KeyLost, LogDamaged, TrailerAhead, TwoVersions, ShutOut, PairAgain];
        let codes: BTreeSet<&str> = all.iter().map(|w| w.code()).collect();
        assert_eq!(codes.len(), all.len());
        for why in all {
            let say = why.say("K4", "K4-7F7");
            println!("{}: {}", say.code, say.words);
            assert!(say.words.contains("Nothing") && say.words.contains("Pair it again") && say.words.contains("K4-7F7"));
        }
    }
}
