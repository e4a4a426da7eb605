//! Decoding within limits, making smaller, turning upright, encoding.

use crate::header::{self, Format, Header};
use crate::{Limits, PhotoError};
use fast_image_resize::images::{Image, ImageRef};
use fast_image_resize::{FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer};
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngDecoder;
use image::{DynamicImage, ImageDecoder, RgbImage};
use std::io::Cursor;
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

/// Most scans of a progressive JPEG. Cameras and converters write about ten; each costs a walk over the whole picture, and
/// one that changes nothing takes a few bytes.
const MOST_SCANS: usize = 50;

/// Decodes to 8-bit RGB, not yet upright.
///
/// A panic in a decoder is the picture's fault, not the program's end: the photo is kept by others whatever comes of it here.
pub(crate) fn decode(bytes: &[u8], head: &Header, limits: &Limits) -> Result<RgbImage, PhotoError> {
    let decoded = std::panic::catch_unwind(|| match head.format {
        Format::Jpeg => decode_jpeg(bytes, head, limits),
        Format::Png => decode_png(bytes, limits),
    });
    let picture = decoded.map_err(|_| PhotoError::Damaged("the decoder gave up on it".into()))??;
    if picture.dimensions() == (head.width, head.height) {
        Ok(picture)
    } else {
        Err(PhotoError::Damaged("its size is not what its header says".into()))
    }
}

/// The headers are read leniently (cameras put odd bytes between them), the picture data strictly: where the lenient
/// decoder meets an unreadable code it fills the rest with grey, and a half-grey failure photo must not pass as evidence.
fn decode_jpeg(bytes: &[u8], head: &Header, limits: &Limits) -> Result<RgbImage, PhotoError> {
    let damaged = |e: zune_jpeg::errors::DecodeErrors| match e {
        zune_jpeg::errors::DecodeErrors::Unsupported(what) => PhotoError::Unsupported(format!("{what:?}")),
        other => PhotoError::Damaged(format!("{other:?}")),
    };
    let lenient = DecoderOptions::default()
        .set_max_width(limits.side as usize)
        .set_max_height(limits.side as usize)
        .jpeg_set_max_scans(MOST_SCANS)
        .jpeg_set_out_colorspace(ColorSpace::RGB)
        .set_strict_mode(false);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), lenient);
    decoder.decode_headers().map_err(damaged)?;
    decoder.set_options(lenient.set_strict_mode(true));
    let pixels = decoder.decode().map_err(damaged)?;
    RgbImage::from_raw(head.width, head.height, pixels).ok_or_else(|| PhotoError::Damaged("its data do not fill the picture".into()))
}

fn decode_png(bytes: &[u8], limits: &Limits) -> Result<RgbImage, PhotoError> {
    let mut most = image::Limits::default();
    most.max_image_width = Some(limits.side);
    most.max_image_height = Some(limits.side);
    most.max_alloc = Some(limits.memory);
    let damaged = |e: image::ImageError| PhotoError::Damaged(e.to_string());
    let mut decoder = PngDecoder::with_limits(Cursor::new(header::plain_png(bytes)), most.clone()).map_err(damaged)?;
    decoder.set_limits(most).map_err(damaged)?;
    Ok(DynamicImage::from_decoder(decoder).map_err(damaged)?.into_rgb8())
}

/// Makes the longest side at most `side` px; never makes a picture larger.
pub(crate) fn within(picture: RgbImage, side: u32) -> Result<RgbImage, PhotoError> {
    let (width, height) = picture.dimensions();
    let longest = width.max(height);
    if longest <= side {
        return Ok(picture);
    }
    // At least 1 px and at most `side`, so the result fits 32 bits.
    let scaled = |n: u32| ((u64::from(n) * u64::from(side) + u64::from(longest) / 2) / u64::from(longest)).max(1) as u32;
    let (new_width, new_height) = (scaled(width), scaled(height));
    let inside = |e: &dyn std::fmt::Display| PhotoError::Damaged(e.to_string());
    let source = ImageRef::new(width, height, picture.as_raw(), PixelType::U8x3).map_err(|e| inside(&e))?;
    let mut target = Image::new(new_width, new_height, PixelType::U8x3);
    let options = ResizeOptions::new().resize_alg(ResizeAlg::Convolution(FilterType::Lanczos3));
    Resizer::new().resize(&source, &mut target, &options).map_err(|e| inside(&e))?;
    RgbImage::from_raw(new_width, new_height, target.into_vec())
        .ok_or_else(|| PhotoError::Damaged("its data do not fill the picture".into()))
}

/// Turns the picture as its orientation says.
pub(crate) fn upright(picture: RgbImage, head: &Header) -> RgbImage {
    let mut turned = DynamicImage::ImageRgb8(picture);
    turned.apply_orientation(head.orientation);
    turned.into_rgb8()
}

/// Encodes as JPEG; `quality` 1 to 100.
pub(crate) fn jpeg(picture: RgbImage, quality: u8) -> Result<Vec<u8>, PhotoError> {
    let mut out = Vec::with_capacity(picture.as_raw().len() / 8);
    JpegEncoder::new_with_quality(&mut out, quality).encode_image(&picture).map_err(|e| PhotoError::Damaged(e.to_string()))?;
    Ok(out)
}
