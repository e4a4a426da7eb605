//! Photos made here: a tube wall with a chalk mark, real JPEG bytes, with the orientation a camera held upright writes.

use image::codecs::jpeg::JpegEncoder;
use image::{Rgb, RgbImage};

/// A made-up furnace photo of `width` x `height` px. `seed` makes each one different.
pub fn photo(width: u32, height: u32, seed: u32) -> Vec<u8> {
    let mut noise = seed.wrapping_mul(2_654_435_761).max(1);
    let pitch = (width / 7).max(8);
    let picture = RgbImage::from_fn(width, height, |x, y| {
        noise ^= noise << 13;
        noise ^= noise >> 17;
        noise ^= noise << 5;
        // Round tubes side by side: bright at the crown, dark at the fins, rust in between.
        let across = f64::from(x % pitch) / f64::from(pitch) * 2.0 - 1.0;
        let round = (1.0 - across * across).max(0.0).sqrt();
        let grain = f64::from(noise % 48);
        let hole = (f64::from(x) - f64::from(width) * 0.5).hypot(f64::from(y) - f64::from(height) * 0.45);
        let dark = if hole < f64::from(pitch) * 0.18 { 0.15 } else { 1.0 };
        let v = (30.0 + 150.0 * round + grain) * dark;
        let clamp = |v: f64| v.clamp(0.0, 255.0) as u8;
        Rgb([clamp(v * 1.08), clamp(v * 0.92), clamp(v * 0.8)])
    });
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, 92).encode_image(&picture).expect("a JPEG");
    with_orientation(&out, 6)
}

/// Puts an EXIF segment with one tag, the orientation (0x0112), after the start mark (Exif 2.3, 4.5.2 and 4.6.4).
pub fn with_orientation(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut exif = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    exif.extend([orientation, 0, 0, 0, 0, 0, 0]);
    let mut out = jpeg[..2].to_vec();
    out.extend([0xff, 0xe1]);
    out.extend(u16::try_from(exif.len() + 2).expect("short").to_be_bytes());
    out.extend(exif);
    out.extend(&jpeg[2..]);
    out
}
