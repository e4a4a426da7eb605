//! Chance from one number.

use store::testkit::machine::spread;

/// SplitMix64 (Steele, Lea, Flood 2014): small, quick, and the same on every machine.
#[derive(Clone, Debug)]
pub struct Rng(u64);

impl Rng {
    /// From a seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number.
    pub const fn next(&mut self) -> u64 {
        let drawn = spread(self.0);
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        drawn
    }

    /// A number below `n`, or 0 where there is none.
    pub const fn below(&mut self, n: usize) -> usize {
        let drawn = self.next();
        if n == 0 { 0 } else { ((drawn >> 11) % n as u64) as usize }
    }

    /// True `n` times in 100.
    pub const fn percent(&mut self, n: usize) -> bool {
        self.below(100) < n
    }

    /// One of these.
    pub fn pick<'a, T>(&mut self, of: &'a [T]) -> Option<&'a T> {
        let at = self.below(of.len());
        of.get(at)
    }

    /// One of these by weight.
    pub fn weighted<T: Copy>(&mut self, of: &[(usize, T)]) -> T {
        let mut at = self.below(of.iter().map(|(w, _)| w).sum());
        for (weight, value) in of {
            if at < *weight {
                return *value;
            }
            at -= weight;
        }
        of[0].1
    }

    /// Puts them into any order.
    pub fn shuffle<T>(&mut self, all: &mut [T]) {
        for at in (1..all.len()).rev() {
            all.swap(at, self.below(at + 1));
        }
    }

    /// 32 bytes for a key.
    pub fn bytes(&mut self) -> [u8; 32] {
        let mut out = [0; 32];
        for piece in out.chunks_mut(8) {
            piece.copy_from_slice(&self.next().to_le_bytes());
        }
        out
    }
}
