//! The real window of the app, by WebDriver under a virtual display: sign in, open a job, photos from files, a reading,
//! the gap, a signature; then the app is killed hard, started again, and all is there.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::{Value as Json, json};
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tubewright_tests::browser::Browser;
use tubewright_tests::crew::Crew;
use tubewright_tests::hands::{self, Hands};
use tubewright_tests::jpeg;
use tubewright_tests::story::paired;

/// Kills the app that runs over this data folder, as a power cut would. Nothing else is touched: it is found by the
/// folder in its environment.
fn kill_app(folder: &Path) -> usize {
    let wanted = format!("TUBEWRIGHT_DATA={}", folder.display());
    let mut killed = 0;
    for dir in std::fs::read_dir("/proc").unwrap().flatten() {
        let Ok(env) = std::fs::read(dir.path().join("environ")) else { continue };
        let Ok(exe) = std::fs::read_link(dir.path().join("exe")) else { continue };
        let is_app = exe.file_name().is_some_and(|n| n == "tubewright");
        if is_app && env.split(|b| *b == 0).any(|v| v == wanted.as_bytes()) {
            let pid = dir.file_name().to_string_lossy().into_owned();
            assert!(Command::new("kill").args(["-9", &pid]).status().unwrap().success());
            killed += 1;
        }
    }
    killed
}

/// The bytes of the n-th photo; the first is as a 12 megapixel camera makes it.
fn picture(n: u32) -> Vec<u8> {
    if n == 0 { jpeg::photo(4000, 3000, 7) } else { jpeg::photo(1200, 900, n + 7) }
}

async fn photos(hands: &Hands<'_>, dir: &Path, job: &str) {
    hands.go(&["job", job, "step", "failure"]).await;
    for n in 0..3 {
        let file = dir.join(format!("photo-{n}.jpg"));
        std::fs::write(&file, picture(n)).unwrap();
        hands.b.script(TICK, vec![]).await;
        hands.file(n as usize, &file).await;
        let there = |v: &Json| v["lists"]["photos"].as_array().is_some_and(|a| a.len() == n as usize + 1);
        hands.until("the photo", "job", json!({"job": job}), there).await;
        let lived = hands.b.script("return [window.__ticks, Math.round(window.__worst)]", vec![]).await;
        println!("photo {n}: while it was stored the window drew on {} times, the longest pause was {} ms", lived[0], lived[1]);
        assert!(lived[0].as_u64().unwrap() >= 3, "the window stood still while a photo was stored");
    }
}

/// Counts how often the page comes to run, and the longest pause between.
const TICK: &str = "window.__ticks = 0; window.__worst = 0; let last = performance.now(); clearInterval(window.__timer);
    window.__timer = setInterval(() => { const now = performance.now(); window.__worst = Math.max(window.__worst, now - last); last = now; window.__ticks++; }, 20)";

/// A listener that would let any page in, and counts who came.
fn open_door() -> (std::net::SocketAddr, Arc<AtomicUsize>) {
    let door = TcpListener::bind("127.0.0.1:0").unwrap();
    let (address, came) = (door.local_addr().unwrap(), Arc::new(AtomicUsize::new(0)));
    let count = Arc::clone(&came);
    std::thread::spawn(move || {
        for mut guest in door.incoming().flatten() {
            count.fetch_add(1, Ordering::SeqCst);
            let _ = guest.write_all(b"HTTP/1.1 200 OK\r\nAccess-Control-Allow-Origin: *\r\nContent-Length: 2\r\n\r\nhi");
        }
    });
    (address, came)
}

/// The webview's content policy lets the screens reach no network: the peer would answer anybody, and nobody comes.
async fn no_network(hands: &Hands<'_>) {
    let (address, came) = open_door();
    assert!(std::net::TcpStream::connect(address).is_ok());
    let try_it = "const done = arguments[1]; fetch(arguments[0]).then(() => done('reached'), (e) => done('refused: ' + e)); const i = new Image(); i.src = arguments[0];";
    let said = hands.b.client().execute_async(try_it, vec![json!(format!("http://{address}/"))]).await.unwrap();
    std::thread::sleep(std::time::Duration::from_millis(300));
    println!("a page that tries to reach a network: {said}; it came {} times", came.load(Ordering::SeqCst) - 1);
    assert!(said.as_str().unwrap().starts_with("refused"));
    assert_eq!(came.load(Ordering::SeqCst), 1, "only the test's own call came through the door");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_window_said_was_saved_is_there_after_a_hard_kill() {
    let dir = tempfile::tempdir().unwrap();
    let folder = paired(dir.path()).await;
    let browser = Browser::app(&folder).await;
    let hands = Hands { b: &browser };
    hands.take_up("d-kerr").await;
    hands.until("sign-in", "state", json!({}), |s| s["person"]["id"] == "d-kerr").await;
    no_network(&hands).await;
    let job = hands::open_job(&hands).await;
    println!("opened job {job} in the window");
    photos(&hands, dir.path(), &job).await;
    println!("three photos from files");
    hands::read_wall(&hands, &job).await;
    hands::measure_gap(&hands, &job).await;
    println!("a reading and four gaps");

    // Two who did not count sign for the place; the second count comes first, by another person.
    let second = json!({"job": job, "field": "second-count", "body": {"tube": 74}, "basis": []});
    hands.seam("sign_in", json!({"person": "m-soto", "pin": tubewright_tests::crew::pin("m-soto")})).await;
    hands.seam("record", second).await;
    hands.seam("sign_out", json!({})).await;
    browser.script("location.hash = '#/'; location.reload()", vec![]).await;
    hands.take_up("m-diaz").await;
    hands.until("sign-in", "state", json!({}), |s| s["person"]["id"] == "m-diaz").await;
    hands::sign(&hands, &job, "place", "m-diaz").await;
    println!("the supervisor signed for the place with the PIN");
    let before = hands.seam("job", json!({"job": job})).await;

    assert_eq!(kill_app(&folder), 1, "one app runs over this folder");
    browser.close().await;

    let browser = Browser::app(&folder).await;
    let hands = Hands { b: &browser };
    hands.take_up("d-kerr").await;
    hands.until("sign-in", "state", json!({}), |s| s["person"]["id"] == "d-kerr").await;
    let after = hands.seam("job", json!({"job": job})).await;
    for part in ["fields", "lists", "gates", "level", "sums"] {
        assert_eq!(before[part], after[part], "{part} after the kill");
    }
    hands.go(&["job", &job]).await;
    browser.wait("ol li").await;
    let hash = after["lists"]["photos"][0]["body"]["hash"].as_str().unwrap().to_owned();
    let crew = {
        assert_eq!(kill_app(&folder), 1);
        browser.close().await;
        Crew::open(&folder, "K4")
    };
    let (mime, bytes) = crew.tablet.photo_get(&hash, "full").unwrap();
    assert_eq!((mime.as_str(), bytes == picture(0)), ("image/jpeg", true), "the original, byte for byte");
    println!("after two hard kills: {} entries, the photo is the original byte for byte", after["entries"]);
}
