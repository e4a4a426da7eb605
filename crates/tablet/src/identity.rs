//! Who this tablet is: a device id and a signing key, made here at the first start and never sent anywhere.
//!
//! The key lies in a file of its own, readable by the owner only (mode 0600 where the system has modes), so that a copy of the
//! database alone cannot sign. When the key is gone a new identity is made: the old entries stay, are read and still go in;
//! only new ones need a new pairing. The run of the machine at the making is kept beside it, as evidence for a later check
//! of restored copies.

use crate::env::Env;
use crate::fault::Fault;
use journal::sign::SigningKey;
use journal::{DeviceId, Incarnation};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{self, Write};
use std::path::Path;

const FILE: &str = "device.key";

/// The identity in use.
pub struct Identity {
    /// The physical tablet.
    pub device: DeviceId,
    /// Its key.
    pub key: SigningKey,
    /// Its series, derived from the key.
    pub incarnation: Incarnation,
}

/// The file's content.
#[derive(Serialize, Deserialize)]
struct KeyFile {
    device: DeviceId,
    seed: String,
    made_wall_ms: i64,
    made_boot: journal::BootId,
}

impl Identity {
    /// Reads the identity of this folder, or makes it at the first start.
    ///
    /// # Errors
    /// A fault where the file cannot be read or written, or holds no key. It is never overwritten then.
    pub fn open(dir: &Path, env: &dyn Env) -> Result<Self, Fault> {
        let path = dir.join(FILE);
        let file = match fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| bad_key(&e))?,
            Err(e) if e.kind() == io::ErrorKind::NotFound => make(dir, env)?,
            Err(e) => return Err(bad_key(&e)),
        };
        let mut seed = [0_u8; 32];
        hex::decode_to_slice(&file.seed, &mut seed).map_err(|e| bad_key(&e))?;
        let key = SigningKey::from_seed(seed);
        let incarnation = Incarnation::of(&key.public());
        Ok(Self { device: file.device, key, incarnation })
    }
}

fn make(dir: &Path, env: &dyn Env) -> Result<KeyFile, Fault> {
    let (mut device, mut seed) = ([0_u8; 16], [0_u8; 32]);
    env.random(&mut device)?;
    env.random(&mut seed)?;
    let file = KeyFile { device: DeviceId(device), seed: hex::encode(seed), made_wall_ms: env.wall_ms(), made_boot: env.boot() };
    let bytes = serde_json::to_vec_pretty(&file).map_err(|e| bad_key(&e))?;
    write_private(dir, &bytes).map_err(|e| bad_key(&e))?;
    Ok(file)
}

/// Written beside, made durable, then renamed: a kill leaves the whole key or none.
fn write_private(dir: &Path, bytes: &[u8]) -> io::Result<()> {
    let (half, path) = (dir.join("device.key.new"), dir.join(FILE));
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
