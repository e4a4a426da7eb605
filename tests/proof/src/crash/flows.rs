//! The scripted flows.

use super::exchange::{Tablet, exchange};
use super::play::{Check, FOLDER, Fact, Play, Stage, author, backups, k4, standing};
use journal::PhotoHash;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use store::testkit::machine::{Machine, Tree};
use store::testkit::{Author, draft, inches, plan_json, trailer};
use store::{Store, StoreError};

/// A flow: what is on the disk before, and what is done.
#[derive(Clone, Copy)]
pub struct Flow {
    /// Its name.
    pub name: &'static str,
    /// True for a tablet, which holds every photo that its entries name.
    pub tablet: bool,
    /// Sets up what is there before; nothing of it is recorded. All that the store holds then is taken as acknowledged.
    pub before: fn(&mut Play<'_>) -> Result<(), StoreError>,
    /// Plays it. Played again where it was cut, it goes on.
    pub run: fn(&mut Play<'_>) -> Result<(), StoreError>,
    /// What a person does after a cut before the store is opened, where that is more than starting the program.
    pub first_aid: Option<FirstAid>,
}

/// What a person does after a cut before the program is started.
pub type FirstAid = fn(&dyn Stage) -> Result<(), StoreError>;

const fn flow(name: &'static str, tablet: bool, before: Step, run: Step) -> Flow {
    Flow { name, tablet, before, run, first_aid: None }
}

type Step = fn(&mut Play<'_>) -> Result<(), StoreError>;

/// All of them.
pub static FLOWS: &[Flow] = &[
    flow("save", true, tablet, save),
    flow("correct", true, tablet, correct),
    flow("photo", true, tablet, photo),
    flow("sign", true, tablet, sign),
    // What a cut leaves of a file may name photos that were not read yet; it is brought in again.
    flow("import", false, with_bundle, import),
    flow("receipt", true, with_photos, receipt),
    flow("sync in", false, server, sync_in),
    flow("sync out", true, with_photos, sync_out),
    flow("backup", true, with_backup, backup),
    Flow { name: "restore", tablet: true, before: backup_alone, run: restore, first_aid: Some(restore_again) },
    flow("compact", true, with_gaps, compact),
    flow("migrate", false, frozen, migrate),
    flow("export", true, with_photos, export),
    flow("begin", true, nothing, begin),
];

fn nothing(_play: &mut Play<'_>) -> Result<(), StoreError> {
    Ok(())
}

/// The first start: folder, lock, layout, photo folders, the first entry.
fn begin(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let first = author(&store, 4, "K4")?.1;
    play.save(&mut store, &first)
}

/// A tablet with the plan and a job.
fn tablet(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    store.accept(trailer().1)?;
    let mut k4 = Author::new(4, "K4");
    store.append(&k4.begin())?;
    store.append(&k4.open_job("j1", "K4-001", 47))?;
    store.append(&k4.gap("j1", "6", 20, &[]))?;
    for n in 0..play.draw(4) {
        store.append(&k4.note("j1", &format!("before {n} {}", "y".repeat(play.draw(2000)))))?;
    }
    leave(play, store);
    Ok(())
}

/// Ends the run before, as an app is closed or as it dies: with the log moved into the database, or not.
fn leave(play: &mut Play<'_>, store: Store) {
    if play.draw(2) == 0 {
        play.stage.kill();
    }
    drop(store);
}

/// A tablet with three photos that the trailer has no word on.
fn with_photos(play: &mut Play<'_>) -> Result<(), StoreError> {
    tablet(play)?;
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    for n in 0..3 {
        let bytes = picture(n, 3000 + 700 * usize::from(n));
        let hash = store.photos().put(&bytes)?;
        store.append(&k4.photo("j1", &hash, bytes.len()))?;
    }
    leave(play, store);
    Ok(())
}

/// A made-up picture's bytes.
fn picture(n: u8, len: usize) -> Vec<u8> {
    (0..len).map(|i| (i * 31 + usize::from(n) * 7 + i / 251) as u8).collect()
}

fn hash(bytes: &[u8]) -> PhotoHash {
    PhotoHash(*blake3::hash(bytes).as_bytes())
}

/// A trailer with its plan.
fn server(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    store.accept(trailer().1)?;
    leave(play, store);
    Ok(())
}

/// Readings, notes and half-typed values, the log moved into the database now and then.
fn save(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    for (n, clock) in ["12", "3", "9", "12", "3"].into_iter().enumerate().take(3 + play.draw(3)) {
        play.set(&mut store, "draft/j1/gap", format!("2{n} 1/"))?;
        let tx = k4.gap("j1", clock, 18 + n as u32, &[]);
        play.save(&mut store, &tx)?;
        if play.draw(3) == 0 {
            store.checkpoint()?;
        }
    }
    let len = play.draw(3000);
    let notes = (0..2 + play.draw(4)).map(|i| {
        let body = json!({"text": format!("{i} {}", "x".repeat(len))});
        draft("job/j1/notes", "note", &body, &[])
    });
    let tx = k4.write(notes.collect());
    play.save(&mut store, &tx)?;
    store.checkpoint()?;
    let tx = k4.note("j1", "last");
    play.save(&mut store, &tx)?;
    play.set(&mut store, "draft/j1/gap", String::new())
}

/// A gap measured again, a note struck, a place corrected.
fn correct(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    for n in 0..2 + play.draw(2) as u32 {
        let basis = standing(&store, "job/j1/gap/6")?;
        let tx = k4.write(vec![draft("job/j1/gap/6", "gap", &json!({"gap": inches(21 + n), "instrument": "T-12"}), &basis)]);
        play.save(&mut store, &tx)?;
    }
    let note = k4.note("j1", "a mistake");
    play.save(&mut store, &note)?;
    store.checkpoint()?;
    let strike = json!({"entry": note[0].hash, "reason": "wrong tube"});
    let tx = k4.write(vec![draft("job/j1/notes", "strike", &strike, &[note[0].hash])]);
    play.save(&mut store, &tx)
}

/// Photos: bytes first, the smaller pictures, then the entry.
fn photo(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    for _ in 0..1 + play.draw(2) {
        let len = 600 + play.draw(9000);
        let bytes = play.bytes(len);
        let mut sink = store.photo_begin()?;
        for piece in bytes.chunks(bytes.len() / 3 + 1) {
            sink.take_in(piece)?;
        }
        let photo = sink.finish()?;
        play.ack(Fact::Photo(photo));
        store.photo_put_small(&photo, "1600", &bytes[..300])?;
        store.photo_put_small(&photo, "256", &bytes[..90])?;
        let tx = k4.photo("j1", &photo, bytes.len());
        play.save(&mut store, &tx)?;
    }
    // One that the person cancels.
    let mut sink = store.photo_begin()?;
    sink.take_in(b"half a photo")?;
    drop(sink);
    let tx = k4.note("j1", "no more photos");
    play.save(&mut store, &tx)
}

/// Signs two hold points over what stands.
fn sign(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    for n in 0..2 {
        let (Some(plan), Some(view)) = (store.plan()?, store.job("j1")?) else { panic!("a job and its plan") };
        let point = &plan.hold_points[n];
        let body = job::signing::sign_body(&view, &plan, &point.id, point.roles[0], "en", None).expect("a hold point of the plan");
        let body = serde_json::to_value(body)?;
        let tx = k4.write(vec![draft(&format!("job/j1/gate/{}", point.id), "sign", &body, &[])]);
        play.save(&mut store, &tx)?;
        if play.draw(2) == 0 {
            store.checkpoint()?;
        }
    }
    Ok(())
}

/// The trailer's word on photos and entries, and one taken back.
fn receipt(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    for n in 0..3_u8 {
        let photo = hash(&picture(n, 3000 + 700 * usize::from(n)));
        store.set_photo_receipt(&photo, 1_790_000_000_000 + i64::from(n))?;
        play.ack(Fact::Receipt(photo));
        play.set(&mut store, "receipt/own", json!({"seq": n, "at_ms": 5}).to_string())?;
    }
    let gone = PhotoHash([9; 32]);
    store.set_photo_receipt(&gone, 1)?;
    store.remove_photo_receipt(&gone)?;
    store.checkpoint()?;
    let tx = k4(&store)?.note("j1", "all sent");
    play.save(&mut store, &tx)
}

/// What two tablets push to the trailer: K4 its entries and photos, then K2.
fn sync_in(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    for (n, name) in [(4_u8, "K4"), (2, "K2")] {
        let elsewhere = Machine::new();
        let mut tablet = Store::open(Path::new("/data/tablet"), elsewhere.options())?;
        let mut had = Vec::new();
        for (incarnation, _) in store.heads()?.0 {
            had.extend(store.read(&incarnation, 1, usize::MAX)?);
        }
        tablet.accept(had)?;
        let (mut author, first) = author(&tablet, n, name)?;
        tablet.append(&first)?;
        tablet.append(&author.open_job(&format!("s{n}"), &format!("{name}-001"), 40 + u32::from(n)))?;
        for photo in 0..1 + play.draw(2) as u8 {
            let bytes = picture(photo + n, 2000 + play.draw(9000));
            let hash = tablet.photos().put(&bytes)?;
            tablet.append(&author.photo(&format!("s{n}"), &hash, bytes.len()))?;
        }
        let own = author.incarnation();
        let tablet = Tablet { store: &mut tablet, own, told: Vec::new(), failed: None.into() };
        exchange(play, tablet, &mut store, false)?;
        if play.draw(2) == 0 {
            store.checkpoint()?;
        }
    }
    Ok(())
}

/// A tablet syncs: brings home the plan anew and the others' entries, and the trailer's word on its own.
fn sync_out(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let elsewhere = Machine::new();
    let mut trailer = Store::open(Path::new("/data/trailer"), elsewhere.options())?;
    trailer.accept(super::play::all_entries(&store)?)?;
    let (mut server, first) = author(&trailer, 9, "trailer")?;
    assert!(first.is_empty(), "the tablet has the trailer's series");
    let mut plan = plan_json();
    plan["people"][0]["name"] = json!("Renamed R.");
    let basis = standing(&trailer, "site/plan")?;
    trailer.append(&server.write_plan(&plan, &basis))?;
    let (mut k2, first) = author(&trailer, 2, "K2")?;
    trailer.accept([first, k2.gap("j1", "6", 21, &[]), k2.note("j1", "from the other side")].concat())?;
    let own = k4(&store)?.incarnation();
    let tablet = Tablet { store: &mut store, own, told: Vec::new(), failed: None.into() };
    exchange(play, tablet, &mut trailer, true)?;
    if play.draw(2) == 0 {
        store.checkpoint()?;
    }
    let tx = k4(&store)?.note("j1", "after the sync");
    play.save(&mut store, &tx)
}

/// A tablet with photos, and one backup of it.
fn with_backup(play: &mut Play<'_>) -> Result<(), StoreError> {
    with_photos(play)?;
    let store = play.open()?;
    store.reader()?.backup(&play.backups(), "2026-03-14-0300", &[("keys/identity", b"not a key")])?;
    leave(play, store);
    Ok(())
}

/// A second backup while the store serves.
fn backup(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    let bytes = picture(7, 2000 + play.draw(3000));
    let photo = store.photos().put(&bytes)?;
    let tx = k4.photo("j1", &photo, bytes.len());
    play.save(&mut store, &tx)?;
    let taken = store::backup::list(&play.backups())?.len();
    let stamp = format!("2026-03-14-{:04}", 900 + taken);
    let made = store.reader()?.backup(&play.backups(), &stamp, &[("keys/identity", b"not a key"), ("site", b"made up")])?;
    let check: Check = Arc::new(move |stage| {
        let (manifest, lost) = store::backup::check(&backups(stage), &stamp).map_err(|e| format!("{stamp}: {e}"))?;
        let whole = lost.is_empty() && manifest.entries == made.entries && manifest.photos.len() as u64 == made.photos;
        if whole { Ok(()) } else { Err(format!("{stamp} holds less than it did: {manifest:?}, lost {lost:?}")) }
    });
    play.ack(Fact::Holds("an acknowledged backup", check));
    let tx = k4.note("j1", "after the backup");
    play.save(&mut store, &tx)
}

/// A backup of a store that is no more.
fn backup_alone(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open_at("old")?;
    store.accept(trailer().1)?;
    let mut k4 = Author::new(4, "K4");
    store.append(&[k4.begin(), k4.open_job("j1", "K4-001", 47)].concat())?;
    for n in 0..2 {
        let bytes = picture(n, 2500);
        let photo = store.photos().put(&bytes)?;
        store.append(&k4.photo("j1", &photo, bytes.len()))?;
        play.facts.push(Fact::Photo(photo));
    }
    store.reader()?.backup(&play.backups(), STAMP, &[("keys/identity", b"not a key")])?;
    play.facts.extend(super::play::all_entries(&store)?.into_iter().map(|s| Fact::Entry(Box::new(s))));
    Ok(())
}

const STAMP: &str = "2026-03-14-0300";

/// Restores the backup into an empty folder and goes on.
fn restore(play: &mut Play<'_>) -> Result<(), StoreError> {
    restore_again(play.stage)?;
    let mut store = play.open()?;
    let tx = k4(&store)?.note("j1", "after the restore");
    play.save(&mut store, &tx)
}

/// Restores, or says that it is done: what the runbook has a supervisor do after a cut.
fn restore_again(stage: &dyn Stage) -> Result<(), StoreError> {
    let into = stage.root().join("store");
    let result = store::backup::restore(&backups(stage), STAMP, &into, stage.options(), &mut |_, _| Ok(()));
    match result {
        Err(StoreError::NotEmpty(_)) => Ok(()),
        Err(e) => Err(e),
        Ok(restored) => {
            assert!(restored.report.is_good() && restored.photos_lost.is_empty(), "{:?}", restored.report);
            Ok(())
        }
    }
}

/// A tablet whose database has gaps.
fn with_gaps(play: &mut Play<'_>) -> Result<(), StoreError> {
    with_photos(play)?;
    let mut store = play.open()?;
    for n in 0..12 {
        store.set_setting(&format!("draft/{n}"), &"z".repeat(2000))?;
    }
    for n in 0..12 {
        store.remove_setting(&format!("draft/{n}"))?;
    }
    leave(play, store);
    Ok(())
}

/// Gives the room of the gaps back.
fn compact(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let mut k4 = k4(&store)?;
    let tx = k4.note("j1", "before compacting");
    play.save(&mut store, &tx)?;
    store.compact()?;
    let tx = k4.note("j1", "after compacting");
    play.save(&mut store, &tx)
}

/// A tablet, and the whole store of another one in a file.
fn with_bundle(play: &mut Play<'_>) -> Result<(), StoreError> {
    tablet(play)?;
    bundle(play)
}

/// The whole store of another tablet in a file: one that no other flow writes as, since the killed process plays them all.
pub fn bundle(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut other = play.open_at("old")?;
    other.accept(trailer().1)?;
    let mut k3 = Author::new(3, "K3");
    other.append(&[k3.begin(), k3.open_job("a1", "K3-001", 47)].concat())?;
    for n in 0..2 {
        let bytes = picture(n + 10, 2500);
        let photo = other.photos().put(&bytes)?;
        other.append(&k3.photo("a1", &photo, bytes.len()))?;
    }
    other.export_file(&play.at("whole.tar"))?;
    Ok(())
}

/// Brings the file in.
fn import(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let report = store.import(&play.at("whole.tar"))?;
    assert!(report.is_complete(), "{report}");
    for n in 0..2 {
        play.ack(Fact::Photo(hash(&picture(n + 10, 2500))));
    }
    let k3 = Author::new(3, "K3").incarnation();
    for sealed in store.read(&k3, 1, usize::MAX)? {
        play.ack(Fact::Entry(Box::new(sealed)));
    }
    let tx = k4(&store)?.note("j1", "after the import");
    play.save(&mut store, &tx)
}

/// Writes the whole store into a file, twice.
fn export(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    for n in 0..2 {
        let path = play.at("out.tar");
        store.reader()?.export_file(&path)?;
        let sum = play.stage.read(&path).map(|bytes| blake3::hash(&bytes));
        // The second export replaces the first: then one of the two stands, whole.
        let check: Check = Arc::new(move |stage| match stage.read(&path) {
            Some(bytes) if Some(blake3::hash(&bytes)) == sum || whole_bundle(&bytes) => Ok(()),
            _ => Err(format!("export {n} is not the file that was written")),
        });
        play.ack(Fact::Holds("an acknowledged export", check));
        let tx = k4(&store)?.note("j1", "after the export");
        play.save(&mut store, &tx)?;
    }
    Ok(())
}

/// True where a store takes all of it in.
fn whole_bundle(bytes: &[u8]) -> bool {
    let machine = Machine::new();
    let store = Store::open(Path::new("/data/check"), machine.options());
    store.and_then(|mut store| store.import_from(bytes)).is_ok_and(|report| report.is_complete())
}

/// The frozen store of the first layout.
fn frozen(play: &mut Play<'_>) -> Result<(), StoreError> {
    static FILES: OnceLock<Tree> = OnceLock::new();
    let tree = FILES.get_or_init(|| {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../compat/v1/store");
        let mut tree = Tree::default();
        let mut folders = vec![root.clone()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(&folder).expect("the frozen store is there") {
                let path = entry.expect("an entry of it").path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    let inside: PathBuf = Path::new(FOLDER).join(path.strip_prefix(&root).expect("below the root"));
                    tree.put(&inside, std::fs::read(&path).expect("a file of it"));
                }
            }
        }
        tree
    });
    play.stage.put(tree);
    Ok(())
}

/// Opens a store of the first layout and goes on with it.
fn migrate(play: &mut Play<'_>) -> Result<(), StoreError> {
    let mut store = play.open()?;
    let (mut k7, first) = author(&store, 7, "K7")?;
    play.save(&mut store, &first)?;
    let tx = k7.note("j1", "after the update");
    play.save(&mut store, &tx)
}
