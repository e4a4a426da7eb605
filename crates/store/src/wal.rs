//! A look at the write-ahead log before SQLite reads it. SQLite stops at the first frame whose sum does not fit and says
//! nothing: right after a power cut, where that frame was never confirmed, but a flipped bit in an older frame would take
//! confirmed entries away in silence. Layout: SQLite's documentation, "Database File Format", section 4.

use crate::disk::Disk;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

const HEADER: usize = 32;
const FRAME: usize = 24;
/// A log longer than this is not looked at whole: it is checkpointed every 4 MiB or so in service.
const LONGEST: u64 = 1 << 30;

/// What the look found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LogState {
    /// Nothing is wrong with it, or there is none.
    Sound,
    /// It ends in a write that is not whole. After a power cut that is the last one, which was not confirmed; a changed byte
    /// in the last one looks the same.
    Torn,
    /// A write within it, or its beginning, is damaged: confirmed entries may be gone from this device.
    Damaged {
        /// Whole writes that came after the damaged place, as far as can be told.
        commits: u64,
    },
}

/// The log beside a database file.
pub(crate) fn beside(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// Makes what is read of the log what the disk holds.
///
/// It may stand in the system's memory alone: written by a run that was killed before its sync, or by one whose sync
/// failed, after which the system holds the bytes to be clean and no later sync writes them. So they are written anew, into
/// a file of their own that takes the log's place once it is durable: written over themselves, a power cut could harm what
/// was acknowledged. Without room for that, a sync must do.
pub(crate) fn renew(disk: &dyn Disk, database: &Path) -> std::io::Result<()> {
    let log = beside(database);
    let mut name = log.as_os_str().to_owned();
    name.push(".anew");
    let anew = Path::new(&name);
    if disk.bytes(&log)?.unwrap_or(0) == 0 {
        return Ok(());
    }
    disk.remove(anew)?;
    match copy(disk, &log, anew) {
        Err(e) if e.kind() == std::io::ErrorKind::StorageFull => {
            disk.remove(anew)?;
            disk.append(&log)?.sync()
        }
        Err(e) => Err(e),
        Ok(()) => {
            disk.rename(anew, &log)?;
            disk.sync_folder(database.parent().unwrap_or(database))
        }
    }
}

/// Copies a file, durable but for its name.
pub(crate) fn copy(disk: &dyn Disk, from: &Path, to: &Path) -> std::io::Result<()> {
    let (mut from, mut to) = (disk.open(from)?, disk.create(to)?);
    let mut piece = vec![0; 64 << 10];
    loop {
        match from.read(&mut piece)? {
            0 => return to.sync(),
            n => to.write_all(&piece[..n])?,
        }
    }
}

/// Looks at the log beside a database file.
pub(crate) fn look(disk: &dyn Disk, database: &Path) -> std::io::Result<LogState> {
    let log = beside(database);
    if disk.bytes(&log)?.is_none() {
        return Ok(LogState::Sound);
    }
    let mut bytes = Vec::new();
    disk.open(&log)?.take(LONGEST).read_to_end(&mut bytes)?;
    Ok(judge(&bytes))
}

fn word(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_be_bytes)
}

/// SQLite's running sum over pairs of words.
fn sum((mut a, mut b): (u32, u32), bytes: &[u8], big: bool) -> (u32, u32) {
    for pair in bytes.as_chunks::<8>().0 {
        let [x0, x1, x2, x3, y0, y1, y2, y3] = *pair;
        let read = if big { u32::from_be_bytes } else { u32::from_le_bytes };
        a = a.wrapping_add(read([x0, x1, x2, x3])).wrapping_add(b);
        b = b.wrapping_add(read([y0, y1, y2, y3])).wrapping_add(a);
    }
    (a, b)
}

/// A frame as it lies in the log.
struct Frame<'a> {
    bytes: &'a [u8],
}

impl Frame<'_> {
    fn word(&self, at: usize) -> u32 {
        word(self.bytes, at).unwrap_or(0)
    }

    fn ends_a_write(&self) -> bool {
        self.word(4) != 0
    }

    /// Both numbers of this log's run. An older run's frames, left where the log was begun anew, have two others.
    fn of(&self, salts: (u32, u32)) -> bool {
        (self.word(8), self.word(12)) == salts
    }

    /// At least one of both: one flipped byte cannot change the two.
    fn may_be_of(&self, salts: (u32, u32)) -> bool {
        self.word(8) == salts.0 || self.word(12) == salts.1
    }
}

fn judge(bytes: &[u8]) -> LogState {
    if bytes.is_empty() {
        return LogState::Sound;
    }
    // Its length was given to it and nothing of what was to stand in it: the power went within the first write of all.
    if bytes.iter().all(|byte| *byte == 0) {
        return LogState::Torn;
    }
    let Some((big, page, salts, mut running)) = header(bytes) else {
        // Nothing of it is read then, however much there was.
        let frames = bytes.len().saturating_sub(HEADER) / (FRAME + 512);
        return if frames == 0 { LogState::Torn } else { LogState::Damaged { commits: 0 } };
    };
    let frames: Vec<Frame<'_>> = bytes[HEADER..].chunks_exact(FRAME + page).map(|bytes| Frame { bytes }).collect();
    let good = frames.iter().take_while(|frame| {
        let next = sum(sum(running, &frame.bytes[..8], big), &frame.bytes[FRAME..], big);
        let fits = frame.of(salts) && (frame.word(16), frame.word(20)) == next;
        running = next;
        fits
    });
    let rest = &frames[good.count()..];
    // Before the next write begins, the one before it is durable: of all the writes that are not whole only the last may
    // be one that was never confirmed.
    let commits = rest.iter().filter(|f| f.of(salts) && f.ends_a_write()).count() as u64;
    match rest.first() {
        Some(first) if commits > 1 => {
            let own = u64::from(first.ends_a_write());
            LogState::Damaged { commits: commits - own }
        }
        Some(first) if first.may_be_of(salts) || commits > 0 => LogState::Torn,
        _ => LogState::Sound,
    }
}

/// Byte order of the sums, page size, salts, and the sum so far.
#[allow(clippy::type_complexity)]
fn header(bytes: &[u8]) -> Option<(bool, usize, (u32, u32), (u32, u32))> {
    let head = bytes.get(..HEADER)?;
    let big = match word(head, 0)? {
        0x377f_0682 => false,
        0x377f_0683 => true,
        _ => return None,
    };
    let page = word(head, 8)? as usize;
    let total = sum((0, 0), &head[..24], big);
    let fits = (word(head, 24)?, word(head, 28)?) == total;
    // Version 3007000; any other SQLite refuses by itself.
    (fits && page.is_power_of_two() && (512..=65536).contains(&page)).then_some((big, page, (word(head, 16)?, word(head, 20)?), total))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// A log that SQLite wrote: one write a row.
    fn log(rows: u32) -> Vec<u8> {
        let dir = tempfile::TempDir::new().unwrap();
        let file = dir.path().join("x.sqlite");
        let c = rusqlite::Connection::open(&file).unwrap();
        c.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE t (x)").unwrap();
        for n in 0..rows {
            c.execute("INSERT INTO t VALUES (?1)", [n]).unwrap();
        }
        std::fs::read(dir.path().join("x.sqlite-wal")).unwrap()
    }

    #[test]
    fn what_sqlite_writes_is_sound_and_every_flip_within_is_seen() {
        let bytes = log(6);
        assert_eq!(judge(&bytes), LogState::Sound);
        let (mut torn, mut damaged) = (0, 0);
        for at in 0..bytes.len() {
            let mut flipped = bytes.clone();
            flipped[at] ^= 0xff;
            match judge(&flipped) {
                LogState::Sound => panic!("a flip of byte {at} of {} was not seen", bytes.len()),
                LogState::Torn => torn += 1,
                LogState::Damaged { .. } => damaged += 1,
            }
        }
        assert!(torn > 0 && damaged > torn);
        println!("a log of {} bytes, 7 writes: {damaged} flips seen as damage, {torn} as damage or a write cut short", bytes.len());
    }

    #[test]
    fn a_log_that_was_only_given_its_length_is_not_called_damaged() {
        for len in [1, HEADER, 4_152, 8_272, 100_000] {
            assert_eq!(judge(&vec![0; len]), LogState::Torn, "{len} bytes");
        }
    }

    #[test]
    fn a_cut_log_is_not_called_damaged() {
        let bytes = log(3);
        for cut in 0..bytes.len() {
            assert!(!matches!(judge(&bytes[..cut]), LogState::Damaged { .. }), "cut at {cut}");
        }
        println!("a log cut at each of {} bytes: a write cut short at most", bytes.len());
    }
}
