//! The gate before the decoder: reads kind, size, orientation and the end mark from the file's structure alone.

use crate::{Info, Limits, PhotoError};
use image::metadata::Orientation;

/// JPEG or PNG.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Format {
    Jpeg,
    Png,
}

/// What the file's structure says, before orientation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Header {
    pub format: Format,
    pub width: u32,
    pub height: u32,
    /// Bytes per pixel as the decoder will hand them out.
    pub depth: u64,
    pub orientation: Orientation,
}

impl Header {
    /// As people will see it.
    pub fn info(&self) -> Info {
        let turned = self.orientation.to_exif() >= 5;
        let (width, height) = if turned { (self.height, self.width) } else { (self.width, self.height) };
        let mime = match self.format {
            Format::Jpeg => "image/jpeg",
            Format::Png => "image/png",
        };
        Info { mime, width, height, orientation: self.orientation.to_exif() }
    }
}

const PNG: &[u8] = b"\x89PNG\r\n\x1a\n";
const JPEG: &[u8] = b"\xff\xd8\xff";

/// Reads the header and checks the limits and that the file's end is there.
pub(crate) fn read(bytes: &[u8], limits: &Limits) -> Result<Header, PhotoError> {
    if bytes.is_empty() {
        return Err(PhotoError::Empty);
    }
    if bytes.len() as u64 > limits.bytes {
        return Err(PhotoError::TooLong { bytes: bytes.len() as u64, most: limits.bytes });
    }
    let (header, whole) = if bytes.starts_with(JPEG) {
        jpeg(bytes)?
    } else if bytes.starts_with(PNG) {
        png(bytes)?
    } else {
        return Err(PhotoError::NotAPicture);
    };
    let Header { width, height, depth, .. } = header;
    if width == 0 || height == 0 {
        return Err(PhotoError::Unsupported("it does not say its size".into()));
    }
    let pixels = u64::from(width) * u64::from(height);
    if width.max(height) > limits.side || pixels > limits.pixels || pixels * depth > limits.memory {
        return Err(PhotoError::TooManyPixels { width, height });
    }
    // Last, so that a picture which is both too large and cut short is called too large: that is what the user can change.
    if whole { Ok(header) } else { Err(PhotoError::CutShort) }
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

/// Walks the segments up to the end mark (ITU-T T.81, annex B). The end mark of a picture embedded in a segment does not
/// count, as segments are stepped over whole. True where the end mark was reached; bytes after it are left alone (some
/// cameras add a preview there).
fn jpeg(bytes: &[u8]) -> Result<(Header, bool), PhotoError> {
    let mut size = None;
    let mut depth = 3;
    let mut orientation = None;
    let mut at = 2;
    let mut whole = false;
    while let Some(marker) = next_marker(bytes, &mut at) {
        match marker {
            0xd9 => {
                whole = true;
                break;
            }
            0x01 | 0xd0..=0xd8 => continue,
            _ => {}
        }
        let Some(length) = be16(bytes, at).map(usize::from) else {
            break;
        };
        let Some(segment) = bytes.get(at + 2..at + length.max(2)) else {
            break;
        };
        match marker {
            // Frame headers; C4, C8 and CC among them are something else.
            0xc0..=0xcf if !matches!(marker, 0xc4 | 0xc8 | 0xcc) && size.is_none() => {
                if marker > 0xc2 {
                    return Err(PhotoError::Unsupported("not an ordinary JPEG".into()));
                }
                // A progressive picture's coefficients are all held at once: two bytes of each component, beside the result.
                let components = u64::from(segment.get(5).copied().unwrap_or(3).clamp(1, 4));
                depth = if marker == 0xc2 { 2 * components + 3 } else { 3 };
                size = be16(segment, 1).zip(be16(segment, 3));
            }
            0xe1 if orientation.is_none() => {
                orientation = segment.strip_prefix(b"Exif\0\0").and_then(Orientation::from_exif_chunk);
            }
            _ => {}
        }
        at += length.max(2);
    }
    let Some((height, width)) = size else {
        return Err(if whole { PhotoError::Damaged("no frame in it".into()) } else { PhotoError::CutShort });
    };
    let orientation = orientation.unwrap_or(Orientation::NoTransforms);
    Ok((Header { format: Format::Jpeg, width: width.into(), height: height.into(), depth, orientation }, whole))
}

/// Steps over picture data to the next marker and past it.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        let ff = *at + bytes.get(*at..)?.iter().position(|&b| b == 0xff)?;
        *at = ff + 1;
        while *bytes.get(*at)? == 0xff {
            *at += 1;
        }
        let marker = bytes[*at];
        *at += 1;
        if marker != 0 {
            return Some(marker);
        }
    }
}

/// Walks the chunks up to IEND (PNG specification, third edition, clause 5).
fn png(bytes: &[u8]) -> Result<(Header, bool), PhotoError> {
    let ihdr = bytes.get(8..29).filter(|c| &c[4..8] == b"IHDR").ok_or(PhotoError::CutShort)?;
    let (Some(width), Some(height)) = (be32(ihdr, 8), be32(ihdr, 12)) else {
        return Err(PhotoError::CutShort);
    };
    let channels = match ihdr[17] {
        0 => 1,
        4 => 2,
        // A palette becomes RGB or RGBA.
        3 | 6 => 4,
        _ => 3,
    };
    // Three more for the RGB copy it is turned into.
    let depth = channels * if ihdr[16] == 16 { 2 } else { 1 } + 3;
    let mut orientation = Orientation::NoTransforms;
    let mut at = PNG.len();
    let mut whole = false;
    while let (Some(length), Some(kind)) = (be32(bytes, at), bytes.get(at + 4..at + 8)) {
        let Some(next) = at.checked_add(length as usize).and_then(|n| n.checked_add(12)) else {
            break;
        };
        if next > bytes.len() {
            break;
        }
        match kind {
            b"eXIf" => {
                orientation = Orientation::from_exif_chunk(&bytes[at + 8..next - 4]).unwrap_or(orientation);
            }
            b"IEND" => {
                whole = true;
                break;
            }
            _ => {}
        }
        at = next;
    }
    Ok((Header { format: Format::Png, width, height, depth, orientation }, whole))
}

/// The chunks that the picture itself is made of, in their order (PNG specification, third edition, clause 11.2 and `tRNS`).
///
/// The others never reach the decoder: text and colour profiles are packed, and a few megabytes of them unpack to gigabytes
/// that no limit on pixels counts.
pub(crate) fn plain_png(bytes: &[u8]) -> Vec<u8> {
    let mut out = PNG.to_vec();
    let mut at = PNG.len();
    while let (Some(length), Some(kind)) = (be32(bytes, at), bytes.get(at + 4..at + 8)) {
        let end = at.saturating_add(length as usize).saturating_add(12);
        let Some(chunk) = bytes.get(at..end) else { break };
        if matches!(kind, b"IHDR" | b"PLTE" | b"tRNS" | b"IDAT" | b"IEND") {
            out.extend_from_slice(chunk);
        }
        if kind == b"IEND" {
            break;
        }
        at = end;
    }
    out
}
