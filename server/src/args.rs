//! The command line.

use std::net::SocketAddr;
use std::path::PathBuf;

/// What the program says about itself.
pub const USAGE: &str = "\
tubewright-server: merges the tablets' records in the trailer and serves the board

  tubewright-server init --data FOLDER --plan FILE
      loads or changes the outage plan (JSON; a person's PIN as \"pin_plain\")
  tubewright-server serve --data FOLDER [--listen 0.0.0.0:8443] [--local 127.0.0.1:8080] [--ui FOLDER] [--no-mdns]
      HTTPS for tablets and browsers on the network; plain HTTP on this machine only
  tubewright-server tablet --data FOLDER [--local 127.0.0.1:8090] [--ui FOLDER]
      a tablet's screens for a browser on this machine only
  tubewright-server verify --data FOLDER
      checks every record and photo of a stopped server
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
}

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
        "serve" => given.read(rest, &["--data", "--listen", "--local", "--ui"], &["--no-mdns"])?,
        "tablet" => given.read(rest, &["--data", "--local", "--ui"], &[])?,
        "verify" => given.read(rest, &["--data"], &[])?,
        other => return Err(format!("{other:?} is not one of init, serve, tablet, verify.")),
    }
    let data = PathBuf::from(given.needed("--data")?);
    let ui = PathBuf::from(given.value("--ui").unwrap_or("ui/dist"));
    Ok(match name.as_str() {
        "init" => Command::Init { data, plan: PathBuf::from(given.needed("--plan")?) },
        "verify" => Command::Verify { data },
        "tablet" => Command::Tablet { data, local: loopback(given.address("--local", "127.0.0.1:8090")?)?, ui },
        _ => Command::Serve(Serve {
            data,
            listen: given.address("--listen", "0.0.0.0:8443")?,
            local: loopback(given.address("--local", "127.0.0.1:8080")?)?,
            ui,
            mdns: !given.flags.iter().any(|f| f == "--no-mdns"),
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
        for line in ["fly", "serve", "serve --data", "serve --data d --listen here", "init --data d", "verify --data d --ui x"] {
            assert!(run(line).is_err());
        }
    }
}
