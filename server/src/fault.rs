//! What the server answers when it cannot do what was asked: a sentence for a person, a code for the screen, a status.

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use job::Say;
use job::plan::{Person, Role};
use serde::Serialize;
use serde_json::{Map, Value};
use std::fmt;

/// A refusal or failure, in the same JSON form as the tablet's: `code`, `with`, `words`, `status`, and what the caller
/// needs to go on (`wait_s`, `offset`).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fault {
    /// The sentence: what happened, what is safe, what to do next.
    #[serde(flatten)]
    pub say: Say,
    /// 400 input, 401 not signed in, 403 role, 404 not there, 409 changed, 413 too large, 422 wrong content, 429 slow
    /// down, 500, 503 busy, 507 disk full.
    pub status: u16,
    /// Every single thing that is wrong with the input, where there are several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Say>,
    /// What the caller needs to go on.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub more: Option<Box<Map<String, Value>>>,
}

impl Fault {
    /// A fault with its status, code and sentence.
    pub fn new(status: u16, code: &str, words: impl Into<String>) -> Self {
        Self::say(status, Say::new(code, words))
    }

    /// A sentence that already exists, with a status.
    pub fn say(status: u16, say: Say) -> Self {
        Self { say, status, faults: Vec::new(), more: None }
    }

    /// Input that was refused or is asked again; the first sentence leads, all are listed.
    pub fn input(faults: Vec<Say>) -> Self {
        let first = faults
            .first()
            .cloned()
            .unwrap_or_else(|| Say::new("input", "What was typed could not be taken. Nothing was changed. Look at it and try again."));
        Self { faults, ..Self::say(400, first) }
    }

    /// Adds a parameter of the sentence.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl ToString) -> Self {
        self.say = self.say.with(name, value);
        self
    }

    /// Adds something the caller needs to go on.
    #[must_use]
    pub fn and(mut self, name: &str, value: impl Into<Value>) -> Self {
        self.more.get_or_insert_default().insert(name.to_owned(), value.into());
        self
    }

    /// Something inside failed that the caller cannot mend. One log line tells what; the caller is told what is safe.
    pub fn inside(what: &str, why: impl fmt::Display) -> Self {
        crate::log(&format!("{what}: {why}"));
        Self::new(
            500,
            "server-failed",
            "The trailer's server could not do that. What it acknowledged before is safe, and so is everything on the tablets. Try once more; if it happens again, look at the server's log.",
        )
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.say.words)
    }
}

impl std::error::Error for Fault {}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let wait = self.more.as_ref().and_then(|more| more.get("wait_s")?.as_u64());
        let mut response = (status, Json(&self)).into_response();
        if let Some(value) = wait.and_then(|s| HeaderValue::from_str(&s.to_string()).ok()) {
            response.headers_mut().insert(header::RETRY_AFTER, value);
        }
        response
    }
}

/// No or no longer valid token: the tablet must be paired.
pub fn not_paired() -> Fault {
    Fault::new(
        401,
        "not-paired",
        "The trailer does not know this tablet. Nothing on the tablet is lost. Pair it in the trailer with a new code from the board, then sync again.",
    )
}

/// No or no longer valid session: the person must sign in.
pub fn not_signed_in() -> Fault {
    Fault::new(401, "not-signed-in", "Nobody is signed in on this board. Nothing was changed. Sign in with your name and PIN.")
}

/// Signed in, but without the role that this needs.
pub fn wrong_role(person: &Person, roles: &[Role]) -> Fault {
    if roles == [Role::Supervisor] {
        return Fault::new(
            403,
            "supervisor-only",
            "Only a supervisor may let a new tablet in. Nothing was changed. Ask the supervisor to sign in and make the code.",
        );
    }
    let who: Vec<&str> = roles.iter().map(|role| role.words()).collect();
    let who = who.join(" or ");
    let words = format!("Only a {who} may do that, and {} is none. Nothing was changed. Ask one to sign in here.", person.name);
    Fault::new(403, "role-only", words).with("name", &person.name).with("roles", who)
}

/// The route is not there, or not on this listener.
pub fn no_such_page() -> Fault {
    Fault::new(404, "no-such-page", "There is no such page on the trailer's server. Nothing was changed. Go back to the board.")
}

/// No plan has been loaded yet.
pub fn no_plan() -> Fault {
    Fault::new(409, "no-plan", "The trailer has no outage plan yet. Load one with: tubewright-server init --data FOLDER --plan FILE.")
}
