//! The client: drives an exchange or a pairing over TLS with the trailer's pinned key. Retries are the caller's.

use crate::error::SyncError;
use crate::exchange::{Exchange, Outcome, Progress, Reply, Step};
use crate::local::Local;
use crate::message::{PairReply, PairRequest, PullRequest, route};
use crate::pairing::{Address, Fingerprint, Invitation, TabletSaw, reply_fits, request};
use crate::tls::{self, Seen};
use crate::{MAX_BODY, wire};
use journal::{DeviceId, VerifyingKey};
use reqwest::{Method, RequestBuilder, Response, StatusCode};
use serde::de::DeserializeOwned;
use std::sync::Arc;
use std::time::Duration;

/// To reach the trailer at all.
const CONNECT: Duration = Duration::from_secs(5);
/// Silence within an answer.
const READ: Duration = Duration::from_secs(20);
/// One request and its answer: 1 MiB through poor Wi-Fi.
const WHOLE: Duration = Duration::from_secs(90);
/// Answers are at most a body of entries and a little.
const MAX_ANSWER: usize = 2 * MAX_BODY;

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
    /// Its public key.
    pub key: &'a VerifyingKey,
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
        Self::build(address, Some(pin), Some(token.to_owned()))
    }

    fn build(address: Address, pin: Option<Fingerprint>, token: Option<String>) -> Result<Self, SyncError> {
        let (config, seen) = tls::config(pin).map_err(SyncError::strange)?;
        let http = reqwest::Client::builder()
            .tls_backend_preconfigured(config)
            .https_only(true)
            .http1_only()
            // A proxy variable must not divert what stays within the trailer's own network.
            .no_proxy()
            // A redirect would carry the token elsewhere.
            .redirect(reqwest::redirect::Policy::none())
            .connect_timeout(CONNECT)
            .read_timeout(READ)
            .timeout(WHOLE)
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
        let client = Self::build(invitation.address.clone(), invitation.fingerprint, None)?;
        if client.seen.fingerprint().is_none() {
            // Only the handshake matters; whatever is answered, and with which status, is not looked at.
            client.send(client.request(Method::GET, route::PAIR)).await?;
        }
        let fingerprint = client.seen.fingerprint().ok_or_else(|| SyncError::strange("no certificate"))?;
        let saw = TabletSaw { fingerprint, key: tablet.key, device: tablet.device, name: tablet.name, nonce };
        let asked: PairRequest = request(&invitation.code, &saw);
        let response = client.send(client.request(Method::POST, route::PAIR).json(&asked)).await?;
        if !response.status().is_success() {
            return Err(client.pair_refused(response).await);
        }
        let reply: PairReply = client.json(response).await?;
        if !reply_fits(&invitation.code, &saw, &reply) {
            return Err(SyncError::PairProof);
        }
        Ok(Paired { address: client.address, fingerprint, reply })
    }

    /// Runs one whole exchange. `wall_ms` is the tablet's clock, milliseconds since 1970 UTC; `progress` is called after
    /// each answer.
    ///
    /// # Errors
    /// [`SyncError`]. What was acknowledged until then stays acknowledged; calling again goes on from there.
    pub async fn run<L: Local>(
        &self,
        server_key: VerifyingKey,
        wall_ms: i64,
        local: &mut L,
        progress: &mut (dyn FnMut(Progress) + Send),
    ) -> Result<Outcome, SyncError> {
        let mut exchange = Exchange::new(server_key, wall_ms);
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
            Step::Hello(hello) => Reply::Hello(self.ask(post(route::HELLO).json(&hello)).await?),
            Step::Push(entries) => Reply::Push(self.ask(post(route::PUSH).body(wire::encode_push(&entries))).await?),
            Step::Pull(heads) => {
                let response = self.good(post(route::PULL).json(&PullRequest { heads })).await?;
                Reply::Pull(wire::decode_pull(&self.body(response).await?)?)
            }
            Step::PhotoOffset(photo) => {
                let url = format!("{}/{photo}", route::PHOTO);
                Reply::Photo(self.ask(self.request(Method::GET, &url)).await?)
            }
            Step::PhotoPut { photo, offset, total, bytes } => {
                let url = format!("{}/{photo}?offset={offset}&total={total}", route::PHOTO);
                Reply::Photo(self.ask(self.request(Method::PUT, &url).body(bytes)).await?)
            }
            Step::Done(done) => Reply::Done(self.ask(post(route::DONE).json(&done)).await?),
            Step::Finished(_) => return Err(SyncError::strange("the exchange is over")),
        })
    }

    fn request(&self, method: Method, route: &str) -> RequestBuilder {
        let request = self.http.request(method, format!("https://{}{route}", self.address));
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    async fn ask<T: DeserializeOwned>(&self, request: RequestBuilder) -> Result<T, SyncError> {
        let response = self.good(request).await?;
        self.json(response).await
    }

    /// Sends, and takes only a good status for an answer.
    async fn good(&self, request: RequestBuilder) -> Result<Response, SyncError> {
        let response = self.send(request).await?;
        let status = response.status();
        Err(match status {
            _ if status.is_success() => return Ok(response),
            StatusCode::UNAUTHORIZED => SyncError::TokenRefused,
            StatusCode::FORBIDDEN => SyncError::Revoked,
            StatusCode::INSUFFICIENT_STORAGE => SyncError::ServerFull,
            StatusCode::TOO_MANY_REQUESTS => SyncError::Slow { wait_s: wait_s(&response) },
            _ => SyncError::Server { status: status.as_u16(), words: self.words(response).await },
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
                SyncError::Cut
            }
        })
    }

    async fn json<T: DeserializeOwned>(&self, response: Response) -> Result<T, SyncError> {
        let body = self.body(response).await?;
        serde_json::from_slice(&body).map_err(SyncError::strange)
    }

    /// The whole body, bounded whatever its declared length.
    async fn body(&self, mut response: Response) -> Result<Vec<u8>, SyncError> {
        let mut body = Vec::new();
        while let Some(piece) = response.chunk().await.map_err(|_| SyncError::Cut)? {
            if body.len() + piece.len() > MAX_ANSWER {
                return Err(SyncError::strange("the answer is too long"));
            }
            body.extend_from_slice(&piece);
        }
        Ok(body)
    }

    /// The server's sentence, or as much of its text as is fit to show.
    async fn words(&self, response: Response) -> String {
        let body = self.body(response).await.unwrap_or_default();
        let fault: Option<serde_json::Value> = serde_json::from_slice(&body).ok();
        let words = fault.as_ref().and_then(|f| f.get("words")).and_then(|w| w.as_str()).map(str::to_owned);
        let text = words.unwrap_or_else(|| String::from_utf8_lossy(&body).into_owned());
        text.chars().filter(|c| !c.is_control()).take(300).collect()
    }

    async fn pair_refused(&self, response: Response) -> SyncError {
        match response.status() {
            StatusCode::TOO_MANY_REQUESTS => SyncError::Slow { wait_s: wait_s(&response) },
            status if status.is_client_error() => {
                let words = self.words(response).await;
                let standard = "The trailer did not take the code: it is wrong, used or too old. Take a new one at the board.";
                SyncError::PairRefused(if words.is_empty() { standard.to_owned() } else { words })
            }
            status => SyncError::Server { status: status.as_u16(), words: self.words(response).await },
        }
    }
}

fn wait_s(response: &Response) -> u64 {
    let header = response.headers().get(reqwest::header::RETRY_AFTER);
    header.and_then(|value| value.to_str().ok()).and_then(|text| text.parse().ok()).unwrap_or(5)
}
