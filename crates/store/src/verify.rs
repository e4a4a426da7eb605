//! Checking a whole store: the database's structure and its layout, every entry's hash, every chain and signature, every
//! projection, every row that carries a sum, every photo's bytes. Each fault is told with its place; none ends the check.

use crate::damage;
use crate::error::StoreError;
use crate::fault::{Fault, Place};
use crate::open;
use crate::photos::{Photos, Size};
use crate::project;
use crate::read::Reader;
use crate::rows;
use crate::store::Store;
use crate::sums;
use crate::wal::LogState;
use journal::{EntryHash, Head, Incarnation, PhotoHash, Sealed, SiteId, Tail};
use rusqlite::{Connection, Row, Transaction};

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
    /// Entries kept that this program cannot read.
    pub unreadable: u64,
    /// What is wrong; empty where all is well.
    pub faults: Vec<Fault>,
    /// What is no fault but should be known, in words.
    pub notices: Vec<String>,
}

impl Report {
    /// True where nothing is wrong.
    pub fn is_good(&self) -> bool {
        self.faults.is_empty()
    }

    fn add(&mut self, place: Place, what: impl Into<String>) {
        let fault = Fault::new(place, what);
        if !self.faults.contains(&fault) {
            self.faults.push(fault);
        }
    }

    /// Takes the end of one part of the check: damage is one more fault, and the other parts go on.
    fn part(&mut self, place: Place, result: Result<(), StoreError>) -> Result<(), StoreError> {
        match result {
            Ok(()) => Ok(()),
            Err(StoreError::DamagedRecord(why)) => {
                self.add(place, why);
                Ok(())
            }
            Err(StoreError::Damaged(why)) => {
                self.add(Place::Database, format!("The database file is damaged ({why})"));
                Ok(())
            }
            // What SQLite cannot make sense of: a value of a type that no row may have, a table that is gone.
            Err(StoreError::Sql(e)) => {
                self.add(Place::Database, format!("The database does not answer as it should ({e})"));
                Ok(())
            }
            Err(StoreError::Json(e)) => {
                self.add(Place::Views, format!("A stored view cannot be read ({e})"));
                Ok(())
            }
            Err(e) => Err(e),
        }
    }
}

impl Store {
    /// Checks everything that can be checked. Changes nothing, takes as long as reading it all.
    ///
    /// # Errors
    /// Only where the check itself could not be made; what is wrong with the store stands in [`Report::faults`].
    pub fn verify(&mut self) -> Result<Report, StoreError> {
        let mut report = self.verify_records()?;
        self.photos().verify(&mut report, &mut |_, _| {})?;
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
        log(self.log_state(), &mut report);
        self.try_out(|t| {
            let r = &mut report;
            let done = structure(t, "integrity_check", r);
            r.part(Place::Database, done)?;
            let done = layout(t, r);
            r.part(Place::Database, done)?;
            let done = kept_rows(t, r);
            r.part(Place::Database, done)?;
            let done = chains(t, r);
            r.part(Place::Database, done)?;
            let done = views(t, r);
            r.part(Place::Views, done)?;
            let done = counts(t, r);
            r.part(Place::Database, done)?;
            let done = lost_photos(t, &photos, r);
            r.part(Place::Database, done)
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
            match self.hash_of(&self.path(&hash, Size::Full)) {
                Ok(found) if found == hash => {}
                Ok(_) => report.add(Place::Photo(hash), format!("Photo {hash} on this disk is not what was saved")),
                Err(e) => report.add(Place::Photo(hash), format!("Photo {hash} on this disk cannot be read ({e})")),
            }
            done += bytes;
            progress(done, total);
        }
        Ok(())
    }
}

impl Reader {
    /// A quick look at the database's structure, for a thread in the background: no hashes, no indexes compared.
    ///
    /// # Errors
    /// Only where the look itself could not be made.
    pub fn quick_check(&self) -> Result<Vec<Fault>, StoreError> {
        let mut report = Report::default();
        let done = structure(self.connection()?, "quick_check", &mut report);
        report.part(Place::Database, done)?;
        Ok(report.faults)
    }
}

fn log(state: &LogState, report: &mut Report) {
    match state {
        LogState::Sound => {}
        LogState::Torn => report.notices.push(
            "The log ended in a write that was not whole. After a power cut that is the last one, which was never shown as saved; look at the last entry of this device all the same.".into(),
        ),
        LogState::Damaged { commits } => {
            report.add(Place::Log, format!("The write-ahead log was damaged, and at least {commits} saves after that place could not be read. It was kept as {}", open::KEPT_LOG));
        }
    }
}

fn structure(c: &Connection, check: &str, report: &mut Report) -> Result<(), StoreError> {
    let mut statement = c.prepare(&format!("PRAGMA {check}"))?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let line: String = row.get(0)?;
        if line != "ok" {
            report.add(Place::Database, format!("The database file is damaged ({line})"));
        }
    }
    let mut statement = c.prepare("PRAGMA foreign_key_check")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        report.add(Place::Database, format!("A row of {} points nowhere", row.get::<_, String>(0)?));
    }
    Ok(())
}

/// The tables as they stand and as the migrations make them.
fn layout(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    let read = |c: &Connection| -> Result<Vec<(String, String, String)>, StoreError> {
        let mut statement = c.prepare("SELECT type, name, coalesce(sql, '') FROM sqlite_schema ORDER BY type, name")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    };
    // SQLite makes such tables by itself.
    let ours = |all: Vec<(String, String, String)>| -> Vec<_> {
        all.into_iter().filter(|(_, name, _)| !name.starts_with("sqlite_stat")).collect()
    };
    if ours(read(c)?) != ours(read(&open::fresh()?)?) {
        report.add(Place::Database, "The description of the tables is not what this program wrote");
    }
    for (name, wanted) in open::marks() {
        let found = open::pragma(c, name)?;
        if found != wanted {
            report.add(Place::Database, format!("The database's {name} is {found}, not {wanted}"));
        }
    }
    Ok(())
}

/// Rows that carry a sum because nothing else proves them.
fn kept_rows(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    each(c, "SELECT key, value, sum FROM setting", |row| {
        let key: String = row.get(0)?;
        if let Err(e) = sums::checked_setting(&key, row.get(1)?, row.get(2)?) {
            let why = if let StoreError::DamagedRecord(why) = e { why } else { e.to_string() };
            report.add(Place::Setting(key), why);
        }
        Ok(())
    })?;
    each(c, "SELECT photo, receipt_ms, sum FROM photo_receipt", |row| {
        let (photo, kept): (Vec<u8>, Option<Vec<u8>>) = (row.get(0)?, row.get(2)?);
        if kept.as_deref() != Some(&sums::receipt(&photo, row.get(1)?)) {
            let photo = hex::encode(&photo);
            report.add(Place::Receipt(photo.clone()), format!("The receipt for photo {photo} is not what was saved"));
        }
        Ok(())
    })?;
    each(c, "SELECT id, bytes, sig, reason, sum, hash, incarnation, seq FROM quarantine", |row| {
        let (id, bytes, sig, reason): (i64, Vec<u8>, Vec<u8>, String) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
        let kept: Option<Vec<u8>> = row.get(4)?;
        let named = (row.get::<_, Vec<u8>>(5)?, row.get::<_, Vec<u8>>(6)?, row.get::<_, i64>(7)?);
        let opened = Sealed::open(bytes.clone(), None).ok();
        let fits = opened.is_some_and(|s| named == (s.hash.0.to_vec(), s.entry.incarnation.0.to_vec(), s.entry.seq as i64));
        if kept.as_deref() != Some(&sums::refused(&bytes, &sig, &reason)) || !fits {
            report.add(Place::Refused(id), format!("The refused entry number {id} is not what was kept"));
        }
        Ok(())
    })?;
    each(c, "SELECT id, bytes, sig, why, sum, hash FROM unreadable", |row| {
        let (id, bytes, sig, why): (i64, Vec<u8>, Vec<u8>, String) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
        let (kept, hash): (Option<Vec<u8>>, Vec<u8>) = (row.get(4)?, row.get(5)?);
        if kept.as_deref() != Some(&sums::refused(&bytes, &sig, &why)) || hash != blake3::hash(&bytes).as_bytes() {
            report.add(Place::Unreadable(id), format!("The unreadable entry number {id} is not what was kept"));
        }
        Ok(())
    })
}

fn each(c: &Connection, sql: &str, mut look: impl FnMut(&Row<'_>) -> Result<(), StoreError>) -> Result<(), StoreError> {
    let mut statement = c.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        look(row)?;
    }
    Ok(())
}

fn chains(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    let site = match rows::site(c) {
        Ok(site) => site,
        // Told with the settings; the first entry says which site this is.
        Err(StoreError::DamagedRecord(_)) => None,
        Err(e) => return Err(e),
    };
    let mut statement = c.prepare("SELECT DISTINCT incarnation FROM entry UNION SELECT incarnation FROM series")?;
    let series = statement.query_map([], |row| row.get::<_, Vec<u8>>(0))?.collect::<Result<Vec<_>, _>>()?;
    for incarnation in series {
        let Some(incarnation) = Incarnation::from_slice(&incarnation) else {
            report.add(Place::Database, "A series has a name of the wrong length");
            continue;
        };
        report.series += 1;
        let Some(site) = site else {
            report.add(Place::Series(incarnation), format!("Series {incarnation} stands in a store without a site"));
            continue;
        };
        let done = chain(c, site, incarnation, report);
        report.part(Place::Series(incarnation), done)?;
    }
    Ok(())
}

/// Walks one series from its first entry, past what is damaged, and compares where that ends with the head kept beside it.
fn chain(c: &Connection, site: SiteId, incarnation: Incarnation, report: &mut Report) -> Result<(), StoreError> {
    let mut walk = Walk { tail: Tail::new(site, incarnation), sound: true, counter: 0 };
    let mut statement = c.prepare_cached("SELECT hash, bytes, sig, seq FROM entry WHERE incarnation = ?1 ORDER BY seq")?;
    let mut rows = statement.query([incarnation.0])?;
    while let Some(row) = rows.next()? {
        walk.step(row, incarnation, report)?;
    }
    if walk.sound && !walk.tail.is_whole() {
        walk.sound = false;
        report.add(Place::Series(incarnation), format!("Series {incarnation} ends within a transaction"));
    }
    let mut statement = c.prepare_cached("SELECT seq, hash, tail, sum, counter FROM series WHERE incarnation = ?1")?;
    let mut rows = statement.query([incarnation.0])?;
    let Some(row) = rows.next()? else {
        report.add(Place::Series(incarnation), format!("Where series {incarnation} ends is not known any more"));
        return Ok(());
    };
    let counter: i64 = row.get(4)?;
    let head = rows::checked_head(&incarnation, row);
    let head = head.inspect_err(|e| report.add(Place::Series(incarnation), e.to_string())).ok();
    if head.is_some_and(|head| walk.tail.head() != Some(head))
        || (walk.sound && rows::tail(c, &incarnation).ok().flatten() != Some(walk.tail))
    {
        report.add(Place::Series(incarnation), format!("The head of series {incarnation} is not the end of its entries"));
    }
    if walk.sound && counter as u64 != walk.counter {
        report.add(Place::Series(incarnation), format!("The counter kept for series {incarnation} is not its entries' greatest"));
    }
    Ok(())
}

struct Walk {
    tail: Tail,
    /// No fault so far.
    sound: bool,
    counter: u64,
}

impl Walk {
    fn step(&mut self, row: &Row<'_>, incarnation: Incarnation, report: &mut Report) -> Result<(), StoreError> {
        let (hash, seq): (Vec<u8>, u64) = (row.get(0)?, row.get(3)?);
        let hash = EntryHash::from_slice(&hash);
        let place = Place::Entry { series: incarnation, seq, hash };
        let sealed = match rows::sealed(row) {
            Ok(sealed) => sealed,
            Err(StoreError::DamagedRecord(why)) => {
                report.add(place, why);
                self.pass(incarnation, seq, hash);
                return Ok(());
            }
            Err(e) => return Err(e),
        };
        report.entries += 1;
        self.counter = self.counter.max(sealed.entry.counter);
        if sealed.entry.seq != seq {
            report.add(place.clone(), format!("Entry {} of series {incarnation} is kept as number {seq}", sealed.entry.seq));
            self.sound = false;
        }
        if let Err(fault) = self.tail.accept(&sealed) {
            report.add(place, format!("Entry {seq} of series {incarnation}: {fault}"));
            self.pass(incarnation, seq, Some(sealed.hash));
        }
        Ok(())
    }

    /// Goes on behind an entry that cannot be judged, so that what follows is.
    fn pass(&mut self, incarnation: Incarnation, seq: u64, hash: Option<EntryHash>) {
        self.sound = false;
        if let (Some(device), Some(key), Some(hash)) = (self.tail.device(), self.tail.key(), hash) {
            self.tail = Tail::resume(self.tail.site(), incarnation, device, key, Head { seq, hash });
        }
    }
}

/// A rebuild that is rolled back: the views must come out as they stand.
fn views(t: &Transaction<'_>, report: &mut Report) -> Result<(), StoreError> {
    each(t, "SELECT job, view, sum FROM p_job", |row| {
        let job: String = row.get(0)?;
        if sums::checked_view(&job, row.get(1)?, row.get(2)?).is_err() {
            report.add(Place::Views, format!("The view of job {job} is not what was made from its entries"));
        }
        Ok(())
    })?;
    let stands = project::state_bytes(t)?;
    let told = damage::all(t)?;
    project::rebuild(t)?;
    for (job, _) in damage::all(t)?.into_iter().chain(told).filter(|(job, _)| !job.is_empty()) {
        report.add(Place::Job(job.clone()), format!("Job {job} cannot be shown, because a stored entry of it is damaged"));
    }
    let entries_damaged = report.faults.iter().any(|f| matches!(f.place, Place::Entry { .. } | Place::Job(_)));
    if !entries_damaged && project::state_bytes(t)? != stands {
        report.add(Place::Views, "The job views are not what the entries say");
    }
    Ok(())
}

fn counts(c: &Connection, report: &mut Report) -> Result<(), StoreError> {
    let count = |sql: &str| c.query_row(sql, [], |row| row.get::<_, u64>(0));
    report.quarantined = count("SELECT count(*) FROM quarantine")?;
    report.unreadable = count("SELECT count(*) FROM unreadable")?;
    report.photos_missing =
        count("SELECT count(DISTINCT photo) FROM p_photo p WHERE NOT EXISTS (SELECT 1 FROM photo_here h WHERE h.photo = p.photo)")?;
    Ok(())
}

/// Photos that were here when the store was opened and are not any more.
fn lost_photos(c: &Connection, photos: &Photos, report: &mut Report) -> Result<(), StoreError> {
    each(c, "SELECT photo, bytes FROM photo_here ORDER BY photo", |row| {
        let (photo, bytes): (Vec<u8>, u64) = (row.get(0)?, row.get(1)?);
        let Some(hash) = PhotoHash::from_slice(&photo) else {
            report.add(Place::Database, "A photo has a name of the wrong length");
            return Ok(());
        };
        match photos.bytes(&hash, Size::Full)? {
            None => report.add(Place::Photo(hash), format!("Photo {hash} was on this disk and is gone")),
            Some(found) if found != bytes => {
                report.add(Place::Photo(hash), format!("Photo {hash} on this disk has another length than it had"))
            }
            Some(_) => {}
        }
        Ok(())
    })
}
