//! Where things are: the checkout, the target folder, the brought tools, the built programs.

use crate::stop::Stop;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The folders every step works with.
pub struct Place {
    /// The checkout.
    pub root: PathBuf,
    /// Cargo's target folder.
    pub target: PathBuf,
    /// Where the programs are built to.
    pub bin: PathBuf,
    /// Tools that set-up brought: `target/tools`.
    pub tools: PathBuf,
}

impl Place {
    /// Finds the checkout from where cargo says this package lies, and the target folder from where this program was built to.
    pub fn find() -> Result<Self, Stop> {
        let lost = || Stop::new("this is not run from a checkout of Tubewright; go into it and say `cargo xtask help`.");
        let package = std::env::var_os("CARGO_MANIFEST_DIR").map(PathBuf::from).ok_or_else(lost)?;
        let root = package.parent().and_then(Path::parent).ok_or_else(lost)?.to_owned();
        let program = std::env::current_exe().map_err(|_| lost())?;
        let bin = program.parent().ok_or_else(lost)?.to_owned();
        let target = bin.parent().ok_or_else(lost)?.to_owned();
        Ok(Self { root, tools: target.join("tools"), target, bin })
    }

    /// A folder of brought programs, first in every step's PATH.
    pub fn tool_bin(&self) -> PathBuf {
        self.tools.join("bin")
    }

    /// A built program.
    pub fn built(&self, name: &str) -> PathBuf {
        self.bin.join(format!("{name}{}", std::env::consts::EXE_SUFFIX))
    }

    /// A program found among the brought tools or in PATH.
    pub fn program(&self, name: &str) -> Option<PathBuf> {
        let file = format!("{name}{}", std::env::consts::EXE_SUFFIX);
        std::env::split_paths(&self.path()).map(|dir| dir.join(&file)).find(|path| path.is_file())
    }

    /// A command in the checkout, with the brought tools in PATH.
    ///
    /// What `cargo run` set for this program is taken out again: build scripts watch some of it,
    /// and would build again what a plain `cargo` command had built already.
    pub fn command(&self, program: &str) -> Command {
        let name = self.program(program).map_or_else(|| OsString::from(program), PathBuf::into_os_string);
        let mut command = Command::new(name);
        for (key, _) in std::env::vars_os() {
            let text = key.to_string_lossy();
            if ["CARGO_PKG_", "CARGO_MANIFEST_", "CARGO_BIN_", "CARGO_CRATE_", "CARGO_PRIMARY_"].iter().any(|p| text.starts_with(p))
                || text == "OUT_DIR"
            {
                command.env_remove(&key);
            }
        }
        command.current_dir(&self.root).env("PATH", self.path());
        command
    }

    /// Cargo itself: the one that started this program.
    pub fn cargo(&self) -> Command {
        let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
        let mut command = self.command(&cargo);
        command.env_remove("CARGO");
        command
    }

    /// npm in a folder of the checkout.
    pub fn npm(&self, folder: &str) -> Command {
        let mut command = self.command("npm");
        command
            .current_dir(self.root.join(folder))
            .env("npm_config_fund", "false")
            .env("npm_config_audit", "false")
            .env("npm_config_update_notifier", "false");
        command
    }

    fn path(&self) -> OsString {
        let found = std::env::var_os("PATH").unwrap_or_default();
        let all = std::iter::once(self.tool_bin()).chain(std::env::split_paths(&found));
        std::env::join_paths(all).unwrap_or(found)
    }
}
