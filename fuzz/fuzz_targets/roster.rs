#![no_main]
//! The door `roster`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("roster", bytes));
