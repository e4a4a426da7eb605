//! The trailer's server: merges tablets, serves the board.

pub mod args;
pub mod cert;
pub mod clock;
pub mod codes;
pub mod fault;
pub mod files;
pub mod identity;
pub mod plan_file;
pub mod sessions;

/// One line for the log (standard error): what failed. Never a PIN, a token or a code.
pub fn log(line: &str) {
    eprintln!("tubewright-server: {line}");
}
