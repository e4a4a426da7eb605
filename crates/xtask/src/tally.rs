//! Counting tests in what the runners print: cargo's test harness, vitest and node's own runner.

use std::fmt;

/// How many tests passed, failed, and were left out.
#[derive(Debug, Default, PartialEq, Eq, Clone, Copy)]
pub struct Tally {
    /// Ran and held.
    pub passed: u32,
    /// Ran and did not hold.
    pub failed: u32,
    /// Marked as not to be run.
    pub ignored: u32,
}

impl Tally {
    /// Reads one line of a runner's output; other lines count nothing.
    pub fn line(&mut self, line: &str) {
        let plain = uncoloured(line);
        let plain = plain.trim();
        if let Some(rest) = plain.strip_prefix("test result: ") {
            self.add(number_before(rest, "passed"), number_before(rest, "failed"), number_before(rest, "ignored"));
        } else if let Some(rest) = plain.strip_prefix("Tests ").filter(|rest| rest.ends_with(')')) {
            self.add(number_before(rest, "passed"), number_before(rest, "failed"), number_before(rest, "skipped"));
        } else if let Some(rest) = plain.strip_prefix("# ").or_else(|| plain.strip_prefix("ℹ ")) {
            let of = |word| rest.strip_prefix(word).and_then(|n| n.trim().parse().ok()).unwrap_or(0);
            self.add(of("pass "), of("fail "), of("skipped "));
        }
    }

    const fn add(&mut self, passed: u32, failed: u32, ignored: u32) {
        self.passed += passed;
        self.failed += failed;
        self.ignored += ignored;
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} passed, {} failed", self.passed, self.failed)
    }
}

/// The number in front of a word, as in `3 passed; 1 failed`; 0 if it is not there.
fn number_before(text: &str, word: &str) -> u32 {
    let words: Vec<&str> = text.split([' ', ';', ',', '|', '(', ')']).filter(|w| !w.is_empty()).collect();
    words.windows(2).find(|pair| pair[1] == word).and_then(|pair| pair[0].parse().ok()).unwrap_or(0)
}

fn uncoloured(line: &str) -> String {
    let mut out = String::with_capacity(line.len());
    let mut chars = line.chars();
    while let Some(c) = chars.next() {
        if c == '\u{1b}' {
            // A colour is ESC [ ... letter.
            chars.by_ref().find(char::is_ascii_alphabetic);
        } else {
            out.push(c);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(lines: &[&str]) -> Tally {
        let mut tally = Tally::default();
        lines.iter().for_each(|line| tally.line(line));
        tally
    }

    #[test]
    fn cargo_is_summed_over_its_binaries() {
        let lines = [
            "running 12 tests",
            "test a ... ok",
            "test result: ok. 12 passed; 0 failed; 1 ignored; 0 measured; 0 filtered out; finished in 0.02s",
            "test result: FAILED. 3 passed; 2 failed; 0 ignored; 0 measured; 0 filtered out; finished in 0.02s",
        ];
        assert_eq!(of(&lines), Tally { passed: 15, failed: 2, ignored: 1 });
    }

    #[test]
    fn vitest_counts_its_tests_and_not_its_files() {
        assert_eq!(
            of(&[" Test Files  1 failed | 3 passed (4)", "      Tests  1 failed | 20 passed | 2 skipped (23)"]),
            Tally { passed: 20, failed: 1, ignored: 2 }
        );
        assert_eq!(
            of(&["\u{1b}[2m      Tests \u{1b}[22m \u{1b}[1m\u{1b}[32m9 passed\u{1b}[39m\u{1b}[22m\u{1b}[90m (9)\u{1b}[39m"]),
            Tally { passed: 9, failed: 0, ignored: 0 }
        );
    }

    #[test]
    fn node_counts_in_both_of_its_forms() {
        assert_eq!(of(&["# tests 5", "# pass 4", "# fail 1", "# skipped 0"]), Tally { passed: 4, failed: 1, ignored: 0 });
        assert_eq!(of(&["ℹ tests 5", "ℹ pass 5", "ℹ fail 0"]), Tally { passed: 5, failed: 0, ignored: 0 });
    }

    #[test]
    fn other_lines_count_nothing() {
        assert_eq!(of(&["3 passed, 4 failed", "Tests are good (really)", "# passing 9 gates", ""]), Tally::default());
        assert_eq!(Tally { passed: 2, failed: 0, ignored: 9 }.to_string(), "2 passed, 0 failed");
    }
}
