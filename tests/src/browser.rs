//! A real browser and the real app window, driven by WebDriver.

use crate::paths;
use crate::process::Process;
use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value as Json, json};
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// A driver with one session.
pub struct Browser {
    driver: Process,
    client: Option<Client>,
    _profile: tempfile::TempDir,
}

const WATCH: &str = "
    window.__errors = [];
    const note = (what) => window.__errors.push(String(what));
    window.addEventListener('error', (e) => note(e.message || (e.target && e.target.outerHTML)), true);
    window.addEventListener('unhandledrejection', (e) => note(e.reason));
    document.addEventListener('securitypolicyviolation', (e) => note(e.violatedDirective + ' ' + e.blockedURI));
    const was = console.error;
    console.error = (...all) => { note(all.join(' ')); was(...all); };
";

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port()
}

fn chromium_capabilities(profile: &Path, width: u32, height: u32) -> Json {
    let chromium = paths::program("TUBEWRIGHT_CHROMIUM", &["chromium", "chromium-browser"])
        .expect("Chromium is not installed: run `cargo xtask test`");
    let args = [
        "--headless=new".to_owned(),
        "--no-sandbox".to_owned(),
        "--disable-gpu".to_owned(),
        "--disable-quic".to_owned(),
        "--no-first-run".to_owned(),
        "--disable-background-networking".to_owned(),
        "--disable-component-update".to_owned(),
        "--disable-sync".to_owned(),
        "--disable-dev-shm-usage".to_owned(),
        "--hide-scrollbars".to_owned(),
        "--use-fake-device-for-media-stream".to_owned(),
        "--use-fake-ui-for-media-stream".to_owned(),
        format!("--window-size={width},{height}"),
        format!("--user-data-dir={}", profile.display()),
    ];
    json!({
        "browserName": "chrome",
        "acceptInsecureCerts": true,
        "goog:chromeOptions": {"args": args, "binary": chromium},
    })
}

impl Browser {
    /// Headless Chromium with a view of this size.
    pub async fn chromium(width: u32, height: u32) -> Self {
        let chromedriver =
            paths::program("TUBEWRIGHT_CHROMEDRIVER", &["chromedriver"]).expect("chromedriver is not installed: run `cargo xtask test`");
        let profile = tempfile::tempdir().expect("a folder");
        let port = free_port();
        let driver = Process::start("chromedriver", Command::new(chromedriver).arg(format!("--port={port}")));
        let capabilities = chromium_capabilities(profile.path(), width, height);
        let client = connect(port, capabilities).await;
        let browser = Self { driver, client: Some(client), _profile: profile };
        browser.view(width, height).await;
        browser
    }

    /// The real app window over a data folder. Needs a display (xtask brings a virtual one).
    pub async fn app(data: &Path) -> Self {
        let tauri_driver =
            paths::program("TUBEWRIGHT_TAURI_DRIVER", &["tauri-driver"]).expect("tauri-driver is not installed: run `cargo xtask test`");
        let profile = tempfile::tempdir().expect("a folder");
        let (port, native) = (free_port(), free_port());
        let mut command = Command::new(tauri_driver);
        command.arg("--port").arg(port.to_string()).arg("--native-port").arg(native.to_string());
        command.env("TUBEWRIGHT_DATA", data).env("XDG_DATA_HOME", profile.path()).env("XDG_CACHE_HOME", profile.path());
        let driver = Process::start("tauri-driver", &mut command);
        let app = paths::binary("tubewright");
        let capabilities = json!({"browserName": "wry", "tauri:options": {"application": app, "args": []}});
        let client = connect(port, capabilities).await;
        Self { driver, client: Some(client), _profile: profile }
    }

    /// The session.
    pub fn client(&self) -> &Client {
        self.client.as_ref().expect("a session")
    }

    /// Sets the size of the view itself, whatever frame the window has.
    pub async fn view(&self, width: u32, height: u32) {
        self.client().set_window_size(width, height).await.expect("a window");
        let size = self.script("return [window.innerWidth, window.innerHeight]", vec![]).await;
        let of = |i: usize| u32::try_from(size[i].as_u64().unwrap_or(0)).unwrap_or(0);
        self.client().set_window_size(width + width.saturating_sub(of(0)), height + height.saturating_sub(of(1))).await.expect("a window");
    }

    /// Opens an address.
    pub async fn open(&self, url: &str) {
        self.client().goto(url).await.unwrap_or_else(|e| panic!("{url} does not open: {e}"));
    }

    /// Runs a script in the page.
    pub async fn script(&self, script: &str, args: Vec<Json>) -> Json {
        self.client().execute(script, args).await.unwrap_or_else(|e| panic!("script failed: {e}\n{}", &script[..script.len().min(200)]))
    }

    /// Waits until an element is there.
    pub async fn wait(&self, css: &str) -> fantoccini::elements::Element {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            if let Ok(found) = self.client().find(Locator::Css(css)).await {
                return found;
            }
            if Instant::now() > until {
                let page = self.text().await;
                panic!("{css} did not appear. The page says:\n{page}");
            }
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Clicks what a selector finds once it is there.
    pub async fn click(&self, css: &str) {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            let said = match self.wait(css).await.click().await {
                Ok(()) => return,
                Err(e) => e.to_string(),
            };
            assert!(Instant::now() < until, "{css} can't be clicked: {said}");
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Types into what a selector finds.
    pub async fn keys(&self, css: &str, text: &str) {
        self.wait(css).await.send_keys(text).await.unwrap_or_else(|e| panic!("{css} takes no keys: {e}"));
    }

    /// Waits until the page shows a text.
    pub async fn wait_text(&self, text: &str) {
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            let page = self.text().await;
            if page.contains(text) {
                return;
            }
            assert!(Instant::now() < until, "“{text}” did not appear. The page says:\n{page}");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    /// What the page shows as text.
    pub async fn text(&self) -> String {
        let text = self.client().execute("return document.body ? document.body.innerText : ''", vec![]).await;
        text.ok().and_then(|t| t.as_str().map(str::to_owned)).unwrap_or_default()
    }

    /// Saves a picture of the view.
    pub async fn picture(&self, file: &Path) {
        let png = self.client().screenshot().await.expect("a picture");
        std::fs::write(file, png).expect("the picture is written");
    }

    /// From here until the next load: collects what the page throws, writes to its console as an error, or what its
    /// content policy stops.
    pub async fn watch_errors(&self) {
        self.script(WATCH, vec![]).await;
    }

    /// What was collected since [`Browser::watch_errors`].
    pub async fn errors(&self) -> Vec<String> {
        let log = self.script("return window.__errors", vec![]).await;
        let log = log.as_array().expect("the page was loaded anew while its errors were watched");
        log.iter().filter_map(|v| v.as_str().map(str::to_owned)).collect()
    }

    /// Ends the session and the driver.
    pub async fn close(mut self) {
        if let Some(client) = self.client.take() {
            let _ = client.close().await;
        }
        self.driver.kill();
    }
}

async fn connect(port: u16, capabilities: Json) -> Client {
    let capabilities = capabilities.as_object().expect("an object").clone();
    let until = Instant::now() + Duration::from_secs(40);
    loop {
        let connector = hyper_util::client::legacy::connect::HttpConnector::new();
        let mut builder = ClientBuilder::new(connector);
        builder.capabilities(capabilities.clone());
        match builder.connect(&format!("http://127.0.0.1:{port}")).await {
            Ok(client) => return client,
            Err(e) => assert!(Instant::now() < until, "no session: {e}"),
        }
        tokio::time::sleep(Duration::from_millis(150)).await;
    }
}
