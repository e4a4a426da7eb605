//! Saves in the folder it is given, says so line by line, and goes on until it is killed. For the part `kills`.

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().collect();
    let [_, folder, seed] = args.as_slice() else { return ExitCode::from(2) };
    let Ok(seed) = seed.parse() else { return ExitCode::from(2) };
    proof::crash::child(Path::new(folder), seed);
    ExitCode::SUCCESS
}
