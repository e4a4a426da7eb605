#![no_main]
//! The door `pairing`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("pairing", bytes));
