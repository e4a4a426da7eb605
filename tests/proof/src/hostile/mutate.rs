//! Changes of good bytes: most are nearly right, which is where mistakes live.

use crate::sim::rng::Rng;

/// Numbers at which lengths and counters go wrong.
const EDGES: [u64; 14] =
    [0, 1, 0x17, 0x18, 0x7f, 0x80, 0xff, 0x100, 0x7fff, 0xffff, 0x1_0000, 0x7fff_ffff, 0xffff_ffff, 0x7fff_ffff_ffff_ffff];

/// One of these inputs with one to four changes, at most `longest` bytes.
pub fn mutate(all: &[&[u8]], longest: usize, rng: &mut Rng) -> Vec<u8> {
    let mut bytes = rng.pick(all).map(|b| b.to_vec()).unwrap_or_default();
    for _ in 0..=rng.below(4) {
        change(&mut bytes, all, rng);
    }
    bytes.truncate(longest);
    bytes
}

fn change(bytes: &mut Vec<u8>, all: &[&[u8]], rng: &mut Rng) {
    let at = rng.below(bytes.len());
    match rng.below(12) {
        _ if bytes.is_empty() => bytes.extend(&rng.bytes()[..1 + rng.below(8)]),
        0 | 1 => bytes[at] ^= 1 << rng.below(8),
        2 => bytes[at] = rng.next() as u8,
        3 => bytes.truncate(at),
        4 => drop(bytes.drain(at..(at + 1 + rng.below(16)).min(bytes.len()))),
        5 => {
            let piece = bytes[at..(at + 1 + rng.below(32)).min(bytes.len())].to_vec();
            bytes.splice(at..at, piece);
        }
        6 => {
            let other = rng.pick(all).copied().unwrap_or_default();
            let from = rng.below(other.len());
            let piece = &other[from..(from + 1 + rng.below(64)).min(other.len())];
            bytes.splice(at..at, piece.iter().copied());
        }
        7 => length_lie(bytes, at, rng),
        8 => bytes.splice(at..at, rng.bytes()[..1 + rng.below(8)].iter().copied()).for_each(drop),
        9 => {
            let other = rng.below(bytes.len());
            bytes.swap(at, other);
        }
        10 => figure(bytes, rng),
        _ => {
            let other = rng.pick(all).copied().unwrap_or_default();
            bytes.truncate(at);
            bytes.extend(&other[rng.below(other.len())..]);
        }
    }
}

/// Writes an edge number over what stands there, in two, four or eight bytes, either end first.
fn length_lie(bytes: &mut [u8], at: usize, rng: &mut Rng) {
    let edge = EDGES[rng.below(EDGES.len())];
    let width = [1, 2, 4, 8][rng.below(4)];
    let mut number = edge.to_be_bytes()[8 - width..].to_vec();
    if rng.percent(30) {
        number.reverse();
    }
    for (to, from) in bytes[at..].iter_mut().zip(number) {
        *to = from;
    }
}

/// Puts a number that hurts in the place of one that is written in figures.
fn figure(bytes: &mut Vec<u8>, rng: &mut Rng) {
    const HURT: [&str; 9] = [
        "0",
        "-1",
        "9223372036854775807",
        "-9223372036854775808",
        "18446744073709551616",
        "1e400",
        "0.1",
        "null",
        "99999999999999999999999",
    ];
    let starts: Vec<usize> =
        (0..bytes.len()).filter(|&i| bytes[i].is_ascii_digit() && (i == 0 || !bytes[i - 1].is_ascii_digit())).collect();
    let Some(&start) = rng.pick(&starts) else { return };
    let end = bytes[start..].iter().position(|b| !b.is_ascii_digit()).map_or(bytes.len(), |n| start + n);
    bytes.splice(start..end, HURT[rng.below(HURT.len())].bytes());
}
