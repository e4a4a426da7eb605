//! `tubewright-prove list`, `tubewright-prove PART [--count N] [--seconds S] [--seed N] [--json FILE]`.

use proof::{Book, Budget, Figure, PARTS, Part};
use std::process::ExitCode;
use std::time::{Duration, Instant};

const USAGE: &str = "\
tubewright-prove: proves what is claimed of the records

  tubewright-prove list                 the parts and their claims
  tubewright-prove publish --commit C --machine M FILE...
                                        renews docs/figures.md and docs/figures.json in this folder
  tubewright-prove PART [options]       runs one part; `all` runs every one
      --count N      at least N cases
      --seconds S    go on for S seconds, and try every point where a part has a whole
      --seed N       where all chance comes from (1)
      --json FILE    also writes what was counted
";

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let Some((name, rest)) = args.split_first() else {
        eprint!("{USAGE}");
        return ExitCode::from(2);
    };
    if name == "list" {
        for part in PARTS {
            println!("{}\t{}\t{}", part.name, part.weight, part.claim);
        }
        return ExitCode::SUCCESS;
    }
    if name == "publish" {
        return match publish(rest) {
            Ok(()) => ExitCode::SUCCESS,
            Err(words) => {
                eprintln!("{words}");
                ExitCode::FAILURE
            }
        };
    }
    let chosen: Vec<&Part> = PARTS.iter().filter(|p| name == "all" || p.name == name).collect();
    if chosen.is_empty() {
        eprintln!("There is no part {name:?}.\n\n{USAGE}");
        return ExitCode::from(2);
    }
    match Options::read(rest) {
        Ok(options) => run(&chosen, &options),
        Err(words) => {
            eprintln!("{words}\n\n{USAGE}");
            ExitCode::from(2)
        }
    }
}

/// Adds what was counted to the published figures.
fn publish(args: &[String]) -> Result<(), String> {
    const JSON: &str = "docs/figures.json";
    let [commit_name, commit, machine_name, machine, files @ ..] = args else { return Err(USAGE.to_owned()) };
    if commit_name != "--commit" || machine_name != "--machine" {
        return Err(USAGE.to_owned());
    }
    let mut book: Book = match std::fs::read_to_string(JSON) {
        Ok(text) => serde_json::from_str(&text).map_err(|e| format!("{JSON} cannot be read: {e}"))?,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Book::default(),
        Err(e) => return Err(format!("{JSON} cannot be read: {e}")),
    };
    for file in files {
        let text = std::fs::read_to_string(file).map_err(|e| format!("{file} cannot be read: {e}"))?;
        let figures: Vec<Figure> = serde_json::from_str(&text).map_err(|e| format!("{file} holds no figures: {e}"))?;
        book.add(figures, commit, machine);
    }
    let text = serde_json::to_string_pretty(&book).expect("figures are plain");
    let written = std::fs::write(JSON, text + "\n").and_then(|()| std::fs::write("docs/figures.md", book.page()));
    written.map_err(|e| format!("The figures cannot be written: {e}"))
}

#[derive(Default)]
struct Options {
    count: Option<u64>,
    seconds: Option<u64>,
    seed: Option<u64>,
    json: Option<String>,
}

impl Options {
    fn read(args: &[String]) -> Result<Self, String> {
        let mut options = Self::default();
        for pair in args.chunks(2) {
            let [name, value] = pair else { return Err(format!("{} needs a value after it.", pair[0])) };
            let number = || value.parse().map_err(|_| format!("{name} {value:?} is not a whole number."));
            match name.as_str() {
                "--count" => options.count = Some(number()?),
                "--seconds" => options.seconds = Some(number()?),
                "--seed" => options.seed = Some(number()?),
                "--json" => options.json = Some(value.clone()),
                other => return Err(format!("{other:?} is not an option.")),
            }
        }
        Ok(options)
    }

    fn budget(&self, parts: usize) -> Budget {
        let seed = self.seed.unwrap_or(1);
        let mut budget = Budget { seed, ..Budget::small() };
        if let Some(seconds) = self.seconds {
            budget = Budget::large(seed, Duration::from_secs(seconds / parts as u64));
        }
        budget.count = self.count;
        budget
    }
}

fn run(parts: &[&Part], options: &Options) -> ExitCode {
    let mut figures: Vec<Figure> = Vec::new();
    for part in parts {
        println!("{}: {}", part.name, part.claim);
        let start = Instant::now();
        let mut figure = (part.run)(&options.budget(parts.len()));
        part.name.clone_into(&mut figure.part);
        for (what, n) in &figure.counts {
            println!("  {n:>12} {what}");
        }
        for note in &figure.notes {
            println!("  note: {note}");
        }
        for failure in &figure.failures {
            println!("  FAILED: {failure}");
        }
        println!("  {:.1} s, {:.1} s of processor", start.elapsed().as_secs_f64(), figure.cpu_s);
        figures.push(figure);
    }
    if let Some(path) = &options.json {
        let text = serde_json::to_string_pretty(&figures).expect("figures are plain");
        if let Err(e) = std::fs::write(path, text) {
            eprintln!("{path} cannot be written: {e}");
            return ExitCode::FAILURE;
        }
    }
    if figures.iter().all(|f| f.failures.is_empty()) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
