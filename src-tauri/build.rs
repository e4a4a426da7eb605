//! Reads tauri.conf.json and the capability files into the build.

fn main() {
    tauri_build::build();
}
