#![no_main]
//! The door `plan`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("plan", bytes));
