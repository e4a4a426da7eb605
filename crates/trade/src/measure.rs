//! Measurements as the person typed them: exact rationals with a unit and the instrument's mark.
//!
//! The rational is the truth for sums, equality and print: 1/16 in is 1587.5 µm, not a whole number of micrometres,
//! and 20 9/16 + 7/16 must be 21. The integer beside it (`base`) only sorts and draws.

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

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dimension {
    /// A length; base unit micrometre.
    Length,
    /// A pressure or stress; base unit pascal.
    Pressure,
    /// A temperature; base unit millikelvin.
    Temperature,
}

/// Units a person may type. The text is the symbol that is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    /// Inch, 25.4 mm exactly.
    #[serde(rename = "in")]
    Inch,
    /// Foot, 12 in.
    #[serde(rename = "ft")]
    Foot,
    /// Millimetre.
    #[serde(rename = "mm")]
    Millimetre,
    /// Metre.
    #[serde(rename = "m")]
    Metre,
    /// Pound-force per square inch, gauge where the field says so; 6894.757293168 Pa.
    #[serde(rename = "psi")]
    Psi,
    /// Megapascal.
    #[serde(rename = "MPa")]
    Megapascal,
    /// Bar.
    #[serde(rename = "bar")]
    Bar,
    /// Degree Celsius.
    #[serde(rename = "C")]
    Celsius,
    /// Degree Fahrenheit.
    #[serde(rename = "F")]
    Fahrenheit,
}

/// Why a typed figure was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MeasureError {
    /// Nothing was typed.
    #[error("nothing was typed")]
    Empty,
    /// The text is not a number of the kind expected here.
    #[error("“{0}” is not a number: type it as 12 3/16, 12.188 or 4.75")]
    NotANumber(String),
    /// A fraction with denominator 0, or a numerator not smaller than its denominator beside a whole number.
    #[error("“{0}” has a fraction that cannot stand on a tape")]
    BadFraction(String),
    /// Too many digits to be exact.
    #[error("“{0}” has more figures than any instrument here can read")]
    TooLong(String),
    /// The unit does not measure what the field asks for.
    #[error("{unit} is not a unit of {wanted}")]
    WrongUnit {
        /// What was given.
        unit: String,
        /// What the field measures.
        wanted: String,
    },
    /// Arithmetic left the range that can be kept exactly.
    #[error("that figure is too large to be kept exactly")]
    Overflow,
}

/// One measured value: what was typed, its exact value, its unit and the instrument's smallest mark.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Measure {
    /// What the person typed, kept for print and for arguments.
    pub typed: String,
    /// The exact value in `unit`.
    pub value: Ratio,
    /// The unit it was typed in.
    pub unit: Unit,
    /// The smallest mark of the instrument in `unit`, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<Ratio>,
}

#[expect(
    clippy::should_implement_trait,
    reason = "checked: they answer None on overflow, which an operator cannot"
)]
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
        Some(Self {
            num: i64::try_from(sign * num / gcd).ok()?,
            den: i64::try_from(sign * den / gcd).ok()?,
        })
    }

    /// Exact sum, or `None` on overflow.
    pub fn add(self, other: Self) -> Option<Self> {
        let (a, b, c, d) = self.wide(other);
        Self::from_wide(
            a.checked_mul(d)?.checked_add(c.checked_mul(b)?)?,
            b.checked_mul(d)?,
        )
    }

    /// Exact difference, or `None` on overflow.
    pub fn sub(self, other: Self) -> Option<Self> {
        self.add(Self {
            num: other.num.checked_neg()?,
            den: other.den,
        })
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
        Some(Self {
            num: self.num.checked_abs()?,
            den: self.den,
        })
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
    #[expect(
        clippy::cast_possible_truncation,
        reason = "checked against the range just before"
    )]
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
        (
            i128::from(self.num),
            i128::from(self.den),
            i128::from(o.num),
            i128::from(o.den),
        )
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

impl Unit {
    /// The stored symbol.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Inch => "in",
            Self::Foot => "ft",
            Self::Millimetre => "mm",
            Self::Metre => "m",
            Self::Psi => "psi",
            Self::Megapascal => "MPa",
            Self::Bar => "bar",
            Self::Celsius => "C",
            Self::Fahrenheit => "F",
        }
    }

    /// The unit as it is shown: as the symbol, but with the degree sign.
    pub const fn shown(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
            other => other.symbol(),
        }
    }

    /// What the unit measures.
    pub const fn dimension(self) -> Dimension {
        match self {
            Self::Inch | Self::Foot | Self::Millimetre | Self::Metre => Dimension::Length,
            Self::Psi | Self::Megapascal | Self::Bar => Dimension::Pressure,
            Self::Celsius | Self::Fahrenheit => Dimension::Temperature,
        }
    }

    /// Exact factor to the base unit (µm, Pa) and offset (mK) as `base = value * factor + offset`.
    fn to_base(self) -> (Ratio, Ratio) {
        let r = |n, d| Ratio::new(n, d).unwrap_or(Ratio::whole(0));
        let none = Ratio::whole(0);
        match self {
            Self::Inch => (Ratio::whole(25_400), none),
            Self::Foot => (Ratio::whole(304_800), none),
            Self::Millimetre => (Ratio::whole(1_000), none),
            Self::Metre => (Ratio::whole(1_000_000), none),
            // 4.4482216152605 N / (0.0254 m)^2, exact by the definitions of the pound, the inch and standard gravity.
            Self::Psi => (r(8_896_443_230_521, 1_290_320_000), none),
            Self::Megapascal => (Ratio::whole(1_000_000), none),
            Self::Bar => (Ratio::whole(100_000), none),
            Self::Celsius => (Ratio::whole(1_000), Ratio::whole(273_150)),
            Self::Fahrenheit => (r(5_000, 9), r(2_298_350, 9)),
        }
    }
}

impl Measure {
    /// Reads what a person typed: `12 3/16`, `3/8`, `12.188`, in feet also `54' 6"`; `4,75` is refused (one site-wide decimal point).
    ///
    /// # Errors
    /// [`MeasureError`] with a sentence; the typed text is never changed or guessed at.
    pub fn parse(typed: &str, unit: Unit, mark: Option<Ratio>) -> Result<Self, MeasureError> {
        let value = match typed.split_once('\'') {
            Some((feet, inches)) if unit == Unit::Foot => feet_and_inches(feet, inches)?,
            _ => parse_ratio(typed)?,
        };
        Ok(Self {
            typed: typed.trim().to_owned(),
            value,
            unit,
            mark,
        })
    }

    /// A measure from an exact value; `typed` is made from it.
    pub fn exact(value: Ratio, unit: Unit) -> Self {
        Self {
            typed: crate::show::exact_text(&value, unit),
            value,
            unit,
            mark: None,
        }
    }

    /// The value as typed, with its unit: `12 3/16 in`, `330 °C`.
    pub fn shown(&self) -> String {
        format!("{} {}", self.typed, self.unit.shown())
    }

    /// Exact value in the base unit of its dimension (µm, Pa, mK). `None` on overflow.
    pub fn base(&self) -> Option<Ratio> {
        let (factor, offset) = self.unit.to_base();
        self.value.mul(factor)?.add(offset)
    }

    /// Exact value in another unit of the same dimension.
    ///
    /// # Errors
    /// `WrongUnit` when the dimension differs, `Overflow` when the exact value does not fit.
    pub fn in_unit(&self, unit: Unit) -> Result<Ratio, MeasureError> {
        self.expect_dimension(unit.dimension())?;
        let (factor, offset) = unit.to_base();
        self.base()
            .and_then(|b| b.sub(offset))
            .and_then(|b| b.div(factor))
            .ok_or(MeasureError::Overflow)
    }

    /// Checks that the unit measures `wanted`.
    ///
    /// # Errors
    /// `WrongUnit` otherwise.
    pub fn expect_dimension(&self, wanted: Dimension) -> Result<(), MeasureError> {
        if self.unit.dimension() == wanted {
            return Ok(());
        }
        let wanted = match wanted {
            Dimension::Length => "length",
            Dimension::Pressure => "pressure",
            Dimension::Temperature => "temperature",
        };
        Err(MeasureError::WrongUnit {
            unit: self.unit.symbol().to_owned(),
            wanted: wanted.to_owned(),
        })
    }

    /// Equal as a quantity, exactly, whatever the unit: 20 1/2 in equals 520.7 mm.
    pub fn same_quantity(&self, other: &Self) -> bool {
        if self.unit == other.unit {
            return self.value == other.value;
        }
        self.unit.dimension() == other.unit.dimension()
            && self.base().is_some()
            && self.base() == other.base()
    }

    /// Order as quantities, exactly. `None` when the dimensions differ or the exact values do not fit.
    pub fn cmp_quantity(&self, other: &Self) -> Option<Ordering> {
        if self.unit == other.unit {
            return Some(self.value.cmp(&other.value));
        }
        (self.unit.dimension() == other.unit.dimension()).then_some(())?;
        Some(self.base()?.cmp(&other.base()?))
    }

    /// Value as floating mm, MPa or °C, for physics and drawing only.
    pub fn si_f64(&self) -> f64 {
        self.f64_in(match self.unit.dimension() {
            Dimension::Length => Unit::Millimetre,
            Dimension::Pressure => Unit::Megapascal,
            Dimension::Temperature => Unit::Celsius,
        })
    }

    /// Value as a floating figure in `unit`, for physics and drawing only; NaN when the dimension differs.
    ///
    /// Where the exact conversion does not fit (psi has a long exact factor) the conversion itself is floating.
    pub fn f64_in(&self, unit: Unit) -> f64 {
        if self.unit == unit {
            return self.value.to_f64();
        }
        match self.in_unit(unit) {
            Ok(exact) => exact.to_f64(),
            Err(MeasureError::Overflow) => {
                let ((from, from_zero), (to, to_zero)) = (self.unit.to_base(), unit.to_base());
                (self.value.to_f64() * from.to_f64() + from_zero.to_f64() - to_zero.to_f64())
                    / to.to_f64()
            }
            Err(_) => f64::NAN,
        }
    }
}

/// `54' 6 1/2"`: whole feet and less than 12 inches.
fn feet_and_inches(feet: &str, inches: &str) -> Result<Ratio, MeasureError> {
    let bad = || MeasureError::NotANumber(format!("{feet}'{inches}"));
    let (feet, inches) = (feet.trim(), inches.trim().trim_end_matches('"').trim());
    if feet.is_empty() || !feet.bytes().all(|b| b.is_ascii_digit()) {
        return Err(bad());
    }
    let feet = parse_ratio(feet)?;
    let inches = if inches.is_empty() {
        Ratio::whole(0)
    } else {
        parse_ratio(inches)?
    };
    if inches < Ratio::whole(0) || inches >= Ratio::whole(12) {
        return Err(bad());
    }
    inches
        .div(Ratio::whole(12))
        .and_then(|i| feet.add(i))
        .ok_or(MeasureError::Overflow)
}

fn parse_ratio(typed: &str) -> Result<Ratio, MeasureError> {
    let text = typed.trim();
    let bad = || MeasureError::NotANumber(text.to_owned());
    if text.is_empty() {
        return Err(MeasureError::Empty);
    }
    if text.len() > 24 {
        return Err(MeasureError::TooLong(text.to_owned()));
    }
    let (sign, text_abs) = text
        .strip_prefix('-')
        .map_or((1, text), |t| (-1, t.trim_start()));
    let parts: Vec<&str> = text_abs.split_whitespace().collect();
    let value = match parts.as_slice() {
        [one] if one.contains('/') => {
            parse_fraction(one, false).map_err(|e| e.unwrap_or_else(bad))?
        }
        [one] => parse_decimal(one).ok_or_else(bad)?,
        [whole, frac] => {
            if !whole.bytes().all(|b| b.is_ascii_digit()) {
                return Err(bad());
            }
            let whole = parse_decimal(whole).ok_or_else(bad)?;
            let frac = parse_fraction(frac, true).map_err(|e| e.unwrap_or_else(bad))?;
            whole.add(frac).ok_or(MeasureError::Overflow)?
        }
        _ => return Err(bad()),
    };
    value.mul(Ratio::whole(sign)).ok_or(MeasureError::Overflow)
}

/// `Err(None)` = not a number at all; `Err(Some(..))` = a fraction that cannot stand on a tape.
fn parse_fraction(text: &str, proper: bool) -> Result<Ratio, Option<MeasureError>> {
    let (n, d) = text.split_once('/').ok_or(None)?;
    let digits = |s: &str| !s.is_empty() && s.len() <= 4 && s.bytes().all(|b| b.is_ascii_digit());
    if !digits(n) || !digits(d) {
        return Err(None);
    }
    let (n, d): (i64, i64) = (n.parse().map_err(|_| None)?, d.parse().map_err(|_| None)?);
    if d == 0 || (proper && n >= d) {
        return Err(Some(MeasureError::BadFraction(text.to_owned())));
    }
    Ratio::new(n, d).ok_or(None)
}

fn parse_decimal(text: &str) -> Option<Ratio> {
    let (whole, places) = text.split_once('.').unwrap_or((text, ""));
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() && places.is_empty()
        || !digits(whole)
        || !digits(places)
        || whole.len() > 9
        || places.len() > 6
    {
        return None;
    }
    let den = 10_i64.checked_pow(u32::try_from(places.len()).ok()?)?;
    let whole: i64 = if whole.is_empty() {
        0
    } else {
        whole.parse().ok()?
    };
    let places: i64 = if places.is_empty() {
        0
    } else {
        places.parse().ok()?
    };
    Ratio::new(whole.checked_mul(den)?.checked_add(places)?, den)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn m(typed: &str, unit: Unit) -> Measure {
        Measure::parse(typed, unit, None).unwrap()
    }

    #[test]
    fn fractions_are_exact() {
        let sum = m("20 9/16", Unit::Inch)
            .value
            .add(m("7/16", Unit::Inch).value)
            .unwrap();
        assert_eq!(sum, Ratio::whole(21));
        assert_eq!(
            m("1/16", Unit::Inch).base().unwrap(),
            Ratio::new(3175, 2).unwrap()
        );
        assert!(m("20 1/2", Unit::Inch).same_quantity(&m("520.7", Unit::Millimetre)));
        assert!(m("32", Unit::Fahrenheit).same_quantity(&m("0", Unit::Celsius)));
        assert!(m("212", Unit::Fahrenheit).same_quantity(&m("100", Unit::Celsius)));
    }

    #[test]
    fn feet_and_inches_are_read() {
        assert!(m("54' 6\"", Unit::Foot).same_quantity(&m("654", Unit::Inch)));
        assert!(m("54'", Unit::Foot).same_quantity(&m("54", Unit::Foot)));
        assert!(Measure::parse("54' 13\"", Unit::Foot, None).is_err());
        assert!(Measure::parse("54' 6\"", Unit::Inch, None).is_err());
    }

    #[test]
    fn what_cannot_be_read_is_refused_with_words() {
        for bad in [
            "",
            "abc",
            "12 3",
            "1/0",
            "12 17/16",
            "12 3/",
            "4,75",
            "1.2.3",
            "--3",
            "1e3",
            "12.5 1/2",
            "NaN",
            "9999999999",
        ] {
            let got = Measure::parse(bad, Unit::Inch, None);
            println!("{bad:?} -> {got:?}");
            assert!(got.is_err(), "{bad}");
        }
    }
}
