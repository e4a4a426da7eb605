//! Published edge cases of Ed25519 and the verdict that every device here gives on them.
//!
//! The journal verifies as ZIP 215 says (with the cofactor, every encoding of a point, S below the order), one signature at
//! a time, after it has refused keys of small order. What matters is not which of the admissible rules is taken, but that
//! every device takes the same one.

use ed25519_zebra::{Signature, VerificationKey};
use journal::VerifyingKey;

/// What becomes of a key, a text and a signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The key can't be trusted to sign: one signature under it fits every text, or it is no point.
    KeyRefused,
    /// The signature fits.
    Fits,
    /// It does not.
    DoesNotFit,
}

/// The verdict of the journal's own gate for keys and of the verifier behind it.
pub fn verdict(key: [u8; 32], text: &[u8], sig: [u8; 64]) -> Verdict {
    if VerifyingKey::from_bytes(key).is_err() {
        return Verdict::KeyRefused;
    }
    let zebra = VerificationKey::try_from(key).expect("what the gate lets through is a point");
    match zebra.verify(&Signature::from(sig), text) {
        Ok(()) => Verdict::Fits,
        Err(_) => Verdict::DoesNotFit,
    }
}

/// The 8 points of small order and the 6 further encodings of them, 32 bytes each. The same ones are listed in Chalkias,
/// Garillot, Nikolaenko, "Taming the many EdDSAs" (2020), table 1; written down from memory, each checked by the test.
pub const SMALL_ORDER: [&str; 14] = [
    "0100000000000000000000000000000000000000000000000000000000000000",
    "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "0000000000000000000000000000000000000000000000000000000000000000",
    "0000000000000000000000000000000000000000000000000000000000000080",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc85",
    "0100000000000000000000000000000000000000000000000000000000000080",
    "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff",
    "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff",
    "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff",
];

/// Text, key, signature in hexadecimal; our verdict; what the case is about.
pub type Published = (&'static str, &'static str, &'static str, Verdict, &'static str);

const SMALL: &str = "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa";
const MIXED: &str = "f7badec5b8abeaf699583992219b7b223f1df3fbbea919844e3f7c554a43dd43";
const COFACTOR: &str = "cdb267ce40c5cd45306fa5d2f29731459387dbf9eb933b7bd5aed9a765b88d4d";
const LARGE_S: &str = "442aad9f089ad9e14647b1ef9099a1ff4798d78589e66f28eca69c11f582a623";
const OTHER_FORM: &str = "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff";

/// The fifteen cases of the repository `novifinancial/ed25519-speccheck`, file `cases.json` at commit d2b2ba58 (licence
/// Apache-2.0), made for the paper named above.
pub const SPECCHECK: [Published; 15] = [
    (
        "2a66241a42a9ee12994d8068dcf1bb7dfc6637b45450acd43711f637fa5080fc",
        SMALL,
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a0000000000000000000000000000000000000000000000000000000000000000",
        Verdict::KeyRefused,
        "S = 0, small A, small R",
    ),
    (
        "8c93255d71dcab10e8f379c26200f3c7bd5f09d9bc3068d3ef4edeb4853022b6",
        SMALL,
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a0000000000000000000000000000000000000000000000000000000000000000",
        Verdict::KeyRefused,
        "S = 0, small A, small R",
    ),
    (
        "9bedc267423725d473888631ebf45988bad3db83851ee85c85e241a07d148b41",
        SMALL,
        "f7badec5b8abeaf699583992219b7b223f1df3fbbea919844e3f7c554a43dd43a5bb704786be79fc476f91d3f3f89b03984d8068dcf1bb7dfc6637b45450ac04",
        Verdict::KeyRefused,
        "small A, mixed R",
    ),
    (
        "9bd9f44f4dcc75bd531b56b2cd280b0bb38fc1cd6d1230e14861d861de092e79",
        SMALL,
        "f7badec5b8abeaf699583992219b7b223f1df3fbbea919844e3f7c554a43dd43a5bb704786be79fc476f91d3f3f89b03984d8068dcf1bb7dfc6637b45450ac04",
        Verdict::KeyRefused,
        "small A, mixed R, with the cofactor only",
    ),
    (
        "9bedc267423725d473888631ebf45988bad3db83851ee85c85e241a07d148b41",
        MIXED,
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa182ef1a5b928da07fec769cc8a12db6bcf70dab3f3227fa315e9d5e3e01a3405",
        Verdict::Fits,
        "mixed A, small R",
    ),
    (
        "aebf3f2601a0c8c5d39cc7d8911642f740b78168218da8471772b35f9d35b9ab",
        MIXED,
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa8c4bd45aecaca5b24fb97bc10ac27ac8751a7dfe1baff8b953ec9f5833ca260e",
        Verdict::Fits,
        "mixed A, small R, with the cofactor only",
    ),
    (
        "9bd9f44f4dcc75bd531b56b2cd280b0bb38fc1cd6d1230e14861d861de092e79",
        COFACTOR,
        "9046a64750444938de19f227bb80485e92b83fdb4b6506c160484c016cc1852f87909e14428a7a1d62e9f22f3d3ad7802db02eb2e688b6c52fcd6648a98bd009",
        Verdict::Fits,
        "mixed A, mixed R",
    ),
    (
        "e47d62c63f830dc7a6851a0b1f33ae4bb2f507fb6cffec4011eaccd55b53f56c",
        COFACTOR,
        "160a1cb0dc9c0258cd0a7d23e94d8fa878bcb1925f2c64246b2dee1796bed5125ec6bc982a269b723e0668e540911a9a6a58921d6925e434ab10aa7940551a09",
        Verdict::Fits,
        "with the cofactor only",
    ),
    (
        "e47d62c63f830dc7a6851a0b1f33ae4bb2f507fb6cffec4011eaccd55b53f56c",
        COFACTOR,
        "21122a84e0b5fca4052f5b1235c80a537878b38f3142356b2c2384ebad4668b7e40bc836dac0f71076f9abe3a53f9c03c1ceeeddb658d0030494ace586687405",
        Verdict::Fits,
        "with the cofactor only, where it is not multiplied into the hash first",
    ),
    (
        "85e241a07d148b41e47d62c63f830dc7a6851a0b1f33ae4bb2f507fb6cffec40",
        LARGE_S,
        "e96f66be976d82e60150baecff9906684aebb1ef181f67a7189ac78ea23b6c0e547f7690a0e2ddcd04d87dbc3490dc19b3b3052f7ff0538cb68afb369ba3a514",
        Verdict::DoesNotFit,
        "S above the order",
    ),
    (
        "85e241a07d148b41e47d62c63f830dc7a6851a0b1f33ae4bb2f507fb6cffec40",
        LARGE_S,
        "8ce5b96c8f26d0ab6c47958c9e68b937104cd36e13c33566acd2fe8d38aa19427e71f98a473474f2f13f06f97c20d58cc3f54b8bd0d272f42b695dd7e89a8c22",
        Verdict::DoesNotFit,
        "S far above the order",
    ),
    (
        "9bedc267423725d473888631ebf45988bad3db83851ee85c85e241a07d148b41",
        MIXED,
        "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff03be9678ac102edcd92b0210bb34d7428d12ffc5df5f37e359941266a4e35f0f",
        Verdict::DoesNotFit,
        "R in another form, brought into its own form before it was hashed",
    ),
    (
        "9bedc267423725d473888631ebf45988bad3db83851ee85c85e241a07d148b41",
        MIXED,
        "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffca8c5b64cd208982aa38d4936621a4775aa233aa0505711d8fdcfdaa943d4908",
        Verdict::Fits,
        "R in another form, hashed as it came",
    ),
    (
        "e96b7021eb39c1a163b6da4e3093dcd3f21387da4cc4572be588fafae23c155b",
        OTHER_FORM,
        "a9d55260f765261eb9b84e106f665e00b867287a761990d7135963ee0a7d59dca5bb704786be79fc476f91d3f3f89b03984d8068dcf1bb7dfc6637b45450ac04",
        Verdict::KeyRefused,
        "A in another form",
    ),
    (
        "39a591f5321bbe07fd5a23dc2f39d025d74526615746727ceefd6e82ae65c06f",
        OTHER_FORM,
        "a9d55260f765261eb9b84e106f665e00b867287a761990d7135963ee0a7d59dca5bb704786be79fc476f91d3f3f89b03984d8068dcf1bb7dfc6637b45450ac04",
        Verdict::KeyRefused,
        "A in another form",
    ),
];
