//! Messages as bytes: what goes over the simulated network, and the server's end of it.

use crate::sim::drive::Drive;
use crate::sim::node::Node;
use crate::sim::planted::Planted;
use journal::{EntryHash, Incarnation, PhotoHash};
use std::path::Path;
use store::{Size, Store, StoreError};
use sync::message::{Done, DoneReply, Hello, PhotoReply};
use sync::server_side::{self, Holds, PhotoRule};
use sync::wire::Unread;
use sync::{AcceptReport, MAX_BODY, MAX_WANTED, PhotoReceipt, Reply, Step, kept, wire};

/// Which route a request takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Route {
    /// Greeting.
    Hello,
    /// What each side holds.
    Heads,
    /// Entries kept without being readable.
    Unread,
    /// Entries to the server.
    Push,
    /// Entries from it.
    Pull,
    /// How much of a photo is there.
    Offset(PhotoHash),
    /// A piece of a photo.
    Put(PhotoHash, u64, u64),
    /// The end.
    Done,
}

/// A request on its way.
#[derive(Clone, Debug)]
pub struct Request {
    /// The token: the series it was given to.
    pub token: Incarnation,
    /// The server.
    pub to: usize,
    /// The route.
    pub route: Route,
    /// The body.
    pub body: Vec<u8>,
}

fn json<T: serde::Serialize>(value: &T) -> Vec<u8> {
    serde_json::to_vec(value).expect("a message is plain")
}

/// A step as it is sent; `None` where nothing more is.
pub fn encode(step: &Step) -> Option<(Route, Vec<u8>)> {
    Some(match step {
        Step::Hello(hello) => (Route::Hello, json(hello)),
        Step::Heads(heads) => (Route::Heads, heads.encode()),
        Step::Push(entries) => (Route::Push, wire::encode_push(entries)),
        Step::Pull(ranges) => (Route::Pull, wire::encode_ranges(ranges)),
        Step::Unread(names) => (Route::Unread, wire::encode_names(names)),
        Step::PushUnread(entries) => (Route::Push, wire::encode_push_unread(entries)),
        Step::PhotoOffset(photo) => (Route::Offset(*photo), Vec::new()),
        Step::PhotoPut { photo, offset, total, bytes } => (Route::Put(*photo, *offset, *total), bytes.clone()),
        Step::Done(done) => (Route::Done, json(done)),
        Step::Finished(_) => return None,
    })
}

/// An answer as the tablet reads it; `None` where it cannot be read.
pub fn decode(route: Route, body: &[u8]) -> Option<Reply> {
    Some(match route {
        Route::Hello => Reply::Hello(serde_json::from_slice(body).ok()?),
        Route::Heads => Reply::Heads(wire::decode_heads(body).ok()?),
        Route::Unread => Reply::Unread(wire::decode_unread(body).ok()?),
        Route::Push => Reply::Push(serde_json::from_slice(body).ok()?),
        Route::Pull => Reply::Pull(wire::decode_pull(body).ok()?),
        Route::Offset(_) | Route::Put(..) => Reply::Photo(serde_json::from_slice(body).ok()?),
        Route::Done => Reply::Done(serde_json::from_slice(body).ok()?),
    })
}

/// What the server answers: a status and a body. An error of its disk ends its program.
pub type Answer = Result<(u16, Vec<u8>), StoreError>;

/// The server's end of a request: the same rules, in the same order, as its routes.
pub fn answer(node: &mut Node, request: &Request, now_ms: i64, planted: Option<Planted>) -> Answer {
    match node.papers.tokens.get(&request.token) {
        None => return Ok((401, Vec::new())),
        Some(false) => return Ok((403, Vec::new())),
        Some(true) => {}
    }
    let key = node.papers.identity.clone();
    let now_ms = node.clock.wall_ms(now_ms);
    let Node { store, papers, .. } = node;
    let Some(store) = store.as_mut() else { return Ok((503, Vec::new())) };
    match request.route {
        Route::Hello => {
            let Ok(hello) = serde_json::from_slice::<Hello>(&request.body) else { return Ok((400, Vec::new())) };
            let heard = papers.heard.entry(hello.incarnation).or_default();
            *heard = hello.seq.max(*heard);
            let holds = Holds {
                heads: store.heads()?,
                unread: kept::names(|from| unread_from(store, from))?,
                photos_wanted: store.photos_wanted(MAX_WANTED as u64)?,
                series: papers.certified.clone(),
            };
            Ok((200, json(&server_side::hello_reply(&hello, holds, &key, now_ms))))
        }
        Route::Heads => match server_side::decode_heads(&request.body) {
            Ok(_) => Ok((200, store.heads()?.encode())),
            Err(_) => Ok((400, Vec::new())),
        },
        Route::Unread => {
            let Ok(theirs) = server_side::decode_names(&request.body) else { return Ok((400, Vec::new())) };
            let ours = kept::names(|from| unread_from(store, from))?;
            let read = |names: &[EntryHash], most| kept::named(names, most, |from| unread_from(store, from));
            Ok((200, server_side::encode_unread(&server_side::unread_answer(&ours, &theirs, read)?)))
        }
        Route::Push => push(store, &request.body, &key, now_ms, planted),
        Route::Pull => {
            let Ok(wanted) = server_side::decode_ranges(&request.body) else { return Ok((400, Vec::new())) };
            let ours = store.heads()?;
            let (entries, more) = server_side::pull_answer(&ours, &wanted, |series, from, most| store.read(series, from, most))?;
            Ok((200, server_side::encode_pull(&entries, more)))
        }
        Route::Offset(photo) => {
            let held = store.upload_state(&photo)?;
            Ok((200, json(&photo_reply(&key, photo, held, now_ms))))
        }
        Route::Put(photo, offset, total) => put(store, photo, offset, total, &request.body, &key, now_ms, planted),
        Route::Done => {
            let Ok(done) = serde_json::from_slice::<Done>(&request.body) else { return Ok((400, Vec::new())) };
            let heard = papers.heard.entry(done.incarnation).or_default();
            *heard = done.seq.max(*heard);
            Ok((200, json(&DoneReply { heard_ms: now_ms })))
        }
    }
}

fn push(store: &mut Store, body: &[u8], key: &journal::SigningKey, now_ms: i64, planted: Option<Planted>) -> Answer {
    let Ok(batch) = server_side::decode_push(body) else { return Ok((400, Vec::new())) };
    let series = batch.entries.first().map(|s| s.entry.incarnation);
    if batch.entries.iter().any(|s| Some(s.entry.incarnation) != series) {
        return Ok((400, Vec::new()));
    }
    let unread: Vec<store::Unreadable> =
        batch.unreadable.iter().map(|u| store::Unreadable::new(u.bytes.clone(), u.sig, u.why.to_string())).collect();
    match store.keep_unreadable(&unread) {
        Ok(_) | Err(StoreError::KeptFull { .. }) => {}
        Err(e) => return Err(e),
    }
    let mut entries = batch.entries;
    if let (Some(Planted::IgnoreFork), Some(series)) = (planted, series) {
        let head = store.heads()?.seq(&series);
        entries.retain(|s| s.entry.seq > head);
    }
    if planted == Some(Planted::ReceiptFirst)
        && let Some(last) = entries.last()
    {
        let head = journal::Head { seq: last.entry.seq, hash: last.hash };
        let reply = server_side::push_reply(series, Some(head), AcceptReport::default(), &[], key, now_ms);
        // The answer is out; only then, and only if nothing happens, the entries are kept.
        if last.hash.0[0] & 3 != 0 {
            store.accept(entries)?;
        }
        return Ok((200, json(&reply)));
    }
    let accepted = store.accept(entries)?;
    let report = AcceptReport { stored: accepted.stored as u64, known: accepted.known as u64, quarantined: accepted.quarantined };
    let head = series.map(|s| store.heads().map(|h| h.0.get(&s).copied())).transpose()?.flatten();
    Ok((200, json(&server_side::push_reply(series, head, report, &batch.unreadable, key, now_ms))))
}

#[expect(clippy::too_many_arguments, reason = "the parts of one request")]
fn put(
    store: &mut Store,
    photo: PhotoHash,
    offset: u64,
    total: u64,
    bytes: &[u8],
    key: &journal::SigningKey,
    now_ms: i64,
    planted: Option<Planted>,
) -> Answer {
    let mut held = store.photos().upload_offset(&photo)?;
    if !held.complete {
        match server_side::photo_rule(held.offset, offset, bytes.len(), total) {
            PhotoRule::Append { skip } => {
                let skip = if planted == Some(Planted::OffByOne) { (skip + usize::from(held.offset > 0)).min(bytes.len()) } else { skip };
                held = store.photos().upload_append(&photo, held.offset, &bytes[skip..])?;
            }
            PhotoRule::Finish | PhotoRule::Resync => {}
            PhotoRule::Refuse => return Ok((400, Vec::new())),
        }
    }
    if !held.complete && held.offset == total {
        if planted == Some(Planted::TrustName) {
            // By its name it is the photo; nobody looks at the bytes.
            return Ok((200, json(&photo_reply(key, photo, store::Upload { offset: total, complete: true }, now_ms))));
        }
        match store.upload_finish(&photo) {
            Err(StoreError::UploadHash) => {}
            other => other?,
        }
    }
    let held = store.upload_state(&photo)?;
    Ok((200, json(&photo_reply(key, photo, held, now_ms))))
}

fn photo_reply(key: &journal::SigningKey, photo: PhotoHash, held: store::Upload, now_ms: i64) -> PhotoReply {
    let receipt = held.complete.then(|| PhotoReceipt::sign(key, photo, held.offset, now_ms));
    PhotoReply { offset: held.offset, complete: held.complete, receipt }
}

/// A photo's bytes as they lie on a disk, whatever they are.
pub fn raw_photo(drive: &Drive, store: &Store, photo: &PhotoHash) -> Option<Vec<u8>> {
    let path = store.photos().path(photo, Size::Full);
    drive.read(Path::new(&path))
}

/// A piece of the entries kept unread, each with its place in the order of arrival.
///
/// # Errors
/// As the store's reads.
pub fn unread_from(store: &Store, from: u64) -> Result<Vec<(u64, Unread)>, StoreError> {
    let piece = store.unreadable(from, MAX_BODY)?;
    Ok(piece.into_iter().map(|u| (u.id, Unread { bytes: u.bytes, sig: u.sig })).collect())
}
