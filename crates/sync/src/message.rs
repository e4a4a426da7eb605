//! The messages between tablet and trailer. JSON, except where entries travel ([`crate::wire`]).

use crate::receipt::{EntriesReceipt, PhotoReceipt};
use journal::{DeviceId, EntryHash, Heads, Incarnation, PhotoHash, SiteId, VerifyingKey};
use serde::{Deserialize, Serialize};

/// The routes, as the server registers them and the client calls them.
pub mod route {
    /// `POST`: [`super::PairRequest`] in, [`super::PairReply`] out. The only route without a token.
    pub const PAIR: &str = "/api/pair";
    /// `POST`: [`super::Hello`] in, [`super::HelloReply`] out.
    pub const HELLO: &str = "/api/sync/hello";
    /// `POST`: entries as CBOR in, [`super::PushReply`] out.
    pub const PUSH: &str = "/api/sync/push";
    /// `POST`: [`super::PullRequest`] in, entries as CBOR out.
    pub const PULL: &str = "/api/sync/pull";
    /// `GET` and `PUT` with the photo's hash after a slash: [`super::PhotoReply`] out.
    pub const PHOTO: &str = "/api/sync/photo";
    /// `POST`: [`super::Done`] in, [`super::DoneReply`] out.
    pub const DONE: &str = "/api/sync/done";
}

/// Asks to be paired. Carries no secret: the code itself is never sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PairRequest {
    /// The tablet's proof that it knows the code, over the trailer's key it saw, hexadecimal ([`crate::pairing`]).
    pub code_proof: String,
    /// The tablet's public key.
    pub key: VerifyingKey,
    /// The tablet.
    pub device: DeviceId,
    /// The tablet's name, e.g. `K4`.
    pub name: String,
    /// 32 random bytes, hexadecimal; drawn anew for each attempt.
    pub nonce: String,
}

/// The trailer's answer to a proof that fits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PairReply {
    /// The token for every later request.
    pub token: String,
    /// The site.
    pub site: SiteId,
    /// The plant's name.
    pub name: String,
    /// The trailer's public key: signs receipts and its own series.
    pub server_key: VerifyingKey,
    /// The trailer's proof that it knows the code, over all of the above, hexadecimal.
    pub proof: String,
}

/// Opens an exchange.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello {
    /// The tablet's own series.
    pub incarnation: Incarnation,
    /// Its last entry.
    pub seq: u64,
    /// Photos on the tablet without a receipt.
    pub photos_waiting: u64,
    /// The tablet's clock, milliseconds since 1970 UTC. Shown, never trusted.
    pub wall_ms: i64,
    /// What the tablet has.
    pub heads: Heads,
}

/// What the trailer has and wants.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HelloReply {
    /// What the trailer has.
    pub heads: Heads,
    /// The trailer's clock, milliseconds since 1970 UTC.
    pub now_ms: i64,
    /// Photos that entries on the trailer name but whose bytes it lacks; at most [`crate::MAX_WANTED`].
    #[serde(default)]
    pub photos_wanted: Vec<PhotoHash>,
    /// For the tablet's own series, as far as the trailer has it: the last one may have been lost in a cut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receipt: Option<EntriesReceipt>,
}

/// What became of pushed entries, which are of one series.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PushReply {
    /// The trailer's receipt for the pushed series; none where nothing of it could be merged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receipt: Option<EntriesReceipt>,
    /// New and merged.
    pub stored: u64,
    /// Already there.
    pub known: u64,
    /// Kept apart, not merged.
    #[serde(default)]
    pub quarantined: Vec<Quarantined>,
}

/// An entry that was kept apart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quarantined {
    /// The entry.
    pub entry: EntryHash,
    /// Why, as a sentence.
    pub why: String,
}

/// Asks for what the trailer has and `heads` lacks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PullRequest {
    /// What the tablet has.
    pub heads: Heads,
}

/// How much of a photo the trailer has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PhotoReply {
    /// Bytes held from the start, on disk.
    pub offset: u64,
    /// True when all are there and their hash was checked.
    pub complete: bool,
    /// Present when complete.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receipt: Option<PhotoReceipt>,
}

/// Ends an exchange: "nothing waiting as of entry `seq`", or how much still is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Done {
    /// The tablet's own series.
    pub incarnation: Incarnation,
    /// Its last entry now.
    pub seq: u64,
    /// Entries of it that the trailer still lacks.
    pub entries_waiting: u64,
    /// Photos still without a receipt.
    pub photos_waiting: u64,
}

/// The trailer has heard it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DoneReply {
    /// The trailer's clock when it heard, milliseconds since 1970 UTC.
    pub heard_ms: i64,
}
