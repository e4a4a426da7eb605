//! The camera: the page may use it, and only it.

use tauri::webview::{PermissionKind, PermissionResponse};
use tauri::{Runtime, Webview, WebviewWindow};

/// Without an answer here WebKitGTK refuses the camera in a normal start (and grants it under automation, which hides that).
///
/// Sound is refused: a photo needs none, and the furnace is full of other people's talk.
pub fn permit<R: Runtime>(_: Webview<R>, kind: PermissionKind) -> PermissionResponse {
    match kind {
        PermissionKind::Camera => PermissionResponse::Allow,
        // The preview plays by itself, and asking which cameras there are comes as "other": the webview's own rule decides.
        PermissionKind::Autoplay | PermissionKind::Other => PermissionResponse::Default,
        _ => PermissionResponse::Deny,
    }
}

/// Tests on a machine without a camera ask for WebKit's own mock one. Never in a release build: nobody is to pass a drawing off as a photo.
#[cfg(all(target_os = "linux", debug_assertions))]
pub fn mock_if_asked<R: Runtime>(window: &WebviewWindow<R>) -> tauri::Result<()> {
    use webkit2gtk::{SettingsExt, WebViewExt};
    if std::env::var_os("TUBEWRIGHT_MOCK_CAMERA").is_none_or(|value| value != "1") {
        return Ok(());
    }
    window.with_webview(|webview| {
        if let Some(settings) = WebViewExt::settings(&webview.inner()) {
            settings.set_enable_mock_capture_devices(true);
        }
    })
}

/// No mock camera here.
#[cfg(not(all(target_os = "linux", debug_assertions)))]
pub fn mock_if_asked<R: Runtime>(_: &WebviewWindow<R>) -> tauri::Result<()> {
    Ok(())
}
