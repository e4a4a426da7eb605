//! Backups beside a running server, a restored one, a folder that was set back, and records carried in a file.

use crate::crew::{self, JOB, Tablet, gap_at_six, job_with_gap, pair, stranger};
use crate::fixture::{As, DEMO, Fixture, options};
use journal::{Heads, Incarnation, PhotoHash, Sealed};
use serde_json::{Value as Json, json};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use sync::CertifiedSeries;
use sync::message::PushReply;
use tempfile::TempDir;
use tubewright_server::backups::Schedule;
use tubewright_server::commands;
use tubewright_server::trailer::Trailer;

fn photo(fixture: &Fixture, by: &Tablet, bytes: &[u8]) -> PhotoHash {
    let hash = PhotoHash(*blake3::hash(bytes).as_bytes());
    let path = format!("/api/sync/photo/{hash}?offset=0&total={}", bytes.len());
    let got = fixture.send(by.who(), "PUT", &path, "application/octet-stream", bytes);
    assert_eq!((got.status, &got.json()["complete"]), (200, &json!(true)));
    hash
}

fn snapshots(root: &Path) -> Vec<PathBuf> {
    let all = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path());
    let mut all: Vec<PathBuf> = all.filter(|p| p.join("manifest.json").is_file()).collect();
    all.sort();
    all
}

fn gaps(fixture: &Fixture) -> usize {
    let cookie = fixture.sign_in("m-diaz");
    let got = fixture.get(As { cookie: Some(&cookie), ..As::default() }, &format!("/api/board/job/{JOB}"));
    if got.status == 200 { got.json()["fields"]["gap/6"]["answers"].as_array().map_or(0, Vec::len) } else { 0 }
}

fn board(fixture: &Fixture) -> Json {
    let cookie = fixture.sign_in("m-diaz");
    fixture.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board").json()
}

fn push(fixture: &Fixture, by: &Tablet, entries: &[Sealed]) -> PushReply {
    let got = by.push(fixture, entries);
    assert_eq!(got.status, 200, "{}", String::from_utf8_lossy(&got.body));
    serde_json::from_slice(&got.body).unwrap()
}

/// Sends everything a tablet holds, series by series, as it would to a trailer that lost it.
fn push_all(fixture: &Fixture, by: &Tablet, entries: &[Sealed]) {
    let mut series: Vec<Incarnation> = entries.iter().map(|e| e.entry.incarnation).collect();
    series.dedup();
    for one in series {
        let piece: Vec<Sealed> = entries.iter().filter(|e| e.entry.incarnation == one).cloned().collect();
        push(fixture, by, &piece);
    }
}

fn certified(fixture: &Fixture, by: &Tablet) -> Vec<CertifiedSeries> {
    let reply = by.hello(fixture, 0);
    reply.get("server_series").map(|s| serde_json::from_value(s.clone()).unwrap()).unwrap_or_default()
}

#[test]
fn a_dead_server_is_restored_beside_its_running_tablets_and_nothing_is_lost() {
    let fixture = Fixture::new();
    let (mut k1, mut k3) = (pair(&fixture, 1, "K1"), pair(&fixture, 3, "K3"));
    let mut mine = job_with_gap(&mut k1, "20 1/2");
    push(&fixture, &k1, &mine);
    let picture = photo(&fixture, &k1, b"not a picture, but bytes with a name");
    assert!(certified(&fixture, &k1).is_empty(), "the identity key's own series needs no certificate");
    let root = fixture.dir.path().join("backups");
    commands::backup(&fixture.data(), &root).unwrap();
    assert!(commands::verify_from(&snapshots(&root)[0]).unwrap(), "made beside the running server, and whole");
    // After the backup: a record, a tablet, and one that is taken off.
    let later = gap_at_six(&mut k1, "m-soto", "20 9/16");
    push(&fixture, &k1, &later);
    mine.extend(later);
    let k2 = pair(&fixture, 2, "K2");
    let cookie = fixture.sign_in("m-diaz");
    let off = json!({ "device": k3.device, "reason": "lost" });
    let theirs = gap_at_six(&mut k3, "d-kerr", "21");
    push(&fixture, &k3, &theirs);
    assert_eq!(fixture.post(As { cookie: Some(&cookie), ..As::default() }, "/api/board/tablet/take-off", &off).status, 200);
    let held = k1.pull(&fixture);
    let old = fixture.app().with_now(|t| Ok(t.identity.clone())).unwrap();
    // The machine dies.
    drop(cookie);
    let (root_kept, snapshot) = (TempDir::new().unwrap(), snapshots(&root)[0].clone());
    let kept = root_kept.path().join("backups");
    copy(&root, &kept);
    drop(fixture);
    let dir = TempDir::new().unwrap();
    let into = dir.path().join("trailer");
    assert!(commands::restore(&kept.join(snapshot.file_name().unwrap()), &into).unwrap());
    let again = commands::restore(&kept.join(snapshot.file_name().unwrap()), &into).unwrap_err();
    println!("{again}");
    assert_eq!(again.say.code, "folder-not-empty");
    let fixture = Fixture::on(dir);
    let new = fixture.app().with_now(|t| Ok(t.identity.clone())).unwrap();
    assert_eq!((new.device, new.key.public()), (old.device, old.key.public()), "tablets know it by this");
    assert_ne!(new.incarnation, old.incarnation, "entries after the backup are never written twice");
    let series = certified(&fixture, &k1);
    series[0].verify(&k1.server).unwrap();
    assert_eq!((series.len(), Incarnation::of(&series[0].key)), (1, new.incarnation));
    assert_eq!(gaps(&fixture), 1, "as it was at the backup");
    let got = fixture.get(k1.who(), &format!("/api/sync/photo/{picture}"));
    assert_eq!(got.json()["complete"], true, "the photo was in the backup");
    // Until somebody brings the word of it, nobody here knows that K3 was taken off.
    assert_eq!(fixture.get(k3.who(), &format!("/api/sync/photo/{picture}")).status, 200);
    assert_eq!(fixture.get(k2.who(), &format!("/api/sync/photo/{picture}")).status, 401, "paired after the backup: it pairs again");
    push_all(&fixture, &k1, &held);
    let refused = fixture.get(k3.who(), &format!("/api/sync/photo/{picture}"));
    assert_eq!((refused.status, refused.code().as_str()), (403, "revoked"));
    assert_eq!(gaps(&fixture), 3, "K1 gave back what the snapshot had not, its own and that of K3");
    for entry in &mine {
        assert!(k1.pull(&fixture).iter().any(|e| e.hash == entry.hash));
    }
    let now = fixture.app().with_now(|t| Ok(t.store.heads().unwrap())).unwrap();
    assert!(Heads::missing_from(&heads_of(&held), &now).is_empty(), "everything any tablet held is here");
    assert_eq!(fixture.app().with_now(|t| Ok(t.identity.own().len())).unwrap(), 2, "its own old entries came back without one more series");
}

fn heads_of(entries: &[Sealed]) -> Heads {
    let mut heads = Heads::default();
    for e in entries {
        let head = heads.0.entry(e.entry.incarnation).or_insert(journal::Head { seq: 0, hash: e.hash });
        if e.entry.seq > head.seq {
            *head = journal::Head { seq: e.entry.seq, hash: e.hash };
        }
    }
    heads
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for file in std::fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        let to = to.join(file.file_name());
        if file.file_type().unwrap().is_dir() {
            copy(&file.path(), &to);
        } else {
            std::fs::copy(file.path(), to).unwrap();
        }
    }
}

#[test]
fn a_folder_that_was_set_back_by_hand_is_noticed_and_goes_on_in_a_new_series() {
    let mut fixture = Fixture::new();
    let k1 = pair(&fixture, 1, "K1");
    fixture.stop();
    let (data, copied) = (fixture.data(), fixture.dir.path().join("copy"));
    copy(&data, &copied);
    fixture.start();
    let k2 = pair(&fixture, 2, "K2");
    let held = k1.pull(&fixture);
    fixture.stop();
    std::fs::remove_dir_all(&data).unwrap();
    copy(&copied, &data);
    fixture.start();
    // It writes in its old series before anybody tells it.
    pair(&fixture, 5, "K5");
    let before = fixture.app().with_now(|t| Ok(t.identity.incarnation)).unwrap();
    let own: Vec<Sealed> = held.iter().filter(|e| e.entry.incarnation == before).cloned().collect();
    let reply = push(&fixture, &k1, &own);
    println!("{} known, {} kept apart", reply.known, reply.quarantined.len());
    assert!(!reply.quarantined.is_empty(), "two versions of the server's own series: both are kept");
    let (now, own) = fixture.app().with_now(|t| Ok((t.identity.incarnation, t.identity.own()))).unwrap();
    assert!(now != before && own.contains(&before));
    assert_eq!(certified(&fixture, &k1).len(), 1);
    push(&fixture, &k1, &held.iter().filter(|e| e.entry.incarnation == before).cloned().collect::<Vec<_>>());
    assert_eq!(fixture.app().with_now(|t| Ok(t.identity.own().len())).unwrap(), 2, "told twice, begun once");
    assert!(board(&fixture)["counts"]["apart"].as_u64().unwrap() > 0, "and somebody must look");
    assert_eq!(fixture.get(k2.who(), "/api/sync/photo/x").status, 401);
}

#[test]
fn a_folder_that_was_set_back_takes_its_own_words_back_before_it_writes() {
    let mut fixture = Fixture::new();
    let (k1, k2) = (pair(&fixture, 1, "K1"), pair(&fixture, 2, "K2"));
    fixture.stop();
    let (data, copied) = (fixture.data(), fixture.dir.path().join("copy"));
    copy(&data, &copied);
    fixture.start();
    let cookie = fixture.sign_in("m-diaz");
    let off = json!({ "device": k2.device, "reason": "lost" });
    assert_eq!(fixture.post(As { cookie: Some(&cookie), ..As::default() }, "/api/board/tablet/take-off", &off).status, 200);
    k1.compare(&fixture, &Heads::default());
    let held = k1.pull(&fixture);
    assert!(held.iter().any(|e| e.entry.kind == "clock"), "a comparison was written");
    fixture.stop();
    std::fs::remove_dir_all(&data).unwrap();
    copy(&copied, &data);
    fixture.start();
    let before = fixture.app().with_now(|t| Ok(t.identity.incarnation)).unwrap();
    let there = k1.compare(&fixture, &heads_of(&held));
    assert!(there.seq(&before) < heads_of(&held).seq(&before), "nothing was written in the old series meanwhile");
    let own: Vec<Sealed> = held.iter().filter(|e| e.entry.incarnation == before).cloned().collect();
    let reply = push(&fixture, &k1, &own);
    println!("{} stored, {} kept apart", reply.stored, reply.quarantined.len());
    assert!(reply.stored >= 2 && reply.quarantined.is_empty());
    assert_eq!(fixture.get(k2.who(), "/api/sync/photo/x").code(), "revoked", "what it had said stands again");
    assert_ne!(fixture.app().with_now(|t| Ok(t.identity.incarnation)).unwrap(), before);
    k1.compare(&fixture, &heads_of(&held));
    let newest = k1
        .pull(&fixture)
        .into_iter()
        .find(|e| e.entry.kind == "series-begin" && e.entry.incarnation != before && e.entry.device == own[0].entry.device);
    println!("{:?}", newest.map(|e| e.entry.incarnation));
}

#[test]
fn two_servers_of_one_outage_become_one_by_a_file_and_only_with_trust() {
    let hut = Fixture::new();
    let mut k1 = pair(&hut, 1, "K1");
    let one = job_with_gap(&mut k1, "20 1/2");
    push(&hut, &k1, &one);
    let mut x = stranger(9, "K9");
    let strange = gap_at_six(&mut x, "d-kerr", "22");
    push(&hut, &k1, &strange);
    let file = hut.dir.path().join("hut.tar");
    commands::export(&hut.data(), &file).unwrap();
    assert!(commands::verify_from(&file).unwrap(), "made beside the running server, and whole");
    let mut trailer = Fixture::new();
    let mut k2 = pair(&trailer, 2, "K2");
    let two = gap_at_six(&mut k2, "d-kerr", "20 5/8");
    push(&trailer, &k2, &two);
    let busy = commands::import(&trailer.data(), &file, false).unwrap_err();
    println!("{busy}");
    assert_eq!(busy.status, 409, "only into a stopped server");
    trailer.stop();
    assert!(commands::import(&trailer.data(), &file, false).unwrap());
    trailer.start();
    assert_eq!(gaps(&trailer), 0, "nobody here knows those: kept, and nothing more");
    assert!(board(&trailer)["counts"]["apart"].as_u64().unwrap() >= 5);
    trailer.stop();
    assert!(commands::import(&trailer.data(), &file, true).unwrap());
    assert!(commands::verify(&trailer.data()).unwrap());
    trailer.start();
    assert_eq!(gaps(&trailer), 2, "K1 is taken in by the word of its own server; K9 by nobody's");
    let cookie = trailer.sign_in("m-diaz");
    let series = trailer.get(As { cookie: Some(&cookie), ..As::default() }, "/api/board/series").json();
    let stands: Vec<_> =
        series.as_array().unwrap().iter().map(|s| (s["role"].as_str().unwrap(), s["standing"].as_str().unwrap())).collect();
    println!("{stands:?}");
    for expected in [("server", "own"), ("server", "counts"), ("tablet", "counts"), ("tablet", "unknown")] {
        assert!(stands.contains(&expected), "{expected:?}");
    }
    let plan = trailer.app().with_now(|t| t.plan()).unwrap();
    assert_eq!(plan.site, crew::site());
}

#[test]
fn a_running_server_makes_backups_by_itself_and_says_so_when_it_cannot() {
    let mut fixture = Fixture::new();
    fixture.stop();
    let root = fixture.dir.path().join("backups");
    let mut asked = options(fixture.dir.path());
    asked.backup = Some(Schedule { root: root.clone(), hours: 6, keep: 2 });
    fixture.start_with(&asked);
    until("the first backup", || board(&fixture)["backup"]["last_ms"].as_i64().is_some());
    let view = board(&fixture);
    println!("{}", view["backup"]);
    assert_eq!((&view["backup"]["late"], &view["backup"]["every_ms"]), (&json!(false), &json!(6 * 3_600_000)));
    assert!(commands::verify_from(&snapshots(&root)[0]).unwrap());
    for _ in 0..2 {
        let before = snapshots(&root);
        fixture.stop();
        fixture.start_with(&asked);
        until("another one", || snapshots(&root).last() != before.last());
    }
    until("the oldest is let go", || snapshots(&root).len() == 2);
    fixture.stop();
    // A disk that is not there.
    let file = fixture.dir.path().join("no folder");
    std::fs::write(&file, "x").unwrap();
    asked.backup = Some(Schedule { root: file, hours: 6, keep: 2 });
    fixture.start_with(&asked);
    until("the complaint", || board(&fixture)["backup"]["problem"].is_object());
    let view = board(&fixture);
    println!("{}", view["backup"]);
    assert_eq!((&view["backup"]["late"], &view["backup"]["last_ms"]), (&json!(true), &Json::Null));
    assert!(view["sentence"].to_string().contains("b-backup-late"));
}

/// Waits for something that happens beside the requests.
fn until(what: &str, mut there: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !there() {
        assert!(begun.elapsed() < Duration::from_secs(120), "{what} did not come");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn every_damage_to_a_backup_is_told_and_never_restored_as_if_it_were_whole() {
    let dir = TempDir::new().unwrap();
    let (data, root) = (dir.path().join("trailer"), dir.path().join("backups"));
    Trailer::open(&data).unwrap().load_plan(DEMO).unwrap();
    commands::backup(&data, &root).unwrap();
    let snapshot = snapshots(&root)[0].clone();
    assert!(commands::verify_from(&snapshot).unwrap());
    let mut files = vec![snapshot.join("journal.sqlite"), snapshot.join("manifest.json"), snapshot.join("extra/device.key")];
    files.retain(|f| f.is_file());
    println!("{} files of {}", files.len(), snapshot.display());
    assert_eq!(files.len(), 3);
    for file in files {
        let good = std::fs::read(&file).unwrap();
        let mut bad = good.clone();
        let middle = bad.len() / 2;
        bad[middle] ^= 1;
        std::fs::write(&file, bad).unwrap();
        assert!(!commands::verify_from(&snapshot).unwrap(), "{}", file.display());
        let into = dir.path().join("new");
        assert!(commands::restore(&snapshot, &into).is_err());
        std::fs::write(&file, good).unwrap();
    }
    let into = dir.path().join("new");
    assert!(commands::restore(&snapshot, &into).unwrap(), "begun again into the same folder");
    assert_eq!(std::fs::read(into.join("device.key")).unwrap(), std::fs::read(data.join("device.key")).unwrap());
}
