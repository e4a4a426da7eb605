//! The command line.

use crate::backups::Schedule;
use std::net::SocketAddr;
use std::path::PathBuf;

/// What the program says about itself.
pub const USAGE: &str = "\
tubewright-server: merges the tablets' records in the trailer and serves the board

  tubewright-server init --data FOLDER --plan FILE
      loads or changes the outage plan (JSON; a person's PIN as \"pin_plain\")
  tubewright-server serve --data FOLDER [--listen 0.0.0.0:8443] [--local 127.0.0.1:8080] [--ui FOLDER] [--no-mdns]
                          [--backup ROOT [--backup-hours 6] [--backup-keep 28]]
      HTTPS for tablets and browsers on the network; plain HTTP on this machine only; backups into ROOT by itself
  tubewright-server tablet --data FOLDER [--local 127.0.0.1:8090] [--ui FOLDER]
      a tablet's screens for a browser on this machine only
  tubewright-server backup --data FOLDER --to ROOT
      one more snapshot of a server into ROOT, also while it serves; it holds the server's keys: keep ROOT private
  tubewright-server restore --from ROOT/SNAPSHOT --data NEWFOLDER
      makes an empty folder a server again and checks it
  tubewright-server export --data FOLDER --to FILE
      all records and photos of a server or tablet in one file, without keys
  tubewright-server import --data FOLDER --from FILE [--trust]
      brings such a file into a stopped server; --trust: the server it came from was ours
  tubewright-server verify --data FOLDER
      checks every record and photo of a stopped server or tablet
  tubewright-server verify --from ROOT/SNAPSHOT or FILE
      checks a snapshot or an exported file

It ends with 0 where all is well, with 1 where something is wrong, with 2 where it was not understood.
";

/// A command with its options.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Load or change the plan.
    Init {
        /// Data folder.
        data: PathBuf,
        /// Plan file.
        plan: PathBuf,
    },
    /// Serve the trailer.
    Serve(Serve),
    /// Serve a tablet's screens on this machine.
    Tablet {
        /// Data folder of the tablet.
        data: PathBuf,
        /// Loopback address.
        local: SocketAddr,
        /// Folder of the built screens.
        ui: PathBuf,
    },
    /// Check the store.
    Verify {
        /// Data folder.
        data: PathBuf,
    },
    /// Check a snapshot or an exported file.
    VerifyFrom {
        /// Snapshot or file.
        from: PathBuf,
    },
    /// Make a backup.
    Backup {
        /// Data folder.
        data: PathBuf,
        /// Folder of all snapshots.
        to: PathBuf,
    },
    /// Make a data folder of a snapshot.
    Restore {
        /// Snapshot.
        from: PathBuf,
        /// Empty folder.
        data: PathBuf,
    },
    /// Write all records and photos into a file.
    Export {
        /// Data folder.
        data: PathBuf,
        /// File.
        to: PathBuf,
    },
    /// Bring such a file in.
    Import {
        /// Data folder.
        data: PathBuf,
        /// File.
        from: PathBuf,
        /// Whether the server it came from is believed.
        trust: bool,
    },
    /// Say how it is used.
    Help,
}

/// Options of `serve`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Serve {
    /// Data folder.
    pub data: PathBuf,
    /// Address of the HTTPS listener; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Loopback address of the plain HTTP listener; port 0 takes a free one.
    pub local: SocketAddr,
    /// Folder of the built screens.
    pub ui: PathBuf,
    /// Whether the server makes itself known by mDNS.
    pub mdns: bool,
    /// Backups it makes by itself.
    pub backup: Option<Schedule>,
}

const SERVE: &[&str] = &["--data", "--listen", "--local", "--ui", "--backup", "--backup-hours", "--backup-keep"];

/// Reads the arguments after the program's name.
///
/// # Errors
/// A sentence about the first argument that cannot be understood.
pub fn parse(args: &[String]) -> Result<Command, String> {
    let Some((name, rest)) = args.split_first() else { return Ok(Command::Help) };
    let mut given = Given::default();
    match name.as_str() {
        "help" | "--help" | "-h" => return Ok(Command::Help),
        "init" => given.read(rest, &["--data", "--plan"], &[])?,
        "serve" => given.read(rest, SERVE, &["--no-mdns"])?,
        "tablet" => given.read(rest, &["--data", "--local", "--ui"], &[])?,
        "verify" => given.read(rest, &["--data", "--from"], &[])?,
        "backup" | "export" => given.read(rest, &["--data", "--to"], &[])?,
        "restore" => given.read(rest, &["--data", "--from"], &[])?,
        "import" => given.read(rest, &["--data", "--from"], &["--trust"])?,
        other => {
            return Err(format!("{other:?} is not one of init, serve, tablet, backup, restore, export, import, verify."));
        }
    }
    let path = |name: &str| given.needed(name).map(PathBuf::from);
    if name == "verify" && given.value("--data").is_none() {
        return Ok(Command::VerifyFrom { from: path("--from")? });
    }
    if name == "verify" && given.value("--from").is_some() {
        return Err("verify checks one thing at a time: --data or --from.".to_owned());
    }
    let data = PathBuf::from(given.needed("--data")?);
    let ui = PathBuf::from(given.value("--ui").unwrap_or("ui/dist"));
    Ok(match name.as_str() {
        "init" => Command::Init { data, plan: PathBuf::from(given.needed("--plan")?) },
        "verify" => Command::Verify { data },
        "backup" => Command::Backup { data, to: path("--to")? },
        "restore" => Command::Restore { from: path("--from")?, data },
        "export" => Command::Export { data, to: path("--to")? },
        "import" => Command::Import { data, from: path("--from")?, trust: given.flags.iter().any(|f| f == "--trust") },
        "tablet" => Command::Tablet { data, local: loopback(given.address("--local", "127.0.0.1:8090")?)?, ui },
        _ => Command::Serve(Serve {
            data,
            listen: given.address("--listen", "0.0.0.0:8443")?,
            local: loopback(given.address("--local", "127.0.0.1:8080")?)?,
            ui,
            mdns: !given.flags.iter().any(|f| f == "--no-mdns"),
            backup: given.schedule()?,
        }),
    })
}

/// Lets a loopback address through and no other: plain HTTP on the network would carry PINs in the clear, and a browser
/// gives such a page no camera.
///
/// # Errors
/// A sentence.
pub fn loopback(address: SocketAddr) -> Result<SocketAddr, String> {
    if address.ip().is_loopback() {
        return Ok(address);
    }
    Err(format!(
        "Plain HTTP is for this machine only, so --local must be a loopback address such as 127.0.0.1:8080, not {address}. Other machines reach the server over HTTPS (--listen)."
    ))
}

#[derive(Default)]
struct Given {
    values: Vec<(String, String)>,
    flags: Vec<String>,
}

impl Given {
    fn read(&mut self, args: &[String], names: &[&str], flags: &[&str]) -> Result<(), String> {
        let mut args = args.iter();
        while let Some(arg) = args.next() {
            if flags.contains(&arg.as_str()) {
                self.flags.push(arg.clone());
            } else if names.contains(&arg.as_str()) {
                let value = args.next().ok_or_else(|| format!("{arg} needs a value after it."))?;
                self.values.push((arg.clone(), value.clone()));
            } else {
                return Err(format!("{arg:?} is not an option here."));
            }
        }
        Ok(())
    }

    fn value(&self, name: &str) -> Option<&str> {
        self.values.iter().rev().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    fn needed(&self, name: &str) -> Result<&str, String> {
        self.value(name).ok_or_else(|| format!("{name} is missing."))
    }

    fn number(&self, name: &str, standard: u32, most: u32) -> Result<u32, String> {
        let Some(text) = self.value(name) else { return Ok(standard) };
        let number = text.parse().ok().filter(|n| (1..=most).contains(n));
        number.ok_or_else(|| format!("{name} {text:?} is not a whole number from 1 to {most}."))
    }

    fn schedule(&self) -> Result<Option<Schedule>, String> {
        let (hours, keep) = (self.number("--backup-hours", 6, 24 * 7)?, self.number("--backup-keep", 28, 10_000)?);
        match self.value("--backup") {
            Some(root) => Ok(Some(Schedule { root: PathBuf::from(root), hours, keep: keep as usize })),
            None if self.value("--backup-hours").or(self.value("--backup-keep")).is_some() => {
                Err("--backup says where the backups go; it is missing.".to_owned())
            }
            None => Ok(None),
        }
    }

    fn address(&self, name: &str, standard: &str) -> Result<SocketAddr, String> {
        let text = self.value(name).unwrap_or(standard);
        text.parse().map_err(|_| format!("{name} {text:?} is not an address with a port, such as {standard}."))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(line: &str) -> Result<Command, String> {
        let got = parse(&line.split_whitespace().map(str::to_owned).collect::<Vec<_>>());
        println!("{line:?} -> {got:?}");
        got
    }

    #[test]
    fn commands_are_read() {
        let Ok(Command::Serve(serve)) = run("serve --data d --listen 127.0.0.1:0 --no-mdns") else { panic!("serve") };
        assert_eq!((serve.listen.port(), serve.local.port(), serve.mdns), (0, 8080, false));
        assert!(matches!(run("init --data d --plan p.json"), Ok(Command::Init { .. })));
        assert!(matches!(run("tablet --data d --local [::1]:0"), Ok(Command::Tablet { .. })));
        assert!(matches!(run("verify --data d"), Ok(Command::Verify { .. })));
        assert!(matches!(run("verify --from r/s"), Ok(Command::VerifyFrom { .. })));
        assert!(matches!(run("backup --data d --to r"), Ok(Command::Backup { .. })));
        assert!(matches!(run("restore --from r/s --data n"), Ok(Command::Restore { .. })));
        assert!(matches!(run("export --data d --to f"), Ok(Command::Export { .. })));
        assert!(matches!(run("import --data d --from f --trust"), Ok(Command::Import { trust: true, .. })));
        assert!(matches!(run("import --data d --from f"), Ok(Command::Import { trust: false, .. })));
        let Ok(Command::Serve(serve)) = run("serve --data d --backup r --backup-hours 2") else { panic!("serve") };
        assert_eq!(serve.backup.map(|b| (b.hours, b.keep)), Some((2, 28)));
        assert_eq!(run(""), Ok(Command::Help));
    }

    #[test]
    fn plain_http_on_the_network_is_refused() {
        for line in ["serve --data d --local 0.0.0.0:8080", "tablet --data d --local 192.168.1.4:80", "tablet --data d --local [::]:80"] {
            assert!(run(line).unwrap_err().contains("this machine only"));
        }
    }

    #[test]
    fn what_is_not_understood_is_said() {
        for line in [
            "fly",
            "serve",
            "serve --data",
            "serve --data d --listen here",
            "init --data d",
            "verify --data d --ui x",
            "verify",
            "verify --data d --from r/s",
            "backup --data d",
            "restore --data d",
            "import --data d",
            "serve --data d --backup-hours 2",
            "serve --data d --backup r --backup-hours 0",
            "serve --data d --backup r --backup-keep many",
        ] {
            assert!(run(line).is_err());
        }
    }
}
