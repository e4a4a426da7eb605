#![no_main]
//! The door `fraction`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("fraction", bytes));
