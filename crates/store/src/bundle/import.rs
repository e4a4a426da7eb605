//! Taking in a file that an export made. Nothing in it is believed, and bringing it in again is always fine.

use super::list::{self, Raw};
use super::source::Source;
use super::{CONTENTS, Closing, Contents, DAMAGED, FORMAT, JOURNAL, LONGEST, MANIFEST, MOST_MEMBERS, Member, PHOTOS, REFUSED, UNREADABLE};
use crate::accept;
use crate::error::StoreError;
use crate::photos::{MAX_PHOTO, Size};
use crate::store::{self, Store};
use crate::unreadable::{self, Unreadable};
use journal::{Incarnation, PhotoHash, Sealed};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::io::Read;
use std::path::Path;

/// Entries of a series that the file should hold and that are not here after bringing it in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing {
    /// The series.
    pub series: Incarnation,
    /// First entry that is missing.
    pub from: u64,
    /// Last entry that is missing.
    pub to: u64,
}

/// What bringing a file in did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ImportReport {
    /// True where the file is whole: its end is there and every member is what was written.
    pub whole: bool,
    /// Entries that are new here.
    pub stored: u64,
    /// Entries that were here already.
    pub known: u64,
    /// Entries that were here, but damaged, and are right again.
    pub healed: u64,
    /// Entries in the file that are refused: kept apart, not merged.
    pub refused: u64,
    /// Entries kept that this program cannot read.
    pub unreadable: u64,
    /// Photos that are new here.
    pub photos_new: u64,
    /// Photos that were here already.
    pub photos_known: u64,
    /// What of the file cannot be used, in words.
    pub faults: Vec<String>,
    /// Entries the file should hold and that are not here.
    pub missing: Vec<Missing>,
    /// Photos the file should hold and that are not here.
    pub photos_missing: Vec<PhotoHash>,
    /// True where the file does not say what it should hold, because its beginning cannot be read.
    pub contents_unknown: bool,
}

impl ImportReport {
    /// True where the file is whole and all of it is here now.
    pub fn is_complete(&self) -> bool {
        self.whole && self.missing.is_empty() && self.photos_missing.is_empty() && !self.contents_unknown
    }
}

impl fmt::Display for ImportReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let here = self.photos_new + self.photos_known;
        write!(f, "{} new entries, {} known before, {} new photos of {here}. ", self.stored, self.known, self.photos_new)?;
        if self.is_complete() {
            return f.write_str("The file is whole and all of it is here now.");
        }
        if !self.whole {
            f.write_str("The file is cut or damaged; what could be proved good was taken in and is safe. ")?;
        }
        if self.contents_unknown {
            f.write_str("What else it should hold cannot be read from it. ")?;
        }
        for missing in &self.missing {
            write!(f, "Missing: entries {} to {} of series {}. ", missing.from, missing.to, missing.series)?;
        }
        if !self.photos_missing.is_empty() {
            write!(f, "Missing: {} photos. ", self.photos_missing.len())?;
        }
        f.write_str("Keep the device it came from as it is, make the export again, and bring that in as well.")
    }
}

impl Store {
    /// Brings in a file that [`crate::Reader::export_file`] made, piece by piece in bounded memory. Every piece is durable
    /// before the next, so after a cut it is simply done again; so it is with the same or an overlapping file.
    ///
    /// A cut or damaged file gives all that can be proved good, and the report says what is missing. Names and lengths in
    /// the file are not believed: nothing is written but entries and photos under their own hash.
    ///
    /// # Errors
    /// [`StoreError::NoBundle`] where nothing in it is of an export, [`StoreError::DiskFull`], [`StoreError::NearlyFull`] (make room and do
    /// it again), [`StoreError::OtherSite`] where it belongs to another site, [`StoreError::Stopped`].
    pub fn import(&mut self, path: &Path) -> Result<ImportReport, StoreError> {
        let file = self.photos().disk().open(path)?;
        self.import_from(file)
    }

    /// [`Store::import`] from a stream.
    ///
    /// # Errors
    /// As that.
    pub fn import_from(&mut self, file: impl Read) -> Result<ImportReport, StoreError> {
        let mut import = Import {
            store: self,
            report: ImportReport::default(),
            contents: None,
            closing: None,
            seen: BTreeMap::new(),
            members: 0,
            here: BTreeSet::new(),
            new: Vec::new(),
        };
        let mut source = Source::new(file);
        loop {
            let ended = import.members_of(&mut source)?;
            if ended || !source.find_head()? {
                break;
            }
        }
        if source.lost > 0 {
            import.report.faults.push(format!("{} bytes in it belong to nothing that can be read", source.lost * 512));
        }
        import.finish()
    }
}

struct Import<'a> {
    store: &'a mut Store,
    report: ImportReport,
    contents: Option<Contents>,
    closing: Option<Closing>,
    /// Members as they came.
    seen: BTreeMap<String, Member>,
    members: u64,
    /// Photos of the file that are here.
    here: BTreeSet<PhotoHash>,
    /// Photos on this disk that are not noted yet.
    new: Vec<(PhotoHash, u64)>,
}

impl Import<'_> {
    /// Takes in members until one's head cannot be read. True at the end of the file.
    fn members_of<R: Read>(&mut self, source: &mut Source<R>) -> Result<bool, StoreError> {
        let mut archive = tar::Archive::new(source);
        archive.set_ignore_zeros(true);
        // Raw: names that are continued elsewhere, links and whatever else tar can do is not followed.
        for member in archive.entries()?.raw(true) {
            let Ok(mut member) = member else { return Ok(false) };
            self.members += 1;
            if self.members > MOST_MEMBERS {
                return Err(StoreError::NoBundle("it has more members than any export".into()));
            }
            let plain = member.header().entry_type() == tar::EntryType::Regular;
            let name = std::str::from_utf8(&member.path_bytes()).map(str::to_owned).unwrap_or_default();
            let (Ok(bytes), true) = (member.header().entry_size(), plain) else {
                self.report.faults.push(format!("a member ({}) is no plain file and was passed over", shown(&name)));
                continue;
            };
            if let Some(hash) = name.strip_prefix(PHOTOS) {
                self.photo(hash, bytes, &mut member)?;
            } else {
                self.member(&name, bytes, &mut member)?;
            }
        }
        Ok(true)
    }

    fn member(&mut self, name: &str, bytes: u64, from: &mut impl Read) -> Result<(), StoreError> {
        let known =
            [JOURNAL, REFUSED, UNREADABLE, DAMAGED].iter().any(|folder| name.starts_with(folder)) || [CONTENTS, MANIFEST].contains(&name);
        if !known || bytes > LONGEST {
            self.report.faults.push(format!("a member ({}) of {bytes} bytes is not of an export and was passed over", shown(name)));
            return Ok(());
        }
        let mut content = Vec::new();
        from.take(bytes).read_to_end(&mut content)?;
        let short = content.len() as u64 != bytes;
        if short {
            self.report.faults.push(format!("the file ends within {}", shown(name)));
        }
        self.seen.insert(name.to_owned(), Member { bytes: content.len() as u64, blake3: blake3::hash(&content).to_hex().to_string() });
        match name {
            CONTENTS => {
                self.contents = serde_json::from_slice(&content).ok().filter(|c: &Contents| c.format <= FORMAT);
                let (theirs, ours) = (self.contents.as_ref().and_then(|c| c.site), self.store.site()?);
                if theirs.is_some() && ours.is_some() && theirs != ours {
                    return Err(StoreError::OtherSite);
                }
            }
            MANIFEST => self.closing = serde_json::from_slice(&content).ok().filter(|c: &Closing| c.format <= FORMAT),
            _ if name.starts_with(JOURNAL) => self.entries(name, &content)?,
            _ if name.starts_with(REFUSED) => self.refused(name, &content)?,
            _ if name.starts_with(UNREADABLE) => self.unreadable(name, &content)?,
            // Evidence for people; nothing in it can be used.
            _ => self.report.faults.push(format!("{}: entries that were damaged where the file was made are not taken in", shown(name))),
        }
        Ok(())
    }

    fn raw(&mut self, name: &str, content: &[u8], reasons: bool) -> Vec<Raw> {
        let (list, fault) = list::decode(content, reasons);
        if let Some(fault) = fault {
            self.report.faults.push(format!("{} is damaged after {} entries ({fault})", shown(name), list.len()));
        }
        list
    }

    fn entries(&mut self, name: &str, content: &[u8]) -> Result<(), StoreError> {
        let (mut readable, mut not) = (Vec::new(), Vec::new());
        for raw in self.raw(name, content, false) {
            match Sealed::open(raw.bytes.clone(), raw.sig) {
                Ok(sealed) => readable.push(sealed),
                Err(why) => not.push(Unreadable::new(raw.bytes, raw.sig, why.to_string())),
            }
        }
        self.accept(readable)?;
        self.keep(&not)
    }

    fn accept(&mut self, entries: Vec<Sealed>) -> Result<(), StoreError> {
        let accepted = self.store.take_in(entries, true)?;
        self.report.stored += accepted.stored as u64;
        self.report.known += accepted.known as u64;
        self.report.healed += accepted.healed as u64;
        self.report.refused += accepted.quarantined.len() as u64;
        Ok(())
    }

    fn keep(&mut self, entries: &[Unreadable]) -> Result<(), StoreError> {
        match self.store.keep_unreadable(entries) {
            Ok(new) => self.report.unreadable += new as u64,
            Err(e @ StoreError::KeptFull { .. }) => self.report.faults.push(e.to_string()),
            Err(e) => return Err(e),
        }
        Ok(())
    }

    /// Entries that were refused where the file was made: judged here again, and kept apart where they still do not fit.
    fn refused(&mut self, name: &str, content: &[u8]) -> Result<(), StoreError> {
        let list = self.raw(name, content, true);
        let opened: Vec<(Sealed, String)> =
            list.into_iter().filter_map(|raw| Some((Sealed::open(raw.bytes, raw.sig).ok()?, raw.reason))).collect();
        match self.store.take_in(opened.iter().map(|(sealed, _)| sealed.clone()).collect(), true) {
            Ok(accepted) => self.report.stored += accepted.stored as u64,
            // Refused entries alone do not say which site this is.
            Err(StoreError::NoSite) => {}
            Err(e) => return Err(e),
        }
        let kept = self.store.change(|t, _| {
            let mut room = unreadable::MOST.saturating_sub(unreadable::room(t, "quarantine")?);
            for (sealed, reason) in &opened {
                let known = store::at(t, &sealed.entry.incarnation, sealed.entry.seq)? == Some(sealed.hash);
                if !known {
                    let reason: String = reason.chars().take(500).collect();
                    accept::keep_refused(t, sealed, &reason, &mut room)?;
                }
            }
            Ok(())
        });
        match kept {
            Ok(()) => self.report.refused += opened.len() as u64,
            Err(e @ StoreError::KeptFull { .. }) => self.report.faults.push(e.to_string()),
            Err(e) => return Err(e),
        }
        Ok(())
    }

    fn unreadable(&mut self, name: &str, content: &[u8]) -> Result<(), StoreError> {
        let (mut readable, mut not) = (Vec::new(), Vec::new());
        for raw in self.raw(name, content, true) {
            match Sealed::open(raw.bytes.clone(), raw.sig) {
                Ok(sealed) => readable.push(sealed),
                Err(_) => not.push(Unreadable::new(raw.bytes, raw.sig, raw.reason.chars().take(500).collect())),
            }
        }
        self.accept(readable)?;
        self.keep(&not)
    }

    fn photo(&mut self, name: &str, bytes: u64, from: &mut impl Read) -> Result<(), StoreError> {
        let Some(photo) = PhotoHash::from_hex(name).filter(|p| p.to_hex() == name) else {
            self.report.faults.push(format!("a member ({}) has no photo's name and was passed over", shown(name)));
            return Ok(());
        };
        if bytes > MAX_PHOTO {
            self.report.faults.push(format!("photo {photo} is said to be larger than any photo may be and was passed over"));
            return Ok(());
        }
        if self.store.photos().bytes(&photo, Size::Full)? == Some(bytes) && self.store.photos().is_sound(&photo) {
            self.report.photos_known += u64::from(self.here.insert(photo));
            return Ok(());
        }
        let mut sink = self.store.photos().begin()?;
        let mut piece = vec![0; 256 << 10];
        let mut from = from.take(bytes);
        loop {
            match from.read(&mut piece)? {
                0 => break,
                n => sink.take_in(&piece[..n])?,
            }
        }
        if sink.hash() != photo {
            self.report.faults.push(format!("photo {photo} is cut or damaged in the file and was not taken in"));
            return Ok(());
        }
        let len = sink.bytes();
        sink.finish()?;
        self.report.photos_new += u64::from(self.here.insert(photo));
        self.new.push((photo, len));
        if self.new.len() >= 64 { self.note() } else { Ok(()) }
    }

    fn note(&mut self) -> Result<(), StoreError> {
        let new = std::mem::take(&mut self.new);
        if new.is_empty() {
            return Ok(());
        }
        self.store.change(|t, _| new.iter().try_for_each(|(photo, bytes)| store::photo_here(t, photo, *bytes)))
    }

    fn finish(mut self) -> Result<ImportReport, StoreError> {
        self.note()?;
        if self.seen.is_empty() && self.here.is_empty() {
            return Err(StoreError::NoBundle("nothing in it is of an export".into()));
        }
        let closing = self.closing.take();
        match &closing {
            None => self.report.faults.push("its end is missing".into()),
            Some(closing) => {
                for (name, wanted) in &closing.members {
                    if self.seen.get(name) != Some(wanted) {
                        self.report.faults.push(format!("{} is not what was written", shown(name)));
                    }
                }
            }
        }
        let damaged: BTreeSet<PhotoHash> = closing.iter().flat_map(|c| c.photos_damaged.iter().copied()).collect();
        let all_members = closing.is_some_and(|c| c.members.iter().all(|(name, wanted)| self.seen.get(name) == Some(wanted)));
        let contents = self.contents.take();
        self.report.contents_unknown = contents.is_none();
        let contents = contents.unwrap_or_default();
        let heads = self.store.heads()?;
        for (series, head) in &contents.heads.0 {
            let have = heads.seq(series);
            if have < head.seq {
                self.report.missing.push(Missing { series: *series, from: have + 1, to: head.seq });
            }
        }
        for photo in contents.photos.keys() {
            if !self.here.contains(photo) && self.store.photos().bytes(photo, Size::Full)?.is_none() {
                self.report.photos_missing.push(*photo);
            }
        }
        let photos_there = contents.photos.keys().all(|p| self.here.contains(p) || damaged.contains(p));
        self.report.whole = all_members && photos_there;
        Ok(self.report)
    }
}

/// A name from the file, short and without anything that a screen could take for its own.
fn shown(name: &str) -> String {
    name.chars().filter(|c| c.is_ascii_graphic()).take(80).collect()
}
