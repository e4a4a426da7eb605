//! Children that end when this program does, however it ends.
//!
//! A Ctrl-C reaches the whole process group, so a child hears it by itself. But this program can also be ended alone (by a CI
//! runner, by `kill`), and std has no handler for that. So a small shell waits at the far end of a pipe: when this program is gone
//! the pipe closes, and the shell ends what is still on its list.

use std::io::Write;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Asks the listed processes to end when its input closes, and makes them end 10 s later.
const WATCH: &str = r#"
trap '' INT TERM HUP
pids=' '
while read -r sign pid; do
  case "$sign" in
    +) pids="$pids$pid " ;;
    -) case "$pids" in *" $pid "*) pids="${pids%% $pid *} ${pids#* $pid }" ;; esac ;;
  esac
done
for pid in $pids; do kill -TERM "$pid" 2>/dev/null; done
for second in 1 2 3 4 5 6 7 8 9 10; do
  left=''
  for pid in $pids; do kill -0 "$pid" 2>/dev/null && left=1; done
  [ -z "$left" ] && exit 0
  sleep 1
done
for pid in $pids; do kill -KILL "$pid" 2>/dev/null; done
"#;

/// Started processes; dropped, it ends them in the reverse order of their start.
pub struct Keeper {
    watch: Option<Child>,
    kept: Vec<(String, Child)>,
}

impl Keeper {
    /// A keeper of nothing yet. Without a shell (Windows) children are ended on drop only.
    pub fn new() -> Self {
        let watch = Command::new("sh").args(["-c", WATCH]).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().ok();
        Self { watch, kept: Vec::new() }
    }

    /// Starts a process and keeps it.
    pub fn start(&mut self, name: &str, command: &mut Command) -> std::io::Result<&mut Child> {
        let child = command.stdin(Stdio::null()).spawn()?;
        self.tell('+', child.id());
        self.kept.push((name.to_owned(), child));
        Ok(self.kept.last_mut().map(|(_, child)| child).expect("it was pushed in the line above"))
    }

    /// The name of the first process that has ended by itself, with whether it ended well; it is no longer kept.
    pub fn ended(&mut self) -> Option<(String, bool)> {
        let at = self.kept.iter_mut().position(|(_, child)| matches!(child.try_wait(), Ok(Some(_))))?;
        let (name, mut child) = self.kept.remove(at);
        self.tell('-', child.id());
        let well = child.wait().is_ok_and(|status| status.success());
        Some((name, well))
    }

    /// Ends the process of this name and waits for it.
    pub fn end(&mut self, name: &str) {
        if let Some(at) = self.kept.iter().position(|(kept, _)| kept == name) {
            let (_, mut child) = self.kept.remove(at);
            end(&mut child);
            self.tell('-', child.id());
        }
    }

    fn tell(&mut self, sign: char, pid: u32) {
        if let Some(pipe) = self.watch.as_mut().and_then(|watch| watch.stdin.as_mut()) {
            let _ = writeln!(pipe, "{sign} {pid}").and_then(|()| pipe.flush());
        }
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        while let Some((_, mut child)) = self.kept.pop() {
            end(&mut child);
            self.tell('-', child.id());
        }
        if let Some(mut watch) = self.watch.take() {
            drop(watch.stdin.take());
            let _ = watch.wait();
        }
    }
}

/// Asks a process to end, and makes it after 10 s: a server is to finish what it is writing.
fn end(child: &mut Child) {
    if cfg!(unix) {
        let _ = Command::new("sh").args(["-c", "kill -TERM \"$0\"", &child.id().to_string()]).stderr(Stdio::null()).status();
        let until = Instant::now() + Duration::from_secs(10);
        while Instant::now() < until {
            if !matches!(child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    let _ = child.kill();
    let _ = child.wait();
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    fn alive(pid: u32) -> bool {
        Command::new("sh").args(["-c", "kill -0 \"$0\"", &pid.to_string()]).stderr(Stdio::null()).status().unwrap().success()
    }

    #[test]
    fn dropping_ends_what_was_started() {
        let mut keeper = Keeper::new();
        let pid = keeper.start("sleeper", Command::new("sleep").arg("600")).unwrap().id();
        assert!(alive(pid));
        drop(keeper);
        assert!(!alive(pid), "the sleeper outlived its keeper");
    }

    #[test]
    fn one_that_ended_by_itself_is_told_once() {
        let mut keeper = Keeper::new();
        keeper.start("ends badly", Command::new("sh").args(["-c", "exit 3"])).unwrap();
        let told = std::iter::repeat_with(|| {
            std::thread::sleep(Duration::from_millis(5));
            keeper.ended()
        })
        .find_map(|ended| ended);
        assert_eq!(told, Some(("ends badly".to_owned(), false)));
        assert_eq!(keeper.ended(), None);
    }

    /// What the shell does when this program is gone: the pipe closes without a word.
    #[test]
    fn the_watch_ends_what_is_left_and_spares_what_was_taken_off() {
        let mut left = Command::new("sleep").arg("600").spawn().unwrap();
        let mut off = Command::new("sleep").arg("600").spawn().unwrap();
        let mut keeper = Keeper::new();
        keeper.tell('+', left.id());
        keeper.tell('+', off.id());
        keeper.tell('-', off.id());
        let mut watch = keeper.watch.take().unwrap();
        drop(watch.stdin.take());
        let ended = left.wait().unwrap();
        assert!(!ended.success(), "ended by a signal");
        assert!(off.try_wait().unwrap().is_none(), "the other one still runs");
        off.kill().unwrap();
        off.wait().unwrap();
        watch.wait().unwrap();
    }
}
