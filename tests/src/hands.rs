//! A person's hands on the tablet's screens: the same in a browser and in the app's window. No words of a language are
//! relied on, but for names of people and things.

use crate::browser::Browser;
use crate::crew::pin;
use fantoccini::Locator;
use fantoccini::elements::Element;
use serde_json::{Value as Json, json};
use std::path::Path;
use std::time::{Duration, Instant};

/// The screens under somebody's hands.
pub struct Hands<'a> {
    pub b: &'a Browser,
}

impl Hands<'_> {
    async fn find(&self, xpath: &str) -> Element {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            if let Ok(found) = self.b.client().find(Locator::XPath(xpath)).await {
                return found;
            }
            assert!(Instant::now() < until, "{xpath} did not appear. The page says:\n{}", self.b.text().await);
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Brings a key clear of the plate and the foot, as a thumb would, and presses it.
    async fn touch(&self, key: &Element) -> Result<(), fantoccini::error::CmdError> {
        let arg = serde_json::to_value(key).expect("an element");
        self.b.client().execute("arguments[0].scrollIntoView({block: 'center'})", vec![arg]).await?;
        key.clone().click().await
    }

    /// Presses the button that an XPath finds.
    pub async fn press(&self, xpath: &str) {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            let said = match self.touch(&self.find(xpath).await).await {
                Ok(()) => return,
                Err(e) => e.to_string(),
            };
            assert!(Instant::now() < until, "{xpath} can't be pressed: {said}");
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Presses the n-th of what a selector finds, from 0.
    pub async fn nth(&self, css: &str, n: usize) {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            let all = self.b.client().find_all(Locator::Css(css)).await.unwrap_or_default();
            let said = match all.get(n) {
                Some(found) => match self.touch(found).await {
                    Ok(()) => return,
                    Err(e) => e.to_string(),
                },
                None => format!("only {} are there", all.len()),
            };
            assert!(Instant::now() < until, "{css} number {n} can't be pressed: {said}. The page says:\n{}", self.b.text().await);
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Presses the main key once it is alive.
    pub async fn main(&self) {
        self.b.click("footer .main:not([disabled])").await;
    }

    /// Presses digits on the pad, with the pause between that a hand makes.
    pub async fn digits(&self, figures: &str) {
        for figure in figures.chars() {
            self.press(&format!("//*[contains(concat(' ', @class, ' '), ' digits ')]//button[normalize-space(.)='{figure}']")).await;
            tokio::time::sleep(Duration::from_millis(130)).await;
        }
    }

    /// Presses the n-th key of the pad's second block: sixteenths, inches or tenths.
    pub async fn part(&self, n: usize) {
        self.nth(".parts button", n).await;
    }

    /// Writes into the field with this label.
    pub async fn write(&self, css: &str, text: &str) {
        let field = self.b.wait(css).await;
        field.clear().await.expect("the field can be emptied");
        field.send_keys(text).await.expect("the field takes text");
    }

    /// A person takes up the tablet from the roster.
    pub async fn take_up(&self, id: &str) {
        self.nth(&format!("[data-person='{id}']"), 0).await;
        self.digits(&pin(id)).await;
        self.main().await;
    }

    /// Goes to a place by its address.
    pub async fn go(&self, path: &[&str]) {
        let path: Vec<String> = path.iter().map(|p| p.replace('/', "%2F")).collect();
        self.b.script("location.hash = arguments[0]", vec![json!(format!("#/{}", path.join("/")))]).await;
        tokio::time::sleep(Duration::from_millis(250)).await;
    }

    /// Gives a file to the n-th file key.
    pub async fn file(&self, n: usize, file: &Path) {
        let until = Instant::now() + Duration::from_secs(20);
        loop {
            let inputs = self.b.client().find_all(Locator::Css("input[type=file]")).await.unwrap_or_default();
            if let Some(input) = inputs.get(n) {
                input.send_keys(&file.display().to_string()).await.expect("the file is taken");
                return;
            }
            assert!(Instant::now() < until, "there are {} file keys. The page says:\n{}", inputs.len(), self.b.text().await);
            tokio::time::sleep(Duration::from_millis(60)).await;
        }
    }

    /// What the seam behind the page answers, asked from the page itself.
    pub async fn seam(&self, call: &str, args: Json) -> Json {
        let script = r"
            const [name, args, done] = arguments;
            const inside = window.__TAURI_INTERNALS__;
            const asked = inside
              ? inside.invoke('call', { name, args })
              : fetch('/tablet/api/' + name, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(args) }).then((r) => r.json());
            asked.then((v) => done(v), (e) => done({ refused: e }));";
        self.b.client().execute_async(script, vec![json!(call), args]).await.expect("the seam answers")
    }

    /// Waits until the seam's answer is as it should be.
    pub async fn until(&self, what: &str, call: &str, args: Json, good: impl Fn(&Json) -> bool) -> Json {
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            let got = self.seam(call, args.clone()).await;
            if good(&got) {
                return got;
            }
            assert!(Instant::now() < until, "waited in vain for {what}: {got}. The page says:\n{}", self.b.text().await);
            tokio::time::sleep(Duration::from_millis(80)).await;
        }
    }
}

/// Opens tube 47 of the front wall at 54' 6", fire side, through the screens. Gives the job.
pub async fn open_job(h: &Hands<'_>) -> String {
    h.main().await;
    h.digits("47").await;
    h.main().await;
    h.digits("54").await;
    h.part(6).await;
    h.main().await;
    // No side is chosen for anybody: the main key is dead until one is.
    assert!(h.b.client().find(Locator::Css("footer .main:not([disabled])")).await.is_err(), "a side was chosen by default");
    h.press("//button[contains(., 'fire side') or contains(., 'lado fuego')]").await;
    h.main().await;
    h.press("//button[normalize-space(.)='wall blower 12']").await;
    h.press("//button[normalize-space(.)='left of it' or contains(., 'a la izquierda')]").await;
    h.digits("3").await;
    h.main().await;
    h.main().await;
    let jobs = h.until("the job", "jobs", json!({}), |j| j.as_array().is_some_and(|a| !a.is_empty())).await;
    jobs[0]["job"].as_str().expect("a job").to_owned()
}

/// Gauge, block check and surface temperature, then one wall reading.
pub async fn read_wall(h: &Hands<'_>, job: &str) {
    h.go(&["job", job, "step", "readings"]).await;
    h.nth("main input[type=text]", 0).await;
    let names = h.b.client().find_all(Locator::Css("main input[type=text]")).await.expect("fields");
    names[0].send_keys("UT-3").await.expect("gauge");
    names[1].send_keys("B-11").await.expect("block");
    h.digits("100").await;
    for figures in ["100", "300", "301", "88"] {
        h.main().await;
        h.digits(figures).await;
    }
    h.main().await;
    let view = json!({"job": job});
    h.until("the gauge", "job", view.clone(), |v| v["fields"]["gauge"]["state"] == "agreed").await;
    h.nth("table button", 2).await;
    h.digits("112").await;
    h.main().await;
    h.until("the reading", "job", view, |v| v["lists"]["readings"].as_array().is_some_and(|a| a.len() == 1)).await;
}

/// The gap at four clock positions; the procedure must stand for a cut length.
pub async fn measure_gap(h: &Hands<'_>, job: &str) {
    h.go(&["job", job, "step", "cut-gap"]).await;
    for (n, sixteenth) in [9, 8, 8, 9].into_iter().enumerate() {
        h.digits("20").await;
        h.part(sixteenth).await;
        h.main().await;
        let view = json!({"job": job});
        h.until("the gap", "job", view, |v| v["sums"]["cut"]["gaps"].as_object().is_some_and(|g| g.len() == n + 1)).await;
    }
}

/// Signs a gate as the person who holds the tablet.
pub async fn sign(h: &Hands<'_>, job: &str, gate: &str, person: &str) {
    h.go(&["job", job, "gate", gate]).await;
    h.nth(".who fieldset button:not([disabled])", 0).await;
    h.digits(&pin(person)).await;
    h.main().await;
    let good = |v: &Json| {
        v["gates"].as_array().is_some_and(|all| {
            all.iter().any(|g| g["gate"] == gate && g["signs"].as_array().is_some_and(|s| s.iter().any(|s| s["good"] == true)))
        })
    };
    h.until("the signature", "job", json!({"job": job}), good).await;
}
