//! Signing at a hold point. The PIN is asked at each signature, and what is signed is what was on the screen, or nothing.

use crate::core::{Core, draft, parse};
use crate::fault::Fault;
use crate::people::{self, check_pin};
use crate::record::{reason, refused};
use job::kinds::Covered;
use job::plan::Role;
use job::signing;
use serde::Deserialize;
use serde_json::{Value as Json, json};

#[derive(Deserialize)]
struct MaySign {
    job: String,
    gate: String,
    #[serde(default)]
    lang: Option<String>,
}

#[derive(Deserialize)]
struct Sign {
    job: String,
    gate: String,
    role: Role,
    pin: String,
    #[serde(default)]
    lang: Option<String>,
    covers: Vec<Covered>,
}

#[derive(Deserialize)]
struct Waive {
    job: String,
    gate: String,
    role: Role,
    pin: String,
    #[serde(default)]
    lang: Option<String>,
    reason: String,
    /// What was on the screen, where the screen shows it.
    #[serde(default)]
    covers: Option<Vec<Covered>>,
}

impl Core {
    /// For each role of the gate, whether the person at the glass may sign as it now, and why not.
    pub(crate) fn may_sign(&self, args: Json) -> Result<Json, Fault> {
        let args: MaySign = parse("may_sign", args)?;
        let inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let view = inner.job(&args.job)?;
        let point = plan.hold_point(&args.gate).ok_or_else(|| no_gate(&args.gate))?;
        let gate = view.gates.iter().find(|g| g.gate == args.gate).ok_or_else(|| no_gate(&args.gate))?;
        let roles: Vec<Json> = point
            .roles
            .iter()
            .map(|role| match signing::may_sign(&view, &plan, &args.gate, &person.id, *role) {
                Ok(()) => json!({ "role": role, "may": true }),
                Err(why) => json!({ "role": role, "may": false, "why": why }),
            })
            .collect();
        let lang = language(args.lang, &person.lang);
        Ok(json!({
            "roles": roles,
            "statement": signing::statement(point, &lang),
            "lang": lang,
            "covers": gate.covers,
            "waive": signing::waiver_roles(&person),
        }))
    }

    pub(crate) fn sign(&self, args: Json) -> Result<Json, Fault> {
        let args: Sign = parse("sign", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let view = inner.job(&args.job)?;
        signing::may_sign(&view, &plan, &args.gate, &person.id, args.role).map_err(refused)?;
        let lang = language(args.lang, &person.lang);
        let body = signing::sign_body(&view, &plan, &args.gate, args.role, &lang, None).ok_or_else(|| no_gate(&args.gate))?;
        if sorted(&body.covers) != sorted(&args.covers) {
            return Err(self.changed(&inner, &args.job, &view)?);
        }
        check_pin(&mut inner, &*self.env, &person, &args.pin)?;
        let draft = draft("sign", format!("job/{}/gate/{}", args.job, args.gate), Vec::new(), &body)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        self.saved(&inner, &args.job, &saved, &[])
    }

    /// Lets a job past a hold point for a reason that stays to be seen.
    pub(crate) fn waive(&self, args: Json) -> Result<Json, Fault> {
        let args: Waive = parse("waive", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let view = inner.job(&args.job)?;
        let why = reason(&args.reason)?;
        signing::may_waive(&view, &plan, &args.gate, &person.id, args.role, &why).map_err(refused)?;
        let lang = language(args.lang, &person.lang);
        let body = signing::sign_body(&view, &plan, &args.gate, args.role, &lang, Some(why)).ok_or_else(|| no_gate(&args.gate))?;
        if args.covers.is_some_and(|seen| sorted(&seen) != sorted(&body.covers)) {
            return Err(self.changed(&inner, &args.job, &view)?);
        }
        check_pin(&mut inner, &*self.env, &person, &args.pin)?;
        let draft = draft("sign", format!("job/{}/gate/{}", args.job, args.gate), Vec::new(), &body)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        self.saved(&inner, &args.job, &saved, &[])
    }
}

/// The language the statement was shown in: the screen's, else the person's.
fn language(screen: Option<String>, person: &str) -> String {
    let lang = screen.unwrap_or_else(|| person.to_owned());
    if lang == "es" { lang } else { "en".to_owned() }
}

fn sorted(covers: &[Covered]) -> Vec<Covered> {
    let mut all = covers.to_vec();
    for covered in &mut all {
        covered.entries.sort_unstable();
    }
    all.sort();
    all
}

fn no_gate(gate: &str) -> Fault {
    let words =
        "That hold point is not in this site's plan. Nothing was signed and nothing is lost. Go back to the tube and open the gate there.";
    Fault::new(404, "no-such-gate", words).with("gate", gate)
}
