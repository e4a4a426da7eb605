//! What is said to people: a stable code with parameters, translated on the screen, and English words for everyone else.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// A sentence for a person. Screens translate by `code` and `with`; logs and scripts show `words`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Say {
    /// Stable code, e.g. `gap-missing`.
    pub code: String,
    /// Values to put into the sentence.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub with: BTreeMap<String, String>,
    /// The sentence in English: what happened, what is safe, what to do next.
    pub words: String,
}

impl Say {
    /// A sentence without parameters.
    pub fn new(code: &str, words: impl Into<String>) -> Self {
        Self { code: code.to_owned(), with: BTreeMap::new(), words: words.into() }
    }

    /// Adds a parameter.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl ToString) -> Self {
        self.with.insert(name.to_owned(), value.to_string());
        self
    }
}

impl fmt::Display for Say {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words)
    }
}

impl std::error::Error for Say {}

/// A measure as text: what was typed, with its unit (`20 9/16 in`, `370 °C`). Feet and inches carry their own marks.
pub fn text(measure: &trade::Measure) -> String {
    match measure.unit {
        trade::Unit::Celsius => format!("{} °C", measure.typed),
        trade::Unit::Fahrenheit => format!("{} °F", measure.typed),
        trade::Unit::Foot if measure.typed.contains('\'') => measure.typed.clone(),
        unit => format!("{} {}", measure.typed, unit.symbol()),
    }
}

/// A field's path in the trade's words: `gap/6` is "gap at 6 o'clock".
pub fn field_words(path: &str) -> String {
    let mut parts = path.split('/');
    match (parts.next(), parts.next(), parts.next()) {
        (Some("gap"), Some(clock), None) => format!("gap at {clock} o'clock"),
        (Some("joint"), Some(joint), Some(what)) => format!("{} of the {joint} joint", what.replace('-', " ")),
        (Some("before-work"), Some(check), None) => format!("before-work check {}", check.replace('-', " ")),
        _ => path.replace('-', " "),
    }
}

/// Several fields in words.
pub fn fields_words(paths: &[String]) -> String {
    paths.iter().map(|p| field_words(p)).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_said_in_words() {
        let all = [
            ("gap/6", "gap at 6 o'clock"),
            ("joint/upper/fit-up", "fit up of the upper joint"),
            ("second-count", "second count"),
            ("before-work/gas-test", "before-work check gas test"),
            ("piece", "piece"),
        ];
        for (path, words) in all {
            assert_eq!(field_words(path), words);
        }
    }
}
