//! Checking a whole store: the database's structure, every entry's hash, every chain and signature, every projection,
//! every photo's bytes.

use crate::error::StoreError;
use crate::photos::{Photos, Size};
use crate::project;
use crate::rows;
use crate::store::Store;
use journal::{Incarnation, SiteId, Tail};
use rusqlite::Connection;

/// What a check of the whole store found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Entries read, hashed and chained.
    pub entries: u64,
    /// Series.
    pub series: u64,
    /// Photos on this disk, hashed.
    pub photos: u64,
    /// Photos that entries name and that are not here (on the server: still on a tablet).
    pub photos_missing: u64,
    /// Entries in quarantine.
    pub quarantined: u64,
    /// What is wrong, in words; empty where all is well.
    pub faults: Vec<String>,
}

impl Report {
    /// True where nothing is wrong.
    pub fn is_good(&self) -> bool {
        self.faults.is_empty()
    }
}

impl Store {
    /// Checks everything that can be checked. Changes nothing, takes as long as reading it all.
    ///
    /// # Errors
    /// Only where the check itself could not be made; what is wrong with the store stands in [`Report::faults`].
    pub fn verify(&mut self) -> Result<Report, StoreError> {
        let mut report = self.verify_records()?;
        self.photos().clone().verify(&mut report, &mut |_, _| {})?;
        Ok(report)
    }

    /// [`Store::verify`] without the photos' bytes, which are most of the work and need not hold the store:
    /// [`Photos::verify`].
    ///
    /// # Errors
    /// As [`Store::verify`].
    pub fn verify_records(&mut self) -> Result<Report, StoreError> {
        self.check()?;
        let photos = self.photos().clone();
        let mut report = Report::default();
        self.try_out(|t| {
            structure(t, &mut report)?;
            chains(t, &mut report)?;
            // A rebuild that is rolled back: the views must come out as they stand.
            let stands = project::state_bytes(t)?;
            match project::rebuild(t) {
                Ok(()) if project::state_bytes(t)? == stands => {}
                Ok(()) => report.faults.push("the job views are not what the entries say; rebuild them".into()),
                Err(StoreError::Damaged(why) | StoreError::DamagedRecord(why)) => report.faults.push(why),
                Err(e) => return Err(e),
            }
            let count = |sql: &str| t.query_row(sql, [], |row| row.get::<_, u64>(0));
            report.quarantined = count("SELECT count(*) FROM quarantine")?;
            report.photos_missing =
                count("SELECT count(DISTINCT photo) FROM p_photo p WHERE NOT EXISTS (SELECT 1 FROM photo_here h WHERE h.photo = p.photo)")?;
            lost_photos(t, &photos, &mut report)
        })?;
        Ok(report)
    }
}

impl Photos {
    /// Hashes every photo on this disk and adds to `report` what is wrong. `progress` is told bytes done and bytes in all.
    ///
    /// # Errors
    /// As [`Store::verify`].
    pub fn verify(&self, report: &mut Report, progress: &mut dyn FnMut(u64, u64)) -> Result<(), StoreError> {
        let all = self.all()?;
        let (mut done, total) = (0, all.iter().map(|(_, bytes)| *bytes).sum());
        for (hash, bytes) in all {
            report.photos += 1;
            if self.hash_of(&self.path(&hash, Size::Full))? != hash {
                report.faults.push(format!("photo {hash} on this disk is not what was saved"));
            }
            done += bytes;
            progress(done, total);
        }
        Ok(())
    }
}

fn structure(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    let mut statement = c.prepare("PRAGMA integrity_check")?;
    let lines = statement.query_map([], |row| row.get::<_, String>(0))?;
    for line in lines {
        let line = line?;
        if line != "ok" {
            report.faults.push(format!("database: {line}"));
        }
    }
    let mut statement = c.prepare("PRAGMA foreign_key_check")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        report.faults.push(format!("database: a row of {} points nowhere", row.get::<_, String>(0)?));
    }
    Ok(())
}

fn chains(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    let site = rows::site(c)?;
    let mut statement = c.prepare("SELECT DISTINCT incarnation FROM entry UNION SELECT incarnation FROM series")?;
    let series = statement.query_map([], |row| row.get(0).map(Incarnation))?.collect::<Result<Vec<_>, _>>()?;
    for incarnation in series {
        report.series += 1;
        let Some(site) = site else {
            report.faults.push(format!("series {incarnation} stands in a store without a site"));
            continue;
        };
        if let Err(why) = chain(c, site, incarnation, report)? {
            report.faults.push(format!("series {incarnation}: {why}"));
        }
    }
    Ok(())
}

/// Walks one series from its first entry and compares where that ends with the head kept beside it.
fn chain(c: &Connection, site: SiteId, incarnation: Incarnation, report: &mut Report) -> Result<Result<(), String>, StoreError> {
    let mut tail = Tail::new(site, incarnation);
    let mut statement = c.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE incarnation = ?1 ORDER BY seq")?;
    let mut rows = statement.query([incarnation.0])?;
    while let Some(row) = rows.next()? {
        let sealed = match rows::sealed(row) {
            Ok(sealed) => sealed,
            Err(StoreError::Damaged(why) | StoreError::DamagedRecord(why)) => return Ok(Err(why)),
            Err(e) => return Err(e),
        };
        report.entries += 1;
        if let Err(fault) = tail.accept(&sealed) {
            return Ok(Err(fault.to_string()));
        }
    }
    if !tail.is_whole() {
        return Ok(Err("it ends within a transaction".into()));
    }
    match rows::tail(c, &incarnation) {
        Ok(Some(kept)) if kept == tail => Ok(Ok(())),
        Ok(_) => Ok(Err("its head is not the end of its entries".into())),
        Err(StoreError::Damaged(why) | StoreError::DamagedRecord(why)) => Ok(Err(why)),
        Err(e) => Err(e),
    }
}

/// Photos that were here when the store was opened and are not any more.
fn lost_photos(c: &Connection, photos: &Photos, report: &mut Report) -> Result<(), StoreError> {
    let mut statement = c.prepare("SELECT photo FROM photo_here ORDER BY photo")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let hash = journal::PhotoHash(row.get(0)?);
        if photos.bytes(&hash, Size::Full)?.is_none() {
            report.faults.push(format!("photo {hash} was on this disk and is gone"));
        }
    }
    Ok(())
}
