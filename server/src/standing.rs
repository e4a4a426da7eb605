//! Which series count, as far as the server says so: its own are believed, tablets are taken in when they are paired and
//! cut off when they are taken off. What it says stands in its own series; everything here is derived from that, so a
//! server that was restored knows it again as soon as a tablet brings the statement back.

use crate::fault::Fault;
use crate::tablets::Paired;
use crate::trailer::{Trailer, store_fault};
use job::kinds;
use job::standing::{self, ALL, SeriesRole, Standing, Trust, Verdict};
use journal::{Draft, EntryHash, Incarnation, PersonId, Sealed};
use std::collections::BTreeSet;
use store::Accepted;

/// Room for entries that count for nothing, of one series and of all together, bytes.
const MOST_APART_ONE: u64 = 16 << 20;
const MOST_APART: u64 = 64 << 20;
/// Series that nobody knows: at most so many, so that there is always a place for those of the site.
const MOST_STRANGE: usize = 1_000;

impl Trailer {
    /// Says whom the store believes: every series of this server. Then takes in the tablets that were paired before anything
    /// was said of them.
    ///
    /// # Errors
    /// Where the store fails.
    pub(crate) fn believe(&mut self) -> Result<(), Fault> {
        let trust = Trust { roots: self.identity.own(), own: BTreeSet::new() };
        self.store.set_trust(&trust).map_err(store_fault)?;
        if self.store.site().map_err(store_fault)?.is_none() {
            return Ok(());
        }
        let mut missing = Vec::new();
        for tablet in self.tablets().all() {
            for series in tablet.series_said() {
                if self.verdict(&series)?.is_none() && !missing.iter().any(|(s, _)| *s == series) {
                    missing.push((series, tablet.name.clone()));
                }
            }
        }
        let drafts = missing.iter().map(|(series, name)| draft(series, &counts(name), Vec::new()));
        let drafts = drafts.collect::<Result<Vec<_>, _>>()?;
        if drafts.is_empty() {
            return Ok(());
        }
        crate::log(&format!("{} series of tablets paired earlier are taken in", drafts.len()));
        self.write(&kinds::nobody(), drafts).map(drop)
    }

    /// How a series stands; `None` where nobody spoke of it.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn verdict(&self, series: &Incarnation) -> Result<Option<Verdict>, Fault> {
        self.store.verdict(series).map_err(store_fault)
    }

    /// Takes a paired tablet's series in, durable on return. Saying it again is fine.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn take_in(&mut self, series: &Incarnation, name: &str) -> Result<(), Fault> {
        let verdict = self.verdict(series)?;
        if verdict.as_ref().is_some_and(|v| v.counts_to == ALL && v.name == name) {
            return Ok(());
        }
        self.state(&kinds::nobody(), vec![draft(series, &counts(name), verdict.map(|v| v.said).unwrap_or_default())?])
    }

    /// Writes statements.
    ///
    /// # Errors
    /// Where the store fails.
    pub(crate) fn state(&mut self, person: &PersonId, drafts: Vec<Draft>) -> Result<(), Fault> {
        self.write(person, drafts).map(drop)
    }

    /// Lets through a tablet that was not taken off.
    ///
    /// # Errors
    /// 403 `revoked` for one whose series was cut.
    pub fn still_belongs(&self, tablet: &Paired) -> Result<(), Fault> {
        match self.verdict(&tablet.series())? {
            Some(verdict) if verdict.counts_to != ALL => Err(taken_off(&tablet.name, &verdict)),
            _ => Ok(()),
        }
    }

    /// Refuses to pair a series that was cut: what it writes from now on would be kept apart.
    ///
    /// # Errors
    /// 409 `series-cut`.
    pub fn may_be_paired(&self, series: &Incarnation) -> Result<(), Fault> {
        let Some(verdict) = self.verdict(series)?.filter(|v| v.counts_to != ALL) else { return Ok(()) };
        let words = format!(
            "At this board it was said that the tablet's records count up to entry {} and no further. It was not paired, the code is still good and nothing on it is lost. Let it begin a new series of records, then pair it again.",
            verdict.counts_to
        );
        Err(Fault::new(409, sync::message::code::SERIES_CUT, words).with("to", verdict.counts_to))
    }
}

fn counts(name: &str) -> Standing {
    Standing { role: SeriesRole::Tablet, name: name.to_owned(), to: None, reason: String::new() }
}

impl Trailer {
    /// Takes in pushed entries of one series. Those that would be kept apart are taken only as far as there is room for
    /// such: nobody vouches for them, and they must not fill the disk. What is not taken gets no receipt, so it stays on the
    /// tablet, and the rest of the sync goes on.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn take(&mut self, entries: Vec<Sealed>) -> Result<Accepted, Fault> {
        let Some(first) = entries.first() else { return Ok(Accepted::default()) };
        let series = first.entry.incarnation;
        if !self.room_for(&series, &entries)? {
            crate::log(&format!("entries of series {series}, which does not count here, were not taken: there is no more room for such"));
            self.apart_full = true;
            return Ok(Accepted::default());
        }
        let ours = series == self.identity.incarnation;
        let proved: Vec<EntryHash> = if ours { self.proved(&entries) } else { Vec::new() };
        let accepted = self.store.accept(entries).map_err(store_fault)?;
        let fork = accepted.quarantined.iter().any(|(hash, _)| proved.contains(hash));
        if ours && (accepted.stored > 0 || fork) {
            self.set_back()?;
        }
        Ok(accepted)
    }

    fn room_for(&self, series: &Incarnation, entries: &[Sealed]) -> Result<bool, Fault> {
        let verdict = self.verdict(series)?;
        let counts_to = verdict.as_ref().map_or(0, |v| v.counts_to);
        if entries.last().is_none_or(|s| s.entry.seq <= counts_to) {
            return Ok(true);
        }
        let apart = self.store.apart_bytes().map_err(store_fault)?;
        if verdict.is_none() && !apart.contains_key(series) && apart.len() >= MOST_STRANGE {
            return Ok(false);
        }
        let bytes: u64 = entries.iter().map(|s| s.bytes.len() as u64).sum();
        let this = apart.get(series).copied().unwrap_or(0);
        Ok(this + bytes <= MOST_APART_ONE && apart.values().sum::<u64>() + bytes <= MOST_APART)
    }

    /// Entries that end a transaction and are truly signed with the key of the series we write.
    fn proved(&self, entries: &[Sealed]) -> Vec<EntryHash> {
        let key = self.identity.writer().public();
        let signed = |s: &&Sealed| s.sig.is_some_and(|sig| key.verify(&s.hash, &sig).is_ok());
        entries.iter().filter(signed).map(|s| s.hash).collect()
    }

    /// A tablet brought entries of our own series that we do not have: this folder is an older copy of itself. Going on in
    /// that series would write its entries twice, so a new one begins; the old one still counts.
    fn set_back(&mut self) -> Result<(), Fault> {
        crate::log(
            "a tablet holds more of this server's own records than the server: its folder was set back or copied. What the tablets bring is taken in.",
        );
        let folder = self.folder.clone();
        self.identity.begin_series(&folder)?;
        self.believe()
    }
}

/// A statement to be written.
///
/// # Errors
/// Where it is nothing that can be written.
pub(crate) fn draft(series: &Incarnation, says: &Standing, basis: Vec<EntryHash>) -> Result<Draft, Fault> {
    standing::draft(series, says, basis).ok_or_else(|| Fault::inside("statement", "it cannot be written down"))
}

fn taken_off(name: &str, verdict: &Verdict) -> Fault {
    let to = verdict.counts_to;
    let words = format!(
        "This tablet ({name}) was taken off at the board: \"{}\". Its records up to entry {to} are in the trailer and count. Nothing was taken from it since, and what is on the tablet is safe there. Stop recording on it and bring it to the supervisor in the trailer.",
        verdict.reason
    );
    Fault::new(403, sync::message::code::REVOKED, words).with("tablet", name).with("to", to).with("reason", &verdict.reason)
}
