//! Every procedure of docs/runbook.md, played with the real programs: what it says is safe is there afterwards.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod kit;

use kit::*;
use reqwest::Method;
use serde_json::json;
use std::collections::BTreeSet;

/// Names of the tests that play the procedures.
const PLAYED: &[&str] = &[
    "restore_from_backup",
    "new_server_without_backup",
    "lost_tablet",
    "found_tablet",
    "copied_tablet",
    "broken_tablet",
    "carried_by_hand",
    "full_disk",
    "two_servers",
    "damaged_store",
    "new_address",
    "wrong_clock",
    "forgotten_pin",
];

#[test]
fn every_procedure_names_the_test_that_plays_it() {
    let page = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/runbook.md")).unwrap();
    let named: Vec<&str> = page.lines().filter_map(|l| l.strip_prefix("[`")?.strip_suffix("`]")).collect();
    assert_eq!(named, PLAYED);
    assert_eq!(page.lines().filter(|l| l.starts_with("## ")).count(), PLAYED.len());
    println!("{} procedures: {named:?}", named.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn restore_from_backup() {
    let (o, mut server, k1) = one_tablet().await;
    let k2 = o.tablet("K2");
    pair(&mut server, &k2).await;
    let first = work(&k1, 47, 1);
    sync(&k1);
    let root = o.path("backup");
    // While it serves: nobody stops the trailer for a backup.
    program(&["backup", "--data", text(&o.path("trailer")), "--to", text(&root)]);
    let after = work(&k2, 71, 2);
    sync(&k2);
    gap(&k1, &first, "20 1/2");
    server.kill();

    let newest = snapshot(&root);
    program(&["verify", "--from", text(&newest)]);
    program(&["restore", "--from", text(&newest), "--data", text(&o.path("new"))]);
    let (again, said) = try_program(&["restore", "--from", text(&newest), "--data", text(&o.path("new"))]);
    assert!(!again, "a folder with records in it is never written over: {said}");
    let mut server = o.serve("new").await;
    assert_eq!(tubes(&mut server).await, BTreeSet::from([47]));
    for crew in [&k1, &k2, &k1] {
        sync(crew);
    }
    assert_eq!(tubes(&mut server).await, BTreeSet::from([47, 71]), "the tablets give back what the snapshot had not");
    assert_eq!(gaps(&mut server, &first).await, BTreeSet::from(["20 1/2".to_owned()]));
    assert!(!server.job(&after).await["lists"]["photos"].as_array().unwrap().is_empty());
    assert_eq!((k1.only_here(), k2.only_here()), ((0, 0), (0, 0)), "all of it is signed for by the new server, photos too");
    assert_eq!(server.board().await["counts"]["photos_away"], 0);
    server.stop();
    program(&["verify", "--data", text(&o.path("new"))]);
}

#[tokio::test(flavor = "multi_thread")]
async fn new_server_without_backup() {
    let (o, mut server, k1) = one_tablet().await;
    let k2 = o.tablet("K2");
    pair(&mut server, &k2).await;
    let first = work(&k1, 47, 1);
    let second = work(&k2, 71, 2);
    for crew in [&k1, &k2, &k1] {
        sync(crew);
    }
    server.kill();
    drop(k2); // K2 is not here any more; K1 took its records in at its last sync.

    tubewright_tests::trailer::init(&o.path("new"));
    let mut server = o.serve("new").await;
    pair(&mut server, &k1).await;
    sync(&k1);
    sync(&k1);
    let strange: Vec<_> = series(&mut server).await.into_iter().filter(|s| s["standing"] == "unknown").collect();
    println!("{strange:#?}");
    assert!(strange.iter().any(|s| s["name"] == "K2"), "the tablet that is gone is named, not taken in by itself");
    assert!(!tubes(&mut server).await.contains(&71), "what nobody vouched for does not count");
    assert_eq!(server.board().await["ready"], false);
    for one in strange.iter().filter(|s| s["role"] == "tablet") {
        let body =
            json!({"incarnation": one["incarnation"], "to": null, "said": one["said"], "reason": "K2 of the dead server, looked through"});
        let (status, said) = server.request(Method::POST, "/api/board/series", Some(&body)).await;
        assert!(status.is_success(), "{status} {said}");
    }
    assert_eq!(tubes(&mut server).await, BTreeSet::from([47, 71]));
    assert_eq!(gaps(&mut server, &first).await.len() + gaps(&mut server, &second).await.len(), 2);
    assert_eq!(server.board().await["counts"]["photos_away"], 1, "K2's photo went with K2, and the board says so; K1 gave its own again");
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn lost_tablet() {
    let (_o, mut server, k1) = one_tablet().await;
    let job = work(&k1, 47, 1);
    sync(&k1);
    take_off(&mut server, "K1").await;
    gap(&k1, &job, "19");
    let refused = tubewright_tests::story::blocking(|| k1.sync()).unwrap_err();
    println!("{}", refused.words);
    assert_eq!(refused.code, "tablet-revoked");
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 9/16".to_owned()]), "what it synced counts, what came later does not");
    let board = server.board().await;
    assert!(board["tablets"].as_array().unwrap().iter().any(|t| t["name"] == "K1" && t["revoked"] == true));
    server.stop();
}

/// As the supervisor does on the board.
async fn take_off(server: &mut tubewright_tests::trailer::Trailer, name: &str) {
    let one = series(server).await.into_iter().find(|s| s["name"] == name).unwrap_or_else(|| panic!("no series of {name}"));
    let body = json!({"device": one["device"], "reason": "lost in the furnace"});
    let (status, said) = server.request(Method::POST, "/api/board/tablet/take-off", Some(&body)).await;
    assert!(status.is_success(), "{status} {said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn found_tablet() {
    let (_o, mut server, k1) = one_tablet().await;
    let job = work(&k1, 47, 1);
    sync(&k1);
    take_off(&mut server, "K1").await;
    gap(&k1, &job, "19 7/8");
    let paired = pair(&mut server, &k1).await;
    println!("paired again as {}", paired["tablet"]);
    assert_ne!(paired["tablet"], "K1", "it goes on under a new name");
    sync(&k1);
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 9/16".to_owned()]), "what was written meanwhile is kept apart");
    let old = series(&mut server).await.into_iter().find(|s| s["name"] == "K1").unwrap();
    assert!(old["apart"].as_u64().unwrap() > 0, "{old}");
    let (status, apart) =
        server.request(Method::GET, &format!("/api/board/series/{}/apart", old["incarnation"].as_str().unwrap()), None).await;
    assert!(status.is_success() && apart.to_string().contains("19 7/8"), "it can be read: {apart}");
    let body = json!({"incarnation": old["incarnation"], "to": old["head"], "said": old["said"], "reason": "it lay under the scaffold, M. Soto had it"});
    let (status, said) = server.request(Method::POST, "/api/board/series", Some(&body)).await;
    assert!(status.is_success(), "{status} {said}");
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["19 7/8".to_owned()]), "let in, it counts: it built on the first");
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn copied_tablet() {
    let (o, mut server, k1) = one_tablet().await;
    let job = work(&k1, 47, 1);
    sync(&k1);
    drop(k1);
    copy(&o.path("K1"), &o.path("copy"));
    let (k1, other) = (o.tablet("K1"), o.tablet("copy"));
    gap(&k1, &job, "20 1/2");
    gap(&other, &job, "20 5/8");
    println!("the copy says: {}", other.call("state", json!({}))["lives"]);
    sync(&k1);
    let paired = pair(&mut server, &other).await;
    sync(&other);
    sync(&k1);
    assert_ne!(paired["tablet"], "K1");
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 1/2".to_owned(), "20 5/8".to_owned()]), "both are there, as two answers");
    assert_eq!((k1.only_here().0, other.only_here().0), (0, 0));
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn broken_tablet() {
    let (o, server, k1) = one_tablet().await;
    let job = work(&k1, 47, 1);
    drop(k1);
    server.stop();
    let file = o.path("K1.tar");
    program(&["verify", "--data", text(&o.path("K1"))]);
    program(&["export", "--data", text(&o.path("K1")), "--to", text(&file)]);
    program(&["import", "--data", text(&o.path("trailer")), "--from", text(&file)]);
    let mut server = o.serve("trailer").await;
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 9/16".to_owned()]));
    assert_eq!(server.board().await["counts"]["photos_away"], 0, "its photo came along");
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn carried_by_hand() {
    let (o, server, k1) = one_tablet().await;
    server.stop();
    let job = work(&k1, 47, 1);
    std::fs::create_dir(o.path("stick")).unwrap();
    let out = k1.call("export_store", json!({"to": text(&o.path("stick"))}));
    println!("{out}");
    let file = out["path"].as_str().unwrap();
    let data = o.path("trailer");
    program(&["import", "--data", text(&data), "--from", file]);
    program(&["import", "--data", text(&data), "--from", file]);
    let mut server = o.serve("trailer").await;
    assert_eq!(gaps(&mut server, &job).await.len(), 1, "brought in twice, it is there once");
    server.stop();
    // A file that was cut on the way says so, and what came whole of it is kept.
    let whole = std::fs::read(file).unwrap();
    let cut = o.path("cut.tar");
    std::fs::write(&cut, &whole[..whole.len() * 2 / 3]).unwrap();
    let (well, said) = try_program(&["import", "--data", text(&data), "--from", text(&cut)]);
    assert!(!well && !said.is_empty());
    program(&["verify", "--data", text(&data)]);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_servers() {
    let (o, server, k1) = one_tablet().await;
    let first = work(&k1, 47, 1);
    sync(&k1);
    server.stop();
    tubewright_tests::trailer::init(&o.path("hut"));
    let mut hut = o.serve("hut").await;
    let k2 = o.tablet("K2");
    pair(&mut hut, &k2).await;
    let second = work(&k2, 71, 2);
    sync(&k2);
    hut.stop();
    let file = o.path("hut.tar");
    program(&["export", "--data", text(&o.path("hut")), "--to", text(&file)]);
    program(&["import", "--data", text(&o.path("trailer")), "--from", text(&file), "--trust"]);
    let mut server = o.serve("trailer").await;
    assert_eq!(tubes(&mut server).await, BTreeSet::from([47, 71]));
    assert_eq!(gaps(&mut server, &first).await.len() + gaps(&mut server, &second).await.len(), 2);
    pair(&mut server, &k2).await;
    gap(&k2, &second, "20 1/2");
    sync(&k2);
    assert_eq!(gaps(&mut server, &second).await, BTreeSet::from(["20 1/2".to_owned()]));
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn damaged_store() {
    let (o, mut server, k1) = one_tablet().await;
    let k2 = o.tablet("K2");
    pair(&mut server, &k2).await;
    let job = work(&k1, 47, 1);
    sync(&k1);
    let root = o.path("backup");
    program(&["backup", "--data", text(&o.path("trailer")), "--to", text(&root)]);
    server.stop();
    // One bit of a stored photo and one byte in the middle of the database.
    let photo = find_photo(&o.path("trailer"));
    let mut bytes = std::fs::read(&photo).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&photo, bytes).unwrap();
    let (well, said) = try_program(&["verify", "--data", text(&o.path("trailer"))]);
    assert!(!well && said.contains("photo"), "the damaged photo is named: {said}");
    program(&["restore", "--from", text(&snapshot(&root)), "--data", text(&o.path("new"))]);
    let mut server = o.serve("new").await;
    sync(&k1);
    sync(&k2);
    assert_eq!(gaps(&mut server, &job).await.len(), 1);
    assert_eq!(server.board().await["counts"]["photos_away"], 0);
    server.stop();
    program(&["verify", "--data", text(&o.path("new"))]);
}

fn find_photo(data: &std::path::Path) -> std::path::PathBuf {
    let mut folders = vec![data.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for item in std::fs::read_dir(folder).unwrap().flatten() {
            let path = item.path();
            if path.is_dir() {
                folders.push(path);
            } else if item.file_name().len() == 64 && path.components().any(|c| c.as_os_str() == "photos") {
                return path;
            }
        }
    }
    panic!("no photo in {}", data.display())
}

#[tokio::test(flavor = "multi_thread")]
async fn new_address() {
    let (o, server, k1) = one_tablet().await;
    let job = work(&k1, 47, 1);
    server.stop();
    let mut moved = tubewright_tests::trailer::Trailer::start(&o.path("trailer"), 0);
    moved.sign_in("m-diaz").await;
    let nobody = tubewright_tests::story::blocking(|| k1.sync()).unwrap_err();
    println!("at the old address: {}", nobody.words);
    k1.call("set_address", json!({"address": moved.https.to_string()}));
    sync(&k1);
    assert_eq!(gaps(&mut moved, &job).await.len(), 1, "it knows the server by its key; nobody paired again");
    moved.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn forgotten_pin() {
    let (o, server, k1) = one_tablet().await;
    server.stop();
    let plan = std::fs::read_to_string(tubewright_tests::paths::outage()).unwrap();
    let mut plan: serde_json::Value = serde_json::from_str(&plan).unwrap();
    let person = plan["people"].as_array_mut().unwrap().iter_mut().find(|p| p["id"] == "ana-r").unwrap();
    person["pin_plain"] = "730519".into();
    let file = o.path("outage.json");
    std::fs::write(&file, plan.to_string()).unwrap();
    program(&["init", "--data", text(&o.path("trailer")), "--plan", text(&file)]);
    let server = o.serve("trailer").await;
    sync(&k1);
    k1.call("sign_in", json!({"person": "ana-r", "pin": "730519"}));
    k1.refused("sign_in", json!({"person": "ana-r", "pin": tubewright_tests::crew::pin("ana-r")}));
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn full_disk() {
    let o = Outage::new();
    let mut server = o.serve("trailer").await;
    let machine = store::testkit::machine::Machine::new();
    let env = std::sync::Arc::new(tablet::SystemEnv::new().unwrap_or_else(|f| panic!("{f:?}")));
    std::fs::create_dir(o.path("K1")).unwrap();
    let options = store::Options { photo_floor: store::PHOTO_FLOOR, ..machine.options() };
    let opened = tablet::Tablet::open_with(&o.path("K1"), env, options).unwrap_or_else(|f| panic!("{f:?}"));
    let k1 = tubewright_tests::crew::Crew { tablet: opened, name: "K1".into() };
    pair(&mut server, &k1).await;
    let job = work(&k1, 47, 1);
    machine.set_free(100 << 20);
    let meta = json!({"job": job, "view": "middle", "caption": ""});
    let refused = k1.tablet.photo_put(meta.clone(), tubewright_tests::jpeg::photo(320, 240, 2)).unwrap_err();
    println!("{}", refused.words);
    assert!(refused.status == 507 && refused.code == "disk-nearly-full", "photos are refused first: {refused:?}");
    gap(&k1, &job, "20 1/2");
    machine.set_free(10 << 30);
    k1.tablet.photo_put(meta, tubewright_tests::jpeg::photo(320, 240, 2)).unwrap_or_else(|f| panic!("{f:?}"));
    sync(&k1);
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 1/2".to_owned()]), "records went on meanwhile");
    assert_eq!(server.job(&job).await["lists"]["photos"].as_array().unwrap().len(), 2);
    server.stop();
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_clock() {
    let o = Outage::new();
    let mut server = o.serve("trailer").await;
    let (right, wrong) = (o.tablet("K1"), {
        let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_millis() as i64;
        let env = std::sync::Arc::new(tablet::FakeEnv::new(now - 7_200_000, 7));
        let opened = tablet::Tablet::open_with(&o.path("K2"), env, store::Options::default()).unwrap_or_else(|f| panic!("{f:?}"));
        tubewright_tests::crew::Crew { tablet: opened, name: "K2".into() }
    });
    pair(&mut server, &right).await;
    pair(&mut server, &wrong).await;
    let job = work(&right, 47, 1);
    sync(&right);
    sync(&wrong);
    // Written after the other, on a clock two hours behind: it builds on what it saw, so it stands.
    gap(&wrong, &job, "20 1/2");
    sync(&wrong);
    sync(&wrong);
    assert_eq!(gaps(&mut server, &job).await, BTreeSet::from(["20 1/2".to_owned()]), "no clock decides");
    let by = server.job(&job).await["fields"]["gap/6"]["answers"][0]["by"][0].clone();
    println!("{by}");
    let skew = by["skew_ms"].as_i64().expect("the difference is known");
    assert!((-7_260_000..=-7_140_000).contains(&skew), "{skew}");
    server.stop();
}
