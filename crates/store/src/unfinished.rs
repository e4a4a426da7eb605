//! Photos of which only a part has come: they may not fill the disk. What is thrown away of them is whole on its tablet, which
//! begins that photo anew at its next sync.

use crate::error::StoreError;
use crate::photos::Photos;
use std::sync::PoisonError;
use std::time::Duration;

impl Photos {
    /// Makes room for one more unfinished upload: while they take more than `most` bytes together, the one that was last
    /// added to longest ago goes. Gives how many went.
    ///
    /// # Errors
    /// Where the disk cannot tell or remove.
    pub fn bound_uploads(&self, most: u64) -> Result<usize, StoreError> {
        let _one = self.upload_lock().lock().unwrap_or_else(PoisonError::into_inner);
        let mut parts = self.unfinished()?;
        // Oldest last; one from the future counts as new.
        parts.sort_by_key(|(_, _, age)| age.unwrap_or_default());
        let mut used: u64 = parts.iter().map(|(_, bytes, _)| bytes).sum();
        let mut gone = 0;
        while used > most {
            let Some((name, bytes, _)) = parts.pop() else { break };
            self.disk().remove(&self.parts().join(name))?;
            used -= bytes;
            gone += 1;
        }
        Ok(gone)
    }

    /// Throws away unfinished uploads to which nothing was added for so long. Gives how many went.
    ///
    /// # Errors
    /// Where the disk cannot tell or remove.
    pub fn sweep_uploads(&self, older: Duration) -> Result<usize, StoreError> {
        let _one = self.upload_lock().lock().unwrap_or_else(PoisonError::into_inner);
        let mut gone = 0;
        for (name, _, _) in self.unfinished()?.into_iter().filter(|(_, _, age)| age.is_some_and(|age| age > older)) {
            self.disk().remove(&self.parts().join(name))?;
            gone += 1;
        }
        Ok(gone)
    }

    fn unfinished(&self) -> Result<Vec<(String, u64, Option<Duration>)>, StoreError> {
        self.stop().check()?;
        let mut all = Vec::new();
        for file in self.disk().list(&self.parts())? {
            let path = self.parts().join(&file.name);
            let Some(bytes) = self.disk().bytes(&path)? else { continue };
            all.push((file.name, bytes, self.disk().age(&path)?));
        }
        Ok(all)
    }
}
