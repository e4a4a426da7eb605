//! What is said in the record about the tablets' clocks: compared at each greeting, written down when a tablet's run is new
//! or its clock moved. Shown beside the entries, never trusted; it orders nothing.

use crate::fault::Fault;
use crate::trailer::{Trailer, store_fault};
use job::kinds;
use job::standing::{self, Clock};
use journal::{BootId, Incarnation};
use std::collections::BTreeMap;

/// A clock that moved less is not written down again within the same run.
const MOVED_MS: u64 = 5_000;
/// At most so many comparisons of one series are written in one run of the server: a tablet that greets with a new run each
/// time must not fill the record.
const MOST: u32 = 1_000;

/// What was written of each series: the last comparison of each of its runs, and how many this run of the server wrote.
#[derive(Default)]
pub(crate) struct Clocks(BTreeMap<Incarnation, (BTreeMap<BootId, i64>, u32)>);

impl Trailer {
    /// Takes note of a tablet's clock: `skew_ms` is its clock less the server's when its series stood at `seq`.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn compare_clocks(&mut self, series: &Incarnation, clock: &Clock) -> Result<(), Fault> {
        if !self.clocks.0.contains_key(series) {
            let said = self.said_of_clock(series)?;
            self.clocks.0.insert(*series, (said, 0));
        }
        let known = self.clocks.0.get(series);
        let last = known.and_then(|(runs, _)| runs.get(&clock.boot));
        let still = last.is_some_and(|last| last.abs_diff(clock.skew_ms) <= MOVED_MS);
        if still || known.is_some_and(|(_, written)| *written >= MOST) {
            return Ok(());
        }
        // What cannot be written (a place that no entry has) is not worth refusing a sync for.
        let Some(draft) = standing::clock_draft(series, clock) else { return Ok(()) };
        self.write(&kinds::nobody(), vec![draft])?;
        let (runs, written) = self.clocks.0.entry(*series).or_default();
        runs.insert(clock.boot, clock.skew_ms);
        *written += 1;
        Ok(())
    }

    /// The last comparison of each run that stands in the record.
    fn said_of_clock(&self, series: &Incarnation) -> Result<BTreeMap<BootId, i64>, Fault> {
        let mut all = self.store.subject(&standing::clock_subject(series).0).map_err(store_fault)?;
        let own = self.identity.own();
        all.retain(|s| own.contains(&s.entry.incarnation));
        all.sort_by_key(|s| s.entry.counter);
        Ok(all.iter().filter_map(standing::clock).map(|(_, clock)| (clock.boot, clock.skew_ms)).collect())
    }
}
