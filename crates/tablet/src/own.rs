//! Which series were written here, whom this store believes, and what the trailer has been told of earlier series.

use crate::core::{Core, Inner};
use crate::fault::Fault;
use crate::lives::{self, LastReceipt};
use crate::place::Name;
use crate::series::{NAME, OWN_SERIES, SERVER_SERIES, ended_key, made_up};
use crate::setting::{self, store_fault};
use job::standing::{ALL, Trust};
use journal::{Incarnation, VerifyingKey};
use serde::Serialize;
use serde_json::{Value as Json, json};
use std::collections::BTreeSet;
use sync::Outcome;

const TOLD: &str = "told/";

/// One own series, for the screens.
#[derive(Serialize)]
struct OwnSeries {
    series: Incarnation,
    name: String,
    current: bool,
    head: u64,
    counts_to: Option<u64>,
    known: bool,
    reason: String,
    receipt_seq: u64,
    waiting: u64,
}

impl Core {
    /// Says whom the store believes: the series of the trailer it is paired with, of those before and of `trailer`, and our
    /// own. As long as there was none, nobody can be told apart, and all count.
    pub(crate) fn believe(&self, inner: &mut Inner, trailer: Option<VerifyingKey>) -> Result<(), Fault> {
        let before = inner.store.trust().map_err(store_fault)?;
        let mut roots: BTreeSet<Incarnation> = before.map(|t| t.roots).unwrap_or_default();
        roots.extend(inner.pairing.as_ref().map(|p| p.server_key).iter().chain(&trailer).map(Incarnation::of));
        if roots.is_empty() {
            return Ok(());
        }
        roots.extend(setting::load::<Vec<VerifyingKey>>(&inner.store, SERVER_SERIES)?.unwrap_or_default().iter().map(Incarnation::of));
        let mut own: BTreeSet<Incarnation> = inner.own_series()?.into_iter().collect();
        own.insert(inner.identity.incarnation);
        inner.store.set_trust(&Trust { roots, own }).map_err(store_fault)
    }

    /// Remembers every series this folder ever wrote, so that what is only here is counted over all of them.
    pub(crate) fn note_series(&self, inner: &mut Inner) -> Result<(), Fault> {
        let mut own = inner.own_series()?;
        if own.contains(&inner.identity.incarnation) {
            return Ok(());
        }
        own.push(inner.identity.incarnation);
        setting::save(&mut inner.store, OWN_SERIES, &own)?;
        self.believe(inner, None)
    }

    /// Earlier series of this folder whose end the trailer has not signed for: those it was not asked about yet, and those
    /// it was given whole and holds in another version. Asking of these again at every sync would not change that.
    pub(crate) fn unsigned(&self, inner: &Inner) -> Result<(Vec<Incarnation>, Vec<Incarnation>), Fault> {
        let (mut ask, mut given) = (Vec::new(), Vec::new());
        let heads = inner.store.heads().map_err(store_fault)?;
        for series in inner.own_series()?.into_iter().filter(|s| *s != inner.identity.incarnation) {
            let receipt: Option<LastReceipt> = setting::load(&inner.store, &lives::receipt_key(&series))?;
            let end = end_here(inner, &series, heads.seq(&series))?;
            if end > receipt.map_or(0, |r| r.seq) {
                let list = if was_told(inner, &series, end)? { &mut given } else { &mut ask };
                list.push(series);
            }
        }
        Ok((ask, given))
    }

    /// An exchange went through: the trailer was given all of its earlier series. What it says of those is no news, a new
    /// series was begun for it.
    pub(crate) fn told(&self, inner: &mut Inner, outcome: &mut Outcome) -> Result<(), Fault> {
        let (ask, given) = self.unsigned(inner)?;
        for series in &ask {
            let end = end_here(inner, series, inner.store.heads().map_err(store_fault)?.seq(series))?;
            setting::save(&mut inner.store, &told_key(series), &end)?;
        }
        for series in ask.iter().chain(&given) {
            outcome.forks.remove(series);
            let refused = inner.store.refused_of(series, usize::MAX >> 1).map_err(store_fault)?;
            for entry in refused {
                outcome.quarantined.remove(&entry.hash);
            }
        }
        let mut news = std::collections::BTreeMap::new();
        for (hash, why) in std::mem::take(&mut outcome.quarantined) {
            let series = inner.store.entry(&hash).map_err(store_fault)?.map(|s| s.entry.incarnation);
            if series.is_none_or(|s| !ask.contains(&s) && !given.contains(&s)) {
                news.insert(hash, why);
            }
        }
        outcome.quarantined = news;
        Ok(())
    }

    /// Another trailer, or one that was set back: it is given everything once more.
    pub(crate) fn tell_again(&self, inner: &mut Inner) -> Result<(), Fault> {
        for (key, _) in inner.store.settings(TOLD).map_err(store_fault)? {
            inner.store.remove_setting(&key).map_err(store_fault)?;
        }
        inner.store.remove_photo_receipts().map_err(store_fault)
    }

    /// The name of this tablet, made up where it has none yet.
    pub(crate) fn named(&self, inner: &mut Inner) -> Result<String, Fault> {
        if let Some(name) = &inner.name {
            return Ok(name.name.clone());
        }
        let name = made_up(&inner.identity.device);
        let name = Name { name: name.clone(), base: name };
        setting::save(&mut inner.store, NAME, &name)?;
        inner.name = Some(name.clone());
        Ok(name.name)
    }

    /// The `series` call: those written here, and every other one.
    pub(crate) fn series(&self) -> Result<Json, Fault> {
        let inner = self.lock();
        let states = inner.store.series_states().map_err(store_fault)?;
        let own = inner.own_series()?;
        let mut ours = Vec::new();
        for series in &own {
            let state = states.iter().find(|s| s.incarnation == *series);
            let receipt: Option<LastReceipt> = setting::load(&inner.store, &lives::receipt_key(series))?;
            let (head, receipt_seq) = (state.map_or(0, |s| s.head), receipt.map_or(0, |r| r.seq));
            ours.push(OwnSeries {
                series: *series,
                name: state.map(|s| s.name.clone()).unwrap_or_default(),
                current: *series == inner.identity.incarnation,
                head,
                counts_to: state.map(|s| s.counts_to).filter(|to| *to != ALL),
                known: state.is_some_and(|s| s.known),
                reason: state.map(|s| s.reason.clone()).unwrap_or_default(),
                receipt_seq,
                waiting: end_here(&inner, series, head)?.saturating_sub(receipt_seq),
            });
        }
        let others: Vec<Json> = states
            .iter()
            .filter(|s| !own.contains(&s.incarnation))
            .map(|s| {
                json!({ "series": s.incarnation, "name": s.name, "role": s.role, "head": s.head, "known": s.known,
                    "counts_to": Some(s.counts_to).filter(|to| *to != ALL), "apart": s.apart(), "reason": s.reason })
            })
            .collect();
        Ok(json!({ "own": ours, "others": others, "note": inner.note, "key_home": inner.identity.home }))
    }
}

impl Inner {
    /// Every series that was written in this folder, the present one last.
    pub(crate) fn own_series(&self) -> Result<Vec<Incarnation>, Fault> {
        Ok(setting::load(&self.store, OWN_SERIES)?.unwrap_or_default())
    }
}

/// Where a series ended on this tablet: what of it came later was written elsewhere.
pub(crate) fn end_here(inner: &Inner, series: &Incarnation, head: u64) -> Result<u64, Fault> {
    if *series == inner.identity.incarnation {
        return Ok(head);
    }
    let ended: Option<u64> = setting::load(&inner.store, &ended_key(series))?;
    Ok(head.min(ended.unwrap_or(head)))
}

/// True where the trailer was given all of an earlier series up to `end`, whatever it signed for.
pub(crate) fn was_told(inner: &Inner, series: &Incarnation, end: u64) -> Result<bool, Fault> {
    let told: Option<u64> = setting::load(&inner.store, &told_key(series))?;
    Ok(*series != inner.identity.incarnation && told.is_some_and(|told| told >= end))
}

fn told_key(series: &Incarnation) -> String {
    format!("{TOLD}{series}")
}
