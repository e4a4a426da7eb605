//! Every route in one table, with who may pass it. A route that is not in the table does not exist, and the tests walk
//! the table: whoever adds a line meets them.

use crate::state::App;
use crate::ui;
use crate::web::{self, Listener};
use crate::{board, pair, say, series, syncing, trust};
use axum::extract::DefaultBodyLimit;
use axum::routing::{MethodRouter, delete, get, post, put};
use axum::{Extension, Router, middleware};
use job::plan::Role;
use std::path::Path;
use sync::message::route;
use sync::{MAX_BODY, MAX_HELLO, MAX_SMALL, PHOTO_PIECE};

/// Who may pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// Anyone who can reach the server.
    Anyone,
    /// A paired tablet, by its token.
    Tablet,
    /// A person signed in at the board.
    Person,
}

/// On which listener it is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// HTTPS only: tokens and proofs do not travel in the clear, not even on this machine.
    Tls,
    /// Both.
    Both,
}

/// One route.
pub struct Route {
    /// Method.
    pub method: &'static str,
    /// Path; `{..}` is a variable part.
    pub path: &'static str,
    /// Who may pass.
    pub who: Who,
    /// Of the persons, only those with one of these roles; empty: everyone on the roster.
    pub roles: &'static [Role],
    /// On which listener.
    pub over: Over,
    /// Largest body in bytes.
    pub limit: usize,
    handler: fn() -> MethodRouter<App>,
}

/// Small JSON questions.
const SMALL: usize = 64 * 1024;
const PHOTO: &str = "/api/sync/photo/{hash}";

/// Those who decide what counts.
const DECIDE: &[Role] = &[Role::Supervisor, Role::Qc];
const SUPERVISOR: &[Role] = &[Role::Supervisor];

macro_rules! route {
    ($method:ident $name:literal, $path:expr, $who:ident, $over:ident, $limit:expr, $handler:path) => {
        route!($method $name, $path, $who, &[], $over, $limit, $handler)
    };
    ($method:ident $name:literal, $path:expr, $who:ident, $roles:expr, $over:ident, $limit:expr, $handler:path) => {
        Route { method: $name, path: $path, who: Who::$who, roles: $roles, over: Over::$over, limit: $limit, handler: || $method($handler) }
    };
}

/// All of them.
pub static ROUTES: &[Route] = &[
    route!(post "POST", route::PAIR, Anyone, Tls, SMALL, pair::pair),
    route!(post "POST", route::HELLO, Tablet, Tls, MAX_HELLO, syncing::hello),
    route!(post "POST", route::HEADS, Tablet, Tls, MAX_BODY, syncing::heads),
    route!(post "POST", route::PUSH, Tablet, Tls, MAX_BODY, syncing::push),
    route!(post "POST", route::PULL, Tablet, Tls, MAX_SMALL, syncing::pull),
    route!(post "POST", route::UNREAD, Tablet, Tls, MAX_BODY, syncing::unread),
    route!(get "GET", PHOTO, Tablet, Tls, SMALL, syncing::photo_state),
    route!(put "PUT", PHOTO, Tablet, Tls, PHOTO_PIECE, syncing::photo_piece),
    route!(post "POST", route::DONE, Tablet, Tls, SMALL, syncing::done),
    route!(get "GET", "/api/board/people", Anyone, Both, SMALL, board::people),
    route!(post "POST", "/api/board/session", Anyone, Both, SMALL, board::sign_in),
    route!(get "GET", "/api/board/session", Person, Both, SMALL, board::who),
    route!(delete "DELETE", "/api/board/session", Person, Both, SMALL, board::sign_out),
    route!(get "GET", "/api/board", Person, Both, SMALL, board::whole),
    route!(get "GET", "/api/board/plan", Person, Both, SMALL, board::plan),
    route!(get "GET", "/api/board/job/{id}", Person, Both, SMALL, board::job),
    route!(post "POST", "/api/board/settle", Person, DECIDE, Both, SMALL, board::settle),
    route!(get "GET", "/api/board/series", Person, Both, SMALL, series::list),
    route!(post "POST", "/api/board/series", Person, DECIDE, Both, SMALL, say::series),
    route!(get "GET", "/api/board/series/{incarnation}/apart", Person, DECIDE, Both, SMALL, series::kept_apart),
    route!(post "POST", "/api/board/tablet/take-off", Person, DECIDE, Both, SMALL, say::take_off),
    route!(post "POST", "/api/board/pairing", Person, SUPERVISOR, Both, SMALL, board::pairing),
    route!(get "GET", "/api/board/photo/{hash}/{size}", Person, Both, SMALL, board::photo),
    route!(get "GET", "/ca.crt", Anyone, Both, SMALL, trust::ca),
    route!(get "GET", "/trust", Anyone, Both, SMALL, trust::page),
];

/// The router of one listener.
pub fn router(app: &App, listener: Listener, screens: &Path) -> Router {
    let mut router = Router::new();
    for route in ROUTES {
        let gate = middleware::from_fn_with_state((app.clone(), route), web::gate);
        // Layers wrap from the inside out: limit, then gate, so that a stranger's body is not even read.
        let handler = (route.handler)().route_layer(DefaultBodyLimit::max(route.limit)).route_layer(gate);
        router = router.route(route.path, handler);
    }
    let router = router.with_state(app.clone()).fallback_service(ui::files(screens, "board.html"));
    wrap(router, listener)
}

/// What every listener puts around its routes.
pub fn wrap(router: Router, listener: Listener) -> Router {
    let router = router.layer(middleware::from_fn(web::same_origin));
    let router = match listener {
        Listener::Tls => router,
        Listener::Local => router.layer(middleware::from_fn(web::local_host_only)),
    };
    router.layer(Extension(listener)).layer(middleware::from_fn(web::common))
}
