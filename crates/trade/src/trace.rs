//! How a sum shows its working: formula, inputs, source and edition, range, cautions.

use serde::{Deserialize, Serialize};

/// One input of a sum as it is shown: symbol, what it is, and the value with its unit as text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    /// Symbol used in the formula, e.g. `P`.
    pub symbol: String,
    /// What the symbol stands for, in the trade's words (English; the screen translates by `symbol` and sum name).
    pub name: String,
    /// The value with its unit, e.g. `2750 psi`.
    pub value: String,
}

/// The working of one sum. Shown on demand beside its result; nothing in it is a verdict.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trace {
    /// Stable name of the rule, e.g. `wall.pg-27.2.1`.
    pub rule: String,
    /// The formula as text, e.g. `t = P D / (2 S + P) + 0.005 D + e`.
    pub formula: String,
    /// Inputs in the order of the formula.
    pub inputs: Vec<Input>,
    /// The result with its unit, as shown.
    pub result: String,
    /// Where the rule comes from, e.g. `ASME BPVC Section I, PG-27.2.1`.
    pub source: String,
    /// Edition of the source, or the words that say how it is known (`from memory`, `common practice, no source`).
    pub edition: String,
    /// The range inside which the rule may be used.
    pub range: String,
    /// Cautions that go with the number, as stable codes with English words (`code: words`).
    pub cautions: Vec<String>,
}

/// A value together with its working.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Traced<T> {
    /// The value.
    pub value: T,
    /// How it was worked out.
    pub trace: Trace,
}

/// Why a rule gives no number. Outside its range a rule never gives one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{words}")]
pub struct NoNumber {
    /// Stable code, e.g. `od-too-large`, `allowable-unknown`.
    pub code: String,
    /// A sentence for the person: what is missing or outside, and what to do.
    pub words: String,
}

/// The caution that goes with every sum.
pub const AID_ONLY: &str = "aid-only: This sum is an aid. The code of record, the owner's engineer and the authorised inspector decide.";

impl Input {
    /// An input as shown; `value` already carries its unit.
    pub fn new(symbol: &str, name: &str, value: impl Into<String>) -> Self {
        Self { symbol: symbol.to_owned(), name: name.to_owned(), value: value.into() }
    }

    /// An input that is a measure, shown as it was typed.
    pub fn of(symbol: &str, name: &str, value: &crate::Measure) -> Self {
        Self::new(symbol, name, value.shown())
    }
}

impl NoNumber {
    /// A refusal with a stable code and a sentence.
    pub fn new(code: &str, words: impl Into<String>) -> Self {
        Self { code: code.to_owned(), words: words.into() }
    }
}
