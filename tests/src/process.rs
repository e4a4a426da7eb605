//! Child processes that end with the test.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// A started program, its lines, and its end when this is dropped.
pub struct Process {
    child: Child,
    lines: Receiver<String>,
    name: String,
}

impl Process {
    /// Starts a program; what it prints is collected line by line.
    pub fn start(name: &str, command: &mut Command) -> Self {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|e| panic!("{name} does not start: {e}"));
        let (send, lines) = channel();
        let streams: [Option<Box<dyn std::io::Read + Send>>; 2] =
            [child.stdout.take().map(|s| Box::new(s) as _), child.stderr.take().map(|s| Box::new(s) as _)];
        for stream in streams.into_iter().flatten() {
            let send = send.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    if send.send(line).is_err() {
                        break;
                    }
                }
            });
        }
        Self { child, lines, name: name.to_owned() }
    }

    /// Waits for a line that begins so and gives the rest of it.
    pub fn wait_for(&self, beginning: &str) -> String {
        let until = Instant::now() + Duration::from_secs(60);
        let mut seen = Vec::new();
        while let Ok(line) = self.lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
            if let Some(rest) = line.strip_prefix(beginning) {
                return rest.trim().to_owned();
            }
            seen.push(line);
        }
        panic!("{} did not say {beginning:?}. It said:\n{}", self.name, seen.join("\n"));
    }

    /// Ends it hard, as a power cut would, and waits until it is gone.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Asks it to end and waits; true if it ended by itself.
    pub fn stop(&mut self) -> bool {
        let _ = Command::new("kill").arg(self.child.id().to_string()).status();
        let until = Instant::now() + Duration::from_secs(20);
        while Instant::now() < until {
            if matches!(self.child.try_wait(), Ok(Some(_))) {
                return true;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        self.kill();
        false
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}
