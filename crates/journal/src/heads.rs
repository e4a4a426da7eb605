//! Who has what: the head of every series, and what one side has that the other lacks.

use crate::cbor::{CborError, Encoder, Reader};
use crate::chain::Head;
use crate::id::{EntryHash, Incarnation};
use crate::limits::MAX_COUNT;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Series in one list of heads: a site has tens of tablets, each with few series. More is refused, so that nobody is made
/// to hold an endless list.
pub const MAX_SERIES: usize = 10_000;
/// The most bytes that a list of [`MAX_SERIES`] heads takes.
pub const MAX_HEADS_BYTES: usize = 5 + MAX_SERIES * HEAD_BYTES;
/// One head: a list of three, 16 bytes with their head, a number, 32 bytes with their head.
const HEAD_BYTES: usize = 1 + 17 + 9 + 34;
const DIGEST: &str = "tubewright 2026 heads";

/// Bytes that are no list of heads.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HeadsError {
    /// Not canonical.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// More series than allowed.
    #[error("{0} series are too many for one list of heads; at most {MAX_SERIES} are allowed")]
    TooMany(usize),
    /// Not in the order of their names, or one twice.
    #[error("the heads are not in the order of their series")]
    Order,
    /// A seq of 0 or beyond [`MAX_COUNT`].
    #[error("{0} is not the place of a last entry")]
    Seq(u64),
}

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

    /// Canonical CBOR: a list of `[incarnation, seq, hash]` in the order of the incarnations. One set of heads has one form.
    pub fn encode(&self) -> Vec<u8> {
        let mut out = Encoder::default();
        out.array(self.0.len());
        for (incarnation, head) in &self.0 {
            out.array(3);
            out.bytes(&incarnation.0);
            out.unsigned(head.seq);
            out.bytes(&head.hash.0);
        }
        out.into_bytes()
    }

    /// Reads what [`Heads::encode`] wrote, and nothing else.
    ///
    /// # Errors
    /// [`HeadsError`] for any other form, for more than [`MAX_SERIES`], and for a seq that no entry can have.
    pub fn decode(bytes: &[u8]) -> Result<Self, HeadsError> {
        let mut reader = Reader::new(bytes);
        let heads = Self::read(&mut reader)?;
        reader.finish()?;
        Ok(heads)
    }

    fn read(reader: &mut Reader<'_>) -> Result<Self, HeadsError> {
        let count = reader.array()?;
        if count > MAX_SERIES {
            return Err(HeadsError::TooMany(count));
        }
        let mut heads = BTreeMap::new();
        for _ in 0..count {
            let at = reader.at();
            let wrong = move || CborError { at, why: crate::cbor::Why::Type };
            if reader.array()? != 3 {
                return Err(wrong().into());
            }
            let incarnation = Incarnation::from_slice(reader.bytes()?).ok_or_else(wrong)?;
            let seq = reader.unsigned()?;
            let hash = EntryHash::from_slice(reader.bytes()?).ok_or_else(wrong)?;
            if seq == 0 || seq > MAX_COUNT {
                return Err(HeadsError::Seq(seq));
            }
            if heads.last_key_value().is_some_and(|(last, _)| *last >= incarnation) {
                return Err(HeadsError::Order);
            }
            heads.insert(incarnation, Head { seq, hash });
        }
        Ok(Self(heads))
    }

    /// BLAKE3 in derive-key mode over [`Heads::encode`]: two sides with the same digest hold the same entries, because each
    /// head's hash covers the whole series before it.
    pub fn digest(&self) -> [u8; 32] {
        blake3::derive_key(DIGEST, &self.encode())
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cbor::Why;

    fn heads(n: usize) -> Heads {
        let name = |i: usize| Incarnation(blake3::hash(&i.to_le_bytes()).as_bytes()[..16].try_into().unwrap());
        (0..n).map(|i| (name(i), Head { seq: 1 + i as u64 * 7, hash: EntryHash([i as u8; 32]) })).collect()
    }

    #[test]
    fn a_thousand_tablets_fit_one_small_message() {
        for n in [0, 1, 20, 1000, MAX_SERIES] {
            let (heads, bytes) = (heads(n), heads(n).encode());
            println!("{n} series: {} bytes, digest {}", bytes.len(), hex::encode(&heads.digest()[..8]));
            assert_eq!(Heads::decode(&bytes), Ok(heads));
            assert!(bytes.len() <= MAX_HEADS_BYTES && (n > 1000 || bytes.len() < 64 * 1024));
        }
    }

    #[test]
    fn one_series_more_than_allowed_is_refused() {
        let bytes = heads(MAX_SERIES + 1).encode();
        assert_eq!(Heads::decode(&bytes), Err(HeadsError::TooMany(MAX_SERIES + 1)));
        // A claim of more, with nothing behind it, costs nothing.
        let mut claim = Encoder::default();
        claim.array(1 << 30);
        assert!(Heads::decode(&claim.into_bytes()).is_err());
    }

    #[test]
    fn one_set_of_heads_has_one_form() {
        let whole = heads(3);
        let entry = |out: &mut Encoder, (inc, head): (&Incarnation, &Head)| {
            out.array(3);
            out.bytes(&inc.0);
            out.unsigned(head.seq);
            out.bytes(&head.hash.0);
        };
        let form = |order: &[usize], change: fn(Head) -> Head| {
            let mut out = Encoder::default();
            out.array(order.len());
            for at in order {
                let (inc, head) = whole.0.iter().nth(*at).unwrap();
                entry(&mut out, (inc, &change(*head)));
            }
            out.into_bytes()
        };
        let same = |head| head;
        assert_eq!(Heads::decode(&form(&[0, 1, 2], same)), Ok(whole.clone()));
        assert_eq!(Heads::decode(&form(&[0, 2, 1], same)), Err(HeadsError::Order));
        assert_eq!(Heads::decode(&form(&[0, 1, 1], same)), Err(HeadsError::Order));
        assert_eq!(Heads::decode(&form(&[0], |head| Head { seq: 0, ..head })), Err(HeadsError::Seq(0)));
        assert!(Heads::decode(&form(&[0], |head| Head { seq: MAX_COUNT + 1, ..head })).is_err());
        assert!(Heads::decode(&form(&[0], |head| Head { seq: MAX_COUNT, ..head })).is_ok());
        let bytes = whole.encode();
        for cut in 0..bytes.len() {
            assert!(Heads::decode(&bytes[..cut]).is_err(), "cut at {cut}");
        }
        assert!(Heads::decode(&[&bytes[..], &[0]].concat()).is_err(), "bytes after the end");
        assert!(matches!(Heads::decode(&[0x81, 0x82, 0, 0]), Err(HeadsError::Cbor(CborError { why: Why::Type, .. }))));
    }

    /// The digest differs whenever anything differs: a seq, a hash, a series more, a series less.
    #[test]
    fn the_digest_tells_every_difference() {
        let whole = heads(4);
        let mut seen = std::collections::BTreeSet::from([whole.digest()]);
        for inc in whole.0.keys() {
            let change = |f: &dyn Fn(&mut Heads)| {
                let mut other = whole.clone();
                f(&mut other);
                other.digest()
            };
            assert!(seen.insert(change(&|h| h.0.get_mut(inc).unwrap().seq += 1)));
            assert!(seen.insert(change(&|h| h.0.get_mut(inc).unwrap().hash.0[31] ^= 1)));
            assert!(seen.insert(change(&|h| {
                h.0.remove(inc);
            })));
        }
        assert!(seen.insert(heads(5).digest()) && seen.insert(Heads::default().digest()));
        println!("{} sets of heads, {} digests", seen.len(), seen.len());
    }
}
