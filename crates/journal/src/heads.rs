//! Who has what: the head of every series, and what one side has that the other lacks.

use crate::chain::Head;
use crate::id::Incarnation;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A run of entries of one series, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Range {
    /// First seq.
    pub from: u64,
    /// Last seq.
    pub to: u64,
}

impl Range {
    /// How many entries it spans.
    pub const fn count(self) -> u64 {
        self.to.saturating_sub(self.from).saturating_add(1)
    }
}

/// The head of every series a side has: a version vector.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Heads(pub BTreeMap<Incarnation, Head>);

impl Heads {
    /// The seq reached in a series; 0 where nothing of it is known.
    pub fn seq(&self, incarnation: &Incarnation) -> u64 {
        self.0.get(incarnation).map_or(0, |head| head.seq)
    }

    /// What `self` has and `other` lacks, series by series.
    pub fn missing_from(&self, other: &Self) -> Vec<(Incarnation, Range)> {
        let lacks = |(incarnation, head): (&Incarnation, &Head)| {
            let has = other.seq(incarnation);
            (head.seq > has).then(|| (*incarnation, Range { from: has.saturating_add(1), to: head.seq }))
        };
        self.0.iter().filter_map(lacks).collect()
    }

    /// How many entries `self` has that `other` lacks.
    pub fn count_missing_from(&self, other: &Self) -> u64 {
        self.missing_from(other).iter().fold(0, |sum, (_, range)| sum.saturating_add(range.count()))
    }

    /// Series in which both stand at the same seq with different hashes: forks that are visible from the heads alone.
    pub fn forks(&self, other: &Self) -> Vec<Incarnation> {
        let forked = |(incarnation, head): (&Incarnation, &Head)| {
            let theirs = other.0.get(incarnation)?;
            (theirs.seq == head.seq && theirs.hash != head.hash).then_some(*incarnation)
        };
        self.0.iter().filter_map(forked).collect()
    }
}

impl FromIterator<(Incarnation, Head)> for Heads {
    fn from_iter<T: IntoIterator<Item = (Incarnation, Head)>>(heads: T) -> Self {
        Self(heads.into_iter().collect())
    }
}
