//! The sync routes: what a paired tablet may ask. The rules are pure functions of `sync`; here are HTTP, clock and store.

use crate::fault::Fault;
use crate::state::{App, off_thread};
use crate::tablets::{Heard, Paired};
use crate::trailer::{Trailer, store_fault, too_long};
use crate::web::{Js, Raw};
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use job::standing::Clock;
use journal::heads::MAX_SERIES;
use journal::{EntryHash, Incarnation, PhotoHash};
use serde::Deserialize;
use store::{Photos, StoreError, Upload};
use sync::message::{Done, DoneReply, Hello, HelloReply, PhotoReply, PushReply, code};
use sync::server_side::{self, Holds, PhotoRule};
use sync::wire::Unread;
use sync::{AcceptReport, MAX_BODY, MAX_PHOTO, MAX_WANTED, PhotoReceipt, kept};

/// `POST /api/sync/hello`.
///
/// # Errors
/// Where the store fails.
pub async fn hello(State(app): State<App>, Extension(tablet): Extension<Paired>, Js(hello): Js<Hello>) -> Result<Json<HelloReply>, Fault> {
    let now_ms = app.wall_ms();
    own_series(&tablet, &hello.incarnation)?;
    app.with(move |t| {
        let clock = Clock { seq: hello.seq, boot: hello.boot, skew_ms: hello.wall_ms.saturating_sub(now_ms) };
        let mut ours = t.store.heads().map_err(store_fault)?;
        if ours.digest() == hello.digest.0 {
            t.compare_clocks(&hello.incarnation, &clock)?;
            ours = t.store.heads().map_err(store_fault)?;
        } else {
            // The tablet may know more of this server's own series than the server does, where its folder was set back. Then
            // nothing may be written in it, so the comparison waits for the heads.
            t.clocks_due.insert(hello.incarnation, clock);
        }
        let heard = Heard {
            incarnation: hello.incarnation,
            seq: hello.seq,
            entries_waiting: server_side::entries_waiting(&hello, &ours),
            photos_waiting: hello.photos_waiting,
            wall_ms: Some(hello.wall_ms),
            now_ms,
        };
        t.hear(&heard)?;
        let holds = Holds {
            heads: ours,
            unread: kept::names(|from| unread_from(t, from))?,
            photos_wanted: t.store.photos_wanted(MAX_WANTED as u64).map_err(store_fault)?,
            series: t.identity.certified(),
        };
        Ok(server_side::hello_reply(&hello, holds, &t.identity.key, now_ms))
    })
    .await
    .map(Json)
}

/// A token is good for the series it was given to: one that the tablet began since, because it was copied or set back, must
/// be paired anew.
fn own_series(tablet: &Paired, series: &Incarnation) -> Result<(), Fault> {
    if Incarnation::of(&tablet.key) == *series {
        return Ok(());
    }
    let words = "This tablet has begun a new series of records since it was paired, so nothing was taken from it yet. Everything is safe on the tablet. Pair it again with a new code from the board.";
    Err(Fault::new(409, code::PAIR_AGAIN, words))
}

/// `POST /api/sync/heads`: the trailer's heads, for a tablet whose digest differs.
///
/// # Errors
/// 400 where the body is no list of heads.
pub async fn heads(State(app): State<App>, Extension(tablet): Extension<Paired>, Raw(body): Raw) -> Result<Response, Fault> {
    let theirs = server_side::decode_heads(&body).map_err(|e| not_entries(&e))?;
    let body = app
        .with(move |t| {
            let (own, ours) = (t.identity.incarnation, t.store.heads().map_err(store_fault)?);
            let due = t.clocks_due.remove(&tablet.series());
            // Said and not proved: what it pushes next will show it.
            if let Some(clock) = due.filter(|_| theirs.seq(&own) <= ours.seq(&own)) {
                t.compare_clocks(&tablet.series(), &clock)?;
            }
            Ok(t.store.heads().map_err(store_fault)?.encode())
        })
        .await?;
    Ok(cbor(body))
}

fn cbor(body: Vec<u8>) -> Response {
    ([(header::CONTENT_TYPE, "application/cbor")], body).into_response()
}

/// `POST /api/sync/push`: entries of one series.
///
/// # Errors
/// 400 where the body is no list of entries, 507 where the disk is full; nothing is stored then.
pub async fn push(State(app): State<App>, Raw(body): Raw) -> Result<Json<PushReply>, Fault> {
    let now_ms = app.wall_ms();
    app.with(move |t| {
        let batch = server_side::decode_push(&body).map_err(|e| not_entries(&e))?;
        let series = batch.entries.first().map(|s| s.entry.incarnation);
        if batch.entries.iter().any(|s| Some(s.entry.incarnation) != series) {
            return Err(not_entries(&"entries of several series in one message"));
        }
        keep_unreadable(t, &batch)?;
        let ours = t.store.heads().map_err(store_fault)?;
        if series.is_some_and(|s| !ours.0.contains_key(&s)) && ours.0.len() >= MAX_SERIES {
            return Err(too_many_series());
        }
        let accepted = t.take(batch.entries)?;
        for (hash, why) in &accepted.quarantined {
            crate::log(&format!("entry {hash} was kept apart: {why}"));
        }
        let report = AcceptReport { stored: accepted.stored as u64, known: accepted.known as u64, quarantined: accepted.quarantined };
        let head = match series {
            Some(series) => t.store.heads().map_err(store_fault)?.0.get(&series).copied(),
            None => None,
        };
        Ok(server_side::push_reply(series, head, report, &batch.unreadable, &t.identity.key, now_ms))
    })
    .await
    .map(Json)
}

/// Entries that this program cannot read are kept as they came and forwarded: a later program may read them.
fn keep_unreadable(t: &mut Trailer, batch: &server_side::Batch) -> Result<(), Fault> {
    let kept: Vec<store::Unreadable> =
        batch.unreadable.iter().map(|u| store::Unreadable::new(u.bytes.clone(), u.sig, u.why.to_string())).collect();
    match t.store.keep_unreadable(&kept) {
        Ok(0) => {}
        Ok(new) => crate::log(&format!("{new} entries cannot be read by this program and were kept as they are")),
        // Nobody vouches for them: they must not hold up the records that can be read. The tablet keeps them.
        Err(StoreError::KeptFull { .. }) => crate::log("entries that cannot be read were not taken: there is no more room for such"),
        Err(other) => return Err(store_fault(other)),
    }
    Ok(())
}

/// A piece of the entries kept unread, each with its place in the order of arrival.
fn unread_from(t: &Trailer, from: u64) -> Result<Vec<(u64, Unread)>, Fault> {
    let piece = t.store.unreadable(from, MAX_BODY).map_err(store_fault)?;
    Ok(piece.into_iter().map(|u| (u.id, Unread { bytes: u.bytes, sig: u.sig })).collect())
}

fn too_many_series() -> Fault {
    let words = format!(
        "The trailer already holds {MAX_SERIES} series of records and takes no new one: something makes them without end. Nothing on the tablet is lost. Tell the supervisor."
    );
    Fault::new(409, "too-many-series", words)
}

/// `POST /api/sync/unread`: what each side lacks of the entries that one of the programs cannot read.
///
/// # Errors
/// 400 where the body is no list of names.
pub async fn unread(State(app): State<App>, Raw(body): Raw) -> Result<Response, Fault> {
    let theirs = server_side::decode_names(&body).map_err(|e| not_entries(&e))?;
    let body = app
        .with(move |t| {
            let ours = kept::names(|from| unread_from(t, from))?;
            let read = |names: &[EntryHash], most| kept::named(names, most, |from| unread_from(t, from));
            let reply = server_side::unread_answer(&ours, &theirs, read)?;
            Ok(server_side::encode_unread(&reply))
        })
        .await?;
    Ok(cbor(body))
}

fn not_entries(why: &dyn std::fmt::Display) -> Fault {
    let words = format!(
        "The trailer could not read what the tablet sent ({why}). Nothing was stored from it and nothing on the tablet is lost. Sync again; if it stays, tablet and trailer are of different ages."
    );
    Fault::new(400, "not-entries", words)
}

/// `POST /api/sync/pull`: entries of the wanted ranges.
///
/// # Errors
/// 400 where the body is no list of ranges.
pub async fn pull(State(app): State<App>, Raw(body): Raw) -> Result<Response, Fault> {
    let wanted = server_side::decode_ranges(&body).map_err(|e| not_entries(&e))?;
    let body = app
        .with(move |t| {
            let ours = t.store.heads().map_err(store_fault)?;
            let read = |series: &Incarnation, from, most| match t.store.read(series, from, most) {
                // One damaged record must not keep the other series from the tablet.
                Err(StoreError::DamagedRecord(what)) => {
                    crate::log(&format!("series {series} cannot be sent from entry {from} on: {what}"));
                    Ok(Vec::new())
                }
                other => other.map_err(store_fault),
            };
            let (entries, more) = server_side::pull_answer(&ours, &wanted, read)?;
            Ok(server_side::encode_pull(&entries, more))
        })
        .await?;
    Ok(cbor(body))
}

/// `GET /api/sync/photo/{hash}`.
///
/// # Errors
/// 404 for what is no hash.
pub async fn photo_state(State(app): State<App>, Path(hash): Path<String>) -> Result<Json<PhotoReply>, Fault> {
    let hash = photo_hash(&hash)?;
    let now_ms = app.wall_ms();
    app.with(move |t| {
        let held = t.store.upload_state(&hash).map_err(store_fault)?;
        Ok(photo_reply(t, hash, held, now_ms))
    })
    .await
    .map(Json)
}

/// Unfinished uploads take at most so many bytes together before a new one begins; the one added to longest ago goes first.
const MOST_UNFINISHED: u64 = 4 << 30;

/// Where a piece belongs.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct Piece {
    /// Byte of the photo at which it begins.
    offset: u64,
    /// Length of the whole photo.
    total: u64,
}

/// `PUT /api/sync/photo/{hash}?offset=n&total=m`.
///
/// # Errors
/// 400 for a piece that cannot be, 413 beyond 64 MiB, 507 where the disk is full.
pub async fn photo_piece(
    State(app): State<App>,
    Path(hash): Path<String>,
    Query(piece): Query<Piece>,
    Raw(bytes): Raw,
) -> Result<Json<PhotoReply>, Fault> {
    let hash = photo_hash(&hash)?;
    if piece.total > MAX_PHOTO || piece.offset > MAX_PHOTO {
        return Err(too_long(MAX_PHOTO));
    }
    // The files have a lock of their own: a slow disk under an upload does not hold up the board.
    let photos = app.with(|t| Ok(t.store.photos().clone())).await?;
    let held = off_thread(move || take_piece(&photos, &hash, piece, &bytes)).await?;
    let now_ms = app.wall_ms();
    app.with(move |t| {
        if !held.complete && held.offset < piece.total {
            return Ok(photo_reply(t, hash, held, now_ms));
        }
        // More than the piece says there is: it or an earlier one told a false length. The hash decides, and what does not fit goes.
        if !held.complete {
            match t.store.upload_finish(&hash) {
                // The bytes are gone here and safe on the tablet, which begins anew at the offset told.
                Err(StoreError::UploadHash) => crate::log(&format!("photo {hash} arrived damaged and is asked for again")),
                other => other.map_err(store_fault)?,
            }
        }
        let held = t.store.upload_state(&hash).map_err(store_fault)?;
        Ok(photo_reply(t, hash, held, now_ms))
    })
    .await
    .map(Json)
}

/// Adds what is new in a piece; gives how far the upload is then, whatever was sent.
fn take_piece(photos: &Photos, hash: &PhotoHash, piece: Piece, bytes: &[u8]) -> Result<Upload, Fault> {
    let held = photos.upload_offset(hash).map_err(store_fault)?;
    if held.complete {
        return Ok(held);
    }
    if held.offset == 0 {
        // A new one: the others must leave room.
        let gone = photos.bound_uploads(MOST_UNFINISHED).map_err(store_fault)?;
        if gone > 0 {
            crate::log(&format!("{gone} unfinished uploads were thrown away to make room; their tablets begin those photos anew"));
        }
    }
    match server_side::photo_rule(held.offset, piece.offset, bytes.len(), piece.total) {
        PhotoRule::Append { skip } => match photos.upload_append(hash, held.offset, &bytes[skip..]) {
            // Another request of the same photo was quicker.
            Err(StoreError::UploadOffset { .. }) => photos.upload_offset(hash).map_err(store_fault),
            other => other.map_err(store_fault),
        },
        PhotoRule::Finish | PhotoRule::Resync => Ok(held),
        PhotoRule::Refuse => Err(Fault::new(400, "bad-piece", "That piece of a photo does not fit its own figures. Nothing was stored from it and the photo is safe on the tablet. Sync again.").and("offset", held.offset)),
    }
}

fn photo_reply(t: &Trailer, hash: PhotoHash, held: Upload, now_ms: i64) -> PhotoReply {
    let receipt = held.complete.then(|| PhotoReceipt::sign(&t.identity.key, hash, held.offset, now_ms));
    PhotoReply { offset: held.offset, complete: held.complete, receipt }
}

/// `POST /api/sync/done`: "nothing waiting as of entry n", or how much still is.
///
/// # Errors
/// Where the store fails.
pub async fn done(State(app): State<App>, Extension(tablet): Extension<Paired>, Js(done): Js<Done>) -> Result<Json<DoneReply>, Fault> {
    let now_ms = app.wall_ms();
    own_series(&tablet, &done.incarnation)?;
    app.with(move |t| {
        let ours = t.store.heads().map_err(store_fault)?;
        // The server counts for itself as well: what it lacks of the series is waiting, whatever the tablet believes.
        let lacking = done.seq.saturating_sub(ours.seq(&done.incarnation));
        let heard = Heard {
            incarnation: done.incarnation,
            seq: done.seq,
            entries_waiting: done.entries_waiting.max(lacking),
            photos_waiting: done.photos_waiting,
            wall_ms: None,
            now_ms,
        };
        t.hear(&heard)?;
        Ok(DoneReply { heard_ms: now_ms })
    })
    .await
    .map(Json)
}

fn photo_hash(text: &str) -> Result<PhotoHash, Fault> {
    PhotoHash::from_hex(text)
        .ok_or_else(|| Fault::new(404, "no-photo", "That is not the name of a photo. Nothing was stored and nothing is lost."))
}
