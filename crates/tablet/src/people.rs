//! Taking up the tablet: the roster, the PIN, and the wait after misses.

use crate::core::{Core, Inner, parse};
use crate::env::Env;
use crate::fault::{self, Fault};
use crate::setting;
use crate::setting::store_fault;
use job::pin::{self, Guard};
use job::plan::Person;
use journal::{BootId, PersonId};
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};

#[derive(Deserialize)]
struct SignIn {
    person: PersonId,
    pin: String,
}

/// Misses of one person on this tablet, with the run of the machine they were counted in.
#[derive(Clone, Default, Serialize, Deserialize)]
pub(crate) struct KeptGuard {
    guard: Guard,
    boot: Option<BootId>,
}

impl Core {
    pub(crate) fn people(&self) -> Result<Json, Fault> {
        let inner = self.lock();
        Ok(inner.plan()?.people.iter().map(shown).collect())
    }

    pub(crate) fn sign_in(&self, args: Json) -> Result<Json, Fault> {
        let args: SignIn = parse("sign_in", args)?;
        let mut inner = self.lock();
        let plan = inner.plan()?;
        let person = plan.person(&args.person).ok_or_else(|| unknown(&args.person))?;
        check_pin(&mut inner, &*self.env, person, &args.pin)?;
        inner.who = Some(person.id.clone());
        Ok(json!({ "person": shown(person) }))
    }

    pub(crate) fn sign_out(&self) -> Json {
        self.lock().who = None;
        json!({})
    }

    /// The plan as the screens may have it: without the PIN hashes.
    pub(crate) fn plan_shown(&self) -> Result<Json, Fault> {
        let plan = self.lock().plan()?;
        let people: Json = plan.people.iter().map(shown).collect();
        let mut plan = serde_json::to_value(&plan).map_err(|e| fault::not_understood("plan", e))?;
        if let Some(map) = plan.as_object_mut() {
            map.insert("people".to_owned(), people);
        }
        Ok(plan)
    }
}

/// A person without the PIN hash.
pub(crate) fn shown(person: &Person) -> Json {
    json!({ "id": person.id, "name": person.name, "roles": person.roles, "lang": person.lang, "stamp": person.stamp })
}

/// The person who holds the tablet, as the roster has them now.
pub(crate) fn holder(inner: &Inner) -> Result<Person, Fault> {
    let who = inner.who.as_ref().ok_or_else(fault::not_signed_in)?;
    inner.plan()?.person(who).cloned().ok_or_else(|| unknown(who))
}

/// Checks a PIN, slowed down after misses.
///
/// On a full disk the misses are counted in memory alone: people must get at the records then, to sync and make room. A
/// restart forgets those of them that found no room.
pub(crate) fn check_pin(inner: &mut Inner, env: &dyn Env, person: &Person, given: &str) -> Result<(), Fault> {
    let mut kept = match inner.misses.get(&person.id) {
        Some(kept) => kept.clone(),
        None => setting::load(&inner.store, &guard_key(person))?.unwrap_or_default(),
    };
    if kept.boot != Some(env.boot()) {
        // The misses were before this run began, so at least the whole run has passed since: never more is assumed.
        // The wall clock is not asked, it can be set by anyone.
        kept.guard.last_ms = 0;
        kept.boot = Some(env.boot());
    }
    let wait = kept.guard.wait_ms(env.uptime_ms());
    if wait > 0 {
        return Err(slow_down(person, wait));
    }
    // Counted as a miss on disk before it is looked at: switching off at the right moment gives no free try.
    kept.guard.miss(env.uptime_ms());
    keep(inner, person, &kept)?;
    if pin::verify(given, &person.pin) {
        kept.guard.hit();
        return keep(inner, person, &kept);
    }
    let wait = kept.guard.wait_ms(env.uptime_ms());
    if wait > 0 { Err(slow_down(person, wait)) } else { Err(wrong_pin(person)) }
}

fn guard_key(person: &Person) -> String {
    format!("pin-guard/{}", person.id)
}

/// Keeps the misses, on disk where there is room.
fn keep(inner: &mut Inner, person: &Person, kept: &KeptGuard) -> Result<(), Fault> {
    inner.misses.insert(person.id.clone(), kept.clone());
    let text =
        serde_json::to_string(kept).map_err(|e| Fault::inside("bad-setting", "A small note of this tablet cannot be written.", e))?;
    match inner.store.set_setting(&guard_key(person), &text) {
        Err(e) if e.is_disk_full() => Ok(()),
        other => other.map_err(store_fault),
    }
}

fn wrong_pin(person: &Person) -> Fault {
    let words = format!(
        "That is not the PIN of {}. Nothing was signed or changed, and what was saved is safe. Type the six figures again.",
        person.name
    );
    Fault::new(401, "wrong-pin", words).with("name", &person.name)
}

fn slow_down(person: &Person, wait_ms: u64) -> Fault {
    let wait_s = wait_ms.div_ceil(1000);
    let words = format!(
        "Too many wrong PINs for {}: wait {wait_s} seconds, then try again. The name is not locked, and nothing that was saved is lost. If the PIN is forgotten, ask the supervisor.",
        person.name
    );
    Fault::new(429, "slow-down", words).with("name", &person.name).with("wait_s", wait_s).and("wait_s", Json::from(wait_s))
}

fn unknown(person: &PersonId) -> Fault {
    let words = "That person is not on this site's roster as this tablet has it. Nothing was saved by this tap; what was saved before is safe. Choose a name from the list, or sync in the trailer to fetch the newest roster.";
    Fault::new(404, "no-person", words).with("person", person)
}
