//! Starting, listening, stopping.

use crate::args::{Serve, loopback};
use crate::cert::{Certs, local_net};
use crate::fault::Fault;
use crate::pair;
use crate::routes::router;
use crate::state::{App, Web};
use crate::trailer::Trailer;
use crate::web::Listener;
use crate::{backups, mdns, net, trust};
use axum::Router;
use axum_server::Handle;
use axum_server::tls_rustls::RustlsConfig;
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Mutex;
use std::time::Duration;

/// How long running requests may take to end when the server is stopped.
const GRACE: Duration = Duration::from_secs(10);
/// A connection that has not sent a whole request head by then is closed.
const FIRST_REQUEST: Duration = Duration::from_secs(20);
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
    handle: Handle<SocketAddr>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
    /// What runs beside the requests.
    keepers: Vec<tokio::task::JoinHandle<()>>,
    mdns: Option<mdns::Told>,
}

/// Binds both listeners and begins to serve.
///
/// # Errors
/// A fault that says what stands in the way; nothing runs then.
pub fn start(options: &Serve) -> Result<Running, Fault> {
    // Asked again here: whoever calls this without the command line gets the same answer.
    let local = loopback(options.local).map_err(|words| Fault::new(400, "not-loopback", words))?;
    let trailer = Trailer::open(&options.data)?;
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
    let tasks = vec![
        serve_tls(https, tls.clone(), router(&app, Listener::Tls, &options.ui), handle.clone())?,
        serve_plain(http, router(&app, Listener::Local, &options.ui), handle.clone())?,
    ];
    let mut keepers = vec![tokio::spawn(keep_certificate(certs, tls, app.clone(), options.listen))];
    if let Some(schedule) = options.backup.clone() {
        app.begin_backups(&schedule, backups::last_good_ms(&schedule.root));
        keepers.push(tokio::spawn(backups::keep_backups(app.clone(), options.data.clone(), schedule)));
    }
    let mdns = options.mdns.then(|| mdns::tell(https_at, &app.web().pin)).flatten();
    Ok(Running { https: https_at, http: http_at, app, handle, tasks, keepers, mdns })
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
        for keeper in &self.keepers {
            keeper.abort();
        }
        // All of them are waited for: each holds the store, and its folder is free only when the last lets go.
        for task in self.tasks.into_iter().chain(self.keepers) {
            let _ = task.await;
        }
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
) -> Result<tokio::task::JoinHandle<()>, Fault> {
    let server = axum_server::from_tcp_rustls(listener, tls).map_err(|e| Fault::inside("https", e))?;
    let server = server.first_request_timeout(FIRST_REQUEST).handle(handle);
    Ok(tokio::spawn(async move {
        if let Err(e) = server.serve(router.into_make_service()).await {
            crate::log(&format!("https ended: {e}"));
        }
    }))
}

/// Serves plain HTTP. Only ever called with a loopback listener, and looks again.
pub(crate) fn serve_plain(listener: TcpListener, router: Router, handle: Handle<SocketAddr>) -> Result<tokio::task::JoinHandle<()>, Fault> {
    loopback(address(&listener)?).map_err(|words| Fault::new(400, "not-loopback", words))?;
    let server = axum_server::from_tcp(listener).map_err(|e| Fault::inside("http", e))?;
    let server = server.first_request_timeout(FIRST_REQUEST).handle(handle);
    Ok(tokio::spawn(async move {
        if let Err(e) = server.serve(router.into_make_service()).await {
            crate::log(&format!("http ended: {e}"));
        }
    }))
}

/// Signs a new leaf when the machine's addresses change or the leaf grows old. The key stays, so no tablet notices.
async fn keep_certificate(certs: Certs, tls: RustlsConfig, app: App, listen: SocketAddr) {
    let certs = Mutex::new(certs);
    loop {
        tokio::time::sleep(LOOK).await;
        let now_s = u64::try_from(app.wall_ms() / 1000).unwrap_or(0);
        let mut certs = certs.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let renewed = certs.renew(&names(listen), now_s).and_then(|new| if new { certs.tls().map(Some) } else { Ok(None) });
        match renewed {
            Ok(Some(config)) => tls.reload_from_config(config),
            Ok(None) => {}
            Err(e) => crate::log(&format!("the certificate was not renewed: {e}")),
        }
    }
}

/// Binds a loopback listener for the tablet's screens.
///
/// # Errors
/// A fault where the address is not loopback or taken.
pub(crate) fn bind_loopback(local: SocketAddr) -> Result<TcpListener, Fault> {
    bind(loopback(local).map_err(|words| Fault::new(400, "not-loopback", words))?)
}

/// Waits until the person or the system asks to stop.
pub async fn asked_to_stop() {
    let ctrl_c = async {
        if let Err(e) = tokio::signal::ctrl_c().await {
            crate::log(&format!("no stop signal can be heard: {e}"));
            std::future::pending::<()>().await;
        }
    };
    #[cfg(unix)]
    let terminate = async {
        match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
            Ok(mut signal) => drop(signal.recv().await),
            Err(_) => std::future::pending::<()>().await,
        }
    };
    #[cfg(not(unix))]
    let terminate = std::future::pending::<()>();
    tokio::select! {
        () = ctrl_c => {}
        () = terminate => {}
    }
}
