//! Exact fractions, checked: whatever does not fit answers `None`, never a wrapped figure.

use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// An exact fraction, kept reduced, with a positive denominator.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "(i64, i64)", into = "(i64, i64)")]
pub struct Ratio {
    num: i64,
    den: i64,
}

/// Which way a figure is rounded to a mark. Physics is rounded in the safe direction, never silently.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Round {
    /// Never below the exact figure (a required wall).
    Up,
    /// Never above the exact figure (an allowable pressure).
    Down,
    /// To the nearest mark; half a mark goes away from zero (a length to be cut can be trimmed, not grown).
    Nearest,
}

#[expect(clippy::should_implement_trait, reason = "checked: they answer None on overflow, which an operator cannot")]
impl Ratio {
    /// A reduced fraction. `None` if `den` is 0 or the reduced parts do not fit.
    pub fn new(num: i64, den: i64) -> Option<Self> {
        Self::from_wide(i128::from(num), i128::from(den))
    }

    /// A whole number.
    pub const fn whole(num: i64) -> Self {
        Self { num, den: 1 }
    }

    /// Numerator after reduction.
    pub const fn num(self) -> i64 {
        self.num
    }

    /// Denominator after reduction, always positive.
    pub const fn den(self) -> i64 {
        self.den
    }

    fn from_wide(num: i128, den: i128) -> Option<Self> {
        if den == 0 {
            return None;
        }
        let gcd = gcd(num.unsigned_abs(), den.unsigned_abs()).max(1);
        let gcd = i128::try_from(gcd).ok()?;
        let sign = if den < 0 { -1 } else { 1 };
        Some(Self { num: i64::try_from(sign * num / gcd).ok()?, den: i64::try_from(sign * den / gcd).ok()? })
    }

    /// Exact sum, or `None` on overflow.
    pub fn add(self, other: Self) -> Option<Self> {
        let (a, b, c, d) = self.wide(other);
        Self::from_wide(a.checked_mul(d)?.checked_add(c.checked_mul(b)?)?, b.checked_mul(d)?)
    }

    /// Exact difference, or `None` on overflow.
    pub fn sub(self, other: Self) -> Option<Self> {
        self.add(Self { num: other.num.checked_neg()?, den: other.den })
    }

    /// Exact product, or `None` on overflow.
    pub fn mul(self, other: Self) -> Option<Self> {
        let (a, b, c, d) = self.wide(other);
        Self::from_wide(a.checked_mul(c)?, b.checked_mul(d)?)
    }

    /// Exact quotient, or `None` on overflow or division by zero.
    pub fn div(self, other: Self) -> Option<Self> {
        let (a, b, c, d) = self.wide(other);
        Self::from_wide(a.checked_mul(d)?, b.checked_mul(c)?)
    }

    /// Distance from zero, or `None` on overflow.
    pub fn abs(self) -> Option<Self> {
        Some(Self { num: self.num.checked_abs()?, den: self.den })
    }

    /// Above zero.
    pub const fn is_positive(self) -> bool {
        self.num > 0
    }

    /// The multiple of `step` next to this value. `None` if `step` is not above zero or the result does not fit.
    pub fn to_step(self, step: Self, how: Round) -> Option<Self> {
        if !step.is_positive() {
            return None;
        }
        let (a, b, c, d) = self.wide(step);
        let (num, den) = (a.checked_mul(d)?, b.checked_mul(c)?);
        let floor = num.div_euclid(den);
        let rest = num.rem_euclid(den);
        let up = match how {
            Round::Down => false,
            Round::Up => rest > 0,
            Round::Nearest if num < 0 => rest.checked_mul(2)? > den,
            Round::Nearest => rest.checked_mul(2)? >= den,
        };
        Self::whole(i64::try_from(floor + i128::from(up)).ok()?).mul(step)
    }

    /// A floating figure brought to a multiple of `step`. `None` if it is not finite or does not fit.
    ///
    /// A billionth of a step is taken as noise of the floating sum: a figure that is 0.165 but for the last bit stays 0.165.
    #[expect(clippy::cast_possible_truncation, reason = "checked against the range just before")]
    pub fn from_f64(value: f64, step: Self, how: Round) -> Option<Self> {
        const NOISE: f64 = 1e-9;
        if !step.is_positive() {
            return None;
        }
        let steps = value / step.to_f64();
        let steps = match how {
            Round::Up => (steps - NOISE).ceil(),
            Round::Down => (steps + NOISE).floor(),
            Round::Nearest => steps.round(),
        };
        // Beyond 2^53 a float no longer holds every whole number; no instrument reads that far.
        if !steps.is_finite() || steps.abs() > 9.0e15 {
            return None;
        }
        Self::whole(steps as i64).mul(step)
    }

    /// Nearest floating value, for physics and drawing only; never stored.
    #[expect(clippy::cast_precision_loss, reason = "drawing and physics only")]
    pub fn to_f64(self) -> f64 {
        self.num as f64 / self.den as f64
    }

    fn wide(self, o: Self) -> (i128, i128, i128, i128) {
        (i128::from(self.num), i128::from(self.den), i128::from(o.num), i128::from(o.den))
    }
}

impl PartialOrd for Ratio {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Ratio {
    fn cmp(&self, other: &Self) -> Ordering {
        let (a, b, c, d) = self.wide(*other);
        (a * d).cmp(&(c * b))
    }
}

impl TryFrom<(i64, i64)> for Ratio {
    type Error = &'static str;
    fn try_from((num, den): (i64, i64)) -> Result<Self, Self::Error> {
        Self::new(num, den).ok_or("a fraction needs a denominator other than 0")
    }
}

impl From<Ratio> for (i64, i64) {
    fn from(r: Ratio) -> Self {
        (r.num, r.den)
    }
}

fn gcd(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
