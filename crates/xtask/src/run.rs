//! Running other programs: shown as they go, or read.

use crate::stop::Stop;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};

/// A heading above what a step prints.
pub fn heading(words: &str) {
    println!("\n== {words}");
    // Else the heading comes after the output of the program it announces when stdout is a file.
    let _ = std::io::stdout().flush();
}

/// Runs to the end; `Err` says what could not be done, that the program's own words are above, and what to do.
pub fn must(command: &mut Command, cannot: &str, then: &str) -> Result<(), Stop> {
    let name = name(command);
    match command.stdin(Stdio::null()).status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(Stop::new(format!("{cannot} ({name} ended with {}; its own words are above). {then}", ended(status)))),
        Err(error) => Err(Stop::new(format!("{cannot} ({name} could not be started: {error}). {then}"))),
    }
}

/// What a program prints, if it can be started and ends well. Its complaints are swallowed.
pub fn read(command: &mut Command) -> Option<String> {
    let output = command.stdin(Stdio::null()).stderr(Stdio::null()).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Runs to the end, shows each line of its stdout and hands it to `each` as well.
pub fn watched(command: &mut Command, mut each: impl FnMut(&str)) -> bool {
    let name = name(command);
    let started = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn();
    let mut child = match started {
        Ok(child) => child,
        Err(error) => {
            eprintln!("{name} could not be started: {error}");
            return false;
        }
    };
    if let Some(stdout) = child.stdout.take() {
        let mut reader = BufReader::new(stdout);
        let mut line = Vec::new();
        // Bytes, not text: a test may print anything, and one bad byte must not hide the lines after it.
        while reader.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
            let text = String::from_utf8_lossy(&line);
            print!("{text}");
            each(text.trim_end());
            line.clear();
        }
        let _ = std::io::stdout().flush();
    }
    child.wait().is_ok_and(|status| status.success())
}

fn name(command: &Command) -> String {
    std::path::Path::new(command.get_program()).file_name().unwrap_or(command.get_program()).to_string_lossy().into_owned()
}

fn ended(status: std::process::ExitStatus) -> String {
    status.code().map_or_else(|| "a signal".to_owned(), |code| format!("code {code}"))
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_program_gives_one_sentence_with_its_name_and_code() {
        let stop = must(Command::new("sh").args(["-c", "exit 7"]), "The screens could not be built", "Do this.").unwrap_err().to_string();
        assert_eq!(stop, "The screens could not be built (sh ended with code 7; its own words are above). Do this.");
        let stop = must(&mut Command::new("/nowhere/tool"), "X", "Y.").unwrap_err().to_string();
        assert!(stop.starts_with("X (tool could not be started: ") && stop.ends_with("Y."), "{stop}");
    }

    #[test]
    fn lines_are_seen_even_after_bytes_that_are_not_text() {
        let mut seen = Vec::new();
        let well = watched(Command::new("sh").args(["-c", r"printf 'a\n\377\nlast'"]), |line| seen.push(line.to_owned()));
        assert!(well);
        assert_eq!((seen.len(), seen[0].as_str(), seen[2].as_str()), (3, "a", "last"));
        assert!(!watched(Command::new("sh").args(["-c", "exit 1"]), |_| ()), "a failure is a failure");
    }
}
