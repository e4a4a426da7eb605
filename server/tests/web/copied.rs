//! Tablets that were copied or set back, where only the trailer can tell: both versions are kept, the tablet begins a new
//! series, people go on, and after pairing again every record of both is in the trailer, counted or kept apart with a reason.

use crate::fixture::{As, Fixture, pin};
use serde_json::{Value as Json, json};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use store::{Options, Store};
use tablet::Tablet;

fn call(tablet: &Tablet, name: &str, args: Json) -> Json {
    tablet.call(name, args.clone()).unwrap_or_else(|f| panic!("{name} {args}: {f}"))
}

fn folder(fixture: &Fixture, name: &str) -> PathBuf {
    fixture.dir.path().join(name)
}

fn open(fixture: &Fixture, name: &str) -> Tablet {
    Tablet::open(&folder(fixture, name)).unwrap()
}

fn pair(fixture: &Fixture, tablet: &Tablet, name: &str) -> Json {
    let invitation = tubewright_server::pair::invite(fixture.app()).unwrap();
    let paired = call(tablet, "pair", json!({ "text": invitation.text, "name": name }));
    println!("paired: {paired}");
    assert!(paired["note"].is_null(), "{paired}");
    paired
}

fn paired(fixture: &Fixture, name: &str) -> Tablet {
    let tablet = open(fixture, name);
    assert_eq!(pair(fixture, &tablet, name)["tablet"], name);
    tablet
}

fn job(tablet: &Tablet) -> String {
    call(tablet, "sign_in", json!({ "person": "ana-r", "pin": pin("ana-r") }));
    let place = json!({ "section": "front-wall", "row": 1, "tube": 47, "elevation": { "typed": "54 1/2", "unit": "ft" }, "side": "fire", "landmark": "" });
    call(tablet, "open_job", json!({ "section": "front-wall", "place": place }))["job"].as_str().unwrap().to_owned()
}

fn note(tablet: &Tablet, job: &str, text: &str) {
    call(tablet, "sign_in", json!({ "person": "ana-r", "pin": pin("ana-r") }));
    call(tablet, "record", json!({ "job": job, "field": "notes", "body": { "text": text }, "basis": [] }));
}

fn notes(tablet: &Tablet, job: &str) -> Vec<String> {
    let view = call(tablet, "job", json!({ "job": job }));
    let mut all: Vec<String> =
        view["lists"]["notes"].as_array().unwrap().iter().map(|n| n["body"]["text"].as_str().unwrap().to_owned()).collect();
    all.sort();
    all
}

fn sync(tablet: &Tablet) -> Json {
    tablet.sync_blocking().unwrap_or_else(|f| panic!("sync: {f}"))
}

/// `cp -r`, and the place mark left out, so that the tablet itself cannot tell.
fn copy_unseen(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        match entry.file_type().unwrap().is_dir() {
            true => copy_unseen(&entry.path(), &target),
            false if entry.file_name() == "place.json" => {}
            false => drop(fs::copy(entry.path(), target)),
        }
    }
}

/// What became of every entry of a tablet's store in the trailer: how many are in the record, how many kept apart.
fn in_the_trailer(fixture: &Fixture, tablet: &Path) -> (usize, usize) {
    let store = Store::open(tablet, Options::default()).unwrap();
    let mut entries = Vec::new();
    for (series, head) in store.heads().unwrap().0 {
        let mut next = 1;
        while next <= head.seq {
            let piece = store.read(&series, next, 1 << 20).unwrap();
            next = piece.last().unwrap().entry.seq + 1;
            entries.extend(piece);
        }
    }
    let found = fixture.app().with_now(|trailer| {
        let refused: BTreeMap<_, _> = trailer.store.quarantine().unwrap().into_iter().map(|q| (q.hash, q.reason)).collect();
        let (mut merged, mut apart) = (0, 0);
        for sealed in &entries {
            if trailer.store.entry(&sealed.hash).unwrap().is_some_and(|held| held.bytes == sealed.bytes) {
                merged += 1;
            } else {
                let reason = refused
                    .get(&sealed.hash)
                    .unwrap_or_else(|| panic!("entry {} of {} is lost", sealed.entry.seq, sealed.entry.incarnation));
                assert!(!reason.is_empty());
                println!("kept apart: entry {} ({}): {reason}", sealed.entry.seq, sealed.entry.kind);
                apart += 1;
            }
        }
        Ok((merged, apart))
    });
    found.unwrap_or_else(|f| panic!("{f}"))
}

/// The tablet says what happened, has a new name, and does not know the trailer any more.
fn began_anew(tablet: &Tablet, code: &str) -> String {
    let state = call(tablet, "state", json!({}));
    println!("{}: {}", state["tablet"], state["lives"]["note"]["words"]);
    assert_eq!((&state["must_pair"], &state["lives"]["note"]["code"]), (&json!(true), &json!(code)));
    let name = state["tablet"].as_str().unwrap().to_owned();
    assert!(name.starts_with("K1-"), "{name}");
    name
}

#[test]
fn two_copies_that_both_record_are_told_apart_and_nothing_of_either_is_lost() {
    let fixture = Fixture::new();
    let k1 = paired(&fixture, "K1");
    let job = job(&k1);
    sync(&k1);
    drop(k1);
    copy_unseen(&folder(&fixture, "K1"), &folder(&fixture, "twin"));
    let (k1, twin) = (open(&fixture, "K1"), open(&fixture, "twin"));
    assert_eq!(k1.incarnation(), twin.incarnation(), "nobody can tell yet");
    note(&k1, &job, "by the original");
    note(&twin, &job, "by the copy");
    note(&twin, &job, "by the copy again");
    assert!(sync(&k1)["error"].is_null());
    let told = sync(&twin)["error"].clone();
    assert_eq!(told["code"], "series-two-versions", "{told}");
    let name = began_anew(&twin, "series-two-versions");
    // It goes on at once, and pairs again under its own name; the original is not disturbed.
    note(&twin, &job, "under the new name");
    assert_eq!(pair(&fixture, &twin, "K9")["tablet"], json!(name));
    assert!(sync(&twin)["error"].is_null());
    assert!(sync(&k1)["error"].is_null());
    assert_eq!(notes(&k1, &job), ["by the original", "under the new name"]);
    let states = call(&twin, "state", json!({}));
    assert!(states["lives"]["note"].is_null() && states["must_pair"] == false);
    // What the trailer keeps apart stays counted as not merged there: it has no receipt.
    assert_eq!((&states["lives"]["entries_here"], &states["lives"]["apart"]), (&json!(2), &json!(2)), "{states}");
    drop((k1, twin));
    assert_eq!(in_the_trailer(&fixture, &folder(&fixture, "K1")).1, 0);
    assert_eq!(in_the_trailer(&fixture, &folder(&fixture, "twin")).1, 2);
    let cookie = fixture.sign_in("m-diaz");
    let series = fixture.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board/series").json();
    let refused: u64 = series.as_array().unwrap().iter().map(|s| s["refused"].as_u64().unwrap_or(0)).sum();
    assert_eq!(refused, 2, "the board lists them: {series}");
}

#[test]
fn a_tablet_that_was_set_back_takes_back_what_the_trailer_has_and_begins_anew() {
    let fixture = Fixture::new();
    let k1 = paired(&fixture, "K1");
    let job = job(&k1);
    sync(&k1);
    drop(k1);
    copy_unseen(&folder(&fixture, "K1"), &folder(&fixture, "backup"));
    let k1 = open(&fixture, "K1");
    note(&k1, &job, "after the backup");
    note(&k1, &job, "and one more");
    sync(&k1);
    drop(k1);
    // The old folder in place of the newer one, without its mark.
    fs::rename(folder(&fixture, "K1"), folder(&fixture, "newer")).unwrap();
    fs::rename(folder(&fixture, "backup"), folder(&fixture, "K1")).unwrap();
    let k1 = open(&fixture, "K1");
    let told = sync(&k1)["error"].clone();
    assert_eq!(told["code"], "series-trailer-ahead", "{told}");
    let name = began_anew(&k1, "series-trailer-ahead");
    assert_eq!(notes(&k1, &job), ["after the backup", "and one more"], "taken back from the trailer");
    note(&k1, &job, "goes on");
    assert_eq!(pair(&fixture, &k1, "")["tablet"], json!(name));
    let state = sync(&k1);
    assert!(state["error"].is_null());
    assert_eq!(
        (&state["lives"]["entries_here"], &state["lives"]["state"]),
        (&json!(0), &json!("in-trailer")),
        "all of both series has a receipt"
    );
    drop(k1);
    for tablet in ["K1", "newer"] {
        assert_eq!(in_the_trailer(&fixture, &folder(&fixture, tablet)).1, 0);
    }
}

#[test]
fn a_tablet_that_was_set_back_and_recorded_on_keeps_both_versions() {
    let fixture = Fixture::new();
    let k1 = paired(&fixture, "K1");
    let job = job(&k1);
    sync(&k1);
    drop(k1);
    copy_unseen(&folder(&fixture, "K1"), &folder(&fixture, "backup"));
    let k1 = open(&fixture, "K1");
    note(&k1, &job, "a");
    note(&k1, &job, "b");
    note(&k1, &job, "c");
    sync(&k1);
    drop(k1);
    let k1 = open(&fixture, "backup");
    note(&k1, &job, "written over a");
    let told = sync(&k1)["error"].clone();
    assert_eq!(told["code"], "series-two-versions", "{told}");
    let name = began_anew(&k1, "series-two-versions");
    assert_eq!(pair(&fixture, &k1, "")["tablet"], json!(name));
    assert!(sync(&k1)["error"].is_null(), "it is told once");
    drop(k1);
    // The beginning of the new series is a record as well: all but the one note are merged.
    assert_eq!(in_the_trailer(&fixture, &folder(&fixture, "backup")).1, 1);
    assert_eq!(in_the_trailer(&fixture, &folder(&fixture, "K1")).1, 0);
    // Kept on the tablet, too: the trailer's version as far as it came.
    let store = Store::open(&folder(&fixture, "backup"), Options::default()).unwrap();
    println!("kept apart on the tablet: {}", store.quarantine().unwrap().len());
}

#[test]
fn a_copy_that_knows_itself_pairs_under_its_own_name_and_all_of_it_is_signed_for() {
    let fixture = Fixture::new();
    let k1 = paired(&fixture, "K1");
    let job = job(&k1);
    note(&k1, &job, "not synced before the copy");
    drop(k1);
    copy_unseen(&folder(&fixture, "K1"), &folder(&fixture, "twin"));
    fs::copy(folder(&fixture, "K1").join("place.json"), folder(&fixture, "twin").join("place.json")).unwrap();
    let (k1, twin) = (open(&fixture, "K1"), open(&fixture, "twin"));
    let name = began_anew(&twin, "series-copied");
    note(&k1, &job, "by the original");
    note(&twin, &job, "by the copy");
    // The copy comes first, with the old series as well; then the original finds it there.
    assert_eq!(pair(&fixture, &twin, "")["tablet"], json!(name));
    for tablet in [&k1, &twin, &k1] {
        let state = sync(tablet);
        assert!(state["error"].is_null(), "{state}");
    }
    for tablet in [&k1, &twin] {
        assert_eq!(call(tablet, "state", json!({}))["lives"]["entries_here"], 0);
    }
    sync(&twin);
    for tablet in [&k1, &twin] {
        assert_eq!(notes(tablet, &job), ["by the copy", "by the original", "not synced before the copy"]);
    }
    drop((k1, twin));
    for tablet in ["K1", "twin"] {
        assert_eq!(in_the_trailer(&fixture, &folder(&fixture, tablet)).1, 0);
    }
}

#[test]
fn a_tablet_taken_off_at_the_board_pairs_again_with_a_new_series() {
    let fixture = Fixture::new();
    let k1 = paired(&fixture, "K1");
    let (job, device, series) = (job(&k1), k1.device(), k1.incarnation());
    sync(&k1);
    let cookie = fixture.sign_in("m-diaz");
    let who = As { cookie: Some(&cookie), ..As::default() };
    let off = fixture.post(who, "/api/board/tablet/take-off", &json!({ "device": device, "reason": "left in the furnace" }));
    assert_eq!(off.status, 200, "{}", String::from_utf8_lossy(&off.body));
    note(&k1, &job, "while it was lost");
    let fault = k1.sync_blocking().unwrap_err();
    println!("{}: {fault}", fault.code());
    assert_eq!((fault.code(), k1.incarnation()), ("tablet-revoked", series), "a person decides, not the tablet");
    let name = pair(&fixture, &k1, "")["tablet"].as_str().unwrap().to_owned();
    assert!(name.starts_with("K1-") && k1.incarnation() != series && k1.device() == device, "{name}");
    note(&k1, &job, "found again");
    assert!(sync(&k1)["error"].is_null());
    let held = fixture.get(who, &format!("/api/board/job/{job}")).json();
    let texts: Vec<&Json> = held["lists"]["notes"].as_array().unwrap().iter().map(|n| &n["body"]["text"]).collect();
    assert_eq!(texts, [&json!("found again")], "what was written while it was lost is kept apart");
    drop(k1);
    assert_eq!(in_the_trailer(&fixture, &folder(&fixture, "K1")).1, 0, "and is in the trailer all the same");
}
