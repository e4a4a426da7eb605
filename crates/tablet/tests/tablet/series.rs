//! A tablet that was copied or set back begins a new series by itself, goes on recording, and loses nothing.

use crate::kit::{Kit, MORNING, from_trailer, open, pin_of, says, series_of};
use job::standing::SeriesRole;
use journal::{DeviceId, Draft, Sealed, SigningKey, SiteId, Stamp, Subject, Value, Writer};
use serde_json::{Value as Json, json};
use std::fs;
use std::path::Path;
use std::sync::{Arc, Mutex};
use store::Options;
use tablet::{FakeEnv, KeyHome, Tablet};
use tempfile::TempDir;

/// `cp -r`.
fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target)
        } else {
            let _bytes = fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// A tablet at work: one job with two notes.
fn at_work(machine: u64) -> (Kit, String) {
    let kit = Kit::new("K4", machine);
    kit.sign_in("ana-r");
    let job = kit.open_job();
    note(&kit, &job, "first");
    note(&kit, &job, "second");
    (kit, job)
}

fn note(kit: &Kit, job: &str, text: &str) {
    kit.call("record", json!({ "job": job, "field": "notes", "body": { "text": text }, "basis": [] }));
}

fn notes(kit: &Kit, job: &str) -> usize {
    kit.job(job)["lists"]["notes"].as_array().map_or(0, Vec::len)
}

fn closed(kit: Kit) -> (TempDir, Arc<FakeEnv>) {
    drop(kit.tablet);
    (kit.dir, kit.env)
}

fn opened(dir: TempDir, env: Arc<FakeEnv>) -> Kit {
    let tablet = Tablet::open_with(dir.path(), env.clone(), Options::default()).unwrap();
    Kit { dir, env, tablet }
}

/// The database with all it holds, without its log.
fn database(dir: &Path) -> Vec<u8> {
    open(dir).compact().unwrap();
    fs::read(dir.join("journal.sqlite")).unwrap()
}

fn put_back(dir: &Path, bytes: &[u8], same_file: bool) {
    for log in ["journal.sqlite-wal", "journal.sqlite-shm"] {
        let _ = fs::remove_file(dir.join(log));
    }
    let file = dir.join("journal.sqlite");
    if same_file {
        fs::write(file, bytes).unwrap();
    } else {
        fs::write(dir.join("restored"), bytes).unwrap();
        fs::rename(dir.join("restored"), file).unwrap();
    }
}

/// It says what happened, goes on at once under a new name, and counts what it had; gives the new name.
#[track_caller]
fn began_anew(kit: &Kit, code: &str, before: u64) -> String {
    let state = kit.call("state", json!({}));
    let (name, lives) = (state["tablet"].as_str().unwrap().to_owned(), &state["lives"]);
    println!("{name}: {}", lives["note"]["words"]);
    assert_eq!((&lives["note"]["code"], &state["paired"], &state["must_pair"]), (&json!(code), &json!(true), &json!(true)));
    assert!(
        name.starts_with("K4-") && name.len() == 6 && name[3..].bytes().all(|b| b.is_ascii_digit() || b.is_ascii_uppercase()),
        "{name}"
    );
    // The beginning of the new series is a record as well.
    assert_eq!(lives["entries_here"], json!(before + 1), "{lives}");
    let fault = kit.refused("sync_start", json!({}));
    assert_eq!((fault.status, fault.code()), (409, "pair-again"));
    kit.sign_in("ana-r");
    let job = kit.open_tube(90);
    assert_eq!(kit.job(&job)["number"], json!(format!("{name}-001")));
    name
}

#[test]
fn a_copied_folder_is_a_tablet_of_its_own_and_both_record() {
    let (kit, job) = at_work(201);
    let (dir, env) = closed(kit);
    let elsewhere = tempfile::tempdir().unwrap();
    copy(dir.path(), elsewhere.path());
    let (original, twin) = (opened(dir, env), opened(elsewhere, Arc::new(FakeEnv::new(MORNING, 402))));
    // 1 beginning, 2 for the job, 2 notes.
    let name = began_anew(&twin, "series-copied", 5);
    assert_ne!((original.tablet.device(), original.tablet.incarnation()), (twin.tablet.device(), twin.tablet.incarnation()));
    assert_eq!(original.tablet.incarnation(), series_of(201));
    assert!(original.call("state", json!({}))["lives"]["note"].is_null());
    original.sign_in("ana-r");
    note(&original, &job, "on the original");
    note(&twin, &job, "on the copy");
    let next = original.open_tube(91);
    assert_eq!(original.job(&next)["number"], "K4-002");
    assert_eq!((notes(&original, &job), notes(&twin, &job)), (3, 3));
    // Restarts change nothing more on either.
    let (series, twin) = (twin.tablet.incarnation(), twin.restart());
    assert_eq!((twin.tablet.incarnation(), twin.call("state", json!({}))["tablet"].clone()), (series, json!(name)));
    let own = twin.call("series", json!({}));
    println!("{own:#}");
    assert_eq!(own["own"].as_array().unwrap().len(), 2);
    assert_eq!((&own["own"][0]["current"], &own["own"][0]["head"], &own["own"][0]["waiting"]), (&json!(false), &json!(5), &json!(5)));
    assert_eq!((&own["own"][1]["current"], &own["own"][1]["name"]), (&json!(true), &json!(name)));
    assert_eq!(original.restart().tablet.incarnation(), series_of(201));
}

#[test]
fn a_copy_of_a_copy_has_a_name_of_its_own() {
    let (kit, _) = at_work(203);
    let (dir, _) = closed(kit);
    let mut names = vec!["K4".to_owned()];
    let mut from = dir;
    for machine in 404..407 {
        let to = tempfile::tempdir().unwrap();
        copy(from.path(), to.path());
        let twin = opened(to, Arc::new(FakeEnv::new(MORNING, machine)));
        names.push(twin.call("state", json!({}))["tablet"].as_str().unwrap().to_owned());
        from = closed(twin).0;
    }
    println!("{names:?}");
    assert!(names[1..].iter().all(|n| n.starts_with("K4-") && n.len() == 6));
    names.dedup();
    assert_eq!(names.len(), 4);
}

#[test]
fn a_database_put_back_is_seen_by_its_file_and_by_its_last_entry() {
    for (same_file, machine) in [(false, 208), (true, 209)] {
        let (kit, job) = at_work(machine);
        let device = kit.tablet.device();
        let (dir, env) = closed(kit);
        let old = database(dir.path());
        let kit = opened(dir, env);
        kit.sign_in("ana-r");
        for n in 0..8 {
            note(&kit, &job, &format!("later {n}"));
        }
        let (dir, env) = closed(kit);
        put_back(dir.path(), &old, same_file);
        let kit = opened(dir, env);
        println!("written over the same file: {same_file}");
        began_anew(&kit, "series-set-back", 5);
        assert_eq!(kit.tablet.device(), device, "it is the same tablet");
        assert_eq!(notes(&kit, &job), 2, "what the copy held can be read");
    }
}

#[test]
fn another_history_at_the_same_length_is_seen() {
    let (kit, job) = at_work(210);
    let (dir, env) = closed(kit);
    let fork = database(dir.path());
    let kit = opened(dir, env);
    kit.sign_in("ana-r");
    note(&kit, &job, "the one");
    let (dir, env) = closed(kit.restart());
    let one = database(dir.path());
    // The same key writes another third note over the old copy, where nobody sees it.
    let aside = tempfile::tempdir().unwrap();
    copy(dir.path(), aside.path());
    put_back(aside.path(), &fork, true);
    let _ = fs::remove_file(aside.path().join("place.json"));
    let other = opened(aside, Arc::new(FakeEnv::new(MORNING, 411)));
    other.sign_in("ana-r");
    note(&other, &job, "the other");
    let (aside, _) = closed(other);
    let other = database(aside.path());
    put_back(dir.path(), &other, true);
    let kit = opened(dir, env);
    began_anew(&kit, "series-set-back", 6);
    assert_ne!(one, other);
}

#[test]
fn an_empty_database_under_an_old_key_does_not_begin_the_old_series_again() {
    let (kit, _) = at_work(212);
    let series = kit.tablet.incarnation();
    let (dir, env) = closed(kit);
    for file in ["journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"] {
        let _ = fs::remove_file(dir.path().join(file));
    }
    let kit = opened(dir, env);
    let state = kit.call("state", json!({}));
    println!("{}", state["lives"]["note"]["words"]);
    assert_ne!(kit.tablet.incarnation(), series);
    assert_eq!((&state["paired"], &state["lives"]["note"]["code"]), (&json!(false), &json!("series-set-back")));
    assert!(state["tablet"].as_str().unwrap().starts_with("K4-"), "its old job numbers may be in use: {}", state["tablet"]);
}

#[test]
fn an_old_key_put_back_a_lost_key_and_another_machine_are_seen() {
    let (kit, _) = at_work(213);
    let (dir, env) = closed(kit);
    let key = fs::read(dir.path().join("device.key")).unwrap();
    fs::remove_file(dir.path().join("device.key")).unwrap();
    let kit = opened(dir, env);
    began_anew(&kit, "series-key-lost", 5);
    let (dir, env) = closed(kit);
    fs::write(dir.path().join("device.key"), &key).unwrap();
    let kit = opened(dir, env);
    // 5 of the first, 1 + 2 of the second.
    began_anew(&kit, "series-key-changed", 8);
    let (dir, env) = closed(kit);
    env.set_machine([1; 16]);
    let kit = opened(dir, env);
    let series = kit.tablet.incarnation();
    let (dir, env) = closed(kit);
    env.set_machine([2; 16]);
    let kit = opened(dir, env);
    assert_ne!(kit.tablet.incarnation(), series);
    began_anew(&kit, "series-other-machine", 11);
    assert_eq!(kit.call("series", json!({}))["own"].as_array().unwrap().len(), 4);
}

#[test]
fn a_damaged_log_that_may_have_taken_records_ends_the_series() {
    let (kit, job) = at_work(224);
    for n in 0..4 {
        note(&kit, &job, &format!("in the log {n}"));
    }
    // As a power cut leaves it: the last saves are in the log and not yet in the database.
    let files = ["journal.sqlite", "journal.sqlite-wal"].map(|name| (name, fs::read(kit.dir.path().join(name)).unwrap()));
    let (dir, env) = closed(kit);
    for (name, mut bytes) in files {
        if name.ends_with("-wal") {
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
        }
        fs::write(dir.path().join(name), bytes).unwrap();
    }
    let _ = fs::remove_file(dir.path().join("journal.sqlite-shm"));
    let kit = opened(dir, env);
    let note = kit.call("state", json!({}))["lives"]["note"].clone();
    println!("{}", note["words"]);
    assert_eq!(note["code"], "series-log-damaged");
    assert_ne!(kit.tablet.incarnation(), series_of(224));
    let series = kit.tablet.incarnation();
    assert_eq!(kit.restart().tablet.incarnation(), series, "it is told once");
}

#[test]
fn restarts_clocks_reboots_and_compaction_change_nothing() {
    let (mut kit, job) = at_work(214);
    let series = kit.tablet.incarnation();
    kit.env.set_machine([7; 16]);
    for round in 0..4 {
        kit.env.set_wall(MORNING + (round - 2) * 10 * 365 * 86_400_000);
        kit.env.reboot();
        let (dir, env) = closed(kit);
        database(dir.path());
        kit = opened(dir, env);
        assert_eq!(kit.tablet.incarnation(), series);
        assert!(kit.call("state", json!({}))["lives"]["note"].is_null());
        kit.sign_in("ana-r");
        note(&kit, &job, &format!("round {round}"));
    }
    // Without a mark nothing is claimed; the trailer still sees two writers.
    let (dir, env) = closed(kit);
    fs::remove_file(dir.path().join("place.json")).unwrap();
    let (dir, env) = closed(opened(dir, env));
    fs::write(dir.path().join("place.json"), "half a ma").unwrap();
    let (dir, env) = closed(opened(dir, env));
    fs::write(dir.path().join("place.json"), r#"{"format":2,"new":true}"#).unwrap();
    assert_eq!(opened(dir, env).tablet.incarnation(), series);
}

#[test]
fn a_copied_tablet_that_never_recorded_gets_its_own_key_without_a_word() {
    let (dir, env) = (tempfile::tempdir().unwrap(), Arc::new(FakeEnv::new(MORNING, 215)));
    let fresh = opened(dir, env);
    let (series, device) = (fresh.tablet.incarnation(), fresh.tablet.device());
    let (dir, _) = closed(fresh);
    let to = tempfile::tempdir().unwrap();
    copy(dir.path(), to.path());
    let twin = opened(to, Arc::new(FakeEnv::new(MORNING, 416)));
    assert!(twin.tablet.incarnation() != series && twin.tablet.device() != device);
    assert!(twin.call("state", json!({}))["lives"]["note"].is_null());
}

#[test]
fn a_tablet_that_calls_itself_a_server_changes_nothing() {
    let (kit, job) = at_work(217);
    let plan = kit.call("plan", json!({}));
    let (dir, env) = closed(kit);
    let rogue = SigningKey::from_seed([66; 32]);
    let site: SiteId = serde_json::from_value(crate::kit::outage().0["site"].clone()).unwrap();
    let entries = rogue_entries(&rogue, site);
    let series = journal::Incarnation::of(&rogue.public());
    open(dir.path()).accept(entries).unwrap();
    let kit = opened(dir, env);
    assert_eq!(kit.call("plan", json!({})), plan);
    kit.sign_in("ana-r");
    note(&kit, &job, "the plan is the trailer's");
    let others = kit.call("series", json!({}))["others"].clone();
    let shown = others.as_array().unwrap().iter().find(|s| s["series"] == json!(series)).unwrap();
    println!("{shown}");
    assert_eq!((&shown["known"], &shown["apart"]), (&json!(false), &json!(2)));
    // Taken in as a tablet it may record, and its plan is still none.
    let (dir, env) = closed(kit);
    from_trailer(dir.path(), vec![says(series, SeriesRole::Tablet, None)]);
    let kit = opened(dir, env);
    assert_eq!(kit.call("plan", json!({})), plan);
    assert_eq!(kit.call("series", json!({}))["own"][0]["known"], true);
}

fn rogue_entries(key: &SigningKey, site: SiteId) -> Vec<Sealed> {
    let device = DeviceId([66; 16]);
    let stamp = Stamp { wall_ms: MORNING, boot: journal::BootId([6; 16]), uptime_ms: 1, person: journal::PersonId("nobody".into()) };
    let mut writer = Writer::new(site, device, journal::Incarnation::of(&key.public()), None, 0);
    let begin = writer.transaction(&stamp, vec![Draft::series_begin(device, key, "trailer", "server")], key).unwrap();
    writer.advance(&begin);
    let mut plan = crate::kit::outage().0.clone();
    plan["plant"] = "Another plant".into();
    let draft = Draft {
        kind: "site-plan".into(),
        version: 1,
        subject: Subject("site/plan".into()),
        basis: vec![],
        body: Value::from_json(&plan).unwrap(),
    };
    [begin, writer.transaction(&stamp, vec![draft], key).unwrap()].concat()
}

/// A keyring in memory that can be locked.
#[derive(Default)]
struct Ring(Mutex<(bool, std::collections::BTreeMap<String, [u8; 32]>)>);

impl KeyHome for Ring {
    fn load(&self, name: &str) -> Result<Option<[u8; 32]>, String> {
        let ring = self.0.lock().unwrap();
        if ring.0 { Err("it is locked".into()) } else { Ok(ring.1.get(name).copied()) }
    }
    fn save(&self, name: &str, secret: &[u8; 32]) -> Result<(), String> {
        let mut ring = self.0.lock().unwrap();
        if ring.0 {
            return Err("it is locked".into());
        }
        ring.1.insert(name.to_owned(), *secret);
        Ok(())
    }
}

#[test]
fn a_keyring_keeps_the_key_a_locked_one_is_waited_for_and_an_empty_one_makes_a_new_series() {
    let ring = Arc::new(Ring::default());
    let dir = tempfile::tempdir().unwrap();
    let start = |env: u64, ring: Option<Arc<Ring>>| {
        Tablet::open_in(dir.path(), Arc::new(FakeEnv::new(MORNING, env)), Options::default(), ring.map(|r| r as Arc<dyn KeyHome>))
    };
    let tablet = start(218, Some(ring.clone())).unwrap();
    let (series, home) = (tablet.incarnation(), tablet.call("state", json!({})).unwrap()["lives"]["key_home"].clone());
    drop(tablet);
    assert_eq!(home, "keyring");
    let file = fs::read_to_string(dir.path().join("device.key")).unwrap();
    assert!(!file.contains("seed"), "{file}");
    ring.0.lock().unwrap().0 = true;
    for ring in [Some(ring.clone()), None] {
        let fault = start(219, ring).err().unwrap();
        println!("{} {fault}", fault.status);
        assert_eq!((fault.status, fault.code()), (409, "keyring-locked"));
    }
    assert_eq!(fs::read_to_string(dir.path().join("device.key")).unwrap(), file, "nothing was overwritten");
    ring.0.lock().unwrap().0 = false;
    assert_eq!(start(220, Some(ring.clone())).unwrap().incarnation(), series);
    ring.0.lock().unwrap().1.clear();
    assert_ne!(start(221, Some(ring.clone())).unwrap().incarnation(), series);
    // A keyring that takes nothing leaves the file, and it is said.
    let other = tempfile::tempdir().unwrap();
    ring.0.lock().unwrap().0 = true;
    let tablet = Tablet::open_in(other.path(), Arc::new(FakeEnv::new(MORNING, 222)), Options::default(), Some(ring)).unwrap();
    assert_eq!(tablet.call("state", json!({})).unwrap()["lives"]["key_home"], "file");
}

#[test]
fn signing_in_needs_no_room_on_the_disk_and_guessing_is_slowed_all_the_same() {
    use store::disk::lying::Fault;
    let kit = Kit::new("K4", 223);
    let (dir, env) = closed(kit);
    let vfs = store::testkit::vfs::FaultVfs::new("full-at-sign-in");
    let options = || Options { vfs: Some(vfs.name()), ..Options::default() };
    let tablet = Tablet::open_with(dir.path(), env.clone(), options()).unwrap();
    vfs.fail_at(1, Fault::Full);
    let sign_in = |tablet: &Tablet, pin: &str| -> Result<Json, (u16, String)> {
        env.pass(1_000);
        tablet.call("sign_in", json!({ "person": "ana-r", "pin": pin })).map_err(|f| (f.status, f.code().to_owned()))
    };
    assert!(sign_in(&tablet, pin_of("ana-r")).is_ok());
    let job =
        json!({ "section": "front-wall", "place": { "row": 1, "tube": 4, "elevation": { "typed": "54", "unit": "ft" }, "side": "fire" } });
    let refused = tablet.call("open_job", job.clone()).unwrap_err();
    println!("{refused}");
    assert_eq!((refused.status, &tablet.call("state", json!({})).unwrap()["storage"]["full"]), (507, &json!(true)));
    for _ in 0..4 {
        assert_eq!(sign_in(&tablet, "000000"), Err((401, "wrong-pin".into())));
    }
    assert_eq!(sign_in(&tablet, "000000"), Err((429, "slow-down".into())));
    assert_eq!(sign_in(&tablet, pin_of("ana-r")), Err((429, "slow-down".into())));
    vfs.make_room();
    // With room again the next miss is kept on disk: a restart gives no free tries.
    env.pass(300_000);
    assert_eq!(sign_in(&tablet, "000000").unwrap_err().0, 429);
    drop(tablet);
    let tablet = Tablet::open_with(dir.path(), env.clone(), options()).unwrap();
    assert_eq!(sign_in(&tablet, pin_of("ana-r")).unwrap_err().0, 429);
    env.pass(300_000);
    assert!(sign_in(&tablet, pin_of("ana-r")).is_ok());
    assert!(tablet.call("open_job", job).is_ok());
}
