//! Measurements as the person typed them: exact rationals with a unit and the instrument's mark.
//!
//! The rational is the truth for sums, equality and print: 1/16 in is 1587.5 µm, not a whole number of micrometres,
//! and 20 9/16 + 7/16 must be 21. The integer beside it (`base`) only sorts and draws.

pub use crate::ratio::{Ratio, Round};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

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
        Ok(Self { typed: typed.trim().to_owned(), value, unit, mark })
    }

    /// A measure from an exact value; `typed` is made from it.
    pub fn exact(value: Ratio, unit: Unit) -> Self {
        Self { typed: crate::show::exact_text(&value, unit), value, unit, mark: None }
    }

    /// True where the text, read again, gives the value: a figure from elsewhere that says one thing and is worth another is false.
    ///
    /// Never asked of a result: a cut length shows the nearest mark and is worth the exact figure.
    pub fn is_as_typed(&self) -> bool {
        Self::parse(&self.typed, self.unit, None).is_ok_and(|again| again.value == self.value)
    }

    /// The value as typed, with its unit: `12 3/16 in`, `330 °C`. Feet and inches carry their own marks.
    pub fn shown(&self) -> String {
        if self.unit == Unit::Foot && self.typed.contains('\'') {
            return self.typed.clone();
        }
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
        self.base().and_then(|b| b.sub(offset)).and_then(|b| b.div(factor)).ok_or(MeasureError::Overflow)
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
        Err(MeasureError::WrongUnit { unit: self.unit.symbol().to_owned(), wanted: wanted.to_owned() })
    }

    /// Equal as a quantity, exactly, whatever the unit: 20 1/2 in equals 520.7 mm.
    pub fn same_quantity(&self, other: &Self) -> bool {
        if self.unit == other.unit {
            return self.value == other.value;
        }
        self.unit.dimension() == other.unit.dimension() && self.base().is_some() && self.base() == other.base()
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
                (self.value.to_f64() * from.to_f64() + from_zero.to_f64() - to_zero.to_f64()) / to.to_f64()
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
    let inches = if inches.is_empty() { Ratio::whole(0) } else { parse_ratio(inches)? };
    if inches < Ratio::whole(0) || inches >= Ratio::whole(12) {
        return Err(bad());
    }
    inches.div(Ratio::whole(12)).and_then(|i| feet.add(i)).ok_or(MeasureError::Overflow)
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
    let (sign, text_abs) = text.strip_prefix('-').map_or((1, text), |t| (-1, t.trim_start()));
    let parts: Vec<&str> = text_abs.split_whitespace().collect();
    let value = match parts.as_slice() {
        [one] if one.contains('/') => parse_fraction(one, false).map_err(|e| e.unwrap_or_else(bad))?,
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
    if whole.is_empty() && places.is_empty() || !digits(whole) || !digits(places) || whole.len() > 9 || places.len() > 6 {
        return None;
    }
    let den = 10_i64.checked_pow(u32::try_from(places.len()).ok()?)?;
    let whole: i64 = if whole.is_empty() { 0 } else { whole.parse().ok()? };
    let places: i64 = if places.is_empty() { 0 } else { places.parse().ok()? };
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
        let sum = m("20 9/16", Unit::Inch).value.add(m("7/16", Unit::Inch).value).unwrap();
        assert_eq!(sum, Ratio::whole(21));
        assert_eq!(m("1/16", Unit::Inch).base().unwrap(), Ratio::new(3175, 2).unwrap());
        assert!(m("20 1/2", Unit::Inch).same_quantity(&m("520.7", Unit::Millimetre)));
        assert!(m("32", Unit::Fahrenheit).same_quantity(&m("0", Unit::Celsius)));
        assert!(m("212", Unit::Fahrenheit).same_quantity(&m("100", Unit::Celsius)));
    }

    #[test]
    fn feet_and_inches_are_read() {
        assert!(m("54' 6\"", Unit::Foot).same_quantity(&m("654", Unit::Inch)));
        assert!(m("54'", Unit::Foot).same_quantity(&m("54", Unit::Foot)));
        assert!(Measure::parse("54' 12\"", Unit::Foot, None).is_err(), "12 inches are another foot");
        assert!(Measure::parse("54' 13\"", Unit::Foot, None).is_err());
        assert!(Measure::parse("54' 6\"", Unit::Inch, None).is_err());
    }

    #[test]
    fn what_cannot_be_read_is_refused_with_words() {
        for bad in
            ["", "abc", "12 3", "1/0", "12 17/16", "12 16/16", "12 3/", "4,75", "1.2.3", "--3", "1e3", "12.5 1/2", "NaN", "9999999999"]
        {
            let got = Measure::parse(bad, Unit::Inch, None);
            println!("{bad:?} -> {got:?}");
            assert!(got.is_err(), "{bad}");
        }
    }
}
