//! Where the built parts are: told by the environment (xtask does), else beside the running binary.

use std::path::{Path, PathBuf};

/// The checkout.
pub fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_path_buf()
}

/// A binary of ours, e.g. `tubewright-server`.
pub fn binary(name: &str) -> PathBuf {
    let var = format!("{}_BIN", name.to_uppercase().replace('-', "_"));
    if let Some(path) = std::env::var_os(&var) {
        return PathBuf::from(path);
    }
    let me = std::env::current_exe().unwrap();
    let found = me.ancestors().skip(1).take(3).map(|dir| dir.join(name)).find(|p| p.is_file());
    found.unwrap_or_else(|| panic!("{name} is not built: run `cargo xtask test`, or build it and set {var}"))
}

/// The built screens.
pub fn ui() -> PathBuf {
    let ui = root().join("ui/dist");
    assert!(ui.join("tablet.html").is_file(), "the screens are not built: run `cargo xtask test` or `npm run build` in ui");
    ui
}

/// The demo outage.
pub fn outage() -> PathBuf {
    root().join("server/demo/outage.json")
}

/// A program of the machine, from the environment or the usual places.
pub fn program(var: &str, names: &[&str]) -> Option<PathBuf> {
    if let Some(path) = std::env::var_os(var) {
        return Some(PathBuf::from(path));
    }
    let path = std::env::var_os("PATH")?;
    let tools = root().join("target/tools/bin");
    std::env::split_paths(&path).chain([tools]).flat_map(|dir| names.iter().map(move |n| dir.join(n))).find(|p: &PathBuf| Path::is_file(p))
}
