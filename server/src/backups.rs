//! Backups: what goes into one beside the store, how snapshots are named, and the schedule of a running server.

use crate::fault::Fault;
use crate::identity;
use crate::state::App;
use crate::trailer::store_fault;
use job::Say;
use job::board::Backup;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use store::backup::{self, BackupReport, Target};
use store::{Reader, StoreError};
use tokio::sync::Notify;

/// The folder of the TLS keys in the data folder.
pub const TLS: &str = "tls";
/// After a backup that failed, the next try comes after so long, or after the usual time if that is less.
const AGAIN: Duration = Duration::from_secs(10 * 60);
/// Stands between the name of a snapshot that claims to be later and the time it was made at.
const LATER: &str = "-clock-";

/// Backups that a running server makes by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Schedule {
    /// The folder of all snapshots.
    pub root: PathBuf,
    /// How often, hours.
    pub hours: u32,
    /// How many whole snapshots are kept.
    pub keep: usize,
}

impl Schedule {
    fn every(&self) -> Duration {
        Duration::from_secs(u64::from(self.hours) * 3600)
    }
}

/// How the backups of this run stand.
#[derive(Clone, Debug, Default)]
pub(crate) struct Standing {
    every_ms: u64,
    /// By the wall clock, for people.
    last_ms: Option<i64>,
    /// By this run's own clock, which nobody can set.
    last_up_ms: Option<u64>,
    problem: Option<Say>,
}

impl Standing {
    /// Nothing made in this run yet; `last_ms` is the newest whole snapshot that is there.
    pub fn new(schedule: &Schedule, last_ms: Option<i64>) -> Self {
        Self { every_ms: u64::try_from(schedule.every().as_millis()).unwrap_or(u64::MAX), last_ms, ..Self::default() }
    }

    /// As the board shows it. Late is said where no good backup is known for twice the time, in doubt too.
    pub fn shown(&self, now_ms: i64, up_ms: u64) -> Backup {
        let twice = self.every_ms.saturating_mul(2);
        let age = match (self.last_up_ms, self.last_ms) {
            (Some(last), _) => Some(up_ms.saturating_sub(last)),
            // A snapshot from the future tells nothing about its age.
            (None, Some(last)) => u64::try_from(now_ms.saturating_sub(last)).ok(),
            (None, None) => None,
        };
        let late = match age {
            Some(age) => age > twice,
            None => self.problem.is_some() || up_ms > self.every_ms,
        };
        let every_ms = i64::try_from(self.every_ms).unwrap_or(i64::MAX);
        Backup { last_ms: self.last_ms, every_ms, late, problem: self.problem.clone() }
    }

    fn good(&mut self, now_ms: i64, up_ms: u64) {
        (self.last_ms, self.last_up_ms, self.problem) = (Some(now_ms), Some(up_ms), None);
    }
}

/// Makes backups until the server stops: the first at once.
pub(crate) async fn keep_backups(app: App, data: PathBuf, schedule: Schedule, stop: Arc<Notify>) {
    loop {
        let wait = match one(&app, &data, &schedule).await {
            Ok(()) => schedule.every(),
            Err(fault) => {
                crate::log(&format!("the backup was NOT made: {fault}"));
                app.with_backups(|b| b.problem = Some(fault.say));
                schedule.every().min(AGAIN)
            }
        };
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = stop.notified() => return,
        }
    }
}

async fn one(app: &App, data: &Path, schedule: &Schedule) -> Result<(), Fault> {
    let reader = app.with(|t| t.store.reader().map_err(store_fault)).await?;
    let (data, root, keep, now_ms) = (data.to_owned(), schedule.root.clone(), schedule.keep, app.wall_ms());
    let report = crate::state::off_thread(move || {
        let target = Target::new(&root);
        let report = make(&reader, &data, &target, now_ms)?;
        let pruned = backup::prune(&target, keep).map_err(backup_fault)?;
        for damaged in pruned.damaged {
            crate::log(&format!("snapshot {damaged} is damaged and was left alone; no old photo is removed while it is there"));
        }
        Ok(report)
    })
    .await?;
    let up_ms = app.uptime_ms();
    app.with_backups(|b| b.good(now_ms, up_ms));
    crate::log(&format!("backup made: {}", words(&report)));
    Ok(())
}

/// Makes one backup: the store and the server's keys.
///
/// # Errors
/// A fault in words; earlier snapshots are untouched then.
pub fn make(reader: &Reader, data: &Path, to: &Target, now_ms: i64) -> Result<BackupReport, Fault> {
    let extras = extras(data).map_err(|e| {
        Fault::new(
            500,
            "backup-keys",
            format!(
                "The backup was NOT made: the server's keys cannot be read ({e}). The records are safe. Check who owns the data folder."
            ),
        )
    })?;
    let extras: Vec<(&str, &[u8])> = extras.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice())).collect();
    let stamp = stamp(now_ms, newest(to).as_deref());
    reader.backup(to, &stamp, &extras).map_err(backup_fault)
}

/// What a backup did, in one line.
pub fn words(report: &BackupReport) -> String {
    let damaged =
        if report.damaged.is_empty() { String::new() } else { format!("; {} photos are damaged here and NOT in it", report.damaged.len()) };
    format!(
        "{} ({} entries in {} series, {} photos, {} of them new){damaged}",
        report.stamp, report.entries, report.series, report.photos, report.photos_new
    )
}

fn backup_fault(error: StoreError) -> Fault {
    match error {
        StoreError::DiskFull => Fault::new(
            507,
            "backup-full",
            "The backup was NOT made: its disk is full. The records and the earlier backups are safe. Make room on the backup's disk, or use another.",
        ),
        other => Fault::new(500, other.code(), other.to_string()),
    }
}

/// The files beside the store that belong to the server: its keys and certificates.
fn extras(data: &Path) -> io::Result<Vec<(String, Vec<u8>)>> {
    let mut all = Vec::new();
    if let Some(bytes) = crate::files::read_if_there(&data.join(identity::FILE))? {
        all.push((identity::FILE.to_owned(), bytes));
    }
    let tls = data.join(TLS);
    if tls.is_dir() {
        for file in std::fs::read_dir(&tls)? {
            let file = file?;
            let name = file.file_name().to_string_lossy().into_owned();
            // What ends so was left by a write that was cut.
            if file.file_type()?.is_file() && !name.ends_with(".new") {
                all.push((format!("{TLS}/{name}"), std::fs::read(file.path())?));
            }
        }
    }
    all.sort();
    Ok(all)
}

/// Name of the newest snapshot that is there, whole or not.
fn newest(of: &Target) -> Option<String> {
    backup::list(of).ok()?.into_iter().map(|s| s.stamp).max()
}

/// When the newest whole snapshot was made, by its name.
pub(crate) fn last_good_ms(root: &Path) -> Option<i64> {
    let all = backup::list(&Target::new(root)).ok()?;
    all.iter().rev().find(|s| s.manifest.is_ok()).and_then(|s| time_of(&s.stamp))
}

/// A snapshot's name: the time in UTC. Snapshots are kept by the order of their names, so where a clock was set back the new
/// name still comes last.
fn stamp(now_ms: i64, newest: Option<&str>) -> String {
    let now = utc(now_ms);
    let Some(last) = newest.filter(|last| *last >= now.as_str()) else { return now };
    // Also after one that was named so before, in the same second or by a clock that was set back once more.
    let after = if last.contains(LATER) { time_of(last).map_or(now_ms, |t| t.saturating_add(1000)) } else { now_ms };
    format!("{}{LATER}{}", last.split(LATER).next().unwrap_or(last), utc(now_ms.max(after)))
}

/// `2026-03-14-030507`. Days to dates by the usual shifted-year sums, from memory; checked against known dates below.
fn utc(ms: i64) -> String {
    let seconds = ms.div_euclid(1000);
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    // Years that begin in March, in eras of 400 years.
    let shifted = days + 719_468;
    let (era, day) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153;
    let date = day - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    let year = year + era * 400 + i64::from(month <= 2);
    format!("{year:04}-{month:02}-{date:02}-{:02}{:02}{:02}", second / 3600, second / 60 % 60, second % 60)
}

/// The time in a snapshot's name, ms since 1970.
fn time_of(stamp: &str) -> Option<i64> {
    let made = stamp.split(LATER).last()?;
    let mut parts = made.split('-').map(|p| p.parse::<i64>().ok());
    let (year, month, date, clock) = (parts.next()??, parts.next()??, parts.next()??, parts.next()??);
    let (year, month) = if month <= 2 { (year - 1, month + 9) } else { (year, month - 3) };
    let era = year.div_euclid(400);
    let of_era = year.rem_euclid(400);
    let day = of_era * 365 + of_era / 4 - of_era / 100 + (153 * month + 2) / 5 + date - 1;
    let days = era * 146_097 + day - 719_468;
    let seconds = clock / 10_000 * 3600 + clock / 100 % 100 * 60 + clock % 100;
    days.checked_mul(86_400)?.checked_add(seconds)?.checked_mul(1000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_times_and_always_come_last() {
        // From the calendar: 2000-02-29 was a Tuesday, 11,016 days after 1970-01-01.
        for (ms, name) in [
            (0, "1970-01-01-000000"),
            (11_016 * 86_400_000, "2000-02-29-000000"),
            (951_868_799_000, "2000-02-29-235959"),
            (951_868_800_000, "2000-03-01-000000"),
            (1_772_323_199_000, "2026-02-28-235959"),
            (1_772_323_200_000, "2026-03-01-000000"),
        ] {
            println!("{ms} ms: {}", utc(ms));
            assert_eq!(utc(ms), name);
            assert_eq!(time_of(name), Some(ms));
        }
        for day in 0..40_000_i64 {
            assert_eq!(time_of(&utc(day * 86_400_000 + 12_345_000)), Some(day * 86_400_000 + 12_345_000));
        }
        let future = stamp(1_900_000_000_000, None);
        let back = stamp(1_772_323_200_000, Some(&future));
        let later = stamp(1_772_323_300_000, Some(&back));
        println!("{future} < {back} < {later}");
        assert!(future < back && back < later && later.len() <= 64);
        let same_second = stamp(1_772_323_300_000, Some(&later));
        let back_again = stamp(1_772_000_000_000, Some(&same_second));
        println!("{later} < {same_second} < {back_again}");
        assert!(later < same_second && same_second < back_again && back_again.len() <= 64);
        assert_eq!(time_of(&back), Some(1_772_323_200_000));
    }

    #[test]
    fn a_backup_that_is_too_old_is_said_to_be() {
        let schedule = Schedule { root: PathBuf::new(), hours: 6, keep: 28 };
        let hour = 3_600_000;
        let none = Standing::new(&schedule, None);
        assert!(!none.shown(0, 1).late && none.shown(0, 7 * hour).late);
        let failed = Standing { problem: Some(Say::new("x", "no disk")), ..none };
        assert!(failed.shown(0, 1).late);
        let now = 1_790_000_000_000;
        let old = Standing::new(&schedule, Some(now - 13 * 3_600_000));
        assert!(old.shown(now, 1).late && !old.shown(now - 2 * 3_600_000, 1).late);
        let mut made = old;
        made.good(now, 5 * hour);
        // A clock that was set forward or back makes no backup old or new.
        assert!(!made.shown(now + 100 * 3_600_000, 6 * hour).late && made.shown(now - 5, 18 * hour).late);
        println!("{:?}", made.shown(now, 6 * hour));
    }
}
