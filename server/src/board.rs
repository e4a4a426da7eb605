//! The board's routes: who is signed in, what stands, settling two answers, inviting a tablet.

use crate::fault::Fault;
use crate::pair::{Invitation, invite};
use crate::pictures;
use crate::state::{App, off_thread};
use crate::trailer::{Trailer, store_fault};
use crate::web::{Js, Listener, cookie, set_cookie};
use axum::extract::{Path, State};
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use job::board::{BoardView, InTrailer, board};
use job::check::{self, CheckContext};
use job::kinds::{FieldSpec, Settle, Shape};
use job::plan::Person;
use job::{JobView, SitePlan, fold, signing};
use journal::{Draft, EntryHash, PersonId, PhotoHash, Subject, Value};
use serde::Deserialize;
use serde_json::{Value as AnyJson, json};
use std::collections::BTreeSet;
use store::Size;

const LONGEST_REASON: usize = 2_000;

/// A person without the PIN hash.
fn shown(person: &Person) -> AnyJson {
    json!({ "id": person.id, "name": person.name, "roles": person.roles, "lang": person.lang })
}

/// `GET /api/board/people`: the names to choose from. Open, because nobody can sign in without them.
///
/// # Errors
/// `no-plan` before the first plan.
pub async fn people(State(app): State<App>) -> Result<Json<Vec<AnyJson>>, Fault> {
    app.with(|t| Ok(t.plan()?.people.iter().map(shown).collect())).await.map(Json)
}

/// A person and the PIN.
#[derive(Deserialize)]
pub struct SignIn {
    person: PersonId,
    pin: String,
}

/// `POST /api/board/session`.
///
/// # Errors
/// 401, 404 and 429 as for every PIN.
pub async fn sign_in(State(app): State<App>, Extension(listener): Extension<Listener>, Js(given): Js<SignIn>) -> Result<Response, Fault> {
    let person = app.check_pin(&given.person, &given.pin).await?;
    let secret = app.begin_session(&person)?;
    Ok(([set_cookie(listener, Some(&secret))], Json(json!({ "person": shown(&person) }))).into_response())
}

/// `GET /api/board/session`: who is signed in here.
pub async fn who(Extension(person): Extension<Person>) -> Json<AnyJson> {
    Json(json!({ "person": shown(&person) }))
}

/// `DELETE /api/board/session`.
pub async fn sign_out(State(app): State<App>, Extension(listener): Extension<Listener>, headers: HeaderMap) -> Response {
    if let Some(secret) = cookie(&headers) {
        app.end_session(secret);
    }
    ([set_cookie(listener, None)], Json(json!({}))).into_response()
}

/// `GET /api/board`.
///
/// # Errors
/// `no-plan`, or where the store fails.
pub async fn whole(State(app): State<App>) -> Result<Json<BoardView>, Fault> {
    let (now_ms, backup) = (app.wall_ms(), app.backup());
    app.with(move |t| {
        let plan = t.plan()?;
        let jobs = t.store.jobs().map_err(store_fault)?;
        let away: BTreeSet<PhotoHash> = t.store.photos_wanted(u64::from(u32::MAX)).map_err(store_fault)?.into_iter().collect();
        let photos_away = |job: &JobView| named_photos(job).filter(|p| away.contains(p)).count();
        let series = t.series()?;
        let here = InTrailer {
            apart: crate::series::apart(&series),
            unread: t.store.unreadable_count().map_err(store_fault)?,
            damaged: t.store.damage().map_err(store_fault)?.len() as u64,
            apart_full: t.apart_full,
            backup,
        };
        Ok(board(&jobs, &t.tablet_states(&series)?, &here, &plan, &photos_away, now_ms))
    })
    .await
    .map(Json)
}

/// `GET /api/board/plan`: the plan as the screens may have it, without the PIN hashes: names of sections, hold points and
/// checks, which the board and the jobs give by their identifiers.
///
/// # Errors
/// `no-plan` before the first plan.
pub async fn plan(State(app): State<App>) -> Result<Json<AnyJson>, Fault> {
    app.with(move |t| {
        let plan = t.plan()?;
        let people: AnyJson = plan.people.iter().map(shown).collect();
        let mut plan = serde_json::to_value(&plan).map_err(|e| Fault::inside("plan", e))?;
        if let Some(map) = plan.as_object_mut() {
            map.insert("people".to_owned(), people);
        }
        Ok(plan)
    })
    .await
    .map(Json)
}

/// Photos that a job's standing records name.
fn named_photos(job: &JobView) -> impl Iterator<Item = PhotoHash> {
    let items = job.lists.values().flatten().filter(|i| i.kind == "photo" && i.struck.is_none());
    let all: BTreeSet<PhotoHash> = items.filter_map(|i| i.body.get("hash")?.as_str().and_then(PhotoHash::from_hex)).collect();
    all.into_iter()
}

/// `GET /api/board/job/{id}`.
///
/// # Errors
/// 404 for an unknown job.
pub async fn job(State(app): State<App>, Path(id): Path<String>) -> Result<Json<JobView>, Fault> {
    app.with(move |t| t.store.job(&id).map_err(store_fault)?.ok_or_else(no_job)).await.map(Json)
}

fn no_job() -> Fault {
    Fault::new(
        404,
        "no-job",
        "The trailer has no such job. Nothing was changed. Go back to the board; a job that is still only on a tablet comes with its next sync.",
    )
}

/// A settlement as the board sends it.
#[derive(Deserialize)]
pub struct Settlement {
    job: String,
    field: String,
    body: AnyJson,
    reason: String,
    basis: Vec<EntryHash>,
    pin: String,
}

/// `POST /api/board/settle`: a supervisor or the QC inspector settles two answers; the tablets get it at their next sync.
///
/// # Errors
/// 400 for a body that cannot stand or a missing reason, 403 for a role that may not, 409 where what stands is no longer
/// what was on the screen, and as for every PIN.
pub async fn settle(
    State(app): State<App>,
    Extension(person): Extension<Person>,
    Js(given): Js<Settlement>,
) -> Result<Json<AnyJson>, Fault> {
    // Judged before the PIN, so that a wrong role is told so; and again after it, because meanwhile a sync may have come.
    let (person, given) = app
        .with(move |t| {
            judge(t, &person, &given)?;
            Ok((person, given))
        })
        .await?;
    let person = app.check_pin(&person.id, &given.pin).await?;
    app.with(move |t| {
        let settle = judge(t, &person, &given)?;
        let json = serde_json::to_value(&settle).map_err(|e| Fault::inside("settle", e))?;
        let body = Value::from_json(&json).map_err(|e| {
            Fault::new(400, "not-exact", format!("{e}. Nothing was changed. Type the figure again as a whole number or a fraction."))
        })?;
        let subject = Subject(format!("job/{}/{}", given.job, given.field));
        let saved = t.write(&person.id, vec![Draft { kind: "settle".to_owned(), version: 1, subject, basis: given.basis, body }])?;
        let view = t.store.job(&given.job).map_err(store_fault)?.ok_or_else(no_job)?;
        Ok(json!({ "saved": saved, "view": view }))
    })
    .await
    .map(Json)
}

/// The settlement as it would be written, if this person may settle this field as it stands now.
fn judge(t: &Trailer, person: &Person, given: &Settlement) -> Result<Settle, Fault> {
    let plan = t.plan()?;
    let view = t.store.job(&given.job).map_err(store_fault)?.ok_or_else(no_job)?;
    let spec = fold::spec(&given.field).filter(|s| s.shape == Shape::Single && s.kind != "open");
    let spec = spec.ok_or_else(|| {
        Fault::new(
            404,
            "no-field",
            "There is nothing to settle under that name. Nothing was changed. Go back to the job and open it again.",
        )
        .with("field", &given.field)
    })?;
    let reason = given.reason.trim();
    if reason.is_empty() || reason.len() > LONGEST_REASON {
        return Err(Fault::new(
            400,
            "reason-missing",
            format!(
                "A settlement needs a reason, at most {LONGEST_REASON} letters: it will be read for ever. Both answers stay as they are. Write why."
            ),
        ));
    }
    let standing = view.fields.get(&given.field);
    let seen: BTreeSet<&EntryHash> = given.basis.iter().collect();
    if standing.is_some_and(|f| f.basis.iter().collect::<BTreeSet<_>>() != seen) {
        return Err(stands_changed(&view));
    }
    signing::may_settle(&view, &given.field, person, reason).map_err(|say| {
        let status = if say.code == "nothing-to-settle" { 409 } else { 403 };
        Fault::say(status, say)
    })?;
    let body = checked(spec, given, &plan, &view)?;
    Ok(Settle { kind: spec.kind.to_owned(), body, reason: reason.to_owned() })
}

fn checked(spec: &FieldSpec, given: &Settlement, plan: &SitePlan, view: &JobView) -> Result<AnyJson, Fault> {
    let section = plan.section(&view.section).ok_or_else(|| {
        Fault::new(409, "no-section", "The section of this job is not in the plan any more, so the value cannot be checked. Both answers stay as they are. Put the section back into the plan.")
    })?;
    let context = CheckContext { plan, section, view: Some(view), field: &given.field };
    check::body(spec.kind, &given.body, &context).map_err(Fault::input)
}

fn stands_changed(view: &JobView) -> Fault {
    let fault = Fault::new(
        409,
        "stands-changed",
        "What stands here is no longer what was on your screen: a tablet has synced meanwhile. Nothing was changed and nothing is lost. Look at what stands now, then settle it if it is still needed.",
    );
    fault.and("view", serde_json::to_value(view).unwrap_or_default())
}

/// `POST /api/board/pairing`: a supervisor makes a one-time code.
///
/// # Errors
/// Where there are no random bytes.
pub async fn pairing(State(app): State<App>) -> Result<Json<Invitation>, Fault> {
    off_thread(move || invite(&app)).await.map(Json)
}

/// `GET /api/board/photo/{hash}/{size}`.
///
/// # Errors
/// 404 where the photo is still on a tablet.
pub async fn photo(State(app): State<App>, Path((hash, size)): Path<(String, String)>) -> Result<Response, Fault> {
    let (Some(hash), Some(size)) = (PhotoHash::from_hex(&hash), Size::parse(&size)) else { return Err(pictures::not_here()) };
    let photos = app.with(|t| Ok(t.store.photos().clone())).await?;
    let (mime, bytes) = app.with_picture(move || pictures::get(&photos, &hash, size)).await?;
    // A photo never changes: its name is the hash of its bytes. Private, because it was shown to a signed-in person.
    let headers = [(header::CONTENT_TYPE, mime), (header::CACHE_CONTROL, "private, max-age=86400, immutable")];
    Ok((headers, bytes).into_response())
}
