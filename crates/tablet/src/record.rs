//! Saving: opening a job, recording a field, striking an item, settling two answers.
//!
//! Every one of them is checked first, written as one transaction, and answered only after the commit is durable.

use crate::blind::{blind, seen_blind};
use crate::core::{Core, Inner, draft, draft_json, parse};
use crate::fault::{self, Fault};
use crate::people::{self, check_pin};
use crate::setting::{self, no_section, store_fault};
use job::check::{self, CheckContext};
use job::fold;
use job::kinds::{FieldSpec, GAP_CLOCKS, Open, Settle, Shape, Strike};
use job::plan::Person;
use job::signing;
use job::view::FieldState;
use job::{JobView, Say, SitePlan};
use journal::EntryHash;
use serde::Deserialize;
use serde_json::{Value as Json, json};
use std::collections::BTreeSet;

const LONGEST_REASON: usize = 2000;

#[derive(Deserialize)]
struct OpenJob {
    section: String,
    place: Json,
}

#[derive(Deserialize)]
struct Record {
    job: String,
    field: String,
    body: Json,
    #[serde(default)]
    basis: Vec<EntryHash>,
    /// Fields to leave out of the answer, for a blind second entry that is not finished.
    #[serde(default)]
    hide: Vec<String>,
}

#[derive(Deserialize)]
struct StrikeItem {
    job: String,
    field: String,
    entry: EntryHash,
    reason: String,
}

#[derive(Deserialize)]
struct SettleField {
    job: String,
    field: String,
    body: Json,
    reason: String,
    basis: Vec<EntryHash>,
    pin: String,
}

impl Core {
    /// A new job: that it exists and which tube it is, as one transaction.
    pub(crate) fn open_job(&self, args: Json) -> Result<Json, Fault> {
        let mut args: OpenJob = parse("open_job", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let section = plan.section(&args.section).ok_or_else(|| no_section(&args.section))?;
        if let Some(place) = args.place.as_object_mut() {
            place.entry("section").or_insert_with(|| Json::from(args.section.as_str()));
        }
        let context = CheckContext { plan: &plan, section, view: None, field: "place" };
        let place = check::body("place", &args.place, &context).map_err(Fault::input)?;
        if place.get("section").and_then(Json::as_str) != Some(args.section.as_str()) {
            return Err(Fault::new(
                400,
                "section-differs",
                "The section of the place is not the section of the job. Nothing was saved. Go back and choose the section again.",
            ));
        }
        let job = self.new_job_id()?;
        self.named(&mut inner)?;
        let number = next_number(&inner)?;
        let open = Open { number: number.clone(), section: args.section.clone() };
        let drafts = vec![
            draft("open", format!("job/{job}/open"), Vec::new(), &open)?,
            draft_json("place", format!("job/{job}/place"), Vec::new(), &place)?,
        ];
        let saved = self.write(&mut inner, &person.id, drafts)?;
        setting::save(&mut inner.store, "section", &args.section)?;
        let view = self.with_lives(&inner, &job, inner.job(&job)?)?;
        Ok(json!({ "job": job, "number": number, "saved": saved, "view": view }))
    }

    /// One value of a single field, or one item of a list.
    pub(crate) fn record(&self, args: Json) -> Result<Json, Fault> {
        let args: Record = parse("record", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let view = inner.job(&args.job)?;
        let spec = recordable(&args.field, &plan)?;
        not_the_first_counter(spec, &view, &person)?;
        understood(&view, &args.field)?;
        self.known_basis(&inner, &view, &args.field, &args.basis)?;
        let seen = if args.hide.is_empty() { view } else { seen_blind(view, &args.hide, &person.id) };
        let body = checked(spec, &args.field, &args.body, &plan, &seen)?;
        let draft = draft_json(spec.kind, format!("job/{}/{}", args.job, args.field), args.basis, &body)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        self.saved(&inner, &args.job, &saved, &args.hide)
    }

    /// An item of a list was a mistake. It stays readable with the reason.
    pub(crate) fn strike(&self, args: Json) -> Result<Json, Fault> {
        let args: StrikeItem = parse("strike", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        inner.plan()?;
        let view = inner.job(&args.job)?;
        let spec = fold::spec(&args.field).filter(|s| s.shape == Shape::List && s.kind != "sign").ok_or_else(|| no_strike(&args.field))?;
        let items = view.lists.get(&args.field).map_or(&[][..], Vec::as_slice);
        let item = items.iter().find(|i| i.entry == args.entry).ok_or_else(|| no_item(spec))?;
        if item.struck.is_some() {
            let words = "That item is already struck, with its reason. Nothing was changed. Go back to the list.";
            return Err(Fault::new(409, "already-struck", words).and("view", self.with_lives(&inner, &args.job, view.clone())?));
        }
        let body = Strike { entry: args.entry, reason: reason(&args.reason)? };
        let draft = draft("strike", format!("job/{}/{}", args.job, args.field), vec![args.entry], &body)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        self.saved(&inner, &args.job, &saved, &[])
    }

    /// Two answers are settled by a supervisor or QC who saw all of what stands.
    pub(crate) fn settle(&self, args: Json) -> Result<Json, Fault> {
        let args: SettleField = parse("settle", args)?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let plan = inner.plan()?;
        let view = inner.job(&args.job)?;
        let spec = fold::spec(&args.field).filter(|s| s.shape == Shape::Single && s.kind != "open").ok_or_else(|| no_field(&args.field))?;
        understood(&view, &args.field)?;
        signing::may_settle(&view, &args.field, &person, &args.reason).map_err(refused)?;
        let standing = view.fields.get(&args.field);
        let seen: BTreeSet<_> = args.basis.iter().collect();
        if standing.is_none_or(|f| f.basis.iter().collect::<BTreeSet<_>>() != seen) {
            return Err(self.changed(&inner, &args.job, &view)?);
        }
        let body = checked(spec, &args.field, &args.body, &plan, &view)?;
        let settle = Settle { kind: spec.kind.to_owned(), body, reason: reason(&args.reason)? };
        check_pin(&mut inner, &*self.env, &person, &args.pin)?;
        let draft = draft("settle", format!("job/{}/{}", args.job, args.field), args.basis, &settle)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        self.saved(&inner, &args.job, &saved, &[])
    }

    /// The answer to a save: what was saved and the job as it stands now.
    pub(crate) fn saved(&self, inner: &Inner, job: &str, saved: &[EntryHash], hide: &[String]) -> Result<Json, Fault> {
        let view = inner.job(job)?;
        let view = if hide.is_empty() { self.with_lives(inner, job, view)? } else { self.lives_beside(inner, job, blind(view, hide))? };
        Ok(json!({ "saved": saved, "view": view }))
    }

    /// 409 with the job as it stands now.
    pub(crate) fn changed(&self, inner: &Inner, job: &str, view: &JobView) -> Result<Fault, Fault> {
        let words = "What stands here is no longer what was on this screen: someone changed it meanwhile. Nothing was saved by this tap and nothing is lost. Look at what stands now, then do it again if it is still right.";
        Ok(Fault::new(409, "stands-changed", words).and("view", self.with_lives(inner, job, view.clone())?))
    }

    /// Every entry named as a basis must stand or have stood on that very subject.
    fn known_basis(&self, inner: &Inner, view: &JobView, field: &str, basis: &[EntryHash]) -> Result<(), Fault> {
        let mut known: BTreeSet<EntryHash> = BTreeSet::new();
        if let Some(f) = view.fields.get(field) {
            known.extend(f.basis.iter().chain(f.answers.iter().chain(&f.past).flat_map(|a| &a.entries)));
        }
        known.extend(view.lists.get(field).into_iter().flatten().map(|i| i.entry));
        if basis.iter().all(|h| known.contains(h)) { Ok(()) } else { Err(self.changed(inner, &view.job, view)?) }
    }

    /// A version 7 UUID from this tablet's clock and random bytes, 32 hexadecimal figures.
    fn new_job_id(&self) -> Result<String, Fault> {
        let mut random = [0_u8; 10];
        self.env.random(&mut random)?;
        let ms = u64::try_from(self.env.wall_ms()).unwrap_or(0);
        Ok(uuid::Builder::from_unix_timestamp_millis(ms, &random).into_uuid().simple().to_string())
    }
}

/// The next free short number of this tablet, read off the journal itself, so that it can neither be lost nor used twice.
fn next_number(inner: &Inner) -> Result<String, Fault> {
    let name = &inner.name.as_ref().ok_or_else(fault::not_paired)?.name;
    let jobs = inner.store.jobs().map_err(store_fault)?;
    let used = jobs.iter().filter_map(|j| j.number.strip_prefix(name.as_str())?.strip_prefix('-')?.parse::<u32>().ok());
    Ok(format!("{name}-{:03}", used.max().unwrap_or(0) + 1))
}

/// The field's specification, where it may be recorded by this call and its variable part is one that exists.
fn recordable(field: &str, plan: &SitePlan) -> Result<&'static FieldSpec, Fault> {
    let spec = fold::spec(field).ok_or_else(|| no_field(field))?;
    let part = field.split('/').nth(1).unwrap_or_default();
    let fits = match spec.path {
        "gap/*" => GAP_CLOCKS.contains(&part),
        "before-work/*" => plan.checks.iter().any(|c| c.id == part),
        path if path.starts_with("joint/") => ["upper", "lower", "patch"].contains(&part),
        _ => true,
    };
    // `open`, `photo` and `sign` have calls of their own with checks of their own.
    if fits && !matches!(spec.kind, "open" | "photo" | "sign") { Ok(spec) } else { Err(no_field(field)) }
}

/// The body after every check, or the sentences.
fn checked(spec: &FieldSpec, field: &str, body: &Json, plan: &SitePlan, view: &JobView) -> Result<Json, Fault> {
    let section = plan.section(&view.section).ok_or_else(|| no_section(&view.section))?;
    let context = CheckContext { plan, section, view: Some(view), field };
    check::body(spec.kind, body, &context).map_err(Fault::input)
}

/// What a newer program wrote can be kept and sent on, not built upon.
fn understood(view: &JobView, field: &str) -> Result<(), Fault> {
    if view.fields.get(field).is_none_or(|f| f.state != FieldState::NotUnderstood) {
        return Ok(());
    }
    let words = "A newer program wrote what stands here, and this tablet cannot read it. Nothing was saved by this tap, and nothing is lost. Update this tablet, or record it on the one that wrote it.";
    Err(Fault::new(409, "update-to-edit", words).with("field", field))
}

/// The second count is by another person than the first, or it proves nothing.
fn not_the_first_counter(spec: &FieldSpec, view: &JobView, person: &Person) -> Result<(), Fault> {
    if spec.kind != "second-count" {
        return Ok(());
    }
    let first = view.fields.get("place").into_iter().flat_map(|f| &f.answers).flat_map(|a| &a.by);
    if first.into_iter().all(|by| by.person != person.id) {
        return Ok(());
    }
    let words = format!(
        "{} made the first count, so the second must be counted by somebody else, from the other end. Nothing was saved; the first count stands. Hand the tablet to another person, who takes it up with the own PIN.",
        person.name
    );
    Err(Fault::new(403, "second-count-same-person", words).with("name", &person.name))
}

/// A reason in words, or the sentence that asks for one.
pub(crate) fn reason(typed: &str) -> Result<String, Fault> {
    let text = typed.trim();
    if text.chars().filter(|c| c.is_alphanumeric()).count() < 3 {
        return Err(Fault::new(
            400,
            "reason-missing",
            "This needs a reason in words, which stays in the record. Nothing was saved and nothing is lost. Type why, then save again.",
        ));
    }
    if text.len() > LONGEST_REASON {
        return Err(Fault::new(
            400,
            "reason-too-long",
            "The reason is too long to be kept. Nothing was saved and nothing is lost. Say it shorter, and put the rest into a note.",
        ));
    }
    Ok(text.to_owned())
}

/// A refusal of the rules with the status that fits it.
pub(crate) fn refused(say: Say) -> Fault {
    let status = match say.code.as_str() {
        "settle-without-reason" | "waiver-without-reason" => 400,
        "may-not-settle"
        | "own-answer"
        | "not-on-roster"
        | "not-that-role"
        | "may-not-waive"
        | "role-not-asked"
        | "own-count"
        | "one-person-two-roles" => 403,
        "no-such-gate" => 404,
        _ => 409,
    };
    Fault::say(status, say)
}

fn no_field(field: &str) -> Fault {
    let words = "This tablet has no place for such a record. Nothing was saved by this tap; what was saved before is safe. Go back to the tube and open the step again.";
    Fault::new(400, "no-field", words).with("field", field)
}

fn no_strike(field: &str) -> Fault {
    let words = "Only an item of a list can be struck, and a signature never. Nothing was changed. To change a single value, record the right one: the old one stays readable.";
    Fault::new(400, "no-strike", words).with("field", field)
}

fn no_item(spec: &FieldSpec) -> Fault {
    let words = "That item is not in this list. Nothing was changed. Go back to the list and choose it there.";
    Fault::new(404, "no-item", words).with("kind", spec.kind)
}
