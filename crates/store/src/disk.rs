//! The file operations the photo store needs, behind a trait, so that tests can put a disk under it that lies.

#[cfg(feature = "testkit")]
pub mod lying;

use std::fmt::Debug;
use std::io::{self, Read, Write};
use std::path::Path;
use std::time::Duration;

/// A file being written.
pub trait DiskFile: Write + Send + Debug {
    /// Makes everything written so far durable.
    ///
    /// # Errors
    /// As the operating system says. After an error nothing about the file may be believed.
    fn sync(&mut self) -> io::Result<()>;
}

/// A folder's entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// File name.
    pub name: String,
    /// Length in bytes.
    pub bytes: u64,
}

/// The file operations the photo store uses, and no others.
pub trait Disk: Send + Sync + Debug {
    /// Makes a folder; fine if it is there.
    ///
    /// # Errors
    /// As the operating system says, like all the others here.
    fn create_folder(&self, path: &Path) -> io::Result<()>;
    /// Opens a new, empty file for writing, readable only by the account that runs the program; an error if it is there.
    #[allow(clippy::missing_errors_doc)]
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for appending, making it if it is not there.
    #[allow(clippy::missing_errors_doc)]
    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading.
    #[allow(clippy::missing_errors_doc)]
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>>;
    /// The file's length, or `None` where there is no such file.
    #[allow(clippy::missing_errors_doc)]
    fn bytes(&self, path: &Path) -> io::Result<Option<u64>>;
    /// Renames within one file system, replacing what is there.
    #[allow(clippy::missing_errors_doc)]
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file; fine if it is not there.
    #[allow(clippy::missing_errors_doc)]
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Makes a folder's names durable.
    #[allow(clippy::missing_errors_doc)]
    fn sync_folder(&self, path: &Path) -> io::Result<()>;
    /// The files of a folder, sorted by name; folders in it are left out.
    #[allow(clippy::missing_errors_doc)]
    fn list(&self, path: &Path) -> io::Result<Vec<Listed>>;
    /// Bytes that may still be written there.
    #[allow(clippy::missing_errors_doc)]
    fn free(&self, path: &Path) -> io::Result<u64>;
    /// Makes a folder that only the account running the program may look into, and makes its name durable; fine if it is
    /// there.
    #[allow(clippy::missing_errors_doc)]
    fn private_folder(&self, path: &Path) -> io::Result<()>;
    /// The folders of a folder, sorted by name.
    ///
    /// # Errors
    /// As the operating system says; [`io::ErrorKind::Unsupported`] on a disk that has none.
    fn folders(&self, path: &Path) -> io::Result<Vec<String>> {
        Err(io::Error::new(io::ErrorKind::Unsupported, format!("no folders in {} on this disk", path.display())))
    }
    /// Removes an empty folder; fine if it is not there.
    ///
    /// # Errors
    /// As the operating system says; [`io::ErrorKind::Unsupported`] on a disk that has none.
    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        Err(io::Error::new(io::ErrorKind::Unsupported, format!("no folder {} on this disk", path.display())))
    }
    /// How long ago a file was last written, by the clock of this machine; `None` where that cannot be told, e.g. because
    /// the file is from the future.
    ///
    /// # Errors
    /// As the operating system says.
    fn age(&self, path: &Path) -> io::Result<Option<Duration>> {
        self.bytes(path).map(|_| None)
    }
    /// Takes the lock file at `path` for as long as what it gives is kept.
    ///
    /// # Errors
    /// [`io::ErrorKind::WouldBlock`] where another program has it.
    fn lock(&self, path: &Path) -> io::Result<Box<dyn Lock>>;
}

/// A lock file held; dropped, it is free. The operating system lets go of it when the process ends, however it ends.
pub trait Lock: Send + Sync + Debug {}

/// The real disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct Real;

/// The lock of the real disk. Let go of by name: a program that is being started by another thread holds, for a moment, a
/// second descriptor of the same file, and closing ours alone would leave the folder locked for that moment.
#[derive(Debug)]
struct Held(std::fs::File);

impl Lock for Held {}

impl Drop for Held {
    fn drop(&mut self) {
        // Should this fail, the closing that follows lets go all the same.
        let _ = fs4::FileExt::unlock(&self.0);
    }
}

impl DiskFile for std::fs::File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_all()
    }
}

fn missing_is_none<T>(result: io::Result<T>) -> io::Result<Option<T>> {
    match result {
        Ok(value) => Ok(Some(value)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(e),
    }
}

impl Disk for Real {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        if path.is_dir() { Ok(()) } else { std::fs::create_dir_all(path) }
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut options = std::fs::File::options();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        Ok(Box::new(options.open(path)?))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(std::fs::File::options().append(true).create(true).open(path)?))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        Ok(Box::new(std::fs::File::open(path)?))
    }

    fn bytes(&self, path: &Path) -> io::Result<Option<u64>> {
        Ok(missing_is_none(std::fs::metadata(path))?.filter(std::fs::Metadata::is_file).map(|m| m.len()))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        std::fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        missing_is_none(std::fs::remove_file(path)).map(|_| ())
    }

    #[cfg(unix)]
    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::File::open(path)?.sync_all()
    }

    /// Elsewhere a folder cannot be opened as a file; the file system's own journal keeps the order of names.
    #[cfg(not(unix))]
    fn sync_folder(&self, _path: &Path) -> io::Result<()> {
        Ok(())
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(path)? {
            let entry = entry?;
            let meta = entry.metadata()?;
            if meta.is_file() {
                found.push(Listed { name: entry.file_name().to_string_lossy().into_owned(), bytes: meta.len() });
            }
        }
        found.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(found)
    }

    fn free(&self, path: &Path) -> io::Result<u64> {
        fs4::available_space(path)
    }

    fn folders(&self, path: &Path) -> io::Result<Vec<String>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(path)? {
            let entry = entry?;
            if entry.file_type()?.is_dir() {
                found.push(entry.file_name().to_string_lossy().into_owned());
            }
        }
        found.sort();
        Ok(found)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        missing_is_none(std::fs::remove_dir(path)).map(|_| ())
    }

    fn age(&self, path: &Path) -> io::Result<Option<Duration>> {
        Ok(std::fs::metadata(path)?.modified()?.elapsed().ok())
    }

    fn private_folder(&self, path: &Path) -> io::Result<()> {
        let made: Vec<&Path> = path.ancestors().take_while(|p| !p.as_os_str().is_empty() && !p.is_dir()).collect();
        if made.is_empty() {
            return Ok(());
        }
        let mut builder = std::fs::DirBuilder::new();
        builder.recursive(true);
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(path)?;
        // From the top down: a folder whose name is lost takes all that is in it along.
        for folder in made.iter().rev() {
            let parent = folder.parent().filter(|p| !p.as_os_str().is_empty());
            self.sync_folder(parent.unwrap_or_else(|| Path::new(".")))?;
        }
        Ok(())
    }

    /// By fs4, because the standard library's own lock answers "not supported" on Android (rust-lang/rust #148325).
    fn lock(&self, path: &Path) -> io::Result<Box<dyn Lock>> {
        let file = std::fs::File::options().create(true).truncate(false).write(true).open(path)?;
        match fs4::FileExt::try_lock(&file) {
            Ok(()) => Ok(Box::new(Held(file))),
            Err(fs4::TryLockError::WouldBlock) => Err(io::ErrorKind::WouldBlock.into()),
            Err(fs4::TryLockError::Error(e)) => Err(e),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_free_at_once_though_a_child_process_still_holds_the_descriptor() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("lock");
        let file = std::fs::File::create(&path).unwrap();
        fs4::FileExt::try_lock(&file).unwrap();
        // What a child has between its fork and its exec.
        let child = file.try_clone().unwrap();
        assert!(Real.lock(&path).is_err());
        drop(Held(file));
        assert!(Real.lock(&path).is_ok());
        drop(child);
    }
}
