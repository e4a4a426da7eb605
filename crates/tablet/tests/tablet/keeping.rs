//! Keeping safe: the check of the whole store, and all of it in one file, brought in elsewhere.

use crate::kit::{Kit, MORNING, open, pin_of};
use crate::photos::jpeg;
use journal::PhotoHash;
use serde_json::{Value as Json, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use store::Options;
use tablet::{FakeEnv, Tablet};

/// Waits for the check's end and gives what it found.
#[track_caller]
fn checked(kit: &Kit) -> Json {
    assert_eq!(kit.call("check_store", json!({}))["running"], true);
    loop {
        let state = kit.call("check_state", json!({}));
        if state["running"] == false {
            assert!(state["error"].is_null(), "{state}");
            println!("{}", state["result"]["say"]["words"]);
            return state["result"].clone();
        }
        std::thread::yield_now();
    }
}

/// A job with a note and two photos; gives the job and the photos.
fn at_work(kit: &Kit) -> (String, Vec<String>) {
    kit.sign_in("ana-r");
    let job = kit.open_job();
    kit.record(&job, "notes", json!({ "text": "wet below" }));
    let put = |width, view: &str| {
        let answer = kit.tablet.photo_put(json!({ "job": job, "view": view, "caption": "" }), jpeg(width, 200)).unwrap();
        answer["hash"].as_str().unwrap().to_owned()
    };
    let photos = vec![put(300, "overview"), put(400, "close")];
    (job, photos)
}

fn original(dir: &Path, hash: &str) -> PathBuf {
    dir.join("photos").join(&hash[..2]).join(hash)
}

#[test]
fn a_whole_store_is_found_whole_and_needs_nobody_signed_in() {
    let kit = Kit::new("K4", 231);
    at_work(&kit);
    kit.call("sign_out", json!({}));
    let found = checked(&kit);
    assert_eq!((&found["good"], &found["photos"], &found["faults"]), (&json!(true), &json!(2), &json!([])), "{found}");
    assert_eq!((&found["series"], &found["say"]["code"]), (&json!(2), &json!("check-good")));
    let (entries, dir) = (found["entries"].as_u64().unwrap(), kit.dir);
    drop(kit.tablet);
    assert_eq!(entries, open(dir.path()).entries().unwrap());
}

#[test]
fn a_damaged_photo_is_named_and_whether_the_trailer_has_it() {
    let kit = Kit::new("K4", 232);
    let (_, photos) = at_work(&kit);
    let Kit { dir, env, tablet } = kit;
    drop(tablet);
    open(dir.path()).set_photo_receipt(&PhotoHash::from_hex(&photos[0]).unwrap(), MORNING).unwrap();
    for photo in &photos {
        let path = original(dir.path(), photo);
        let mut bytes = fs::read(&path).unwrap();
        bytes[100] ^= 1;
        fs::write(path, bytes).unwrap();
    }
    let tablet = Tablet::open_with(dir.path(), env.clone(), Options::default()).unwrap();
    let kit = Kit { dir, env, tablet };
    let found = checked(&kit);
    assert_eq!((&found["good"], &found["say"]["code"], &found["say"]["with"]["n"]), (&json!(false), &json!("check-faults"), &json!("2")));
    let of = |photo: &str| found["faults"].as_array().unwrap().iter().find(|f| f["photo"] == photo).unwrap().clone();
    for (photo, code, there) in [(&photos[0], "photo-damaged-there-whole", true), (&photos[1], "photo-damaged-only-here", false)] {
        let fault = of(photo);
        println!("{}", fault["words"]);
        assert_eq!((&fault["code"], &fault["in_trailer"]), (&json!(code), &json!(there)));
    }
}

#[test]
fn a_damaged_record_is_named_and_the_others_go_along() {
    let kit = Kit::new("K4", 233);
    let (job, _) = at_work(&kit);
    let Kit { dir, env, tablet } = kit;
    drop(tablet);
    open(dir.path()).compact().unwrap();
    let file = dir.path().join("journal.sqlite");
    let mut bytes = fs::read(&file).unwrap();
    let at = bytes.windows(9).position(|w| w == b"wet below").unwrap();
    bytes[at] = b'p';
    fs::write(&file, bytes).unwrap();
    let tablet = Tablet::open_with(dir.path(), env.clone(), Options::default()).unwrap();
    let kit = Kit { dir, env, tablet };
    let found = checked(&kit);
    assert_eq!(found["good"], false);
    for fault in found["faults"].as_array().unwrap() {
        println!("{}: {}", fault["code"], fault["words"]);
    }
    // The screens go on, and nothing claims to be safer than it is.
    assert!(kit.call("state", json!({}))["lives"]["entries_here"].as_u64().unwrap() > 0);
    println!("job {job}: {:?}", kit.tablet.call("job", json!({ "job": job })).err().map(|f| f.to_string()));
    let file = kit.call("export_store", json!({}));
    println!("{}", file["say"]["words"]);
    assert!(Path::new(file["path"].as_str().unwrap()).is_file());
}

#[test]
fn a_whole_store_is_brought_in_on_another_tablet_which_stays_who_it_is() {
    let (from, to) = (Kit::new("K4", 234), tempfile::tempdir().unwrap());
    let (job, photos) = at_work(&from);
    from.call("sign_out", json!({}));
    let file = from.call("export_store", json!({}));
    println!("{}: {}", file["name"], file["say"]["words"]);
    let name = file["name"].as_str().unwrap();
    assert!(name.starts_with("tubewright-K4-20260302-06") && name.ends_with(".tar"), "{name}");
    assert_eq!((&file["photos"], &file["say"]["code"]), (&json!(2), &json!("export-whole")));
    let again = from.call("export_store", json!({ "to": from.dir.path() }));
    assert_ne!(file["path"], again["path"], "an earlier file is never written over");
    assert_eq!(from.refused("export_store", json!({ "to": "/no/such/stick" })).code(), "no-folder");

    // A tablet fresh from the box: nobody can sign in yet, so nobody need be.
    let env = Arc::new(FakeEnv::new(MORNING, 235));
    let tablet = Tablet::open_with(to.path(), env.clone(), Options::default()).unwrap();
    let spare = Kit { dir: to, env, tablet };
    let (device, series) = (spare.tablet.device(), spare.tablet.incarnation());
    let came = spare.call("import_store", json!({ "path": file["path"] }));
    println!("{}", came["say"]["words"]);
    assert_eq!((&came["complete"], &came["photos_new"], &came["say"]["code"]), (&json!(true), &json!(2), &json!("import-whole")));
    assert_eq!(came["stored"], file["entries"]);
    assert_eq!((spare.tablet.device(), spare.tablet.incarnation()), (device, series));
    assert_eq!(spare.job(&job)["lists"], from.job(&job)["lists"]);
    for photo in &photos {
        assert_eq!(spare.tablet.photo_get(photo, "full").unwrap(), from.tablet.photo_get(photo, "full").unwrap());
    }
    // The crew goes on with the spare one, under its own name.
    spare.sign_in("ana-r");
    let next = spare.open_tube(12);
    assert!(spare.job(&next)["number"].as_str().unwrap().starts_with('T'));
    // Now it belongs to a site: again needs somebody signed in, and does nothing twice.
    spare.call("sign_out", json!({}));
    assert_eq!(spare.refused("import_store", json!({ "path": file["path"] })).status, 401);
    spare.sign_in("m-diaz");
    let came = spare.call("import_store", json!({ "path": file["path"] }));
    assert_eq!((&came["stored"], &came["known"], &came["photos_known"]), (&json!(0), &file["entries"], &json!(2)));
    assert_eq!(spare.refused("import_store", json!({ "path": "/no/such.tar" })).code(), "no-file");
    let restored = checked(&spare);
    assert_eq!(restored["good"], true, "{restored}");
    same_entries(from, spare);
}

/// Every entry of the one is in the other, byte for byte.
fn same_entries(from: Kit, to: Kit) {
    let (from_dir, to_dir) = (from.dir, to.dir);
    drop((from.tablet, to.tablet));
    let (from, to) = (open(from_dir.path()), open(to_dir.path()));
    let mut compared = 0;
    for (series, head) in from.heads().unwrap().0 {
        assert_eq!(to.heads().unwrap().0.get(&series), Some(&head));
        let mut next = 1;
        while next <= head.seq {
            let (a, b) = (from.read(&series, next, 1 << 20).unwrap(), to.read(&series, next, 1 << 20).unwrap());
            assert_eq!(a, b);
            compared += a.len();
            next = a.last().unwrap().entry.seq + 1;
        }
    }
    println!("{compared} entries are the same byte for byte");
}

#[test]
fn a_cut_file_gives_what_can_be_proved_and_says_what_is_missing() {
    let (from, to) = (Kit::new("K4", 236), Kit::new("K7", 237));
    let (job, _) = at_work(&from);
    let file = from.call("export_store", json!({}));
    let whole = fs::read(file["path"].as_str().unwrap()).unwrap();
    let cut = to.dir.path().join("cut.tar");
    fs::write(&cut, &whole[..whole.len() - 8_000]).unwrap();
    to.sign_in("m-diaz");
    let came = to.call("import_store", json!({ "path": cut }));
    println!("{}", came["say"]["words"]);
    assert_eq!((&came["complete"], &came["whole"], &came["say"]["code"]), (&json!(false), &json!(false), &json!("import-part")));
    assert!(!came["photos_missing"].as_array().unwrap().is_empty());
    assert_eq!(to.job(&job)["number"], "K4-001", "the records stand before the photos");
    fs::write(&cut, "a shopping list").unwrap();
    let fault = to.refused("import_store", json!({ "path": cut }));
    assert_eq!((fault.status, fault.code()), (400, "export-unusable"));
    let entries = to.entries();
    assert!(entries > 0);
}

#[test]
fn people_record_while_all_is_written_into_a_file() {
    let kit = Kit::new("K4", 238);
    let (job, _) = at_work(&kit);
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            for n in 0..20 {
                kit.call("record", json!({ "job": job, "field": "notes", "body": { "text": format!("note {n}") }, "basis": [] }));
            }
        });
        for _ in 0..3 {
            let file = kit.call("export_store", json!({}));
            assert!(file["entries"].as_u64().unwrap() > 0);
        }
        writer.join().unwrap();
    });
    assert_eq!(kit.job(&job)["lists"]["notes"].as_array().unwrap().len(), 21);
    let found = checked(&kit);
    assert_eq!(found["good"], true, "{found}");
    kit.call("sign_in", json!({ "person": "m-diaz", "pin": pin_of("m-diaz") }));
}
