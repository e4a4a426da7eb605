//! Whether a picture looks blurred or dark: a hint to look again while the tube is still there, never a refusal.
//!
//! The two limits are our own, set on made-up pictures and not on a collection of furnace photos. A sharp picture of an
//! even surface may be called blurred, and a blurred one of a coarse surface may pass.

use image::RgbImage;

/// Below this [`Look::sharpness`] a picture is called blurred. Ours, no source.
pub const BLUR_BELOW: f64 = 40.0;
/// Below this [`Look::bright_part`] a picture is called dark. Ours, no source.
pub const DARK_BELOW: u8 = 64;

/// How a picture looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Variance of the 4-neighbour Laplacian over the grey values (0 to 255) of the picture of at most 1600 px.
    pub sharpness: f64,
    /// Mean grey value, 0 to 255.
    pub brightness: f64,
    /// Grey value that the brightest twentieth of the picture reaches. A lamp-lit tube before a black furnace has a low
    /// mean and is not dark, so this one decides.
    pub bright_part: u8,
    /// Looks blurred. Not judged where it is dark: there is too little to see either way.
    pub blurred: bool,
    /// Looks dark.
    pub dark: bool,
}

/// Measures a picture; see [`Look`].
pub(crate) fn measure(picture: &RgbImage) -> Look {
    let (width, height) = picture.dimensions();
    // ITU-R BT.601 luma in whole numbers.
    let grey: Vec<u8> =
        picture.pixels().map(|p| ((u32::from(p[0]) * 299 + u32::from(p[1]) * 587 + u32::from(p[2]) * 114) / 1000) as u8).collect();
    let mut counts = [0_u64; 256];
    for &value in &grey {
        counts[usize::from(value)] += 1;
    }
    let total = grey.len().max(1) as u64;
    let brightness = (0_u64..).zip(counts).map(|(value, n)| value * n).sum::<u64>() as f64 / total as f64;
    let bright_part = bright_part(&counts, total);
    let sharpness = laplacian_variance(&grey, width as usize, height as usize);
    let dark = bright_part < DARK_BELOW;
    Look { sharpness, brightness, bright_part, blurred: !dark && sharpness < BLUR_BELOW, dark }
}

fn bright_part(counts: &[u64; 256], total: u64) -> u8 {
    let mut above = 0;
    for value in (0_u8..=255).rev() {
        above += counts[usize::from(value)];
        if above * 20 >= total {
            return value;
        }
    }
    0
}

fn laplacian_variance(grey: &[u8], width: usize, height: usize) -> f64 {
    if width < 3 || height < 3 {
        return 0.0;
    }
    let (mut sum, mut squares) = (0_i64, 0_i64);
    for y in 1..height - 1 {
        let row = y * width;
        for x in row + 1..row + width - 1 {
            let at = |i: usize| i64::from(grey[i]);
            let value = at(x - 1) + at(x + 1) + at(x - width) + at(x + width) - 4 * at(x);
            sum += value;
            squares += value * value;
        }
    }
    let n = ((width - 2) * (height - 2)) as f64;
    let mean = sum as f64 / n;
    (squares as f64 / n - mean * mean).max(0.0)
}
