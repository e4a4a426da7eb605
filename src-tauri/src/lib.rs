//! The tablet app's shell: a window, the two commands of the tablet seam, the pictures, the camera permission.
//!
//! It knows no SQL and none of the trade: everything it is asked goes to [`tablet::Tablet`] and comes back unread.

mod bridge;
mod camera;
mod pictures;
mod trouble;

use std::path::PathBuf;
use std::sync::Arc;
use tablet::Tablet;
use tauri::webview::NewWindowResponse;
use tauri::{App, Manager, Url, WebviewUrl, WebviewWindowBuilder};

/// Names the folder of this tablet's store; without it the system's own data folder for the app is used.
pub const DATA: &str = "TUBEWRIGHT_DATA";

/// Starts the app and returns when its window is closed. Ends the process with code 1 and one sentence on stderr if it cannot start.
#[cfg_attr(mobile, tauri::mobile_entry_point)]
pub fn run() {
    if let Err(sentence) = start() {
        eprintln!("{sentence}");
        std::process::exit(1);
    }
}

fn start() -> Result<(), String> {
    screen_there()?;
    let app = tauri::Builder::default()
        .register_asynchronous_uri_scheme_protocol(pictures::SCHEME, pictures::serve)
        .register_uri_scheme_protocol(trouble::SCHEME, trouble::serve)
        .on_permission_request(camera::permit)
        .invoke_handler(tauri::generate_handler![bridge::call, bridge::photo_put])
        .setup(|app| Ok(set_up(app)?))
        .build(tauri::generate_context!())
        .map_err(|e| {
            format!("The tablet app could not open its window ({e}). Nothing was changed: what is saved is safe. Start it on the tablet's own screen.")
        })?;
    app.run(|_, _| {});
    Ok(())
}

/// Without a screen the window's own library ends the process with words for programmers, so it is asked first.
#[cfg(target_os = "linux")]
fn screen_there() -> Result<(), String> {
    gtk::init().map_err(|_| {
        let named = |name| std::env::var(name).unwrap_or_else(|_| "not set".to_owned());
        format!(
            "The tablet app needs a screen and found none (DISPLAY: {}, WAYLAND_DISPLAY: {}). Nothing was changed: what is saved is safe. Start it from the tablet's desktop.",
            named("DISPLAY"),
            named("WAYLAND_DISPLAY")
        )
    })
}

/// Other systems start an app only where there is a screen.
#[cfg(not(target_os = "linux"))]
const fn screen_there() -> Result<(), String> {
    Ok(())
}

/// Opens the store, then the window: the app's own page, or the page that says why there is none.
fn set_up(app: &mut App) -> tauri::Result<()> {
    let dir = data_dir(app)?;
    let page = match Tablet::open_with_ring(&dir, key_ring()) {
        Ok(tablet) => {
            app.manage(Arc::new(tablet));
            WebviewUrl::App("tablet.html".into())
        }
        Err(fault) => {
            let words = fault.to_string();
            eprintln!("The store in {} could not be opened. {words}", dir.display());
            app.manage(trouble::Trouble { words, dir });
            WebviewUrl::CustomProtocol(trouble::address())
        }
    };
    let window = WebviewWindowBuilder::new(app, "main", page)
        .title("Tubewright")
        .inner_size(800.0, 1280.0)
        .min_inner_size(360.0, 480.0)
        .prevent_overflow()
        .on_navigation(our_own)
        .on_new_window(|_, _| NewWindowResponse::Deny)
        .build()?;
    camera::mock_if_asked(&window)
}

/// Where this tablet's key is to live.
#[cfg(any(windows, target_os = "macos"))]
fn key_ring() -> Option<Arc<dyn tablet::KeyHome>> {
    Some(Arc::new(tablet::keyhome::SystemRing::new()))
}

/// In its own file: a keyring hangs on a desktop session here, and a tablet must start without one.
#[cfg(not(any(windows, target_os = "macos")))]
fn key_ring() -> Option<Arc<dyn tablet::KeyHome>> {
    None
}

fn data_dir(app: &App) -> tauri::Result<PathBuf> {
    match std::env::var_os(DATA) {
        Some(dir) if !dir.is_empty() => Ok(PathBuf::from(dir)),
        _ => app.path().app_data_dir(),
    }
}

/// The window shows the app's own pages and nothing else, wherever a link or a script points.
fn our_own(url: &Url) -> bool {
    match url.scheme() {
        "tauri" | trouble::SCHEME => true,
        // Where the webview knows no own schemes (Windows, Android) they arrive as hosts.
        "http" | "https" => matches!(url.host_str(), Some("tauri.localhost" | trouble::HOST)),
        "about" => url.path() == "blank",
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    #[test]
    fn the_window_goes_nowhere_but_home() {
        let goes = |s: &str| our_own(&Url::parse(s).unwrap());
        for home in ["tauri://localhost/tablet.html", "http://tauri.localhost/tablet.html", "about:blank"] {
            assert!(goes(home), "{home} is ours");
        }
        for away in ["https://example.org/", "http://127.0.0.1:8080/", "file:///etc/passwd", "http://localhost/", "data:text/html,x"] {
            assert!(!goes(away), "{away} is not ours");
        }
    }

    /// The tablet needs no network, so its page may reach none: only the app's own bridge is a connection.
    #[test]
    fn the_page_may_reach_no_network() {
        let config: Value = serde_json::from_str(include_str!("../tauri.conf.json")).unwrap();
        let csp = config["app"]["security"]["csp"].as_object().unwrap();
        assert_eq!(csp["default-src"], "'none'");
        let ours = [
            "'self'",
            "'none'",
            "'unsafe-inline'",
            "ipc:",
            "http://ipc.localhost",
            "photo:",
            "http://photo.localhost",
            "blob:",
            "data:",
            "mediastream:",
        ];
        for (directive, sources) in csp {
            for source in sources.as_str().unwrap().split(' ') {
                assert!(ours.contains(&source), "{directive} lets the page reach {source}");
            }
        }
        assert_eq!(csp["connect-src"], "ipc: http://ipc.localhost");
        assert_eq!(csp["script-src"], "'self'", "no inline script, no eval");
    }
}
