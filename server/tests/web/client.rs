//! A small HTTP/1.1 client that trusts one CA and nothing else: what a phone does once it was told to trust the trailer.

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use serde_json::Value as Json;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::Duration;

pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn json(&self) -> Json {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().filter_map(|l| l.split_once(':')).find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.trim())
    }

    /// The code of a fault; the sentence must be there too.
    pub fn code(&self) -> String {
        let json = self.json();
        assert!(json["words"].as_str().is_some_and(|w| w.len() > 20), "a fault needs a sentence: {json}");
        assert_eq!(json["status"], self.status);
        json["code"].as_str().unwrap_or_default().to_owned()
    }
}

/// One request over TLS.
pub fn tls(at: SocketAddr, ca_pem: &str, request: &[u8]) -> std::io::Result<Answer> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(CertificateDer::from_pem_slice(ca_pem.as_bytes()).unwrap()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    let config = Arc::new(config.with_root_certificates(roots).with_no_client_auth());
    let session = rustls::ClientConnection::new(config, ServerName::from(at.ip())).unwrap();
    talk(rustls::StreamOwned::new(session, connect(at)?), request)
}

/// One request in the clear.
pub fn plain(at: SocketAddr, request: &[u8]) -> std::io::Result<Answer> {
    talk(connect(at)?, request)
}

fn connect(at: SocketAddr) -> std::io::Result<TcpStream> {
    let stream = TcpStream::connect(at)?;
    stream.set_read_timeout(Some(Duration::from_secs(60)))?;
    Ok(stream)
}

fn talk(mut stream: impl Read + Write, request: &[u8]) -> std::io::Result<Answer> {
    // A server may refuse before it has read all: then its answer is what counts, not that it stopped listening.
    let wrote = stream.write_all(request).and_then(|()| stream.flush());
    let mut all = Vec::new();
    let mut piece = [0; 16 * 1024];
    // Not to the end of the connection: a server that refuses a long body early leaves it open for a while.
    while !whole(&all) {
        match stream.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => all.extend_from_slice(&piece[..n]),
            Err(e) if all.is_empty() => return wrote.and(Err(e)),
            Err(_) => break,
        }
    }
    let cut = all.windows(4).position(|w| w == b"\r\n\r\n").ok_or_else(|| std::io::Error::other("no answer"))?;
    let head = String::from_utf8_lossy(&all[..cut]).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).ok_or_else(|| std::io::Error::other("no status"))?;
    let body = all.split_off(cut + 4);
    let chunked = head.to_ascii_lowercase().contains("transfer-encoding: chunked");
    Ok(Answer { status, head, body: if chunked { unchunked(&body) } else { body } })
}

/// True when the answer's own length says that all of it is here.
fn whole(all: &[u8]) -> bool {
    let Some(cut) = all.windows(4).position(|w| w == b"\r\n\r\n") else { return false };
    let head = String::from_utf8_lossy(&all[..cut]).to_ascii_lowercase();
    let told = head.lines().filter_map(|l| l.strip_prefix("content-length:")).find_map(|v| v.trim().parse::<usize>().ok());
    told.is_some_and(|n| all.len() - cut - 4 >= n)
}

fn unchunked(mut rest: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    while let Some(line) = rest.windows(2).position(|w| w == b"\r\n") {
        let size = usize::from_str_radix(std::str::from_utf8(&rest[..line]).unwrap().trim(), 16).unwrap();
        rest = &rest[line + 2..];
        out.extend_from_slice(&rest[..size]);
        rest = &rest[size + 2..];
        if size == 0 {
            break;
        }
    }
    out
}
