//! What every answer has in common: security headers, limits, who may pass, and how a body is read.

use crate::fault::{self, Fault};
use crate::routes::{Over, Route, Who};
use crate::state::App;
use axum::body::Bytes;
use axum::extract::{FromRequest, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use job::plan::{Person, Role};
use serde::de::DeserializeOwned;
use std::net::IpAddr;
use std::time::Duration;

/// A request that takes longer is given up: a tablet on a bad radio link asks again and goes on where it stood.
const LONGEST: Duration = Duration::from_secs(60);
/// Name of the session cookie. The prefix makes browsers refuse it without Secure, on plain HTTP it has another name.
const COOKIE_TLS: &str = "__Host-board";
const COOKIE_LOCAL: &str = "board";

const HEADERS: [(HeaderName, &str); 7] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; img-src 'self' blob: data:; style-src 'self' 'unsafe-inline'; connect-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), "geolocation=(), microphone=(), camera=(self)"),
];

/// How the request came in; set once per listener.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Listener {
    /// Over TLS.
    Tls,
    /// Plain, on loopback.
    Local,
}

/// Every answer carries the security headers, is never stored unless it says so, and comes within a minute.
pub async fn common(request: Request, next: Next) -> Response {
    let mut response = match tokio::time::timeout(LONGEST, next.run(request)).await {
        Ok(response) => response,
        Err(_) => Fault::new(
            503,
            "too-slow",
            "The request took longer than a minute and was given up. Nothing that was acknowledged is lost. Try again.",
        )
        .into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// On loopback only a request that names loopback is answered: a page from elsewhere whose name was bent to 127.0.0.1
/// must not reach a server that trusts this machine.
pub async fn local_host_only(request: Request, next: Next) -> Response {
    let named = request.headers().get(header::HOST).and_then(|h| h.to_str().ok()).map(str::to_owned);
    let named = named.or_else(|| request.uri().authority().map(ToString::to_string)).unwrap_or_default();
    if is_loopback_name(&named) {
        return next.run(request).await;
    }
    Fault::new(421, "other-host", "This address answers only to this machine's own name (127.0.0.1 or localhost). Nothing was changed.")
        .into_response()
}

fn is_loopback_name(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(v6) => v6.split(']').next().unwrap_or_default(),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// A change asked for by a page of another origin is refused; browsers always say where a changing request comes from.
pub async fn same_origin(request: Request, next: Next) -> Response {
    let harmless = matches!(*request.method(), Method::GET | Method::HEAD);
    if harmless || origin_fits(request.headers(), request.uri().authority().map(|a| a.as_str())) {
        return next.run(request).await;
    }
    Fault::new(
        403,
        "other-origin",
        "Another web page tried to change something here and was refused. Nothing was changed. Open the board itself and try again.",
    )
    .into_response()
}

fn origin_fits(headers: &HeaderMap, authority: Option<&str>) -> bool {
    let text = |name| headers.get(name).and_then(|v: &HeaderValue| v.to_str().ok());
    if text(HeaderName::from_static("sec-fetch-site")).is_some_and(|s| s != "same-origin" && s != "none") {
        return false;
    }
    match text(header::ORIGIN) {
        // Not a browser: a tablet or a script, which carry no cookie of ours by accident.
        None => true,
        Some(origin) => {
            let host = text(header::HOST).or(authority).unwrap_or_default();
            origin.split_once("://").is_some_and(|(_, o)| !host.is_empty() && o.eq_ignore_ascii_case(host))
        }
    }
}

/// Lets through who may pass this route; everyone else gets a sentence and nothing more.
pub async fn gate(State((app, route)): State<(App, &'static Route)>, mut request: Request, next: Next) -> Response {
    let listener = request.extensions().get::<Listener>().copied();
    if route.over == Over::Tls && listener != Some(Listener::Tls) {
        return fault::no_such_page().into_response();
    }
    // Held to the end of the request.
    let mut _turn = None;
    match route.who {
        Who::Anyone => {}
        Who::Tablet => match bearer(request.headers()) {
            None => return fault::not_paired().into_response(),
            Some(token) => match app.tablet_of(token).await {
                Ok(paired) => {
                    _turn = app.turn(&paired);
                    if _turn.is_none() {
                        return too_many().into_response();
                    }
                    request.extensions_mut().insert(paired);
                }
                Err(fault) => return fault.into_response(),
            },
        },
        Who::Person => {
            let Some(secret) = cookie(request.headers()).map(str::to_owned) else { return fault::not_signed_in().into_response() };
            match app.person_of(&secret).await {
                Ok(person) if may(&person, route.roles) => drop(request.extensions_mut().insert(person)),
                Ok(person) => return fault::wrong_role(&person, route.roles).into_response(),
                Err(fault) => return fault.into_response(),
            }
        }
    }
    let told = request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse::<usize>().ok());
    if let Some(told) = told.filter(|n| *n > route.limit) {
        // Refused by its declared length. A sender in the middle of writing would find the line cut instead of the
        // sentence, so what is not much too long is taken in and thrown away first.
        if told <= THROWN_AWAY {
            drop(axum::body::to_bytes(request.into_body(), THROWN_AWAY).await);
        }
        return too_large().into_response();
    }
    next.run(request).await
}

fn may(person: &Person, roles: &[Role]) -> bool {
    roles.is_empty() || roles.iter().any(|role| person.roles.contains(role))
}

/// The longest body that is read to its end although it is refused.
const THROWN_AWAY: usize = 4 << 20;

fn too_many() -> Fault {
    Fault::new(
        429,
        "one-at-a-time",
        "This tablet asks for too many things at once, so this one was not looked at. Nothing is lost. Wait a second, then sync again.",
    )
    .and("wait_s", 1)
}

fn too_large() -> Fault {
    Fault::new(
        413,
        "too-large",
        "That is larger than the trailer takes in one piece. Nothing was stored from it and what was stored before is safe. The tablet must send smaller pieces.",
    )
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::AUTHORIZATION)?.to_str().ok()?.strip_prefix("Bearer ").map(str::trim).filter(|t| !t.is_empty())
}

/// The session secret of a request.
pub fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(';'));
    all.filter_map(|c| c.trim().split_once('=')).find(|(name, _)| *name == COOKIE_TLS || *name == COOKIE_LOCAL).map(|(_, value)| value)
}

/// The header that sets the session cookie, or removes it where `secret` is `None`.
pub fn set_cookie(listener: Listener, secret: Option<&str>) -> (HeaderName, String) {
    let (name, secure) = match listener {
        Listener::Tls => (COOKIE_TLS, "; Secure"),
        Listener::Local => (COOKIE_LOCAL, ""),
    };
    let age = if secret.is_some() { "" } else { "; Max-Age=0" };
    (header::SET_COOKIE, format!("{name}={}; Path=/; HttpOnly; SameSite=Strict{secure}{age}", secret.unwrap_or_default()))
}

/// A raw body within the route's limit.
pub struct Raw(pub Bytes);

impl<S: Send + Sync> FromRequest<S> for Raw {
    type Rejection = Fault;
    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        match Bytes::from_request(request, state).await {
            Ok(bytes) => Ok(Self(bytes)),
            Err(rejection) => Err(match rejection.into_response().status().as_u16() {
                413 => too_large(),
                _ => Fault::new(
                    400,
                    "cut-off",
                    "The upload was cut off. What was stored before is safe and nothing on the tablet is lost. Sync again; it goes on where it stopped.",
                ),
            }),
        }
    }
}

/// A JSON body. Its content type is asked for, so that a form of another page cannot send it.
pub struct Js<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Js<T> {
    type Rejection = Fault;
    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
        if kind.split(';').next().map(str::trim) != Some("application/json") {
            return Err(Fault::new(
                415,
                "not-json",
                "The server was asked in a form it does not take (JSON is wanted). Nothing was changed.",
            ));
        }
        let Raw(bytes) = Raw::from_request(request, state).await?;
        serde_json::from_slice(&bytes).map(Js).map_err(|e| {
            let words = format!("The server was asked for something it does not understand ({e}). Nothing was changed. Reload the page and try again; if it stays so, program and server are of different ages.");
            Fault::new(400, "not-understood", words)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_names_are_loopback() {
        for good in ["127.0.0.1:8080", "localhost", "LOCALHOST:1", "[::1]:8080", "127.0.0.1"] {
            assert!(is_loopback_name(good), "{good}");
        }
        for bad in ["evil.example:8080", "127.0.0.1.evil.example", "", "192.168.1.2:8080", "localhost.evil.example:80", "[fe80::1]:80"] {
            assert!(!is_loopback_name(bad), "{bad}");
        }
    }

    #[test]
    fn a_page_of_another_origin_changes_nothing() {
        let headers = |all: &[(&'static str, &str)]| -> HeaderMap {
            all.iter().map(|(n, v)| (HeaderName::from_static(n), HeaderValue::from_str(v).unwrap())).collect()
        };
        let own = [("host", "10.0.0.5:8443"), ("origin", "https://10.0.0.5:8443"), ("sec-fetch-site", "same-origin")];
        assert!(origin_fits(&headers(&own), None));
        assert!(origin_fits(&headers(&[("host", "10.0.0.5:8443")]), None), "a tablet sends no origin");
        assert!(!origin_fits(&headers(&[("host", "10.0.0.5:8443"), ("origin", "https://evil.example")]), None));
        assert!(!origin_fits(&headers(&[("host", "10.0.0.5:8443"), ("origin", "null")]), None));
        assert!(!origin_fits(&headers(&[("host", "10.0.0.5:8443"), ("sec-fetch-site", "cross-site")]), None));
        assert!(!origin_fits(&headers(&[("host", "127.0.0.1:8080"), ("origin", "http://127.0.0.1:9999")]), None), "another port");
    }

    #[test]
    fn the_cookie_is_found_among_others() {
        let mut headers = HeaderMap::new();
        headers.insert(header::COOKIE, HeaderValue::from_static("a=b; __Host-board=s3cret; c=d"));
        assert_eq!(cookie(&headers), Some("s3cret"));
        let (_, set) = set_cookie(Listener::Tls, Some("x"));
        println!("{set}");
        for part in ["HttpOnly", "SameSite=Strict", "Secure", "Path=/"] {
            assert!(set.contains(part));
        }
        assert!(set_cookie(Listener::Local, None).1.contains("Max-Age=0"));
    }
}
