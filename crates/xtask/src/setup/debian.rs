//! Debian packages, and the parts of the Rust toolchain that a minimal install leaves out.

use crate::place::Place;
use crate::run;
use crate::stop::Stop;
use std::process::{Command, Stdio};

/// Packages for one purpose.
pub struct Packages {
    purpose: &'static str,
    names: &'static [&'static str],
}

/// To build and show the tablet's window.
pub const BUILD: Packages = Packages {
    purpose: "compiler, web view and fonts of the tablet app",
    names: &["build-essential", "pkg-config", "ca-certificates", "libwebkit2gtk-4.1-dev", "fonts-dejavu-core"],
};

/// To drive the window and the board by test, and to look at what they show.
pub const DRIVE: Packages = Packages {
    purpose: "browser, drivers and a screen for tests",
    names: &[
        "webkit2gtk-driver",
        "xvfb",
        "xauth",
        "dbus",
        "dbus-x11",
        "imagemagick",
        "x11-utils",
        "poppler-utils",
        "chromium",
        "chromium-driver",
    ],
};

/// Set this to 1 where the tools were installed by hand.
const NO_INSTALL: &str = "TUBEWRIGHT_NO_INSTALL";

/// Installs what is missing; one query when nothing is.
pub fn packages(place: &Place, wanted: &[Packages]) -> Result<(), Stop> {
    if std::env::var(NO_INSTALL).is_ok_and(|value| value == "1") {
        println!("{NO_INSTALL}=1: Debian packages are taken as installed");
        return Ok(());
    }
    let names: Vec<&str> = wanted.iter().flat_map(|group| group.names).copied().collect();
    let missing = missing(&installed(place, &names)?, &names);
    if missing.is_empty() {
        println!("Debian packages: all {} are there", names.len());
        return Ok(());
    }
    for group in wanted {
        let of_group: Vec<&str> = group.names.iter().copied().filter(|name| missing.contains(name)).collect();
        if !of_group.is_empty() {
            println!("installing Debian packages ({}): {}", group.purpose, of_group.join(" "));
        }
    }
    install(place, &missing)
}

/// Installs packages by name.
pub fn install(place: &Place, names: &[&str]) -> Result<(), Stop> {
    let by_hand = format!("apt-get install --no-install-recommends {}", names.join(" "));
    let then = format!(
        "Nothing else was changed. Check the network and the package sources, or say as root `{by_hand}`, then repeat this command."
    );
    // What apt tells of each step is left out; its complaints are shown.
    run::must(apt(place, &by_hand)?.arg("update").stdout(Stdio::null()), "the list of Debian packages could not be fetched", &then)?;
    let mut install = apt(place, &by_hand)?;
    run::must(
        install.args(["install", "-y", "--no-install-recommends"]).args(names).stdout(Stdio::null()),
        "the Debian packages could not be installed",
        &then,
    )
}

/// `apt-get` as root, asking nothing.
fn apt(place: &Place, by_hand: &str) -> Result<Command, Stop> {
    let root = run::read(place.command("id").arg("-u")).is_some_and(|id| id.trim() == "0");
    let mut command = if root {
        place.command("env")
    } else if place.program("sudo").is_some() {
        let mut sudo = place.command("sudo");
        // Where nobody can answer, sudo is to fail at once and not to wait for a password.
        if std::env::var_os("CI").is_some() {
            sudo.arg("-n");
        }
        sudo.arg("env");
        sudo
    } else {
        return Err(Stop::new(format!(
            "Debian packages are missing, and this is not root and there is no sudo. Say as root `{by_hand}`, then repeat this command."
        )));
    };
    command.args(["DEBIAN_FRONTEND=noninteractive", "apt-get", "-q", "-o", "DPkg::Lock::Timeout=300"]);
    Ok(command)
}

/// What dpkg says of these packages: a line each with name and state.
pub fn installed(place: &Place, names: &[&str]) -> Result<String, Stop> {
    let mut query = place.command("dpkg-query");
    // It ends badly if it does not know one of them, so only what it prints is read.
    let answer = query.args(["-W", "-f", "${Package} ${db:Status-Status}\n"]).args(names).output();
    match answer {
        Ok(output) => Ok(String::from_utf8_lossy(&output.stdout).into_owned()),
        Err(_) => Err(Stop::new(format!(
            "set-up knows Debian only, and there is no dpkg-query here. Install what these Debian packages carry ({}), then repeat this command with {NO_INSTALL}=1.",
            names.join(" ")
        ))),
    }
}

/// Those of `names` that dpkg does not call installed.
pub fn missing<'a>(answer: &str, names: &[&'a str]) -> Vec<&'a str> {
    names.iter().copied().filter(|name| !answer.lines().any(|line| line.split_once(' ') == Some((*name, "installed")))).collect()
}

/// rustfmt and clippy: a minimal toolchain has neither.
pub fn rust_parts(place: &Place) -> Result<(), Stop> {
    let parts = [("rustfmt", "fmt"), ("clippy", "clippy")];
    let missing: Vec<&str> = parts
        .iter()
        .filter(|(_, command)| run::read(place.cargo().args([command, "--version"])).is_none())
        .map(|(part, _)| *part)
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    println!("installing parts of the Rust toolchain: {}", missing.join(" "));
    run::must(
        place.command("rustup").args(["component", "add"]).args(&missing),
        "rustfmt and clippy, which check the code, could not be installed",
        "Install them beside the Rust toolchain, then repeat this command.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_dpkg_calls_installed_is_there() {
        let answer = "xvfb installed\nxauth config-files\nchromium-driver installed\n";
        assert_eq!(missing(answer, &["xvfb", "xauth", "chromium", "chromium-driver"]), ["xauth", "chromium"]);
        assert_eq!(missing("", &["dbus"]), ["dbus"]);
    }
}
