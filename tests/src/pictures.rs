//! Pictures of the running program after the story: the tablet's screens and the board, in a real browser.

use crate::browser::Browser;
use crate::crew::{self, Crew};
use crate::hands::Hands;
use crate::paths;
use crate::process::Process;
use crate::story::{Played, blocking};
use crate::trailer::Trailer;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A tablet's screens served to a browser on loopback, over a tablet's real data folder.
pub struct TabletPage {
    _process: Process,
    /// Address of its first page.
    pub url: String,
}

impl TabletPage {
    /// Starts it. Nobody else may hold the folder.
    pub fn start(data: &Path) -> Self {
        let mut command = Command::new(paths::binary("tubewright-server"));
        command.args(["tablet", "--local", "127.0.0.1:0", "--data"]).arg(data).arg("--ui").arg(paths::ui());
        let process = Process::start("tubewright-server tablet", &mut command);
        let url = format!("http://{}/", process.wait_for("listening http "));
        Self { _process: process, url }
    }
}

/// Takes the pictures into `out` and gives their files. They are of the copy made while two answers stood, with a few
/// more jobs on it.
pub async fn take(played: &Played, out: &Path) -> Vec<PathBuf> {
    let base = &played.two_answers;
    let server = more_jobs(played).await;
    let mut all = tablet(&base.join("K1"), &played.job, out).await;
    all.extend(board(&server, &played.job, out).await);
    blocking(|| server.stop());
    std::fs::remove_dir_all(base).expect("the copy can be removed");
    all
}

/// Three more tubes at different steps, from tablet K2.
async fn more_jobs(played: &Played) -> Trailer {
    let base = &played.two_answers;
    let server = blocking(|| Trailer::start(&base.join("trailer"), played.port));
    let (k1, k2) = (Crew::open(&base.join("K1"), "K1"), Crew::open(&base.join("K2"), "K2"));
    blocking(|| {
        let counted = crew::find(&k2, 60, "51' 8\"");
        k2.sign(&counted, "place", "supervisor", "m-diaz");
        let planned = crew::find(&k2, 14, "65' 0\"");
        crew::photograph_and_read(&k2, &planned, "65' 0\"", false);
        let prepared = crew::find(&k2, 31, "51' 8\"");
        crew::photograph_and_read(&k2, &prepared, "51' 8\"", false);
        crew::decide_and_prepare(&k2, &prepared);
        for (gate, role, who) in [
            ("place", "supervisor", "g-holm"),
            ("place", "qc", "l-vega"),
            ("before-work", "supervisor", "g-holm"),
            ("before-work", "operations", "t-brandt"),
        ] {
            k2.sign(&prepared, gate, role, who);
            k1.sign(&played.job, gate, role, who);
        }
        for crew in [&k1, &k2, &k1] {
            crew.sync().unwrap_or_else(|f| panic!("{} can't sync: {f:?}", crew.name));
        }
    });
    server
}

/// Both lights and both languages of what the tablet shows of the job.
async fn tablet(data: &Path, job: &str, out: &Path) -> Vec<PathBuf> {
    let page = TabletPage::start(data);
    let browser = Browser::chromium(800, 1280).await;
    let hands = Hands { b: &browser };
    browser.open(&page.url).await;
    hands.take_up("m-diaz").await;
    browser.wait(".jobs button").await;
    let mut all = Vec::new();
    for (lang, mode) in [("en", "daylight"), ("es", "furnace")] {
        browser.script(SHOWN, vec![lang.into(), mode.into()]).await;
        browser.wait("footer .main").await;
        for (name, path) in [
            ("wall", vec![]),
            ("tube", vec!["job", job]),
            ("photos", vec!["job", job, "step", "failure"]),
            ("readings", vec!["job", job, "step", "readings"]),
            ("gap", vec!["job", job, "step", "cut-gap"]),
            ("two-answers", vec!["job", job, "answers", "gap/6"]),
            ("gate", vec!["job", job, "gate", "material"]),
            ("sync", vec!["sync"]),
        ] {
            hands.go(&path).await;
            tokio::time::sleep(std::time::Duration::from_millis(600)).await;
            let file = out.join(format!("tablet-{name}-{mode}-{lang}.png"));
            browser.picture(&file).await;
            all.push(file);
        }
    }
    browser.close().await;
    all
}

const SHOWN: &str =
    "localStorage.setItem('lang', arguments[0]); localStorage.setItem('mode', arguments[1]); location.hash = '#/'; location.reload()";

/// The board, and the two answers on it.
async fn board(server: &Trailer, job: &str, out: &Path) -> Vec<PathBuf> {
    let browser = Browser::chromium(1440, 900).await;
    browser.open(&server.board_url()).await;
    sign_in_at_the_board(&browser, "m-diaz").await;
    browser.wait(&format!("[data-job='{job}']")).await;
    let mut all = Vec::new();
    for (lang, mode) in [("en", "daylight"), ("es", "furnace")] {
        browser.script(SHOWN, vec![lang.into(), mode.into()]).await;
        browser.wait("[data-heard]").await;
        let mut shot = async |name: &str| {
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
            let file = out.join(format!("board{name}-{mode}-{lang}.png"));
            browser.picture(&file).await;
            all.push(file);
        };
        shot("").await;
        browser.click("[data-wanted='two-answers']").await;
        browser.wait("[data-two-answers='gap/6']").await;
        shot("-two-answers").await;
    }
    browser.close().await;
    all
}

/// Signs in at the board's page and waits for the board.
pub async fn sign_in_at_the_board(browser: &Browser, person: &str) {
    browser.click(&format!("[data-person='{person}']")).await;
    Hands { b: browser }.digits(&crate::crew::pin(person)).await;
    browser.click("[data-sign-in]").await;
    browser.wait("[data-heard]").await;
}
