//! The built screens, as files.

use crate::fault::no_such_page;
use axum::Router;
use axum::http::{HeaderValue, Request, header};
use axum::response::{Html, IntoResponse, Response};
use std::path::{Path, PathBuf};
use tower_http::services::ServeDir;

/// Serves the folder; `/` is the page named `front` (`board.html` or `tablet.html`).
pub fn files<S: Clone + Send + Sync + 'static>(folder: &Path, front: &'static str) -> Router<S> {
    let page: PathBuf = folder.join(front);
    let serve = ServeDir::new(folder).append_index_html_on_directories(false);
    let fallback = move |request: Request<axum::body::Body>| {
        let (serve, page) = (serve.clone(), page.clone());
        async move {
            if request.uri().path() == "/" {
                return front_page(&page).await;
            }
            file(serve, request).await
        }
    };
    Router::new().fallback(fallback)
}

async fn front_page(page: &Path) -> Response {
    match tokio::fs::read_to_string(page).await {
        Ok(html) => Html(html).into_response(),
        Err(e) => {
            crate::log(&format!("{} cannot be read: {e}", page.display()));
            let words = "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Tubewright</title><p>The server runs, but its screens are not here. Build them (<code>npm run build</code> in <code>ui</code>), or say where they are with <code>--ui</code>. No record is touched by this.</p></html>";
            (axum::http::StatusCode::SERVICE_UNAVAILABLE, Html(words)).into_response()
        }
    }
}

async fn file(mut serve: ServeDir, request: Request<axum::body::Body>) -> Response {
    // Built files carry their hash in the name, so they can be kept; pages cannot.
    let kept = request.uri().path().starts_with("/assets/");
    let Ok(mut response) = serve.try_call(request).await.map(IntoResponse::into_response) else {
        return no_such_page().into_response();
    };
    if response.status() == axum::http::StatusCode::NOT_FOUND {
        return no_such_page().into_response();
    }
    let rule = if kept { "public, max-age=31536000, immutable" } else { "no-cache" };
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static(rule));
    response
}
