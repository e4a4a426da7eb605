//! The keyring of the operating system: Windows' credential store, a Mac's keychain.
//!
//! On Linux and Android nothing is asked: the keyrings there hang on a running desktop session, which a tablet in a furnace
//! need not have. A file that only its owner reads is used there, and the screens say so.

use super::KeyHome;
use keyring::{Entry, Error};
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Under this service the keys lie, each by the name of its series.
const SERVICE: &str = "tubewright";

/// The keyring of whoever is signed in to this machine.
#[derive(Default)]
pub struct SystemRing {
    entries: Mutex<BTreeMap<String, Entry>>,
}

impl SystemRing {
    /// The keyring; nothing is asked of it yet.
    pub fn new() -> Self {
        Self::default()
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Entry>> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks with one handle per name, as long as the program runs.
    fn with<T>(&self, name: &str, ask: impl FnOnce(&Entry) -> Result<T, Error>) -> Result<T, Error> {
        let mut entries = self.lock();
        if !entries.contains_key(name) {
            entries.insert(name.to_owned(), Entry::new(SERVICE, name)?);
        }
        entries.get(name).map_or(Err(Error::NoEntry), ask)
    }
}

impl KeyHome for SystemRing {
    fn load(&self, name: &str) -> Result<Option<[u8; 32]>, String> {
        match self.with(name, Entry::get_secret) {
            Ok(secret) => secret.try_into().map(Some).map_err(|_| "what it holds is no key".to_owned()),
            Err(Error::NoEntry) => Ok(None),
            Err(e) => Err(e.to_string()),
        }
    }

    fn save(&self, name: &str, secret: &[u8; 32]) -> Result<(), String> {
        self.with(name, |entry| entry.set_secret(secret)).map_err(|e| e.to_string())?;
        // A keyring that forgets at once is none.
        if self.load(name)? == Some(*secret) { Ok(()) } else { Err("it did not keep what was given to it".to_owned()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use keyring::mock::{MockCredential, default_credential_builder};

    #[test]
    fn a_key_is_kept_a_missing_one_is_none_and_a_locked_keyring_is_said() {
        keyring::set_default_credential_builder(default_credential_builder());
        let ring = SystemRing::new();
        assert_eq!(ring.load("a"), Ok(None));
        ring.save("a", &[7; 32]).unwrap();
        assert_eq!((ring.load("a"), ring.load("b")), (Ok(Some([7; 32])), Ok(None)));
        let fail = |error| {
            let entries = ring.lock();
            let mock: &MockCredential = entries["a"].get_credential().downcast_ref().unwrap();
            mock.set_error(error);
        };
        fail(Error::NoStorageAccess("the keychain is locked".into()));
        let said = ring.load("a").unwrap_err();
        println!("{said}");
        assert!(said.contains("locked"));
        fail(Error::PlatformFailure("no room".into()));
        assert!(ring.save("a", &[8; 32]).is_err());
        assert_eq!(ring.load("a"), Ok(Some([7; 32])), "the one before stands");
    }
}
