//! The pairing code as a picture.

use crate::fault::Fault;
use qrcode::render::svg;
use qrcode::{EcLevel, QrCode};

/// An SVG of the text, dark on light with the quiet zone that a camera needs.
///
/// # Errors
/// A fault where the text is too long for a code.
pub fn picture(text: &str) -> Result<String, Fault> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).map_err(|e| Fault::inside("pairing picture", e))?;
    Ok(code.render::<svg::Color<'_>>().min_dimensions(320, 320).quiet_zone(true).build())
}
