//! Pictures made here, then judged and made smaller.

use image::codecs::jpeg::JpegEncoder;
use image::{GrayImage, Rgb, RgbImage};
use photo::{Info, Limits, PhotoError, inspect, pictures};

/// A made-up tube with a coarse surface: red at the top left, blue at the bottom right.
fn made_up(width: u32, height: u32) -> RgbImage {
    let mut state = 0x2545_f491_u32;
    RgbImage::from_fn(width, height, |x, y| {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        let coarse = if (x / 16 + y / 16) % 2 == 0 { 40 } else { 0 };
        let v = 90 + coarse + (state % 64) as u8;
        if x < width / 4 && y < height / 4 {
            Rgb([250, 20, 20])
        } else if x >= width - width / 4 && y >= height - height / 4 {
            Rgb([20, 20, 250])
        } else {
            Rgb([v, v, v])
        }
    })
}

fn jpeg(picture: &RgbImage) -> Vec<u8> {
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, 90).encode_image(picture).expect("encodes");
    out
}

fn png(picture: &RgbImage) -> Vec<u8> {
    let mut out = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut out, image::ImageFormat::Png).expect("encodes");
    out.into_inner()
}

/// Puts an EXIF segment with one tag, the orientation (0x0112), after the start mark (Exif 2.3, 4.5.2 and 4.6.4).
fn with_orientation(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut exif = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    exif.extend([orientation, 0, 0, 0, 0, 0, 0]);
    let mut out = jpeg[..2].to_vec();
    out.extend([0xff, 0xe1]);
    out.extend((exif.len() as u16 + 2).to_be_bytes());
    out.extend(exif);
    out.extend(&jpeg[2..]);
    out
}

fn decode(jpeg: &[u8]) -> RgbImage {
    image::load_from_memory(jpeg).expect("decodes").into_rgb8()
}

fn is_red(p: &Rgb<u8>) -> bool {
    p[0] > 180 && p[1] < 90 && p[2] < 90
}

#[test]
fn twelve_megapixels_lying_on_its_side_stand_up() {
    let original = with_orientation(&jpeg(&made_up(4000, 3000)), 6);
    let info = inspect(&original, &Limits::default()).expect("good");
    assert_eq!(info, Info { mime: "image/jpeg", width: 3000, height: 4000, orientation: 6 });
    let made = pictures(&original).expect("good");
    let (large, small) = (decode(&made.large), decode(&made.small));
    assert_eq!(large.dimensions(), (1200, 1600));
    assert_eq!(small.dimensions(), (192, 256));
    // Orientation 6: row 0 of the file is the right side, so the red corner comes to the top right.
    assert!(is_red(large.get_pixel(1150, 50)) && !is_red(large.get_pixel(50, 50)));
    assert!(is_red(small.get_pixel(180, 10)) && !is_red(small.get_pixel(10, 10)));
    println!("12 MP, {} bytes, orientation 6: {} and {} bytes, upright", original.len(), made.large.len(), made.small.len());
}

#[test]
fn every_orientation_puts_the_red_corner_where_exif_says() {
    // Exif 2.3, 4.6.4: where row 0 and column 0 of the file are seen.
    let corner = |o: u8| match o {
        1 | 5 => (10, 10),
        2 | 6 => (-10, 10),
        3 | 7 => (-10, -10),
        _ => (10, -10),
    };
    let plain = jpeg(&made_up(400, 240));
    for orientation in 1..=8 {
        let original = with_orientation(&plain, orientation);
        let made = pictures(&original).expect("good");
        let seen = decode(&made.large);
        assert_eq!(seen.dimensions(), if orientation >= 5 { (240, 400) } else { (400, 240) });
        assert_eq!((made.info.width, made.info.height), seen.dimensions());
        let (dx, dy) = corner(orientation);
        let at = |d: i64, n: u32| {
            if d < 0 { (i64::from(n) + d) as u32 } else { d as u32 }
        };
        let (w, h) = seen.dimensions();
        assert!(is_red(seen.get_pixel(at(dx, w), at(dy, h))), "orientation {orientation}");
    }
    println!("8 orientations: size and corner right");
}

#[test]
fn small_pictures_are_not_made_larger() {
    for (w, h) in [(1, 1), (3, 200), (256, 256), (1600, 900)] {
        let made = pictures(&png(&made_up(w, h))).expect("good");
        assert_eq!(decode(&made.large).dimensions(), (w, h));
        assert!(decode(&made.small).dimensions() <= (w.min(256), h));
    }
    let thin = pictures(&png(&made_up(4000, 2))).expect("good");
    assert_eq!(decode(&thin.large).dimensions(), (1600, 1));
    println!("5 small or thin PNGs: never larger, never 0 px");
}

#[test]
fn grey_pictures_work() {
    let mut out = Vec::new();
    JpegEncoder::new(&mut out).encode_image(&GrayImage::from_pixel(300, 200, image::Luma([140]))).expect("encodes");
    let seen = decode(&pictures(&out).expect("good").large);
    let p = seen.get_pixel(100, 100);
    assert!(p.0.iter().all(|&c| (138..=142).contains(&c)), "{p:?}");
    println!("grey JPEG: grey value kept");
}

#[test]
fn bad_files_are_refused_with_words() {
    let good = jpeg(&made_up(640, 480));
    let mut huge = good.clone();
    let frame = huge.windows(2).position(|w| w == [0xff, 0xc0]).expect("a frame header");
    huge[frame + 5..frame + 9].copy_from_slice(&[0x75, 0x30, 0x75, 0x30]);
    let mut sized_zero = good.clone();
    sized_zero[frame + 5..frame + 9].copy_from_slice(&[0, 0, 2, 128]);
    let mut no_end = good.clone();
    no_end.truncate(good.len() - 2);
    let png = png(&made_up(200, 200));
    let mut bad_table = good.clone();
    let tables = good.windows(2).position(|w| w == [0xff, 0xc4]).expect("Huffman tables");
    bad_table[tables + 5..tables + 21].fill(0xff);
    let cases: [(&str, &[u8], &str); 11] = [
        ("nothing", b"", "photo-empty"),
        ("text", b"tube 71, 12 o'clock", "photo-not-a-picture"),
        ("a GIF", b"GIF89a\x01\0\x01\0", "photo-not-a-picture"),
        ("30,000 x 30,000 claimed", &huge, "photo-too-many-pixels"),
        ("no height", &sized_zero, "photo-unsupported"),
        ("no end mark", &no_end, "photo-cut-short"),
        ("half a JPEG", &good[..good.len() / 2], "photo-cut-short"),
        ("three bytes of a JPEG", &good[..3], "photo-cut-short"),
        ("broken Huffman table", &bad_table, "photo-damaged"),
        ("half a PNG", &png[..png.len() / 2], "photo-cut-short"),
        ("a PNG without its end chunk", &png[..png.len() - 12], "photo-cut-short"),
    ];
    for (name, bytes, code) in cases {
        let e = pictures(bytes).map(|made| made.info).expect_err(name);
        assert_eq!(e.code(), code, "{name}: {e}");
        assert!(e.to_string().contains("Nothing saved before is lost"), "{name}");
        println!("{name}: {e}");
    }
}

#[test]
fn limits_hold_before_decoding() {
    let good = jpeg(&made_up(640, 480));
    let long = Limits { bytes: good.len() as u64 - 1, ..Limits::default() };
    assert!(matches!(inspect(&good, &long), Err(PhotoError::TooLong { .. })));
    let few = Limits { pixels: 640 * 480 - 1, ..Limits::default() };
    assert!(matches!(inspect(&good, &few), Err(PhotoError::TooManyPixels { width: 640, height: 480 })));
    let narrow = Limits { side: 639, ..Limits::default() };
    assert!(matches!(inspect(&good, &narrow), Err(PhotoError::TooManyPixels { .. })));
    let small = Limits { memory: 640 * 480 * 3 - 1, ..Limits::default() };
    assert!(matches!(inspect(&good, &small), Err(PhotoError::TooManyPixels { .. })));
    let over = vec![0xff; (64 << 20) + 1];
    assert!(matches!(inspect(&over, &Limits::default()), Err(PhotoError::TooLong { .. })));
    println!("limits on bytes, pixels, side, memory: each refuses by one");
}

#[test]
fn every_cut_is_refused() {
    let good = jpeg(&made_up(96, 64));
    let png = png(&made_up(32, 24));
    for whole in [&good, &png] {
        assert!(pictures(whole).is_ok());
        for n in 0..whole.len() {
            assert!(pictures(&whole[..n]).is_err(), "cut at {n} of {}", whole.len());
        }
    }
    println!("{} cuts of a JPEG and {} of a PNG: all refused", good.len(), png.len());
}

#[test]
fn changed_bytes_never_panic() {
    let good = with_orientation(&jpeg(&made_up(64, 48)), 3);
    let png = png(&made_up(16, 16));
    let (mut refused, mut taken) = (0, 0);
    for whole in [&good, &png] {
        for i in 0..whole.len() {
            for flip in [0x01, 0x80, 0xff] {
                let mut bytes = whole.clone();
                bytes[i] ^= flip;
                if pictures(&bytes).is_ok() { taken += 1 } else { refused += 1 }
            }
        }
    }
    println!("{} changed files: {refused} refused, {taken} still a picture, no panic", refused + taken);
    assert!(refused > 0 && taken > 0);
}

#[test]
fn blurred_and_dark_are_told_apart() {
    let sharp = made_up(1600, 1200);
    let blurred = image::imageops::blur(&sharp, 12.0);
    let mut dark = sharp.clone();
    dark.pixels_mut().for_each(|p| p.0 = p.0.map(|c| c / 8));
    // A lamp-lit tube over a fifth of a black picture.
    let mut lit = dark.clone();
    for (x, y, p) in sharp.enumerate_pixels() {
        if (640..960).contains(&x) {
            lit.put_pixel(x, y, *p);
        }
    }
    let judge = |p: &RgbImage| pictures(&jpeg(p)).expect("good").look;
    for (name, picture, is_blurred, is_dark) in
        [("sharp", &sharp, false, false), ("blurred", &blurred, true, false), ("dark", &dark, false, true), ("lit", &lit, false, false)]
    {
        let look = judge(picture);
        println!("{name}: sharpness {:.1}, brightness {:.0}, bright part {}", look.sharpness, look.brightness, look.bright_part);
        assert_eq!((look.blurred, look.dark), (is_blurred, is_dark), "{name}");
    }
}
