//! The trailer's program. See `args::USAGE`.

use std::process::ExitCode;
use tubewright_server::args::{self, Command, Serve};
use tubewright_server::fault::Fault;
use tubewright_server::trailer::{Loaded, Trailer, store_fault};
use tubewright_server::{serve, tablet_web};

fn main() -> ExitCode {
    // One crypto provider for everything in this process, chosen before the first use.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let given: Vec<String> = std::env::args().skip(1).collect();
    let command = match args::parse(&given) {
        Ok(command) => command,
        Err(words) => {
            eprintln!("{words}\n\n{}", args::USAGE);
            return ExitCode::from(2);
        }
    };
    match run(command) {
        Ok(code) => code,
        Err(fault) => {
            eprintln!("{fault}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> Result<ExitCode, Fault> {
    match command {
        Command::Help => {
            print!("{}", args::USAGE);
            Ok(ExitCode::SUCCESS)
        }
        Command::Init { data, plan } => init(&data, &plan),
        Command::Verify { data } => verify(&data),
        Command::Serve(options) => runtime()?.block_on(serve_until_stopped(&options)),
        Command::Tablet { data, local, ui } => runtime()?.block_on(async {
            let running = tablet_web::start(&data, local, &ui)?;
            println!("listening http {}", running.http);
            println!("tablet's screens on this machine: http://{}", running.http);
            serve::asked_to_stop().await;
            running.stop().await;
            Ok(ExitCode::SUCCESS)
        }),
    }
}

fn runtime() -> Result<tokio::runtime::Runtime, Fault> {
    tokio::runtime::Runtime::new().map_err(|e| Fault::inside("start", e))
}

async fn serve_until_stopped(options: &Serve) -> Result<ExitCode, Fault> {
    let running = serve::start(options)?;
    running.announce()?;
    serve::asked_to_stop().await;
    println!("stopping: running requests end first");
    running.stop().await;
    Ok(ExitCode::SUCCESS)
}

fn init(data: &std::path::Path, plan: &std::path::Path) -> Result<ExitCode, Fault> {
    let text = std::fs::read_to_string(plan).map_err(|e| {
        Fault::new(400, "no-plan-file", format!("The plan file {} cannot be read: {e}. Nothing was changed.", plan.display()))
    })?;
    let loaded = Trailer::open(data)?.load_plan(&text)?;
    println!(
        "{}",
        match loaded {
            Loaded::First => "plan loaded",
            Loaded::Changed => "plan changed; the one before stays readable in the journal",
            Loaded::Same => "plan unchanged",
        }
    );
    Ok(ExitCode::SUCCESS)
}

fn verify(data: &std::path::Path) -> Result<ExitCode, Fault> {
    // Opening would make a new, empty store: a mistyped folder must not be called sound.
    if !data.join("store").is_dir() {
        let words =
            format!("There is no server's data folder at {}. Nothing was checked and nothing was made. Look at the path.", data.display());
        return Err(Fault::new(404, "no-folder", words));
    }
    let mut trailer = Trailer::open(data)?;
    let report = trailer.store.verify().map_err(store_fault)?;
    println!(
        "{} entries in {} series, {} photos here, {} still only on tablets, {} entries kept apart",
        report.entries, report.series, report.photos, report.photos_missing, report.quarantined
    );
    for fault in &report.faults {
        println!("WRONG: {fault}");
    }
    if report.is_good() {
        println!("everything that can be checked is as it was saved");
        return Ok(ExitCode::SUCCESS);
    }
    println!("Keep this folder as it is, don't sync into it, and restore from a backup; what the tablets hold is safe there.");
    Ok(ExitCode::FAILURE)
}
