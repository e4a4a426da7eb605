//! The trailer's program. See `args::USAGE`.

use std::process::ExitCode;
use tubewright_server::args::{self, Command, Serve};
use tubewright_server::fault::Fault;
use tubewright_server::{commands, serve, tablet_web};

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
        Command::Init { data, plan } => commands::init(&data, &plan).map(|()| ExitCode::SUCCESS),
        Command::Verify { data } => commands::verify(&data).map(code),
        Command::VerifyFrom { from } => commands::verify_from(&from).map(code),
        Command::Backup { data, to } => commands::backup(&data, &to).map(|()| ExitCode::SUCCESS),
        Command::Restore { from, data } => commands::restore(&from, &data).map(code),
        Command::Export { data, to } => commands::export(&data, &to).map(|()| ExitCode::SUCCESS),
        Command::Import { data, from, trust } => commands::import(&data, &from, trust).map(code),
        Command::Serve(options) => runtime()?.block_on(serve_until_stopped(&options)),
        Command::Tablet { data, local, ui } => runtime()?.block_on(async {
            let mut signals = serve::Signals::new();
            let running = tablet_web::start(&data, local, &ui)?;
            println!("listening http {}", running.http);
            println!("tablet's screens on this machine: http://{}", running.http);
            signals.asked().await;
            running.stop().await;
            Ok(ExitCode::SUCCESS)
        }),
    }
}

fn code(good: bool) -> ExitCode {
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn runtime() -> Result<tokio::runtime::Runtime, Fault> {
    tokio::runtime::Runtime::new().map_err(|e| Fault::inside("start", e))
}

async fn serve_until_stopped(options: &Serve) -> Result<ExitCode, Fault> {
    let mut signals = serve::Signals::new();
    let running = serve::start(options)?;
    running.announce()?;
    signals.asked().await;
    println!("stopping: running requests end first; asked once more, it stops at once");
    tokio::spawn(async move {
        signals.asked().await;
        // Hard, as a power cut is: what was acknowledged is durable.
        eprintln!("tubewright-server: stopped at once; what was acknowledged is safe");
        std::process::exit(1);
    });
    running.stop().await;
    Ok(ExitCode::SUCCESS)
}
