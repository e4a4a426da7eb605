//! Lists of entries as canonical CBOR: `[bytes, signature or null]`, with a reason as a third part where they are kept apart.
//! The same coding that entries travel in.

use journal::Signature;
use journal::cbor::{CborError, Encoder, Reader};

/// An entry as it stands in a list, not yet looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Raw {
    pub bytes: Vec<u8>,
    pub sig: Option<Signature>,
    /// Empty in lists without reasons.
    pub reason: String,
}

/// Encodes a list, with or without reasons.
pub(super) fn encode(list: &[Raw], reasons: bool) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(list.len());
    for raw in list {
        out.array(if reasons { 3 } else { 2 });
        out.bytes(&raw.bytes);
        match &raw.sig {
            Some(sig) => out.bytes(&sig.0),
            None => out.null(),
        }
        if reasons {
            out.text(&raw.reason);
        }
    }
    out.into_bytes()
}

/// Encodes rows whose bytes have changed: hash, bytes and signature as stored.
pub(super) fn encode_damaged(list: &[(Vec<u8>, Vec<u8>, Vec<u8>)]) -> Vec<u8> {
    let mut out = Encoder::default();
    out.array(list.len());
    for (hash, bytes, sig) in list {
        out.array(3);
        for part in [hash, bytes, sig] {
            out.bytes(part);
        }
    }
    out.into_bytes()
}

/// Decodes a list. What comes before a fault is given too: entries prove themselves one by one.
pub(super) fn decode(bytes: &[u8], reasons: bool) -> (Vec<Raw>, Option<CborError>) {
    let mut reader = Reader::new(bytes);
    let mut out = Vec::new();
    let fault = read(&mut reader, reasons, &mut out).err();
    (out, fault)
}

fn read(reader: &mut Reader<'_>, reasons: bool, out: &mut Vec<Raw>) -> Result<(), CborError> {
    let wrong = |reader: &Reader<'_>| CborError { at: reader.at(), why: journal::cbor::Why::Type };
    for _ in 0..reader.array()? {
        if reader.array()? != if reasons { 3 } else { 2 } {
            return Err(wrong(reader));
        }
        let bytes = reader.bytes()?.to_vec();
        let sig = if reader.null()? { None } else { Some(Signature::from_slice(reader.bytes()?).ok_or_else(|| wrong(reader))?) };
        let reason = if reasons { reader.text()?.to_owned() } else { String::new() };
        out.push(Raw { bytes, sig, reason });
    }
    reader.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_come_back_and_cut_ones_give_what_stands_before_the_cut() {
        let list: Vec<Raw> =
            (0..3_u8).map(|n| Raw { bytes: vec![n; 20], sig: (n == 2).then_some(Signature([n; 64])), reason: "why".into() }).collect();
        let bytes = encode(&list, true);
        assert_eq!(decode(&bytes, true), (list.clone(), None));
        for cut in 0..bytes.len() {
            let (some, fault) = decode(&bytes[..cut], true);
            assert!(fault.is_some() && some.len() < 3 && list.starts_with(&some), "cut at {cut}");
        }
        println!("a list of 3 in {} bytes: cut at each byte, what stands before the cut is given", bytes.len());
    }
}
