//! Every case of pin and certificate that could be thought of, each with what the tablet does: it speaks to the one key it
//! learned at pairing, whatever name, date or issuer stands around it, and to nobody else. To a wrong key not one byte of a
//! request is sent: the other side counts what it can read.

#[path = "common/tls_server.rs"]
mod tls_server;

use rcgen::{CertificateParams, KeyPair, PKCS_ECDSA_P384_SHA384, PKCS_ED25519, date_time_ymd};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::server::ResolvesServerCert;
use rustls::sign::CertifiedKey;
use rustls::{ClientConnection, ServerConfig, ServerConnection, SupportedProtocolVersion};
use std::io::{Read, Write};
use std::sync::Arc;
use sync::pairing::Fingerprint;
use sync::tls;
use tls_server::Identity;

const SECRET: &[u8] = b"POST /api/sync/hello HTTP/1.1\r\nAuthorization: Bearer a-token\r\n\r\n";

#[derive(Debug)]
struct Shows(Arc<CertifiedKey>);

impl ResolvesServerCert for Shows {
    fn resolve(&self, _hello: rustls::server::ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.0.clone())
    }
}

/// A server that shows this chain and signs with this key, whether they fit or not.
fn server(chain: Vec<CertificateDer<'static>>, key: &KeyPair, versions: &[&'static SupportedProtocolVersion]) -> Arc<ServerConfig> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let signer = provider.key_provider.load_private_key(PrivateKeyDer::try_from(key.serialize_der()).expect("a key")).expect("a key");
    let config = ServerConfig::builder_with_provider(provider).with_protocol_versions(versions).expect("versions");
    Arc::new(config.with_no_client_auth().with_cert_resolver(Arc::new(Shows(Arc::new(CertifiedKey::new(chain, signer))))))
}

const ONLY_13: &[&SupportedProtocolVersion] = &[&rustls::version::TLS13];
const ONLY_12: &[&SupportedProtocolVersion] = &[&rustls::version::TLS12];
const BOTH: &[&SupportedProtocolVersion] = &[&rustls::version::TLS12, &rustls::version::TLS13];

/// A client with a pin, as the tablet's.
struct Side {
    config: Arc<rustls::ClientConfig>,
    seen: Arc<tls::Seen>,
}

impl Side {
    fn new(pin: Option<Fingerprint>) -> Self {
        let (config, seen) = tls::config(pin).expect("a configuration");
        Self { config: Arc::new(config), seen }
    }

    /// Shakes hands in memory with a request waiting. Gives whether it succeeded, and how much of the request the other side read.
    fn speak(&self, server: &Arc<ServerConfig>, change: &dyn Fn(usize, &mut Vec<u8>)) -> (bool, usize) {
        let name = ServerName::try_from("192.168.4.2").expect("a name");
        let mut client = ClientConnection::new(self.config.clone(), name).expect("a client");
        let mut server = ServerConnection::new(server.clone()).expect("a server");
        client.writer().write_all(SECRET).expect("waits");
        let (mut read, mut flight) = (0, 0);
        for _ in 0..12 {
            let mut out = Vec::new();
            while client.wants_write() {
                client.write_tls(&mut out).expect("in memory");
            }
            let mut rest = &out[..];
            while !rest.is_empty() && server.read_tls(&mut rest).is_ok_and(|n| n > 0) {
                if server.process_new_packets().is_err() {
                    break;
                }
                let mut plain = Vec::new();
                let _ = server.reader().read_to_end(&mut plain);
                read += plain.len();
            }
            let mut back = Vec::new();
            while server.wants_write() {
                server.write_tls(&mut back).expect("in memory");
            }
            if !back.is_empty() {
                flight += 1;
                change(flight, &mut back);
            }
            let mut rest = &back[..];
            while !rest.is_empty() && client.read_tls(&mut rest).is_ok_and(|n| n > 0) {
                if client.process_new_packets().is_err() {
                    return (false, read);
                }
            }
        }
        (!client.is_handshaking() && read == SECRET.len(), read)
    }
}

fn certificate(key: &KeyPair, name: &str, years: (i32, i32)) -> CertificateDer<'static> {
    let mut params = CertificateParams::new(vec![name.to_owned()]).expect("a name");
    (params.not_before, params.not_after) = (date_time_ymd(years.0, 1, 1), date_time_ymd(years.1, 1, 1));
    params.self_signed(key).expect("signed").der().clone()
}

fn pin(certificate: &CertificateDer<'_>) -> Fingerprint {
    tls::fingerprint(certificate).expect("a certificate")
}

struct Table {
    count: usize,
}

impl Table {
    /// A case in which the tablet must speak, or must not have sent one byte.
    fn case(&mut self, what: &str, speaks: bool, got: (bool, usize)) {
        self.count += 1;
        println!("{:>3}  {:<72} {} ({} bytes read there)", self.count, what, if got.0 { "spoken to" } else { "refused" }, got.1);
        assert_eq!(got.0, speaks, "{what}");
        assert!(speaks || got.1 == 0, "{what}: {} bytes reached it", got.1);
    }
}

const NOW: (i32, i32) = (2020, 2090);
fn leave(_: usize, _: &mut Vec<u8>) {}

#[test]
fn every_case_of_pin_and_certificate() {
    let mut table = Table { count: 0 };
    let (ours, other) = (KeyPair::generate().expect("a key"), KeyPair::generate().expect("a key"));
    let cert = certificate(&ours, "trailer.invalid", NOW);
    let theirs = certificate(&other, "trailer.invalid", NOW);
    let pinned = pin(&cert);
    let say = |pin: Fingerprint, chain: Vec<CertificateDer<'static>>, key: &KeyPair| {
        Side::new(Some(pin)).speak(&server(chain, key, ONLY_13), &leave)
    };

    table.case("the pinned key", true, say(pinned, vec![cert.clone()], &ours));
    table.case("another key", false, say(pinned, vec![certificate(&other, "elsewhere.invalid", NOW)], &other));
    table.case("the right name around another key", false, say(pinned, vec![theirs.clone()], &other));
    table.case("the right certificate replayed without its key", false, say(pinned, vec![cert.clone()], &other));
    table.case("another certificate signed with the pinned key's handshake", false, say(pinned, vec![theirs.clone()], &ours));
    table.case("expired long ago, the right key", true, say(pinned, vec![certificate(&ours, "trailer.invalid", (1990, 1991))], &ours));
    table.case(
        "not yet valid for decades, the right key",
        true,
        say(pinned, vec![certificate(&ours, "trailer.invalid", (2089, 2090))], &ours),
    );
    table.case("expired, another key", false, say(pinned, vec![certificate(&other, "trailer.invalid", (1990, 1991))], &other));
    table.case("another name around the right key", true, say(pinned, vec![certificate(&ours, "elsewhere.invalid", NOW)], &ours));
    table.case("renewed around the same key", true, say(pinned, vec![certificate(&ours, "trailer.invalid", (2030, 2031))], &ours));
    table.case("another certificate behind the right one", true, say(pinned, vec![cert.clone(), theirs.clone()], &ours));
    table.case("the right certificate behind another one", false, say(pinned, vec![theirs.clone(), cert.clone()], &other));
    table.case("no certificate at all", false, say(pinned, vec![], &ours));
    table.case("a certificate that is none", false, say(pinned, vec![CertificateDer::from(vec![0x30, 0x03, 1, 2, 3])], &ours));
    table.case("the right certificate cut short", false, say(pinned, vec![CertificateDer::from(cert[..cert.len() - 9].to_vec())], &ours));
    let mut spoilt = cert.to_vec();
    *spoilt.last_mut().expect("bytes") ^= 1;
    table.case(
        "a spoilt issuer's signature around the right key (nobody asks the issuer)",
        true,
        say(pinned, vec![CertificateDer::from(spoilt)], &ours),
    );

    for (algorithm, name) in [(&PKCS_ED25519, "Ed25519"), (&PKCS_ECDSA_P384_SHA384, "ECDSA P-384")] {
        let key = KeyPair::generate_for(algorithm).expect("a key");
        let cert = certificate(&key, "trailer.invalid", NOW);
        table.case(&format!("a pinned {name} key"), true, say(pin(&cert), vec![cert.clone()], &key));
        table.case(&format!("an {name} key where another is pinned"), false, say(pinned, vec![cert], &key));
    }

    let chain = || vec![cert.clone()];
    table.case("TLS 1.2 only, the right key", false, Side::new(Some(pinned)).speak(&server(chain(), &ours, ONLY_12), &leave));
    table.case("TLS 1.2 and 1.3 offered, the right key", true, Side::new(Some(pinned)).speak(&server(chain(), &ours, BOTH), &leave));
    let downgrade = |flight: usize, bytes: &mut Vec<u8>| {
        // The version in the extension "supported versions" of the server's hello: 1.3 is made 1.2.
        if flight == 1
            && let Some(at) = bytes.windows(6).position(|w| w == [0x00, 0x2b, 0x00, 0x02, 0x03, 0x04])
        {
            bytes[at + 5] = 0x03;
        }
    };
    table.case("the version lowered on the way", false, Side::new(Some(pinned)).speak(&server(chain(), &ours, BOTH), &downgrade));
    let flip = |_: usize, bytes: &mut Vec<u8>| {
        let at = bytes.len() - 20;
        bytes[at] ^= 1;
    };
    table.case("a bit flipped in the handshake on the way", false, Side::new(Some(pinned)).speak(&server(chain(), &ours, ONLY_13), &flip));

    // One client over time: its tickets of the right trailer are worth nothing at another, and the other way round.
    let side = Side::new(Some(pinned));
    let (right, wrong) = (server(chain(), &ours, ONLY_13), server(vec![theirs.clone()], &other, ONLY_13));
    table.case("the trailer, first time", true, side.speak(&right, &leave));
    table.case("another at its address, with a ticket of the trailer at hand", false, side.speak(&wrong, &leave));
    assert!(side.seen.take_refused(), "and the reason is known");
    table.case("the trailer again", true, side.speak(&right, &leave));
    let renewed = server(vec![certificate(&ours, "new.invalid", (2040, 2041))], &ours, ONLY_13);
    table.case("the trailer with a renewed certificate, begun anew", true, side.speak(&renewed, &leave));

    // Typed by hand: the first key seen is kept.
    let by_hand = Side::new(None);
    table.case("no pin yet: the first key is taken note of", true, by_hand.speak(&right, &leave));
    assert_eq!(by_hand.seen.fingerprint(), Some(pinned));
    table.case("no pin yet: a second key is refused", false, by_hand.speak(&wrong, &leave));
    println!("{} named cases", table.count);
    assert!(table.count >= 24);
}

/// Each bit of the pin counts.
#[test]
fn every_bit_of_the_pin_is_compared() {
    let identity = Identity::new();
    let server = server(vec![identity.cert.clone()], &identity.key, ONLY_13);
    let right = identity.fingerprint();
    let mut refused = 0;
    for bit in 0..256 {
        let mut pin = right;
        pin.0[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(Side::new(Some(pin)).speak(&server, &leave), (false, 0), "bit {bit}");
        refused += 1;
    }
    assert!(Side::new(Some(right)).speak(&server, &leave).0);
    println!("{refused} pins with one bit changed, each refused with 0 bytes sent");
}

/// The certificate with any byte changed: another key is never taken for the pinned one, and nothing is sent to it.
#[test]
fn no_changed_certificate_passes_for_another_key() {
    let (ours, forger) = (Identity::new(), Identity::new());
    let mut refused = 0;
    for at in 0..ours.cert.len() {
        let mut bytes = ours.cert.to_vec();
        bytes[at] ^= 0x41;
        let server = server(vec![CertificateDer::from(bytes)], &forger.key, ONLY_13);
        assert_eq!(Side::new(Some(ours.fingerprint())).speak(&server, &leave), (false, 0), "byte {at}");
        refused += 1;
    }
    println!("{refused} changed certificates in the hands of a forger: 0 bytes sent to any");
}
