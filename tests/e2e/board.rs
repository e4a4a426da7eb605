//! The board in headless Chromium over the real server, after a real disagreement; axe finds nothing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::json;
use tubewright_tests::axe;
use tubewright_tests::browser::Browser;
use tubewright_tests::crew::{self, Crew, tape};
use tubewright_tests::pictures::sign_in_at_the_board;
use tubewright_tests::story::blocking;
use tubewright_tests::trailer::{self, Trailer};

/// A trailer with two tablets in, that disagree on the gap at 6 o'clock.
async fn disagreement(dir: &std::path::Path) -> (Trailer, String, Crew, Crew) {
    let data = dir.join("trailer");
    trailer::init(&data);
    let mut server = Trailer::start(&data, 0);
    server.sign_in("m-diaz").await;
    let (k1, k2) = (Crew::open(&dir.join("K1"), "K1"), Crew::open(&dir.join("K2"), "K2"));
    for crew in [&k1, &k2] {
        let code = server.pairing().await;
        blocking(|| crew.pair(code["text"].as_str().unwrap())).unwrap();
    }
    let job = crew::find_and_read(&k1, false);
    crew::decide_and_prepare(&k1, &job);
    blocking(|| k1.sync()).unwrap();
    blocking(|| k2.sync()).unwrap();
    crew::gap_and_piece(&k1, &job);
    k2.sign_in("d-kerr");
    k2.record_blind(&job, "gap/6", json!({"gap": tape("20 5/8"), "instrument": "T-07"}));
    blocking(|| k1.sync()).unwrap();
    blocking(|| k2.sync()).unwrap();
    (server, job, k1, k2)
}

async fn text_of(browser: &Browser, css: &str) -> String {
    browser.wait(css).await.text().await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_board_shows_what_is_wanted_and_settles_a_disagreement() {
    let dir = tempfile::tempdir().unwrap();
    let (server, job, k1, k2) = disagreement(dir.path()).await;
    let browser = Browser::chromium(1440, 900).await;
    browser.open(&server.board_url()).await;
    axe::clean(&browser, "board: sign in").await;
    sign_in_at_the_board(&browser, "m-diaz").await;
    browser.wait(&format!("[data-job='{job}']")).await;
    browser.wait("[data-wanted='two-answers']").await;
    let sentence = text_of(&browser, "[data-sentence]").await;
    println!("the board says: {}", sentence.replace('\n', " "));
    assert!(sentence.contains("NOT READY") && sentence.contains("two answers"), "{sentence}");
    axe::clean(&browser, "board: the wall").await;

    browser.click("[data-wanted='two-answers']").await;
    browser.wait("[data-two-answers='gap/6'] [data-answer]").await;
    let boxes = browser
        .script(
            "return [...document.querySelectorAll(\"[data-two-answers='gap/6'] [data-answer]\")].map((b) => [b.innerText, Math.round(b.getBoundingClientRect().width)])",
            vec![],
        )
        .await;
    println!("two answers: {boxes}");
    let boxes = boxes.as_array().unwrap().clone();
    assert_eq!(boxes.len(), 2);
    assert_eq!(boxes[0][1], boxes[1][1], "both boxes are of one size");
    assert!(
        boxes[0][0].as_str().unwrap().contains("K1") && boxes[1][0].as_str().unwrap().contains("K2"),
        "in the order of the tablets' names"
    );
    axe::clean(&browser, "board: two answers").await;

    // Settled at the board: the settlement reaches both tablets.
    browser.click("[data-settle-open='gap/6'] button").await;
    browser.click("[data-settle-pick='0'] button").await;
    browser.keys("[data-settle-reason]", "measured again by both crews together").await;
    browser.click("[data-settle-next]").await;
    axe::clean(&browser, "board: settle").await;
    tubewright_tests::hands::Hands { b: &browser }.digits(&crew::pin("m-diaz")).await;
    browser.click("[data-settle-save]").await;
    browser.wait("[data-settle-done='gap/6']").await;
    for crew in [&k1, &k2] {
        blocking(|| crew.sync()).unwrap();
        let field = crew.job(&job)["fields"]["gap/6"].clone();
        assert_eq!(field["state"], "agreed", "the settlement reached {}", crew.name);
        assert_eq!(field["answers"][0]["settled"], "measured again by both crews together");
        assert_eq!(field["past"].as_array().unwrap().len(), 2);
    }
    println!("both tablets hold the settlement and both answers");
    narrow_dark_spanish(&browser).await;
    browser.close().await;
    server.stop();
}

/// The other light, the other language, and a phone.
async fn narrow_dark_spanish(browser: &Browser) {
    browser.script("localStorage.setItem('lang', 'es'); localStorage.setItem('mode', 'furnace'); location.reload()", vec![]).await;
    browser.wait("[data-heard]").await;
    assert!(text_of(browser, "[data-sentence]").await.to_uppercase().contains("NO"), "the sentence in Spanish");
    axe::clean(browser, "board: furnace, Spanish").await;
    browser.view(500, 900).await;
    let width = browser.script("return [document.documentElement.scrollWidth, document.documentElement.clientWidth]", vec![]).await;
    println!("at the narrowest window the page is {} of {} px wide", width[0], width[1]);
    assert!(width[0].as_u64() <= width[1].as_u64(), "nothing scrolls sideways");
    axe::clean(browser, "board: narrow").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_trailer_is_never_shown_as_calm() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("trailer");
    trailer::init(&data);
    let server = Trailer::start(&data, 0);
    let browser = Browser::chromium(1024, 800).await;
    browser.open(&server.board_url()).await;
    sign_in_at_the_board(&browser, "p-lindahl").await;
    server.kill();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(40);
    loop {
        let heard = browser
            .script(
                "const e = document.querySelector('[data-heard]'); return e ? e.getAttribute('data-heard') + ' ' + e.innerText : ''",
                vec![],
            )
            .await;
        let ready =
            browser.script("const e = document.querySelector('[data-ready]'); return e ? e.getAttribute('data-ready') : ''", vec![]).await;
        assert_ne!(ready, "true", "a board that hears nothing says ready");
        let text = browser.text().await;
        if text.contains("does not answer") || text.contains("has not answered since") {
            println!("without the server the board says: {heard}");
            break;
        }
        assert!(std::time::Instant::now() < until, "the board does not say that the server is silent:\n{text}");
        tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    }
    browser.close().await;
}
