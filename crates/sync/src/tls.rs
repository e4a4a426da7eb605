//! TLS with the trailer: its *key* is pinned, not its name and not its dates.
//!
//! A tablet in a furnace has no certificate authority and a clock that nobody sets. What it can know is the key that it saw
//! at pairing: SHA-256 of the certificate's SubjectPublicKeyInfo. The certificate around the key may expire, be made anew
//! or carry another address; the key stays. The handshake's signature is really checked: whoever replays the public
//! certificate without its secret key gets nowhere.

use crate::pairing::Fingerprint;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::server::ParsedCertificate;
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, Error, SignatureScheme};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

/// Makes ring the process's crypto provider. May be called any number of times; call it first thing in `main`.
pub fn install() {
    // An error only says that one is installed already.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// The fingerprint of a certificate's key, from the certificate's DER; `None` where it can't be read.
pub fn fingerprint(certificate: &[u8]) -> Option<Fingerprint> {
    let der = CertificateDer::from(certificate);
    let parsed = ParsedCertificate::try_from(&der).ok()?;
    let digest = ring::digest::digest(&ring::digest::SHA256, parsed.subject_public_key_info().as_ref());
    Some(Fingerprint(digest.as_ref().try_into().ok()?))
}

/// What the verifier saw; shared with the client that asks why a connection failed.
#[derive(Debug, Default)]
pub struct Seen {
    /// The only key accepted: given at pairing, or the first one seen where none was known.
    pin: OnceLock<Fingerprint>,
    refused: AtomicBool,
}

impl Seen {
    /// The pinned key, once known.
    pub fn fingerprint(&self) -> Option<Fingerprint> {
        self.pin.get().copied()
    }

    /// True if another key was refused since the last call.
    pub fn take_refused(&self) -> bool {
        self.refused.swap(false, Ordering::SeqCst)
    }
}

/// A client configuration that accepts exactly one key. With `None` it accepts the first key it meets and from then on
/// only that one: for pairing by hand, where the proof of the code must then show that it was the right one.
///
/// # Errors
/// Where TLS 1.3 can't be set up with ring, which would be a fault of the build.
pub fn config(pin: Option<Fingerprint>) -> Result<(ClientConfig, Arc<Seen>), Error> {
    let seen = Arc::new(Seen::default());
    if let Some(pin) = pin {
        // A fresh lock is always empty.
        let _ = seen.pin.set(pin);
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = Pinned { seen: Arc::clone(&seen), provider: Arc::clone(&provider) };
    let config = ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&rustls::version::TLS13])?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier))
        .with_no_client_auth();
    Ok((config, seen))
}

#[derive(Debug)]
struct Pinned {
    seen: Arc<Seen>,
    provider: Arc<CryptoProvider>,
}

impl Pinned {
    /// Takes note of a handshake that shows the right certificate without holding its key.
    fn noted(&self, checked: Result<HandshakeSignatureValid, Error>) -> Result<HandshakeSignatureValid, Error> {
        checked.inspect_err(|_| self.seen.refused.store(true, Ordering::SeqCst))
    }
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let shown = fingerprint(end_entity).ok_or(Error::InvalidCertificate(CertificateError::BadEncoding))?;
        if *self.seen.pin.get_or_init(|| shown) == shown {
            return Ok(ServerCertVerified::assertion());
        }
        self.seen.refused.store(true, Ordering::SeqCst);
        Err(Error::InvalidCertificate(CertificateError::ApplicationVerificationFailure))
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.noted(verify_tls12_signature(message, cert, dss, &self.provider.signature_verification_algorithms))
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.noted(verify_tls13_signature(message, cert, dss, &self.provider.signature_verification_algorithms))
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
