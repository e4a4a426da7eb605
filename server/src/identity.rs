//! Who the server is: a device id and a signing key, made at the first start, kept beside the store and sent nowhere.

use crate::clock::random;
use crate::fault::Fault;
use crate::files::{read_if_there, write_private};
use journal::sign::SigningKey;
use journal::{DeviceId, Incarnation};
use serde::{Deserialize, Serialize};
use std::path::Path;

const FILE: &str = "device.key";
/// The name under which the server's own entries are shown.
pub const NAME: &str = "trailer";

/// The identity in use.
#[derive(Clone, Debug)]
pub struct Identity {
    /// The server as a device.
    pub device: DeviceId,
    /// Its key.
    pub key: SigningKey,
    /// Its series, derived from the key.
    pub incarnation: Incarnation,
}

#[derive(Serialize, Deserialize)]
struct KeyFile {
    device: DeviceId,
    seed: String,
}

impl Identity {
    /// Reads the identity of this folder, or makes it at the first start.
    ///
    /// # Errors
    /// A fault where the file cannot be read or written, or holds no key. It is never overwritten then.
    pub fn open(folder: &Path) -> Result<Self, Fault> {
        let path = folder.join(FILE);
        let file: KeyFile = match read_if_there(&path).map_err(|e| bad_key(&e))? {
            Some(bytes) => serde_json::from_slice(&bytes).map_err(|e| bad_key(&e))?,
            None => {
                let made = KeyFile { device: DeviceId(random()?), seed: hex::encode(random::<32>()?) };
                let bytes = serde_json::to_vec_pretty(&made).map_err(|e| bad_key(&e))?;
                write_private(&path, &bytes).map_err(|e| bad_key(&e))?;
                made
            }
        };
        let mut seed = [0; 32];
        hex::decode_to_slice(&file.seed, &mut seed).map_err(|e| bad_key(&e))?;
        let key = SigningKey::from_seed(seed);
        let incarnation = Incarnation::of(&key.public());
        Ok(Self { device: file.device, key, incarnation })
    }
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
}
