//! What of a disk outlives a power cut: the synced part, and any part of the rest.

use super::tree::{Id, Op, Tree};
use std::sync::Arc;

/// The smallest thing that a power cut leaves or takes.
#[derive(Clone, Debug)]
enum Unit {
    /// Bytes `from..to` of a write, within one sector.
    Sector {
        file: Id,
        at: usize,
        bytes: Arc<Vec<u8>>,
        from: usize,
        to: usize,
    },
    Truncate {
        file: Id,
        len: usize,
    },
    Link {
        folder: Id,
        name: String,
        node: Id,
    },
    Unlink {
        folder: Id,
        name: String,
    },
    Rename {
        from: (Id, String),
        to: (Id, String),
        node: Id,
    },
}

/// Which of the unsynced units a power cut leaves; they are counted from 0 in the order they were made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// None: the worst that a disk which tells the truth may do.
    Nothing,
    /// All: the disk happened to be quick, or only the program died.
    All,
    /// The first so many.
    First(usize),
    /// All but one: where a sector was written twice, its old content.
    Without(usize),
    /// One alone.
    Only(usize),
    /// Those whose bit is set.
    Mask(u64),
    /// Each by chance.
    Some(u64),
    /// Names, and no bytes: a rename that lands before its data.
    Names,
    /// Names and lengths; the bytes read as zeros.
    Grown,
    /// The first so many, and of the next one only so many bytes.
    Torn(usize, usize),
    /// All, but one reads as zeros.
    Zeros(usize),
}

/// Spreads a number over all 64 bits: SplitMix64 (Steele, Lea, Flood 2014).
pub const fn spread(n: u64) -> u64 {
    let mut z = n.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Unit {
    /// The file whose sync makes it durable.
    const fn file(&self) -> Option<Id> {
        match self {
            Self::Sector { file, .. } | Self::Truncate { file, .. } => Some(*file),
            _ => None,
        }
    }

    fn apply(&self, tree: &mut Tree) {
        match self {
            Self::Sector { file, at, bytes, from, to } => tree.write(*file, *at, &bytes[*from..*to]),
            Self::Truncate { file, len } => tree.truncate(*file, *len),
            Self::Link { folder, name, node } => tree.link(*folder, name, *node),
            Self::Unlink { folder, name } => tree.unlink(*folder, name),
            Self::Rename { from, to, node } => tree.rename(from, to, *node),
        }
    }

    fn apply_zeros(&self, tree: &mut Tree) {
        match self {
            Self::Sector { file, at, from, to, .. } => tree.write(*file, *at, &vec![0; to - from]),
            other => other.apply(tree),
        }
    }

    fn apply_torn(&self, tree: &mut Tree, most: usize) {
        match self {
            Self::Sector { file, at, bytes, from, to } => tree.write(*file, *at, &bytes[*from..(*from + most).min(*to)]),
            other => other.apply(tree),
        }
    }
}

/// The disk while a log of operations is played: what is durable, and what is not yet.
#[derive(Clone, Debug)]
pub struct Platter {
    durable: Tree,
    pending: Vec<Unit>,
    sector: usize,
}

impl Platter {
    /// A disk that holds `image`, all of it durable, and cannot tear `sector` bytes (a power of two).
    pub const fn new(image: Tree, sector: usize) -> Self {
        Self { durable: image, pending: Vec::new(), sector }
    }

    /// Unsynced units.
    pub const fn unsynced(&self) -> usize {
        self.pending.len()
    }

    /// Plays one operation.
    pub fn play(&mut self, op: &Op) {
        match op {
            Op::Write { file, at, bytes } => {
                let mut from = 0;
                while from < bytes.len() {
                    let to = (from + self.sector - (at + from) % self.sector).min(bytes.len());
                    self.pending.push(Unit::Sector { file: *file, at: at + from, bytes: bytes.clone(), from, to });
                    from = to;
                }
            }
            Op::Truncate { file, len } => self.pending.push(Unit::Truncate { file: *file, len: *len }),
            Op::Link { folder, name, node, is_folder } => {
                self.durable.born(*node, *is_folder);
                self.pending.push(Unit::Link { folder: *folder, name: name.clone(), node: *node });
            }
            Op::Unlink { folder, name } => self.pending.push(Unit::Unlink { folder: *folder, name: name.clone() }),
            Op::Rename { from, to, node } => self.pending.push(Unit::Rename { from: from.clone(), to: to.clone(), node: *node }),
            Op::Sync { file } => self.sync(*file),
            Op::SyncFailed { file } => self.pending.retain(|unit| unit.file() != Some(*file)),
            Op::SyncFolder { folder } => self.sync_folder(*folder),
            Op::Ack(_) => {}
        }
    }

    fn sync(&mut self, file: Id) {
        for unit in &self.pending {
            if unit.file() == Some(file) {
                unit.apply(&mut self.durable);
            }
        }
        self.pending.retain(|unit| unit.file() != Some(file));
    }

    /// The names of one folder become durable. A rename out of another folder is then there under its new name; that the
    /// old one is gone is still open.
    fn sync_folder(&mut self, synced: Id) {
        for unit in std::mem::take(&mut self.pending) {
            match unit {
                Unit::Rename { from, to, node } if to.0 == synced && from.0 != synced => {
                    self.durable.link(to.0, &to.1, node);
                    self.pending.push(Unit::Unlink { folder: from.0, name: from.1 });
                }
                Unit::Rename { from, to, node } if from.0 == synced => self.durable.rename(&from, &to, node),
                Unit::Link { folder, .. } | Unit::Unlink { folder, .. } if folder == synced => unit.apply(&mut self.durable),
                other => self.pending.push(other),
            }
        }
    }

    /// What a power cut now leaves.
    pub fn image(&self, keep: Keep) -> Tree {
        let mut tree = self.durable.clone();
        for (n, unit) in self.pending.iter().enumerate() {
            let kept = match keep {
                Keep::Nothing => false,
                Keep::All => true,
                Keep::First(most) => n < most,
                Keep::Without(one) => n != one,
                Keep::Only(one) => n == one,
                Keep::Mask(bits) => bits >> n & 1 == 1,
                Keep::Some(seed) => spread(seed ^ n as u64) & 1 == 1,
                Keep::Names => unit.file().is_none(),
                Keep::Grown => {
                    unit.apply_zeros(&mut tree);
                    false
                }
                Keep::Torn(at, bytes) => {
                    if n == at {
                        unit.apply_torn(&mut tree, bytes);
                    }
                    n < at
                }
                Keep::Zeros(one) => {
                    if n == one {
                        unit.apply_zeros(&mut tree);
                    }
                    n != one
                }
            };
            if kept {
                unit.apply(&mut tree);
            }
        }
        tree
    }

    /// Every way to keep the unsynced units: all subsets up to `whole` of them; beyond that none, all, names, zeros, each
    /// prefix, each one missing, each one alone, torn and zeroed each, and `random` subsets.
    pub fn keeps(&self, whole: usize, random: u64, seed: u64) -> Vec<Keep> {
        let n = self.pending.len();
        if n == 0 {
            return vec![Keep::Nothing];
        }
        let mut keeps = vec![Keep::Nothing, Keep::All, Keep::Names, Keep::Grown];
        if n <= whole.min(20) {
            keeps.extend((1..(1_u64 << n) - 1).map(Keep::Mask));
        } else {
            keeps.extend((1..n).map(Keep::First));
            keeps.extend((0..n).flat_map(|k| [Keep::Without(k), Keep::Only(k)]));
            keeps.extend((0..random).map(|k| Keep::Some(spread(seed ^ k << 32))));
        }
        let byte = |k: usize| 1 + (spread(seed ^ k as u64) as usize) % (self.sector - 1);
        keeps.extend((0..n).flat_map(|k| [Keep::Torn(k, byte(k)), Keep::Zeros(k)]));
        keeps
    }
}
