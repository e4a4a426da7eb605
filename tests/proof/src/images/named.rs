//! The named cases: each a way in which a file has stopped a program somewhere.

use super::made::{chunk, exif, frame, ihdr, jpeg, many_scans, png, segment, small_png, stored, with_segments, zeros};

/// What must come of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Must {
    /// Refused at the gate with this code; nothing of it is kept.
    Refuse(&'static str),
    /// Let in, kept byte for byte, and shown.
    Show,
    /// Let in and kept byte for byte; a decoder may or may not make something of it.
    Keep,
}

/// A file and what must come of it.
pub struct Case {
    /// What it is.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// What must come of it.
    pub must: Must,
}

fn case(name: impl Into<String>, must: Must, bytes: Vec<u8>) -> Case {
    Case { name: name.into(), bytes, must }
}

/// All of them. `large` makes the packed ones as large as a file may be; otherwise a quarter gigabyte.
pub fn all(large: bool) -> Vec<Case> {
    let mut all = huge_headers();
    all.extend(thin());
    all.extend(packed(large));
    all.extend(loops());
    all.extend(disguised());
    all.extend(cuts());
    all
}

const PIXELS: Must = Must::Refuse("photo-too-many-pixels");

/// Headers that claim more than can be held.
fn huge_headers() -> Vec<Case> {
    let mut all = Vec::new();
    let end = [0xff, 0xd9];
    for (width, height) in [(65_535, 65_535), (65_535, 1), (1, 65_535), (20_001, 1), (8_001, 8_001), (20_000, 20_000)] {
        for marker in [0xc0, 0xc1, 0xc2] {
            let bytes = [&[0xff, 0xd8][..], &frame(marker, width, height, 3), &end].concat();
            all.push(case(format!("JPEG header {marker:x} of {width} x {height}"), PIXELS, bytes));
        }
    }
    for (width, height) in [(65_535, 65_535), (u32::MAX, u32::MAX), (i32::MAX as u32, 1), (1, i32::MAX as u32), (20_000, 20_000)] {
        for (depth, colour) in [(1, 0), (8, 2), (16, 6), (8, 3)] {
            let bytes = png(&ihdr(width, height, depth, colour), &[chunk(b"IDAT", &zeros(1 << 16))]);
            all.push(case(format!("PNG header of {width} x {height}, {depth} bits, colour {colour}"), PIXELS, bytes));
        }
    }
    // Few enough pixels, too much memory: all coefficients of a progressive picture are held at once.
    all.push(case("progressive of 64 MP", PIXELS, [&[0xff, 0xd8][..], &frame(0xc2, 8_000, 8_000, 4), &end].concat()));
    all.push(case("PNG of 64 MP, 16 bits, with alpha", PIXELS, png(&ihdr(8_000, 8_000, 16, 6), &[chunk(b"IDAT", &zeros(1 << 16))])));
    for (width, height) in [(0, 10), (10, 0), (0, 0)] {
        let no_size = Must::Refuse("photo-unsupported");
        all.push(case(format!("JPEG of {width} x {height}"), no_size, [&[0xff, 0xd8][..], &frame(0xc0, width, height, 3), &end].concat()));
        all.push(case(format!("PNG of {width} x {height}"), no_size, png(&ihdr(width.into(), height.into(), 8, 2), &[])));
    }
    all
}

/// One pixel wide or high, up to the longest side.
fn thin() -> Vec<Case> {
    let mut all = Vec::new();
    for n in [1, 2, 3, 7, 20_000] {
        all.push(case(format!("JPEG of {n} x 1"), Must::Show, jpeg(n, 1, 3)));
        all.push(case(format!("JPEG of 1 x {n}"), Must::Show, jpeg(1, n, 3)));
        let row = |width: usize| [vec![0], vec![128; width * 3]].concat();
        all.push(case(format!("PNG of {n} x 1"), Must::Show, png(&ihdr(n, 1, 8, 2), &[chunk(b"IDAT", &stored(&row(n as usize)))])));
        let column = row(1).repeat(n as usize);
        all.push(case(format!("PNG of 1 x {n}"), Must::Show, png(&ihdr(1, n, 8, 2), &[chunk(b"IDAT", &stored(&column))])));
    }
    all
}

/// A few megabytes that unpack to gigabytes, where pixels are not counted.
fn packed(large: bool) -> Vec<Case> {
    let zeros = zeros(if large { 4 << 30 } else { 1 << 28 });
    let text = |head: &[u8]| [head, &zeros].concat();
    let photo = jpeg(24, 16, 1);
    let mut all = vec![
        case("PNG with a packed text chunk", Must::Show, small_png(&[chunk(b"zTXt", &text(b"Comment\0\0"))])),
        case("PNG with a packed international text chunk", Must::Show, small_png(&[chunk(b"iTXt", &text(b"Comment\0\x01\0en\0\0"))])),
        case("PNG with a packed colour profile", Must::Show, small_png(&[chunk(b"iCCP", &text(b"p\0\0"))])),
        case("PNG whose data unpack to more than its rows", Must::Keep, png(&ihdr(8, 6, 8, 2), &[chunk(b"IDAT", &zeros)])),
        case("PNG with an animation of packed frames", Must::Show, {
            let control = [&[0, 0, 0, 0][..], &8_u32.to_be_bytes(), &6_u32.to_be_bytes(), &[0; 14]].concat();
            let extra = [chunk(b"acTL", &[0, 0, 255, 255, 0, 0, 0, 0]), chunk(b"fcTL", &control), chunk(b"fdAT", &text(&[0, 0, 0, 1]))];
            small_png(&extra)
        }),
    ];
    for scans in [49, 1_000, 20_000] {
        // Fifty scans are let through; a decoder stops at the next one.
        let must = if scans < 50 { Must::Show } else { Must::Keep };
        all.push(case(format!("progressive with {scans} scans"), must, many_scans(1_024, 1_024, scans)));
    }
    all.push(case("progressive of 36 MP with 20,000 scans", Must::Keep, many_scans(6_000, 6_000, 20_000)));
    all.push(case("JPEG with 60,000 comments", Must::Show, with_segments(&photo, &vec![segment(0xfe, b"x"); 60_000])));
    all.push(case(
        "JPEG with 500 colour profiles",
        Must::Show,
        with_segments(&photo, &vec![segment(0xe2, b"ICC_PROFILE\0\x01\xffp"); 500]),
    ));
    all.push(case("JPEG filled with 4 MB of fill bytes", Must::Show, {
        let mut bytes = photo[..2].to_vec();
        bytes.resize(4 << 20, 0xff);
        [bytes, photo[3..].to_vec()].concat()
    }));
    all
}

/// EXIF that points at itself, says too much or nothing.
fn loops() -> Vec<Case> {
    let photo = jpeg(24, 16, 1);
    let tag = |kind: u8, count: u32, value: u32| [&[1, 0x12, 0, kind][..], &count.to_be_bytes(), &value.to_be_bytes()].concat();
    let ifd = |count: u16, tags: &[u8], next: u32| [&count.to_be_bytes(), tags, &next.to_be_bytes()].concat();
    let mut all = vec![
        ("a directory that names itself as the next", ifd(1, &tag(3, 1, 6 << 16), 8)),
        ("65,535 tags in a short directory", ifd(65_535, &tag(3, 1, 6 << 16), 0)),
        ("an orientation of 65,535", ifd(1, &tag(3, 1, 65_535 << 16), 0)),
        ("an orientation as 4 billion values", ifd(1, &tag(3, u32::MAX, 8), 0)),
        ("an orientation far outside", ifd(1, &tag(3, 9, u32::MAX), 0)),
        ("an orientation of type 255", ifd(1, &tag(255, 1, 6 << 16), 0)),
        ("no directory", vec![]),
        ("the same tag 5,000 times", ifd(5_000, &tag(3, 1, 6 << 16).repeat(5_000), 0)),
    ]
    .into_iter()
    .map(|(name, bytes)| case(format!("EXIF with {name}"), Must::Show, with_segments(&photo, &[exif(&bytes)])))
    .collect::<Vec<_>>();
    let many = vec![exif(&ifd(1, &tag(3, 1, 8 << 16), 0)); 2_000];
    all.push(case("2,000 EXIF segments", Must::Show, with_segments(&photo, &many)));
    all.push(case(
        "EXIF in a PNG that points at itself",
        Must::Show,
        small_png(&[chunk(b"eXIf", &[b"MM\0\x2a\0\0\0\x08".as_slice(), &ifd(1, &tag(3, 1, 6 << 16), 8)].concat())]),
    ));
    let two = [&photo[..photo.len() - 2], &frame(0xc0, 20_000, 3_000, 3), &[0xff, 0xd9]].concat();
    all.push(case("a second frame header after the data", Must::Keep, two));
    let inside = with_segments(&photo, &[segment(0xe1, &jpeg(16, 16, 2))]);
    all.push(case("a whole JPEG inside a segment", Must::Show, inside));
    let restart = with_segments(&photo, &[segment(0xdd, &[0, 1])]);
    all.push(case("a restart interval that the data do not keep", Must::Keep, restart));
    all
}

/// Files that are something else, or two things at once.
fn disguised() -> Vec<Case> {
    let none = Must::Refuse("photo-not-a-picture");
    let photo = jpeg(24, 16, 1);
    let box_of = |brand: &[u8]| [&[0, 0, 0, 24][..], b"ftyp", brand, &[0; 12]].concat();
    vec![
        case("HEIC named .jpg", none, box_of(b"heic")),
        case("AVIF named .jpg", none, box_of(b"avif")),
        case("SVG named .jpg", none, b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>".to_vec()),
        case("SVG after a byte order mark", none, b"\xef\xbb\xbf<?xml version='1.0'?><svg/>".to_vec()),
        case("GIF", none, b"GIF89a\x01\0\x01\0\0\0\0;".to_vec()),
        case("WebP", none, b"RIFF\x24\0\0\0WEBPVP8 ".to_vec()),
        case("TIFF", none, b"II*\0\x08\0\0\0".to_vec()),
        case("BMP", none, b"BM\x3a\0\0\0".to_vec()),
        case("ZIP", none, b"PK\x03\x04\x14\0".to_vec()),
        case("HTML", none, b"<html><script>alert(1)</script>".to_vec()),
        case("PDF", none, b"%PDF-1.7\n".to_vec()),
        case("nothing", Must::Refuse("photo-empty"), vec![]),
        case("one byte", none, vec![0xff]),
        case("JPEG, then a web page", Must::Show, [&photo[..], b"<html><script>alert(1)</script>"].concat()),
        case("JPEG, then a ZIP", Must::Show, [&photo[..], b"PK\x03\x04\x14\0"].concat()),
        case("JPEG, then another JPEG", Must::Show, [&photo[..], &jpeg(16, 16, 2)].concat()),
        case("PNG, then a JPEG", Must::Show, [small_png(&[]), photo.clone()].concat()),
        case("a web page, then a JPEG", none, [b"<html>".as_slice(), &photo].concat()),
        case("JPEG start, PNG after it", Must::Refuse("photo-cut-short"), [&[0xff, 0xd8, 0xff][..], &small_png(&[])].concat()),
        case("an arithmetic JPEG", Must::Refuse("photo-unsupported"), [&[0xff, 0xd8][..], &frame(0xc9, 16, 16, 3), &[0xff, 0xd9]].concat()),
        case("a lossless JPEG", Must::Refuse("photo-unsupported"), [&[0xff, 0xd8][..], &frame(0xc3, 16, 16, 3), &[0xff, 0xd9]].concat()),
        case("a JPEG without a frame", Must::Refuse("photo-damaged"), vec![0xff, 0xd8, 0xff, 0xd9]),
        case("67 MB of nothing after a start mark", Must::Refuse("photo-too-long"), [&[0xff, 0xd8, 0xff][..], &vec![0; 64 << 20]].concat()),
        case("PNG without data", Must::Keep, png(&ihdr(8, 6, 8, 2), &[])),
        case("PNG with a chunk of 4 GB", Must::Refuse("photo-cut-short"), {
            let mut bytes = small_png(&[]);
            let at = bytes.len() - 12;
            bytes[at..at + 4].copy_from_slice(&u32::MAX.to_be_bytes());
            bytes
        }),
    ]
}

/// Cut at many places, each a phone that was taken out of the socket while it copied.
fn cuts() -> Vec<Case> {
    let mut all = Vec::new();
    for (name, whole) in [("JPEG", jpeg(40, 30, 5)), ("PNG", small_png(&[]))] {
        for at in 1..whole.len() {
            // At two bytes nobody can tell what it was to be.
            let code = if name == "JPEG" && at < 3 || name == "PNG" && at < 8 { "photo-not-a-picture" } else { "photo-cut-short" };
            all.push(case(format!("{name} cut at byte {at} of {}", whole.len()), Must::Refuse(code), whole[..at].to_vec()));
        }
    }
    all
}
