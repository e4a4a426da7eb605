//! Files and folders in memory, and the operations that change them.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// A file or folder, whatever its names.
pub type Id = u32;

/// The folder that all paths begin at.
pub const ROOT: Id = 0;

#[derive(Clone, Debug)]
pub(super) enum Node {
    File(Arc<Vec<u8>>),
    Folder(Arc<BTreeMap<String, Id>>),
}

/// What one call changed.
#[derive(Clone, Debug)]
pub enum Op {
    /// Bytes written at a place of a file.
    Write {
        /// The file.
        file: Id,
        /// Where.
        at: usize,
        /// What.
        bytes: Arc<Vec<u8>>,
    },
    /// A file's new length.
    Truncate {
        /// The file.
        file: Id,
        /// Its length in bytes.
        len: usize,
    },
    /// A name for a new file or folder.
    Link {
        /// The folder that gets the name.
        folder: Id,
        /// The name.
        name: String,
        /// What is named.
        node: Id,
        /// True for a folder.
        is_folder: bool,
    },
    /// A name goes.
    Unlink {
        /// The folder it goes from.
        folder: Id,
        /// The name.
        name: String,
    },
    /// A name changes, perhaps its folder too.
    Rename {
        /// Folder and name before.
        from: (Id, String),
        /// Folder and name after.
        to: (Id, String),
        /// What is named.
        node: Id,
    },
    /// A file's bytes and length are durable.
    Sync {
        /// The file.
        file: Id,
    },
    /// A sync failed: the system has forgotten that the file's bytes were never written, and no later sync writes them.
    SyncFailed {
        /// The file.
        file: Id,
    },
    /// A folder's names are durable.
    SyncFolder {
        /// The folder.
        folder: Id,
    },
    /// Not a call: something was acknowledged to a person or a peer. Counted from 1.
    Ack(usize),
}

/// All that a disk holds. Cloning it is cheap.
#[derive(Clone, Debug)]
pub struct Tree {
    nodes: Vec<Node>,
}

impl Default for Tree {
    fn default() -> Self {
        Self { nodes: vec![Node::Folder(Arc::default())] }
    }
}

/// The names of a path, one after the other.
fn names(path: &Path) -> impl Iterator<Item = &str> {
    path.components().filter_map(|c| match c {
        Component::Normal(name) => name.to_str(),
        _ => None,
    })
}

impl Tree {
    pub(super) fn find(&self, path: &Path) -> Option<Id> {
        names(path).try_fold(ROOT, |folder, name| self.children(folder)?.get(name).copied())
    }

    /// The folder a path lies in, and its last name.
    pub(super) fn place<'a>(&self, path: &'a Path) -> Option<(Id, &'a str)> {
        let name = path.file_name()?.to_str()?;
        let folder = self.find(path.parent()?)?;
        self.children(folder).map(|_| (folder, name))
    }

    pub(super) fn children(&self, folder: Id) -> Option<&BTreeMap<String, Id>> {
        match self.nodes.get(folder as usize)? {
            Node::Folder(children) => Some(children),
            Node::File(_) => None,
        }
    }

    pub(super) fn bytes(&self, file: Id) -> Option<&Arc<Vec<u8>>> {
        match self.nodes.get(file as usize)? {
            Node::File(bytes) => Some(bytes),
            Node::Folder(_) => None,
        }
    }

    /// The number the next new file or folder gets.
    pub(super) fn next(&self) -> Id {
        Id::try_from(self.nodes.len()).unwrap_or(Id::MAX)
    }

    /// Makes room for a new file or folder; its name is another matter.
    pub(super) fn born(&mut self, node: Id, is_folder: bool) {
        while self.nodes.len() <= node as usize {
            self.nodes.push(Node::File(Arc::default()));
        }
        if is_folder {
            self.nodes[node as usize] = Node::Folder(Arc::default());
        }
    }

    pub(super) fn write(&mut self, file: Id, at: usize, bytes: &[u8]) {
        if let Some(Node::File(content)) = self.nodes.get_mut(file as usize) {
            let content = Arc::make_mut(content);
            let end = at + bytes.len();
            if content.len() < end {
                content.resize(end, 0);
            }
            content[at..end].copy_from_slice(bytes);
        }
    }

    pub(super) fn truncate(&mut self, file: Id, len: usize) {
        if let Some(Node::File(content)) = self.nodes.get_mut(file as usize) {
            Arc::make_mut(content).resize(len, 0);
        }
    }

    pub(super) fn link(&mut self, folder: Id, name: &str, node: Id) {
        if let Some(Node::Folder(children)) = self.nodes.get_mut(folder as usize) {
            Arc::make_mut(children).insert(name.to_owned(), node);
        }
    }

    pub(super) fn unlink(&mut self, folder: Id, name: &str) {
        if let Some(Node::Folder(children)) = self.nodes.get_mut(folder as usize) {
            Arc::make_mut(children).remove(name);
        }
    }

    pub(super) fn rename(&mut self, from: &(Id, String), to: &(Id, String), node: Id) {
        if self.children(from.0).and_then(|c| c.get(&from.1)) == Some(&node) {
            self.unlink(from.0, &from.1);
        }
        self.link(to.0, &to.1, node);
    }

    pub(super) fn apply(&mut self, op: &Op) {
        match op {
            Op::Write { file, at, bytes } => self.write(*file, *at, bytes),
            Op::Truncate { file, len } => self.truncate(*file, *len),
            Op::Link { folder, name, node, is_folder } => {
                self.born(*node, *is_folder);
                self.link(*folder, name, *node);
            }
            Op::Unlink { folder, name } => self.unlink(*folder, name),
            Op::Rename { from, to, node } => self.rename(from, to, *node),
            Op::Sync { .. } | Op::SyncFailed { .. } | Op::SyncFolder { .. } | Op::Ack(_) => {}
        }
    }

    /// Every file with its path, in the order of paths.
    pub fn files(&self) -> Vec<(PathBuf, Arc<Vec<u8>>)> {
        let mut out = Vec::new();
        self.walk(ROOT, &mut PathBuf::from("/"), &mut |path, bytes| out.push((path.to_owned(), bytes.clone())));
        out
    }

    fn walk(&self, folder: Id, path: &mut PathBuf, see: &mut impl FnMut(&Path, &Arc<Vec<u8>>)) {
        for (name, node) in self.children(folder).into_iter().flatten() {
            path.push(name);
            match &self.nodes[*node as usize] {
                Node::File(bytes) => see(path, bytes),
                Node::Folder(_) => self.walk(*node, path, see),
            }
            path.pop();
        }
    }

    /// The content of a file, for judging.
    pub fn read(&self, path: &Path) -> Option<Arc<Vec<u8>>> {
        self.bytes(self.find(path)?).cloned()
    }

    /// Puts a file there as if it had always been, with the folders above it.
    pub fn put(&mut self, path: &Path, bytes: Vec<u8>) {
        let mut folder = ROOT;
        for name in path.parent().into_iter().flat_map(names) {
            folder = match self.children(folder).and_then(|c| c.get(name)) {
                Some(id) => *id,
                None => {
                    let id = self.next();
                    self.born(id, true);
                    self.link(folder, name, id);
                    id
                }
            };
        }
        let id = self.next();
        self.born(id, false);
        self.write(id, 0, &bytes);
        if let Some(name) = path.file_name().and_then(|n| n.to_str()) {
            self.link(folder, name, id);
        }
    }

    /// A hash over all names and bytes: two disks with the same one are the same to any program.
    pub fn digest(&self) -> [u8; 32] {
        let mut hasher = blake3::Hasher::new();
        self.digest_of(ROOT, &mut hasher);
        *hasher.finalize().as_bytes()
    }

    fn digest_of(&self, folder: Id, hasher: &mut blake3::Hasher) {
        for (name, node) in self.children(folder).into_iter().flatten() {
            hasher.update(name.as_bytes());
            match &self.nodes[*node as usize] {
                Node::File(bytes) => {
                    hasher.update(&[0]).update(&(bytes.len() as u64).to_le_bytes()).update(bytes);
                }
                Node::Folder(_) => {
                    hasher.update(&[1]);
                    self.digest_of(*node, hasher);
                    hasher.update(&[2]);
                }
            }
        }
    }
}
