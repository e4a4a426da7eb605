//! The client: drives an exchange or a pairing over TLS with the trailer's pinned key. Retries are the caller's.

use crate::error::SyncError;
use crate::exchange::{Clock, Exchange, Outcome, Progress, Reply, Step};
use crate::local::Local;
use crate::message::{PairReply, PairRequest, code, route};
use crate::pairing::{Address, Fingerprint, Invitation, TabletSaw, reply_fits, request};
use crate::tls::{self, Seen};
use crate::{MAX_BODY, MAX_SMALL, wire};
use journal::{DeviceId, SigningKey, VerifyingKey};
use reqwest::{Method, RequestBuilder, Response, StatusCode};
use serde::de::DeserializeOwned;
use std::sync::Arc;
use std::time::Duration;

/// How long the client waits before it gives up. What was acknowledged until then stays so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// To reach the trailer at all.
    pub connect: Duration,
    /// Silence within an answer.
    pub read: Duration,
    /// One request and its answer: 1 MiB through poor Wi-Fi.
    pub whole: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { connect: Duration::from_secs(5), read: Duration::from_secs(20), whole: Duration::from_secs(90) }
    }
}

/// The longest answers that are read, whatever length is declared: to a hello up to [`crate::MAX_WANTED`] names and the
/// trailer's series, to a push up to [`crate::MAX_NAMED`] reasons, to the rest of the JSON a few lines.
const HELLO_ANSWER: usize = 128 * 1024;
/// A sentence.
const FAULT_ANSWER: usize = 16 * 1024;

/// What pairing gave; the caller keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paired {
    /// Where the trailer is.
    pub address: Address,
    /// Its key, from now on the only one accepted.
    pub fingerprint: Fingerprint,
    /// Token, site, plant's name and the trailer's signing key. Its proof has been checked.
    pub reply: PairReply,
}

/// Who the tablet is, for pairing.
#[derive(Clone, Copy, Debug)]
pub struct Tablet<'a> {
    /// The key of its series: it proves at pairing that it holds it.
    pub key: &'a SigningKey,
    /// The device.
    pub device: DeviceId,
    /// Its name, e.g. `K4`.
    pub name: &'a str,
}

/// A connection to one trailer.
#[derive(Debug)]
pub struct Client {
    http: reqwest::Client,
    seen: Arc<Seen>,
    address: Address,
    token: Option<String>,
}

impl Client {
    /// A client of the trailer this tablet is paired with. Sends nothing yet.
    ///
    /// # Errors
    /// [`SyncError::Strange`] where TLS can't be set up.
    pub fn new(address: Address, pin: Fingerprint, token: &str) -> Result<Self, SyncError> {
        Self::with_patience(address, pin, token, Patience::default())
    }

    /// The same with other waiting times.
    ///
    /// # Errors
    /// As [`Client::new`].
    pub fn with_patience(address: Address, pin: Fingerprint, token: &str, patience: Patience) -> Result<Self, SyncError> {
        Self::build(address, Some(pin), Some(token.to_owned()), patience)
    }

    fn build(address: Address, pin: Option<Fingerprint>, token: Option<String>, patience: Patience) -> Result<Self, SyncError> {
        let (config, seen) = tls::config(pin).map_err(SyncError::strange)?;
        let http = reqwest::Client::builder()
            .tls_backend_preconfigured(config)
            .https_only(true)
            .http1_only()
            // A proxy variable must not divert what stays within the trailer's own network.
            .no_proxy()
            // A redirect would carry the token elsewhere.
            .redirect(reqwest::redirect::Policy::none())
            .connect_timeout(patience.connect)
            .read_timeout(patience.read)
            .timeout(patience.whole)
            .build()
            .map_err(SyncError::strange)?;
        Ok(Self { http, seen, address, token })
    }

    /// Pairs. `nonce` is 32 random bytes. Where the invitation was typed by hand, the key of whoever answers is taken note
    /// of first; the proofs then show whether it was the trailer.
    ///
    /// # Errors
    /// [`SyncError`]; nothing is paired then.
    pub async fn pair(invitation: &Invitation, tablet: Tablet<'_>, nonce: [u8; 32]) -> Result<Paired, SyncError> {
        let client = Self::build(invitation.address.clone(), invitation.fingerprint, None, Patience::default())?;
        if client.seen.fingerprint().is_none() {
            // Only the handshake matters; whatever is answered, and with which status, is not looked at.
            client.send(client.request(Method::GET, route::PAIR)).await?;
        }
        let fingerprint = client.seen.fingerprint().ok_or_else(|| SyncError::strange("no certificate"))?;
        let public = tablet.key.public();
        let saw = TabletSaw { fingerprint, key: &public, device: tablet.device, name: tablet.name, nonce };
        let asked: PairRequest = request(&invitation.code, &saw, tablet.key);
        let response = client.send(client.request(Method::POST, route::PAIR).json(&asked)).await?;
        if !response.status().is_success() {
            return Err(client.pair_refused(response).await);
        }
        let reply: PairReply = client.json(response, MAX_SMALL).await?;
        if !reply_fits(&invitation.code, &saw, &reply) {
            return Err(SyncError::PairProof);
        }
        Ok(Paired { address: client.address, fingerprint, reply })
    }

    /// Runs one whole exchange. `clock` is the tablet's, now; `progress` is called after each answer.
    ///
    /// # Errors
    /// [`SyncError`]. What was acknowledged until then stays acknowledged; calling again goes on from there.
    pub async fn run<L: Local>(
        &self,
        server_key: VerifyingKey,
        clock: Clock,
        local: &mut L,
        progress: &mut (dyn FnMut(Progress) + Send),
    ) -> Result<Outcome, SyncError> {
        let mut exchange = Exchange::new(server_key, clock);
        loop {
            let step = exchange.next(local)?;
            progress(exchange.progress());
            let reply = match step {
                Step::Finished(outcome) => return Ok(*outcome),
                step => self.step(step).await?,
            };
            exchange.feed(local, reply)?;
            progress(exchange.progress());
        }
    }

    /// Sends one step and gives the reply.
    async fn step(&self, step: Step) -> Result<Reply, SyncError> {
        let post = |route: &str| self.request(Method::POST, route);
        Ok(match step {
            Step::Hello(hello) => Reply::Hello(self.ask(post(route::HELLO).json(&hello), HELLO_ANSWER).await?),
            Step::Heads(heads) => Reply::Heads(wire::decode_heads(&self.cbor(post(route::HEADS), heads.encode()).await?)?),
            Step::Push(entries) => Reply::Push(self.ask(post(route::PUSH).body(wire::encode_push(&entries)), MAX_BODY).await?),
            Step::Pull(ranges) => Reply::Pull(wire::decode_pull(&self.cbor(post(route::PULL), wire::encode_ranges(&ranges)).await?)?),
            Step::Unread(names) => Reply::Unread(wire::decode_unread(&self.cbor(post(route::UNREAD), wire::encode_names(&names)).await?)?),
            Step::PushUnread(entries) => Reply::Push(self.ask(post(route::PUSH).body(wire::encode_push_unread(&entries)), MAX_BODY).await?),
            Step::PhotoOffset(photo) => {
                let url = format!("{}/{photo}", route::PHOTO);
                Reply::Photo(self.ask(self.request(Method::GET, &url), MAX_SMALL).await?)
            }
            Step::PhotoPut { photo, offset, total, bytes } => {
                let url = format!("{}/{photo}?offset={offset}&total={total}", route::PHOTO);
                Reply::Photo(self.ask(self.request(Method::PUT, &url).body(bytes), MAX_SMALL).await?)
            }
            Step::Done(done) => Reply::Done(self.ask(post(route::DONE).json(&done), MAX_SMALL).await?),
            Step::Finished(_) => return Err(SyncError::strange("the exchange is over")),
        })
    }

    async fn cbor(&self, request: RequestBuilder, body: Vec<u8>) -> Result<Vec<u8>, SyncError> {
        let request = request.header(reqwest::header::CONTENT_TYPE, "application/cbor").body(body);
        let response = self.good(request).await?;
        self.body(response, MAX_BODY).await
    }

    fn request(&self, method: Method, route: &str) -> RequestBuilder {
        let request = self.http.request(method, format!("https://{}{route}", self.address));
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    async fn ask<T: DeserializeOwned>(&self, request: RequestBuilder, most: usize) -> Result<T, SyncError> {
        let response = self.good(request).await?;
        self.json(response, most).await
    }

    /// Sends, and takes only a good status for an answer.
    async fn good(&self, request: RequestBuilder) -> Result<Response, SyncError> {
        let response = self.send(request).await?;
        let status = response.status();
        if status.is_success() {
            return Ok(response);
        }
        let wait_s = wait_s(&response);
        let told = self.told(response).await;
        Err(match status {
            StatusCode::UNAUTHORIZED => SyncError::TokenRefused,
            StatusCode::FORBIDDEN if told.code == code::SERIES_CUT => SyncError::SeriesCut,
            StatusCode::FORBIDDEN => SyncError::Revoked,
            StatusCode::CONFLICT if told.code == code::PAIR_AGAIN => SyncError::PairAgain,
            StatusCode::INSUFFICIENT_STORAGE => SyncError::ServerFull,
            StatusCode::TOO_MANY_REQUESTS => SyncError::Slow { wait_s },
            _ => SyncError::Server { status: status.as_u16(), words: told.words },
        })
    }

    async fn send(&self, request: RequestBuilder) -> Result<Response, SyncError> {
        self.seen.take_refused();
        request.send().await.map_err(|error| {
            if self.seen.take_refused() {
                SyncError::OtherCertificate
            } else if error.is_builder() {
                SyncError::Address(self.address.to_string())
            } else if error.is_connect() {
                SyncError::NotFound { address: self.address.to_string() }
            } else {
                broken(&error)
            }
        })
    }

    async fn json<T: DeserializeOwned>(&self, response: Response, most: usize) -> Result<T, SyncError> {
        let body = self.body(response, most).await?;
        serde_json::from_slice(&body).map_err(SyncError::strange)
    }

    /// The whole body, bounded whatever its declared length.
    async fn body(&self, mut response: Response, most: usize) -> Result<Vec<u8>, SyncError> {
        let mut body = Vec::new();
        while let Some(piece) = response.chunk().await.map_err(|error| broken(&error))? {
            if body.len() + piece.len() > most {
                return Err(SyncError::strange("the answer is too long"));
            }
            body.extend_from_slice(&piece);
        }
        Ok(body)
    }

    /// What a refusal says: its code, and its sentence or as much of its text as is fit to show.
    async fn told(&self, response: Response) -> Told {
        let body = self.body(response, FAULT_ANSWER).await.unwrap_or_default();
        let fault: Option<serde_json::Value> = serde_json::from_slice(&body).ok();
        let text = |name| fault.as_ref().and_then(|f| f.get(name)).and_then(|w| w.as_str()).map(str::to_owned);
        let words = text("words").unwrap_or_else(|| String::from_utf8_lossy(&body).into_owned());
        Told { code: text("code").unwrap_or_default(), words: words.chars().filter(|c| !c.is_control()).take(300).collect() }
    }

    async fn pair_refused(&self, response: Response) -> SyncError {
        match response.status() {
            StatusCode::TOO_MANY_REQUESTS => SyncError::Slow { wait_s: wait_s(&response) },
            status if status.is_client_error() => {
                let Told { code: told, words } = self.told(response).await;
                if told == code::SERIES_CUT {
                    return SyncError::SeriesCut;
                }
                let standard = "The trailer did not take the code: it is wrong, used or too old. Take a new one at the board.";
                SyncError::PairRefused(if words.is_empty() { standard.to_owned() } else { words })
            }
            status => SyncError::Server { status: status.as_u16(), words: self.told(response).await.words },
        }
    }
}

/// What a refusal says.
struct Told {
    code: String,
    words: String,
}

fn broken(error: &reqwest::Error) -> SyncError {
    if error.is_timeout() { SyncError::Silent } else { SyncError::Cut }
}

fn wait_s(response: &Response) -> u64 {
    let header = response.headers().get(reqwest::header::RETRY_AFTER);
    header.and_then(|value| value.to_str().ok()).and_then(|text| text.parse().ok()).unwrap_or(5)
}
