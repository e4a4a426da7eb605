//! One sentence for the person at the terminal: what could not be done, why, what to do.

use std::fmt;

/// The reason why a command stops. Printed once, at the end.
#[derive(Debug)]
pub struct Stop(String);

impl Stop {
    /// Stops with this sentence.
    pub fn new(sentence: impl Into<String>) -> Self {
        Self(sentence.into())
    }
}

impl fmt::Display for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
