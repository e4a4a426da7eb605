//! The dependency rule of the architecture, read off `cargo metadata`: dependencies point one way, and only the crate
//! that owns a technology names it.
#![allow(clippy::unwrap_used)]

use serde_json::Value as Json;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// Which crates of our own each may use.
const MAY_USE: &[(&str, &[&str])] = &[
    ("trade", &[]),
    ("journal", &[]),
    ("photo", &[]),
    ("xtask", &[]),
    ("job", &["trade", "journal"]),
    ("store", &["journal", "job"]),
    ("sync", &["journal", "job"]),
    ("tablet", &["trade", "journal", "job", "photo", "store", "sync"]),
    ("tubewright-proof", &["trade", "journal", "job", "photo", "store", "sync"]),
    ("tubewright", &["tablet"]),
    ("tubewright-server", &["trade", "journal", "job", "photo", "store", "sync", "tablet"]),
];

/// Which crates may name a technology, by the beginning of the dependency's name.
const OWNERS: &[(&str, &[&str])] = &[
    ("tauri", &["tubewright"]),
    ("axum", &["tubewright-server"]),
    ("rusqlite", &["store"]),
    ("reqwest", &["sync"]),
    ("image", &["photo"]),
];

/// What a pure crate never names: clocks and randomness come from `std` only by a ban in its source, checked below.
const PURE: &[&str] = &["trade", "journal", "job"];
const NOT_IN_PURE: &[&str] = &["tokio", "getrandom", "rand", "uuid", "chrono", "time", "rusqlite", "reqwest", "tempfile"];

/// Normal dependencies (not those of tests) of each of our packages.
fn dependencies() -> BTreeMap<String, BTreeSet<String>> {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let metadata: Json = serde_json::from_slice(&out.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap().iter();
    packages
        .map(|p| {
            let deps = p["dependencies"].as_array().unwrap().iter().filter(|d| d["kind"].is_null());
            (p["name"].as_str().unwrap().to_owned(), deps.map(|d| d["name"].as_str().unwrap().to_owned()).collect())
        })
        .collect()
}

#[test]
fn dependencies_point_one_way() {
    let all = dependencies();
    let ours: BTreeSet<&str> = all.keys().map(String::as_str).collect();
    for (name, may) in MAY_USE {
        let got: Vec<&str> = all[*name].iter().map(String::as_str).filter(|d| ours.contains(d)).collect();
        println!("{name:<18} uses {got:?}");
        for dep in got {
            assert!(may.contains(&dep), "{name} must not use {dep}");
        }
    }
    let listed: BTreeSet<&str> = MAY_USE.iter().map(|(n, _)| *n).chain(["tubewright-tests"]).collect();
    assert_eq!(ours, listed, "every package of the workspace has its rule here");
}

#[test]
fn only_its_owner_names_a_technology() {
    for (name, deps) in dependencies().iter().filter(|(n, _)| !["tubewright-tests", "tubewright-proof"].contains(&n.as_str())) {
        for (tech, owners) in OWNERS {
            let named: Vec<&String> = deps.iter().filter(|d| d.starts_with(tech)).collect();
            assert!(named.is_empty() || owners.contains(&name.as_str()), "{name} names {named:?}, which belongs to {owners:?}");
        }
    }
    println!("checked {} technologies: {:?}", OWNERS.len(), OWNERS.iter().map(|(t, _)| t).collect::<Vec<_>>());
}

#[test]
fn pure_crates_have_no_clock_disk_network_or_randomness() {
    let all = dependencies();
    let banned = ["std::time", "std::fs", "std::net", "std::env", "std::process", "SystemTime", "Instant::now", "std::thread"];
    for name in PURE {
        for dep in &all[*name] {
            assert!(!NOT_IN_PURE.contains(&dep.as_str()), "{name} names {dep}");
        }
        let src = format!("{}/../crates/{name}/src", env!("CARGO_MANIFEST_DIR"));
        let mut files = 0;
        for file in std::fs::read_dir(&src).unwrap() {
            let path = file.unwrap().path();
            let text = std::fs::read_to_string(&path).unwrap();
            for word in banned {
                assert!(!text.contains(word), "{} names {word}", path.display());
            }
            files += 1;
        }
        println!("{name}: {files} files without {banned:?}");
        assert!(files > 3);
    }
}

#[test]
fn xtask_builds_in_seconds_because_it_depends_on_nothing() {
    assert!(dependencies()["xtask"].is_empty());
}
