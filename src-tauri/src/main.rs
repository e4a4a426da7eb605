//! The tablet app on a desktop system.
#![cfg_attr(not(debug_assertions), windows_subsystem = "windows")]

fn main() {
    tubewright_app::run();
}
