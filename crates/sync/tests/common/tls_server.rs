//! A small real TLS server on loopback: answers every request alike and counts what reached it.
#![allow(dead_code)]

use rcgen::{CertificateParams, KeyPair, date_time_ymd};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// Method and path, headers, body of a request.
#[derive(Clone, Debug)]
pub struct Request {
    pub line: String,
    pub head: String,
    pub body: Vec<u8>,
}

/// Status, extra headers, body of the answer.
pub type Answer = (u16, String, Vec<u8>);
/// Instead of a status: the line is cut within the answer, without a word.
pub const CUT: u16 = 0;
/// The line is closed within the answer, as TLS closes it.
pub const CLOSED: u16 = 1;
/// Nothing is ever answered, and the line stays open.
pub const SILENT: u16 = 2;
/// The answer comes one byte at a time and never ends.
pub const DRIP: u16 = 3;
type Handler = dyn FnMut(&Request) -> Answer + Send;

/// A key with a certificate around it.
pub struct Identity {
    pub key: KeyPair,
    pub cert: CertificateDer<'static>,
}

impl Identity {
    pub fn new() -> Self {
        Self::around(KeyPair::generate().expect("a key"), 2020, 2090)
    }

    /// Another certificate around a key.
    pub fn around(key: KeyPair, from: i32, to: i32) -> Self {
        let mut params = CertificateParams::new(vec!["trailer.invalid".to_owned()]).expect("a name");
        params.not_before = date_time_ymd(from, 1, 1);
        params.not_after = date_time_ymd(to, 1, 1);
        let cert = params.self_signed(&key).expect("signed").der().clone();
        Self { key, cert }
    }

    pub fn fingerprint(&self) -> sync::pairing::Fingerprint {
        sync::tls::fingerprint(&self.cert).expect("a certificate")
    }
}

pub struct Server {
    pub addr: SocketAddr,
    /// Requests that arrived whole.
    pub requests: Arc<Mutex<Vec<Request>>>,
    /// Connections accepted, handshake or not.
    pub connections: Arc<AtomicUsize>,
    /// Bytes of requests that could be read, whole requests or not.
    pub bytes: Arc<AtomicUsize>,
    stop: Arc<AtomicBool>,
}

impl Server {
    /// Serves with the certificate shown and the key that signs the handshake; they may differ, as a forger's would.
    pub fn start(cert: CertificateDer<'static>, key: &KeyPair, handler: Box<Handler>) -> Self {
        let key = PrivateKeyDer::try_from(key.serialize_der()).expect("a key");
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let signer = provider.key_provider.load_private_key(key).expect("a key");
        // `with_single_cert` would refuse a key that does not fit its certificate: a forger is not so careful.
        let resolver = Fixed(Arc::new(rustls::sign::CertifiedKey::new(vec![cert], signer)));
        let config = rustls::ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions")
            .with_no_client_auth()
            .with_cert_resolver(Arc::new(resolver));
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let server = Self {
            addr: listener.local_addr().expect("an address"),
            requests: Arc::default(),
            connections: Arc::default(),
            bytes: Arc::default(),
            stop: Arc::default(),
        };
        let (requests, connections, stop) = (server.requests.clone(), server.connections.clone(), server.stop.clone());
        let bytes = server.bytes.clone();
        let handler = Arc::new(Mutex::new(handler));
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if stop.load(Ordering::SeqCst) {
                    return;
                }
                connections.fetch_add(1, Ordering::SeqCst);
                let (config, requests, handler) = (Arc::new(config.clone()), requests.clone(), handler.clone());
                let bytes = bytes.clone();
                std::thread::spawn(move || serve(stream, config, &requests, &handler, &bytes));
            }
        });
        server
    }

    pub fn address(&self) -> sync::pairing::Address {
        sync::pairing::Address::parse(&self.addr.to_string()).expect("an address")
    }

    /// Bytes of requests that anybody behind this server could read.
    pub fn bytes(&self) -> usize {
        self.bytes.load(Ordering::SeqCst)
    }

    pub fn count(&self) -> usize {
        self.requests.lock().expect("lock").len()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        let _ = TcpStream::connect(self.addr);
    }
}

#[derive(Debug)]
struct Fixed(Arc<rustls::sign::CertifiedKey>);

impl rustls::server::ResolvesServerCert for Fixed {
    fn resolve(&self, _hello: rustls::server::ClientHello<'_>) -> Option<Arc<rustls::sign::CertifiedKey>> {
        Some(self.0.clone())
    }
}

fn serve(
    stream: TcpStream,
    config: Arc<rustls::ServerConfig>,
    requests: &Mutex<Vec<Request>>,
    handler: &Mutex<Box<Handler>>,
    bytes: &AtomicUsize,
) {
    let Ok(connection) = rustls::ServerConnection::new(config) else { return };
    let mut tls = rustls::StreamOwned::new(connection, stream);
    while let Some(request) = read_request(&mut tls, bytes) {
        requests.lock().expect("lock").push(request.clone());
        let (status, headers, body) = handler.lock().expect("lock")(&request);
        let promised = b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n{";
        match status {
            CUT | CLOSED => {
                // A body is promised and does not come.
                let _ = tls.write_all(promised).and_then(|()| tls.flush());
                if status == CLOSED {
                    tls.conn.send_close_notify();
                    let _ = tls.flush();
                }
                return;
            }
            SILENT => {
                let _ = tls.read(&mut [0; 1]);
                return;
            }
            DRIP => {
                let _ = tls.write_all(promised);
                while tls.write_all(b" ").and_then(|()| tls.flush()).is_ok() {
                    std::thread::sleep(std::time::Duration::from_millis(50));
                }
                return;
            }
            _ => {}
        }
        let head = format!("HTTP/1.1 {status} X\r\nContent-Length: {}\r\n{headers}\r\n", body.len());
        if tls.write_all(head.as_bytes()).and_then(|()| tls.write_all(&body)).and_then(|()| tls.flush()).is_err() {
            return;
        }
    }
}

fn read_request(tls: &mut impl Read, read: &AtomicUsize) -> Option<Request> {
    let (mut bytes, mut piece) = (Vec::new(), [0; 16_384]);
    loop {
        if let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
            let length = head.lines().find_map(|l| l.to_ascii_lowercase().strip_prefix("content-length:").map(|v| v.trim().to_owned()));
            let length: usize = length.map_or(0, |v| v.parse().expect("a length"));
            if bytes.len() >= end + 4 + length {
                let line = head.lines().next().unwrap_or_default().to_owned();
                return Some(Request { line, head, body: bytes[end + 4..end + 4 + length].to_vec() });
            }
        }
        match tls.read(&mut piece) {
            Ok(n) if n > 0 => {
                read.fetch_add(n, Ordering::SeqCst);
                bytes.extend_from_slice(&piece[..n]);
            }
            _ => return None,
        }
    }
}
