//! What a person types as a figure.

use trade::{Measure, Ratio, Unit};

const UNITS: [Unit; 9] =
    [Unit::Inch, Unit::Foot, Unit::Millimetre, Unit::Metre, Unit::Psi, Unit::Megapascal, Unit::Bar, Unit::Celsius, Unit::Fahrenheit];

/// The first byte chooses the unit, the rest is the text.
pub fn check(bytes: &[u8]) {
    let Some((which, text)) = bytes.split_first() else { return };
    let Ok(text) = std::str::from_utf8(text) else { return };
    let unit = UNITS[usize::from(*which) % UNITS.len()];
    let read = Measure::parse(text, unit, None);
    if !text.contains('\'') {
        let naive = naive(text.trim());
        assert_eq!(read.as_ref().ok().map(|m| m.value), naive, "{text:?} read twice");
    }
    let Ok(measure) = read else { return };
    assert_eq!(measure.typed, text.trim(), "what was typed is kept");
    assert!(measure.is_as_typed());
    let json = serde_json::to_string(&measure).expect("plain");
    assert_eq!(serde_json::from_str::<Measure>(&json).ok().as_ref(), Some(&measure));
    let exact = Measure::exact(measure.value, unit);
    if let Ok(again) = Measure::parse(&exact.typed, unit, None) {
        assert_eq!(again.value, measure.value, "{} shows another figure", exact.typed);
    }
    for other in UNITS {
        in_other_unit(&measure, other);
    }
    drop(trade::show::other_unit(&measure));
    assert!(measure.si_f64().is_finite());
}

fn in_other_unit(measure: &Measure, other: Unit) {
    let Ok(value) = measure.in_unit(other) else { return };
    let there = Measure { typed: String::new(), value, unit: other, mark: None };
    if let Ok(back) = there.in_unit(measure.unit) {
        assert_eq!(back, measure.value, "there and back is exact");
        assert!(measure.same_quantity(&there) || measure.base().is_none());
    }
    if let (Some(a), Some(b)) = (measure.cmp_quantity(&there), there.cmp_quantity(measure)) {
        assert_eq!(a, b.reverse());
    }
}

/// A second reading of the rule, by figures alone: `-? whole`, `whole.places`, `n/d`, `whole n/d`.
fn naive(text: &str) -> Option<Ratio> {
    if text.is_empty() || text.len() > 24 {
        return None;
    }
    let (negative, rest) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest.trim_start()));
    let mut parts = rest.split_whitespace();
    let (first, second) = (parts.next()?, parts.next());
    if parts.next().is_some() {
        return None;
    }
    let (num, den) = match second {
        None if first.contains('/') => tape(first, false)?,
        None => decimal(first)?,
        Some(second) => {
            let whole: i128 = figures(first, 1, 9)?;
            let (n, d) = tape(second, true)?;
            (whole * d + n, d)
        }
    };
    let num = if negative { -num } else { num };
    Ratio::new(i64::try_from(num).ok()?, i64::try_from(den).ok()?)
}

fn figures(text: &str, least: usize, most: usize) -> Option<i128> {
    ((least..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())).then_some(())?;
    Some(text.bytes().fold(0, |n, b| n * 10 + i128::from(b - b'0')))
}

fn tape(text: &str, proper: bool) -> Option<(i128, i128)> {
    let (n, d) = text.split_once('/')?;
    let (n, d) = (figures(n, 1, 4)?, figures(d, 1, 4)?);
    (d != 0 && (!proper || n < d)).then_some((n, d))
}

fn decimal(text: &str) -> Option<(i128, i128)> {
    let (whole, places) = text.split_once('.').unwrap_or((text, ""));
    (!whole.is_empty() || !places.is_empty()).then_some(())?;
    let den = 10_i128.pow(u32::try_from(places.len()).ok().filter(|n| *n <= 6)?);
    Some((figures(whole, 0, 9)? * den + figures(places, 0, 6)?, den))
}
