//! Where a signing key is kept when it is not in the tablet's own folder.

#[cfg(any(test, feature = "keyring"))]
mod system;

#[cfg(feature = "keyring")]
pub use system::SystemRing;

/// A keyring of the operating system, as far as the tablet needs it: 32 secret bytes under a name.
pub trait KeyHome: Send + Sync {
    /// The secret of that name, or `None` where the keyring has none.
    ///
    /// # Errors
    /// In words, where the keyring cannot be asked now: it is locked, or gone. The tablet then waits and makes no new identity.
    fn load(&self, name: &str) -> Result<Option<[u8; 32]>, String>;

    /// Keeps a secret.
    ///
    /// # Errors
    /// In words; the tablet then keeps the key in a file readable by its owner only, and says so.
    fn save(&self, name: &str, secret: &[u8; 32]) -> Result<(), String>;
}
