//! The tablet's screens in a browser over the loopback seam: every screen of one job, in both lights and both languages,
//! with axe; and the screens write to a real journal.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::json;
use tubewright_tests::axe;
use tubewright_tests::browser::Browser;
use tubewright_tests::crew::{self, Crew, tape};
use tubewright_tests::hands::{self, Hands};
use tubewright_tests::pictures::TabletPage;
use tubewright_tests::story::paired;

/// Every address of one job's screens.
fn screens(job: &str) -> Vec<(&'static str, Vec<String>)> {
    let at = |parts: &[&str]| ["job", job].iter().chain(parts).map(|p| (*p).to_owned()).collect();
    let step = |name: &'static str| (name, at(&["step", name]));
    let mut all = vec![("wall", vec![]), ("tube", at(&[]))];
    all.extend(
        [
            "place",
            "failure",
            "readings",
            "plan",
            "before-work",
            "material",
            "cut-gap",
            "fit-up",
            "weld",
            "examination",
            "test",
            "close-out",
        ]
        .map(step),
    );
    all.push(("gate place", at(&["gate", "place"])));
    all.push(("gate gap, blocked", at(&["gate", "gap"])));
    all.push(("two answers", at(&["answers", "gap/6"])));
    all.push(("sync", vec!["sync".to_owned()]));
    all.push(("true size", vec!["mm".to_owned()]));
    all
}

#[tokio::test(flavor = "multi_thread")]
async fn every_screen_of_a_job_is_accessible_in_both_lights_and_languages() {
    let dir = tempfile::tempdir().unwrap();
    let folder = paired(dir.path()).await;
    let job = {
        let crew = Crew::open(&folder, "K4");
        let job = crew::find_and_read(&crew, false);
        crew::decide_and_prepare(&crew, &job);
        crew::gap_and_piece(&crew, &job);
        crew.sign_in("d-kerr");
        crew.record_blind(&job, "gap/6", json!({"gap": tape("20 5/8"), "instrument": "T-07"}));
        crew.call("sign_out", json!({}));
        job
    };
    let page = TabletPage::start(&folder);
    let browser = Browser::chromium(800, 1280).await;
    browser.open(&page.url).await;
    let hands = Hands { b: &browser };
    browser.wait("main button").await;
    axe::clean(&browser, "sign in").await;
    hands.take_up("m-diaz").await;
    browser.wait(".jobs button").await;
    for (lang, mode) in [("en", "daylight"), ("es", "furnace")] {
        browser
            .script(
                "localStorage.setItem('lang', arguments[0]); localStorage.setItem('mode', arguments[1]); location.reload()",
                vec![json!(lang), json!(mode)],
            )
            .await;
        browser.wait("footer").await;
        browser.watch_errors().await;
        for (name, path) in screens(&job) {
            let path: Vec<&str> = path.iter().map(String::as_str).collect();
            browser.wait("footer").await;
            hands.go(&path).await;
            browser.wait("footer").await;
            let said = browser.text().await;
            assert!(said.len() > 40, "{name} is empty: {said}");
            axe::clean(&browser, &format!("{name}, {mode}, {lang}")).await;
        }
        let errors = browser.errors().await;
        assert!(errors.is_empty(), "{mode}, {lang}: the page complained: {errors:#?}");
    }
    // The watch itself works: a complaint and a breach of the content policy, both made on purpose, are seen.
    browser.script("console.error('made on purpose'); new Image().src = 'http://127.0.0.1:1/not-allowed.png'", vec![]).await;
    tokio::time::sleep(std::time::Duration::from_millis(400)).await;
    let errors = browser.errors().await;
    assert!(["made on purpose", "img-src"].iter().all(|w| errors.iter().any(|e| e.contains(w))), "{errors:?}");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_screens_write_to_the_journal_and_survive_a_reload() {
    let dir = tempfile::tempdir().unwrap();
    let folder = paired(dir.path()).await;
    let page = TabletPage::start(&folder);
    let browser = Browser::chromium(800, 1280).await;
    browser.open(&page.url).await;
    let hands = Hands { b: &browser };
    hands.take_up("d-kerr").await;
    hands.until("sign-in", "state", json!({}), |s| s["person"]["id"] == "d-kerr").await;
    let job = hands::open_job(&hands).await;
    let view = hands.until("the place", "job", json!({"job": job}), |v| v["fields"]["place"]["state"] == "agreed").await;
    assert_eq!(view["fields"]["place"]["answers"][0]["body"]["tube"], 47);
    hands::read_wall(&hands, &job).await;
    browser.script("location.reload()", vec![]).await;
    browser.wait("footer").await;
    hands::measure_gap(&hands, &job).await;
    let view = hands.seam("job", json!({"job": job})).await;
    println!("gaps through the screens: {}", view["sums"]["cut"]["gaps"]);
    assert_eq!(view["fields"]["gap/12"]["answers"][0]["body"]["gap"]["value"], json!([329, 16]), "20 9/16 exactly");
    browser.close().await;
}
