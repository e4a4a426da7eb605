//! Pictures of the running program after the story: the tablet's screens and the board, in a real browser.

use crate::browser::Browser;
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

/// Takes the pictures into `out` and gives their files.
pub async fn take(played: &Played, out: &Path) -> Vec<PathBuf> {
    let mut all = tablet(played, out).await;
    all.extend(board(played, out).await);
    all
}

/// Both lights and both languages of what the tablet shows of the job.
async fn tablet(played: &Played, out: &Path) -> Vec<PathBuf> {
    let page = TabletPage::start(&played.folders[0].with_file_name("K2"));
    let browser = Browser::chromium(800, 1280).await;
    let hands = Hands { b: &browser };
    browser.open(&page.url).await;
    hands.take_up("d-kerr", "D. Kerr").await;
    browser.wait(".jobs button").await;
    let mut all = Vec::new();
    for (lang, mode) in [("en", "daylight"), ("es", "furnace")] {
        browser
            .script(
                "localStorage.setItem('lang', arguments[0]); localStorage.setItem('mode', arguments[1]); location.reload()",
                vec![lang.into(), mode.into()],
            )
            .await;
        browser.wait("footer .main").await;
        for (name, path) in [
            ("wall", vec![]),
            ("tube", vec!["job", &played.job]),
            ("readings", vec!["job", &played.job, "step", "readings"]),
            ("gap", vec!["job", &played.job, "step", "cut-gap"]),
            ("gate", vec!["job", &played.job, "gate", "gap"]),
            ("sync", vec!["sync"]),
        ] {
            hands.go(&path).await;
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
            let file = out.join(format!("tablet-{name}-{mode}-{lang}.png"));
            browser.picture(&file).await;
            all.push(file);
        }
    }
    browser.close().await;
    all
}

/// The board, with K1 and K2 in.
async fn board(played: &Played, out: &Path) -> Vec<PathBuf> {
    let server = blocking(|| Trailer::start(&played.folders[0], 0));
    let browser = Browser::chromium(1440, 900).await;
    browser.open(&server.board_url()).await;
    sign_in_at_the_board(&browser, "m-diaz").await;
    let file = out.join("board.png");
    browser.picture(&file).await;
    browser.close().await;
    blocking(|| server.stop());
    vec![file]
}

/// Signs in at the board's page and waits for the board.
pub async fn sign_in_at_the_board(browser: &Browser, person: &str) {
    browser.click(&format!("[data-person='{person}']")).await;
    Hands { b: browser }.digits(&crate::crew::pin(person)).await;
    browser.click("[data-sign-in]").await;
    browser.wait("[data-heard]").await;
}
