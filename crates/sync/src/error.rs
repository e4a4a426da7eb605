//! What can go wrong in a sync, each as a sentence: what happened, what is safe, what to do next.

use crate::receipt::BadReceipt;
use crate::wire::WireError;
use job::Say;

/// Why an exchange or a pairing ended early. Nothing that was saved is ever lost by it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SyncError {
    /// No connection could be made.
    #[error(
        "The trailer was not found at {address}. Everything is safe on this tablet; go nearer to the trailer or check the address, then sync again."
    )]
    NotFound {
        /// Where it was looked for.
        address: String,
    },
    /// Another key answered.
    #[error(
        "This is not the trailer this tablet was paired with: nothing was sent. Everything is safe on this tablet; tell the supervisor, and pair again only at the trailer itself."
    )]
    OtherCertificate,
    /// The trailer doesn't know the token.
    #[error(
        "The trailer does not know this tablet any more: nothing was taken. Everything is safe on this tablet; pair it again at the trailer."
    )]
    TokenRefused,
    /// The tablet was revoked.
    #[error("This tablet was shut out at the trailer: nothing was taken. Its records are kept on it; bring it to the supervisor.")]
    Revoked,
    /// The tablet's series counts only up to some entry: a person at the board said so.
    #[error(
        "At the trailer it was said that this tablet's records no longer count from some point on: nothing was taken into the jobs. All of them are kept, none is lost. Stop recording on this tablet and bring it to the supervisor, who can pair it again."
    )]
    SeriesCut,
    /// The token belongs to another series of this tablet.
    #[error(
        "This tablet has begun a new series of records since it was paired, so the trailer took nothing from it yet. Everything is safe on this tablet, and it goes on recording. Pair it again at the trailer, with a new code from the board."
    )]
    PairAgain,
    /// The trailer's disk is full.
    #[error(
        "The trailer's disk is full: it took nothing more. What has a receipt is safe there, the rest is safe on this tablet; the supervisor must make room, then sync again."
    )]
    ServerFull,
    /// The trailer asks to wait.
    #[error("The trailer is busy: wait {wait_s} s, then sync again. Nothing is lost.")]
    Slow {
        /// Seconds to wait.
        wait_s: u64,
    },
    /// The connection broke.
    #[error("The connection was cut in the middle. Nothing is lost; sync again and it goes on where it stopped.")]
    Cut,
    /// The trailer fell silent.
    #[error(
        "The trailer did not answer in time: the radio link is poor or its server stands still. Nothing is lost; go nearer and sync again, and it goes on where it stopped."
    )]
    Silent,
    /// The trailer reported a fault.
    #[error(
        "The trailer answered with a fault ({status}): {words} Everything is safe on this tablet; try again, and tell the supervisor if it stays."
    )]
    Server {
        /// HTTP status.
        status: u16,
        /// What it said.
        words: String,
    },
    /// The answer can't be understood.
    #[error(
        "The trailer's answer could not be understood ({why}). Nothing is lost; if it stays, this tablet or the trailer needs an update."
    )]
    Strange {
        /// Why.
        why: String,
    },
    /// The receipt isn't signed by the trailer.
    #[error(
        "The trailer's receipt is not signed with the key learned at pairing: what was sent is not counted as safe. Everything stays on this tablet; tell the supervisor."
    )]
    BadReceipt,
    /// The trailer's new series isn't certified by the key learned at pairing.
    #[error(
        "The trailer says that it writes under a new key, but the key learned at pairing does not confirm it: it is not believed and nothing was sent. Everything is safe on this tablet; tell the supervisor."
    )]
    BadCertificate,
    /// The address can't be used.
    #[error("\"{0}\" is not an address such as 192.168.4.2:8443. Nothing was sent; read it from the board again.")]
    Address(String),
    /// The trailer didn't take the code.
    #[error("{0}")]
    PairRefused(String),
    /// The trailer couldn't prove that it knows the code.
    #[error(
        "What answered could not prove that it knows the code: it is not the trailer, and the tablet was not paired. Take a new code at the board and check the address."
    )]
    PairProof,
    /// The tablet's own side failed.
    #[error("{0}")]
    Local(Say),
}

impl SyncError {
    /// The stable code of the sentence.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NotFound { .. } => "not-found",
            Self::OtherCertificate => "other-certificate",
            Self::TokenRefused => "token-refused",
            Self::Revoked => "tablet-revoked",
            Self::SeriesCut => "series-cut",
            Self::PairAgain => "pair-again",
            Self::ServerFull => "server-full",
            Self::Slow { .. } => "slow-down",
            Self::Cut => "sync-cut",
            Self::Silent => "trailer-silent",
            Self::Server { .. } => "server-fault",
            Self::Strange { .. } => "strange-answer",
            Self::BadReceipt => "bad-receipt",
            Self::BadCertificate => "bad-certificate",
            Self::Address(_) => "bad-address",
            Self::PairRefused(_) => "pair-refused",
            Self::PairProof => "pair-proof",
            Self::Local(_) => "sync-local",
        }
    }

    /// The sentence with its code and parameters.
    pub fn say(&self) -> Say {
        let say = Say::new(self.code(), self.to_string());
        match self {
            Self::NotFound { address } | Self::Address(address) => say.with("address", address),
            Self::Slow { wait_s } => say.with("wait_s", wait_s),
            Self::Server { status, words } => say.with("status", status).with("words", words),
            Self::Strange { why } => say.with("why", why),
            Self::PairRefused(words) => say.with("words", words),
            Self::Local(inner) => inner.clone(),
            _ => say,
        }
    }

    pub(crate) fn strange(why: impl ToString) -> Self {
        Self::Strange { why: why.to_string() }
    }
}

impl From<Say> for SyncError {
    fn from(say: Say) -> Self {
        Self::Local(say)
    }
}

impl From<BadReceipt> for SyncError {
    fn from(_: BadReceipt) -> Self {
        Self::BadReceipt
    }
}

impl From<WireError> for SyncError {
    fn from(error: WireError) -> Self {
        Self::strange(error)
    }
}
