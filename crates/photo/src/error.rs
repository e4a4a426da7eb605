//! Why a picture is refused, in words a welder can act on.

/// Why a picture cannot be taken in. It is refused before anything is saved, so nothing saved earlier is touched.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PhotoError {
    /// No bytes at all.
    #[error("The photo is empty (0 bytes). Nothing saved before is lost. Take the photo again.")]
    Empty,
    /// Neither JPEG nor PNG.
    #[error(
        "This is not a picture: only JPEG and PNG can be kept. Nothing saved before is lost. Choose another file or take the photo again."
    )]
    NotAPicture,
    /// A kind of JPEG or PNG that cannot be shown.
    #[error("This kind of picture cannot be shown ({0}). Nothing saved before is lost. Take the photo again as an ordinary JPEG.")]
    Unsupported(String),
    /// The file is too long.
    #[error("The photo file is too large: {} MB, at most {} MB. Nothing saved before is lost. Take it again at a lower resolution.", .bytes.div_ceil(1 << 20), .most >> 20)]
    TooLong {
        /// Length in bytes.
        bytes: u64,
        /// Limit in bytes.
        most: u64,
    },
    /// Too many pixels.
    #[error("The picture is too large: {width} x {height} pixels. Nothing saved before is lost. Take it again at a lower resolution.")]
    TooManyPixels {
        /// Width in the file, px.
        width: u32,
        /// Height in the file, px.
        height: u32,
    },
    /// The end of the file is missing.
    #[error(
        "The photo is cut short: the end of the file is missing. Nothing saved before is lost. Take the photo again or copy the file again."
    )]
    CutShort,
    /// Bytes inside are wrong.
    #[error(
        "The photo is damaged and cannot be read whole ({0}). Nothing saved before is lost. Take the photo again or copy the file again."
    )]
    Damaged(String),
}

impl PhotoError {
    /// Stable code for the screens.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Empty => "photo-empty",
            Self::NotAPicture => "photo-not-a-picture",
            Self::Unsupported(_) => "photo-unsupported",
            Self::TooLong { .. } => "photo-too-long",
            Self::TooManyPixels { .. } => "photo-too-many-pixels",
            Self::CutShort => "photo-cut-short",
            Self::Damaged(_) => "photo-damaged",
        }
    }
}
