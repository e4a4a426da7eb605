//! Uploads of a photo in pieces: the rule of the trailer against a plain model. The photo appears once, byte for byte, or
//! not at all.

use sync::server_side::{PhotoRule, photo_rule};

/// Length of the photo that is sent.
const TOTAL: usize = 40;

/// What the trailer does with a piece, in memory.
#[derive(Default)]
struct Trailer {
    held: Vec<u8>,
    photo: Option<Vec<u8>>,
    appeared: u32,
}

impl Trailer {
    fn take(&mut self, offset: u64, piece: &[u8], total: u64, hash: &blake3::Hash) -> u64 {
        if self.photo.is_some() {
            return TOTAL as u64;
        }
        match photo_rule(self.held.len() as u64, offset, piece.len(), total) {
            PhotoRule::Append { skip } => {
                assert!(skip < piece.len(), "an append brings something new");
                assert_eq!(offset + skip as u64, self.held.len() as u64, "an append goes on where the upload stands");
                self.held.extend(&piece[skip..]);
                assert!(self.held.len() as u64 <= total && total <= sync::MAX_PHOTO);
            }
            PhotoRule::Finish => assert_eq!(self.held.len() as u64, total),
            PhotoRule::Resync => {}
            PhotoRule::Refuse => return self.held.len() as u64,
        }
        self.finish(total, hash);
        if self.photo.is_some() { TOTAL as u64 } else { self.held.len() as u64 }
    }

    fn finish(&mut self, total: u64, hash: &blake3::Hash) {
        if (self.held.len() as u64) < total {
            return;
        }
        if blake3::hash(&self.held) == *hash {
            self.photo = Some(std::mem::take(&mut self.held));
            self.appeared += 1;
        } else {
            self.held.clear();
        }
    }
}

/// Four bytes a request: a small number for the offset, the length, what is a lie in it, and by how much.
pub fn check(bytes: &[u8]) {
    let photo: Vec<u8> = (0..TOTAL as u8).map(|b| b.wrapping_mul(7)).collect();
    let hash = blake3::hash(&photo);
    let mut trailer = Trailer::default();
    for request in bytes.chunks(4) {
        let [small, len, lie, by] = *request else { break };
        let offset = match lie & 3 {
            3 => u64::MAX - u64::from(small),
            2 => sync::MAX_PHOTO - u64::from(small),
            _ => u64::from(small),
        };
        let total = match lie >> 2 & 3 {
            3 => u64::MAX,
            2 => u64::from(by),
            _ => TOTAL as u64,
        };
        let from = usize::try_from(offset).unwrap_or(usize::MAX).min(TOTAL);
        let mut piece = photo[from..(from + usize::from(len)).min(TOTAL)].to_vec();
        if lie & 0x80 != 0 {
            piece.resize(usize::from(len), by);
        }
        if lie & 0x40 != 0
            && let Some(byte) = piece.first_mut()
        {
            *byte ^= by | 1;
        }
        let held = trailer.take(offset, &piece, total, &hash);
        assert!(held <= sync::MAX_PHOTO);
    }
    honest_end(&mut trailer, &photo, &hash);
    assert_eq!(trailer.photo.as_deref(), Some(photo.as_slice()), "byte for byte");
    assert_eq!(trailer.appeared, 1, "once");
}

/// Whatever was sent before, by whomever: an honest tablet that goes on from the offset it is told gets its photo through.
fn honest_end(trailer: &mut Trailer, photo: &[u8], hash: &blake3::Hash) {
    let mut told = if trailer.photo.is_some() { return } else { trailer.held.len() };
    for _ in 0..2 * TOTAL {
        // Told more than there is, the tablet sends from the start.
        let at = if told > photo.len() { 0 } else { told };
        let piece = &photo[at..(at + 7).min(photo.len())];
        told = usize::try_from(trailer.take(at as u64, piece, photo.len() as u64, hash)).expect("small");
        if trailer.photo.is_some() {
            return;
        }
    }
}
