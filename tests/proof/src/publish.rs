//! `docs/figures.md`: what the proofs counted, written by the program that counted it, never typed.
//!
//! Beside the page lies the same as JSON, so that a run of one part renews its own line and leaves the others, each with
//! the commit it was counted on.

use crate::{Figure, PARTS};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt::Write;

/// One part's last large run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Published {
    /// What was counted.
    pub figure: Figure,
    /// The commit it was counted on.
    pub commit: String,
    /// What machine.
    pub machine: String,
}

/// All parts that were ever run large.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Book(pub BTreeMap<String, Published>);

/// Claims of what the test command counts by other means than a [`crate::Part`].
const OTHERS: &[(&str, &str, &str)] = &[
    (
        "properties",
        "No property of the sums, the journal, the fold, the store or the exchange has a counter-example.",
        "cargo xtask prove properties",
    ),
    ("fuzz", "No input makes a decoder crash, hang or accept what it must not.", "cargo xtask prove fuzz"),
    ("mutants", "A change of the code's meaning is noticed by a test.", "cargo xtask prove mutants"),
];

impl Book {
    /// Renews the line of each figure.
    pub fn add(&mut self, figures: Vec<Figure>, commit: &str, machine: &str) {
        for figure in figures {
            let published = Published { commit: commit.to_owned(), machine: machine.to_owned(), figure };
            self.0.insert(published.figure.part.clone(), published);
        }
    }

    /// The page.
    pub fn page(&self) -> String {
        let mut out = String::from(
            "# Figures reached\n\nWritten by `cargo xtask prove [--hours N] [PART]`; nobody types here. `cargo xtask test` runs the same parts small.\n\
             A count is of cases that held unless the line says failures. Each line names the commit it was counted on and the command\n\
             that counts it again. What the proofs have found so far: [bugs-found.md](bugs-found.md). What they do not cover:\n\
             [threat-model.md](threat-model.md).\n",
        );
        let claims = PARTS.iter().map(|p| (p.name, p.claim, format!("cargo xtask prove {}", p.name)));
        let others = OTHERS.iter().map(|(name, claim, command)| (*name, *claim, (*command).to_owned()));
        for (name, claim, command) in claims.chain(others) {
            // Writing to a string cannot fail.
            let _ = write!(out, "\n## {name}\n\n{claim}\n\n");
            match self.0.get(name) {
                Some(published) => published.lines(&mut out, &command),
                None => drop(writeln!(out, "Not run large yet. `{command}`")),
            }
        }
        out
    }
}

impl Published {
    fn lines(&self, out: &mut String, command: &str) {
        let figure = &self.figure;
        let _ = writeln!(out, "| count | of |\n|---:|---|");
        for (what, n) in &figure.counts {
            let _ = writeln!(out, "| {} | {what} |", grouped(*n));
        }
        let _ = writeln!(out, "| **{}** | **failures** |", figure.failures.len());
        let _ = writeln!(out, "\n{} of processor time on {}, commit {}. `{command}`", time(figure.cpu_s), self.machine, self.commit);
        for note in &figure.notes {
            let _ = writeln!(out, "\n{note}");
        }
        for failure in &figure.failures {
            let _ = writeln!(out, "\n**Failed:** {failure}");
        }
    }
}

fn time(seconds: f64) -> String {
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.1} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

/// `1234567` as `1,234,567`.
fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_renews_its_own_line_and_leaves_the_others() {
        let mut book = Book::default();
        let mut figure = Figure { part: "properties".into(), cpu_s: 4000.0, ..Figure::default() };
        figure.add("cases", 1_234_567);
        book.add(vec![figure.clone()], "abc1234", "2 cores");
        book.add(vec![Figure { part: "fuzz".into(), failures: vec!["entry: hang".into()], ..Figure::default() }], "def5678", "2 cores");
        let page = book.page();
        println!("{page}");
        assert!(page.contains("| 1,234,567 | cases |") && page.contains("66.7 min") && page.contains("abc1234"));
        assert!(page.contains("**Failed:** entry: hang") && page.contains("| **1** | **failures** |"));
        let kept: Book = serde_json::from_str(&serde_json::to_string(&book).unwrap()).unwrap();
        assert_eq!(kept, book);
    }
}
