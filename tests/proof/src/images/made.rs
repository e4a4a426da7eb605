//! Pictures made to harm, piece by piece: PNG chunks with false lengths and packed gigabytes, JPEG segments in loops, scans
//! by the thousand. Written from the PNG specification (third edition), ITU-T T.81 and RFC 1950/1951.

use image::codecs::jpeg::JpegEncoder;
use image::{Rgb, RgbImage};

/// An ordinary small photo.
pub fn jpeg(width: u32, height: u32, seed: u8) -> Vec<u8> {
    let picture = RgbImage::from_fn(width, height, |x, y| Rgb([(x * 7 + u32::from(seed)) as u8, (y * 5) as u8, ((x ^ y) * 3) as u8]));
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, 85).encode_image(&picture).expect("encodes");
    out
}

/// The CRC of PNG chunks (annex D), bit by bit.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| (0..8).fold(crc ^ u32::from(*byte), |c, _| (c >> 1) ^ (0xedb8_8320 & (c & 1).wrapping_neg())))
}

/// One PNG chunk.
pub fn chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let named = [kind.as_slice(), data].concat();
    [&(data.len() as u32).to_be_bytes(), named.as_slice(), &crc(&named).to_be_bytes()].concat()
}

/// `IHDR` of a picture of `depth` bits in colour type `colour`.
pub fn ihdr(width: u32, height: u32, depth: u8, colour: u8) -> Vec<u8> {
    chunk(b"IHDR", &[width.to_be_bytes().as_slice(), &height.to_be_bytes(), &[depth, colour, 0, 0, 0]].concat())
}

/// A zlib stream that stores its bytes.
pub fn stored(data: &[u8]) -> Vec<u8> {
    let mut out = vec![0x78, 0x01];
    let mut pieces = data.chunks(0xffff).peekable();
    while let Some(piece) = pieces.next() {
        out.push(u8::from(pieces.peek().is_none()));
        out.extend((piece.len() as u16).to_le_bytes());
        out.extend((!(piece.len() as u16)).to_le_bytes());
        out.extend(piece);
    }
    let (a, b) = data.iter().fold((1_u32, 0_u32), |(a, b), byte| ((a + u32::from(*byte)) % 65_521, (b + a + u32::from(*byte)) % 65_521));
    out.extend((b << 16 | a).to_be_bytes());
    out
}

/// A zlib stream of about `n` zero bytes in fixed Huffman codes: one literal, then matches of 258 at distance 1, 13 bits each.
pub fn zeros(n: u64) -> Vec<u8> {
    let mut bits = Bits::default();
    bits.low_first(0b011, 3);
    bits.code(0x30, 8);
    let matches = n / 258;
    for _ in 0..matches {
        bits.code(0b1100_0101, 8);
        bits.code(0, 5);
    }
    bits.code(0, 7);
    let long = matches * 258 + 1;
    let check = ((long % 65_521) << 16 | 1) as u32;
    [vec![0x78, 0x01], bits.bytes(), check.to_be_bytes().to_vec()].concat()
}

#[derive(Default)]
struct Bits {
    out: Vec<u8>,
    left: u32,
    held: u64,
}

impl Bits {
    fn low_first(&mut self, value: u64, width: u32) {
        self.held |= value << self.left;
        self.left += width;
        while self.left >= 8 {
            self.out.push(self.held as u8);
            self.held >>= 8;
            self.left -= 8;
        }
    }

    /// Huffman codes are packed from their highest bit on.
    fn code(&mut self, value: u64, width: u32) {
        self.low_first(value.reverse_bits() >> (64 - width), width);
    }

    fn bytes(mut self) -> Vec<u8> {
        self.low_first(0, 7);
        self.out
    }
}

/// A PNG of these chunks between its header and its end.
pub fn png(ihdr: &[u8], chunks: &[Vec<u8>]) -> Vec<u8> {
    [b"\x89PNG\r\n\x1a\n".as_slice(), ihdr, &chunks.concat(), &chunk(b"IEND", &[])].concat()
}

/// An ordinary small PNG in colour, with further chunks before its data.
pub fn small_png(extra: &[Vec<u8>]) -> Vec<u8> {
    let rows: Vec<u8> = (0..6_u8).flat_map(|y| std::iter::once(0).chain((0..24).map(move |x| x * 9 + y))).collect();
    let mut chunks = extra.to_vec();
    chunks.push(chunk(b"IDAT", &stored(&rows)));
    png(&ihdr(8, 6, 8, 2), &chunks)
}

/// One JPEG segment.
pub fn segment(marker: u8, data: &[u8]) -> Vec<u8> {
    [&[0xff, marker], ((data.len() + 2) as u16).to_be_bytes().as_slice(), data].concat()
}

/// A frame header: baseline (`0xc0`) or progressive (`0xc2`), with one component or more.
pub fn frame(marker: u8, width: u16, height: u16, components: u8) -> Vec<u8> {
    let mut data = vec![8];
    data.extend(height.to_be_bytes());
    data.extend(width.to_be_bytes());
    data.push(components);
    (1..=components).for_each(|c| data.extend([c, 0x11, 0]));
    segment(marker, &data)
}

/// A grey progressive JPEG: one scan for the means, then `scans` that change nothing. Each is a few bytes and costs a
/// decoder a walk over the whole picture.
pub fn many_scans(width: u16, height: u16, scans: usize) -> Vec<u8> {
    let blocks = usize::from(width).div_ceil(8) * usize::from(height).div_ceil(8);
    let table = |class: u8, symbol: u8| segment(0xc4, &[&[class][..], &[1], &[0; 15], &[symbol]].concat());
    let scan = |from: u8, to: u8, bits: usize| [segment(0xda, &[1, 1, 0, from, to, 0]), vec![0; bits.div_ceil(8)]].concat();
    let mut out = vec![0xff, 0xd8];
    out.extend(segment(0xdb, &[&[0_u8][..], &[16; 64]].concat()));
    out.extend(frame(0xc2, width, height, 1));
    // The mean of each block: no difference, code 0. The rest: ends of runs of 2^14 blocks, code 0 and 14 bits.
    out.extend(table(0x00, 0));
    out.extend(table(0x10, 0xe0));
    out.extend(scan(0, 0, blocks));
    let runs = blocks.div_ceil(1 << 14);
    for n in 0..scans {
        let band = 1 + (n % 63) as u8;
        out.extend(scan(band, band, runs * 15));
    }
    out.extend([0xff, 0xd9]);
    out
}

/// EXIF with this first directory.
pub fn exif(ifd: &[u8]) -> Vec<u8> {
    segment(0xe1, &[b"Exif\0\0MM\0\x2a\0\0\0\x08".as_slice(), ifd].concat())
}

/// These segments put after a photo's start mark.
pub fn with_segments(jpeg: &[u8], segments: &[Vec<u8>]) -> Vec<u8> {
    [&jpeg[..2], &segments.concat(), &jpeg[2..]].concat()
}

/// Small sound pictures of every form, to be changed.
pub fn small() -> Vec<(String, Vec<u8>)> {
    let photo = jpeg(24, 16, 1);
    let turned = exif(&[0, 1, 1, 0x12, 0, 3, 0, 0, 0, 1, 0, 6, 0, 0, 0, 0, 0, 0]);
    let palette =
        [chunk(b"PLTE", &[255, 0, 0, 0, 255, 0]), chunk(b"tRNS", &[128]), chunk(b"IDAT", &stored(&[0, 0b0101_0000, 0, 0b1010_0000]))];
    let packed = [b"note\0\0".as_slice(), &zeros(4096)].concat();
    let profile = [b"p\0\0".as_slice(), &zeros(4096)].concat();
    [
        ("baseline", photo.clone()),
        ("turned", with_segments(&photo, &[turned])),
        ("scans", many_scans(32, 24, 12)),
        ("colour", small_png(&[])),
        ("palette", png(&ihdr(4, 2, 1, 3), &palette)),
        ("packed", small_png(&[chunk(b"iCCP", &profile), chunk(b"zTXt", &packed)])),
        ("deep", png(&ihdr(2, 1, 16, 6), &[chunk(b"IDAT", &stored(&[0; 17]))])),
    ]
    .map(|(name, bytes)| (name.to_owned(), bytes))
    .to_vec()
}
