//! Accessibility: axe-core in the page, as strict as the screens' own rules ask.

use crate::browser::Browser;
use crate::paths;
use serde_json::{Value as Json, json};

/// Rules: WCAG 2.0 to 2.2 A and AA and best practice, and beside them enhanced contrast (7:1) and target size.
const RUN: &str = r"
const [source, done] = [arguments[0], arguments[arguments.length - 1]];
if (!window.axe) { (0, eval)(source); }
window.axe.run(document, {
  runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
  rules: { 'color-contrast-enhanced': { enabled: true }, 'target-size': { enabled: true } },
}).then((r) => done({
  passes: r.passes.length,
  violations: r.violations.map((v) => v.id + ': ' + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160) + ' -- ' + (n.failureSummary || '').slice(0, 200)).join(' | ')),
  incomplete: r.incomplete.map((v) => v.id + ': ' + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')),
}), (e) => done({ error: String(e) }));
";

/// What axe found.
#[derive(Debug)]
pub struct Found {
    pub passes: u64,
    pub violations: Vec<String>,
    pub incomplete: Vec<String>,
}

/// Runs axe in the page as it stands.
pub async fn run(browser: &Browser) -> Found {
    let file = paths::root().join("ui/node_modules/axe-core/axe.min.js");
    let source = std::fs::read_to_string(&file).expect("axe-core is installed by npm ci in ui");
    let got = browser.client().execute_async(RUN, vec![json!(source)]).await.expect("axe runs");
    assert!(got.get("error").is_none(), "axe failed: {got}");
    let texts = |key: &str| got[key].as_array().into_iter().flatten().filter_map(Json::as_str).map(str::to_owned).collect();
    Found { passes: got["passes"].as_u64().unwrap_or(0), violations: texts("violations"), incomplete: texts("incomplete") }
}

/// Runs axe and insists on no violation.
pub async fn clean(browser: &Browser, screen: &str) {
    let found = run(browser).await;
    println!("axe: {screen}: {} rules passed, {} violations, {} undecided", found.passes, found.violations.len(), found.incomplete.len());
    assert!(found.passes > 5, "{screen}: axe saw hardly anything");
    assert!(found.violations.is_empty(), "{screen}: {:#?}", found.violations);
}
