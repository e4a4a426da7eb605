//! Which series count, as far as the server says so: its own are believed, tablets are taken in when they are paired and
//! cut off when they are taken off. What it says stands in its own series; everything here is derived from that, so a
//! server that was restored knows it again as soon as a tablet brings the statement back.

use crate::fault::Fault;
use crate::tablets::Paired;
use crate::trailer::{Trailer, store_fault};
use job::kinds;
use job::standing::{self, ALL, SeriesRole, Standing, Trust, Verdict};
use journal::{Draft, EntryHash, Incarnation, PersonId};
use std::collections::BTreeSet;

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
