//! The tablet's screens and seam for a browser on this machine: the same calls as the app's window.
//!
//! Loopback only, and only for requests that name loopback: whoever sits at this machine holds the tablet.

use crate::args::loopback;
use crate::doors::Doors;
use crate::fault::Fault;
use crate::routes::wrap;
use crate::serve::{bind_loopback, serve_plain};
use crate::state::off_thread;
use crate::trailer::too_long;
use crate::ui;
use crate::web::{Js, Listener, Raw};
use axum::extract::{DefaultBodyLimit, Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use axum_server::Handle;
use serde_json::Value;
use std::net::SocketAddr;
use tablet::Tablet;

/// Twice the largest photo: one that is somewhat too long is read to its end, because a browser whose upload is cut off
/// shows its own error instead of our sentence.
const PHOTO: usize = 2 * (sync::MAX_PHOTO as usize);
const CALL: usize = 1024 * 1024;

/// A running tablet.
pub struct Running {
    /// Where it listens.
    pub http: SocketAddr,
    handle: Handle<SocketAddr>,
    task: tokio::task::JoinHandle<()>,
}

/// Opens the tablet's folder and serves its screens.
///
/// # Errors
/// A fault where the address is not loopback or the tablet cannot be opened.
pub fn start(data: &std::path::Path, local: SocketAddr, screens: &std::path::Path) -> Result<Running, Fault> {
    loopback(local).map_err(|words| Fault::new(400, "not-loopback", words))?;
    let tablet = Tablet::open(data).map_err(of_tablet)?;
    let listener = bind_loopback(local)?;
    let http = listener.local_addr().map_err(|e| Fault::inside("listener", e))?;
    let handle = Handle::new();
    let task = serve_plain(listener, router(tablet, screens), handle.clone(), Doors::default())?;
    Ok(Running { http, handle, task })
}

impl Running {
    /// Stops gracefully.
    pub async fn stop(self) {
        self.handle.graceful_shutdown(Some(std::time::Duration::from_secs(10)));
        let _ = self.task.await;
    }
}

fn router(tablet: Tablet, screens: &std::path::Path) -> Router {
    let router = Router::new()
        .route("/tablet/api/{call}", post(call).layer(DefaultBodyLimit::max(CALL)))
        .route("/tablet/photo", post(photo_put).layer(DefaultBodyLimit::max(PHOTO)))
        .route("/tablet/photo/{hash}/{size}", get(photo_get))
        .with_state(tablet)
        .fallback_service(ui::files(screens, "tablet.html"));
    wrap(router, Listener::Local)
}

async fn call(State(tablet): State<Tablet>, Path(name): Path<String>, Js(args): Js<Value>) -> Result<Json<Value>, Told> {
    run(move || tablet.call(&name, args)).await.map(Json)
}

async fn photo_put(State(tablet): State<Tablet>, headers: HeaderMap, body: Result<Raw, Fault>) -> Result<Json<Value>, Told> {
    let Raw(bytes) = match body {
        Ok(Raw(bytes)) if bytes.len() as u64 > sync::MAX_PHOTO => return Err(Told::Server(too_long(sync::MAX_PHOTO))),
        Err(fault) if fault.status == 413 => return Err(Told::Server(too_long(sync::MAX_PHOTO))),
        other => other.map_err(Told::Server)?,
    };
    let meta = headers.get("x-meta").and_then(|v| v.to_str().ok()).and_then(percent_decoded);
    let meta: Option<Value> = meta.and_then(|text| serde_json::from_str(&text).ok());
    let meta = meta.ok_or_else(|| {
        Told::Server(Fault::new(
            400,
            "not-understood",
            "The photo came without saying what it shows. Nothing was saved. Go back and take it again.",
        ))
    })?;
    run(move || tablet.photo_put(meta, bytes.to_vec())).await.map(Json)
}

async fn photo_get(State(tablet): State<Tablet>, Path((hash, size)): Path<(String, String)>) -> Result<Response, Told> {
    let (mime, bytes) = run(move || tablet.photo_get(&hash, &size)).await?;
    let headers = [(header::CONTENT_TYPE, mime), (header::CACHE_CONTROL, "private, max-age=86400, immutable".to_owned())];
    Ok((headers, bytes).into_response())
}

async fn run<T: Send + 'static>(work: impl FnOnce() -> Result<T, tablet::Fault> + Send + 'static) -> Result<T, Told> {
    match off_thread(move || Ok(work())).await {
        Ok(result) => result.map_err(Told::Tablet),
        Err(fault) => Err(Told::Server(fault)),
    }
}

/// A fault of the tablet, passed on as it is, or of the web around it.
enum Told {
    Tablet(tablet::Fault),
    Server(Fault),
}

impl IntoResponse for Told {
    fn into_response(self) -> Response {
        match self {
            Self::Tablet(fault) => {
                let status = StatusCode::from_u16(fault.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
                (status, Json(fault.to_json())).into_response()
            }
            Self::Server(fault) => fault.into_response(),
        }
    }
}

fn of_tablet(fault: tablet::Fault) -> Fault {
    Fault::say(fault.status, fault.say)
}

/// Percent-decoding of a header value; `None` where it is not valid.
fn percent_decoded(text: &str) -> Option<String> {
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(byte) = bytes.next() {
        if byte == b'%' {
            let digits = [bytes.next()?, bytes.next()?];
            out.push(u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?);
        } else {
            out.push(byte);
        }
    }
    String::from_utf8(out).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn header_values_are_decoded() {
        assert_eq!(percent_decoded("%7B%22a%22%3A%22%C3%B1%22%7D").as_deref(), Some("{\"a\":\"ñ\"}"));
        assert_eq!(percent_decoded("plain").as_deref(), Some("plain"));
        for bad in ["%", "%2", "%zz", "%FF"] {
            assert_eq!(percent_decoded(bad), None, "{bad}");
        }
    }
}
