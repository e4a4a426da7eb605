//! Who this tablet is: a device id and a signing key, made here and never sent anywhere.
//!
//! The key lies in the operating system's keyring where the program was given one, else in a file of its own, readable by the
//! owner only (mode 0600 where the system has modes), so that a copy of the database alone cannot sign. The file is there
//! in both cases: it says which device this is and where its key lives.

use crate::env::Env;
use crate::fault::Fault;
use crate::keyhome::KeyHome;
use journal::sign::SigningKey;
use journal::{DeviceId, Incarnation};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{self, Write};
use std::path::Path;

pub(crate) const FILE: &str = "device.key";

/// The identity in use.
#[derive(Clone)]
pub struct Identity {
    /// The physical tablet.
    pub device: DeviceId,
    /// Its key.
    pub key: SigningKey,
    /// Its series, derived from the key.
    pub incarnation: Incarnation,
    /// Where the key lives: `keyring` or `file`.
    pub home: &'static str,
}

/// What a folder holds of an identity.
pub(crate) enum Found {
    /// All of it.
    Whole(Box<Identity>),
    /// The file, but the keyring has no such key any more.
    KeyGone(DeviceId),
    /// Nothing.
    Nothing,
}

/// The file's content.
#[derive(Serialize, Deserialize)]
struct KeyFile {
    device: DeviceId,
    /// The key; absent where the keyring keeps it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    seed: Option<String>,
    /// The name under which the keyring keeps it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    keyring: Option<Incarnation>,
    made_wall_ms: i64,
    made_boot: journal::BootId,
}

impl Identity {
    /// Looks for the identity of a folder. Changes nothing.
    ///
    /// # Errors
    /// A fault where the file cannot be read or holds no key, and where the keyring is locked. Nothing is overwritten then.
    pub(crate) fn find(dir: &Path, ring: Option<&dyn KeyHome>) -> Result<Found, Fault> {
        let file: KeyFile = match fs::read(dir.join(FILE)) {
            Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| bad_key(&e))?,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Found::Nothing),
            Err(e) => return Err(bad_key(&e)),
        };
        let (seed, home) = match (&file.seed, &file.keyring) {
            (Some(text), _) => {
                let mut seed = [0_u8; 32];
                hex::decode_to_slice(text, &mut seed).map_err(|e| bad_key(&e))?;
                (seed, "file")
            }
            (None, Some(series)) => {
                let ring = ring.ok_or_else(|| keyring_locked(&"this program was started without one"))?;
                let Some(seed) = ring.load(&series.to_hex()).map_err(|e| keyring_locked(&e))? else {
                    return Ok(Found::KeyGone(file.device));
                };
                (seed, "keyring")
            }
            (None, None) => return Err(bad_key(&"it holds no key")),
        };
        let identity = Self::of(file.device, seed, home);
        // Another program's key under our name in the keyring is not ours.
        if file.keyring.is_some_and(|series| series != identity.incarnation) {
            Ok(Found::KeyGone(file.device))
        } else {
            Ok(Found::Whole(Box::new(identity)))
        }
    }

    /// Makes a new key and keeps it, durable on return; the one before is no longer in use then. `device` stays where the
    /// physical tablet is certainly the same.
    ///
    /// # Errors
    /// A fault where the machine gives no random bytes or the file cannot be written. The one before stands then.
    pub(crate) fn make(dir: &Path, env: &dyn Env, ring: Option<&dyn KeyHome>, device: Option<DeviceId>) -> Result<Self, Fault> {
        let (mut fresh, mut seed) = ([0_u8; 16], [0_u8; 32]);
        env.random(&mut fresh)?;
        env.random(&mut seed)?;
        let mut identity = Self::of(device.unwrap_or(DeviceId(fresh)), seed, "file");
        // A keyring that takes nothing leaves the file, and the screens say so.
        if ring.is_some_and(|ring| ring.save(&identity.incarnation.to_hex(), &seed).is_ok()) {
            identity.home = "keyring";
        }
        let in_file = identity.home == "file";
        let file = KeyFile {
            device: identity.device,
            seed: in_file.then(|| hex::encode(seed)),
            keyring: (!in_file).then_some(identity.incarnation),
            made_wall_ms: env.wall_ms(),
            made_boot: env.boot(),
        };
        let bytes = serde_json::to_vec_pretty(&file).map_err(|e| bad_key(&e))?;
        write_private(dir, FILE, &bytes).map_err(|e| bad_key(&e))?;
        Ok(identity)
    }

    fn of(device: DeviceId, seed: [u8; 32], home: &'static str) -> Self {
        let key = SigningKey::from_seed(seed);
        let incarnation = Incarnation::of(&key.public());
        Self { device, key, incarnation, home }
    }
}

/// Written beside, made durable, then renamed: a kill leaves the whole file, the one before, or none.
pub(crate) fn write_private(dir: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let (half, path) = (dir.join(format!("{name}.new")), dir.join(name));
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&half)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    drop(file);
    fs::rename(&half, &path)?;
    // Folders can be opened for syncing on unix only; elsewhere the rename is as durable as the system makes it.
    #[cfg(unix)]
    fs::File::open(dir)?.sync_all()?;
    Ok(())
}

fn bad_key(why: &dyn std::fmt::Display) -> Fault {
    let words = format!(
        "The key of this tablet (file {FILE}) cannot be read or written, so nothing new can be signed. All records on it are still there and nothing was changed. Don't delete anything; take the tablet to the trailer and show this: {why}"
    );
    Fault::new(500, "bad-key", words).with("why", why)
}

fn keyring_locked(why: &dyn std::fmt::Display) -> Fault {
    let words = format!(
        "The key of this tablet is in the system's keyring, and the keyring does not open ({why}). All records on it are still there and nothing was changed. Unlock the keyring, usually by signing in to this machine, and start the app again."
    );
    Fault::new(409, "keyring-locked", words).with("why", why)
}
