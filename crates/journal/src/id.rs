//! Every identifier is a type, so that one cannot stand in for another.

use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! byte_id {
    ($(#[$doc:meta])* $name:ident, $len:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(pub [u8; $len]);
        impl $name {
            /// Lower-case hexadecimal.
            pub fn to_hex(self) -> String { hex::encode(self.0) }
            /// Reads lower- or upper-case hexadecimal of exactly the right length.
            pub fn from_hex(text: &str) -> Option<Self> {
                let mut out = [0_u8; $len];
                hex::decode_to_slice(text, &mut out).ok()?;
                Some(Self(out))
            }
            /// From a byte slice of exactly the right length.
            pub fn from_slice(bytes: &[u8]) -> Option<Self> { Some(Self(bytes.try_into().ok()?)) }
        }
        impl TryFrom<String> for $name {
            type Error = &'static str;
            fn try_from(text: String) -> Result<Self, Self::Error> {
                Self::from_hex(&text).ok_or(concat!("not a ", stringify!($name)))
            }
        }
        impl From<$name> for String { fn from(id: $name) -> Self { id.to_hex() } }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result { f.write_str(&self.to_hex()) }
        }
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({})", stringify!($name), &self.to_hex()[..8])
            }
        }
    };
}

byte_id!(
    /// The plant site; inside every entry, so that another site's entries are never merged.
    SiteId, 16
);
byte_id!(
    /// A physical tablet or server.
    DeviceId, 16
);
byte_id!(
    /// One series of entries: a device *incarnation*. It is the first 16 bytes of BLAKE3 (derive-key mode, context
    /// `tubewright 2026 incarnation`) over the series' Ed25519 public key, so a series proves its own key.
    Incarnation, 16
);
byte_id!(
    /// One run of a machine since it was switched on; with the uptime it tells clock jumps from time.
    BootId, 16
);
byte_id!(
    /// BLAKE3 of an entry's canonical bytes, without the signature: the entry's identity.
    EntryHash, 32
);
byte_id!(
    /// BLAKE3 of a photo's original bytes.
    PhotoHash, 32
);
byte_id!(
    /// An Ed25519 signature over the last hash of a transaction.
    Signature, 64
);

/// A person of the roster, e.g. `ana-r`. At most 64 bytes of `a-z 0-9 -`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct PersonId(pub String);

/// What an entry is about: a path such as `job/<id>/gap/6` or `site/plan`. At most 256 bytes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Subject(pub String);

impl fmt::Display for PersonId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
