//! The server's certificates: a small own CA made once, and a leaf that browsers and tablets see.
//!
//! Two kinds of guest, two kinds of trust. A **tablet** pins the leaf's public key (SHA-256 of its SubjectPublicKeyInfo,
//! carried by the pairing code), so the leaf's key is kept for ever and the leaf may be renewed freely. A **browser**
//! is told once to trust the CA. The CA can vouch for addresses inside a local network only (name constraints), so that
//! trusting it, or losing its key, opens nothing on the internet.

use crate::files::{read_if_there, write_private};
use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DistinguishedName, DnType, ExtendedKeyUsagePurpose, GeneralSubtree, IsCa, Issuer,
    KeyPair, KeyUsagePurpose, NameConstraints, PublicKeyData, date_time_ymd,
};
use ring::digest::{SHA256, digest};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer};
use serde::{Deserialize, Serialize};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// A leaf lives this long. Phones refuse longer ones (397 days is the usual limit; from memory).
const LEAF_DAYS: u64 = 396;
/// It is renewed when fewer days than this are left.
const RENEW_DAYS: u64 = 90;
const DAY_S: u64 = 86_400;
/// A trailer's clock may be wrong when the leaf is made, a phone's when it is shown.
const BACKDATE_DAYS: u64 = 30;

/// Networks the CA may vouch for: private, loopback and link-local ranges (RFC 1918, 6598, 3927, 4193, 4291).
const LOCAL_NETS: [(&str, u8); 9] = [
    ("10.0.0.0", 8),
    ("172.16.0.0", 12),
    ("192.168.0.0", 16),
    ("127.0.0.0", 8),
    ("169.254.0.0", 16),
    ("100.64.0.0", 10),
    ("::1", 128),
    ("fc00::", 7),
    ("fe80::", 10),
];
/// Domains the CA may vouch for beside the machine's own name.
const LOCAL_DOMAINS: [&str; 4] = ["localhost", "local", "home.arpa", "internal"];

/// Why there is no certificate.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CertError {
    /// The folder cannot be read or written.
    #[error(
        "The server's keys in {0} cannot be read or written: {1}. Nothing was changed. Check the folder's owner and the free disk space, then start again."
    )]
    Files(PathBuf, #[source] std::io::Error),
    /// Making or reading a certificate failed.
    #[error(
        "The server's certificate could not be made or read: {0}. The records are safe. Restore the folder tls from a backup; a new one means pairing every tablet again."
    )]
    Rcgen(#[from] rcgen::Error),
    /// A file does not hold what it should.
    #[error("{0} is damaged. The records are safe. Restore it from a backup; a new one means pairing every tablet again.")]
    Damaged(PathBuf),
    /// The TLS library refused the certificate.
    #[error("The server's certificate is not accepted: {0}")]
    Tls(#[from] rustls::Error),
}

/// What is remembered about the CA and the leaf beside the certificates themselves.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Known {
    /// Machine name the CA may vouch for, fixed when it was made.
    machine: String,
    /// Names and addresses in the leaf.
    names: Vec<String>,
    /// End of the leaf, seconds since 1970.
    until_s: u64,
}

/// The certificates of one data folder.
pub struct Certs {
    folder: PathBuf,
    ca_key: KeyPair,
    ca_pem: String,
    leaf_key: KeyPair,
    leaf_pem: String,
    known: Known,
}

impl Certs {
    /// Opens the folder, making what is missing. `names` are this machine's host names and addresses; what lies outside
    /// a local network is left out. A leaf that is old or lacks one of the names is signed anew, with the same key.
    ///
    /// # Errors
    /// [`CertError`]; keys that exist are never overwritten.
    pub fn open(folder: &Path, machine: &str, names: &[String], now_s: u64) -> Result<Self, CertError> {
        let files = |e| CertError::Files(folder.to_owned(), e);
        std::fs::create_dir_all(folder).map_err(files)?;
        let ca_key = key(folder, "ca.key")?;
        let leaf_key = key(folder, "leaf.key")?;
        let read = |name: &str| read_if_there(&folder.join(name)).map_err(files);
        let known: Option<Known> = read("known.json")?.and_then(|b| serde_json::from_slice(&b).ok());
        let machine = known.as_ref().map_or_else(|| dns_label(machine), |k| k.machine.clone());
        let ca_pem = match read("ca.crt")? {
            Some(pem) => String::from_utf8(pem).map_err(|_| CertError::Damaged(folder.join("ca.crt")))?,
            None => {
                let pem = ca_params(&ca_key, &machine).self_signed(&ca_key)?.pem();
                write_private(&folder.join("ca.crt"), pem.as_bytes()).map_err(files)?;
                pem
            }
        };
        let leaf_pem = read("leaf.crt")?.and_then(|b| String::from_utf8(b).ok()).unwrap_or_default();
        let known = known.unwrap_or(Known { machine, names: Vec::new(), until_s: 0 });
        let mut certs = Self { folder: folder.to_owned(), ca_key, ca_pem, leaf_key, leaf_pem, known };
        certs.renew(names, now_s)?;
        Ok(certs)
    }

    /// Signs a new leaf where the old one lacks a name or nears its end; true if it did.
    ///
    /// # Errors
    /// [`CertError`]; the old leaf then still stands.
    pub fn renew(&mut self, names: &[String], now_s: u64) -> Result<bool, CertError> {
        let wanted = self.allowed(names);
        let lacks = wanted.iter().any(|n| !self.known.names.contains(n));
        if !self.leaf_pem.is_empty() && !lacks && now_s + RENEW_DAYS * DAY_S < self.known.until_s {
            return Ok(false);
        }
        let mut params = CertificateParams::new(wanted.clone())?;
        params.distinguished_name = DistinguishedName::new();
        params.distinguished_name.push(DnType::CommonName, "Tubewright trailer");
        let epoch = date_time_ymd(1970, 1, 1);
        params.not_before = epoch + Duration::from_secs(now_s.saturating_sub(BACKDATE_DAYS * DAY_S));
        let until_s = now_s + (LEAF_DAYS - BACKDATE_DAYS) * DAY_S;
        params.not_after = epoch + Duration::from_secs(until_s);
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        // The CA's parameters are made again from its key and name: subject and key identifier come out the same.
        let ca = ca_params(&self.ca_key, &self.known.machine);
        let pem = params.signed_by(&self.leaf_key, &Issuer::from_params(&ca, &self.ca_key))?.pem();
        let known = Known { machine: self.known.machine.clone(), names: wanted, until_s };
        let files = |e| CertError::Files(self.folder.clone(), e);
        write_private(&self.folder.join("leaf.crt"), pem.as_bytes()).map_err(files)?;
        let text = serde_json::to_vec(&known).unwrap_or_default();
        write_private(&self.folder.join("known.json"), &text).map_err(files)?;
        (self.leaf_pem, self.known) = (pem, known);
        Ok(true)
    }

    /// SHA-256 of the leaf's SubjectPublicKeyInfo: what a tablet pins. It never changes.
    pub fn pin(&self) -> [u8; 32] {
        sha256(&self.leaf_key.subject_public_key_info())
    }

    /// The CA's certificate, PEM: what a browser is told to trust.
    pub fn ca_pem(&self) -> &str {
        &self.ca_pem
    }

    /// SHA-256 of the CA's certificate, as phones and PCs show it.
    ///
    /// # Errors
    /// `Damaged` when the stored certificate cannot be read.
    pub fn ca_fingerprint(&self) -> Result<[u8; 32], CertError> {
        Ok(sha256(self.der(&self.ca_pem, "ca.crt")?.as_ref()))
    }

    /// Names and addresses in the leaf.
    pub fn names(&self) -> &[String] {
        &self.known.names
    }

    /// What the TLS listener serves: the leaf, TLS 1.3 and 1.2, HTTP/2 and 1.1.
    ///
    /// # Errors
    /// [`CertError`] when key and certificate do not fit together.
    pub fn tls(&self) -> Result<Arc<rustls::ServerConfig>, CertError> {
        let leaf = self.der(&self.leaf_pem, "leaf.crt")?;
        let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(self.leaf_key.serialize_der()));
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = rustls::ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_single_cert(vec![leaf], key)?;
        config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
        Ok(Arc::new(config))
    }

    fn der(&self, pem: &str, file: &str) -> Result<CertificateDer<'static>, CertError> {
        CertificateDer::from_pem_slice(pem.as_bytes()).map_err(|_| CertError::Damaged(self.folder.join(file)))
    }

    /// The wanted names that the CA may vouch for, sorted. One name outside its limits would spoil the whole leaf.
    fn allowed(&self, names: &[String]) -> Vec<String> {
        let mut all = vec!["localhost".to_owned(), "127.0.0.1".to_owned(), "::1".to_owned()];
        if !self.known.machine.is_empty() {
            all.push(self.known.machine.clone());
            all.push(format!("{}.local", self.known.machine));
        }
        all.extend(names.iter().filter(|n| n.parse().is_ok_and(|ip| local_net(ip).is_some())).cloned());
        all.sort();
        all.dedup();
        all
    }
}

/// The local network an address lies in, if any.
pub fn local_net(ip: IpAddr) -> Option<(IpAddr, u8)> {
    LOCAL_NETS.iter().find_map(|(net, bits)| {
        let net: IpAddr = net.parse().ok()?;
        let same = match (net, ip) {
            (IpAddr::V4(a), IpAddr::V4(b)) => (u32::from(a) ^ u32::from(b)).leading_zeros() >= u32::from(*bits),
            (IpAddr::V6(a), IpAddr::V6(b)) => (u128::from(a) ^ u128::from(b)).leading_zeros() >= u32::from(*bits),
            _ => false,
        };
        same.then_some((net, *bits))
    })
}

/// SHA-256.
pub fn sha256(bytes: &[u8]) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(digest(&SHA256, bytes).as_ref());
    out
}

fn ca_params(key: &KeyPair, machine: &str) -> CertificateParams {
    let mut params = CertificateParams::default();
    let mark = hex::encode(&sha256(&key.subject_public_key_info())[..4]);
    params.distinguished_name = DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, format!("Tubewright trailer CA {mark}"));
    // Fixed dates: a trailer or a phone whose clock stands years off must still open the board.
    params.not_before = date_time_ymd(2020, 1, 1);
    params.not_after = date_time_ymd(2050, 1, 1);
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    let mut permitted: Vec<GeneralSubtree> = LOCAL_NETS
        .iter()
        .filter_map(|(net, bits)| Some(GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(net.parse().ok()?, *bits))))
        .collect();
    permitted.extend(LOCAL_DOMAINS.iter().map(|d| GeneralSubtree::DnsName((*d).to_owned())));
    if !machine.is_empty() {
        permitted.push(GeneralSubtree::DnsName(machine.to_owned()));
    }
    params.name_constraints = Some(NameConstraints { permitted_subtrees: permitted, excluded_subtrees: Vec::new() });
    params
}

fn key(folder: &Path, name: &str) -> Result<KeyPair, CertError> {
    let path = folder.join(name);
    let files = |e| CertError::Files(path.clone(), e);
    if let Some(pem) = read_if_there(&path).map_err(files)? {
        let text = String::from_utf8(pem).map_err(|_| CertError::Damaged(path.clone()))?;
        return KeyPair::from_pem(&text).map_err(|_| CertError::Damaged(path));
    }
    let made = KeyPair::generate()?;
    write_private(&path, made.serialize_pem().as_bytes()).map_err(files)?;
    Ok(made)
}

/// A host name as one DNS label, or empty where nothing of it can be used.
fn dns_label(name: &str) -> String {
    let first = name.split('.').next().unwrap_or_default().to_ascii_lowercase();
    let ok = !first.is_empty()
        && first.len() <= 63
        && !first.starts_with('-')
        && !first.ends_with('-')
        && first.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
        && !LOCAL_DOMAINS.contains(&first.as_str());
    if ok { first } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustls::client::WebPkiServerVerifier;
    use rustls::client::danger::ServerCertVerifier;
    use rustls::pki_types::{ServerName, UnixTime};

    const NOW: u64 = 1_790_000_000;

    fn judge(certs: &Certs, ca: &str, name: &str, now_s: u64) -> Result<(), rustls::Error> {
        let mut roots = rustls::RootCertStore::empty();
        roots.add(CertificateDer::from_pem_slice(ca.as_bytes()).unwrap()).unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider).build().unwrap();
        let leaf = certs.der(&certs.leaf_pem, "leaf.crt").unwrap();
        let name = ServerName::try_from(name.to_owned()).unwrap();
        verifier.verify_server_cert(&leaf, &[], &name, &[], UnixTime::since_unix_epoch(Duration::from_secs(now_s))).map(|_| ())
    }

    #[test]
    fn the_leaf_is_vouched_for_by_the_ca_and_by_no_other() {
        let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let names = ["192.168.7.20".to_owned(), "8.8.8.8".to_owned(), "fe80::1".to_owned()];
        let certs = Certs::open(one.path(), "Trailer-3.example", &names, NOW).unwrap();
        let other = Certs::open(two.path(), "trailer-3", &names, NOW).unwrap();
        println!("names in the leaf: {:?}", certs.names());
        for name in ["192.168.7.20", "127.0.0.1", "localhost", "trailer-3", "trailer-3.local", "fe80::1"] {
            println!("{name}: {:?}", judge(&certs, certs.ca_pem(), name, NOW));
            judge(&certs, certs.ca_pem(), name, NOW).unwrap();
            assert!(judge(&certs, other.ca_pem(), name, NOW).is_err(), "another CA must not vouch");
        }
        assert!(judge(&certs, certs.ca_pem(), "8.8.8.8", NOW).is_err(), "addresses of the internet are left out");
        assert!(judge(&certs, certs.ca_pem(), "127.0.0.1", NOW + 800 * DAY_S).is_err(), "a leaf ends");
    }

    #[test]
    fn the_ca_cannot_vouch_for_the_internet() {
        let dir = tempfile::tempdir().unwrap();
        let mut certs = Certs::open(dir.path(), "trailer", &[], NOW).unwrap();
        let mut params = CertificateParams::new(vec!["bank.example.com".to_owned()]).unwrap();
        params.use_authority_key_identifier_extension = true;
        let ca = ca_params(&certs.ca_key, "trailer");
        certs.leaf_pem = params.signed_by(&certs.leaf_key, &Issuer::from_params(&ca, &certs.ca_key)).unwrap().pem();
        let got = judge(&certs, certs.ca_pem(), "bank.example.com", NOW);
        println!("{got:?}");
        assert!(got.is_err());
    }

    #[test]
    fn renewal_keeps_the_pin_and_the_ca() {
        let dir = tempfile::tempdir().unwrap();
        let first = Certs::open(dir.path(), "trailer", &["10.0.0.5".to_owned()], NOW).unwrap();
        let same = Certs::open(dir.path(), "renamed", &["10.0.0.5".to_owned()], NOW + DAY_S).unwrap();
        assert_eq!(first.leaf_pem, same.leaf_pem, "nothing changed, nothing signed");
        let moved = Certs::open(dir.path(), "trailer", &["10.0.0.6".to_owned()], NOW + DAY_S).unwrap();
        assert_ne!(first.leaf_pem, moved.leaf_pem, "a new address needs a new leaf");
        let later = Certs::open(dir.path(), "trailer", &["10.0.0.6".to_owned()], NOW + 350 * DAY_S).unwrap();
        assert_ne!(moved.leaf_pem, later.leaf_pem, "an old leaf is renewed");
        judge(&later, first.ca_pem(), "10.0.0.6", NOW + 600 * DAY_S).unwrap();
        for next in [&same, &moved, &later] {
            assert_eq!(first.pin(), next.pin());
            assert_eq!(first.ca_pem(), next.ca_pem());
        }
        later.tls().unwrap();
    }

    #[test]
    fn a_damaged_key_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        drop(Certs::open(dir.path(), "trailer", &[], NOW).unwrap());
        std::fs::write(dir.path().join("leaf.key"), "not a key").unwrap();
        let got = Certs::open(dir.path(), "trailer", &[], NOW).map(|_| ()).unwrap_err();
        println!("{got}");
        assert_eq!(std::fs::read(dir.path().join("leaf.key")).unwrap(), b"not a key");
    }
}
