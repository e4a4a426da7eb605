//! The messages between tablet and trailer. JSON, except where heads and entries travel ([`crate::wire`]).

use crate::receipt::{EntriesReceipt, PhotoReceipt};
use crate::series::CertifiedSeries;
use journal::{BootId, DeviceId, EntryHash, Incarnation, PhotoHash, Signature, SiteId, VerifyingKey};
use serde::{Deserialize, Serialize};

/// The routes, as the server registers them and the client calls them.
pub mod route {
    /// `POST`: [`super::PairRequest`] in, [`super::PairReply`] out. The only route without a token.
    pub const PAIR: &str = "/api/pair";
    /// `POST`: [`super::Hello`] in, [`super::HelloReply`] out.
    pub const HELLO: &str = "/api/sync/hello";
    /// `POST`: the tablet's heads as CBOR in, the trailer's out. Asked only where the digests of a hello differ.
    pub const HEADS: &str = "/api/sync/heads";
    /// `POST`: entries as CBOR in, [`super::PushReply`] out.
    pub const PUSH: &str = "/api/sync/push";
    /// `POST`: ranges of series as CBOR in, entries as CBOR out.
    pub const PULL: &str = "/api/sync/pull";
    /// `POST`: names of entries that the tablet keeps unread, as CBOR in; what each lacks as CBOR out.
    pub const UNREAD: &str = "/api/sync/unread";
    /// `GET` and `PUT` with the photo's hash after a slash: [`super::PhotoReply`] out.
    pub const PHOTO: &str = "/api/sync/photo";
    /// `POST`: [`super::Done`] in, [`super::DoneReply`] out.
    pub const DONE: &str = "/api/sync/done";
}

/// Codes in the body of a refusal that the tablet tells apart (`{"code": .., "words": ..}`).
pub mod code {
    /// With 403: the tablet was shut out at the board.
    pub const REVOKED: &str = "revoked";
    /// With 403: the tablet's series no longer counts from some entry on.
    pub const SERIES_CUT: &str = "series-cut";
    /// With 409: the token belongs to another series of this tablet.
    pub const PAIR_AGAIN: &str = "pair-again";
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
    /// The tablet's signature over all of the above and the trailer's key it saw: only who holds `key` can pair it.
    pub key_sig: Signature,
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

/// 32 bytes, as hexadecimal in JSON.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Digest(pub [u8; 32]);

impl TryFrom<String> for Digest {
    type Error = &'static str;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        let mut bytes = [0; 32];
        hex::decode_to_slice(text, &mut bytes).map_err(|_| "not a digest")?;
        Ok(Self(bytes))
    }
}

impl From<Digest> for String {
    fn from(digest: Digest) -> Self {
        hex::encode(digest.0)
    }
}

/// Opens an exchange. Where both sides hold the same, it is also its end: "nothing waiting as of entry `seq`".
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
    /// The tablet's run; with the uptime it tells a clock that was set from time that passed.
    pub boot: BootId,
    /// Milliseconds of that run.
    pub uptime_ms: u64,
    /// [`journal::Heads::digest`] of what the tablet has.
    pub digest: Digest,
    /// Digest of the entries that the tablet keeps without being able to read them ([`crate::wire::unread_digest`]).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unread: Option<Digest>,
}

impl Hello {
    /// What the clocks of this run said.
    pub const fn clock(&self) -> crate::exchange::Clock {
        crate::exchange::Clock { wall_ms: self.wall_ms, boot: self.boot, uptime_ms: self.uptime_ms }
    }
}

/// Whether the trailer has the same, and what it wants.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HelloReply {
    /// True where both hold the same entries: no heads need to travel.
    pub same: bool,
    /// True where the two sides keep different entries that one of them can't read ([`route::UNREAD`]).
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unread: bool,
    /// The trailer's clock, milliseconds since 1970 UTC.
    pub now_ms: i64,
    /// Photos that entries on the trailer name but whose bytes it lacks; at most [`crate::MAX_WANTED`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos_wanted: Vec<PhotoHash>,
    /// For the tablet's own series, as far as the trailer has it: the last one may have been lost in a cut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receipt: Option<EntriesReceipt>,
    /// The series in which the trailer writes, each certified by the key learned at pairing; empty where it is that key's
    /// own. At most [`crate::MAX_SERVER_SERIES`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub server_series: Vec<CertifiedSeries>,
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
    /// Kept apart, not merged; at most [`crate::MAX_NAMED`] are named.
    #[serde(default)]
    pub quarantined: Vec<Quarantined>,
    /// Kept as they came, because the trailer's program can't read them.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub unread: u64,
}

/// An entry that was kept apart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quarantined {
    /// The entry.
    pub entry: EntryHash,
    /// Why, as a sentence.
    pub why: String,
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

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands in a reference")]
const fn is_zero(n: &u64) -> bool {
    *n == 0
}
