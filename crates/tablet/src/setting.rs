//! Small local state in the store's settings: pairing, PIN misses, receipts, drafts. All of it JSON, all of it durable when set.

use crate::core::{Core, parse};
use crate::fault::Fault;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use store::{Store, StoreError};

const LONGEST_KEY: usize = 200;
const LARGEST_DRAFT: usize = 64 * 1024;

#[derive(Deserialize)]
struct DraftSet {
    key: String,
    value: Json,
}

#[derive(Deserialize)]
struct DraftGet {
    key: String,
}

#[derive(Deserialize)]
struct SetMm {
    mm: Json,
}

#[derive(Deserialize)]
struct SetSection {
    section: String,
}

impl Core {
    /// Keeps what is half typed, so that a kill of the program loses none of it. It is not a record.
    pub(crate) fn draft_set(&self, args: Json) -> Result<Json, Fault> {
        let args: DraftSet = parse("draft_set", args)?;
        let key = draft_key(&args.key)?;
        if args.value.to_string().len() > LARGEST_DRAFT {
            return Err(Fault::new(
                413,
                "draft-too-large",
                "What is typed here is too long to be kept as a draft. Nothing already saved is touched. Save it, or make it shorter.",
            ));
        }
        save(&mut self.lock().store, &key, &args.value)?;
        Ok(json!({}))
    }

    pub(crate) fn draft_get(&self, args: Json) -> Result<Json, Fault> {
        let args: DraftGet = parse("draft_get", args)?;
        let value: Option<Json> = load(&self.lock().store, &draft_key(&args.key)?)?;
        Ok(json!({ "value": value }))
    }

    /// How many CSS pixels make one real millimetre on this screen, as measured on a steel rule.
    pub(crate) fn set_mm(&self, args: Json) -> Result<Json, Fault> {
        let args: SetMm = parse("set_mm", args)?;
        let text = args.mm.as_str().map_or_else(|| args.mm.to_string(), str::to_owned);
        let sane = text.trim().parse::<f64>().is_ok_and(|mm| (1.0..=60.0).contains(&mm));
        if !sane {
            let words = "That cannot be the size of a millimetre on a screen. The old size stays. Lay the steel rule on the glass again and move the bar to 50 mm.";
            return Err(Fault::new(400, "bad-mm", words).with("typed", text));
        }
        save(&mut self.lock().store, "mm", &text.trim())?;
        Ok(json!({}))
    }

    pub(crate) fn set_section(&self, args: Json) -> Result<Json, Fault> {
        let args: SetSection = parse("set_section", args)?;
        let mut inner = self.lock();
        if inner.plan()?.section(&args.section).is_none() {
            return Err(no_section(&args.section));
        }
        save(&mut inner.store, "section", &args.section)?;
        Ok(json!({}))
    }
}

pub(crate) fn no_section(section: &str) -> Fault {
    let words = "That section is not in this site's plan. Nothing was saved by this tap; what was saved before is safe. Choose a section from the list.";
    Fault::new(404, "no-section", words).with("section", section)
}

fn draft_key(key: &str) -> Result<String, Fault> {
    if key.is_empty() || key.len() > LONGEST_KEY {
        return Err(Fault::new(
            400,
            "bad-draft-key",
            "The screen named a draft in a way that cannot be kept. Nothing already saved is touched. Go back and open the page again.",
        ));
    }
    Ok(format!("draft/{key}"))
}

/// Reads a setting; `None` where it was never set.
pub(crate) fn load<T: DeserializeOwned>(store: &Store, key: &str) -> Result<Option<T>, Fault> {
    let Some(text) = store.setting(key).map_err(store_fault)? else { return Ok(None) };
    serde_json::from_str(&text)
        .map(Some)
        .map_err(|e| Fault::inside("bad-setting", "A small note of this tablet cannot be read.", format!("{key}: {e}")))
}

/// Writes a setting; durable on return.
pub(crate) fn save<T: Serialize>(store: &mut Store, key: &str, value: &T) -> Result<(), Fault> {
    let text =
        serde_json::to_string(value).map_err(|e| Fault::inside("bad-setting", "A small note of this tablet cannot be written.", e))?;
    store.set_setting(key, &text).map_err(store_fault)
}

/// Writes several settings at once, or none of them; durable on return.
pub(crate) fn save_all(store: &mut Store, settings: &[(&str, Json)]) -> Result<(), Fault> {
    let texts: Vec<(&str, String)> = settings.iter().map(|(key, value)| (*key, value.to_string())).collect();
    let texts: Vec<(&str, &str)> = texts.iter().map(|(key, text)| (*key, text.as_str())).collect();
    store.set_settings(&texts).map_err(store_fault)
}

/// The store's failures: their sentences are the store's own.
pub(crate) fn store_fault(error: StoreError) -> Fault {
    let status = match error {
        _ if error.is_disk_full() => 507,
        StoreError::PhotoTooLong { .. } => 413,
        StoreError::InUse | StoreError::OtherSite | StoreError::NoSite => 409,
        StoreError::NoBundle(_) => 400,
        _ => 500,
    };
    Fault::new(status, error.code(), error.to_string())
}
