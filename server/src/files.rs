//! Small files that must not be half written and that nobody else may read: keys and certificates.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

/// Writes `bytes` to `path` so that the file is either the old or the new one, readable by the owner alone where the
/// system knows owners (elsewhere it inherits the folder's rights).
///
/// # Errors
/// Whatever the file system says; the old file then still stands.
pub fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let temp = path.with_extension("new");
    // A left-over from a crash may carry wider rights, and the rights below are only set when a file is made.
    match fs::remove_file(&temp) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&temp)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    drop(file);
    fs::rename(&temp, path)?;
    sync_folder(path)
}

/// Makes a rename in the folder of `path` durable. Only systems on which a folder can be opened need it.
fn sync_folder(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(folder) if cfg!(unix) => File::open(folder)?.sync_all(),
        _ => Ok(()),
    }
}

/// Reads a file that may not be there yet.
///
/// # Errors
/// Whatever the file system says, except that the file is missing.
pub fn read_if_there(path: &Path) -> io::Result<Option<Vec<u8>>> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(e),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_private_file_is_replaced_whole_and_only_the_owner_reads_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("device.key");
        assert_eq!(read_if_there(&path).unwrap(), None);
        fs::write(path.with_extension("new"), b"left over from a crash").unwrap();
        write_private(&path, b"one").unwrap();
        write_private(&path, b"two").unwrap();
        assert_eq!(read_if_there(&path).unwrap().unwrap(), b"two");
        #[cfg(unix)]
        {
            let mode = std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&path).unwrap().permissions());
            println!("mode {mode:o}");
            assert_eq!(mode & 0o777, 0o600);
        }
    }
}
