//! Pairing: the QR text, the one-time code, and the proof of it that both sides give.
//!
//! The code never travels. Each side stretches it (Argon2id) into a key and proves with it (keyed BLAKE3) what it saw: the
//! tablet the key of whoever answered, the trailer all that it gives. A stranger in the middle who lacks the code can't
//! relay the tablet's proof (it names the stranger's key, not the trailer's) and can't make the trailer's. The stretching
//! makes guessing from an overheard proof hopeless within the ten minutes for which a code is good.
//!
//! The tablet also signs all of it with its series' key: whoever knows the code still can't pair under a key that he does
//! not hold.

use crate::message::{PairReply, PairRequest};
use journal::cbor::Encoder;
use journal::{DeviceId, SigningKey, VerifyingKey};
use std::fmt;

/// Characters of a code: letters and digits that can't be taken for one another, read in the dark or spelled by radio
/// (no `0 O 1 I`; there is no small `l`, codes are shown in capitals). 32 of them, so ten make 50 bits.
pub const ALPHABET: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
/// Characters in a code.
pub const CODE_LEN: usize = 10;
/// The port where none is given.
pub const DEFAULT_PORT: u16 = 8443;

const START: &str = "tubewright:pair?";
const TABLET: &str = "tubewright 2026 pairing tablet";
const TRAILER: &str = "tubewright 2026 pairing trailer";
const SALT: &str = "tubewright 2026 pairing salt";
const POSSESSION: &str = "tubewright 2026 pairing possession";

/// Why a pairing text is not one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PairText {
    /// Not a pairing text at all.
    #[error("this is not a pairing code of the trailer; photograph the square on the board, or type address and code")]
    NotOurs,
    /// The address.
    #[error("the address is missing or is not one such as 192.168.4.2:8443; read it from the board again")]
    Address,
    /// The fingerprint.
    #[error("the trailer's fingerprint is missing or cut; photograph the square again")]
    Fingerprint,
    /// The code.
    #[error("a code has {CODE_LEN} letters and figures, without 0, O, 1 and I; read it from the board again")]
    Code,
}

/// SHA-256 of a certificate's SubjectPublicKeyInfo: what a tablet pins. It outlives the certificate.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Fingerprint(pub [u8; 32]);

impl Fingerprint {
    /// From 64 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let mut out = [0; 32];
        hex::decode_to_slice(text, &mut out).ok()?;
        Some(Self(out))
    }

    /// Lower-case hexadecimal.
    pub fn to_hex(self) -> String {
        hex::encode(self.0)
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_hex())
    }
}

impl fmt::Debug for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Fingerprint({})", &self.to_hex()[..8])
    }
}

/// A one-time code in its normal form. `Debug` doesn't show it.
#[derive(Clone, PartialEq, Eq)]
pub struct Code(String);

impl Code {
    /// From random bytes, which the caller draws.
    pub fn from_random(random: [u8; CODE_LEN]) -> Self {
        // 256 is a multiple of 32: every character is equally likely.
        Self(random.iter().map(|b| char::from(ALPHABET[usize::from(b % 32)])).collect())
    }

    /// Reads a code as typed: small letters, spaces and dashes are fine.
    ///
    /// # Errors
    /// [`PairText::Code`] where it is none.
    pub fn parse(text: &str) -> Result<Self, PairText> {
        let code: String = text.chars().filter(|c| !c.is_whitespace() && *c != '-').map(|c| c.to_ascii_uppercase()).collect();
        let good = code.len() == CODE_LEN && code.bytes().all(|b| ALPHABET.contains(&b));
        if good { Ok(Self(code)) } else { Err(PairText::Code) }
    }

    /// The ten characters.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// In two halves, as it is shown: `ABCDE-FGH23`.
    pub fn shown(&self) -> String {
        let (left, right) = self.0.split_at(CODE_LEN / 2);
        format!("{left}-{right}")
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Code(..)")
    }
}

/// Where the trailer is: `host:port`, and nothing else that a URL could smuggle in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Address(String);

impl Address {
    /// Reads `host:port`, `[v6]:port` or a host alone, which takes [`DEFAULT_PORT`].
    ///
    /// # Errors
    /// [`PairText::Address`] where it is none.
    pub fn parse(text: &str) -> Result<Self, PairText> {
        let text = text.trim();
        let text = text.strip_prefix("https://").unwrap_or(text).trim_end_matches('/');
        let (host, port) = match text.rsplit_once(':') {
            _ if text.ends_with(']') => (text, None),
            Some((host, port)) => (host, Some(port)),
            None => (text, None),
        };
        let port = match port {
            Some(port) if !port.is_empty() && port.bytes().all(|b| b.is_ascii_digit()) => {
                port.parse().ok().filter(|p| *p > 0).ok_or(PairText::Address)?
            }
            Some(_) => return Err(PairText::Address),
            None => DEFAULT_PORT,
        };
        if is_host(host) { Ok(Self(format!("{host}:{port}"))) } else { Err(PairText::Address) }
    }

    /// `host:port`.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

fn is_host(host: &str) -> bool {
    if let Some(v6) = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')) {
        return v6.parse::<std::net::Ipv6Addr>().is_ok();
    }
    (1..=253).contains(&host.len())
        && host.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'.' || b == b'-')
        && !host.starts_with(['.', '-'])
}

/// What the square on the board says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invitation {
    /// Where the trailer is.
    pub address: Address,
    /// Its key; `None` where address and code were typed by hand.
    pub fingerprint: Option<Fingerprint>,
    /// The one-time code.
    pub code: Code,
}

impl Invitation {
    /// Reads the QR text. Unknown parameters are tolerated, so that it may grow.
    ///
    /// # Errors
    /// [`PairText`] with what is wrong.
    pub fn parse(text: &str) -> Result<Self, PairText> {
        let rest = text.trim().strip_prefix(START).ok_or(PairText::NotOurs)?;
        let find = |name: &str| rest.split('&').find_map(|pair| pair.split_once('=').filter(|(n, _)| *n == name)).map(|(_, v)| v);
        Ok(Self {
            address: Address::parse(find("a").ok_or(PairText::Address)?)?,
            fingerprint: Some(find("f").and_then(Fingerprint::from_hex).ok_or(PairText::Fingerprint)?),
            code: Code::parse(find("c").ok_or(PairText::Code)?)?,
        })
    }

    /// Address and code as typed by hand.
    ///
    /// # Errors
    /// [`PairText`] with what is wrong.
    pub fn by_hand(address: &str, code: &str) -> Result<Self, PairText> {
        Ok(Self { address: Address::parse(address)?, fingerprint: None, code: Code::parse(code)? })
    }
}

/// The QR text of the board.
pub fn qr_text(address: &Address, fingerprint: &Fingerprint, code: &Code) -> String {
    format!("{START}a={address}&f={fingerprint}&c={}", code.as_str())
}

/// What the tablet proves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TabletSaw<'a> {
    /// The key of whoever answered, as the tablet saw it in the handshake.
    pub fingerprint: Fingerprint,
    /// The tablet's public key.
    pub key: &'a VerifyingKey,
    /// The tablet.
    pub device: DeviceId,
    /// Its name.
    pub name: &'a str,
    /// The nonce of this attempt.
    pub nonce: [u8; 32],
}

/// The tablet's request with its proofs: that it knows the code, and that it holds the key it asks to be paired under.
/// `key` is the secret half of `saw.key`.
pub fn request(code: &Code, saw: &TabletSaw<'_>, key: &SigningKey) -> PairRequest {
    let proof = tablet_proof(&stretch(code, saw), saw);
    PairRequest {
        code_proof: hex::encode(proof.as_bytes()),
        key: *saw.key,
        device: saw.device,
        name: saw.name.to_owned(),
        nonce: hex::encode(saw.nonce),
        key_sig: key.sign_bytes(POSSESSION, &transcript(saw, &proof)),
    }
}

/// The trailer's side: does the proof show that the tablet knows `code` and saw this trailer's own key, and does the
/// signature show that it holds the key it asks to be paired under?
/// Stretching takes some milliseconds and 8 MiB: call it off the async threads, and bound the attempts.
pub fn proof_fits(code: &Code, own: &Fingerprint, request: &PairRequest) -> bool {
    let (Some(saw), Some(given)) = (saw(own, request), digest(&request.code_proof)) else { return false };
    // The cheap check first; blake3::Hash compares in constant time.
    request.key.verify_bytes(POSSESSION, &transcript(&saw, &given), &request.key_sig).is_ok()
        && tablet_proof(&stretch(code, &saw), &saw) == given
}

/// The trailer's side: what it gives, with its own proof. `reply.proof` is filled in.
/// Gives `None` where the request is malformed (then [`proof_fits`] said no).
pub fn reply(code: &Code, own: &Fingerprint, request: &PairRequest, mut reply: PairReply) -> Option<PairReply> {
    let saw = saw(own, request)?;
    reply.proof = hex::encode(trailer_proof(&stretch(code, &saw), &saw, &reply).as_bytes());
    Some(reply)
}

/// The tablet's side: did the trailer prove that it knows the code, over everything it gave?
pub fn reply_fits(code: &Code, saw: &TabletSaw<'_>, reply: &PairReply) -> bool {
    digest(&reply.proof).is_some_and(|given| trailer_proof(&stretch(code, saw), saw, reply) == given)
}

fn saw<'a>(own: &Fingerprint, request: &'a PairRequest) -> Option<TabletSaw<'a>> {
    let nonce = Fingerprint::from_hex(&request.nonce)?.0;
    Some(TabletSaw { fingerprint: *own, key: &request.key, device: request.device, name: &request.name, nonce })
}

fn digest(text: &str) -> Option<blake3::Hash> {
    Fingerprint::from_hex(text).map(|bytes| blake3::Hash::from(bytes.0))
}

/// Argon2id with 8 MiB and one pass; salted with the attempt, so that nothing can be computed ahead.
fn stretch(code: &Code, saw: &TabletSaw<'_>) -> [u8; 32] {
    let mut salt = saw.nonce.to_vec();
    salt.extend_from_slice(&saw.fingerprint.0);
    let salt = blake3::derive_key(SALT, &salt);
    let mut key = [0; 32];
    let params = argon2::Params::new(8 * 1024, 1, 1, Some(32)).unwrap_or(argon2::Params::DEFAULT);
    let argon = argon2::Argon2::new(argon2::Algorithm::Argon2id, argon2::Version::V0x13, params);
    argon
        .hash_password_into(code.0.as_bytes(), &salt, &mut key)
        .expect("ten characters, a 32-byte salt and a 32-byte key are within Argon2's bounds");
    key
}

fn what_was_seen(out: &mut Encoder, saw: &TabletSaw<'_>) {
    out.bytes(&saw.fingerprint.0);
    out.bytes(&saw.key.to_bytes());
    out.bytes(&saw.device.0);
    out.text(saw.name);
    out.bytes(&saw.nonce);
}

fn tablet_proof(key: &[u8; 32], saw: &TabletSaw<'_>) -> blake3::Hash {
    let mut out = Encoder::default();
    out.array(6);
    out.text(TABLET);
    what_was_seen(&mut out, saw);
    blake3::keyed_hash(key, &out.into_bytes())
}

/// What the tablet signs: all it saw and said, with its proof of the code.
fn transcript(saw: &TabletSaw<'_>, proof: &blake3::Hash) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(6);
    what_was_seen(&mut out, saw);
    out.bytes(proof.as_bytes());
    out.into_bytes()
}

fn trailer_proof(key: &[u8; 32], saw: &TabletSaw<'_>, reply: &PairReply) -> blake3::Hash {
    let mut out = Encoder::default();
    out.array(10);
    out.text(TRAILER);
    what_was_seen(&mut out, saw);
    out.text(&reply.token);
    out.bytes(&reply.site.0);
    out.text(&reply.name);
    out.bytes(&reply.server_key.to_bytes());
    blake3::keyed_hash(key, &out.into_bytes())
}
