//! Pictures: the gate, the decoder behind it, the two smaller pictures.

use photo::{LARGE, Limits, SMALL, inspect, pictures_within};

/// Small enough that a fuzzer tries thousands.
pub const LIMITS: Limits = Limits { bytes: 1 << 20, pixels: 1_000_000, side: 4_000, memory: 16 << 20 };

/// Any file.
pub fn check(bytes: &[u8]) {
    let info = inspect(bytes, &LIMITS);
    match pictures_within(bytes, &LIMITS) {
        Ok(made) => {
            assert_eq!(info.as_ref(), Ok(&made.info), "the gate saw the same picture");
            assert!(made.info.width > 0 && made.info.height > 0);
            assert!(u64::from(made.info.width) * u64::from(made.info.height) <= LIMITS.pixels);
            for (jpeg, side) in [(&made.large, LARGE), (&made.small, SMALL)] {
                let small = inspect(jpeg, &LIMITS).expect("what is made is a sound picture");
                assert_eq!((small.mime, small.orientation), ("image/jpeg", 1), "upright");
                let longest = made.info.width.max(made.info.height);
                assert_eq!(small.width.max(small.height), longest.min(side), "never larger than the original");
            }
        }
        Err(why) => {
            // The gate's own refusals come before anything is decoded.
            if let Err(gate) = &info {
                assert_eq!(gate, &why);
            }
            assert!(!why.to_string().is_empty() && why.to_string().contains("Nothing saved before is lost"));
        }
    }
}
