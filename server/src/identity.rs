//! Who the server is: a device id, an identity key and the keys of its series, kept beside the store and sent nowhere.
//!
//! The identity key is what tablets learn at pairing: it signs receipts and pairing proofs and never changes. At first it
//! also signs the server's series. A server that was restored from a backup must not go on in the series it had: entries
//! after the backup would be written twice with different content. It begins a new series with a key of its own, which
//! the identity key certifies.

use crate::clock::random;
use crate::fault::Fault;
use crate::files::{read_if_there, write_private};
use journal::sign::SigningKey;
use journal::{DeviceId, Incarnation};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::Path;
use sync::CertifiedSeries;

/// The file of the keys in the data folder.
pub const FILE: &str = "device.key";
/// Says in a data folder that it was restored: the next start begins a new series.
pub const RESTORED: &str = "restored.json";
/// The name under which the server's own entries are shown.
pub const NAME: &str = "trailer";

/// The identity in use.
#[derive(Clone, Debug)]
pub struct Identity {
    /// The server as a device.
    pub device: DeviceId,
    /// The identity key: receipts and pairing proofs.
    pub key: SigningKey,
    /// The series that is written now.
    pub incarnation: Incarnation,
    /// Keys of the series begun later, oldest first.
    series: Vec<SigningKey>,
}

#[derive(Serialize, Deserialize)]
struct KeyFile {
    device: DeviceId,
    seed: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    series: Vec<String>,
}

impl Identity {
    /// Reads the identity of this folder, or makes it at the first start. In a folder that was restored from a backup it
    /// begins a new series.
    ///
    /// # Errors
    /// A fault where the file cannot be read or written, or holds no key. It is never overwritten then.
    pub fn open(folder: &Path) -> Result<Self, Fault> {
        let path = folder.join(FILE);
        let file = match read_file(&path)? {
            Some(file) => file,
            None => {
                let made = KeyFile { device: DeviceId(random()?), seed: hex::encode(random::<32>()?), series: Vec::new() };
                write_file(&path, &made)?;
                made
            }
        };
        let mut identity = of(&file)?;
        let marker = folder.join(RESTORED);
        if marker.exists() {
            identity.begin_series(folder)?;
            // Only now: a start cut short before this begins one series more, which does no harm.
            std::fs::remove_file(&marker).map_err(|e| bad_key(&e))?;
        }
        Ok(identity)
    }

    /// Begins a new series; its key is durable on return.
    ///
    /// # Errors
    /// As [`Identity::open`]; the series stays then.
    pub fn begin_series(&mut self, folder: &Path) -> Result<(), Fault> {
        let path = folder.join(FILE);
        let missing = || bad_key(&"it is not there");
        let mut file = read_file(&path)?.ok_or_else(missing)?;
        file.series.push(hex::encode(random::<32>()?));
        write_file(&path, &file)?;
        *self = of(&file)?;
        crate::log(&format!("a new series of the server begins: {}", self.incarnation));
        Ok(())
    }

    /// The key of the series that is written now.
    pub fn writer(&self) -> &SigningKey {
        self.series.last().unwrap_or(&self.key)
    }

    /// Every series of this server.
    pub fn own(&self) -> BTreeSet<Incarnation> {
        self.series.iter().chain([&self.key]).map(|key| Incarnation::of(&key.public())).collect()
    }

    /// The series begun later, certified by the identity key, oldest first.
    pub fn certified(&self) -> Vec<CertifiedSeries> {
        self.series.iter().map(|key| CertifiedSeries::sign(&self.key, key.public())).collect()
    }
}

fn read_file(path: &Path) -> Result<Option<KeyFile>, Fault> {
    let bytes = read_if_there(path).map_err(|e| bad_key(&e))?;
    bytes.map(|b| serde_json::from_slice(&b)).transpose().map_err(|e| bad_key(&e))
}

fn write_file(path: &Path, file: &KeyFile) -> Result<(), Fault> {
    let bytes = serde_json::to_vec_pretty(file).map_err(|e| bad_key(&e))?;
    write_private(path, &bytes).map_err(|e| bad_key(&e))
}

fn of(file: &KeyFile) -> Result<Identity, Fault> {
    let key = key(&file.seed)?;
    let series = file.series.iter().map(|seed| self::key(seed)).collect::<Result<Vec<_>, _>>()?;
    let incarnation = Incarnation::of(&series.last().unwrap_or(&key).public());
    Ok(Identity { device: file.device, key, incarnation, series })
}

fn key(seed: &str) -> Result<SigningKey, Fault> {
    let mut bytes = [0; 32];
    hex::decode_to_slice(seed, &mut bytes).map_err(|e| bad_key(&e))?;
    Ok(SigningKey::from_seed(bytes))
}

fn bad_key(why: &dyn std::fmt::Display) -> Fault {
    let words = format!(
        "The server's key (file {FILE}) cannot be read or written: {why}. Nothing was changed and all records are safe. Don't delete it; restore it from a backup."
    );
    Fault::new(500, "bad-key", words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_identity_is_made_once_and_a_damaged_one_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let one = Identity::open(dir.path()).unwrap();
        let two = Identity::open(dir.path()).unwrap();
        assert_eq!((one.device, one.incarnation), (two.device, two.incarnation));
        std::fs::write(dir.path().join(FILE), "{}").unwrap();
        let fault = Identity::open(dir.path()).unwrap_err();
        println!("{fault}");
        assert_eq!(std::fs::read(dir.path().join(FILE)).unwrap(), b"{}");
    }

    #[test]
    fn a_restored_folder_keeps_its_identity_and_begins_a_certified_series() {
        let dir = tempfile::tempdir().unwrap();
        let old = Identity::open(dir.path()).unwrap();
        assert!(old.certified().is_empty() && old.own().len() == 1);
        std::fs::write(dir.path().join(RESTORED), "{}").unwrap();
        let new = Identity::open(dir.path()).unwrap();
        println!("series {} was {}", new.incarnation, old.incarnation);
        assert_eq!((new.device, new.key.public()), (old.device, old.key.public()), "what tablets pinned stays");
        assert_ne!(new.incarnation, old.incarnation);
        assert_eq!(new.own(), [old.incarnation, new.incarnation].into());
        let certified = new.certified();
        assert_eq!(Incarnation::of(&certified[0].key), new.incarnation);
        certified[0].verify(&old.key.public()).unwrap();
        assert!(certified[0].verify(&new.writer().public()).is_err(), "only the identity key certifies");
        let again = Identity::open(dir.path()).unwrap();
        assert_eq!(again.own(), new.own(), "once for each restore");
    }
}
