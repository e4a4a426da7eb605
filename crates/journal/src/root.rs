//! The content root of a sign-off: one hash over everything that was on the screen when it was signed.

use crate::cbor::Encoder;
use crate::id::EntryHash;
use std::collections::{BTreeMap, BTreeSet};

const CONTEXT: &str = "tubewright 2026 sign-off content root";

/// The content root over subjects with their standing entries, the statement exactly as shown, its language and the
/// version of the rules that judged it.
///
/// The order of the parts and of the hashes inside a part does not matter, and a repetition counts once; everything
/// else does. A subject that is in scope with nothing standing differs from one that is not in scope.
pub fn content_root(parts: &[(&str, &[EntryHash])], statement: &str, lang: &str, rules: &str) -> [u8; 32] {
    let mut sorted: BTreeMap<&str, BTreeSet<&EntryHash>> = BTreeMap::new();
    for (subject, hashes) in parts {
        sorted.entry(subject).or_default().extend(hashes.iter());
    }
    let mut out = Encoder::default();
    out.array(4);
    out.array(sorted.len());
    for (subject, hashes) in sorted {
        out.array(2);
        out.text(subject);
        out.array(hashes.len());
        for hash in hashes {
            out.bytes(&hash.0);
        }
    }
    for text in [statement, lang, rules] {
        out.text(text);
    }
    blake3::derive_key(CONTEXT, &out.into_bytes())
}
