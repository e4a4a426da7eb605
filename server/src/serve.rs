//! Starting, listening, stopping.

use crate::args::{Serve, loopback};
use crate::cert::{CertError, Certs, local_net};
use crate::doors::Doors;
use crate::fault::Fault;
use crate::pair;
use crate::routes::router;
use crate::state::{App, Web, off_thread};
use crate::trailer::{Trailer, store_fault};
use crate::web::Listener;
use crate::{backups, mdns, net, trust};
use axum::Router;
use axum_server::Handle;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;

/// How long running requests may take to end when the server is stopped.
const GRACE: Duration = Duration::from_secs(10);
/// Hundredths of a second that connections which were cut off have to let go of the store.
const LET_GO: u32 = 500;
/// A connection that has not sent its first whole request head by then is closed, and so is one that is silent so long between
/// two requests or sends a head so slowly.
const FIRST_REQUEST: Duration = Duration::from_secs(20);
const NEXT_REQUEST: Duration = Duration::from_secs(60);
/// Unfinished uploads to which nothing was added for so long are thrown away; the photos are whole on their tablets.
const UPLOADS_KEPT: Duration = Duration::from_secs(14 * 24 * 3600);
/// How often that is looked at.
const SWEEP: Duration = Duration::from_secs(3600);
/// How often this machine's addresses are looked at, to renew the certificate when they change.
const LOOK: Duration = Duration::from_secs(300);

/// A running server.
pub struct Running {
    /// Where HTTPS listens.
    pub https: SocketAddr,
    /// Where plain HTTP listens, on loopback.
    pub http: SocketAddr,
    /// What all requests share.
    pub app: App,
    /// The certificate shown to guests.
    pub certificate: Arc<Certificate>,
    handle: Handle<SocketAddr>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
    /// What runs beside the requests.
    keepers: Vec<tokio::task::JoinHandle<()>>,
    /// A backup under way ends before the server does: half a one is worth nothing.
    backup: Option<tokio::task::JoinHandle<()>>,
    stop: Arc<Notify>,
    mdns: Option<mdns::Told>,
}

/// Binds both listeners and begins to serve.
///
/// # Errors
/// A fault that says what stands in the way; nothing runs then.
pub fn start(options: &Serve) -> Result<Running, Fault> {
    start_with(options, store::Options::default())
}

/// [`start`] with a store on another disk.
///
/// # Errors
/// As [`start`].
pub fn start_with(options: &Serve, store: store::Options) -> Result<Running, Fault> {
    // Asked again here: whoever calls this without the command line gets the same answer.
    let local = loopback(options.local).map_err(|words| Fault::new(400, "not-loopback", words))?;
    let trailer = Trailer::open_with(&options.data, store)?;
    trailer.plan()?;
    let certs = open_certs(&options.data, options.listen, &trailer)?;
    let bad_cert = |e| Fault::new(500, "certificate", format!("{e}"));
    let web = Web { pin: certs.pin(), ca_pem: certs.ca_pem().to_owned(), ca_fingerprint: certs.ca_fingerprint().map_err(bad_cert)? };
    let tls = RustlsConfig::from_config(certs.tls().map_err(bad_cert)?);
    let (https, http) = (bind(options.listen)?, bind(local)?);
    let (https_at, http_at) = (address(&https)?, address(&http)?);
    let app = App::new(trailer, web);
    app.set_address(https_at);
    let handle = Handle::new();
    let doors = Doors::default();
    let tasks = vec![
        serve_tls(https, tls.clone(), router(&app, Listener::Tls, &options.ui), handle.clone(), doors.clone())?,
        serve_plain(http, router(&app, Listener::Local, &options.ui), handle.clone(), doors)?,
    ];
    let certificate = Arc::new(Certificate { certs: Mutex::new(certs), tls });
    let (stop, mut backup) = (Arc::new(Notify::new()), None);
    let keepers = vec![
        tokio::spawn(keep_certificate(Arc::clone(&certificate), app.clone(), options.listen)),
        tokio::spawn(sweep_uploads(app.clone())),
    ];
    if let Some(schedule) = options.backup.clone() {
        app.begin_backups(&schedule, backups::last_good_ms(&schedule.root));
        backup = Some(tokio::spawn(backups::keep_backups(app.clone(), options.data.clone(), schedule, Arc::clone(&stop))));
    }
    let mdns = options.mdns.then(|| mdns::tell(https_at, &app.web().pin)).flatten();
    Ok(Running { https: https_at, http: http_at, app, certificate, handle, tasks, keepers, backup, stop, mdns })
}

impl Running {
    /// Machine-readable lines for scripts, words for people: where it listens, what to compare, and the first code.
    ///
    /// # Errors
    /// Where no code can be made.
    pub fn announce(&self) -> Result<(), Fault> {
        println!("listening https {}", self.https);
        println!("listening http {}", self.http);
        println!("board on this machine: http://{}", self.http);
        println!("board on the network: https://{} (how to trust it: https://{}/trust)", self.app.dial(), self.app.dial());
        println!("fingerprint of the board's own CA, to compare: {}", trust::grouped(&self.app.web().ca_fingerprint));
        if self.app.with_now(|t| Ok(t.tablets().is_empty()))? {
            let invitation = pair::invite(&self.app)?;
            println!(
                "no tablet is paired yet; a code for the first one, good for ten minutes: {} at {}",
                invitation.code, invitation.address
            );
            println!("pairing {}", invitation.text);
        }
        Ok(())
    }

    /// Stops gracefully: running requests end, then the store is closed.
    pub async fn stop(mut self) {
        if let Some(told) = self.mdns.take() {
            told.stop();
        }
        self.handle.graceful_shutdown(Some(GRACE));
        self.stop.notify_one();
        for keeper in &self.keepers {
            keeper.abort();
        }
        // All of them are waited for: each holds the store, and its folder is free only when the last lets go.
        for task in self.tasks.into_iter().chain(self.keepers).chain(self.backup) {
            let _ = task.await;
        }
        // A connection that was cut off at the end of the grace lets go a moment later.
        for _ in 0..LET_GO {
            if self.app.is_last() {
                return;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        crate::log("a request did not end; the folder is free when the program has ended");
    }
}

fn open_certs(data: &Path, listen: SocketAddr, trailer: &Trailer) -> Result<Certs, Fault> {
    let names = names(listen);
    for name in names.iter().filter(|n| n.parse().is_ok_and(|ip| local_net(ip).is_none())) {
        crate::log(&format!(
            "{name} is not an address of a local network: tablets can pair there, but a browser cannot be made to trust it"
        ));
    }
    Certs::open(&data.join(backups::TLS), &net::machine(), &names, trailer.clock.wall_s())
        .map_err(|e| Fault::new(500, "certificate", e.to_string()))
}

/// Addresses the leaf must carry: all of this machine, and the one it was told to listen on.
fn names(listen: SocketAddr) -> Vec<String> {
    let mut all: Vec<String> = net::addresses().iter().map(ToString::to_string).collect();
    if !listen.ip().is_unspecified() {
        all.push(listen.ip().to_string());
    }
    all
}

fn bind(wanted: SocketAddr) -> Result<TcpListener, Fault> {
    let no = |e| {
        Fault::new(
            500,
            "no-listener",
            format!(
                "The server cannot listen on {wanted}: {e}. No record is touched by this. Stop the program that uses the port, or choose another."
            ),
        )
    };
    let listener = TcpListener::bind(wanted).map_err(no)?;
    listener.set_nonblocking(true).map_err(no)?;
    Ok(listener)
}

fn address(listener: &TcpListener) -> Result<SocketAddr, Fault> {
    listener.local_addr().map_err(|e| Fault::inside("listener", e))
}

fn serve_tls(
    listener: TcpListener,
    tls: RustlsConfig,
    router: Router,
    handle: Handle<SocketAddr>,
    doors: Doors,
) -> Result<tokio::task::JoinHandle<()>, Fault> {
    let server = axum_server::from_tcp(listener).map_err(|e| Fault::inside("https", e))?;
    let mut server = server.acceptor(RustlsAcceptor::new(tls).acceptor(doors)).http1_only();
    server.http_builder().http1().header_read_timeout(NEXT_REQUEST);
    let server = server.first_request_timeout(FIRST_REQUEST).handle(handle);
    Ok(tokio::spawn(async move {
        if let Err(e) = server.serve(router.into_make_service()).await {
            crate::log(&format!("https ended: {e}"));
        }
    }))
}

/// Serves plain HTTP. Only ever called with a loopback listener, and looks again.
pub(crate) fn serve_plain(
    listener: TcpListener,
    router: Router,
    handle: Handle<SocketAddr>,
    doors: Doors,
) -> Result<tokio::task::JoinHandle<()>, Fault> {
    loopback(address(&listener)?).map_err(|words| Fault::new(400, "not-loopback", words))?;
    let server = axum_server::from_tcp(listener).map_err(|e| Fault::inside("http", e))?;
    let mut server = server.acceptor(doors).http1_only();
    server.http_builder().http1().header_read_timeout(NEXT_REQUEST);
    let server = server.first_request_timeout(FIRST_REQUEST).handle(handle);
    Ok(tokio::spawn(async move {
        if let Err(e) = server.serve(router.into_make_service()).await {
            crate::log(&format!("http ended: {e}"));
        }
    }))
}

/// The certificate in use and the listener that shows it.
pub struct Certificate {
    certs: Mutex<Certs>,
    tls: RustlsConfig,
}

impl Certificate {
    /// Signs a new leaf where this machine has another address or the leaf grows old at this time, and shows it from the
    /// next connection on. The key stays, so no tablet notices. True where it did.
    ///
    /// # Errors
    /// The reason; the old one stays then.
    pub fn look(&self, names: &[String], now_s: u64) -> Result<bool, CertError> {
        let mut certs = self.certs.lock().unwrap_or_else(PoisonError::into_inner);
        if !certs.renew(names, now_s)? {
            return Ok(false);
        }
        self.tls.reload_from_config(certs.tls()?);
        Ok(true)
    }
}

async fn keep_certificate(certificate: Arc<Certificate>, app: App, listen: SocketAddr) {
    loop {
        tokio::time::sleep(LOOK).await;
        let now_s = u64::try_from(app.wall_ms() / 1000).unwrap_or(0);
        if let Err(e) = certificate.look(&names(listen), now_s) {
            crate::log(&format!("the certificate was not renewed: {e}"));
        }
    }
}

async fn sweep_uploads(app: App) {
    loop {
        let swept = match app.with(|t| Ok(t.store.photos().clone())).await {
            Ok(photos) => off_thread(move || photos.sweep_uploads(UPLOADS_KEPT).map_err(store_fault)).await,
            Err(fault) => Err(fault),
        };
        match swept {
            Ok(0) => {}
            Ok(n) => crate::log(&format!("{n} uploads that nobody went on with were thrown away; their photos are on the tablets")),
            Err(fault) => crate::log(&format!("unfinished uploads were not swept: {fault}")),
        }
        tokio::time::sleep(SWEEP).await;
    }
}

/// Binds a loopback listener for the tablet's screens.
///
/// # Errors
/// A fault where the address is not loopback or taken.
pub(crate) fn bind_loopback(local: SocketAddr) -> Result<TcpListener, Fault> {
    bind(loopback(local).map_err(|words| Fault::new(400, "not-loopback", words))?)
}

/// Hears when the person or the system asks to stop. Made before anything listens, so that a request to stop that comes in
/// the first moment is heard, too.
pub struct Signals {
    #[cfg(unix)]
    heard: Vec<tokio::signal::unix::Signal>,
}

impl Signals {
    /// Begins to listen for the signals.
    #[cfg(unix)]
    pub fn new() -> Self {
        use tokio::signal::unix::{SignalKind, signal};
        let kinds = [SignalKind::interrupt(), SignalKind::terminate()];
        let heard = kinds.into_iter().filter_map(|kind| match signal(kind) {
            Ok(signal) => Some(signal),
            Err(e) => {
                crate::log(&format!("a stop signal cannot be heard: {e}"));
                None
            }
        });
        Self { heard: heard.collect() }
    }

    /// Begins to listen for the signals.
    #[cfg(not(unix))]
    pub fn new() -> Self {
        Self {}
    }

    /// Waits until it is asked to stop.
    #[cfg(unix)]
    pub async fn asked(&mut self) {
        std::future::poll_fn(|context| {
            let asked = self.heard.iter_mut().any(|signal| signal.poll_recv(context).is_ready());
            if asked { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
        })
        .await;
    }

    /// Waits until it is asked to stop.
    #[cfg(not(unix))]
    pub async fn asked(&mut self) {
        if let Err(e) = tokio::signal::ctrl_c().await {
            crate::log(&format!("no stop signal can be heard: {e}"));
            std::future::pending::<()>().await;
        }
    }
}

impl Default for Signals {
    fn default() -> Self {
        Self::new()
    }
}
