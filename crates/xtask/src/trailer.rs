//! The attended demo's parts: the trailer's server, and a tablet paired with it as a person would pair it.

use crate::keeper::Keeper;
use crate::people::{self, Person};
use crate::place::Place;
use crate::stop::Stop;
use crate::{run, web};
use std::fs::File;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::process::{Command, ExitCode};
use std::time::{Duration, Instant};

const SERVER: &str = "the server";
const WINDOW: &str = "the tablet's window";
const PAGES: &str = "the tablet's screens";

/// A running server and what belongs to it.
pub struct Trailer<'a> {
    place: &'a Place,
    home: PathBuf,
    people: Vec<Person>,
    /// HTTPS for tablets and browsers on the network.
    secure: SocketAddr,
    /// Plain HTTP on this machine.
    board: SocketAddr,
    /// Plain HTTP on this machine, the tablet's screens.
    pages: SocketAddr,
}

impl<'a> Trailer<'a> {
    /// Loads the demo outage, starts the server, pairs the tablet, shows it.
    pub fn open(place: &'a Place, keeper: &mut Keeper) -> Result<Self, Stop> {
        let plan = place.root.join("server/demo/outage.json");
        let outage = std::fs::read_to_string(&plan)
            .map_err(|e| Stop::new(format!("server/demo/outage.json cannot be read ({e}). Check the checkout with `git status`.")))?;
        let at = |wished| SocketAddr::from((Ipv4Addr::LOCALHOST, web::free_port(wished)));
        let home = place.target.join("demo");
        let trailer = Self { place, home, people: people::of(&outage), secure: at(8443), board: at(8080), pages: at(8090) };
        let mut init = trailer.server("init", "trailer");
        run::must(init.arg("--plan").arg(&plan), "the demo outage could not be loaded", &trailer.anew())?;
        trailer.serve(keeper)?;
        trailer.show_pages(keeper)?;
        trailer.pair_once()?;
        trailer.tell();
        trailer.show(keeper)?;
        Ok(trailer)
    }

    /// Stays while the server runs; a closed window leaves the board standing.
    pub fn until_ended(&self, keeper: &mut Keeper) -> Result<ExitCode, Stop> {
        println!("\nCtrl-C ends everything. Records stay in {}. {}", self.home.display(), self.anew());
        loop {
            match keeper.ended() {
                Some((name, _)) if name == SERVER => {
                    return Err(Stop::new(format!("the server ended by itself; its own words are above. {}", self.anew())));
                }
                Some((name, true)) if name == WINDOW => println!("The tablet's window was closed. The board stays until Ctrl-C."),
                Some((name, _)) => {
                    println!("{name} ended by itself; its own words are above.");
                    if name == WINDOW {
                        self.show_pages(keeper)?;
                        println!("tablet   http://{}/ (in a browser on this machine instead)", self.pages);
                    }
                }
                None => std::thread::sleep(Duration::from_millis(200)),
            }
        }
    }

    fn server(&self, command: &str, folder: &str) -> Command {
        let mut server = self.place.command(&self.place.built("tubewright-server").to_string_lossy());
        server.arg(command).arg("--data").arg(self.home.join(folder));
        server
    }

    fn anew(&self) -> String {
        format!("To begin anew, remove {} and repeat this command.", self.home.display())
    }

    fn serve(&self, keeper: &mut Keeper) -> Result<(), Stop> {
        let mut serve = self.server("serve", "trailer");
        serve.arg("--listen").arg(format!("0.0.0.0:{}", self.secure.port())).arg("--local").arg(self.board.to_string());
        serve.arg("--ui").arg(self.place.root.join("ui/dist"));
        start(keeper, SERVER, serve.stdout(self.log("server")?), self.board)
    }

    fn show_pages(&self, keeper: &mut Keeper) -> Result<(), Stop> {
        let mut pages = self.server("tablet", "tablet");
        pages.arg("--local").arg(self.pages.to_string()).arg("--ui").arg(self.place.root.join("ui/dist"));
        start(keeper, PAGES, pages.stdout(self.log("tablet")?), self.pages)
    }

    /// A file for what a server tells in the ordinary course; its complaints go to the terminal.
    fn log(&self, name: &str) -> Result<File, Stop> {
        let path = self.home.join(format!("{name}.log"));
        File::create(&path)
            .map_err(|e| Stop::new(format!("{} cannot be written ({e}). Free some disk space, then repeat this command.", path.display())))
    }

    /// The window where there is a display; else the pages stay.
    fn show(&self, keeper: &mut Keeper) -> Result<(), Stop> {
        let named = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        if !named("DISPLAY") && !named("WAYLAND_DISPLAY") {
            println!("tablet   http://{}/ (there is no display, so its screens are served to a browser on this machine)", self.pages);
            return Ok(());
        }
        // One store, one owner: the pages let go of it before the window takes it.
        keeper.end(PAGES);
        println!("tablet   its window opens now");
        let mut window = self.place.command(&self.place.built("tubewright").to_string_lossy());
        window.env("TUBEWRIGHT_DATA", self.home.join("tablet"));
        keeper
            .start(WINDOW, &mut window)
            .map(|_| ())
            .map_err(|e| Stop::new(format!("the tablet app could not be started ({e}); repeat this command to build it again.")))
    }

    /// Pairs the tablet at the first start, and lets it fetch the plan.
    fn pair_once(&self) -> Result<(), Stop> {
        let paired = self.tablet("state", "{}")?.contains("\"paired\":true");
        if !paired {
            let text = self.pairing()?.text;
            let here = to_loopback(&text, self.secure.port());
            self.tablet("pair", &format!("{{\"text\":\"{here}\"}}"))?;
        }
        self.tablet("sync_start", "{}")?;
        let until = Instant::now() + Duration::from_secs(60);
        while !self.tablet("sync_state", "{}")?.contains("\"running\":false") && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(100));
        }
        self.tablet("people", "{}").map(|_| ())
    }

    /// A call of the tablet seam.
    fn tablet(&self, call: &str, args: &str) -> Result<String, Stop> {
        let answer = web::post(self.pages, &format!("/tablet/api/{call}"), None, args);
        self.well(answer, &format!("the demo's tablet did not do `{call}`")).map(|answer| answer.body)
    }

    /// A new one-time pairing code, asked for by the demo's supervisor.
    fn pairing(&self) -> Result<Pairing, Stop> {
        let supervisor = self.people.iter().find(|person| person.roles.contains("supervisor"));
        let supervisor = supervisor.ok_or_else(|| {
            Stop::new("the demo outage has no supervisor, so no tablet can be paired; check server/demo/outage.json with `git status`.")
        })?;
        let body = format!("{{\"person\":\"{}\",\"pin\":\"{}\"}}", supervisor.id, supervisor.pin);
        let session = self.well(web::post(self.board, "/api/board/session", None, &body), "the demo's supervisor could not sign in")?;
        let answer =
            self.well(web::post(self.board, "/api/board/pairing", session.cookie.as_deref(), "{}"), "the server gave no pairing code")?;
        let of = |key| people::text(&answer.body, key);
        match (of("text"), of("address"), of("code")) {
            (Some(text), Some(address), Some(code)) => Ok(Pairing { text, address, code }),
            _ => Err(Stop::new(format!("the server's pairing code was not understood. {}", self.anew()))),
        }
    }

    fn well(&self, answer: Option<web::Answer>, what: &str) -> Result<web::Answer, Stop> {
        match answer {
            Some(answer) if answer.status < 300 => Ok(answer),
            Some(answer) => {
                let why = people::text(&answer.body, "words").unwrap_or(answer.body);
                Err(Stop::new(format!("{what} (status {}: {why}). {}", answer.status, self.anew())))
            }
            None => Err(Stop::new(format!("{what}: no answer. {}", self.anew()))),
        }
    }

    fn tell(&self) {
        println!(
            "\nboard    http://{}/ on this machine; https://<this machine>:{}/ from others (http://{}/trust has the words for that)",
            self.board,
            self.secure.port(),
            self.board
        );
        println!("people   (invented; name, roles, PIN)");
        for Person { name, roles, pin, .. } in &self.people {
            println!("         {name:<14} {roles:<24} {pin}");
        }
        if let Ok(Pairing { text, address, code }) = self.pairing() {
            println!("pairing  for one more tablet, good once and for a short time (the board gives others):");
            println!("         {text}\n         or by hand: address {address}, code {code}");
        }
    }
}

struct Pairing {
    text: String,
    address: String,
    code: String,
}

/// The pairing text with this machine's own address in place of its network address: the demo's tablet runs here and must
/// also pair where there is no network.
fn to_loopback(text: &str, port: u16) -> String {
    let Some((before, rest)) = text.split_once("a=") else { return text.to_owned() };
    let after = rest.split_once('&').map_or("", |(_, after)| after);
    format!("{before}a=127.0.0.1:{port}&{after}")
}

/// Starts a server and waits until it listens.
fn start(keeper: &mut Keeper, name: &str, command: &mut Command, at: SocketAddr) -> Result<(), Stop> {
    keeper
        .start(name, command)
        .map_err(|e| Stop::new(format!("{name} could not be started ({e}); repeat this command to build it again.")))?;
    let until = Instant::now() + Duration::from_secs(30);
    while !web::listens(at) {
        if let Some((ended, _)) = keeper.ended() {
            return Err(Stop::new(format!("{ended} ended at once; its own words are above.")));
        }
        if Instant::now() > until {
            return Err(Stop::new(format!("{name} does not answer at {at} after 30 s; its own words are above.")));
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_demos_tablet_pairs_over_loopback() {
        let here = to_loopback("tubewright:pair?a=192.168.7.2:8443&f=ab12&c=KX", 9443);
        println!("{here}");
        assert_eq!(here, "tubewright:pair?a=127.0.0.1:9443&f=ab12&c=KX");
    }
}
