//! Pictures for the board: the small ones are made from the original when first asked for, and kept.

use crate::fault::Fault;
use crate::trailer::store_fault;
use journal::PhotoHash;
use photo::Limits;
use store::{Photos, Size};

/// A picture and its kind.
///
/// # Errors
/// 404 where the original has not come yet, 422 where it is no picture this program can show.
pub fn get(photos: &Photos, hash: &PhotoHash, size: Size) -> Result<(&'static str, Vec<u8>), Fault> {
    if size != Size::Full
        && let Some(bytes) = photos.read(hash, size).map_err(store_fault)?
    {
        return Ok(("image/jpeg", bytes));
    }
    let original = photos.read(hash, Size::Full).map_err(store_fault)?.ok_or_else(not_here)?;
    if size == Size::Full {
        let info = photo::inspect(&original, &Limits::default()).map_err(|e| not_shown(&e))?;
        return Ok((info.mime, original));
    }
    let made = photo::pictures(&original).map_err(|e| not_shown(&e))?;
    for (size, bytes) in [(Size::Large, &made.large), (Size::Small, &made.small)] {
        // Kept to be quick next time; where there is no room it is made again.
        if let Err(e) = photos.put_made(hash, size, bytes) {
            crate::log(&format!("a picture of {hash} was not kept: {e}"));
        }
    }
    Ok(("image/jpeg", if size == Size::Large { made.large } else { made.small }))
}

/// The photo is still on a tablet, or never was.
pub fn not_here() -> Fault {
    Fault::new(
        404,
        "no-photo",
        "This photo has not reached the trailer yet. It is kept on its tablet. It comes when that tablet syncs again.",
    )
}

fn not_shown(why: &dyn std::fmt::Display) -> Fault {
    let words = format!("This photo is kept whole in the trailer, but it cannot be shown here: {why}");
    Fault::new(422, "photo-not-shown", words)
}
