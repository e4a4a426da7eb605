//! The page shown when the store cannot be opened: what happened, where the record lies, what to do.
//!
//! It is made here and not in the UI, so that it stands even when nothing else does.

use std::borrow::Cow;
use std::path::PathBuf;
use tauri::http::{Request, Response, header};
use tauri::{Manager, Runtime, UriSchemeContext, Url};

/// The scheme's name.
pub const SCHEME: &str = "trouble";
/// How Windows and Android see the scheme.
pub const HOST: &str = "trouble.localhost";

/// Why there is no store to work with.
pub struct Trouble {
    /// The sentence of the store's own fault.
    pub words: String,
    /// The folder it is about.
    pub dir: PathBuf,
}

/// Where the page is.
pub fn address() -> Url {
    let text = if cfg!(any(target_os = "windows", target_os = "android")) { "http://trouble.localhost/" } else { "trouble://localhost/" };
    Url::parse(text).expect("a constant address is well formed")
}

/// Answers the page.
pub fn serve<R: Runtime>(context: UriSchemeContext<'_, R>, _: Request<Vec<u8>>) -> Response<Cow<'static, [u8]>> {
    let html = context.app_handle().try_state::<Trouble>().map_or_else(String::new, |trouble| page(&trouble));
    let mut answer = Response::new(Cow::Owned(html.into_bytes()));
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_TYPE, header::HeaderValue::from_static("text/html; charset=utf-8"));
    headers.insert(header::CONTENT_SECURITY_POLICY, header::HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'"));
    answer
}

fn page(trouble: &Trouble) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">\
         <title>Tubewright: the record could not be opened</title>\
         <style>body{{margin:0;padding:8vmin;background:#14161A;color:#ECE6D9;font:20px/1.5 sans-serif}}h1{{font-size:30px}}\
         code{{overflow-wrap:anywhere}}</style>\
         <h1>\u{25B2} The record could not be opened</h1><p>{}</p>\
         <p>Nothing was deleted and nothing will be written. Do not reset this tablet and do not remove the folder: \
         it may hold records and photos that are nowhere else.</p><p><code>{}</code></p>\
         <p>Close the app and start it once more. If this page comes back, record on another tablet or on paper, and bring this one to the trailer.</p>\
         <p lang=\"es\"><b>No se pudo abrir el registro.</b> No se borró nada y no se escribirá nada. No restablezca esta tableta ni quite la carpeta: \
         puede guardar registros y fotos que no están en ningún otro sitio. Cierre la aplicación e iníciela otra vez. Si vuelve a ver esta página, \
         anote en otra tableta o en papel y lleve esta a la caseta.</p></html>",
        escaped(&trouble.words),
        escaped(&trouble.dir.display().to_string()),
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_says_what_and_where_and_is_never_markup() {
        let html = page(&Trouble { words: "The disk <sda> & more.".into(), dir: PathBuf::from("/data/a\"b") });
        assert!(html.contains("The disk &lt;sda&gt; &amp; more."), "{html}");
        assert!(html.contains("/data/a&quot;b"), "{html}");
        assert_eq!(address().path(), "/");
    }
}
