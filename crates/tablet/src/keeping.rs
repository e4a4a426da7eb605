//! Keeping safe: the check of the whole store, all of it in one file, and such a file brought in.
//!
//! Checking and exporting need nobody signed in: with a dead server in the night anybody must be able to carry the records
//! out. Nothing here removes or overwrites a record.

use crate::core::{Core, parse};
use crate::fault::Fault;
use crate::people;
use crate::setting::store_fault;
use job::Say;
use journal::PhotoHash;
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use std::path::{Path, PathBuf};
use std::sync::{Arc, MutexGuard, PoisonError};
use store::{ExportReport, ImportReport, Place, Report};

/// The folder for exports within the tablet's own.
const EXPORTS: &str = "exports";
const MB: u64 = 1 << 20;

/// How far a check is, and what the last one found.
#[derive(Clone, Debug, Default, Serialize)]
pub(crate) struct Check {
    running: bool,
    /// `records`, `photos`; empty when none runs.
    phase: &'static str,
    /// Bytes of photos looked at.
    done: u64,
    total: u64,
    result: Option<Checked>,
    /// Why the last check could not be made.
    error: Option<Say>,
}

/// What a check found.
#[derive(Clone, Debug, Serialize)]
struct Checked {
    good: bool,
    /// This tablet's clock.
    at_ms: i64,
    entries: u64,
    series: u64,
    photos: u64,
    /// Named by entries and not on this tablet: on another one, or in the trailer.
    photos_missing: u64,
    /// Refused and kept beside the records.
    refused: u64,
    /// Entries that are here and do not count.
    apart: u64,
    faults: Vec<Found>,
    /// What is no fault but should be known, in words.
    notices: Vec<String>,
    say: Say,
}

/// One thing that is wrong.
#[derive(Clone, Debug, Serialize)]
struct Found {
    #[serde(flatten)]
    say: Say,
    /// The store's own words for it.
    what: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    photo: Option<PhotoHash>,
    /// For a photo: true where the trailer signed for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    in_trailer: Option<bool>,
}

#[derive(Deserialize)]
struct Export {
    #[serde(default)]
    to: Option<PathBuf>,
}

#[derive(Deserialize)]
struct Import {
    path: PathBuf,
}

impl Core {
    fn checking(&self) -> MutexGuard<'_, Check> {
        self.check.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Starts a check of the whole store unless one is running; gives how far it is.
    pub(crate) fn check_store(self: &Arc<Self>) -> Result<Json, Fault> {
        {
            let mut now = self.checking();
            if now.running {
                return Ok(json!(*now));
            }
            (now.running, now.phase, now.done, now.total, now.error) = (true, "records", 0, 0, None);
        }
        let turn = Checking { core: Arc::clone(self) };
        let thread = std::thread::Builder::new().name("check".to_owned()).spawn(move || {
            let result = turn.core.check_all();
            let mut now = turn.core.checking();
            match result {
                Ok(found) => now.result = Some(found),
                Err(fault) => now.error = Some(fault.say),
            }
            drop(now);
            drop(turn);
        });
        thread.map_err(|e| Fault::inside("no-thread", "The check could not be started.", e))?;
        Ok(self.check_state())
    }

    /// How far the check is, and what the last one found.
    pub(crate) fn check_state(&self) -> Json {
        json!(*self.checking())
    }

    /// The records hold the store for as long as reading them takes; the photos, most of the bytes, do not.
    fn check_all(&self) -> Result<Checked, Fault> {
        let (mut report, photos, apart) = {
            let mut inner = self.lock();
            let report = inner.store.verify_records().map_err(store_fault)?;
            let states = inner.store.series_states().map_err(store_fault)?;
            (report, inner.store.photos().clone(), states.iter().map(store::SeriesState::apart).sum())
        };
        self.checking().phase = "photos";
        let mut progress = |done, total| {
            let mut now = self.checking();
            (now.done, now.total) = (done, total);
        };
        photos.verify(&mut report, &mut progress).map_err(store_fault)?;
        self.judged(report, apart)
    }

    fn judged(&self, report: Report, apart: u64) -> Result<Checked, Fault> {
        let inner = self.lock();
        let mut faults = Vec::with_capacity(report.faults.len());
        for fault in report.faults {
            let photo = if let Place::Photo(hash) = fault.place { Some(hash) } else { None };
            let receipt = photo.map(|photo| inner.store.photo_state(&photo)).transpose().map_err(store_fault)?;
            let in_trailer = receipt.map(|state| state.receipt_ms.is_some());
            faults.push(Found { say: in_words(&fault, in_trailer), what: fault.what, photo, in_trailer });
        }
        let say = if faults.is_empty() {
            let words = format!(
                "All is as it was saved: {} records in {} series and {} photos were read and every one fits its seal.",
                report.entries, report.series, report.photos
            );
            Say::new("check-good", words).with("entries", report.entries).with("series", report.series).with("photos", report.photos)
        } else {
            let words = format!(
                "The check found {} things that are not as they were saved. Everything else is safe and can be used. Sync in the trailer if you can, keep this tablet as it is, and show this to the supervisor.",
                faults.len()
            );
            Say::new("check-faults", words).with("n", faults.len())
        };
        Ok(Checked {
            good: faults.is_empty(),
            at_ms: self.env.wall_ms(),
            entries: report.entries,
            series: report.series,
            photos: report.photos,
            photos_missing: report.photos_missing,
            refused: report.quarantined,
            apart,
            faults,
            notices: report.notices,
            say,
        })
    }

    /// Writes the whole store into one file. People go on recording meanwhile.
    pub(crate) fn export_store(&self, args: Json) -> Result<Json, Fault> {
        let args: Export = parse("export_store", args)?;
        let folder = match args.to {
            Some(folder) if folder.is_absolute() && folder.is_dir() => folder,
            Some(folder) => return Err(no_folder(&folder)),
            None => {
                let folder = self.dir.join(EXPORTS);
                std::fs::create_dir_all(&folder).map_err(|e| store_fault(e.into()))?;
                folder
            }
        };
        let (reader, name) = {
            let inner = self.lock();
            let name = inner.name.as_ref().map_or_else(|| crate::series::made_up(&inner.identity.device), |n| n.name.clone());
            (inner.store.reader().map_err(store_fault)?, name)
        };
        let stem = format!("tubewright-{name}-{}", stamp(self.env.wall_ms()));
        let path = free_path(&folder, &stem);
        let report = reader.export_file(&path).map_err(store_fault)?;
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned());
        Ok(json!({
            "path": path.to_string_lossy(), "name": name, "bytes": report.bytes, "entries": report.entries, "photos": report.photos,
            "refused": report.refused, "unreadable": report.unreadable, "damaged": report.damaged,
            "photos_damaged": report.photos_damaged, "say": exported(&report, &path),
        }))
    }

    /// Brings in a file that an export made: on this tablet, another one or the server. This tablet stays who it is.
    pub(crate) fn import_store(&self, args: Json) -> Result<Json, Fault> {
        let args: Import = parse("import_store", args)?;
        let mut inner = self.lock();
        if inner.belongs()? {
            people::holder(&inner)?;
        }
        if !args.path.is_file() {
            let words = "There is no such file. Nothing was changed. Look for it again: its name ends in .tar.";
            return Err(Fault::new(404, "no-file", words).with("path", args.path.display()));
        }
        let report = inner.store.import(&args.path).map_err(store_fault)?;
        self.mark(&inner);
        let apart: u64 = inner.store.series_states().map_err(store_fault)?.iter().map(store::SeriesState::apart).sum();
        let missing: Vec<Json> = report.missing.iter().map(|m| json!({ "series": m.series, "from": m.from, "to": m.to })).collect();
        Ok(json!({
            "stored": report.stored, "known": report.known, "healed": report.healed, "refused": report.refused,
            "unreadable": report.unreadable, "apart": apart, "photos_new": report.photos_new, "photos_known": report.photos_known,
            "whole": report.whole, "complete": report.is_complete(), "missing": missing, "photos_missing": report.photos_missing,
            "faults": report.faults, "say": imported(&report, apart),
        }))
    }
}

/// Held while a check runs; however it ends, the next one may begin.
struct Checking {
    core: Arc<Core>,
}

impl Drop for Checking {
    fn drop(&mut self) {
        let mut now = self.core.checking();
        (now.running, now.phase) = (false, "");
        if std::thread::panicking() {
            let words = "The check broke off inside this tablet. Nothing was changed and nothing is lost. Check again; tell the supervisor if it stays.";
            now.error = Some(Say::new("check-broke-off", words));
        }
    }
}

/// What is wrong, what is safe and what to do: the store's words, but for photos, where this tablet knows more.
fn in_words(fault: &store::Fault, in_trailer: Option<bool>) -> Say {
    let code = match (&fault.place, in_trailer) {
        (Place::Photo(_), Some(true)) => "photo-damaged-there-whole",
        (Place::Photo(_), _) => "photo-damaged-only-here",
        (Place::Database, _) => "database-damaged",
        (Place::Log, _) => "log-damaged",
        (Place::Entry { .. } | Place::Series(_) | Place::Job(_), _) => "record-damaged-here",
        (Place::Views, _) => "views-differ",
        (Place::Receipt(_), _) => "receipt-damaged",
        (Place::Refused(_) | Place::Unreadable(_), _) => "kept-apart-damaged",
        (Place::Setting(_), _) => "setting-damaged",
    };
    let words = match code {
        "photo-damaged-there-whole" => format!(
            "{}. Nothing is lost: the trailer has signed that it holds it whole. Look at it on the board.",
            fault.what.trim_end_matches('.')
        ),
        "photo-damaged-only-here" => format!(
            "{}, and the trailer has not signed for it. Its record and everything else is safe. Take it again while the tube can still be seen, and keep this tablet as it is.",
            fault.what.trim_end_matches('.')
        ),
        _ => fault.to_string(),
    };
    let say = Say::new(code, words).with("what", &fault.what);
    if let Place::Photo(photo) = fault.place { say.with("photo", photo) } else { say }
}

fn exported(report: &ExportReport, path: &Path) -> Say {
    let place = path.display();
    let (bad, photos_bad) = (report.damaged, report.photos_damaged.len());
    let (code, more) = if bad == 0 && photos_bad == 0 {
        ("export-whole", String::new())
    } else {
        let more =
            format!(" {bad} records and {photos_bad} photos on this tablet are damaged; they could not go along whole. Check this tablet.");
        ("export-damaged", more)
    };
    let words = format!(
        "All that is on this tablet is in one file now: {} records and {} photos, {} MB, at {place}.{more} Nothing was taken away here. The file holds everybody's records and PIN seals: keep it as you keep the tablet. Bring it in on another tablet or on the trailer's machine.",
        report.entries,
        report.photos,
        report.bytes.div_ceil(MB)
    );
    Say::new(code, words)
        .with("path", place)
        .with("entries", report.entries)
        .with("photos", report.photos)
        .with("mb", report.bytes.div_ceil(MB))
        .with("damaged", bad)
        .with("photos_damaged", photos_bad)
}

fn imported(report: &ImportReport, apart: u64) -> Say {
    let code = if report.is_complete() { "import-whole" } else { "import-part" };
    let kept = if apart == 0 {
        String::new()
    } else {
        format!(" {apart} records here are kept apart: no trailer that is believed has said yet that they count.")
    };
    let say = Say::new(code, format!("{report}{kept}"));
    say.with("stored", report.stored)
        .with("known", report.known)
        .with("photos_new", report.photos_new)
        .with("photos_missing", report.photos_missing.len())
        .with("refused", report.refused)
        .with("apart", apart)
}

fn no_folder(folder: &Path) -> Fault {
    let words = "There is no such folder, so nothing was written and nothing was changed. Put the stick in, or leave the folder out: then the file is put beside this tablet's own records.";
    Fault::new(404, "no-folder", words).with("folder", folder.display())
}

/// `20260302-060000`, UTC, by this tablet's clock.
fn stamp(wall_ms: i64) -> String {
    let seconds = wall_ms.div_euclid(1000);
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    // Days since 1970 to a date of the proleptic Gregorian calendar, counted from 1 March 0000 in spans of 400 years.
    let z = days + 719_468;
    let (era, day_of_era) = (z.div_euclid(146_097), z.rem_euclid(146_097));
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * day_of_year + 2) / 153;
    let (day, month) = (day_of_year - (153 * shifted + 2) / 5 + 1, if shifted < 10 { shifted + 3 } else { shifted - 9 });
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    format!("{year:04}{month:02}{day:02}-{:02}{:02}{:02}", second / 3600, second / 60 % 60, second % 60)
}

/// A name that no file there has.
fn free_path(folder: &Path, stem: &str) -> PathBuf {
    let plain = folder.join(format!("{stem}.tar"));
    let others = (2..1000).map(|n| folder.join(format!("{stem}-{n}.tar")));
    std::iter::once(plain.clone()).chain(others).find(|path| !path.exists()).unwrap_or(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_named_by_day_and_time() {
        for (ms, text) in [
            (0, "19700101-000000"),
            (1_772_431_200_000, "20260302-060000"),
            (951_782_399_000, "20000228-235959"),
            (951_868_799_999, "20000229-235959"),
            (-1, "19691231-235959"),
        ] {
            assert_eq!(stamp(ms), text);
        }
    }
}
