//! Reading a tar archive that may be cut or damaged: where a member's head cannot be read, the next one that can is found.

use std::io::{self, Read};

const BLOCK: usize = 512;

/// The file, with a place in it and room for one block that was read too far.
pub(super) struct Source<R> {
    inner: R,
    back: Vec<u8>,
    at: u64,
    /// Blocks passed over because no member's head could be read in them.
    pub lost: u64,
}

impl<R: Read> Source<R> {
    pub const fn new(inner: R) -> Self {
        Self { inner, back: Vec::new(), at: 0, lost: 0 }
    }

    /// Goes on to the next block that is a member's head; false at the end of the file.
    pub fn find_head(&mut self) -> io::Result<bool> {
        // Heads stand at whole blocks.
        let odd = (self.at % BLOCK as u64) as usize;
        if odd > 0 && self.read_block(BLOCK - odd)?.is_none() {
            return Ok(false);
        }
        while let Some(block) = self.read_block(BLOCK)? {
            if is_head(&block) {
                self.at -= block.len() as u64;
                self.back = block;
                return Ok(true);
            }
            self.lost += 1;
        }
        Ok(false)
    }

    fn read_block(&mut self, len: usize) -> io::Result<Option<Vec<u8>>> {
        let mut block = vec![0; len];
        match self.read_exact(&mut block) {
            Ok(()) => Ok(Some(block)),
            Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Ok(None),
            Err(e) => Err(e),
        }
    }
}

fn is_head(block: &[u8]) -> bool {
    let Ok(bytes) = <[u8; BLOCK]>::try_from(block) else { return false };
    let mut header = tar::Header::new_old();
    header.as_mut_bytes().copy_from_slice(&bytes);
    let kept = header.cksum();
    header.set_cksum();
    // Not an empty block: its sum would fit as well.
    bytes[0] != 0 && kept.is_ok() && kept.ok() == header.cksum().ok()
}

impl<R: Read> Read for Source<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let n = if self.back.is_empty() {
            self.inner.read(out)?
        } else {
            let n = self.back.len().min(out.len());
            out[..n].copy_from_slice(&self.back[..n]);
            self.back.drain(..n);
            n
        };
        self.at += n as u64;
        Ok(n)
    }
}
