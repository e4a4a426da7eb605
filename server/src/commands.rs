//! The commands that end: loading a plan, checking, backing up, restoring, carrying a store in a file.

use crate::backups;
use crate::clock::{Clock, random};
use crate::fault::Fault;
use crate::files::write_private;
use crate::identity;
use crate::trailer::{Loaded, Trailer, store_fault};
use job::kinds;
use job::standing::{ALL, SeriesRole, Standing};
use journal::Incarnation;
use std::path::{Path, PathBuf};
use store::backup::{self, Target};
use store::{Reader, Store, StoreError};

/// Loads or changes the plan.
///
/// # Errors
/// A fault in words; the standing plan stays then.
pub fn init(data: &Path, plan: &Path) -> Result<(), Fault> {
    let text = std::fs::read_to_string(plan).map_err(|e| {
        Fault::new(400, "no-plan-file", format!("The plan file {} cannot be read: {e}. Nothing was changed.", plan.display()))
    })?;
    let loaded = Trailer::open(data)?.load_plan(&text)?;
    println!(
        "{}",
        match loaded {
            Loaded::First => "plan loaded",
            Loaded::Changed => "plan changed; the one before stays readable in the journal",
            Loaded::Same => "plan unchanged",
        }
    );
    Ok(())
}

/// The folder of the store: a server's data folder has it inside, a tablet's is it.
fn store_of(data: &Path) -> Result<PathBuf, Fault> {
    // Opening would make a new, empty store: a mistyped folder must not be called sound.
    [data.join("store"), data.to_owned()].into_iter().find(|folder| folder.join("journal.sqlite").is_file()).ok_or_else(|| {
        let words = format!("There are no records at {}. Nothing was checked and nothing was made. Look at the path.", data.display());
        Fault::new(404, "no-folder", words)
    })
}

/// A store that is opened, or read beside the server that has it open.
enum Opened {
    Ours(Box<Store>),
    Beside(Box<Reader>),
}

impl Opened {
    fn open(folder: &Path) -> Result<Self, Fault> {
        match Store::open(folder, store::Options::default()) {
            Ok(store) => Ok(Self::Ours(Box::new(store))),
            Err(StoreError::InUse) => Ok(Self::Beside(Box::new(Reader::beside(folder).map_err(said)?))),
            Err(e) => Err(said(e)),
        }
    }

    fn reader(&self) -> &Reader {
        match self {
            Self::Ours(store) => store,
            Self::Beside(reader) => reader,
        }
    }
}

/// The store's own sentence: on the command line it says more than the server's short one.
fn said(error: StoreError) -> Fault {
    match error {
        StoreError::InUse => store_fault(error),
        other => Fault::new(500, other.code(), other.to_string()),
    }
}

/// Checks every record and photo of a stopped server or tablet. True where all is well.
///
/// # Errors
/// Only where the check could not be made.
pub fn verify(data: &Path) -> Result<bool, Fault> {
    let folder = store_of(data)?;
    let mut store = Store::open(&folder, store::Options::default()).map_err(|e| match e {
        StoreError::InUse => Fault::new(
            409,
            "store-in-use",
            "Another server or tablet program has this folder open, so it was not checked. Nothing is wrong by that. Stop it first, or make a backup and check that: verify --from ROOT/SNAPSHOT.",
        ),
        other => said(other),
    })?;
    told(&store.verify().map_err(said)?)
}

fn told(report: &store::Report) -> Result<bool, Fault> {
    println!(
        "{} entries in {} series, {} photos here, {} still only on tablets, {} entries kept apart",
        report.entries, report.series, report.photos, report.photos_missing, report.quarantined
    );
    for fault in &report.faults {
        println!("WRONG: {fault}");
    }
    if report.is_good() {
        println!("good: everything that can be checked is as it was saved");
        return Ok(true);
    }
    println!("{} things are wrong. Keep this folder as it is; what the tablets hold is safe there.", report.faults.len());
    Ok(false)
}

/// Checks a snapshot (`ROOT/SNAPSHOT`) or a file made by an export. True where it is whole.
///
/// # Errors
/// Only where the check could not be made.
pub fn verify_from(from: &Path) -> Result<bool, Fault> {
    if from.is_dir() { verify_snapshot(from) } else { verify_file(from) }
}

fn verify_snapshot(from: &Path) -> Result<bool, Fault> {
    let (target, stamp) = Target::of_snapshot(from).map_err(said)?;
    match backup::check(&target, &stamp) {
        Ok((manifest, lost)) => {
            println!("{} entries in {} series, {} photos", manifest.entries, manifest.heads.0.len(), manifest.photos.len());
            for photo in &manifest.damaged {
                println!("not in it: photo {photo} was damaged when the backup was made; an earlier snapshot may have it");
            }
            for photo in &lost {
                println!(
                    "WRONG: photo {photo} is missing or damaged in the backup. The records are whole. Whoever still has the photo sends it again."
                );
            }
            if lost.is_empty() {
                println!("good: every file of the snapshot is what was written");
            }
            Ok(lost.is_empty())
        }
        Err(StoreError::BadBackup(why)) => {
            println!("WRONG: {}", StoreError::BadBackup(why));
            Ok(false)
        }
        Err(e) => Err(said(e)),
    }
}

/// Brings the file into a store of its own, which is thrown away: nothing proves it better.
fn verify_file(from: &Path) -> Result<bool, Fault> {
    let beside = std::env::temp_dir().join(format!("tubewright-verify-{}", hex::encode(random::<8>()?)));
    let checked = (|| {
        let options = store::Options { photo_floor: 0, ..store::Options::default() };
        let mut store = Store::open(&beside, options).map_err(said)?;
        let report = store.import(from).map_err(said)?;
        println!("{report}");
        for fault in &report.faults {
            println!("WRONG: {fault}");
        }
        let sound = told(&store.verify().map_err(said)?)?;
        Ok(sound && report.is_complete() && report.faults.is_empty())
    })();
    if let Err(e) = std::fs::remove_dir_all(&beside) {
        crate::log(&format!("{} can be deleted by hand: {e}", beside.display()));
    }
    checked
}

/// Makes a backup, also beside a running server.
///
/// # Errors
/// A fault in words; earlier snapshots are untouched then.
pub fn backup(data: &Path, to: &Path) -> Result<(), Fault> {
    let folder = store_of(data)?;
    if folder != data.join("store") {
        return Err(Fault::new(
            400,
            "not-a-server",
            "This is a tablet's folder. A restored tablet would write its series twice, so there is no backup of one. Nothing was made. Use export: it holds all records and photos.",
        ));
    }
    let opened = Opened::open(&folder)?;
    let report = backups::make(opened.reader(), data, &Target::new(to), Clock::start()?.wall_ms())?;
    println!("backup made: {}", backups::words(&report));
    println!("check it with: tubewright-server verify --from {}", to.join(&report.stamp).display());
    Ok(())
}

/// Makes a server's data folder of a snapshot. True where the restored store is good.
///
/// # Errors
/// A fault in words; the snapshot is not changed, and the restore is begun again into the same folder.
pub fn restore(from: &Path, data: &Path) -> Result<bool, Fault> {
    let (target, stamp) = Target::of_snapshot(from).map_err(said)?;
    let store = data.join("store");
    must_be_new(data, &store)?;
    std::fs::create_dir_all(data).map_err(|e| Fault::inside("restore", e))?;
    // Before anything else: whatever happens from here on, this folder never goes on in the old series.
    let marker = serde_json::json!({ "from": from.display().to_string() }).to_string();
    write_private(&data.join(identity::RESTORED), marker.as_bytes()).map_err(|e| Fault::inside("restore", e))?;
    let place = &mut |name: &str, bytes: &[u8]| place_extra(data, name, bytes).map_err(StoreError::from);
    let restored = backup::restore(&target, &stamp, &store, store::Options::default(), place).map_err(said)?;
    for photo in &restored.photos_lost {
        println!("photo {photo} is missing or damaged in the backup; the tablet that has it sends it again");
    }
    let good = told(&restored.report)?;
    println!("restored from {stamp}. Start it with: tubewright-server serve --data {}", data.display());
    println!("Let every tablet sync once: each gives back what the snapshot had not. Don't start the old folder again.");
    Ok(good)
}

/// Empty, or what a restore that was cut left there.
fn must_be_new(data: &Path, store: &Path) -> Result<(), Fault> {
    let refuse = || {
        let words = format!("The folder {} is not empty. Nothing was changed. Restore into a new, empty folder.", data.display());
        Fault::new(409, "folder-not-empty", words)
    };
    let Ok(there) = std::fs::read_dir(data) else { return Ok(()) };
    let begun =
        data.join(identity::RESTORED).is_file() && !store.join("journal.sqlite").is_file() || store.join("restore-not-finished").is_file();
    if begun || there.into_iter().next().is_none() { Ok(()) } else { Err(refuse()) }
}

fn place_extra(data: &Path, name: &str, bytes: &[u8]) -> std::io::Result<()> {
    let path = data.join(name);
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    write_private(&path, bytes)
}

/// Writes a whole store into one file, also beside a running program.
///
/// # Errors
/// A fault in words; there is no such file then.
pub fn export(data: &Path, to: &Path) -> Result<(), Fault> {
    let opened = Opened::open(&store_of(data)?)?;
    let report = opened.reader().export_file(to).map_err(said)?;
    println!(
        "{}: {} entries, {} refused, {} that cannot be read here, {} photos, {} bytes",
        to.display(),
        report.entries,
        report.refused,
        report.unreadable,
        report.photos,
        report.bytes
    );
    if report.damaged > 0 || !report.photos_damaged.is_empty() {
        println!("NOT in it, because they are damaged here: {} entries, {} photos", report.damaged, report.photos_damaged.len());
    }
    Ok(())
}

/// Brings a file that an export made into a stopped server's records. True where the file was whole and all of it is here.
///
/// # Errors
/// A fault in words; what was taken in before it is safe, and bringing the file in again is fine.
pub fn import(data: &Path, from: &Path, trust: bool) -> Result<bool, Fault> {
    let folder = store_of(data)?;
    if folder != data.join("store") {
        return Err(Fault::new(
            400,
            "not-a-server",
            "This is a tablet's folder. Nothing was changed. On a tablet a file is brought in on its own screen, under \"Keeping safe\".",
        ));
    }
    let mut trailer = Trailer::open(data)?;
    let report = trailer.store.import(from).map_err(said)?;
    println!("{report}");
    for fault in &report.faults {
        println!("WRONG: {fault}");
    }
    if trust {
        for (series, name) in trailer.adopt()? {
            println!("believed from now on: server {name}, series {series}");
        }
    }
    for series in trailer.series()?.iter().filter(|s| s.apart > 0) {
        println!("kept apart until somebody at the board decides: {} entries of {} ({})", series.apart, series.name, series.incarnation);
    }
    Ok(report.is_complete() && report.faults.is_empty())
}

impl Trailer {
    /// Believes every series here that says it is a server's and of which nothing was said yet: with it the tablets that it
    /// took in. Gives them.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn adopt(&mut self) -> Result<Vec<(Incarnation, String)>, Fault> {
        let states = self.store.series_states().map_err(store_fault)?;
        let servers = states.into_iter().filter(|s| s.role == SeriesRole::Server.code() && !s.known);
        let mut adopted = Vec::new();
        for state in servers {
            let name = format!("{}-{}", identity::NAME, &state.incarnation.to_hex()[..3].to_uppercase());
            let says = Standing { role: SeriesRole::Server, name: name.clone(), to: None, reason: "brought in with --trust".to_owned() };
            let draft = crate::standing::draft(&state.incarnation, &says, state.said)?;
            self.state(&kinds::nobody(), vec![draft])?;
            let counts = self.verdict(&state.incarnation)?.is_some_and(|v| v.counts_to == ALL && v.role == SeriesRole::Server);
            if !counts {
                return Err(Fault::inside("adopt", "the statement does not stand"));
            }
            adopted.push((state.incarnation, name));
        }
        Ok(adopted)
    }
}
