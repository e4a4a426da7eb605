//! What the seam answers when it cannot do what was asked: a sentence for the person, a code for the screen, a status.

use job::Say;
use serde::Serialize;
use serde_json::{Map, Value as Json};
use std::fmt;

/// A refusal or failure. Its words say what happened, what is safe and what to do next.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fault {
    /// The sentence.
    #[serde(flatten)]
    pub say: Say,
    /// 400 input, 401 not signed in, 403 role, 404 not there, 409 stopped or changed, 413 too large, 429 slow down, 500, 507 disk full.
    pub status: u16,
    /// Every single thing that is wrong with the input, where there are several (`ask-...` = read once more).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Say>,
    /// What the screen needs to go on: `view` after a change, `wait_s` after wrong PINs.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub more: Option<Box<Map<String, Json>>>,
}

impl Fault {
    /// A fault with its status, code and sentence.
    pub fn new(status: u16, code: &str, words: impl Into<String>) -> Self {
        Self { say: Say::new(code, words), status, faults: Vec::new(), more: None }
    }

    /// A sentence that already exists, with a status.
    pub const fn say(status: u16, say: Say) -> Self {
        Self { say, status, faults: Vec::new(), more: None }
    }

    /// Input that was refused or is asked again; the first sentence leads, all are listed.
    pub fn input(faults: Vec<Say>) -> Self {
        let say = faults.first().cloned().unwrap_or_else(|| {
            Say::new(
                "input",
                "What was typed could not be taken. Nothing was saved; what was there before stands. Look at it and save again.",
            )
        });
        Self { say, status: 400, faults, more: None }
    }

    /// Adds a parameter of the sentence.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl ToString) -> Self {
        self.say = self.say.with(name, value);
        self
    }

    /// Adds something the screen needs to go on.
    #[must_use]
    pub fn and(mut self, name: &str, value: Json) -> Self {
        self.more.get_or_insert_default().insert(name.to_owned(), value);
        self
    }

    /// The code of the leading sentence.
    pub fn code(&self) -> &str {
        &self.say.code
    }

    /// The JSON form: `code`, `with`, `words`, `status`, and where there is something `faults` and more.
    pub fn to_json(&self) -> Json {
        serde_json::to_value(self).unwrap_or_else(|_| Json::String(self.say.words.clone()))
    }

    /// Something inside failed that a person cannot mend from the screen.
    pub(crate) fn inside(code: &str, what: &str, why: impl fmt::Display) -> Self {
        let words = format!(
            "{what} What was saved before is safe. Try once more; if it happens again, take the tablet to the trailer and show this: {why}"
        );
        Self::new(500, code, words).with("why", why)
    }
}

/// A fault reads as its sentence: `fault.words`, `fault.with`.
impl std::ops::Deref for Fault {
    type Target = Say;
    fn deref(&self) -> &Say {
        &self.say
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.say.words)
    }
}

impl std::error::Error for Fault {}

pub(crate) fn not_signed_in() -> Fault {
    Fault::new(
        401,
        "not-signed-in",
        "Nobody is signed in on this tablet. Nothing was saved by this tap; what was saved before is safe. Take up the tablet with your name and PIN.",
    )
}

pub(crate) fn not_paired() -> Fault {
    Fault::new(
        409,
        "not-paired",
        "This tablet does not belong to a site yet, so it has no plan and no people. Nothing is lost. Pair it in the trailer with the code on the board.",
    )
}

pub(crate) fn pair_again() -> Fault {
    Fault::new(
        409,
        "pair-again",
        "The trailer does not know this tablet's present series of records yet, so nothing was sent. Everything is safe here, and it goes on recording. Pair it again at the trailer, with a new code from the board.",
    )
}

pub(crate) fn no_plan() -> Fault {
    Fault::new(
        409,
        "no-plan",
        "This tablet is paired but has not fetched the site's plan yet. Nothing is lost. Take it into the trailer and let it sync.",
    )
}

pub(crate) fn no_job(job: &str) -> Fault {
    Fault::new(404, "no-job", "That job is not on this tablet. Nothing was saved by this tap. Go back to the wall and open the job there; a job of another tablet comes with the next sync.").with("job", job)
}

pub(crate) fn not_understood(call: &str, why: impl fmt::Display) -> Fault {
    let words = format!(
        "The screen asked for something this tablet does not understand ({call}: {why}). Nothing was saved by it; what was saved before is safe. Go back and try again."
    );
    Fault::new(400, "not-understood", words).with("call", call).with("why", why)
}
