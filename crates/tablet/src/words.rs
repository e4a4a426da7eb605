//! A figure in words, to be read or spoken back: `12 3/16 in` is "twelve and three sixteenths inches". English and Spanish.

use trade::show::exact_text;
use trade::{Measure, Unit};

const SMALL_EN: [&str; 20] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
];
const TENS_EN: [&str; 10] = ["", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];
const SMALL_ES: [&str; 30] = [
    "cero",
    "uno",
    "dos",
    "tres",
    "cuatro",
    "cinco",
    "seis",
    "siete",
    "ocho",
    "nueve",
    "diez",
    "once",
    "doce",
    "trece",
    "catorce",
    "quince",
    "dieciséis",
    "diecisiete",
    "dieciocho",
    "diecinueve",
    "veinte",
    "veintiuno",
    "veintidós",
    "veintitrés",
    "veinticuatro",
    "veinticinco",
    "veintiséis",
    "veintisiete",
    "veintiocho",
    "veintinueve",
];
const TENS_ES: [&str; 10] = ["", "", "", "treinta", "cuarenta", "cincuenta", "sesenta", "setenta", "ochenta", "noventa"];
const HUNDREDS_ES: [&str; 10] =
    ["", "ciento", "doscientos", "trescientos", "cuatrocientos", "quinientos", "seiscientos", "setecientos", "ochocientos", "novecientos"];

/// The figure in words with its unit, in `es` or else English. `None` beyond a million, where nobody reads words.
pub(crate) fn of(measure: &Measure, lang: &str) -> Option<String> {
    let spanish = lang == "es";
    let text = exact_text(&measure.value, measure.unit);
    let (minus, text) = text.strip_prefix('-').map_or((false, text.as_str()), |t| (true, t));
    let figure = if spanish { figure(text, &SPANISH)? } else { figure(text, &ENGLISH)? };
    let sign = match (minus, spanish) {
        (false, _) => "",
        (true, true) => "menos ",
        (true, false) => "minus ",
    };
    Some(format!("{sign}{figure} {}", unit(measure.unit, text == "1", spanish)))
}

struct Language {
    whole: fn(u32) -> Option<String>,
    digit: fn(u32) -> &'static str,
    part: fn(u32, u32) -> Option<String>,
    and: &'static str,
    point: &'static str,
}

const ENGLISH: Language = Language { whole: whole_en, digit: |d| SMALL_EN[d as usize % 10], part: part_en, and: "and", point: "point" };
const SPANISH: Language = Language { whole: whole_es, digit: |d| SMALL_ES[d as usize % 10], part: part_es, and: "y", point: "punto" };

/// `12`, `12.188`, `3/16` or `12 3/16`.
fn figure(text: &str, lang: &Language) -> Option<String> {
    if let Some((whole, fraction)) = text.split_once(' ') {
        return Some(format!("{} {} {}", (lang.whole)(whole.parse().ok()?)?, lang.and, fraction_words(fraction, lang)?));
    }
    if text.contains('/') {
        return fraction_words(text, lang);
    }
    let (whole, places) = text.split_once('.').unwrap_or((text, ""));
    let mut words = (lang.whole)(whole.parse().ok()?)?;
    if !places.is_empty() {
        words = format!("{words} {}", lang.point);
        for digit in places.chars() {
            words = format!("{words} {}", (lang.digit)(digit.to_digit(10)?));
        }
    }
    Some(words)
}

fn fraction_words(text: &str, lang: &Language) -> Option<String> {
    let (num, den) = text.split_once('/')?;
    (lang.part)(num.parse().ok()?, den.parse().ok()?)
}

fn part_en(num: u32, den: u32) -> Option<String> {
    let name = match den {
        2 => "half",
        4 => "quarter",
        8 => "eighth",
        16 => "sixteenth",
        32 => "thirty-second",
        64 => "sixty-fourth",
        _ => return Some(format!("{} over {}", whole_en(num)?, whole_en(den)?)),
    };
    let many = if num == 1 { "" } else { "s" };
    Some(format!("{} {name}{many}", whole_en(num)?))
}

fn part_es(num: u32, den: u32) -> Option<String> {
    let (one, many) = match den {
        2 => ("medio", "medios"),
        4 => ("cuarto", "cuartos"),
        8 => ("octavo", "octavos"),
        16 => ("dieciseisavo", "dieciseisavos"),
        32 => ("treintaidosavo", "treintaidosavos"),
        64 => ("sesentaicuatroavo", "sesentaicuatroavos"),
        _ => return Some(format!("{} sobre {}", whole_es(num)?, whole_es(den)?)),
    };
    if num == 1 { Some(if den == 2 { one.to_owned() } else { format!("un {one}") }) } else { Some(format!("{} {many}", whole_es(num)?)) }
}

fn whole_en(n: u32) -> Option<String> {
    let below_100 = |n: u32| match (n / 10, n % 10) {
        (0 | 1, _) => SMALL_EN[n as usize].to_owned(),
        (tens, 0) => TENS_EN[tens as usize].to_owned(),
        (tens, ones) => format!("{}-{}", TENS_EN[tens as usize], SMALL_EN[ones as usize]),
    };
    Some(match n {
        0..=99 => below_100(n),
        100..=999 if n.is_multiple_of(100) => format!("{} hundred", below_100(n / 100)),
        100..=999 => format!("{} hundred {}", below_100(n / 100), below_100(n % 100)),
        1_000..=999_999 if n.is_multiple_of(1000) => format!("{} thousand", whole_en(n / 1000)?),
        1_000..=999_999 => format!("{} thousand {}", whole_en(n / 1000)?, whole_en(n % 1000)?),
        _ => return None,
    })
}

fn whole_es(n: u32) -> Option<String> {
    let below_100 = |n: u32| match (n / 10, n % 10) {
        (0..=2, _) => SMALL_ES[n as usize].to_owned(),
        (tens, 0) => TENS_ES[tens as usize].to_owned(),
        (tens, ones) => format!("{} y {}", TENS_ES[tens as usize], SMALL_ES[ones as usize]),
    };
    Some(match n {
        0..=99 => below_100(n),
        100 => "cien".to_owned(),
        101..=999 if n.is_multiple_of(100) => HUNDREDS_ES[(n / 100) as usize].to_owned(),
        101..=999 => format!("{} {}", HUNDREDS_ES[(n / 100) as usize], below_100(n % 100)),
        1_000 => "mil".to_owned(),
        1_001..=1_999 => format!("mil {}", whole_es(n % 1000)?),
        2_000..=999_999 if n.is_multiple_of(1000) => format!("{} mil", thousands_es(n / 1000)?),
        2_000..=999_999 => format!("{} mil {}", thousands_es(n / 1000)?, whole_es(n % 1000)?),
        _ => return None,
    })
}

/// Before `mil` a final `uno` is shortened: treinta y un mil, veintiún mil.
fn thousands_es(n: u32) -> Option<String> {
    let words = whole_es(n)?;
    Some(match words.strip_suffix("veintiuno") {
        Some(front) => format!("{front}veintiún"),
        None => words.strip_suffix("uno").map_or_else(|| words.clone(), |front| format!("{front}un")),
    })
}

fn unit(unit: Unit, one: bool, spanish: bool) -> &'static str {
    match (unit, spanish, one) {
        (Unit::Inch, false, true) => "inch",
        (Unit::Inch, false, false) => "inches",
        (Unit::Inch, true, true) => "pulgada",
        (Unit::Inch, true, false) => "pulgadas",
        (Unit::Foot, false, true) => "foot",
        (Unit::Foot, false, false) => "feet",
        (Unit::Foot, true, true) => "pie",
        (Unit::Foot, true, false) => "pies",
        (Unit::Millimetre, false, true) => "millimetre",
        (Unit::Millimetre, false, false) => "millimetres",
        (Unit::Millimetre, true, true) => "milímetro",
        (Unit::Millimetre, true, false) => "milímetros",
        (Unit::Metre, false, true) => "metre",
        (Unit::Metre, false, false) => "metres",
        (Unit::Metre, true, true) => "metro",
        (Unit::Metre, true, false) => "metros",
        (Unit::Psi, ..) => "psi",
        (Unit::Megapascal, false, _) => "megapascals",
        (Unit::Megapascal, true, _) => "megapascales",
        (Unit::Bar, ..) => "bar",
        (Unit::Celsius, false, _) => "degrees Celsius",
        (Unit::Celsius, true, _) => "grados Celsius",
        (Unit::Fahrenheit, false, _) => "degrees Fahrenheit",
        (Unit::Fahrenheit, true, _) => "grados Fahrenheit",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_read_back_in_words() {
        for (typed, unit, lang, want) in [
            ("12 3/16", Unit::Inch, "en", "twelve and three sixteenths inches"),
            ("3/8", Unit::Inch, "en", "three eighths inches"),
            ("0.171", Unit::Inch, "en", "zero point one seven one inches"),
            ("310", Unit::Millimetre, "en", "three hundred ten millimetres"),
            ("1", Unit::Foot, "en", "one foot"),
            ("-4", Unit::Fahrenheit, "en", "minus four degrees Fahrenheit"),
            ("2750", Unit::Psi, "en", "two thousand seven hundred fifty psi"),
            ("20 9/16", Unit::Inch, "es", "veinte y nueve dieciseisavos pulgadas"),
            ("309.6", Unit::Millimetre, "es", "trescientos nueve punto seis milímetros"),
            ("21000", Unit::Psi, "es", "veintiún mil psi"),
        ] {
            let got = of(&Measure::parse(typed, unit, None).unwrap(), lang);
            println!("{typed} {unit:?} -> {got:?}");
            assert_eq!(got.as_deref(), Some(want));
        }
        assert_eq!(of(&Measure::parse("2000000", Unit::Psi, None).unwrap(), "en"), None, "nobody reads such words");
    }
}
