//! The pictures, under their own scheme: `photo://localhost/<hash>/<size>`, with size 256, 1600 or full.

use crate::bridge::percent_decoded;
use std::borrow::Cow;
use std::sync::Arc;
use tablet::Tablet;
use tauri::http::{Request, Response, StatusCode, header};
use tauri::{Manager, Runtime, UriSchemeContext, UriSchemeResponder};

/// The scheme's name. Windows and Android see `http://photo.localhost/` instead.
pub const SCHEME: &str = "photo";

/// Answers one picture, read on a thread of its own.
pub fn serve<R: Runtime>(context: UriSchemeContext<'_, R>, request: Request<Vec<u8>>, responder: UriSchemeResponder) {
    let tablet = context.app_handle().try_state::<Arc<Tablet>>().map(|tablet| Arc::clone(&tablet));
    let asked = asked(request.uri().path());
    tauri::async_runtime::spawn_blocking(move || {
        let (Some(tablet), Some((hash, size))) = (tablet, asked) else {
            return responder.respond(refused(StatusCode::NOT_FOUND, "There is no such picture."));
        };
        responder.respond(match tablet.photo_get(&hash, &size) {
            Ok((mime, bytes)) => picture(&mime, bytes),
            Err(fault) => refused(StatusCode::from_u16(fault.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR), &fault.to_string()),
        });
    });
}

/// Hash and size out of the path; `None` unless it has exactly those two parts.
fn asked(path: &str) -> Option<(String, String)> {
    let path = percent_decoded(path)?;
    let (hash, size) = path.strip_prefix('/')?.split_once('/')?;
    let whole = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_alphanumeric());
    (whole(hash) && whole(size)).then(|| (hash.to_owned(), size.to_owned()))
}

fn picture(mime: &str, bytes: Vec<u8>) -> Response<Cow<'static, [u8]>> {
    Response::builder()
        .header(header::CONTENT_TYPE, mime)
        // The address is the hash of the original: what it names never changes.
        .header(header::CACHE_CONTROL, "private, max-age=31536000, immutable")
        .header(header::X_CONTENT_TYPE_OPTIONS, "nosniff")
        .body(Cow::Owned(bytes))
        .unwrap_or_else(|_| refused(StatusCode::INTERNAL_SERVER_ERROR, "The picture has no readable kind."))
}

fn refused(status: StatusCode, words: &str) -> Response<Cow<'static, [u8]>> {
    let mut answer = Response::new(Cow::Owned(words.as_bytes().to_vec()));
    *answer.status_mut() = status;
    answer.headers_mut().insert(header::CONTENT_TYPE, header::HeaderValue::from_static("text/plain; charset=utf-8"));
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_hash_and_a_size_are_asked_for() {
        let two = Some(("ab12".to_owned(), "1600".to_owned()));
        assert_eq!(asked("/ab12/1600"), two);
        assert_eq!(asked("/ab12%2F1600"), two, "the page's helper escapes the slash");
        for bad in ["/", "/ab12", "/ab12/", "//1600", "/../etc", "/ab12/1600/x", "/ab12/..", "/a%00b/256", "/%/256"] {
            assert_eq!(asked(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_refusal_keeps_its_status_and_words() {
        let answer = refused(StatusCode::NOT_FOUND, "There is no such picture.");
        assert_eq!(answer.status(), 404);
        assert_eq!(answer.body().as_ref(), b"There is no such picture.");
        assert_eq!(picture("bad\nkind", vec![1]).status(), 500);
    }
}
