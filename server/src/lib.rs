//! The trailer's server: merges tablets, serves the board.
//!
//! - `args`, `main`, `commands`, `backups`: the command line and what it does. `serve`: listeners and stopping. `tablet_web`: a tablet for a browser on loopback.
//! - `routes`: every route with who may pass. `web`: what all answers share. `fault`: what is said when something is refused.
//! - `trailer`: the records without the web; `standing`, `skew`: what it says of series and clocks. `series`, `say`: the board's view of series and its say over them.
//! - `state`: what requests share. `pair`, `syncing`, `board`, `pictures`, `trust`, `ui`: the routes' work.
//! - `doors`: how many may come in. `cert`, `identity`, `plan_file`, `codes`, `sessions`, `tablets`, `clock`, `files`, `net`, `mdns`, `qr`: one idea each.

pub mod args;
pub mod backups;
pub mod board;
pub mod cert;
pub mod clock;
pub mod codes;
pub mod commands;
pub mod doors;
pub mod fault;
pub mod files;
pub mod identity;
pub mod mdns;
pub mod net;
pub mod pair;
pub mod pictures;
pub mod plan_file;
pub mod qr;
pub mod routes;
pub mod say;
pub mod series;
pub mod serve;
pub mod sessions;
mod skew;
mod standing;
pub mod state;
pub mod syncing;
pub mod tablet_web;
pub mod tablets;
pub mod trailer;
pub mod trust;
pub mod ui;
pub mod web;

/// One line for the log (standard error): what failed. Never a PIN, a token or a code.
pub fn log(line: &str) {
    eprintln!("tubewright-server: {line}");
}
