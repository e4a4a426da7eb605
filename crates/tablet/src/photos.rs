//! Photos: looked at first, then the untouched bytes made durable, then the smaller pictures, and only then the entry that
//! names the photo. Decoding is done without the lock, so that a 12 MP photo holds up nobody.

use crate::core::{Core, draft, parse};
use crate::fault::Fault;
use crate::people;
use crate::setting::store_fault;
use job::kinds::Photo;
use job::{JobView, Say};
use journal::{EntryHash, PhotoHash};
use photo::{Limits, PhotoError, Pictures};
use serde::Deserialize;
use serde_json::{Value as Json, json};
use store::{Photos, Size};

const VIEWS: [&str; 4] = ["overview", "middle", "close", "other"];
const LONGEST_CAPTION: usize = 500;

#[derive(Deserialize)]
struct Meta {
    job: String,
    view: String,
    #[serde(default)]
    caption: String,
}

impl Core {
    pub(crate) fn photo_put(&self, meta: Json, bytes: &[u8]) -> Result<Json, Fault> {
        let meta = checked_meta(meta)?;
        let files = {
            let inner = self.lock();
            people::holder(&inner)?;
            inner.plan()?;
            inner.job(&meta.job)?;
            inner.store.photos().clone()
        };
        let info = photo::inspect(bytes, &Limits::default()).map_err(refused)?;
        let pictures = photo::pictures(bytes);
        let hash = keep(&files, bytes, pictures.as_ref().ok())?;
        let mut inner = self.lock();
        let person = people::holder(&inner)?;
        let view = inner.job(&meta.job)?;
        if let Some(entry) = same_photo(&view, hash) {
            // The same bytes twice (a second tap, a file chosen again) are one photo.
            let view = self.with_lives(&inner, &meta.job, view)?;
            return Ok(answer(hash, &[entry], &pictures, true, view));
        }
        let body = Photo {
            hash,
            bytes: bytes.len() as u64,
            view: meta.view,
            caption: meta.caption.trim().to_owned(),
            width: info.width,
            height: info.height,
            mime: info.mime.to_owned(),
        };
        let draft = draft("photo", format!("job/{}/photos", meta.job), Vec::new(), &body)?;
        let saved = self.write(&mut inner, &person.id, vec![draft])?;
        let view = self.with_lives(&inner, &meta.job, inner.job(&meta.job)?)?;
        Ok(answer(hash, &saved, &pictures, false, view))
    }

    /// A picture: the original (`full`) or one of the smaller ones, made anew where it is missing.
    pub(crate) fn photo_get(&self, hash: &str, size: &str) -> Result<(String, Vec<u8>), Fault> {
        let hash = PhotoHash::from_hex(hash).ok_or_else(no_photo)?;
        let size = Size::parse(size).ok_or_else(no_photo)?;
        let files = self.lock().store.photos().clone();
        if let Some(bytes) = files.read(&hash, size).map_err(store_fault)? {
            let mime = if size == Size::Full { mime_of(&bytes) } else { "image/jpeg" };
            return Ok((mime.to_owned(), bytes));
        }
        let original = files.read(&hash, Size::Full).map_err(store_fault)?.ok_or_else(no_photo)?;
        // No smaller picture of it could be made when it was taken in, or it was lost: it is made anew, or the original shown.
        let Ok(pictures) = photo::pictures(&original) else { return Ok((mime_of(&original).to_owned(), original)) };
        keep_small(&files, &hash, &pictures)?;
        Ok(("image/jpeg".to_owned(), if size == Size::Small { pictures.small } else { pictures.large }))
    }
}

fn checked_meta(meta: Json) -> Result<Meta, Fault> {
    let meta: Meta = parse("photo_put", meta)?;
    if !VIEWS.contains(&meta.view.as_str()) {
        return Err(Fault::new(
            400,
            "photo-view",
            "The photo came without its view (overview, middle, close-up or other). It was not saved; nothing saved before is lost. Choose the view and take it again.",
        ));
    }
    if meta.caption.len() > LONGEST_CAPTION {
        return Err(Fault::new(
            400,
            "caption-too-long",
            "The caption is too long. The photo was not saved; nothing saved before is lost. Say it shorter and save again; long words belong in a note.",
        ));
    }
    Ok(meta)
}

fn same_photo(view: &JobView, hash: PhotoHash) -> Option<EntryHash> {
    let hash = Json::from(hash.to_hex());
    view.lists.get("photos")?.iter().find(|i| i.struck.is_none() && i.body.get("hash") == Some(&hash)).map(|i| i.entry)
}

/// Bytes first, durable; then the smaller pictures, which can always be made again. Nothing here holds the tablet's lock.
fn keep(files: &Photos, bytes: &[u8], pictures: Option<&Pictures>) -> Result<PhotoHash, Fault> {
    let hash = files.put(bytes).map_err(store_fault)?;
    if let Some(pictures) = pictures {
        keep_small(files, &hash, pictures)?;
    }
    Ok(hash)
}

fn keep_small(files: &Photos, hash: &PhotoHash, pictures: &Pictures) -> Result<(), Fault> {
    files.put_made(hash, Size::Large, &pictures.large).map_err(store_fault)?;
    files.put_made(hash, Size::Small, &pictures.small).map_err(store_fault)
}

fn answer(hash: PhotoHash, saved: &[EntryHash], pictures: &Result<Pictures, PhotoError>, already: bool, view: Json) -> Json {
    let (look, note) = match pictures {
        Ok(p) => (json!({ "blurred": p.look.blurred, "dark": p.look.dark }), None),
        Err(why) => {
            let words = format!(
                "The photo is kept whole on this tablet, but no small picture could be made of it ({}). It will go to the trailer as it is. Take one more if you can.",
                why.code()
            );
            (
                json!({ "blurred": false, "dark": false, "not_known": true }),
                Some(Say::new("photo-no-picture", words).with("why", why.code())),
            )
        }
    };
    let mut answer = json!({ "hash": hash, "saved": saved, "look": look, "already": already, "view": view });
    if let (Some(note), Some(map)) = (note, answer.as_object_mut()) {
        map.insert("note".to_owned(), json!(note));
    }
    answer
}

fn refused(error: PhotoError) -> Fault {
    let status = if matches!(error, PhotoError::TooLong { .. }) { 413 } else { 400 };
    Fault::new(status, error.code(), error.to_string())
}

fn mime_of(bytes: &[u8]) -> &'static str {
    if bytes.starts_with(b"\x89PNG") { "image/png" } else { "image/jpeg" }
}

fn no_photo() -> Fault {
    Fault::new(
        404,
        "no-photo",
        "That picture is not on this tablet. Nothing is lost: a photo of another tablet stays there or in the trailer. Look at it on the board.",
    )
}
