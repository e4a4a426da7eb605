//! Photos: checks a picture before decoding it, honours its orientation, makes the 1600 px and 256 px pictures and says
//! whether it looks blurred or dark.
//!
//! The original bytes are never touched here: they are stored whole by others. Nothing here reads files or clocks.

mod error;
mod header;
mod look;
mod scale;

pub use error::PhotoError;
pub use look::{BLUR_BELOW, DARK_BELOW, Look};

/// Longest side of the large picture, px.
pub const LARGE: u32 = 1600;
/// Longest side of the small picture, px.
pub const SMALL: u32 = 256;

/// What a picture may cost at most. Checked against the header, before anything is decoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Length of the file in bytes.
    pub bytes: u64,
    /// Width times height.
    pub pixels: u64,
    /// Longest side, px.
    pub side: u32,
    /// Memory for the decoded picture in bytes.
    pub memory: u64,
}

impl Default for Limits {
    /// 64 MiB, 64 megapixels, 20,000 px, 512 MiB.
    fn default() -> Self {
        Self { bytes: 64 << 20, pixels: 64_000_000, side: 20_000, memory: 512 << 20 }
    }
}

/// What the header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Info {
    /// `image/jpeg` or `image/png`.
    pub mime: &'static str,
    /// Width in px as it is to be seen (after orientation).
    pub width: u32,
    /// Height in px as it is to be seen (after orientation).
    pub height: u32,
    /// EXIF orientation, 1 to 8; 1 where the file names none.
    pub orientation: u8,
}

/// The pictures made from one original.
#[derive(Clone, Debug, PartialEq)]
pub struct Pictures {
    /// What the header says.
    pub info: Info,
    /// JPEG, upright, longest side at most [`LARGE`] px; never larger than the original.
    pub large: Vec<u8>,
    /// JPEG, upright, longest side at most [`SMALL`] px; never larger than the original.
    pub small: Vec<u8>,
    /// Whether it looks blurred or dark.
    pub look: Look,
}

/// Reads the header only: kind, size, orientation, and whether the end of the file is there.
///
/// Costs no memory that grows with the picture's size, so a header that claims 30,000 x 30,000 px is refused at once.
///
/// # Errors
/// A [`PhotoError`] where it is empty, no JPEG or PNG, beyond the limits, or cut short.
pub fn inspect(bytes: &[u8], limits: &Limits) -> Result<Info, PhotoError> {
    Ok(header::read(bytes, limits)?.info())
}

/// [`pictures_within`] the default [`Limits`].
///
/// # Errors
/// As [`pictures_within`].
pub fn pictures(bytes: &[u8]) -> Result<Pictures, PhotoError> {
    pictures_within(bytes, &Limits::default())
}

/// Decodes a picture and makes the two smaller ones, upright.
///
/// The picture is made smaller first and turned last, so that the turning is cheap.
///
/// Not caught: a JPEG whose end mark is there but whose picture data before it are short or changed in a way that still
/// decodes. A JPEG carries no checksum; from the import on, the content hash guards it.
///
/// # Errors
/// As [`inspect`]; also [`PhotoError::Damaged`] where the decoder meets bytes it cannot read.
pub fn pictures_within(bytes: &[u8], limits: &Limits) -> Result<Pictures, PhotoError> {
    let head = header::read(bytes, limits)?;
    let full = scale::decode(bytes, &head, limits)?;
    let large = scale::within(full, LARGE)?;
    let look = look::measure(&large);
    let small = scale::within(large.clone(), SMALL)?;
    Ok(Pictures {
        info: head.info(),
        large: scale::jpeg(scale::upright(large, &head), 82)?,
        small: scale::jpeg(scale::upright(small, &head), 80)?,
        look,
    })
}
