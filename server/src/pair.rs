//! Taking a tablet in: `POST /api/pair`, and the invitation that a supervisor shows.

use crate::clock::random;
use crate::codes::{GOOD_MS, Refused};
use crate::fault::Fault;
use crate::qr;
use crate::state::{App, off_thread};
use crate::tablets::Asks;
use crate::web::Js;
use axum::Json;
use axum::extract::State;
use journal::Incarnation;
use serde::Serialize;
use sync::message::{PairReply, PairRequest};
use sync::pairing::{Address, Fingerprint, proof_fits, qr_text, reply};

/// A new one-time code with everything a tablet needs.
#[derive(Clone, Debug, Serialize)]
pub struct Invitation {
    /// The text of the picture.
    pub text: String,
    /// Address to type by hand.
    pub address: String,
    /// Code to type by hand, in two halves.
    pub code: String,
    /// SHA-256 of the trailer's TLS key, hexadecimal.
    pub fingerprint: String,
    /// Until when it is good, ms since 1970 on the server's clock.
    pub expires_ms: i64,
    /// The picture.
    pub svg: String,
}

/// Makes a one-time code. Blocks while another pairing is looked at.
///
/// # Errors
/// Where there are no random bytes.
pub fn invite(app: &App) -> Result<Invitation, Fault> {
    let code = app.codes().make(random()?, app.uptime_ms());
    let address = Address::parse(&app.dial().to_string()).map_err(|e| Fault::inside("own address", e))?;
    let fingerprint = Fingerprint(app.web().pin);
    let text = qr_text(&address, &fingerprint, &code);
    let svg = qr::picture(&text)?;
    let expires_ms = app.wall_ms().saturating_add(i64::try_from(GOOD_MS).unwrap_or(0));
    Ok(Invitation { text, address: address.to_string(), code: code.shown(), fingerprint: fingerprint.to_hex(), expires_ms, svg })
}

/// `POST /api/pair`.
///
/// # Errors
/// A sentence for a wrong, used or expired code, for a name that is taken, and while guesses are slowed down.
pub async fn pair(State(app): State<App>, Js(request): Js<PairRequest>) -> Result<Json<PairReply>, Fault> {
    off_thread(move || admit(&app, &request)).await.map(Json)
}

fn admit(app: &App, request: &PairRequest) -> Result<PairReply, Fault> {
    let own = Fingerprint(app.web().pin);
    // Held to the end: of two tablets with the same code one gets in. Order of locks: codes, then records.
    let mut codes = app.codes();
    let code = codes.find(app.uptime_ms(), |code| proof_fits(code, &own, request)).map_err(refused)?;
    let token = hex::encode(random::<32>()?);
    let asks = Asks { device: request.device, key: request.key, name: &request.name, token: &token, now_ms: app.wall_ms() };
    let answer = app.with_now(|trailer| {
        let plan = trailer.plan()?;
        let series = Incarnation::of(&request.key);
        trailer.may_be_paired(&series)?;
        let name = trailer.change_tablets(|tablets| tablets.admit(&asks))?;
        // In the record before the tablet hears of it: from its first entry on it counts everywhere.
        trailer.take_in(&series, &name)?;
        Ok(PairReply {
            token: token.clone(),
            site: plan.site,
            name: plan.plant,
            server_key: trailer.identity.key.public(),
            proof: String::new(),
        })
    })?;
    codes.use_up(&code);
    reply(&code, &own, request, answer).ok_or_else(|| Fault::inside("pairing", "the request changed under the hand"))
}

fn refused(why: Refused) -> Fault {
    match why {
        Refused::Wrong => Fault::new(
            403,
            "code-wrong",
            "This code does not fit. The tablet was not paired and nothing on it is lost. Read the code and the address from the board again.",
        ),
        Refused::Used => Fault::new(
            403,
            "code-used",
            "This code has been used already; a code pairs one tablet. This tablet was not paired and nothing on it is lost. If you did not use it, tell the supervisor. Take a new code at the board.",
        ),
        Refused::Expired => Fault::new(
            403,
            "code-expired",
            "This code is older than ten minutes and no longer good. The tablet was not paired and nothing on it is lost. Take a new code at the board.",
        ),
        Refused::Slow(wait_ms) => {
            let wait_s = wait_ms.div_ceil(1000);
            let words = format!(
                "Too many wrong codes: wait {wait_s} seconds, or let the supervisor make a new code at the board. Nothing is lost."
            );
            Fault::new(429, "code-slow-down", words).with("wait_s", wait_s).and("wait_s", wait_s)
        }
    }
}
