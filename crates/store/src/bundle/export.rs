//! Writing a whole store into one file.

use super::list::{self, Raw};
use super::{CONTENTS, Closing, Contents, DAMAGED, FORMAT, JOURNAL, MANIFEST, Member, PHOTOS, PIECE, REFUSED, UNREADABLE};
use crate::backup;
use crate::error::StoreError;
use crate::photos::Size;
use crate::read::Reader;
use crate::rows;
use journal::{Incarnation, PhotoHash, Signature};
use rusqlite::{Connection, Row};
use std::io::{self, Write};
use std::path::Path;

/// What an export holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ExportReport {
    /// Entries, every series together.
    pub entries: u64,
    /// Refused entries that were kept here and go along.
    pub refused: u64,
    /// Entries that this program cannot read and that go along.
    pub unreadable: u64,
    /// Entries whose stored bytes have changed. They go along as evidence; whoever brings the file in cannot use them.
    pub damaged: u64,
    /// Photos in it.
    pub photos: u64,
    /// Photos that are damaged here and not in it.
    pub photos_damaged: Vec<PhotoHash>,
    /// Length of the file.
    pub bytes: u64,
}

impl Reader {
    /// Writes the whole store into a file, which takes its name only once it is whole and durable. The store goes on
    /// meanwhile; what is saved after the beginning is not in it. Saying it again replaces the file.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`], [`StoreError::Io`]: there is no such file then, and an older one of that name is untouched.
    pub fn export_file(&self, path: &Path) -> Result<ExportReport, StoreError> {
        let disk = self.photos().disk();
        let mut name = path.as_os_str().to_owned();
        name.push(".partial");
        let partial = Path::new(&name);
        disk.remove(partial)?;
        let mut file = disk.create(partial)?;
        let made = self.export(&mut file).and_then(|report| {
            file.sync()?;
            Ok(report)
        });
        drop(file);
        if made.is_err() {
            // Best effort: an unfinished export is replaced by the next one.
            let _ = disk.remove(partial);
        }
        let report = made?;
        disk.rename(partial, path)?;
        disk.sync_folder(path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new(".")))?;
        Ok(report)
    }

    /// Writes the whole store as one consistent view, in bounded memory: a piece of about 1 MiB, or a photo, at a time.
    ///
    /// # Errors
    /// Whatever `out` says, and as the reads.
    pub fn export(&self, out: &mut dyn Write) -> Result<ExportReport, StoreError> {
        // The list of photos first, then the view of the journal: what the journal names is then in the list, or was taken
        // in later than the list and is named by nothing in this view. Photos are durable before their entry is.
        self.in_one_view(|c| {
            let contents = Contents {
                format: FORMAT,
                program: env!("CARGO_PKG_VERSION").to_owned(),
                site: rows::site(c)?,
                heads: backup::heads(c)?,
                photos: self.photos().all()?.into_iter().collect(),
            };
            let mut export =
                Export { tar: tar::Builder::new(Counted { out, bytes: 0 }), closing: Closing::default(), report: ExportReport::default() };
            export.closing.format = FORMAT;
            export.member(CONTENTS, &serde_json::to_vec(&contents)?)?;
            export.journal(c)?;
            export.report.refused = export.kept(c, REFUSED, "SELECT bytes, sig, reason FROM quarantine ORDER BY id")?;
            export.report.unreadable = export.kept(c, UNREADABLE, "SELECT bytes, sig, why FROM unreadable ORDER BY id")?;
            for photo in contents.photos.keys() {
                export.photo(self, photo)?;
            }
            let closing = serde_json::to_vec(&export.closing)?;
            export.write(MANIFEST, &closing)?;
            let Export { tar, mut report, .. } = export;
            let counted = tar.into_inner()?;
            counted.out.flush()?;
            report.bytes = counted.bytes;
            Ok(report)
        })
    }
}

struct Counted<'a> {
    out: &'a mut dyn Write,
    bytes: u64,
}

impl Write for Counted<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.out.write(bytes)?;
        self.bytes += n as u64;
        Ok(n)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

struct Export<'a> {
    tar: tar::Builder<Counted<'a>>,
    closing: Closing,
    report: ExportReport,
}

impl Export<'_> {
    fn write(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let mut header = tar::Header::new_ustar();
        header.set_path(name)?;
        header.set_size(bytes.len() as u64);
        header.set_mode(0o600);
        header.set_mtime(0);
        header.set_cksum();
        Ok(self.tar.append(&header, bytes)?)
    }

    /// A member that the closing list names.
    fn member(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        self.write(name, bytes)?;
        let blake3 = blake3::hash(bytes).to_hex().to_string();
        self.closing.members.insert(name.to_owned(), Member { bytes: bytes.len() as u64, blake3 });
        Ok(())
    }

    fn piece(&mut self, folder: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let n = self.closing.members.keys().filter(|name| name.starts_with(folder)).count() + 1;
        self.member(&format!("{folder}{n:08}.cbor"), bytes)
    }

    /// Every series from its beginning; entries whose bytes have changed are set apart, all others go in.
    fn journal(&mut self, c: &Connection) -> Result<(), StoreError> {
        let mut statement = c.prepare("SELECT DISTINCT incarnation FROM entry ORDER BY incarnation")?;
        let series = statement.query_map([], |row| row.get(0).map(Incarnation))?.collect::<Result<Vec<_>, _>>()?;
        let mut damaged = Vec::new();
        for incarnation in series {
            let mut statement = c.prepare_cached("SELECT hash, bytes, sig FROM entry WHERE incarnation = ?1 ORDER BY seq")?;
            let mut rows = statement.query([incarnation.0])?;
            let (mut piece, mut used) = (Vec::new(), 0);
            while let Some(row) = rows.next()? {
                match rows::sealed(row) {
                    Ok(sealed) => {
                        used += sealed.bytes.len();
                        let ends = sealed.entry.tx_left == 0;
                        piece.push(Raw { bytes: sealed.bytes, sig: sealed.sig, reason: String::new() });
                        if used >= PIECE && ends {
                            self.entries(&mut piece)?;
                            used = 0;
                        }
                    }
                    Err(StoreError::DamagedRecord(_)) => damaged.push((row.get(0)?, row.get(1)?, row.get(2)?)),
                    Err(e) => return Err(e),
                }
            }
            self.entries(&mut piece)?;
        }
        for some in damaged.chunks(64) {
            self.report.damaged += some.len() as u64;
            self.piece(DAMAGED, &list::encode_damaged(some))?;
        }
        Ok(())
    }

    fn entries(&mut self, piece: &mut Vec<Raw>) -> Result<(), StoreError> {
        if piece.is_empty() {
            return Ok(());
        }
        self.report.entries += piece.len() as u64;
        self.piece(JOURNAL, &list::encode(&std::mem::take(piece), false))
    }

    /// Entries kept apart, with the reason. Gives how many.
    fn kept(&mut self, c: &Connection, folder: &str, sql: &str) -> Result<u64, StoreError> {
        let raw = |row: &Row<'_>| -> rusqlite::Result<Raw> {
            let sig: Vec<u8> = row.get(1)?;
            Ok(Raw { bytes: row.get(0)?, sig: Signature::from_slice(&sig), reason: row.get(2)? })
        };
        let mut statement = c.prepare(sql)?;
        let mut rows = statement.query([])?;
        let (mut piece, mut used, mut all) = (Vec::new(), 0, 0);
        while let Some(row) = rows.next()? {
            let kept = raw(row)?;
            used += kept.bytes.len();
            piece.push(kept);
            all += 1;
            if used >= PIECE {
                self.piece(folder, &list::encode(&std::mem::take(&mut piece), true))?;
                used = 0;
            }
        }
        if !piece.is_empty() {
            self.piece(folder, &list::encode(&piece, true))?;
        }
        Ok(all)
    }

    fn photo(&mut self, store: &Reader, photo: &PhotoHash) -> Result<(), StoreError> {
        match store.photos().read(photo, Size::Full) {
            Ok(Some(bytes)) => {
                self.write(&format!("{PHOTOS}{photo}"), &bytes)?;
                self.report.photos += 1;
                self.closing.photos += 1;
            }
            // A photo that cannot be read must not keep the others from going along.
            Ok(None) | Err(StoreError::DamagedRecord(_) | StoreError::Io(_)) => {
                self.report.photos_damaged.push(*photo);
                self.closing.photos_damaged.push(*photo);
            }
            Err(e) => return Err(e),
        }
        Ok(())
    }
}
